package pull

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Link is a shape of the share of successes over a linear predictor: the share and
// its slope.
type Link func(eta float64) (p, slope float64)

// The shapes: logistic, normal and complementary log-log. The product's limits are of the
// first; the others are held against it.
var (
	Logit   Link = func(eta float64) (float64, float64) { p := 1 / (1 + math.Exp(-eta)); return p, p * (1 - p) }
	Probit  Link = func(eta float64) (float64, float64) { return distuv.UnitNormal.CDF(eta), distuv.UnitNormal.Prob(eta) }
	CLogLog Link = func(eta float64) (float64, float64) {
		e := math.Exp(min(eta, 30))
		return -math.Expm1(-e), e * math.Exp(-e)
	}
)

// Fit is P(success) = link(A + B x), with the inverse of the information as the
// covariance of A and B, and the deviance against a share of its own at each x.
type Fit struct {
	A, B              float64
	VarA, VarB, CovAB float64
	Deviance          float64
}

// At is the x where the linear predictor is eta.
func (f Fit) At(eta float64) float64 { return (eta - f.A) / f.B }

// UAt is the standard uncertainty of At by the delta method:
//
//	x = (eta - A)/B,  u^2 = (VarA + 2 x CovAB + x^2 VarB) / B^2
func (f Fit) UAt(eta float64) float64 {
	x := f.At(eta)
	return math.Sqrt(f.VarA+2*x*f.CovAB+x*x*f.VarB) / math.Abs(f.B)
}

// Fieller is the 95 % interval of At by Fieller's theorem (1954, Journal of the Royal
// Statistical Society B 16, 175); ok is false where it has no two ends, the slope
// not being told from 0.
func (f Fit) Fieller(eta float64) (lo, hi float64, ok bool) {
	z := distuv.UnitNormal.Quantile(0.975)
	a := f.B*f.B - z*z*f.VarB
	b := 2 * ((f.A-eta)*f.B - z*z*f.CovAB)
	c := (f.A-eta)*(f.A-eta) - z*z*f.VarA
	d := b*b - 4*a*c
	if a <= 0 || d < 0 {
		return math.NaN(), math.NaN(), false
	}
	return (-b - math.Sqrt(d)) / (2 * a), (-b + math.Sqrt(d)) / (2 * a), true
}

// Overlaps reports whether there are both a success at a greater x than some failure
// and the other way about: only then has ordinary maximum likelihood an answer
// (Albert and Anderson 1984, Biometrika 71, 1, of one covariate).
func Overlaps(ts []Tally) bool {
	inf := math.Inf(1)
	s0, s1, f0, f1 := inf, -inf, inf, -inf
	for _, t := range ts {
		if t.Moves > 0 {
			s0, s1 = min(s0, t.X), max(s1, t.X)
		}
		if t.Moves < t.N {
			f0, f1 = min(f0, t.X), max(f1, t.X)
		}
	}
	return s1 > f0 && f1 > s0
}

// MaximumLikelihood fits a share of successes over x. It is an error where successes and
// failures do not overlap: the slope would be infinite.
func MaximumLikelihood(link Link, ts []Tally) (Fit, error) {
	if !Overlaps(ts) {
		return Fit{}, fmt.Errorf("fitting %d loads by maximum likelihood: successes and failures do not overlap, no finite slope fits best", len(ts))
	}
	return climb(link, ts, 0)
}

// Firth fits a logistic share of successes with Jeffreys' prior as a penalty, which takes
// away the bias of first order and is finite also where successes and failures do not
// overlap (Firth 1993, Biometrika 80, 27; Heinze and Schemper 2002, Statistics in
// Medicine 21, 2409):
//
//	maximise  sum [k ln p + (n-k) ln(1-p)] + 1/2 ln det I(A, B)
//
// It is an error with fewer than two loads, or none tried.
func Firth(ts []Tally) (Fit, error) {
	if len(ts) < 2 {
		return Fit{}, fmt.Errorf("fitting %d loads: want two different ones at least", len(ts))
	}
	return climb(Logit, ts, 1)
}

// climb maximises the likelihood, with penalty times Jeffreys' prior, by Newton's steps
// where it curves down, else by scoring, halved until they lead up. x is taken about its
// middle and over its width. Scoring alone comes to rest too slowly where the penalty
// bends the top.
func climb(link Link, ts []Tally, penalty float64) (Fit, error) {
	mid, wide := middle(ts)
	at := func(a, b float64) ascent { return look(link, ts, mid, wide, a, b, penalty) }
	a, b := 0.0, 0.0
	now := at(a, b)
	for range 200 {
		da, db := now.newton(at, a, b)
		next := at(a+da, b+db)
		for k := 0; k < 40 && !(next.value > now.value-1e-13*math.Abs(now.value)); k++ {
			da, db = da/2, db/2
			next = at(a+da, b+db)
		}
		a, b, now = a+da, b+db, next
		if math.Abs(da) < 1e-9*(1+math.Abs(a)) && math.Abs(db) < 1e-9*(1+math.Abs(b)) {
			return now.fit(a, b, mid, wide), nil
		}
	}
	return Fit{}, fmt.Errorf("fitting %d loads: the likelihood has not come to rest after 200 steps", len(ts))
}

func middle(ts []Tally) (mid, wide float64) {
	lo, hi := ts[0].X, ts[0].X
	for _, t := range ts {
		lo, hi = min(lo, t.X), max(hi, t.X)
	}
	return (lo + hi) / 2, max((hi-lo)/2, math.SmallestNonzeroFloat64)
}

// ascent is the likelihood at a place, with its score and information.
type ascent struct {
	value, scoreA, scoreB, aa, ab, bb, deviance float64
}

func look(link Link, ts []Tally, mid, wide, a, b, penalty float64) (l ascent) {
	for _, t := range ts {
		z := (t.X - mid) / wide
		p, slope := link(a + b*z)
		p = min(max(p, 1e-300), 1-1e-16)
		w := slope * slope / (p * (1 - p))
		score := (t.Moves - t.N*p) * slope / (p * (1 - p))
		l.value += xlog(t.Moves, p) + xlog(t.N-t.Moves, 1-p)
		l.deviance += 2 * (xlog(t.Moves, t.Moves/(t.N*p)) + xlog(t.N-t.Moves, (t.N-t.Moves)/(t.N*(1-p))))
		l.scoreA, l.scoreB = l.scoreA+score, l.scoreB+score*z
		l.aa, l.ab, l.bb = l.aa+t.N*w, l.ab+t.N*w*z, l.bb+t.N*w*z*z
	}
	if penalty > 0 {
		l.penalise(ts, mid, wide, a, b)
	}
	return l
}

// penalise adds 1/2 ln det I and its score, sum h (1/2 - p) (1, z), h being what each
// load weighs in the fit.
func (l *ascent) penalise(ts []Tally, mid, wide, a, b float64) {
	det := l.aa*l.bb - l.ab*l.ab
	l.value += math.Log(det) / 2
	for _, t := range ts {
		z := (t.X - mid) / wide
		p, w := Logit(a + b*z)
		h := t.N * w * (l.bb - 2*l.ab*z + l.aa*z*z) / det
		l.scoreA, l.scoreB = l.scoreA+h*(0.5-p), l.scoreB+h*(0.5-p)*z
	}
}

// newton is the step by the curvature, from differences of the score; scoring's where it
// does not curve down.
func (l ascent) newton(at func(a, b float64) ascent, a, b float64) (da, db float64) {
	const h = 1e-5
	up, down, right, left := at(a+h, b), at(a-h, b), at(a, b+h), at(a, b-h)
	aa, bb := (up.scoreA-down.scoreA)/(2*h), (right.scoreB-left.scoreB)/(2*h)
	ab := (up.scoreB - down.scoreB + right.scoreA - left.scoreA) / (4 * h)
	det := aa*bb - ab*ab
	if !(aa < 0 && det > 0) {
		return l.step()
	}
	return bounded((ab*l.scoreB-bb*l.scoreA)/det, (ab*l.scoreA-aa*l.scoreB)/det)
}

func (l ascent) step() (da, db float64) {
	det := l.aa*l.bb - l.ab*l.ab
	return bounded((l.bb*l.scoreA-l.ab*l.scoreB)/det, (l.aa*l.scoreB-l.ab*l.scoreA)/det)
}

// bounded keeps a step short: far from the top they run away.
func bounded(da, db float64) (float64, float64) {
	if most := max(math.Abs(da), math.Abs(db)); most > 4 {
		return da * 4 / most, db * 4 / most
	}
	return da, db
}

// fit takes the shift and scale of x back.
func (l ascent) fit(a, b, mid, wide float64) Fit {
	det := l.aa*l.bb - l.ab*l.ab
	va, vb, c := l.bb/det, l.aa/det, -l.ab/det
	m := mid / wide
	return Fit{A: a - b*m, B: b / wide, VarA: va - 2*m*c + m*m*vb, VarB: vb / (wide * wide), CovAB: (c - m*vb) / wide, Deviance: l.deviance}
}

// xlog is x ln y, 0 where x is.
func xlog(x, y float64) float64 {
	if x == 0 {
		return 0
	}
	return x * math.Log(y)
}
