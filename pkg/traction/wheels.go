package traction

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/gum"
	"rainhill/pkg/stats"
)

// WheelRun is the light, slow laps that a set's wheel is measured by.
type WheelRun struct {
	DiameterMm, Gear, CountsPerRev float64
	LapMm, ULapMm                  float64
	LocoG, WeightG                 float64 // of the locomotive, and on all driven wheels together; 0 not stated
	ResistanceMS2, UResistanceMS2  float64 // of running, per mass; 0 not stated
	NoLoadMa, UNoLoadMa            float64 // by the motor's curve; NaN not known
	Efficiency, UEfficiency        float64 // of its gears; 0 not stated
	Laps                           []WheelLap
}

// WheelLap is a lap of it: the counts with their standard uncertainty, time, the
// mean current (NaN not told), and the mass of the whole train.
type WheelLap struct {
	Counts, UCounts, Seconds, USeconds, Ma, TrainG float64

	Run int // laps of one run share train and throttles
}

// Wheel is what they say. U, in Diameter, has the lap length's share; UMm has not,
// and OwnUMm is the part that other sets of the same run do not share.
type Wheel struct {
	Diameter    Estimate
	UMm, OwnUMm float64
	Laps        int
	Doubts      []string
}

const (
	// creepPerUse is the creep of a tyre over the part of its weight that it pulls:
	// a few per cent where it is about to slip, at 0.15 to 0.4 of its weight (common
	// practice, no source). The uncertainty takes in everything from none on.
	creepPerUse, uCreepPerUse = 0.10, 0.08
	// usualResistance per mass, m/s2 (common practice, no source).
	usualResistance, uUsualResistance = 0.08, 0.04
	gravity                           = 9.80665
	fewLaps                           = 5
	bend                              = 0.1 // by what part creep departs from proportion to effort (common practice, no source)
	leastSpread                       = 0.3 // of the effort, for a run to tell its creep: within less, meters and batteries do
	fastMmS                           = 400.0
)

// MeasureWheels is the diameters of a locomotive's wheels by laps in which they should
// hardly slip: D = lap length x gear x counts per turn/(pi counts). What creep is left
// has them turn a little further, so that each lap says D (1 - c x), with x the tractive
// effort of the set over the mean of all sets at the lightest load. c is fitted with the
// diameter; before the laps speak it is taken as creepPerUse times the resistance over
// the weight on the drivers (resistance and weight where they are not stated as is
// usual), about as uncertain as large. So a run at one load has the allowance for its
// uncertainty, and one at several loads finds the creep by itself.
//
// The effort is taken in proportion to the current above that of no load: sets of
// unlike motors push and pull each other, and only their currents tell. The current of
// no load is the motor's own where its curve was measured; else where two loads have the
// mean currents of all sets lead to at no mass, or half the least current, give or take a
// rectangular half (GUM 4.3.7), and for each set ownIdle of it more or less. It and the
// efficiency of the gears are fitted with the rest (creeping): runs in which load is
// shifted between the sets by their throttles, so that each is pulled along in one and
// pulls in another, tell them; without such runs they stay as open as they were, and the
// interval is wider for it.
// Without currents effort is taken in proportion to the mass of the train.
func MeasureWheels(runs []WheelRun) []Wheel {
	idle := idling(runs)
	out := make([]Wheel, len(runs))
	for i, r := range runs {
		out[i] = r.measure(idle.of(r))
	}
	return out
}

func (r WheelRun) measure(idle idle) Wheel {
	out := Wheel{Diameter: None(), UMm: math.NaN(), OwnUMm: math.NaN(), Laps: len(r.Laps), Doubts: []string{}}
	say := func(format string, a ...any) { out.Doubts = append(out.Doubts, fmt.Sprintf(format, a...)) }
	per := MmPerCount(r.DiameterMm, r.Gear, r.CountsPerRev)
	switch {
	case per == 0:
		say("wheel_diameter_mm, gear_ratio or counts_per_motor_rev is not stated: its diameter cannot be told from counts")
		return out
	case len(r.Laps) == 0:
		say("no counting lap that is final and measured at both ends has counts: its diameter cannot be told (yet)")
		return out
	}
	y, scatter, df := r.ratios(per)
	before, uBefore := r.creep(say)
	say("%s", idle.text)
	f := r.creeping(idle, y, scatter, before, uBefore)
	mean := stats.Mean(idle.efforts(r, 0, UsualEfficiency))
	own := math.Hypot(f.u, bend*f.c*mean)
	if mean < 0 || mean > 2 {
		say("its sets pull unlike: this one at %.1f times their mean effort; the wheels would be surer with more throttle for the one and less for the other", mean)
	}
	out.OwnUMm, out.UMm = r.DiameterMm*own, r.DiameterMm*own
	rest := math.Sqrt(max(0, own*own-f.uScatter*f.uScatter))
	e := interval(1+f.d, []float64{f.uScatter, rest, r.ULapMm / r.LapMm}, []float64{df, math.Inf(1), math.Inf(1)})
	out.Diameter = e.scaled(r.DiameterMm)
	say("a creep of %.2f %% is allowed for at the mean effort of its sets with the lightest train", 100*f.c)
	r.doubt(say, f.uScatter, rest)
	return out
}

// idle is the current of no load, mA: of a set, uncertain by what is its own and by
// what all share; 0 when efforts go by mass. light is the mean current of all sets with
// the lightest train.
type idle struct {
	ma, uOwn, uShared, light float64
	text                     string
}

// ownIdle is by how much the motors of a locomotive differ in it, which need not be of a
// kind (common practice, no source).
const ownIdle = 0.25

func idling(runs []WheelRun) idle {
	var mass, current, light []float64
	least, lightest := math.Inf(1), math.Inf(1)
	for _, r := range runs {
		lightest = min(lightest, r.lightest())
	}
	var means []float64
	for _, r := range calmest(runs) {
		var own []float64
		for _, l := range r.Laps {
			own = append(own, l.Ma)
		}
		mean := stats.Mean(own)
		means = append(means, mean)
		for _, l := range r.Laps {
			if math.IsNaN(mean) {
				return idle{}
			}
			// About the set's own mean: that sets pull unlike is no scatter.
			mass, current, least = append(mass, l.TrainG), append(current, l.Ma-mean), min(least, l.Ma)
			if l.TrainG == lightest {
				light = append(light, l.Ma)
			}
		}
	}
	if len(light) == 0 || !(least > 0) {
		return idle{}
	}
	out := idle{light: stats.Mean(light)}
	m := stats.Summarise(mass)
	if m.Min > 0 && m.Max > 1.2*m.Min && len(mass) >= fewLaps {
		slope, se := stats.Slope(mass, current)
		if at := stats.Mean(means) - slope*m.Mean; slope > 0 && at > 0 {
			out.ma, out.uOwn, out.uShared = at, ownIdle*at, math.Hypot(se*m.Mean, 0.07*at)
			out.text = fmt.Sprintf("creep is taken in proportion to the current above %.0f mA, to which the currents lead at no load", at)
			return out
		}
	}
	out.ma, out.uOwn, out.uShared = out.light/2, ownIdle*out.light/2, gum.Rectangular(0.4*out.light)
	out.text = fmt.Sprintf("its current of no load is not known: creep is taken in proportion to the current above %.0f mA, half of the mean", out.ma)
	return out
}

// calmest is of each mass of the train the run in which the sets together draw least:
// in the others they fight.
func calmest(runs []WheelRun) []WheelRun {
	sum, n, mass := map[int]float64{}, map[int]float64{}, map[int]float64{}
	for _, r := range runs {
		for _, l := range r.Laps {
			sum[l.Run], n[l.Run], mass[l.Run] = sum[l.Run]+l.Ma, n[l.Run]+1, l.TrainG
		}
	}
	best := map[float64]int{}
	for _, run := range sortedKeysOf(sum) {
		old, known := best[mass[run]]
		if !known || sum[run]/n[run] < sum[old]/n[old] {
			best[mass[run]] = run
		}
	}
	out := slices.Clone(runs)
	for i := range out {
		out[i].Laps = slices.DeleteFunc(slices.Clone(out[i].Laps), func(l WheelLap) bool { return l.Run != best[l.TrainG] })
	}
	return out
}

// of is what holds for a set: its own curve's current goes first.
func (i idle) of(r WheelRun) idle {
	if i.light == 0 {
		i.text = "no current tells what it pulled: creep is taken in proportion to the mass of the train"
		return i
	}
	if r.NoLoadMa > 0 {
		i.ma, i.uOwn, i.uShared = r.NoLoadMa, max(r.UNoLoadMa, 0.02*r.NoLoadMa), 0
		i.text = fmt.Sprintf("creep is taken in proportion to the current above %.0f mA, its motor's of no load", i.ma)
	}
	return i
}

// efforts is the tractive effort of each lap over the mean of all sets with the
// lightest train, the current of no load being off by so much.
//
// Gears that lose a part of what the motor gives lose it of what the rim gives as well
// when the wheel drives the motor: the rim then brakes by 1/efficiency squared more.
func (i idle) efforts(r WheelRun, off, eff float64) (x []float64) {
	for _, l := range r.Laps {
		switch {
		case i.light > 0:
			e := (l.Ma - i.ma - off) / max(i.light-i.ma, 0.1*i.light)
			if e < 0 {
				e /= eff * eff
			}
			x = append(x, e)
		case r.lightest() > 0:
			x = append(x, l.TrainG/r.lightest())
		default:
			x = append(x, 1)
		}
	}
	return x
}

// ratios is each lap's diameter over the stated one, less 1, with their scatter as
// that of one lap for independent laps, and its degrees of freedom.
func (r WheelRun) ratios(per float64) (y []float64, scatter, df float64) {
	stated := 0.0
	byRun := map[[2]int][]float64{}
	for _, l := range r.Laps {
		v := r.LapMm/(math.Abs(l.Counts)*per) - 1
		y = append(y, v)
		key := [2]int{l.Run, int(l.TrainG)}
		byRun[key] = append(byRun[key], v)
		stated = max(stated, math.Hypot(l.USeconds/l.Seconds, l.UCounts/l.Counts))
	}
	squares := 0.0
	for _, run := range sortedPairs(byRun) { // each about its own mean: creep goes with load and throttles
		v := byRun[run]
		if _, u, n := stats.MeanU(v); len(v) > 1 {
			squares, df = squares+u*u*float64(len(v))*n, df+n
		}
	}
	n := float64(len(r.Laps))
	if df < 1 {
		return y, stated, math.Inf(1)
	}
	return y, max(math.Sqrt(squares/df), math.Sqrt2*stated/math.Sqrt(n)), df
}

// creep is what is expected of it at the lightest load, with its uncertainty.
func (r WheelRun) creep(say func(string, ...any)) (c, u float64) {
	a, ua := r.ResistanceMS2, r.UResistanceMS2
	if a == 0 {
		a, ua = usualResistance, uUsualResistance
	}
	use := a / gravity
	if lightest := r.lightest(); r.WeightG > 0 && lightest > 0 {
		use *= lightest / r.WeightG
	} else {
		say("masses are not stated: the creep is allowed for as if all the train's weight were on its drivers")
	}
	return use * creepPerUse, use * math.Hypot(uCreepPerUse, creepPerUse*ua/a)
}

// efficiency is that of the gears, as is usual where it is not stated.
func (r WheelRun) efficiency() (eff, u float64) {
	if r.Efficiency > 0 {
		return r.Efficiency, r.UEfficiency
	}
	return UsualEfficiency, UsualEfficiencyU
}

func (r WheelRun) lightest() float64 {
	least := math.Inf(1)
	for _, l := range r.Laps {
		least = min(least, l.TrainG)
	}
	return least
}

// fitLine is y = d - c x, with the standard uncertainty of d and the part of it that
// is scatter, and how ill it fits: chi squared.
type fitLine struct{ d, c, u, uScatter, chi2 float64 }

// misfit is by what part a run's creep is not in proportion to its effort. smear is how far
// off a lap's is where the set pulls on straights and is dragged on curves or the other way
// round, so that its mean current does not tell on which side it was, in parts of the mean
// effort. Both were found with pkg/dynamics.
const misfit, smear = 0.02, 0.1

// creeping fits diameter and creep for every current of no load and efficiency of the
// gears that may be, and weighs the fits by how well they agree with the laps and with
// what was known before (a mean over a grid, JCGM 101's model with data). Laps in which a
// set is dragged, and laps in which it pulls, tell both: the line bends where the set
// neither pulls nor brakes. Laps of one kind leave them open, and the interval is wide.
func (r WheelRun) creeping(idle idle, y []float64, scatter, before, uBefore float64) fitLine {
	eff, uEff := r.efficiency()
	first := solve(y, idle.efforts(r, 0, eff), r.weights(nil, scatter), before, uBefore)
	first.uScatter = math.Sqrt(max(scatter*scatter, 1e-14) / float64(len(y)))
	u0 := math.Hypot(idle.uOwn, idle.uShared)
	if !(u0 > 0) {
		return first
	}
	const half0, halfEff = 60, 6
	var fits []fitLine
	least := math.Inf(1)
	for i := -half0; i <= half0; i++ {
		for k := -halfEff; k <= halfEff; k++ {
			z0, zEff := 3*float64(i)/half0, 2.5*float64(k)/halfEff
			x := idle.efforts(r, z0*u0, min(max(eff+zEff*uEff, 0.3), 1))
			var off []float64
			for _, v := range x {
				off = append(off, first.c*math.Hypot(misfit*v, smear*math.Exp(-v*v/2)))
			}
			f := solve(y, x, r.weights(off, scatter), before, uBefore)
			f.chi2 += z0*z0 + zEff*zEff
			fits, least = append(fits, f), min(least, f.chi2)
		}
	}
	return meanOfFits(fits, least, first.uScatter)
}

// meanOfFits is their mean by likelihood, and how far they are apart.
func meanOfFits(fits []fitLine, least, uScatter float64) (out fitLine) {
	var sum, square float64
	for _, f := range fits {
		w := math.Exp((least - f.chi2) / 2)
		sum, out.d, out.c, square = sum+w, out.d+w*f.d, out.c+w*f.c, square+w*(f.u*f.u+f.d*f.d)
	}
	out.d, out.c, out.uScatter = out.d/sum, out.c/sum, uScatter
	out.u = math.Sqrt(max(0, square/sum-out.d*out.d))
	return out
}

// weights is 1/variance of each lap: scatter, and what all laps of a run share.
func (r WheelRun) weights(off []float64, scatter float64) (w []float64) {
	n := map[int]float64{}
	for _, l := range r.Laps {
		n[l.Run]++
	}
	for i, l := range r.Laps {
		v := max(scatter*scatter, 1e-14)
		if off != nil {
			v += n[l.Run] * off[i] * off[i]
		}
		w = append(w, 1/v)
	}
	return w
}

// solve is weighted least squares for y = d - c x with c known beforehand to uBefore.
func solve(y, x, weight []float64, before, uBefore float64) (f fitLine) {
	var n, mx, my, xx, xy float64
	for i, w := range weight {
		n, mx, my = n+w, mx+w*x[i], my+w*y[i]
	}
	mx, my = mx/n, my/n
	if slices.Max(x)-slices.Min(x) >= leastSpread {
		for i, w := range weight {
			xx, xy = xx+w*(x[i]-mx)*(x[i]-mx), xy+w*(x[i]-mx)*(y[i]-my)
		}
	}
	known := 1 / (uBefore * uBefore)
	f.c = max(0, (before*known-xy)/(known+xx)) // a tyre that pulls creeps forward
	f.d = my + f.c*mx
	f.u = math.Sqrt(1/n + mx*mx/(known+xx))
	if xx > 0 {
		for i, w := range weight {
			rest := y[i] - f.d + f.c*x[i]
			f.chi2 += w * rest * rest
		}
		f.chi2 += (f.c - before) * (f.c - before) * known
	}
	return f
}

func (r WheelRun) doubt(say func(string, ...any), uScatter, rest float64) {
	var s, g float64
	for _, l := range r.Laps {
		s += l.Seconds
		g = max(g, l.TrainG)
	}
	if v := r.LapMm * float64(len(r.Laps)) / s; v > fastMmS {
		say("the run was fast, %.0f mm/s on the mean: below %.0f the wheels pull less", v, fastMmS)
	}
	if r.LocoG > 0 && r.lightest() > 1.5*r.LocoG {
		say("the run was heavy: the lightest train weighed %.1f times its locomotive; run the locomotive alone as well", r.lightest()/r.LocoG)
	}
	if len(r.Laps) < fewLaps {
		say("the run was short: %d lap(s), %d or more tell the scatter", len(r.Laps), fewLaps)
	} else if uScatter > rest && uScatter > 0.0005 {
		say("the run was short for its scatter: more laps would make it surer")
	}
	if r.ULapMm == 0 {
		say("the lap length has no uncertainty stated: on another circuit it counts as if there were none")
	}
}
