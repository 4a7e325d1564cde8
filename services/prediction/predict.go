package prediction

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/motor"
	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
)

// Draws and seed of the Monte Carlo: the same question has the same answer.
const (
	draws      = 2000
	tableDraws = 400
	fewerDraws = 300
	seed       = 1830
)

// changedDuty is how far the throttle of a trial may go and still be one: trim and
// rounding move it by less.
const changedDuty = 0.1

// Duties are the throttles of a prediction's table, as parts of full.
func Duties() (out []float64) {
	for permille := 100; permille <= 1000; permille += 50 {
		out = append(out, float64(permille)/1000)
	}
	return out
}

// Measured is a trial that was run: what of it can stand beside a prediction, or tell
// of the resistance.
type Measured struct {
	Trial      wire.Trial
	Locomotive wire.Locomotive
	Consist    *wire.Consist
	SpeedMmS   wire.Estimate // mean over the laps that count
	LapCV      float64       // scatter of single laps, NaN unknown or where the throttle changed
	Duty       float64       // NaN where it was not one throttle, or is not known
	Changed    bool          // it was not one throttle
	Not        string        // why it can stand beside nothing; "" where it can
	Regulated  bool
	// VoltV is the supply's voltage at the board, and AmpsA the mean current of
	// each driver set; NaN and nil where no meter told.
	VoltV float64
	AmpsA []motor.Input
	Slip  map[string]motor.Input // by driver set, where it is told from none
}

// MeasuredOf is the trials of results, with why where one cannot stand beside a
// prediction. readings may be nil.
func MeasuredOf(res wire.Results, readings *Readings) (out []Measured) {
	for _, r := range res.Trials {
		i := slices.IndexFunc(res.Locomotives, func(l wire.Locomotive) bool { return l.ID == r.Train })
		if i < 0 || r.About == nil {
			continue
		}
		m := Measured{Trial: *r.About, Locomotive: res.Locomotives[i], SpeedMmS: r.SpeedMmS, LapCV: math.NaN(), Duty: math.NaN(), VoltV: math.NaN(), Not: notBeside(r), Regulated: r.Regulated.Verdict == wire.IsRegulated}
		if m.Not != "" {
			out = append(out, m)
			continue
		}
		m.Duty, m.Changed = dutyOf(r)
		m.Locomotive.DriverSets = driving(m.Locomotive.DriverSets)
		for j := range res.Consists {
			if res.Consists[j].ID == r.Consist {
				m.Consist = &res.Consists[j]
			}
		}
		if r.Consistency.CV != nil {
			m.LapCV = *r.Consistency.CV
		}
		for _, x := range r.Sets {
			if x.SlipTold && x.Slip.Value != nil && *x.Slip.Value > 0 && x.Slip.U != nil {
				if m.Slip == nil {
					m.Slip = map[string]motor.Input{}
				}
				m.Slip[x.Set] = motor.Input{Value: *x.Slip.Value, U: *x.Slip.U}
			}
		}
		if readings != nil {
			m.meters(r, readings)
		}
		if m.Changed { // its laps scatter as the throttle did
			m.Duty, m.LapCV = math.NaN(), math.NaN()
		}
		out = append(out, m)
	}
	return out
}

// notBeside is why a trial cannot stand beside a prediction, nothing where it can.
func notBeside(r wire.TrialResult) string {
	switch {
	case r.About.Void:
		return "it is void"
	case r.About.Conditions["purpose"] == "sweep":
		return "it is a throttle sweep, in which nothing was steady"
	case r.SpeedMmS.Value == nil || r.Consistency.N < 1:
		return "no lap of it counts"
	}
	return ""
}

// dutyOf is a trial's throttle as stated, or as its slip was summed up by, NaN unknown; and
// whether that shows that it was not one throttle.
func dutyOf(r wire.TrialResult) (duty float64, changed bool) {
	duty, n := math.NaN(), 0
	least, most := math.Inf(1), math.Inf(-1)
	for _, s := range r.Sets {
		for _, by := range s.By {
			if by.Place != wire.PlaceAll || by.DutyPermille == nil {
				continue
			}
			told := math.Abs(*by.DutyPermille) / 1000
			least, most = min(least, told), max(most, told)
			if by.N > n {
				duty, n = told, by.N
			}
		}
	}
	if v, ok := r.About.Conditions["throttle_permille"].(float64); ok && v > 0 && v <= 1000 {
		duty = v / 1000
	}
	return duty, most-least > changedDuty
}

// meters takes throttle, voltage and currents from the readings over the laps that
// count.
func (m *Measured) meters(r wire.TrialResult, readings *Readings) {
	var duties, volts []float64
	var amps []motor.Input
	for _, d := range m.Locomotive.DriverSets {
		var own []float64
		for _, l := range r.Laps {
			if l.Counts != wire.CountsYes || d.Motor == "" {
				continue
			}
			for _, x := range readings.Of(d.Motor, l.StartUs, l.StartUs+int64(l.LapTimeS*1e6)) {
				own, volts, duties = keep(own, x.CurrentA), keep(volts, math.Abs(x.VoltageV)), keep(duties, math.Abs(x.Duty))
			}
		}
		if mean, _, _, u := stats.MeanInterval(own); len(own) > 20 {
			amps = append(amps, motor.Input{Value: math.Abs(mean), U: u, Key: "current of " + d.Motor + " in " + m.Trial.ID})
		}
	}
	if len(duties) > 20 {
		// Of a sweep there is nothing steady to be held against a prediction.
		m.Duty, m.Changed = stats.Mean(duties), slices.Max(duties)-slices.Min(duties) > changedDuty
	}
	if len(volts) > 20 {
		m.VoltV = stats.Mean(volts)
	}
	if len(amps) == len(m.Locomotive.DriverSets) {
		m.AmpsA = amps
	}
}

func keep(list []float64, v float64) []float64 {
	if math.IsNaN(v) {
		return list
	}
	return append(list, v)
}

// Predict answers a question from the stock and the trials that were run.
func Predict(s Stock, ask wire.PredictAsk, ran []Measured) (wire.Prediction, error) {
	base, n, err := s.asked(ask, ran)
	if err != nil {
		return wire.Prediction{}, err
	}
	o := motor.Options{Duty: float64(ask.DutyPermille) / 1000, Duties: Duties(), Draws: draws, Table: tableDraws, Seed: seed}
	var out wire.Prediction
	if ask.Variant == nil {
		p, err := motor.Predict(base, o)
		if err != nil {
			return out, err
		}
		out = told(p, ask, s, base, n)
	} else if out, err = s.against(base, n, ask, ran, o); err != nil {
		return out, err
	}
	s.beside(&out, ask, ran, n)
	out.Assumed, out.Doubts = n.assumed, n.doubts
	if out.Assumed == nil {
		out.Assumed = []wire.Assumption{}
	}
	if out.Doubts == nil {
		out.Doubts = []string{}
	}
	return out, nil
}

// against predicts a question and its variant together.
func (s Stock) against(base motor.Config, n *notes, ask wire.PredictAsk, ran []Measured, o motor.Options) (wire.Prediction, error) {
	if ask.Variant.Trial == "" {
		ask.Variant.Trial = ask.Trial
	}
	other, note, err := s.asked(*ask.Variant, ran)
	if err != nil {
		return wire.Prediction{}, fmt.Errorf("the variant: %w", err)
	}
	if ask.Variant.DutyPermille != ask.DutyPermille {
		return wire.Prediction{}, errors.New("the variant is asked for at another throttle: the table holds every throttle of both")
	}
	b, v, diff, err := motor.Against(base, other, o)
	if err != nil {
		return wire.Prediction{}, err
	}
	out, variant := told(b, ask, s, base, n), told(v, *ask.Variant, s, other, note)
	variant.Assumed, variant.Doubts = append([]wire.Assumption{}, note.assumed...), append([]string{}, note.doubts...)
	out.Variant = &variant
	out.Difference = &wire.PredictedDifference{SpeedMmS: estimate(diff.SpeedMS, 1000), LapTimeS: estimate(diff.LapS, 1), PullMn: estimate(diff.PullN, 1000)}
	for i, d := range o.Duties {
		out.Difference.At = append(out.Difference.At, wire.DifferenceAt{DutyPermille: int64(math.Round(1000 * d)), SpeedMmS: estimate(diff.At[i], 1000)})
	}
	return out, nil
}

// asked is the configuration of a question.
func (s Stock) asked(ask wire.PredictAsk, ran []Measured) (motor.Config, *notes, error) {
	n := &notes{}
	stock := s.With(ask.Motors)
	c, err := stock.config(train{ask.Locomotive, ask.Consist, ask.SupplyMv, ask.SupplyOhm}, n)
	if err != nil {
		return c, n, err
	}
	for _, m := range ran {
		if m.Not == "" && (m.Trial.ID == ask.Trial || ask.Trial == "" && m.Locomotive.ID == ask.Locomotive.ID) {
			if m.LapCV > c.Scatter {
				c.Scatter = m.LapCV
			}
		}
	}
	if ask.Trial != "" {
		if c.Trial, err = s.tells(ask, ran, n); err != nil {
			return c, n, err
		}
	}
	if !s.creep(&c, ask, ran) {
		n.doubt("slip is not reckoned with: how these wheels creep under load is not known")
	}
	return c, n, nil
}

// creep puts in how the wheels creep, from a trial of the locomotive in which the slip of
// every set was told: slip = creep x atanh(effort over the greatest). It reports whether
// there was one.
func (s Stock) creep(c *motor.Config, ask wire.PredictAsk, ran []Measured) bool {
	i := slices.IndexFunc(ran, func(m Measured) bool {
		return m.Not == "" && (ask.Trial == "" || m.Trial.ID == ask.Trial) && m.Locomotive.ID == ask.Locomotive.ID && len(m.Slip) == len(c.Sets) && !math.IsNaN(m.Duty)
	})
	if i < 0 {
		return false
	}
	m := ran[i]
	volt := ask.SupplyMv
	if !math.IsNaN(m.VoltV) {
		volt = 1000 * m.VoltV
	}
	then, err := s.With(ask.Motors).config(train{m.Locomotive, m.Consist, volt, ask.SupplyOhm}, &notes{})
	if err != nil {
		return false
	}
	for range 8 { // how the sets share the load depends on how they creep
		p, err := motor.Predict(then, motor.Options{Duty: m.Duty, Draws: 2, Seed: seed})
		if err != nil {
			return false
		}
		for j := range then.Sets {
			d := &then.Sets[j]
			slip, ok := m.Slip[d.Set]
			part := p.Sets[j].ForceN.Value / (d.WeightN.Value * d.Adhesion.Value)
			if !ok || !(part > 0.005 && part < 0.95) {
				return false
			}
			d.Creep = motor.Input{Value: slip.Value / math.Atanh(part), U: slip.U / math.Atanh(part), Key: "creep of " + ask.Locomotive.ID + " " + d.Set}
		}
	}
	for j := range c.Sets {
		k := slices.IndexFunc(then.Sets, func(d motor.Drive) bool { return d.Set == c.Sets[j].Set })
		if k < 0 {
			return false
		}
		c.Sets[j].Creep = then.Sets[k].Creep
	}
	return true
}

// tells is what the trial named in a question tells of the resistance.
func (s Stock) tells(ask wire.PredictAsk, ran []Measured, n *notes) (*motor.Trial, error) {
	i := slices.IndexFunc(ran, func(m Measured) bool { return m.Trial.ID == ask.Trial })
	if i < 0 {
		return nil, fmt.Errorf("trial %s tells nothing of the resistance: it is not of this session", ask.Trial)
	}
	m := ran[i]
	if why := m.notSteady(); why != "" {
		return nil, fmt.Errorf("trial %s tells nothing of the resistance: %s", ask.Trial, why)
	}
	volt, ohm := ask.SupplyMv, ask.SupplyOhm
	if !math.IsNaN(m.VoltV) {
		volt = 1000 * m.VoltV
	}
	var fresh []wire.NamedMotor // what the question says of a motor that was run goes behind what the roster says
	for _, x := range ask.Motors {
		if s.Motors[x.ID].Curve == nil {
			fresh = append(fresh, x)
		}
	}
	c, err := s.With(fresh).config(train{m.Locomotive, m.Consist, volt, ohm}, n)
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", ask.Trial, err)
	}
	if !math.IsNaN(m.VoltV) {
		c.InnerOhm = motor.Fixed(0) // it was read at the board, under that load
	}
	t := &motor.Trial{Config: c, Duty: m.Duty, SpeedMS: speedOf(m), AmpsA: m.AmpsA}
	a := t.Told(motor.Options{Draws: fewerDraws, Seed: seed})
	n.assumed = slices.DeleteFunc(n.assumed, func(x wire.Assumption) bool {
		return x.Name == "a_m_s2" || x.Name == "a_m_s2 of locomotive "+ask.Locomotive.ID
	})
	how := "from the motors' currents"
	if m.AmpsA == nil {
		how = "from what the motors give at that speed"
	}
	n.assumed = append(n.assumed, wire.Assumption{Name: "a_m_s2 from trial " + ask.Trial, Value: a.Value, U: a.U, Text: "running resistance per mass, " + how + "; locomotive and cars are taken to run alike"})
	n.doubt("trial %s told of the resistance: it is no test of the prediction", ask.Trial)
	if m.Regulated {
		n.doubt("in trial %s the motors held their speed by themselves: their curve does not tell what they do", ask.Trial)
	}
	return t, nil
}

// notSteady is why a trial can be held against no prediction, nothing where it can.
func (m Measured) notSteady() string {
	switch {
	case m.Not != "":
		return m.Not
	case m.Changed:
		return "its throttle changed"
	case math.IsNaN(m.Duty):
		return "its throttle is not known (a reading's duty_permille, or its condition throttle_permille)"
	}
	return ""
}

// speedOf is a trial's mean speed with its uncertainty.
func speedOf(m Measured) motor.Input {
	x := motor.Input{Value: *m.SpeedMmS.Value / 1000, Key: "speed of " + m.Trial.ID}
	switch {
	case m.SpeedMmS.U != nil:
		x.U = *m.SpeedMmS.U / 1000
	case m.SpeedMmS.Lo != nil && m.SpeedMmS.Hi != nil:
		x.U = (*m.SpeedMmS.Hi - *m.SpeedMmS.Lo) / 1000 / 3.92
	default:
		x.U = 0.02 * x.Value
	}
	return x
}

// told is a prediction in the words of the wire.
func told(p motor.Prediction, ask wire.PredictAsk, s Stock, c motor.Config, n *notes) wire.Prediction {
	out := wire.Prediction{
		Circuit: s.Circuit.ID, Locomotive: ask.Locomotive.ID, DutyPermille: ask.DutyPermille, SupplyMv: ask.SupplyMv,
		SpeedMmS: estimate(p.SpeedMS, 1000), LapTimeS: estimate(p.LapS, 1), PullMn: estimate(p.PullN, 1000), Limit: limit(p.Adhesion),
		At: []wire.PredictedAt{}, Sets: []wire.PredictedSet{},
	}
	if ask.Consist != nil {
		out.Consist = ask.Consist.ID
	}
	for i, x := range p.Sets {
		out.Sets = append(out.Sets, wire.PredictedSet{
			Set: c.Sets[i].Set, Motor: c.Sets[i].Motor.ID, CurrentMa: estimate(x.AmpsA, 1000), EffortMn: estimate(x.ForceN, 1000),
			Slip: estimate(x.Slip, 1), Limit: limit(x.Adhesion), StallMn: estimate(x.StallN, 1000),
		})
	}
	for _, x := range p.At {
		at := wire.PredictedAt{
			DutyPermille: int64(math.Round(1000 * x.Duty)), SpeedMmS: num(1000 * x.SpeedMS.Value), SpeedLoMmS: num(1000 * x.SpeedMS.Lo), SpeedHiMmS: num(1000 * x.SpeedMS.Hi),
			LapTimeS: num(x.LapS), PullMn: num(1000 * x.PullN), Limit: limit(x.Adhesion), Desync: num(x.Desync.Value), DesyncLo: num(x.Desync.Lo), DesyncHi: num(x.Desync.Hi),
		}
		out.At = append(out.At, at)
	}
	if p.SpeedMS.Value == 0 {
		n.doubt("at %d permille the train does not move", ask.DutyPermille)
	}
	return out
}

func limit(adhesion bool) string {
	if adhesion {
		return wire.LimitAdhesion
	}
	return wire.LimitMotor
}

// beside puts the trials of the same locomotive beside what is predicted for each, at
// its own throttle, behind its own load. A locomotive that differs from that of the
// question is not the same.
func (s Stock) beside(out *wire.Prediction, ask wire.PredictAsk, ran []Measured, n *notes) {
	for _, m := range ran {
		if m.Locomotive.ID != ask.Locomotive.ID || m.Not != "" {
			continue
		}
		if why := m.notSteady(); why != "" {
			n.doubt("trial %s is not held against the prediction: %s", m.Trial.ID, why)
			continue
		}
		own := ask
		own.Locomotive, own.Consist, own.Variant = m.Locomotive, m.Consist, nil
		c, _, err := s.asked(own, ran)
		if err != nil {
			n.doubt("trial %s is not held against the prediction: %v", m.Trial.ID, err)
			continue
		}
		if !math.IsNaN(m.VoltV) {
			c.VoltV, c.InnerOhm = motor.Fixed(m.VoltV), motor.Fixed(0)
		}
		c.Scatter = 0 // a mean over laps
		p, err := motor.Predict(c, motor.Options{Duty: m.Duty, Draws: fewerDraws, Seed: seed})
		if err != nil {
			n.doubt("trial %s is not held against the prediction: %v", m.Trial.ID, err)
			continue
		}
		out.Measured = append(out.Measured, wire.PredictedBeside{Trial: m.Trial.ID, DutyPermille: int64(math.Round(1000 * m.Duty)), SpeedMmS: m.SpeedMmS, Predicted: estimate(p.SpeedMS, 1000)})
	}
}

// OpenMv is the supply's voltage without load as the trial's readings tell: at the
// board, with what its inner resistance took (ohm, 0: as it is assumed) put back; 0 when
// no meter told.
func (m Measured) OpenMv(ohm float64) float64 {
	if math.IsNaN(m.VoltV) || math.IsNaN(m.Duty) {
		return 0
	}
	if ohm == 0 {
		ohm = supplyOhm
	}
	drawn := 0.0
	for _, a := range m.AmpsA {
		drawn += m.Duty * a.Value
	}
	return math.Round(1000 * (m.VoltV + ohm*drawn))
}
