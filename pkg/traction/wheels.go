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
	Laps                           []WheelLap
}

// WheelLap is a lap of it: the counts with their standard uncertainty, time, the
// mean current (NaN not told), and the mass of the whole train.
type WheelLap struct {
	Counts, UCounts, Seconds, USeconds, Ma, TrainG float64
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
// rectangular half (GUM 4.3.7), and for each set ownIdle of it more or less.
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
	at := func(off float64) fitLine { return solve(y, idle.efforts(r, off), scatter, before, uBefore) }
	f := at(0)
	own := math.Abs(at(idle.uOwn).d-at(-idle.uOwn).d) / 2
	mean := stats.Mean(idle.efforts(r, 0))
	own = math.Hypot(own, bend*f.c*mean)
	if mean < 0 || mean > 2 {
		say("its sets pull unlike: this one at %.1f times their mean effort; the wheels would be surer with the throttles so that the currents are alike", mean)
	}
	shared := math.Abs(at(idle.uShared).d-at(-idle.uShared).d) / 2
	out.OwnUMm = r.DiameterMm * math.Hypot(f.u, own)
	u := math.Hypot(math.Hypot(f.u, own), shared)
	out.UMm = r.DiameterMm * u
	rest := math.Sqrt(max(0, u*u-f.uScatter*f.uScatter))
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

// ownIdle is by how much motors of a kind differ in it (common practice, no source).
const ownIdle = 0.2

func idling(runs []WheelRun) idle {
	var mass, current, light []float64
	least, lightest := math.Inf(1), math.Inf(1)
	for _, r := range runs {
		lightest = min(lightest, r.lightest())
	}
	var means []float64
	for _, r := range runs {
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
func (i idle) efforts(r WheelRun, off float64) (x []float64) {
	for _, l := range r.Laps {
		switch {
		case i.light > 0:
			x = append(x, (l.Ma-i.ma-off)/max(i.light-i.ma, 0.1*i.light))
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
	byLoad := map[int][]float64{}
	for _, l := range r.Laps {
		v := r.LapMm/(math.Abs(l.Counts)*per) - 1
		y = append(y, v)
		byLoad[int(l.TrainG)] = append(byLoad[int(l.TrainG)], v)
		stated = max(stated, math.Hypot(l.USeconds/l.Seconds, l.UCounts/l.Counts))
	}
	squares := 0.0
	for _, load := range sortedKeysOf(byLoad) { // each about its own mean: creep goes with load
		v := byLoad[load]
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

func (r WheelRun) lightest() float64 {
	least := math.Inf(1)
	for _, l := range r.Laps {
		least = min(least, l.TrainG)
	}
	return least
}

// fitLine is y = d - c x, with the standard uncertainty of d and the part of it that
// is scatter.
type fitLine struct{ d, c, u, uScatter float64 }

// solve is least squares for y = d - c x with c known beforehand to uBefore.
func solve(y, x []float64, scatter, before, uBefore float64) (f fitLine) {
	s2 := max(scatter*scatter, 1e-14)
	n := float64(len(y))
	mx, my := stats.Mean(x), stats.Mean(y)
	var xx, xy float64
	for i := range x {
		xx, xy = xx+(x[i]-mx)*(x[i]-mx), xy+(x[i]-mx)*(y[i]-my)
	}
	if slices.Max(x)-slices.Min(x) < leastSpread {
		xx, xy = 0, 0
	}
	w := 1 / (uBefore * uBefore)
	f.c = max(0, (before*w-xy/s2)/(w+xx/s2)) // a tyre that pulls creeps forward
	f.d = my + f.c*mx
	f.u, f.uScatter = math.Sqrt(s2/n+mx*mx/(w+xx/s2)), math.Sqrt(s2/n)
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
