package compare

import (
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// mindDrift looks after two trials a side, too few to fit a drift of the day by. Laps that
// change within their trials may do so anew in each, or go on through the day; both
// readings are weighed by how well the trial means fit them.
func (c *comparison) mindDrift(f finding, a, b Side) finding {
	trials := slices.Concat(a.Trials, b.Trials)
	if math.IsNaN(a.place() + b.place()) {
		return f
	}
	fit, ok := stats.NewAncova(c.groups([]string{orderColumn}, []int{c.index(a), c.index(b)})...)
	if !ok || loaded(fit, a, b) < 2 {
		return f
	}
	var slopes []float64
	for _, t := range trials {
		if s, _ := stats.Slope(t.Order, t.Laps); !math.IsNaN(s) {
			slopes = append(slopes, s)
		}
	}
	s := stats.SampleOf(slopes)
	gap := b.place() - a.place()
	if s.N < 3 || !(s.SD > 0) {
		c.doubt("%s and %s: one ran before the other, and a drift of the day may be the difference; take turns", a.Level, b.Level)
		return f
	}
	w := welchOf(a.without(s.Mean), b.without(s.Mean))
	u := s.SD / math.Sqrt(float64(s.N))
	on := stats.Contrast{Value: f.value - s.Mean*gap, SE: math.Hypot(w.SE, gap*u), DF: stats.WelchDF(w.SE*w.SE, gap*gap*u*u, w.DF, float64(s.N-1)), Wide: w.Wide}
	f.method += ", and the same with a drift through the day taken out, weighed by how well the trials fit either"
	c.doubt("%s and %s: one ran before the other; whether laps drift through the day or anew with each trial, two trials a side hardly tell: the interval weighs either. Take turns (a b b a)", a.Level, b.Level)
	return weigh(f, c.ofContrast(on), goingOn(a, b, s.Mean, u))
}

// goingOn is the probability that laps go on through the day with a slope known with a
// standard error u, rather than anew in each trial, both being as likely before: by what
// trials scatter within their sides. How much they scatter by themselves is integrated
// over, from what their laps alone make of it upward.
func goingOn(a, b Side, slope, u float64) float64 {
	var rest, places []float64 // about the side's mean, of trials
	least := 0.0
	for _, s := range []Side{a, b} {
		for _, t := range s.Trials {
			rest, places = append(rest, t.Mean-s.Mean.Value), append(places, t.place-s.place())
			least += t.U * t.U
		}
	}
	if least /= float64(len(rest)); !(least > 0) {
		return 0.5
	}
	df := float64(len(rest) - 2)
	var still, left, far, along float64
	for i, r := range rest {
		e := r - slope*places[i]
		still, left, far, along = still+r*r, left+e*e, far+places[i]*places[i], along+places[i]*e
	}
	var anew, on float64
	for v, top := least, 4*(least+still); v < top; v *= 1.1 { // evenly in its logarithm
		scale := math.Pow(v/least, -df/2)
		anew += scale * math.Exp(-still/v/2)
		more := v + u*u*far
		on += scale * math.Sqrt(v/more) * math.Exp(-(left-u*u*along*along/more)/v/2)
	}
	return on / (anew + on)
}

// weigh makes one finding of two readings of the same laps, share being the probability
// of the second: quantiles are averaged (after Vincent: Ratcliff 1979, Psychological
// Bulletin 86, 446), not probabilities, of which the
// long tails of few degrees of freedom would make intervals that hold too often.
func weigh(f, g finding, share float64) finding {
	out := f
	out.value = (1-share)*f.value + share*g.value
	out.se, out.df = math.NaN(), math.NaN()
	out.reach = func(tails, level float64) float64 {
		return (1-share)*f.reach(tails, level) + share*g.reach(tails, level)
	}
	out.interval = func(confidence float64) (lo, hi float64) {
		half := out.reach(1-confidence, confidence)
		return out.value - half, out.value + half
	}
	tails := func(from, level float64) float64 {
		return stats.Edge(0, 1, func(p float64) bool { return out.reach(p, level) <= from })
	}
	out.p = func() float64 { return tails(math.Abs(out.value), 0.95) }
	out.equivalence = func(margin float64) float64 {
		near := margin - math.Abs(out.value)
		if near < 0 {
			return 1 - tails(-near, 0.90)/2
		}
		return tails(near, 0.90) / 2
	}
	return out
}

// place is the mean place of a side's trials in the day; NaN where not known.
func (s Side) place() (sum float64) {
	for _, t := range s.Trials {
		sum += t.place / float64(len(s.Trials))
	}
	return sum
}

// without is the side with a drift taken out of its trials.
func (s Side) without(slope float64) Side {
	s.Trials = slices.Clone(s.Trials)
	for i := range s.Trials {
		s.Trials[i].Mean -= slope * s.Trials[i].place
	}
	return s
}
