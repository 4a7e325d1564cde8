package pull

import (
	"cmp"
	"math"
	"slices"
)

// sureLogit is the logit of 95 of 100.
var sureLogit = math.Log(19)

// What is thought of the relative spread before any attempt: its order of magnitude is
// unknown, between a five-hundredth of the limit, finer than anybody lays out, and one at
// which a locomotive fails one in thirteen with hardly a load; wider is a little likelier. All
// three, and what a struggle may be, were chosen by simulation, since intervals of few
// attempts lean on them (DEVELOPERS.md).
const (
	leastSpread = 0.002
	mostSpread  = 0.4
	tilt        = 0.3 // weight per ln r goes as r^tilt
)

// halved is how surely a struggle is half a success. Who made the attempts may have meant
// another thing: what is left goes in equal parts to success and to failure.
const halved = 0.5

// state is what the truth may be: the share of successes over a load x is
//
//	1/(1+exp((x-limit)/(spread limit)))    over load
//	1/(1+exp(ln(x/limit)/spread))          over log load
type state struct {
	limit, spread float64
	byLog         bool
	weight        float64
}

// at is the load whose share of successes has this logit, at least 0.
func (s state) at(logit float64) float64 {
	if s.byLog {
		return s.limit * math.Exp(-logit*s.spread)
	}
	return max(0, s.limit*(1-logit*s.spread))
}

// share is the share of successes at a load.
func (s state) share(x float64) float64 {
	z := (s.limit - x) / (s.spread * s.limit)
	if s.byLog {
		z = math.Log(s.limit/max(0, x)) / s.spread
	}
	p, _ := Logit(z)
	return p
}

// belief is what attempts leave open, weights summing to 1. The likelihood is integrated
// over what is not asked for, every ln limit being thought alike beforehand and ln spread as
// tilt says.
type belief []state

// ramp is the middles of n equal parts from lo to hi.
func ramp(lo, hi float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = lo + (hi-lo)*(float64(i)+0.5)/float64(n)
	}
	return out
}

// believe weighs equally spaced limits and n spreads by the likelihood of the attempts, over
// load and, with logs, over log load as well.
func believe(ts []Tally, limits []float64, n int, logs bool) (b belief) {
	spreads := ramp(math.Log(leastSpread), math.Log(mostSpread), n)
	byLog := slices.Clone(ts)
	for i := range byLog {
		byLog[i].X = math.Log(byLog[i].X)
	}
	for _, m := range limits {
		lnM := math.Log(m)
		for _, lnR := range spreads {
			r, prior := math.Exp(lnR), tilt*lnR-lnM
			b = append(b, state{m, r, false, prior + likelihood(ts, m, r*m)})
			if logs {
				b = append(b, state{m, r, true, prior + likelihood(byLog, lnM, r)})
			}
		}
	}
	b.even()
	return b
}

// even makes weights, which sum to 1, of their logarithms.
func (b belief) even() {
	most, sum := math.Inf(-1), 0.0
	for _, s := range b {
		most = max(most, s.weight)
	}
	for i := range b {
		b[i].weight = math.Exp(b[i].weight - most)
		sum += b[i].weight
	}
	for i := range b {
		b[i].weight /= sum
	}
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

// Sizes of the rounds of a belief.
const (
	coarseLimits, coarseSpreads = 60, 12
	fineLimits, fineSpreads     = 100, 24
)

// told is what is believed of attempts, struggles being what halved says of them. They have
// to hold a success and a failure.
func told(as []Attempt) belief {
	b := settled(Count(as))
	if !slices.ContainsFunc(as, func(a Attempt) bool { return a.Outcome == Struggled }) {
		return b
	}
	b = b.part(halved)
	for _, o := range []Outcome{Moved, Stalled} {
		ts := Count(taken(as, o))
		if up, down := ends(ts); up > 0 && !math.IsInf(down, 1) {
			b = append(b, settled(ts).part((1-halved)/2)...)
		}
	}
	return b
}

// taken are attempts with another outcome in place of a struggle.
func taken(as []Attempt, o Outcome) []Attempt {
	out := slices.Clone(as)
	for i := range out {
		if out[i].Outcome == Struggled {
			out[i].Outcome = o
		}
	}
	return out
}

// settled is the belief on a grid that lies where the attempts leave it. They have to hold
// a success and a failure.
func settled(ts []Tally) belief {
	up, down := ends(ts)
	lo, hi := min(up, down)/3, max(up, down)*3
	for range 2 {
		lo, hi = believe(ts, ramp(lo, hi, coarseLimits), coarseSpreads, false).reach((hi-lo)/coarseLimits, 2e-4)
	}
	return believe(ts, ramp(lo, hi, fineLimits), fineSpreads, true)
}

// part is a belief with so much of the weight.
func (b belief) part(of float64) belief {
	for i := range b {
		b[i].weight *= of
	}
	return b
}

// reach is from where to where limits a step apart lie, but for so little of the weight on
// each side.
func (b belief) reach(step, little float64) (lo, hi float64) {
	sum := 0.0
	lo, hi = b[0].limit, b[len(b)-1].limit
	for _, s := range b {
		if sum <= little {
			lo = s.limit
		}
		if sum <= 1-little {
			hi = s.limit
		}
		sum += s.weight
	}
	return max(lo-step, step/2), hi + step
}

// interval is of the load whose share of successes has this logit: median and the 95 % that
// lie in the middle.
func (b belief) interval(logit float64) Interval {
	return b.middle(func(s state) float64 { return s.at(logit) })
}

// shares is of the share of successes at a load.
func (b belief) shares(load float64) Interval {
	return b.middle(func(s state) float64 { return s.share(load) })
}

// middle is the quantiles of a figure.
func (b belief) middle(of func(s state) float64) Interval {
	type at struct{ x, w float64 }
	all, sum := make([]at, 0, len(b)), 0.0
	for _, s := range b {
		if s.weight > 1e-8 {
			all, sum = append(all, at{of(s), s.weight}), sum+s.weight
		}
	}
	slices.SortFunc(all, func(a, b at) int { return cmp.Compare(a.x, b.x) })
	q := func(p float64) float64 {
		left := p * sum
		for _, a := range all {
			if left -= a.w; left <= 0 {
				return a.x
			}
		}
		return all[len(all)-1].x
	}
	return Interval{q(0.5), q(0.025), q(0.975)}
}
