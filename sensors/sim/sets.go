package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"rainhill/pkg/dynamics"
	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
)

// What telemetry says of a regulated motor's throttle.
const (
	ReportsBridge  = "bridge"  // the part of time that the bridge is on
	ReportsCommand = "command" // the set point
	ReportsNone    = "none"    // nothing
)

// Telemetry is how a train's board is read: Hz times a second (50 divided by a
// whole number; 10 when not said), Readings of each motor to a message (10), each
// on its way to the agent for DelayUs more. The noise of current and voltage is 5
// mA and 8 mV when not said.
type Telemetry struct {
	Hz          float64  `toml:"telemetry_hz"`
	Readings    int      `toml:"readings_a_message"`
	CurrentSDMa *float64 `toml:"current_sd_ma"`
	VoltageSDMv *float64 `toml:"voltage_sd_mv"`
	DelayUs     float64  `toml:"telemetry_delay_us"`
}

func (t *Telemetry) fill() {
	set(&t.Hz, 10)
	set(&t.Readings, 10)
	if t.CurrentSDMa == nil {
		t.CurrentSDMa = new(5.0)
	}
	if t.VoltageSDMv == nil {
		t.VoltageSDMv = new(8.0)
	}
}

// everySteps is how many steps of the railway lie between readings.
func (t *Telemetry) everySteps() int64 {
	return max(1, int64(math.Round(1/(stepS*t.Hz))))
}

func (t *Telemetry) check() error {
	if steps := 1 / (stepS * t.Hz); !(t.Hz > 0) || math.Abs(steps-math.Round(steps)) > 1e-3*steps || steps < 1-1e-9 {
		return fmt.Errorf("telemetry_hz = %g, want 50 divided by a whole number", t.Hz)
	}
	if t.Readings < 1 || t.Readings > 500 {
		return fmt.Errorf("readings_a_message = %d, want 1 to 500", t.Readings)
	}
	for _, f := range []figure{{"current_sd_ma", *t.CurrentSDMa}, {"voltage_sd_mv", *t.VoltageSDMv}, {"telemetry_delay_us", t.DelayUs}} {
		if !(f.v >= 0 && f.v <= mostSize) {
			return fmt.Errorf("%s = %g, want 0 or more", f.name, f.v)
		}
	}
	return nil
}

// take has a train of the same locomotive say what this one leaves out.
func (t *Train) take(from Train) {
	if t.Loco.ID == "" && len(t.Loco.Sets) == 0 {
		t.Loco = from.Loco
		t.Loco.Sets = slices.Clone(from.Loco.Sets)
		t.Loco.AxlesMm = slices.Clone(from.Loco.AxlesMm)
	}
	set(&t.Agent, from.Agent)
	set(&t.Tag, from.Tag)
	set(&t.RampS, from.RampS)
	set(&t.LoadSD, from.LoadSD)
	set(&t.LoadS, from.LoadS)
	set(&t.Resistance, from.Resistance)
	set(&t.Telemetry, from.Telemetry)
	if len(t.Battery.Curve) == 0 {
		t.Battery = from.Battery
	}
	if t.Consist.ID == "" && len(t.Consist.Cars) == 0 {
		t.Consist.ID, t.Consist.Name = "light", "No cars"
	}
}

// checkWindows says what is wrong with when trains run: a locomotive is in one
// place at a time.
func (s *Scenario) checkWindows() error {
	for i, t := range s.Trains {
		if t.FromS < 0 || t.ToS != 0 && t.ToS <= t.FromS || t.FromS >= s.Minutes*60 {
			return fmt.Errorf("train %s: from_s = %g and to_s = %g are no window of a run of %g minutes", t.Trial, t.FromS, t.ToS, s.Minutes)
		}
		for _, o := range s.Trains[:i] {
			if o.Loco.ID == t.Loco.ID && t.FromS < o.untilS() && o.FromS < t.untilS() {
				return fmt.Errorf("trains %s and %s: locomotive %s runs in both at once", o.Trial, t.Trial, t.Loco.ID)
			}
			if o.Consist.ID == t.Consist.ID && !slices.Equal(o.Consist.Cars, t.Consist.Cars) {
				return fmt.Errorf("trains %s and %s: consist %s has not the same cars in both", o.Trial, t.Trial, t.Consist.ID)
			}
		}
	}
	return nil
}

// untilS is when the train's window ends.
func (t *Train) untilS() float64 {
	if t.ToS == 0 {
		return math.Inf(1)
	}
	return t.ToS
}

// checkSets says what is wrong with what is told of driver sets.
func (t *Train) checkSets() error {
	for _, d := range t.Loco.Sets {
		switch {
		case !slices.Contains([]string{ReportsBridge, ReportsCommand, ReportsNone}, d.ReportsDuty):
			return fmt.Errorf("reports_duty = %q, want bridge, command or none", d.ReportsDuty)
		case !slices.Contains([]int{0, 16, 32}, d.CounterBits):
			return fmt.Errorf("counter_bits = %d, want 16, 32 or 0 for one that never wraps", d.CounterBits)
		case math.Abs(d.WheelErrorMm)+6*d.WheelErrorSDMm >= d.WheelDiameterMm/2:
			return fmt.Errorf("wheel_error_mm = %g or wheel_error_sd_mm = %g is too much for a wheel of %g mm", d.WheelErrorMm, d.WheelErrorSDMm, d.WheelDiameterMm)
		}
		for _, f := range []figure{{"wheel_error_sd_mm", d.WheelErrorSDMm}, {"wheel_diameter_u_mm", d.WheelDiameterUMm}, {"efficiency_sd", d.EfficiencySD}, {"mu_sd", d.MuSD}} {
			if !(f.v >= 0 && f.v <= 100) {
				return fmt.Errorf("%s = %g, want 0 to 100", f.name, f.v)
			}
		}
	}
	if t.WheelsFree && len(t.Happens) > 0 {
		return fmt.Errorf("wheels_free: nothing happens to a train on stands")
	}
	if !(t.Resistance.SD >= 0 && t.Resistance.SD < 0.3) {
		return fmt.Errorf("resistance.sd = %g, want 0 to 0.3", t.Resistance.SD)
	}
	return t.Telemetry.check()
}

// driverSet is a set as it truly is. Every draw is made whether it is used or
// not, so that one figure more changes no other.
func (d *Set) driverSet(rng *rand.Rand, free bool) dynamics.DriverSet {
	drawn := func(sd float64) float64 { return sd * min(max(rng.NormFloat64(), -5), 5) }
	wheelMm := d.WheelDiameterMm + d.WheelErrorMm + drawn(d.WheelErrorSDMm)
	eff, mu := min(d.Efficiency+drawn(d.EfficiencySD), 1), d.MuMax+drawn(d.MuSD)
	x := dynamics.DriverSet{
		Motor: dynamics.Motor{ResistanceOhm: d.ResistanceOhm, KNmA: d.KMnmA / 1000, NoLoadA: d.NoLoadMa / 1000, RotorKgM2: d.RotorGCm2 * 1e-7},
		Gear:  d.GearRatio, Efficiency: eff, WheelDiameterM: wheelMm / 1000,
		WeightN: d.WeightG / 1000 * dynamics.Gravity, MuMax: mu, Creep: d.Creep,
	}
	if free {
		x.MuMax = 0
	}
	if d.Regulated {
		x.Governor = dynamics.Governor{NominalV: d.NominalMv / 1000, Gain: d.GovernorGain, IntegralS: d.GovernorS}
	}
	return x
}

// resistance is the terms as they truly are.
func (x Resistance) resistance(rng *rand.Rand) Resistance {
	for _, v := range []*float64{&x.A, &x.B, &x.C, &x.Curve} {
		*v *= 1 + x.SD*min(max(rng.NormFloat64(), -3), 3)
	}
	return x
}

// stated is the terms in the words of the setup; nothing when they are not
// stated. A curve's term is that of the mean of 1/radius over all curves.
func (s Scenario) stated(x Resistance) *wire.Resistance {
	if x.SD == 0 {
		return nil
	}
	var mm, turn float64
	for _, p := range s.Circuit.Pieces {
		if p.RadiusMm > 0 {
			n := float64(max(1, p.Times)) * p.AngleDeg * math.Pi / 180
			mm, turn = mm+n*p.RadiusMm, turn+n
		}
	}
	curve := 0.0
	if mm > 0 {
		curve = x.Curve * 1000 * turn / mm
	}
	return &wire.Resistance{AMS2: x.A, BPerS: x.B, CPerM: x.C, CurveMS2: curve,
		AUMS2: x.A * x.SD, BUPerS: x.B * x.SD, CUPerM: x.C * x.SD, CurveUMS2: curve * x.SD, Source: "coasting"}
}

// count is what a set's encoder counter shows when its wheel has turned so far.
func (b *body) count(i int) int64 {
	d := &b.Loco.Sets[i]
	n := b.turned(i) - b.zero[i]
	switch d.CounterBits {
	case 16:
		return int64(int16(n))
	case 32:
		return int64(int32(n))
	}
	return n
}

// turned is a counter that never wraps and is never reset.
func (b *body) turned(i int) int64 {
	d := &b.Loco.Sets[i]
	return int64(math.Floor(b.st.WheelM[i] * dynamics.CountsPerM(d.CountsPerRev, d.GearRatio, b.dyn.Sets[i].WheelDiameterM)))
}

// restarted has the counters that go with the agent begin again from 0, when it
// is up again, with the readings that it had not told lost.
func (b *body) restarted(a *agent, atS float64) {
	if b.boots == a.boots || atS < a.downUntil {
		return
	}
	if b.boots > 0 {
		for i, d := range b.Loco.Sets {
			if d.CounterResets {
				b.zero[i], b.samples[i] = b.turned(i), nil
			}
		}
	}
	b.boots = a.boots
}

// sets is what a train's sets truly are.
func (b *body) sets() (all []truth.Set) {
	for i, d := range b.dyn.Sets {
		s := &b.Loco.Sets[i]
		all = append(all, truth.Set{
			Set: s.ID, Motor: s.Motor, Regulated: d.Regulated(), ResistanceOhm: d.ResistanceOhm, KVS: d.KNmA, NoLoadMa: 1000 * d.NoLoadA,
			WheelDiameterMm: 1000 * d.WheelDiameterM, Efficiency: d.Efficiency, Adhesion: d.MuMax, DroopMmSPerN: 1000 * d.DroopMSN(),
		})
	}
	return all
}

// lapSets is the true slip of every set and the desync of every pair over a lap:
// how far each surface turned, in metres, against the length of the lap.
func (b *body) lapSets(turned [dynamics.MaxSets]float64, lapM float64) (slip []truth.SetSlip, desync []truth.PairDesync) {
	for i, s := range b.Loco.Sets {
		slip = append(slip, truth.SetSlip{Set: s.ID, Slip: turned[i]/lapM - 1})
		for k, o := range b.Loco.Sets[:i] {
			desync = append(desync, truth.PairDesync{A: o.ID, B: s.ID, Value: 2 * (turned[i] - turned[k]) / (turned[i] + turned[k])})
		}
	}
	return slip, desync
}

// sum puts together what a trial's laps were, those with an incident left out.
func (b *body) sum(t *truth.Trial, lapM float64) {
	var turned [dynamics.MaxSets]float64
	n, seconds := 0.0, 0.0
	for _, l := range t.Laps {
		if l.Incident {
			continue
		}
		n, seconds = n+1, seconds+l.LapTimeS
		for i, x := range l.Slip {
			turned[i] += (1 + x.Slip) * lapM
		}
	}
	if n > 0 {
		t.SpeedMmS = 1000 * n * lapM / seconds
		t.Slip, t.Desync = b.lapSets(turned, n*lapM)
	}
}

// wheels is how far each surface has turned so many seconds into the step that
// came from was.
func (b *body) wheels(was dynamics.State, p dynamics.Span, seconds float64) (m [dynamics.MaxSets]float64) {
	for i := range b.Loco.Sets {
		m[i] = dynamics.Span{Seconds: p.Seconds, FromM: was.WheelM[i], FromMS: was.WheelMS[i], ToM: b.st.WheelM[i], ToMS: b.st.WheelMS[i]}.Place(seconds)
	}
	return m
}

// watch sums up the supply while a train runs steadily at its only throttle.
func (b *body) watch(volt float64) {
	if b.phase == running && b.duty > 0 && b.duty == b.last {
		b.voltSum += volt
		b.voltN++
	}
	b.last = b.duty
}

// balance is the steady speed at the train's only throttle and the mean voltage
// it had; nothing when it had several, was disturbed or never ran steadily.
func (b *body) balance(lapM float64) *truth.Balance {
	most := 0.0
	for _, p := range b.Throttle {
		if p[1] > 0 && most > 0 && p[1] != most {
			return nil
		}
		most = max(most, p[1])
	}
	if b.disturbed || len(b.Happens) > 0 || b.WheelsFree || b.voltN == 0 {
		return nil
	}
	var duty [dynamics.MaxSets]float64
	for i, d := range b.Loco.Sets {
		duty[i] = min(d.ThrottleFactor*most/1000, 1)
	}
	curve, _ := b.track.Curve(0, lapM)
	volt := b.voltSum / float64(b.voltN)
	v, _ := b.dyn.Balance(duty, volt, curve)
	return &truth.Balance{DutyPermille: most, SupplyMv: 1000 * volt, SpeedMmS: 1000 * v}
}
