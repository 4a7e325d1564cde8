package coast

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"rainhill/pkg/stats"
)

// unified is the 95 % interval of a quantity that is not negative, from an estimate x that
// may be, with standard uncertainty u and df degrees of freedom. Far from 0 it is x ± t u;
// near it the values that are taken for a truth m are those of the greatest likelihood
// beside the best that is not negative, so that truths of 0 and of a little are held in
// 95 of 100 cases too, and no interval is empty (Feldman and Cousins 1998, Physical Review
// D 57, 3873, section IV B, there of a normal law; here with the probabilities of
// Student's t). NaN where u is.
func unified(x, u, df float64) (lo, hi float64) {
	t := stats.TQuantile(0.975, df)
	if !(u > 0) || math.IsNaN(x) || math.IsNaN(t) {
		return math.NaN(), math.NaN()
	}
	y := x / u
	if y > 3*t {
		return x - t*u, x + t*u
	}
	above := func(m float64) bool { _, to := accepted(m, t, df); return y <= to }
	below := func(m float64) bool { from, _ := accepted(m, t, df); return y < from }
	if !above(0) {
		lo = u * stats.Edge(0, max(y, 0)+t, above)
	}
	return lo, u * stats.Edge(0, max(y, 0)+2*t, below)
}

// accepted is what estimates are taken for a truth of m, in units of their uncertainty: up
// to to, and down to where the likelihood ratio is the same: for a normal law m/2 -
// (to-m)2/(2 m) where that is below 0, else as far below m as to lies above.
func accepted(m, t, df float64) (from, to float64) {
	if m >= t {
		return m - t, m + t
	}
	lower := func(z float64) float64 {
		if z <= m {
			return m - z
		}
		return m/2 - z*z/(2*m)
	}
	short := func(z float64) bool { return tBetween(lower(z)-m, z, df) >= 0.95 }
	z := stats.Edge(0, t, short)
	return lower(z), m + z
}

// tBetween is the probability of Student's t with df degrees of freedom to lie between.
func tBetween(lo, hi, df float64) float64 {
	if math.IsInf(df, 1) {
		return distuv.UnitNormal.CDF(hi) - distuv.UnitNormal.CDF(lo)
	}
	t := distuv.StudentsT{Sigma: 1, Nu: df}
	return t.CDF(hi) - t.CDF(lo)
}

// At is the deceleration on the straight at a speed.
func (r Resistance) At(v float64) Interval {
	mean, u := r.unbound(v)
	x := Interval{Value: at(r.best, v), U: u}
	x.Lo, x.Hi = unified(mean, u, r.DF)
	return x.with(x.Value)
}

// capped ends the interval of a term where it alone would be all that holds the train, a
// at the slowest speed, b and c at the fastest: none is negative, so that none is more
// than the whole. Of two runs past five places that ends them many times nearer, and
// they hold the truth in 94 to 99 of 100 cases as before (by simulation).
func (r *Resistance) capped() {
	slow, fast := r.Speeds()
	whole := r.At(fast).Hi
	for j, most := range []float64{r.At(slow).Hi, whole / fast, whole / (fast * fast)} {
		if x := &r.Terms[j]; most < x.Hi {
			x.Hi = max(most, x.Value)
		}
	}
}

// unbound is the deceleration at a speed by the fit without bounds.
func (r Resistance) unbound(v float64) (mean, u float64) {
	g := [terms]float64{1, v, v * v, 0}
	variance := 0.0
	for j := range terms {
		mean += g[j] * r.free[j]
		for k := range terms {
			variance += g[j] * g[k] * r.covariance[j][k]
		}
	}
	return mean, math.Sqrt(variance)
}

// Speeds is the range of speeds that the instants lie in.
func (r Resistance) Speeds() (lo, hi float64) {
	lo, hi = math.Inf(1), 0
	for _, c := range r.Runs {
		if c.Why == "" {
			lo, hi = min(lo, c.EndMS), max(hi, c.StartMS.Value)
		}
	}
	return lo, hi
}

// Less is the resistance of b less that of a at a speed, with its interval by Student's t
// of Welch's degrees of freedom.
func Less(b, a Resistance, v float64) Interval {
	mb, ub := b.unbound(v)
	ma, ua := a.unbound(v)
	out := Interval{Value: at(b.best, v) - at(a.best, v), U: math.Hypot(ub, ua)}
	df := math.Inf(1)
	if part := math.Pow(ub, 4)/b.DF + math.Pow(ua, 4)/a.DF; part > 0 {
		df = math.Pow(out.U, 4) / part
	}
	t := stats.TQuantile(0.975, df)
	out.Lo, out.Hi = mb-ma-t*out.U, mb-ma+t*out.U
	return out.with(out.Value)
}

// Covariance is of the terms, in their order; what is held has none.
func (r Resistance) Covariance() [terms][terms]float64 { return r.covariance }
