// Package dynamics answers "how does this train move with this throttle on this
// track?": brushed DC motors on one battery, gears, tyres that creep and slip,
// running and curve resistance. It holds no gates, clocks, faults or randomness,
// no grades, no couplings (a train is one body) and no winding inductance.
// Everything inside is in SI units: m, m/s, kg, N, V, A, s.
package dynamics

import "math"

// MaxSets is how many driver sets a train may have.
const MaxSets = 4

// Gravity is standard gravity in m/s2 (3rd CGPM, 1901).
const Gravity = 9.80665

// Motor is a brushed DC motor: U = I R + K w and torque = K I - T0, where T0 =
// K x NoLoadA is its own friction and iron loss.
type Motor struct {
	ResistanceOhm float64 // of the winding, both terminals
	KNmA          float64 // torque constant in N m/A, which is volts per rad/s
	NoLoadA       float64
	RotorKgM2     float64 // inertia of the rotor with what turns at its speed
}

// StallA is the current U/R of a standing motor.
func (m Motor) StallA(volt float64) float64 { return volt / m.ResistanceOhm }

// StallNm is the torque K U/R of a standing motor.
func (m Motor) StallNm(volt float64) float64 { return m.KNmA * m.StallA(volt) }

// NoLoadRadS is the speed (U - I0 R)/K at which a free motor settles.
func (m Motor) NoLoadRadS(volt float64) float64 {
	return (volt - m.NoLoadA*m.ResistanceOhm) / m.KNmA
}

// GradientRadSNm is how much speed falls per torque, R/K2.
func (m Motor) GradientRadSNm() float64 { return m.ResistanceOhm / (m.KNmA * m.KNmA) }

// MaxPowerW is the ideal line's largest mechanical power, at half speed:
// (U/K) (K U/R)/4.
func (m Motor) MaxPowerW(volt float64) float64 { return volt / m.KNmA * m.StallNm(volt) / 4 }

// MaxEfficiency is (1 - sqrt(I0/Is))2.
func (m Motor) MaxEfficiency(volt float64) float64 {
	e := 1 - math.Sqrt(m.NoLoadA/m.StallA(volt))
	return e * e
}

// DriverSet is a group of driven axles turned by one motor. Gear is motor turns
// per wheel turn; Efficiency that of the gears, both ways.
//
// The tyres give F = MuMax x WeightN x tanh(creep/Creep), signed, with creep =
// (wheel surface speed - v)/(|v| + 10 mm/s). The 10 mm/s keep it defined for a
// standing train. MuMax 0 is a set on stands, whose wheels touch nothing. The shape is a common simplification without a source: linear
// while creep is small, then saturating.
type DriverSet struct {
	Motor
	Gear, Efficiency float64
	WheelDiameterM   float64
	WeightN          float64 // on these wheels
	MuMax, Creep     float64
	Governor         Governor
}

// Train is one body with up to MaxSets driver sets. Its resistance is a force
// MassKg (A + B v + C v2 + curve) against its motion. Curve is CurveM2S2/radius,
// averaged over the train's length: a train half on a curve has half.
type Train struct {
	MassKg, LengthM float64
	Sets            []DriverSet
	A, B, C         float64 // m/s2, 1/s, 1/m
	CurveM2S2       float64
	Battery         Battery
}

// Battery is an open-circuit voltage over the state of charge, behind an inner
// resistance; all sets of a train share it.
type Battery struct {
	ResistanceOhm, CapacityAh float64
	Curve                     []Charge // by rising SoC, linear between, level outside
}

// Charge is a point of a battery's curve: SoC 1 is full, 0 is empty.
type Charge struct{ SoC, Volt float64 }

// OpenV is the open-circuit voltage.
func (b Battery) OpenV(soc float64) float64 {
	c := b.Curve
	if len(c) == 0 {
		return math.NaN()
	}
	if soc <= c[0].SoC {
		return c[0].Volt
	}
	for i := 1; i < len(c); i++ {
		if soc <= c[i].SoC {
			p := (soc - c[i-1].SoC) / (c[i].SoC - c[i-1].SoC)
			return c[i-1].Volt + p*(c[i].Volt-c[i-1].Volt)
		}
	}
	return c[len(c)-1].Volt
}

// Input is what acts on a train during a step.
type Input struct {
	// Duty is each set's throttle, -1 to 1, the part of time that the bridge is
	// on; the winding sees the mean voltage. 0 opens the bridge: no current, the
	// train coasts. A train faster than its throttle gives current back. To a set
	// with a governor it is the set point: see Governor.
	Duty [MaxSets]float64
	// Load multiplies A, for what changes on the way (0 is taken as 1).
	Load float64
	// DragMS2 brakes like dry friction, per mass: a hand, a buffer, a stuck axle.
	DragMS2 float64
}

// State is a train at one instant. FrontM counts on along the lap and is never
// wrapped; WheelM is how far each set's surface has turned.
type State struct {
	FrontM, SpeedMS float64
	WheelMS, WheelM [MaxSets]float64
	SoC             float64
	Energy          Energy
	govern          [MaxSets]float64 // the integrals of governors
	amps            float64          // from the battery
	next            float64          // the length of step to try next, s; 0 any
}

// Energy is where energy went since the start, in joules: Battery (open-circuit
// voltage x current) is the sum of the others and the change of Kinetic.
type Energy struct {
	Battery, Heat, Motor, Gear, Slip, Resistance, Brake float64
}

// Kinetic is the energy in the moving train and its turning motors, in joules.
func (t Train) Kinetic(s State) float64 {
	e := t.MassKg * s.SpeedMS * s.SpeedMS / 2
	for i, d := range t.Sets {
		e += d.rimKg() * s.WheelMS[i] * s.WheelMS[i] / 2
	}
	return e
}

// rimKg is the rotor's inertia as a mass at the wheel rim, J (Gear/r)2.
func (d DriverSet) rimKg() float64 {
	g := d.turn()
	return d.RotorKgM2 * g * g
}

// turn is motor rad/s per m/s of wheel surface.
func (d DriverSet) turn() float64 { return 2 * d.Gear / d.WheelDiameterM }

// Electric is what a meter would show at an instant.
type Electric struct {
	BatteryV, BatteryA float64 // at the terminals
	MotorA             [MaxSets]float64
	Duty               [MaxSets]float64 // at the bridge, by a governor or as commanded
}
