package prediction

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/motor"
	"rainhill/pkg/wire"
)

// motor is a motor of the stock with the constants of its curve.
func (s Stock) motor(here, id string, n *notes) (motor.Motor, error) {
	if id == "" {
		return motor.Motor{}, fmt.Errorf("%s names no motor", here)
	}
	m, ok := s.Motors[id]
	if !ok || m.Curve == nil {
		return motor.Motor{}, fmt.Errorf("%s: motor %s has no curve: sweep it (rainhill curve), or put one in from its data sheet", here, id)
	}
	c := *m.Curve
	out := motor.Motor{ID: id, Constants: motor.Constants{ROhm: *c.ResistanceOhm.Value, KVS: *c.KVS.Value}}
	fig := func(what string, e wire.Estimate, scale float64) (value, u float64) {
		value, u = *e.Value*scale, math.NaN()
		switch {
		case e.Lo != nil && e.Hi != nil:
			u = (*e.Hi - *e.Lo) * scale / (2 * 1.959964) // with the few degrees of freedom that the interval has
		case e.U != nil:
			u = *e.U * scale
		}
		if math.IsNaN(u) {
			u = 0.1 * value
			n.take(what+" of "+id, *e.Value, 0.1**e.Value, "stated without its uncertainty, which is taken as a tenth: "+custom)
		}
		return value, u
	}
	var us [3]float64
	_, us[0] = fig("resistance_ohm", c.ResistanceOhm, 1)
	_, us[1] = fig("k_v_s", c.KVS, 1)
	if c.NoLoadMa.Value != nil {
		out.I0A, us[2] = fig("no_load_ma", c.NoLoadMa, 0.001)
	} else {
		out.I0A = leastOf(c) / 2
		us[2] = out.I0A / 2
		n.take("no_load_ma of "+id, 1000*out.I0A, 1000*us[2], "its sweep did not tell it: half the least current seen, or of 4 % of stalling at 6 V: "+custom)
	}
	out.Covariance = covariance(c, us)
	return out, nil
}

// leastOf is the least current of a curve's steps, in A.
func leastOf(c wire.MotorCurve) float64 {
	least := math.Inf(1)
	for _, s := range c.Steps {
		if s.Left == "" {
			least = min(least, s.CurrentMa/1000)
		}
	}
	if math.IsInf(least, 1) {
		return 0.08 * 6 / *c.ResistanceOhm.Value
	}
	return least
}

// covariance is that of the constants, in SI units: uncertainties us, with the
// correlations that the curve states.
func covariance(c wire.MotorCurve, us [3]float64) (out [3][3]float64) {
	for i := range 3 {
		out[i][i] = us[i] * us[i]
		for j := range 3 {
			if len(c.Covariance) == 3 && i != j && c.Covariance[i][i] > 0 && c.Covariance[j][j] > 0 {
				r := c.Covariance[i][j] / math.Sqrt(c.Covariance[i][i]*c.Covariance[j][j])
				out[i][j] = min(max(r, -0.9999), 0.9999) * us[i] * us[j]
			}
		}
	}
	return out
}

// Readings are those of motors over a session, by motor, in bus time.
type Readings struct {
	of    map[string][]motor.Reading
	n     int
	Short bool // there were more than are kept
}

// readingsMost is how many readings are kept: ten motors at ten a second for eleven
// hours, some 200 MB.
const readingsMost = 4_000_000

// Add takes the readings of an event, at being bus time for an instant of its agent.
func (r *Readings) Add(e wire.Event, at func(us int64) int64) {
	if e.Kind != wire.KindMotor {
		return
	}
	if r.of == nil {
		r.of = map[string][]motor.Reading{}
	}
	of := func(x *int64, scale float64) float64 {
		if x == nil {
			return math.NaN()
		}
		return float64(*x) * scale
	}
	for _, x := range e.Samples {
		if x.Counts == nil {
			continue
		}
		if r.n++; r.n > readingsMost {
			r.Short = true
			return
		}
		r.of[e.Motor] = append(r.of[e.Motor], motor.Reading{AtUs: at(x.AtUs), Counts: *x.Counts, CurrentA: of(x.CurrentMa, 0.001), VoltageV: of(x.VoltageMv, 0.001), Duty: of(x.DutyPermille, 0.001)})
	}
}

// Sort puts readings in order: events may have come in another.
func (r *Readings) Sort() {
	for _, list := range r.of {
		slices.SortStableFunc(list, func(a, b motor.Reading) int { return int(min(max(a.AtUs-b.AtUs, -1), 1)) })
	}
}

// Of is a motor's readings between two instants (toUs 0: to the end).
func (r *Readings) Of(id string, fromUs, toUs int64) []motor.Reading {
	all := r.of[id]
	at := func(us int64) int {
		i, _ := slices.BinarySearchFunc(all, us, func(x motor.Reading, us int64) int { return int(min(max(x.AtUs-us, -1), 1)) })
		return i
	}
	if toUs == 0 {
		return all[at(fromUs):]
	}
	return all[at(fromUs):max(at(fromUs), at(toUs+1))]
}

// Swept is the trials of a session that may tell of motors.
type Swept struct {
	Session     string
	Trials      []wire.Trial
	Locomotives []wire.Locomotive
	Consists    []wire.Consist
	Readings    *Readings
	Regulated   []string // motors that hold their speed by themselves, by their trials' results
}

// RegulatedOf is the motors that results say hold their speed by themselves.
func RegulatedOf(trials []wire.TrialResult) (out []string) {
	for _, t := range trials {
		for _, x := range t.Sets {
			if x.Regulated.Verdict == wire.IsRegulated && !slices.Contains(out, x.Motor) {
				out = append(out, x.Motor)
			}
		}
	}
	return out
}

// Curves are those of the motors that trials tell of: of motor id alone when it is not
// "", from the named trials alone when there are some. why says of each motor that
// was read why it has no curve.
func (s Swept) Curves(id string, trials []string) (curves []wire.CurveOf, why map[string]error, err error) {
	for _, want := range trials {
		if !slices.ContainsFunc(s.Trials, func(t wire.Trial) bool { return t.ID == want }) {
			return nil, nil, fmt.Errorf("there is no trial %q", want)
		}
	}
	why = map[string]error{}
	seen := map[string]string{} // motor -> locomotive
	for _, l := range s.Locomotives {
		fits, faults := s.fit(l, trials)
		for _, d := range l.DriverSets {
			fit, ok := fits[d.Motor]
			switch {
			case id != "" && d.Motor != id:
			case ok && seen[d.Motor] != "":
				return nil, nil, fmt.Errorf("motor %s was run in locomotive %s and in %s: name the trials of one of them", d.Motor, seen[d.Motor], l.ID)
			case ok:
				seen[d.Motor] = l.ID
				curves = append(curves, wire.CurveOf{Motor: d.Motor, Curve: s.curve(d.Motor, fit)})
			case faults[d.Motor] != nil:
				why[d.Motor] = faults[d.Motor]
			}
		}
	}
	for m := range seen {
		delete(why, m)
	}
	return curves, why, nil
}

// fit fits all motors of a locomotive together.
func (s Swept) fit(l wire.Locomotive, trials []string) (map[string]motor.Curve, map[string]error) {
	var sets []motor.Set
	l.DriverSets = driving(l.DriverSets)
	for _, d := range l.DriverSets {
		if d.Motor != "" {
			sets = append(sets, motor.Set{Motor: d.Motor, CountsPerRev: d.CountsPerRev, Gear: d.GearRatio, WheelM: d.WheelDiameterMm / 1000})
		}
	}
	return motor.Fit(sets, s.runs(l, trials))
}

// runs are the trials of a locomotive in which one of its motors was read.
func (s Swept) runs(l wire.Locomotive, trials []string) (runs []motor.Run) {
	for _, t := range s.Trials {
		if t.Locomotive != l.ID || t.Void || len(trials) > 0 && !slices.Contains(trials, t.ID) {
			continue
		}
		r := motor.Run{ID: t.ID, LoadKg: s.loadG(l, t) / 1000, Free: t.Conditions["wheels"] == "free", Readings: map[string][]motor.Reading{}}
		for _, d := range l.DriverSets {
			if list := s.Readings.Of(d.Motor, t.FromUs, t.ToUs); d.Motor != "" && len(list) > 0 {
				r.Readings[d.Motor] = list
			}
		}
		if len(r.Readings) > 0 {
			runs = append(runs, r)
		}
	}
	return runs
}

// loadG is all that runs on the rails in a trial.
func (s Swept) loadG(l wire.Locomotive, t wire.Trial) float64 {
	load := l.MassG
	for _, c := range s.Consists {
		if c.ID == t.Consist {
			for _, car := range c.Cars {
				load += car.MassG
			}
		}
	}
	return load
}

// curve is a fit in the words of the wire.
func (s Swept) curve(id string, fit motor.Curve) wire.MotorCurve {
	c := wire.MotorCurve{
		ResistanceOhm: estimate(fit.ROhm, 1), KVS: estimate(fit.KVS, 1), NoLoadMa: estimate(fit.NoLoad, 1000),
		ResidualMv: 1000 * fit.ResidualV, Session: s.Session, Doubts: fit.Doubts, Source: "throttle sweep",
	}
	scale := [3]float64{1, 1, 1000}
	for i := range 3 {
		row := make([]float64, 3)
		for j := range row {
			row[j] = fit.Covariance[i][j] * scale[i] * scale[j]
		}
		c.Covariance = append(c.Covariance, row)
	}
	for _, x := range fit.Steps {
		if !slices.Contains(c.Trials, x.Run) {
			c.Trials = append(c.Trials, x.Run)
		}
		c.Steps = append(c.Steps, step(x))
	}
	if slices.Contains(s.Regulated, id) {
		c.Doubts = append(c.Doubts, "by its trials this motor holds its speed by itself: the board's throttle is then not the bridge's, and this is not the motor's curve")
	}
	if s.Readings.Short {
		c.Doubts = append(c.Doubts, "the session has more readings than are kept: the last ones are not in it")
	}
	return c
}

func step(x motor.Step) wire.CurveStep {
	load := 1000 * x.LoadKg
	if x.Free {
		load = 0
	}
	finite := func(v float64) float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0
		}
		return v
	}
	duty := 1000 * x.Duty
	if math.IsNaN(duty) {
		duty = 1000 // the voltage is the winding's own
	}
	return wire.CurveStep{
		Trial: x.Run, LoadG: load, DutyPermille: math.Round(duty), Rising: x.Rising, VoltageMv: finite(1000 * x.VoltV), CurrentMa: finite(1000 * x.CurrentA),
		SpeedRadS: finite(x.RadS), USpeedRadS: finite(x.URadS), ResidualMv: finite(1000 * x.ResidualV), Readings: x.Readings, Left: x.Left,
	}
}

// estimate is an interval in the words of the wire, scaled.
func estimate(i motor.Interval, scale float64) wire.Estimate {
	return wire.Estimate{Value: num(i.Value * scale), Lo: num(i.Lo * scale), Hi: num(i.Hi * scale), U: num(i.U * scale)}
}

// num is x, or null when it is not a number.
func num(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
