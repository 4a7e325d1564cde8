package pull

import (
	"cmp"
	"math"
	"slices"
)

// sureLogit is the logit of 95 of 100.
var sureLogit = math.Log(19)

// What is thought of the relative spread before any attempt: its order of magnitude is
// unknown, between half a hundredth of the limit, finer than anybody lays out, and one at
// which a locomotive fails one in thirteen with hardly a load; wider is a little likelier. All
// three were chosen by simulation, since intervals of few attempts lean on them (DEVELOPERS.md).
const (
	leastSpread = 0.005
	mostSpread  = 0.4
	tilt        = 0.25 // weight per ln r goes as r^tilt
)

// belief is what attempts leave open: weights over the limit m, moved in half of
// attempts, and the relative spread r, the share of successes over a load x being
// 1/(1+exp((x-m)/(r m))). The likelihood is integrated over what is not asked for, every
// m being thought alike beforehand and ln r as tilt says.
type belief struct {
	limits, spreads []float64
	weight          [][]float64 // by limit, then spread; they sum to 1
}

// ramp is the middles of n equal parts from lo to hi.
func ramp(lo, hi float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = lo + (hi-lo)*(float64(i)+0.5)/float64(n)
	}
	return out
}

// believe weighs equally spaced limits and n spreads by the likelihood of the attempts.
func believe(ts []Tally, limits []float64, n int) belief {
	b := belief{limits: limits}
	for _, l := range ramp(math.Log(leastSpread), math.Log(mostSpread), n) {
		b.spreads = append(b.spreads, math.Exp(l))
	}
	most := math.Inf(-1)
	for _, m := range limits {
		row := make([]float64, n)
		for j, r := range b.spreads {
			row[j] = tilt*math.Log(r) + likelihood(ts, m, r*m)
			most = max(most, row[j])
		}
		b.weight = append(b.weight, row)
	}
	sum := 0.0
	for _, row := range b.weight {
		for j := range row {
			row[j] = math.Exp(row[j] - most)
			sum += row[j]
		}
	}
	for _, row := range b.weight {
		for j := range row {
			row[j] /= sum
		}
	}
	return b
}

// likelihood is the logarithm of that of the attempts, about a limit with a spread of its
// own unit:
//
//	sum (n-k) z - n ln(1+exp z),  z = (x - limit)/spread,  ln(1+exp z) = max(z, 0) + ln(1+exp -|z|)
//
// The last terms lie between 1 and 2 before their logarithm, so that few are taken of
// their product.
func likelihood(ts []Tally, limit, spread float64) (sum float64) {
	product := 1.0
	for _, t := range ts {
		z := (t.X - limit) / spread
		sum += (t.N-t.Moves)*z - t.N*max(z, 0)
		if z = math.Abs(z); z > 37 { // 1 in double precision
			continue
		}
		f := 1 + math.Exp(-z)
		if t.N > 16 {
			sum -= t.N * math.Log(f)
			continue
		}
		for range int(t.N) {
			product *= f
		}
		if product > 1e100 {
			sum, product = sum-math.Log(product), 1
		}
	}
	return sum - math.Log(product)
}

// Sizes of the two rounds of a belief.
const (
	coarseLimits, coarseSpreads = 120, 16
	fineLimits, fineSpreads     = 100, 48
)

// settled is the belief on a grid that lies where the attempts leave it. They have to hold
// a success and a failure.
func settled(ts []Tally) belief {
	up, down := ends(ts)
	lo, hi := min(up, down)/3, max(up, down)*3
	for range 3 {
		lo, hi = believe(ts, ramp(lo, hi, coarseLimits), coarseSpreads).reach(1e-5)
	}
	return believe(ts, ramp(lo, hi, fineLimits), fineSpreads)
}

// reach is from where to where limits lie, but for so little of the weight on each side.
func (b belief) reach(little float64) (lo, hi float64) {
	n := len(b.limits)
	step := b.limits[1] - b.limits[0]
	sum := 0.0
	lo, hi = b.limits[0], b.limits[n-1]
	for i, row := range b.weight {
		before := sum
		for _, w := range row {
			sum += w
		}
		if before <= little {
			lo = b.limits[i]
		}
		if before <= 1-little {
			hi = b.limits[i]
		}
	}
	return max(lo-step, step/2), hi + step
}

// interval is of the load whose share of successes has this logit, m(1 - logit r), at
// least 0: median and the 95 % that lie in the middle.
func (b belief) interval(logit float64) Interval {
	q := b.spread(func(m, r float64) float64 { return max(0, m*(1-logit*r)) })
	return Interval{q(0.5), q(0.025), q(0.975)}
}

// share is of the share of successes at a load.
func (b belief) share(x float64) Interval {
	q := b.spread(func(m, r float64) float64 { p, _ := Logit((m - x) / (r * m)); return p })
	return Interval{q(0.5), q(0.025), q(0.975)}
}

// spread is the quantiles of a figure of limit and spread.
func (b belief) spread(of func(m, r float64) float64) func(p float64) float64 {
	type at struct{ x, w float64 }
	var all []at
	for i, m := range b.limits {
		for j, r := range b.spreads {
			if w := b.weight[i][j]; w > 1e-10 {
				all = append(all, at{of(m, r), w})
			}
		}
	}
	slices.SortFunc(all, func(a, b at) int { return cmp.Compare(a.x, b.x) })
	return func(p float64) float64 {
		sum := 0.0
		for _, a := range all {
			if sum += a.w; sum >= p {
				return a.x
			}
		}
		return all[len(all)-1].x
	}
}
