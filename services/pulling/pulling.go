// Package pulling answers "what do these pull tests show?" for the service and
// the command: it joins the words of attempts with the sums of pkg/pull, locomotive by
// locomotive, method by method. How attempts come in, by a table or as decisions, and where
// results are kept is not in it, but for reading a table.
package pulling

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/pull"
	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
)

// Attempt is one pull with all that was taken down of it. MassG is 0 where it is not
// known. Reading says that LoadG was read off a scale.
type Attempt struct {
	wire.PullAttempt
	Locomotive, Method, Direction, Set, LoadIs string
	MassG                                      float64
	Reading                                    bool
}

// Options are what scales and tracks leave open: the step of the scale, the standard
// uncertainty of a mass (0: the scale's), the smallest weight to hand, and what share of a
// train's weight it takes to keep it rolling, with its standard uncertainty. Called is what
// locomotives are called by their ids, where a roster has them.
type Options struct {
	ScaleG, MassUG, SmallestG float64
	Rolling, RollingU         float64
	Called                    map[string]string
}

// group is what one limit is of.
type group struct {
	locomotive, method, direction, set, loadIs string
	massG                                      float64
}

// Judge says what attempts show.
func Judge(as []Attempt, o Options) wire.PullResult {
	r := wire.PullResult{Locomotives: []wire.PullLimit{}, Doubts: []string{}}
	masses := onlyMass(as)
	var order []group
	of := map[group][]Attempt{}
	for _, a := range as {
		g := group{a.Locomotive, cmp.Or(a.Method, wire.PullMoving), a.Direction, a.Set, cmp.Or(a.LoadIs, wire.LoadForce), cmp.Or(a.MassG, masses[a.Locomotive])}
		if of[g] == nil {
			order = append(order, g)
		}
		of[g] = append(of[g], a)
	}
	for _, g := range order {
		r.Locomotives = append(r.Locomotives, g.judge(of[g], o))
	}
	name(r.Locomotives, o.Called)
	r.Agreement = agreement(r.Locomotives)
	if d := doubtAgreement(r.Agreement); d != "" {
		r.Doubts = append(r.Doubts, d)
	}
	if o.MassUG == 0 && o.ScaleG > 0 {
		r.Doubts = append(r.Doubts, "masses are taken as read off a scale of "+pull.Written(o.ScaleG, 0)+" g steps and otherwise true")
	}
	return r
}

// name tells limits apart in words: by the mass as well where a locomotive has several and,
// where words of its own make two read alike, by counting.
func name(ls []wire.PullLimit, names map[string]string) {
	taken := map[string]bool{}
	for i := range ls {
		l := &ls[i]
		several := slices.ContainsFunc(ls, func(x wire.PullLimit) bool {
			return x.Locomotive == l.Locomotive && massOf(x) != massOf(*l)
		})
		named := *l
		named.Locomotive = cmp.Or(names[l.Locomotive], l.Locomotive)
		called := named.Called(several)
		for n := 1; l.Name == "" || taken[l.Name]; n++ {
			if l.Name = called; n > 1 {
				l.Name = fmt.Sprintf("%s (%d)", called, n)
			}
		}
		taken[l.Name] = true
	}
}

// onlyMass is the mass of locomotives of which but one is told.
func onlyMass(as []Attempt) map[string]float64 {
	out := map[string]float64{}
	for _, a := range as {
		if a.MassG <= 0 {
			continue
		}
		if m, known := out[a.Locomotive]; known && m != a.MassG {
			out[a.Locomotive] = 0
			continue
		}
		out[a.Locomotive] = a.MassG
	}
	return out
}

func (g group) judge(as []Attempt, o Options) wire.PullLimit {
	l := wire.PullLimit{
		Locomotive: g.locomotive, Method: g.method, Direction: g.direction, Set: g.set, LoadIs: g.loadIs, MassG: num(g.massG),
		Loads: []wire.PullTally{}, Curve: []wire.PullAt{}, Steps: []wire.PullAt{}, Checks: []wire.PullCheck{}, Doubts: []string{},
	}
	for _, a := range as {
		l.Attempts = append(l.Attempts, a.PullAttempt)
	}
	if g.massG == 0 {
		l.MassG = nil
	}
	if g.method == wire.PullStatic && readings(as, &l) {
		g.read(as, o, &l)
	} else {
		g.attempted(as, o, &l)
		g.adhesion(o, &l)
	}
	g.credible(o, &l)
	wheels(as, &l)
	g.power(as, o, &l)
	return l
}

// readings reports whether static pulls are readings of a scale and not attempts at loads:
// where they were taken as differences, have no outcome, or all the same.
func readings(as []Attempt, l *wire.PullLimit) bool {
	alike := true
	for _, a := range as {
		if a.Reading || a.Outcome == "" {
			return true
		}
		alike = alike && a.Outcome == as[0].Outcome
	}
	if alike {
		l.Doubts = append(l.Doubts, "the outcomes are all alike: each load is taken as a pull read off the scale")
	} else {
		l.Doubts = append(l.Doubts, "the outcomes differ: each load is taken as one that was to be held, not as a pull read off the scale")
	}
	return alike
}

// read sums up readings of a scale. A stated load is taken as the difference of two as well.
func (g group) read(as []Attempt, o Options, l *wire.PullLimit) {
	var x []float64
	for _, a := range as {
		x = append(x, a.LoadG)
	}
	r := pull.Read(x, pull.DifferenceResolved(o.ScaleG))
	l.Load50G, l.Load95G = estimate(r.Pull), estimate(r.Sure)
	l.Load50G.U = num(r.U)
	l.Fit = fmt.Sprintf("mean of %s of a scale with Student's interval, the scale's steps in it; the pull that 95 of 100 reach is what it would be, were pulls normal", pull.Counted(r.N, "reading"))
	if r.N < 2 {
		l.Doubts = append(l.Doubts, "one reading alone tells nothing of how pulls scatter: no interval, pull again")
	}
	if factor, u, ok := g.weighable(o, l); ok {
		mu := r.Adhesion(g.massG/factor, math.Hypot(o.massU()/factor, u*g.massG/factor))
		l.Adhesion = estimate(mu.Interval)
		l.Adhesion.U = num(mu.U)
	}
}

var outcomes = map[string]pull.Outcome{wire.PullMoved: pull.Moved, wire.PullStruggled: pull.Struggled, wire.PullStalled: pull.Stalled}

func (g group) attempted(as []Attempt, o Options, l *wire.PullLimit) {
	var of []pull.Attempt
	for _, a := range as {
		of = append(of, pull.Attempt{LoadG: a.LoadG, Outcome: outcomes[a.Outcome]})
	}
	x := pull.Judge(of)
	l.Bracket = wire.PullBracket{Overlap: x.Bracket.Overlap}
	if x.Bracket.Moved {
		l.Bracket.MovedG = num(x.Bracket.MovedG)
	}
	if x.Bracket.Stalled {
		l.Bracket.StalledG = num(x.Bracket.StalledG)
	}
	l.Load50G, l.Load95G = estimate(x.Load50), estimate(x.Load95)
	l.Doubts = append(l.Doubts, x.Doubts...)
	l.Fit = "logistic share of successes over load by penalised likelihood (Firth 1993), intervals by the likelihood integrated over how sharply it fails, over load and over log load; one that struggled is half a success, in the intervals perhaps a whole one or none"
	tallies(of, x, l)
	curve(x, l)
	checks(x, l)
	unsure(x, l)
	next := pull.Suggest(of, g.mass(), o.SmallestG)
	if x.FitOK {
		next = next.Beside(x.Share(next.LoadG).Value)
	}
	l.Next = &wire.PullNext{LoadG: next.LoadG, Why: next.Why, Done: next.Done}
}

// unsure calls load95 open where its interval reaches down to nothing or below all loads
// tried: no attempt says how far below its upper end it lies.
func unsure(x pull.Limit, l *wire.PullLimit) {
	if l.Load95G.Value == nil || l.Load95G.Lo == nil || *l.Load95G.Lo > 0 && *l.Load95G.Lo >= x.Tallies[0].X {
		return
	}
	l.Load95Open = true
	l.Doubts = append(l.Doubts, "what it pulls in 95 of 100 attempts is not known yet: lighter loads, "+pull.Written(x.Tallies[0].X, 0)+" g and less, may fail now and then by these attempts; more of them below the limit would tell")
}

// mass is what the first load to try goes by: of a train, whose mass says little of its
// pull, nothing does.
func (g group) mass() float64 {
	if g.loadIs == wire.LoadTrain {
		return 0
	}
	return g.massG
}

func tallies(as []pull.Attempt, x pull.Limit, l *wire.PullLimit) {
	for i, t := range x.Tallies {
		row := wire.PullTally{LoadG: t.X, Share: t.Moves / t.N}
		for _, a := range as {
			if a.LoadG != t.X {
				continue
			}
			switch a.Outcome {
			case pull.Moved:
				row.Moved++
			case pull.Struggled:
				row.Struggled++
			default:
				row.Stalled++
			}
		}
		row.Lo, row.Hi = stats.Wilson(t.Moves, t.N)
		row.AtLeast = stats.AtLeast(float64(row.Moved), t.N)
		l.Loads = append(l.Loads, row)
		l.Steps = append(l.Steps, wire.PullAt{LoadG: t.X, Share: x.Steps[i]})
	}
}

// curvePoints is how many loads a curve is drawn by.
const curvePoints = 25

// curve is the share over load, from where nearly all move to where nearly none does.
func curve(x pull.Limit, l *wire.PullLimit) {
	if !x.FitOK {
		return
	}
	hi := 2*x.Load50.Value - x.Load95.Value
	lo := max(0, x.Load95.Value-(x.Load50.Value-x.Load95.Value)/2)
	if n := len(x.Tallies); n > 0 {
		lo, hi = min(lo, x.Tallies[0].X), max(hi, x.Tallies[n-1].X)
	}
	for i := range curvePoints {
		g := lo + (hi-lo)*float64(i)/(curvePoints-1)
		s := x.Share(g)
		l.Curve = append(l.Curve, wire.PullAt{LoadG: g, Share: s.Value, Lo: num(s.Lo), Hi: num(s.Hi)})
	}
}

func checks(x pull.Limit, l *wire.PullLimit) {
	for _, c := range x.Checks() {
		l.Checks = append(l.Checks, wire.PullCheck{By: c.By, Load50G: num(c.Load50), Load95G: num(c.Load95)})
		if x.FitOK && (c.Load50 < x.Load50.Lo || c.Load50 > x.Load50.Hi) {
			l.Doubts = append(l.Doubts, fmt.Sprintf("by another sum (%s) the load at which half move is %s g, outside the interval: the shape may be wrong", c.By, pull.Written(c.Load50, 4)))
		}
	}
}

func wheels(as []Attempt, l *wire.PullLimit) {
	for _, a := range as {
		if a.Outcome == wire.PullMoved {
			continue
		}
		switch a.Wheels {
		case wire.WheelsTurned:
			l.Turned++
		case wire.WheelsStopped:
			l.Stopped++
		}
	}
	l.Limit = pull.Wheels{Turned: l.Turned, Stopped: l.Stopped}.Limit()
	switch {
	case l.Turned+l.Stopped == 0:
		l.Doubts = append(l.Doubts, "nobody wrote down whether the wheels turned or stopped while the train stood: whether adhesion or the motor is the limit cannot be told")
	case l.Turned > 0 && l.Stopped > 0:
		l.Doubts = append(l.Doubts, fmt.Sprintf("while the train stood the wheels turned in %s and stopped in %d", pull.Counted(l.Turned, "attempt"), l.Stopped))
	}
}

// rolling is what a load is as a pull: factor, and its relative standard uncertainty.
func (g group) rolling(o Options) (factor, u float64, ok bool) {
	if g.loadIs != wire.LoadTrain {
		return 1, 0, true
	}
	if o.Rolling <= 0 {
		return 0, 0, false
	}
	return o.Rolling, o.RollingU / o.Rolling, true
}

// massU is the standard uncertainty of a mass.
func (o Options) massU() float64 {
	if o.MassUG > 0 {
		return o.MassUG
	}
	return pull.Resolved(o.ScaleG)
}

// weighable is what a load is as a pull, where that and the locomotive's mass are told; it
// says what is missing.
func (g group) weighable(o Options, l *wire.PullLimit) (factor, u float64, ok bool) {
	factor, u, ok = g.rolling(o)
	switch {
	case g.massG <= 0:
		l.Doubts = append(l.Doubts, "the locomotive's mass is not told: no adhesion coefficient")
		return 0, 0, false
	case !ok:
		l.Doubts = append(l.Doubts, "the load is a train's mass and what it takes to keep it rolling is not told: no adhesion coefficient")
	}
	return factor, u, ok
}

func (g group) adhesion(o Options, l *wire.PullLimit) {
	factor, u, ok := g.weighable(o, l)
	if !ok || l.Load50G.Value == nil {
		return
	}
	p := interval(l.Load50G)
	p.Value, p.Lo, p.Hi = p.Value*factor, p.Lo*factor, p.Hi*factor
	r := pull.Adhesion(p, math.Hypot(pull.Resolved(o.ScaleG)*factor, p.Value*u), g.massG, o.massU())
	l.Adhesion = estimate(r.Interval)
	l.Adhesion.U = num(r.U)
}

// leastAdhesion is how little of its own weight a locomotive pulls that is put on rails at
// all (common practice, no source).
const leastAdhesion = 0.02

// credible doubts a pull that is much for the locomotive's weight, the limit or, where there
// is none, the greatest load that moved; and a limit that is next to nothing.
func (g group) credible(o Options, l *wire.PullLimit) {
	most := 0.0
	for _, a := range l.Attempts {
		if a.Outcome != wire.PullStalled {
			most = max(most, a.LoadG)
		}
	}
	if l.Load50G.Value != nil {
		most = *l.Load50G.Value
	}
	if factor, _, ok := g.rolling(o); ok && g.massG > 0 {
		if d := pull.DoubtAdhesion(most * factor / g.massG); d != "" {
			l.Doubts = append(l.Doubts, d)
		}
		if mu := most * factor / g.massG; l.Load50G.Value != nil && mu < leastAdhesion {
			l.Doubts = append(l.Doubts, "a pull of "+pull.Written(mu, 2)+" of its own weight is next to nothing: are the mass and the load in the units that were taken, and a point in them none of thousands?")
		}
	}
}

// power is the greatest mean power at one load among attempts that moved.
func (g group) power(as []Attempt, o Options, l *wire.PullLimit) {
	factor, _, ok := g.rolling(o)
	at := map[float64][]float64{}
	for _, a := range as {
		if a.SpeedMmS != nil && a.Outcome == wire.PullMoved && ok {
			at[a.LoadG] = append(at[a.LoadG], pull.PowerMw(a.LoadG*factor, *a.SpeedMmS))
		}
	}
	for _, x := range at {
		if r := pull.Read(x, 0); l.PowerMw.Value == nil || r.Pull.Value > *l.PowerMw.Value {
			l.PowerMw = estimate(r.Pull)
		}
	}
}

// agreement is static less moving, a locomotive counting once however many directions and
// sets were tried both ways.
func agreement(ls []wire.PullLimit) *wire.PullAgreement {
	a := wire.PullAgreement{Points: []wire.PullAgreePoint{}}
	static := map[group]float64{}
	for _, l := range ls {
		if l.Method == wire.PullStatic && l.Load50G.Value != nil {
			static[likeOf(l)] = *l.Load50G.Value
		}
	}
	times, at := map[string]float64{}, map[string]int{}
	for _, l := range ls {
		g, both := static[likeOf(l)]
		if !both || l.Method != wire.PullMoving || l.LoadIs != wire.LoadForce || l.Load50G.Value == nil {
			continue
		}
		n := times[l.Locomotive]
		if n == 0 {
			at[l.Locomotive], a.Points = len(a.Points), append(a.Points, wire.PullAgreePoint{Locomotive: l.Locomotive})
		}
		p := &a.Points[at[l.Locomotive]]
		p.MovingG, p.StaticG = (p.MovingG*n+*l.Load50G.Value)/(n+1), (p.StaticG*n+g)/(n+1)
		times[l.Locomotive]++
	}
	if len(a.Points) == 0 {
		return nil
	}
	var d []float64
	for _, p := range a.Points {
		d = append(d, p.StaticG-p.MovingG)
	}
	x := pull.Agree(d, 1.96)
	a.N, a.BiasG = x.N, estimate(x.Bias)
	a.LowerG, a.LowerLoG, a.LowerHiG = num(x.Lower.Value), num(x.Lower.Lo), num(x.Lower.Hi)
	a.UpperG, a.UpperLoG, a.UpperHiG = num(x.Upper.Value), num(x.Upper.Lo), num(x.Upper.Hi)
	a.Says = verdict(x)
	return &a
}

// fewAgree is below how many locomotives limits of agreement are hardly known (common
// practice, no source).
const fewAgree = 5

// doubtAgreement says how few locomotives limits of agreement are of, and how far out these
// may lie.
func doubtAgreement(a *wire.PullAgreement) string {
	if a == nil || a.N >= fewAgree {
		return ""
	}
	d := fmt.Sprintf("static against moving: %s alone pulled both ways, so that the limits of agreement are hardly known", pull.Counted(a.N, "locomotive"))
	if a.LowerLoG != nil && a.UpperHiG != nil {
		d += fmt.Sprintf(": they may lie as far out as %s and %s g", pull.Written(math.Round(*a.LowerLoG), 0), pull.Written(math.Round(*a.UpperHiG), 0))
	}
	return d
}

// likeOf is what two limits have in common that are held against each other.
func likeOf(l wire.PullLimit) group {
	return group{locomotive: l.Locomotive, direction: l.Direction, set: l.Set, massG: massOf(l)}
}

// massOf is a limit's mass, 0 where it is not told.
func massOf(l wire.PullLimit) float64 {
	if l.MassG == nil {
		return 0
	}
	return *l.MassG
}

func verdict(x pull.Agreement) string {
	switch {
	case x.N < 2:
		return "one locomotive alone was pulled both ways: whether the static method overstates cannot be told"
	case x.Bias.Lo > 0:
		return fmt.Sprintf("the static method overstates the moving pull, by %s g in the mean", pull.Written(x.Bias.Value, 3))
	case x.Bias.Hi < 0:
		return fmt.Sprintf("the static method understates the moving pull, by %s g in the mean", pull.Written(-x.Bias.Value, 3))
	}
	return "whether the static method overstates or understates cannot be told yet"
}

func estimate(x pull.Interval) wire.Estimate {
	return wire.Estimate{Value: num(x.Value), Lo: num(x.Lo), Hi: num(x.Hi)}
}

// interval is an estimate with NaN for what it lacks.
func interval(e wire.Estimate) pull.Interval {
	or := func(x *float64) float64 {
		if x == nil {
			return math.NaN()
		}
		return *x
	}
	return pull.Interval{Value: or(e.Value), Lo: or(e.Lo), Hi: or(e.Hi)}
}

func num(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
