package compare

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// finding is a difference with all that is asked of it: intervals, P, equivalence. All of
// it is for family pairs looked at together.
type finding struct {
	value, se, df float64
	interval      func(confidence float64) (lo, hi float64)
	p             func() float64
	equivalence   func(margin float64) float64
	reach         func(tails, level float64) float64 // half an interval that leaves out tails, by what is solved for at level
	meanA, varA   float64                            // of side a, for the ratio
	unit, method  string
	cannot        string  // why no verdict can be had, whatever the interval says
	sa, sb, load  float64 // scatter of trials a side, and how much more than 1/n it weighs
}

// ofContrast makes a finding of a contrast among k sides, all pairs of which are looked
// at: by the studentised range (Games and Howell 1976, Journal of Educational Statistics
// 1, 113) where there are more than two.
func (all *comparison) ofContrast(c stats.Contrast) finding {
	k := len(all.sides)
	f := finding{value: c.Value, se: c.SE, df: c.DF, interval: c.Interval, p: c.P, equivalence: c.Equivalence}
	f.reach = func(tails, level float64) float64 { return stats.TQuantile(1-tails/2, c.DF) * c.Wide.At(level) * c.SE }
	if k == 2 {
		return f
	}
	if all.ranges == nil {
		r := stats.NewRanges(k)
		all.ranges = &r
	}
	// Never narrower than Welch's: what evens a pair out leaves a family short.
	wide := func(confidence float64) float64 {
		return math.Max(1, c.Critical(confidence)/stats.TQuantile(0.5+confidence/2, c.DF))
	}
	f.interval = func(confidence float64) (lo, hi float64) {
		half := f.reach(1-confidence, confidence)
		return c.Value - half, c.Value + half
	}
	f.p = func() float64 { return all.ranges.Above(math.Abs(c.T())*math.Sqrt2/wide(0.95), c.DF) }
	f.equivalence = func(margin float64) float64 {
		near := (margin - math.Abs(c.Value)) / c.SE
		return all.ranges.Above(near*math.Sqrt2/wide(0.90), c.DF) / 2
	}
	f.reach = func(tails, level float64) float64 {
		return all.ranges.Quantile(tails, c.DF) / math.Sqrt2 * wide(level) * c.SE
	}
	return f
}

// ofMixture makes a finding of a mixture; several pairs share the error out alike.
func ofMixture(m stats.Mixture, pairs int) finding {
	n := float64(pairs)
	return finding{
		value: m.Value(), se: math.NaN(), df: math.NaN(),
		interval:    func(confidence float64) (lo, hi float64) { return m.Interval(1 - (1-confidence)/n) },
		p:           func() float64 { return min(1, n*m.P()) },
		equivalence: func(margin float64) float64 { return min(1, n*m.Equivalence(margin)) },
	}
}

// shared makes of a contrast a finding whose pairs share the error out alike.
func shared(c stats.Contrast, pairs int) finding {
	n := float64(pairs)
	f := finding{value: c.Value, se: c.SE, df: c.DF, interval: c.Interval, p: c.P, equivalence: c.Equivalence}
	if pairs > 1 {
		f.interval = func(confidence float64) (lo, hi float64) { return c.Interval(1 - (1-confidence)/n) }
		f.p = func() float64 { return min(1, n*c.P()) }
		f.equivalence = func(margin float64) float64 { return min(1, n*c.Equivalence(margin)) }
	}
	return f
}

// find compares side j with side i by what the design allows.
func (c *comparison) find(i, j int) (f finding, effect, unadjusted Estimate) {
	a, b := c.sides[i], c.sides[j]
	pairs := len(c.sides) * (len(c.sides) - 1) / 2
	unadjusted = none()
	switch na, nb := len(a.Trials), len(b.Trials); {
	case c.q.Blocks:
		f, effect = c.findBlocks(a, b, pairs)
	case na == 1 && nb == 1:
		f, effect = c.findLaps(a.Trials[0], b.Trials[0], pairs)
	case na == 1 || nb == 1:
		f, effect = c.findLone(a, b, pairs)
	case len(c.adjust) > 0:
		f, effect = c.findAdjusted(i, j)
		lo, hi := c.ofContrast(welchOf(a, b)).interval(0.95)
		unadjusted = Estimate{b.Mean.Value - a.Mean.Value, lo, hi}
	default:
		f, effect = c.findPlain(a, b)
		f = c.mindDrift(f, a, b)
	}
	if f.hide() {
		effect = none()
	}
	f.sa, f.sb = a.SD, b.SD
	if f.load == 0 {
		f.load = 1
	}
	return f, effect, unadjusted
}

// findPlain is of trial means as they are.
func (c *comparison) findPlain(a, b Side) (finding, Estimate) {
	d := welchOf(a, b)
	f := c.ofContrast(d)
	f.method = "difference of trial means, each side with its own scatter (" + c.critical(d) + ")"
	c.minding(&f, a)
	return f, hedges(a, b)
}

// critical says in words whose critical values a contrast with each side's own scatter has:
// Welch's as they are, or not quite, where trials are few or sides are several.
func (c *comparison) critical(d stats.Contrast) string {
	name, times := "Welch", d.Wide.At95
	if len(c.sides) > 2 {
		name, times = "Games and Howell", max(1, times)
	}
	if times == 0 || math.Abs(times-1) < 0.005 {
		return name
	}
	return fmt.Sprintf("%s's degrees of freedom, interval and P with %.2f times its critical value, solved for so that they hold with so few trials", name, times)
}

func (c *comparison) index(s Side) int {
	return slices.IndexFunc(c.sides, func(o Side) bool { return o.Level == s.Level })
}

// welchOf is Welch's difference with intervals that hold for few trials too.
func welchOf(a, b Side) stats.Contrast {
	sa, sb := stats.SampleOf(a.means()), stats.SampleOf(b.means())
	w := stats.Welch(sa, sb)
	va, vb := sa.SD*sa.SD/float64(sa.N), sb.SD*sb.SD/float64(sb.N)
	if va+vb > 0 {
		w.Wide = stats.EvenT(float64(sa.N-1), float64(sb.N-1), va/(va+vb))
	}
	return w
}

func (c *comparison) minding(f *finding, a Side) {
	f.unit, f.meanA, f.varA = UnitTrial, a.Mean.Value, a.SD*a.SD/float64(len(a.Trials))
}

// hide takes the intervals from a finding whose scatter is nothing but rounding.
func (f *finding) hide() bool {
	if lo, hi := f.interval(0.95); !(hi-lo <= rounding*math.Abs(f.meanA)) {
		return false
	}
	f.cannot = "trials read exactly the same: the resolution hides the scatter"
	nan := func(float64) float64 { return math.NaN() }
	f.interval = func(float64) (lo, hi float64) { return math.NaN(), math.NaN() }
	f.p, f.equivalence, f.varA = func() float64 { return math.NaN() }, nan, math.NaN()
	return true
}

func hedges(a, b Side) Estimate {
	sa, sb := stats.SampleOf(a.means()), stats.SampleOf(b.means())
	p := stats.Pooled(sa, sb)
	n, m := float64(sa.N), float64(sb.N)
	g, lo, hi := stats.Hedges(p.T(), math.Sqrt(n*m/(n+m)), p.DF)
	return Estimate{g, lo, hi}
}

// findAdjusted is an analysis of covariance on trial means.
func (c *comparison) findAdjusted(i, j int) (finding, Estimate) {
	a, b := c.sides[i], c.sides[j]
	fit, ok := stats.NewAncova(c.groups(c.adjust, []int{i, j})...)
	if !ok || fit.DF < 1 {
		c.doubt("%s and %s: what was to be adjusted for cannot be told from these trials; the difference is not adjusted", a.Level, b.Level)
		return c.findPlain(a, b)
	}
	d, pooled := fit.Difference(0, 1, false)
	f := c.ofContrast(d)
	f.method = "difference of trial means at like " + list(c.names()) + " (analysis of covariance), each side with its own scatter (" + c.critical(d) + ")"
	if pooled {
		f.method = "difference of trial means at like " + list(c.names()) + " (analysis of covariance), scatter pooled"
	}
	c.minding(&f, a)
	loads := fit.Loads(0, 1)
	f.load = loaded(fit, a, b)
	if f.load > 2 {
		c.doubtCollinear(i, j, f.load)
	}
	alike, _ := fit.Difference(0, 1, true)
	g, lo, hi := stats.Hedges(alike.T(), 1/math.Sqrt(loads[0]+loads[1]), alike.DF)
	return f, Estimate{g, lo, hi}
}

// loaded is how many times more a difference at like covariates varies than one of plain means.
func loaded(fit stats.Ancova, a, b Side) float64 {
	loads := fit.Loads(0, 1)
	return (loads[0] + loads[1]) / (1/float64(len(a.Trials)) + 1/float64(len(b.Trials)))
}

// doubtCollinear says what goes so closely with the sides that little is left to tell them
// from it by: the covariates that do so each by itself, or all together where none does.
func (c *comparison) doubtCollinear(i, j int, load float64) {
	a, b := c.sides[i], c.sides[j]
	var near []string
	for k, name := range c.adjust {
		if fit, ok := stats.NewAncova(c.groups([]string{name}, []int{i, j})...); ok && loaded(fit, a, b) > 2 {
			near = append(near, c.names()[k])
		}
	}
	if len(near) == 0 {
		near = c.names()
	}
	advice := "bring both sides to like " + list(near)
	if near[0] == placeInDay {
		advice = "take turns (a b b a)"
		if others := near[1:]; len(others) > 0 {
			advice += ", bring both sides to like " + list(others)
		}
	}
	c.doubt("%s and %s: %s goes so closely with the sides that little is left to tell them from it by; %s and the interval will be %.1f times narrower", a.Level, b.Level, list(near), advice, math.Sqrt(load))
}

// placeInDay is orderColumn in words.
const placeInDay = "place in the day"

// names are what is adjusted for, in words.
func (c *comparison) names() []string {
	names := slices.Clone(c.adjust)
	for i, n := range names {
		if names[i] = c.word(n); n == orderColumn {
			names[i] = placeInDay
		}
	}
	return names
}

// findBlocks compares within blocks, by the blocks' differences.
func (c *comparison) findBlocks(a, b Side, pairs int) (finding, Estimate) {
	x, y := blockMeans(a), blockMeans(b)
	var as, bs []float64
	for _, block := range sortedKeys(x) {
		if _, ok := y[block]; ok {
			as, bs = append(as, stats.Mean(x[block])), append(bs, stats.Mean(y[block]))
		}
	}
	if lost := len(x) + len(y) - 2*len(as); lost > 0 {
		c.doubt("%d block(s) without both %s and %s are left out of their difference", lost, a.Level, b.Level)
	}
	p := stats.PairedMean(as, bs)
	f := shared(stats.Contrast{Value: p.Mean, SE: p.SE, DF: p.DF}, pairs)
	f.unit, f.method = UnitBlock, "mean of the differences within blocks (Student's paired t)"
	f.meanA = stats.Mean(as)
	f.varA = math.Pow(stats.SampleOf(as).SD, 2) / float64(len(as))
	f.load = 1
	if len(as) < 2 {
		f.cannot = "fewer than two blocks hold both"
	}
	g, lo, hi := stats.Hedges(p.T, math.Sqrt(float64(p.N)), p.DF)
	return f, Estimate{g, lo, hi}
}

func blockMeans(s Side) map[string][]float64 {
	m := map[string][]float64{}
	for _, t := range s.Trials {
		if t.Block != "" {
			m[t.Block] = append(m[t.Block], t.Mean)
		}
	}
	return m
}

// findLone compares a side of one trial with one of several: the lone trial is taken to
// scatter as the others do.
func (c *comparison) findLone(a, b Side, pairs int) (finding, Estimate) {
	lone, others := a, b
	if len(b.Trials) == 1 {
		lone, others = b, a
	}
	c.doubt("%s has one trial: it is taken to scatter as those of %s do, which nothing here can tell", lone.Level, others.Level)
	d := stats.Pooled(stats.SampleOf(a.means()), stats.SampleOf(b.means()))
	method := "difference of trial means, the lone trial taken to scatter as the other side's do (Student)"
	if fit, ok := stats.NewAncova(c.groups([]string{orderColumn}, []int{c.index(a), c.index(b)})...); ok && fit.DF >= 2 {
		d, _ = fit.Difference(0, 1, true)
		method = "difference of trial means at like place in the day (analysis of covariance), the lone trial taken to scatter as the other side's do"
	} else if !math.IsNaN(lone.place()) {
		c.doubt("%s and %s: a drift of the day is not taken out, as there are too few trials", a.Level, b.Level)
	}
	f := shared(d, pairs)
	f.method = method
	s := stats.PooledSD(stats.SampleOf(a.means()), stats.SampleOf(b.means()))
	f.unit, f.meanA, f.varA, f.load = UnitTrial, a.Mean.Value, s*s/float64(len(a.Trials)), 1
	return f, hedges(a, b)
}

// fewestLaps is how many laps a side one trial needs for a verdict.
const fewestLaps = 5

// findLaps compares one outing with one other by their laps.
func (c *comparison) findLaps(a, b Outing, pairs int) (finding, Estimate) {
	anew, on, slope, ok := lapContrast(a, b)
	if !ok {
		nan := math.NaN()
		f := shared(stats.Contrast{Value: b.Mean - a.Mean, SE: nan, DF: nan}, pairs)
		f.unit, f.method, f.meanA, f.varA = UnitLap, "difference of two outings' means", a.Mean, nan
		f.cannot = "one lap, or laps that all read the same, tell no scatter"
		return f, none()
	}
	f := ofMixture(anew, pairs)
	if len(on.Of) > 0 {
		f = either(f, ofMixture(on, pairs))
		c.doubt("%s and %s: laps change by %.3g %s from one to the next; whether that goes on through the day or begins anew with each trial, one trial a side cannot tell: the interval holds for either", a.Level, b.Level, slope, c.q.Unit)
	}
	f.unit, f.method = UnitLap, "difference of two outings' laps, each about a line of its own and following one another (autoregression, integrated over)"
	f.meanA, f.varA = a.Mean, a.U*a.U
	if n := min(len(a.Laps), len(b.Laps)); n < fewestLaps {
		f.cannot = "fewer than five laps a side tell too little of how laps follow one another"
	}
	s := stats.PooledSD(stats.SampleOf(a.Laps), stats.SampleOf(b.Laps))
	return f, Estimate{(b.Mean - a.Mean) / s * stats.HedgesJ(float64(len(a.Laps)+len(b.Laps)-2)), math.NaN(), math.NaN()}
}

// either makes of two readings of the same laps one that holds whichever is right.
func either(f, g finding) finding {
	out := f
	out.interval = func(confidence float64) (lo, hi float64) {
		l1, h1 := f.interval(confidence)
		l2, h2 := g.interval(confidence)
		return min(l1, l2), max(h1, h2)
	}
	out.p = func() float64 {
		if math.Signbit(f.value) != math.Signbit(g.value) {
			return 1
		}
		return max(f.p(), g.p())
	}
	out.equivalence = func(margin float64) float64 { return max(f.equivalence(margin), g.equivalence(margin)) }
	return out
}
