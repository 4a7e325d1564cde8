package compare

import (
	"math"

	"rainhill/pkg/stats"
)

// One trial a side: laps about a mean or a line of their own, each of which may follow the
// one before (first-order autoregression). How strongly they do, and whether there is a
// line, is told by few laps only roughly, so that both are not decided but weighed: by the
// restricted likelihood of both trials' laps and a prior.

// phis are the autocorrelations integrated over, phiPrior the logarithm of what is thought
// of them before: 1+phi, so that a strong one is not taken lightly. It was chosen by
// simulation: flatter ones fall short where laps follow one another at 0.6, steeper ones
// make intervals of independent laps wider still.
var phis, phiPrior = func() (at, ln []float64) {
	for p := -0.3; p < 0.96; p += 0.1 {
		at, ln = append(at, p), append(ln, math.Log1p(p))
	}
	return at, ln
}()

// lapFit is the mean of one trial's laps at one autocorrelation, with variance Factor
// times RSS/DF, and the slope of the laps with how much is known of it (1/variance, in
// the same RSS/DF); shape is the part of the likelihood that the scatter has no part in.
type lapFit struct{ mean, factor, slope, known, rss, df, shape, n float64 }

// logLikelihood is the restricted one. A slope has a prior as wide as one lap tells it
// (Kass and Wasserman 1995, Journal of the American Statistical Association 90, 928), so
// that fits with and without can be weighed.
func (f lapFit) logLikelihood() float64 {
	l := f.shape - (f.n-1)/2*math.Log(f.rss)
	if f.known > 0 {
		l -= math.Log(f.n) / 2
	}
	return l
}

// laps are those of one trial, ready to be fitted: y less a shift common to both trials,
// at places x of a line, gap laps after the one before.
type laps struct{ x, y, gap []float64 }

func (o Outing) ready(shift float64) (l laps) {
	for i, v := range o.Laps {
		at, gap := o.number(i), 1.
		if i > 0 {
			gap = max(1, o.number(i)-o.number(i-1))
		}
		if !math.IsNaN(o.place) {
			at = o.Order[i]
		}
		l.x, l.y, l.gap = append(l.x, at), append(l.y, v-shift), append(l.gap, gap)
	}
	centre := stats.Mean(l.x)
	for i := range l.x {
		l.x[i] -= centre
	}
	return l
}

// fit is by generalised least squares; trend gives the laps a line. The mean is where the
// places have theirs.
func (l laps) fit(phi float64, trend bool) lapFit {
	var s11, s12, s22, t1, t2, yy, logDet float64
	for i, v := range l.y {
		one, at := 1., l.x[i]
		if i > 0 {
			rho := phi
			if l.gap[i] > 1 {
				rho = math.Pow(math.Abs(phi), l.gap[i]) // two laps on, the sign is lost
			}
			root := math.Sqrt(1 - rho*rho)
			one, at, v = (1-rho)/root, (at-rho*l.x[i-1])/root, (v-rho*l.y[i-1])/root
			logDet += 2 * math.Log(root)
		}
		s11, s12, s22 = s11+one*one, s12+one*at, s22+at*at
		t1, t2, yy = t1+one*v, t2+at*v, yy+v*v
	}
	n := float64(len(l.y))
	if !trend {
		m := t1 / s11
		return lapFit{mean: m, factor: 1 / s11, rss: max(0, yy-m*t1), df: n - 1, shape: -(logDet + math.Log(s11)) / 2, n: n}
	}
	det := s11*s22 - s12*s12
	m, b := (s22*t1-s12*t2)/det, (s11*t2-s12*t1)/det
	return lapFit{m, s22 / det, b, det / s11, max(0, yy-m*t1-b*t2), n - 2, -(logDet + math.Log(s11)) / 2, n}
}

// lapContrast compares one trial with one other by their laps: anew, a line of the laps
// taken to begin anew with each trial; on, taken to go on through the day, where the places
// in the day are known. slope is that of such a line.
func lapContrast(a, b Outing) (anew, on stats.Mixture, slope float64, ok bool) {
	shift := stats.Mean(a.Laps) // so that sums of squares keep their figures
	la, lb := a.ready(shift), b.ready(shift)
	if len(la.y) < 2 || len(lb.y) < 2 {
		return anew, on, 0, false
	}
	gap := b.place - a.place // NaN where not known
	var weights, onWeights, slopes []float64
	for _, trend := range []bool{false, true} {
		if trend && min(len(la.y), len(lb.y)) < fewestLaps {
			break
		}
		for i, phi := range phis {
			fa, fb := la.fit(phi, trend), lb.fit(phi, trend)
			sa, sb := fa.rss/fa.df, fb.rss/fb.df
			c := contrastOf(fb.mean-fa.mean, fa.factor*sa, fb.factor*sb, fa.df, fb.df)
			w := phiPrior[i] + fa.logLikelihood() + fb.logLikelihood()
			if !(c.SE > 0) || math.IsNaN(w) || math.IsInf(w, 0) {
				return anew, on, 0, false
			}
			weights, anew.Of = append(weights, w), append(anew.Of, c)
			if known := fa.known + fb.known; known > 0 && !math.IsNaN(gap) {
				s := (fa.slope*fa.known + fb.slope*fb.known) / known
				lean := gap * gap / (known * known)
				slopes, onWeights = append(slopes, s), append(onWeights, w)
				on.Of = append(on.Of, contrastOf(c.Value-s*gap, (fa.factor+lean*fa.known)*sa, (fb.factor+lean*fb.known)*sb, fa.df, fb.df))
			}
		}
	}
	anew.Weight, on.Weight = normal(weights), normal(onWeights)
	for i, s := range slopes {
		slope += on.Weight[i] * s
	}
	return anew, on, slope, true
}

func contrastOf(value, va, vb, fa, fb float64) stats.Contrast {
	return stats.Contrast{Value: value, SE: math.Sqrt(va + vb), DF: stats.WelchDF(va, vb, fa, fb)}
}

// normal turns logarithms into weights that add up to 1.
func normal(ln []float64) []float64 {
	best, sum, w := math.Inf(-1), 0., make([]float64, len(ln))
	for _, v := range ln {
		best = max(best, v)
	}
	for i, v := range ln {
		if v-best > -9 {
			w[i] = math.Exp(v - best)
		}
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}
