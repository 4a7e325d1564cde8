// Package prediction answers, in the words of the wire, "what would this train do, and
// what did that sweep say of its motors?": it joins setups, results and readings with
// the sums of pkg/motor, and says what was not stated and had to be taken. It holds no
// state, and no input or output.
package prediction

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/motor"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// Stock is what predictions draw on.
type Stock struct {
	Circuit wire.Circuit
	Motors  map[string]wire.NamedMotor
}

// With is the stock with some motors in place of its own.
func (s Stock) With(motors []wire.NamedMotor) Stock {
	all := map[string]wire.NamedMotor{}
	for id, m := range s.Motors {
		all[id] = m
	}
	for _, m := range motors {
		all[m.ID] = m
	}
	s.Motors = all
	return s
}

// notes gathers what had to be taken, and doubts, each once.
type notes struct {
	assumed []wire.Assumption
	doubts  []string
}

func (n *notes) doubt(format string, a ...any) {
	if text := fmt.Sprintf(format, a...); !slices.Contains(n.doubts, text) {
		n.doubts = append(n.doubts, text)
	}
}

// take is a figure that nobody stated.
func (n *notes) take(name string, value, u float64, text string) motor.Input {
	if !slices.ContainsFunc(n.assumed, func(a wire.Assumption) bool { return a.Name == name }) {
		n.assumed = append(n.assumed, wire.Assumption{Name: name, Value: value, U: u, Text: text})
	}
	return motor.Input{Value: value, U: u, Key: name}
}

// unsure is the standard uncertainty taken, as a part, of a figure that was stated
// without one.
func (n *notes) unsure(name string, value, part float64) float64 {
	return n.take(name, value, part*value, fmt.Sprintf("stated without its uncertainty, which is taken as %g %%: %s", 100*part, custom)).U
}

// custom marks a figure of the trade.
const custom = "common practice, no source"

// supplyOhm is the inner resistance of a supply of which nothing is stated.
const supplyOhm = 0.15

// train is a locomotive and what it draws, on a circuit and a supply.
type train struct {
	loco      wire.Locomotive
	consist   *wire.Consist
	supplyMv  float64
	supplyOhm float64
}

// driving is the sets that drive: a measuring wheel rolls along, and has no curve.
func driving(sets []wire.DriverSet) (out []wire.DriverSet) {
	for _, d := range sets {
		if d.ID != trial.MeasuringWheel || d.WeightG != 0 {
			out = append(out, d)
		}
	}
	return out
}

// config makes the sums' configuration of it.
func (s Stock) config(t train, n *notes) (motor.Config, error) {
	c := motor.Config{}
	t.loco.DriverSets = driving(t.loco.DriverSets)
	if t.loco.MassG == 0 {
		return c, fmt.Errorf("locomotive %s: its mass_g is not stated", t.loco.ID)
	}
	if len(t.loco.DriverSets) == 0 {
		return c, fmt.Errorf("locomotive %s has no driver sets", t.loco.ID)
	}
	for _, d := range t.loco.DriverSets {
		drive, err := s.drive(t.loco, d, n)
		if err != nil {
			return c, err
		}
		c.Sets = append(c.Sets, drive)
	}
	lengthMm, err := s.track(&c, n)
	if err != nil {
		return c, err
	}
	arcs := slices.ContainsFunc(s.Circuit.Pieces, func(p wire.Piece) bool { return p.RadiusMm > 0 })
	c.Bodies = append(c.Bodies, body("locomotive "+t.loco.ID, t.loco.MassG, t.loco.Resistance, arcs, n))
	trainMm := t.loco.LengthMm
	if t.consist != nil {
		var mass float64
		for _, car := range t.consist.Cars {
			mass += car.MassG
			trainMm += car.LengthMm
			if car.MassG == 0 {
				n.doubt("consist %s: a car has no mass_g stated, and is taken as weighing nothing", t.consist.ID)
			}
		}
		if mass > 0 {
			c.Bodies = append(c.Bodies, body("consist "+t.consist.ID, mass, t.consist.Resistance, arcs, n))
		}
	}
	c.Lap = motor.LapOf(piecesOf(s.Circuit, lengthMm), trainMm/1000)
	return c, supply(&c, t, n)
}

// track puts the lap's length in.
func (s Stock) track(c *motor.Config, n *notes) (lengthMm float64, err error) {
	lengthMm = s.Circuit.LapLengthMm
	for _, p := range piecesOf(s.Circuit, 0) {
		if s.Circuit.LapLengthMm == 0 {
			lengthMm += 1000 * p.LengthM
		}
	}
	if !(lengthMm > 0) {
		return 0, fmt.Errorf("circuit %q has neither pieces nor a lap_length_mm", s.Circuit.ID)
	}
	c.LapM = motor.Input{Value: lengthMm / 1000, U: s.Circuit.LapLengthUMm / 1000, Key: "lap length of " + s.Circuit.ID}
	if len(s.Circuit.Pieces) == 0 {
		n.doubt("circuit %s has no pieces: how much of the lap is curved is not known, and it is taken as straight", s.Circuit.ID)
	}
	return lengthMm, nil
}

// piecesOf is a circuit's pieces, brought to a measured lap length when it is not 0.
func piecesOf(c wire.Circuit, lengthMm float64) (out []motor.Piece) {
	var whole float64
	for _, p := range c.Pieces {
		x := motor.Piece{LengthM: p.StraightMm / 1000}
		if p.RadiusMm > 0 {
			x = motor.Piece{LengthM: p.RadiusMm * p.AngleDeg * math.Pi / 180 / 1000, Arc: true}
		}
		out, whole = append(out, x), whole+x.LengthM
	}
	for i := range out {
		if lengthMm > 0 {
			out[i].LengthM *= lengthMm / 1000 / whole
		}
	}
	return out
}

func supply(c *motor.Config, t train, n *notes) error {
	if !(t.supplyMv > 0) {
		return fmt.Errorf("the supply's voltage is not stated: what is it without load?")
	}
	c.VoltV = motor.Fixed(t.supplyMv / 1000)
	c.InnerOhm = motor.Fixed(t.supplyOhm)
	if t.supplyOhm == 0 {
		c.InnerOhm = n.take("supply_ohm", supplyOhm, 0.1, "inner resistance of the supply and its leads, not stated: "+custom)
	}
	return nil
}

// drive is one driver set.
func (s Stock) drive(l wire.Locomotive, d wire.DriverSet, n *notes) (motor.Drive, error) {
	out := motor.Drive{Set: d.ID, Gear: d.GearRatio}
	here := fmt.Sprintf("locomotive %s, driver set %s", l.ID, d.ID)
	m, err := s.motor(here, d.Motor, n)
	switch {
	case err != nil:
		return out, err
	case d.WheelDiameterMm == 0:
		return out, fmt.Errorf("%s: wheel_diameter_mm is not stated", here)
	case d.GearRatio == 0:
		return out, fmt.Errorf("%s: gear_ratio is not stated", here)
	}
	out.Motor = m
	own := l.ID + " " + d.ID
	out.WheelM = motor.Input{Value: d.WheelDiameterMm / 1000, U: d.WheelDiameterUMm / 1000, Key: fmt.Sprintf("wheel %s %g", own, d.WheelDiameterMm)}
	if d.WheelDiameterUMm == 0 {
		out.WheelM.U = 0.1 / 1000
		n.doubt("%s: the wheel's diameter is taken as known to 0.1 mm (%s)", here, custom)
	}
	out.Efficiency = motor.Input{Value: d.GearEfficiency, U: d.GearEfficiencyU, Key: fmt.Sprintf("efficiency %s %g", own, d.GearRatio), Most: 1}
	if d.GearEfficiency == 0 {
		x := n.take("gear_efficiency", 0.75, 0.12, "power at the wheels over power at the motor, not stated: "+custom)
		out.Efficiency = motor.Input{Value: x.Value, U: x.U, Key: out.Efficiency.Key, Shared: x.Key, Most: 1}
	} else if d.GearEfficiencyU == 0 {
		out.Efficiency.U = n.unsure("gear_efficiency of "+d.ID, d.GearEfficiency, 0.05)
	}
	out.WeightN = motor.Fixed(d.WeightG / 1000 * motor.Gravity)
	if d.WeightG == 0 {
		share := l.MassG / float64(len(l.DriverSets))
		n.take("weight_g of "+d.ID, share, 0.1*share, "weight on the driven wheels, not stated: an even share of the locomotive")
		out.WeightN = motor.Input{Value: share / 1000 * motor.Gravity, U: 0.1 * share / 1000 * motor.Gravity, Key: "weight " + own}
	}
	out.Adhesion = adhesion(d, own, n)
	return out, nil
}

// adhesion is stated, or taken by whether there are tyres.
func adhesion(d wire.DriverSet, own string, n *notes) motor.Input {
	if d.Adhesion > 0 {
		x := motor.Input{Value: d.Adhesion, U: d.AdhesionU, Key: "adhesion of " + own}
		if x.U == 0 {
			x.U = n.unsure("adhesion of "+d.ID, d.Adhesion, 0.2)
		}
		return x
	}
	x := motor.Input{}
	if d.Tyres {
		x = n.take("adhesion, with tyres", 0.40, 0.12, "greatest effort over the weight on tyred wheels, not stated: "+custom)
	} else {
		x = n.take("adhesion", 0.25, 0.08, "greatest effort over the weight on the driven wheels, not stated: "+custom)
	}
	return motor.Input{Value: x.Value, U: x.U, Key: "adhesion of " + own, Shared: x.Key}
}

// body is a locomotive or consist and its resistance.
func body(name string, massG float64, r *wire.Resistance, arcs bool, n *notes) motor.Body {
	b := motor.Body{MassKg: motor.Fixed(massG / 1000)}
	if r == nil {
		b.A = own(n.take("a_m_s2", 0.06, 0.03, "running resistance per mass, not stated: "+custom), name)
		b.B = own(n.take("b_per_s", 0.03, 0.03, "more of it with speed, not stated: "+custom), name)
		b.C = own(n.take("c_per_m", 0.02, 0.02, "more of it with the square of the speed, not stated: "+custom), name)
		if arcs {
			b.Arc = own(n.take("curve_m_s2", 0.02, 0.02, "more of it on arcs, not stated: "+custom), name)
		}
		return b
	}
	stated := func(what string, v, u float64) motor.Input {
		if u == 0 && v > 0 {
			u = n.unsure(what+" of "+name, v, 0.2)
		}
		return motor.Input{Value: v, U: u, Key: what + " of " + name}
	}
	b.A, b.B, b.C = stated("a_m_s2", r.AMS2, r.AUMS2), stated("b_per_s", r.BPerS, r.BUPerS), stated("c_per_m", r.CPerM, r.CUPerM)
	if arcs {
		b.Arc = stated("curve_m_s2", r.CurveMS2, r.CurveUMS2)
		if r.CurveMS2 == 0 && r.CurveUMS2 == 0 {
			n.doubt("%s: its resistance says nothing of curves, which the circuit has: they are taken to cost nothing", name)
		}
	}
	b.Covariance = together(*r)
	return b
}

// together is the covariance of terms that were measured together; nil where none is
// stated, or the uncertainties beside it are others: a term was changed by hand since.
func together(r wire.Resistance) *[4][4]float64 {
	if len(r.Covariance) != 4 {
		return nil
	}
	var out [4][4]float64
	for i, u := range []float64{r.AUMS2, r.BUPerS, r.CUPerM, r.CurveUMS2} {
		if math.Abs(r.Covariance[i][i]-u*u) > 0.02*u*u {
			return nil
		}
		copy(out[i][:], r.Covariance[i])
	}
	return &out
}

// own makes half of what was taken the thing's own, the rest common to all.
func own(x motor.Input, name string) motor.Input {
	x.Key, x.Shared = x.Key+" of "+name, x.Key
	return x
}
