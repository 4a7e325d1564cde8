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
	waiting // for its window to begin
	gone    // its window is over
)

// body is one train under way.
type body struct {
	Train
	rng      *rand.Rand
	track    *dynamics.Track
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

	lapWheel  [dynamics.MaxSets]float64 // as wheels stood when the lap under way began, m
	last      float64                   // throttle at the reading before
	voltSum   float64                   // see watch
	voltN     int
	disturbed bool

	orders          [dynamics.MaxSets][]order // by set; see Command
	obeys           [dynamics.MaxSets]bool
	loaded, dragged float64 // see Bench.Load

	boots   int // of the agent when its counters were last looked at
	zero    [dynamics.MaxSets]int64
	samples [dynamics.MaxSets][]wire.Sample
	marks   [][]mark  // by gate: what it sees of the train
	inside  []passage // by gate
}

// newBody begins a train. own is the chance of its locomotive, the same in all its
// trials.
func newBody(t Train, track *dynamics.Track, rng, own *rand.Rand) *body {
	b := &body{Train: t, track: track, rng: rng, load: 1, loaded: 1, lengthMm: t.Loco.LengthMm, axlesMm: slices.Clone(t.Loco.AxlesMm), lapS: math.NaN()}
	mass := t.Loco.MassG
	for _, c := range t.cars() {
		for i := range c.Axles {
			b.axlesMm = append(b.axlesMm, b.lengthMm+axleOf(c, i))
		}
		b.lengthMm += c.LengthMm
		mass += c.MassG
	}
	way := t.Resistance.resistance(own)
	d := dynamics.Train{MassKg: mass / 1000, LengthM: b.lengthMm / 1000, A: way.A, B: way.B, C: way.C, CurveM2S2: way.Curve,
		Battery: dynamics.Battery{ResistanceOhm: t.Battery.ResistanceOhm, CapacityAh: t.Battery.CapacityMah / 1000}}
	for _, p := range t.Battery.Curve {
		d.Battery.Curve = append(d.Battery.Curve, dynamics.Charge{SoC: p[0], Volt: p[1]})
	}
	for i := range t.Loco.Sets {
		d.Sets = append(d.Sets, t.Loco.Sets[i].driverSet(own, t.WheelsFree))
	}
	if t.FromS > 0 {
		b.phase = waiting
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
		b.due = append(b.due, t.FromS+t.Happens[i].AtS+t.Happens[i].WithinS*rng.Float64())
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
func (b *body) onTrack() bool { return b.phase < off && !b.WheelsFree }

func (b *body) frontMm() float64 { return b.st.FrontM * 1000 }

// throttle is the programme's duty at a second.
func (b *body) throttle(atS float64) float64 {
	duty := 0.0
	for _, p := range b.Throttle {
		if b.FromS+p[0] <= atS {
			duty = p[1] / 1000
		}
	}
	return duty
}

// drive works out what acts on the train in the next dt seconds. gapMm is the
// free track before its front, behindMm behind its rear.
func (b *body) drive(atS, dt, gapMm, behindMm float64) dynamics.Input {
	if b.LoadSD > 0 {
		b.load += (1-b.load)*dt/b.LoadS + b.LoadSD*math.Sqrt(2*dt/b.LoadS)*b.rng.NormFloat64()
	}
	in := dynamics.Input{Load: max(0.2, b.load) * b.loaded, DragMS2: b.dragged}
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
			b.disturbed = true
		}
		if gapMm < closeMm/2 {
			in.DragMS2 = handMS2
		}
	}
	step := dt / b.RampS
	b.duty += min(max(want-b.duty, -3*step), step)
	for i, d := range b.Loco.Sets {
		in.Duty[i] = min(max(b.duty*d.ThrottleFactor, -1), 1)
	}
	b.obey(&in.Duty, atS, gapMm, behindMm)
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
		duty := b.throttle(atS)
		if commanded, ok := b.commanded(i, atS); ok {
			duty = commanded
		}
		w := d.NoLoadRadS(duty * b.dyn.Battery.OpenV(b.st.SoC))
		if d.Regulated() {
			w = min(d.SetPointRadS(duty), d.NoLoadRadS(b.dyn.Battery.OpenV(b.st.SoC)))
		}
		if w > 0 {
			b.st.WheelM[i] += w / d.Gear * d.WheelDiameterM / 2 * dt
		}
	}
}

// lapDone books a passage of the timing gate, so many seconds into the run that
// began at startUs, with the wheels having turned so far; lapM is the lap's length.
func (b *body) lapDone(startUs int64, atS, lapM float64, wheels [dynamics.MaxSets]float64, reverse bool) {
	switch {
	case reverse:
		b.backs++
		return
	case b.backs > 0:
		b.backs--
		return
	case !math.IsNaN(b.lapS):
		l := truth.Lap{
			Lap: len(b.counted.Laps) + 1, StartUs: float64(startUs) + b.lapS*1e6, LapTimeS: atS - b.lapS, Incident: b.lapStall,
			SpeedMmS: 1000 * lapM / (atS - b.lapS),
		}
		turned := wheels
		for i := range turned {
			turned[i] -= b.lapWheel[i]
		}
		l.Slip, l.Desync = b.lapSets(turned, lapM)
		b.counted.Laps = append(b.counted.Laps, l)
	}
	b.lapS, b.lapStall, b.lapWheel = atS, false, wheels
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
	b.watch(meter.BatteryV)
	whole := func(v, sd float64) *int64 {
		n := int64(math.Round(v + sd*b.rng.NormFloat64()))
		return &n
	}
	for i, d := range b.Loco.Sets {
		counts, duty := b.count(i), meter.Duty[i]
		if d.ReportsDuty == ReportsCommand {
			duty = in.Duty[i]
		}
		s := wire.Sample{AtUs: stampUs, Counts: &counts, CurrentMa: whole(1000*meter.MotorA[i], *b.CurrentSDMa),
			VoltageMv: whole(1000*meter.BatteryV, *b.VoltageSDMv), DutyPermille: whole(1000*duty, 0)}
		if d.ReportsDuty == ReportsNone {
			s.DutyPermille = nil
		}
		b.samples[i] = append(b.samples[i], s)
	}
}
