package sim

import (
	"math"
	"math/rand/v2"
	"slices"

	"rainhill/pkg/dynamics"
	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
)

// A driver keeps trains apart: from easeMm behind the next one he closes the
// throttle, and at closeMm he holds the train with the hand.
const (
	easeMm, closeMm = 900.0, 150.0
	handMS2         = 2.0  // the hand's braking
	stopMS2         = 0.8  // how a train comes to a stand that has lost its power
	leastDuty       = 1e-3 // short-circuits the motor, which brakes
	liesS           = 5.0  // how long a derailed train lies before it is taken off
)

// what a train is about.
type phase int

const (
	running  phase = iota
	stopping       // before a stall, or before it runs back
	standing
	backing
	turning // stops after having run back
	lying   // derailed, not yet taken off
	off
)

// body is one train under way.
type body struct {
	Train
	rng      *rand.Rand
	dyn      dynamics.Train
	sim      *dynamics.Sim
	st       dynamics.State
	lengthMm float64
	axlesMm  []float64
	tipMS    func(frontM float64) float64

	load, duty float64
	phase      phase
	due        []float64 // when each happening is due, s; +Inf when over
	now        *Happening
	incident   int // its place in the list
	untilS     float64
	backToM    float64
	setFront   float64 // where to set it on, m along the lap

	counted  truth.Trial
	lapS     float64 // start of the lap under way in the run, NaN when none
	backs    int     // times it has run back over the timing gate and not come again
	lapStall bool
	carriedM float64
	brakeJ   float64 // taken by a sudden stop

	samples [dynamics.MaxSets][]wire.Sample
	marks   [][]mark  // by gate: what it sees of the train
	inside  []passage // by gate
}

func newBody(t Train, track *dynamics.Track, rng *rand.Rand) *body {
	b := &body{Train: t, rng: rng, load: 1, lengthMm: t.Loco.LengthMm, axlesMm: slices.Clone(t.Loco.AxlesMm), lapS: math.NaN()}
	mass := t.Loco.MassG
	for _, c := range t.cars() {
		for i := range c.Axles {
			b.axlesMm = append(b.axlesMm, b.lengthMm+axleOf(c, i))
		}
		b.lengthMm += c.LengthMm
		mass += c.MassG
	}
	d := dynamics.Train{MassKg: mass / 1000, LengthM: b.lengthMm / 1000, A: t.Resistance.A, B: t.Resistance.B, C: t.Resistance.C, CurveM2S2: t.Resistance.Curve,
		Battery: dynamics.Battery{ResistanceOhm: t.Battery.ResistanceOhm, CapacityAh: t.Battery.CapacityMah / 1000}}
	for _, p := range t.Battery.Curve {
		d.Battery.Curve = append(d.Battery.Curve, dynamics.Charge{SoC: p[0], Volt: p[1]})
	}
	for _, s := range t.Loco.Sets {
		d.Sets = append(d.Sets, dynamics.DriverSet{
			Motor: dynamics.Motor{ResistanceOhm: s.ResistanceOhm, KNmA: s.KMnmA / 1000, NoLoadA: s.NoLoadMa / 1000, RotorKgM2: s.RotorGCm2 * 1e-7},
			Gear:  s.GearRatio, Efficiency: s.Efficiency, WheelDiameterM: s.WheelDiameterMm / 1000,
			WeightN: s.WeightG / 1000 * dynamics.Gravity, MuMax: s.MuMax, Creep: s.Creep,
		})
	}
	b.dyn, b.sim, b.st = d, dynamics.NewSim(d, track), dynamics.State{FrontM: t.StartMm / 1000, SoC: 1}
	b.tipMS = func(frontM float64) float64 {
		curve := track.At(frontM - t.Loco.LengthMm/2000)
		if curve == 0 {
			return math.Inf(1)
		}
		return dynamics.OverturningMmS(1000/curve, t.Loco.GaugeMm, t.Loco.HeightMm, 0) / 1000
	}
	b.counted = truth.Trial{Trial: t.Trial, Train: t.Loco.ID, Passages: []truth.Passage{}, Laps: []truth.Lap{}}
	for i := range t.Happens {
		b.due = append(b.due, t.Happens[i].AtS+t.Happens[i].WithinS*rng.Float64())
	}
	return b
}

// axleOf is where axle i of a car stands behind its front, in mm: four axles in
// two pairs 32 mm apart, any other number evenly.
func axleOf(c Car, i int) float64 {
	if c.Axles == 4 {
		return c.LengthMm*(0.18+0.64*float64(i/2)) - 16 + 32*float64(i%2)
	}
	if c.Axles == 1 {
		return c.LengthMm / 2
	}
	return c.LengthMm * (0.15 + 0.7*float64(i)/float64(c.Axles-1))
}

// onTrack is whether others can run into it.
func (b *body) onTrack() bool { return b.phase != off }

func (b *body) frontMm() float64 { return b.st.FrontM * 1000 }

// throttle is the programme's duty at a second.
func (b *body) throttle(atS float64) float64 {
	duty := 0.0
	for _, p := range b.Throttle {
		if p[0] <= atS {
			duty = p[1] / 1000
		}
	}
	return duty
}

// drive works out what acts on the train in the next dt seconds. gapMm is the
// free track before its front.
func (b *body) drive(atS, dt, gapMm float64) dynamics.Input {
	if b.LoadSD > 0 {
		b.load += (1-b.load)*dt/b.LoadS + b.LoadSD*math.Sqrt(2*dt/b.LoadS)*b.rng.NormFloat64()
	}
	in := dynamics.Input{Load: max(0.2, b.load)}
	want := b.throttle(atS)
	switch b.phase {
	case stopping, turning:
		in.DragMS2, want, b.duty = stopMS2, 0, 0
	case standing:
		in.DragMS2, want, b.duty = handMS2, 0, 0
	case backing:
		want = -0.7 * max(want, 0.3)
	case running:
		if ease := (gapMm - closeMm) / (easeMm - closeMm); ease < 1 {
			want = max(want*ease, leastDuty)
		}
		if gapMm < closeMm/2 {
			in.DragMS2 = handMS2
		}
	}
	step := dt / b.RampS
	b.duty += min(max(want-b.duty, -3*step), step)
	for i := range b.Loco.Sets {
		in.Duty[i] = b.duty
	}
	return in
}

// stop takes all motion at once, as a derailment or a hand does.
func (b *body) stop() {
	e := b.dyn.Kinetic(b.st)
	b.brakeJ += e
	b.st.SpeedMS, b.duty = 0, 0
	b.st.WheelMS = [dynamics.MaxSets]float64{}
}

// spin turns the wheels of a train that has left the rails and whose throttle is
// still open, at their speed without load. It is not in the energy.
func (b *body) spin(atS, dt float64) {
	if b.phase != lying {
		return
	}
	for i, d := range b.dyn.Sets {
		volt := b.throttle(atS) * b.dyn.Battery.OpenV(b.st.SoC)
		if w := d.NoLoadRadS(volt); w > 0 {
			b.st.WheelM[i] += w / d.Gear * d.WheelDiameterM / 2 * dt
		}
	}
}

// lapDone books a passage of the timing gate, so many seconds into the run that
// began at startUs.
func (b *body) lapDone(startUs int64, atS float64, reverse bool) {
	switch {
	case reverse:
		b.backs++
		return
	case b.backs > 0:
		b.backs--
		return
	case !math.IsNaN(b.lapS):
		b.counted.Laps = append(b.counted.Laps, truth.Lap{
			Lap: len(b.counted.Laps) + 1, StartUs: float64(startUs) + b.lapS*1e6, LapTimeS: atS - b.lapS, Incident: b.lapStall,
		})
	}
	b.lapS, b.lapStall = atS, false
}

// energy is where it all went.
func (b *body) energy() truth.Energy {
	e := b.st.Energy
	return truth.Energy{Trial: b.Trial, Battery: e.Battery, Heat: e.Heat, Motor: e.Motor, Gear: e.Gear, Slip: e.Slip,
		Resistance: e.Resistance, Brake: e.Brake + b.brakeJ, Kinetic: b.dyn.Kinetic(b.st)}
}

// read takes a reading of every set, stamped by the train's agent.
func (b *body) read(stampUs int64, in dynamics.Input) {
	meter := b.sim.Electric(b.st, in)
	whole := func(v, sd float64) *int64 {
		n := int64(math.Round(v + sd*b.rng.NormFloat64()))
		return &n
	}
	for i, d := range b.Loco.Sets {
		counts := int64(math.Floor(b.st.WheelM[i] * dynamics.CountsPerM(d.CountsPerRev, d.GearRatio, d.WheelDiameterMm/1000)))
		b.samples[i] = append(b.samples[i], wire.Sample{AtUs: stampUs, Counts: &counts,
			CurrentMa: whole(1000*meter.MotorA[i], 5), VoltageMv: whole(1000*meter.BatteryV, 8), DutyPermille: whole(1000*in.Duty[i], 0)})
	}
}
