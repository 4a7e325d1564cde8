package trial_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/traction"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// A railway with two driver sets by the physics of pkg/dynamics, drawn at random,
// and what its wheels truly did: for slip, desync, wheels and regulation.

type rail struct {
	rng     *rand.Rand
	pieces  []wire.Piece
	gates   []wire.Gate
	laid    []circuit.Piece
	loco    wire.Locomotive // as stated
	truth   dynamics.Train  // of the locomotive alone
	supplyV float64
	wander  float64 // of the running resistance, as a part of it
	now     int64
	events  []wire.Event
	setup   wire.Setup
	ran     map[string]*ran
}

// ran is what a trial truly was: distances at each front at the timing gate, and
// the integrals by place.
type ran struct {
	frontM           []float64
	wheelM           [][2]float64
	curveM, lineM    float64
	curveWheel, line [2]float64
}

// spread draws from lo to hi.
func (r *rail) spread(lo, hi float64) float64 { return lo + (hi-lo)*r.rng.Float64() }

func newRail(seed uint64) *rail {
	r := &rail{rng: rand.New(rand.NewPCG(seed, 7)), now: t0, ran: map[string]*ran{}, wander: 0.05}
	r.supplyV = r.spread(7, 9)
	straight, radius := math.Round(r.spread(1000, 1800)), math.Round(r.spread(500, 800))
	for range 2 {
		r.pieces = append(r.pieces, wire.Piece{StraightMm: straight}, wire.Piece{RadiusMm: radius, AngleDeg: 180, Hand: "left"})
	}
	at := 0.0
	for i, p := range r.pieces {
		one := circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Left: true}
		r.laid = append(r.laid, one)
		r.gates = append(r.gates, wire.Gate{ID: fmt.Sprintf("g%d", i), PositionMm: at + 150, Timing: i == 0})
		at += one.LengthMm()
	}
	r.draw()
	r.setup = wire.Setup{Circuit: wire.Circuit{ID: "oval", Pieces: r.pieces}, Gates: r.gates, Locomotives: []wire.Locomotive{r.loco}}
	return r
}

// draw makes a locomotive and what is stated of it: all but its wheels, which are
// stated as a caliper has them.
func (r *rail) draw() {
	mass := r.spread(1.5, 3.5)
	k, ohm := r.spread(7, 9), r.spread(2.5, 4.5)
	counts := []float64{12, 48, 64, 400}[r.rng.IntN(4)]
	gear, idle := r.spread(11, 18), r.spread(0.03, 0.06)
	r.loco = wire.Locomotive{ID: "heron", MassG: 1000 * mass, LengthMm: 350}
	r.truth = dynamics.Train{
		MassKg: mass, LengthM: 0.35, A: r.spread(0.04, 0.12), B: 0.03, C: 0.02, CurveM2S2: r.spread(0.01, 0.04),
		Battery: dynamics.Battery{ResistanceOhm: r.spread(0.05, 0.3), CapacityAh: 2, Curve: []dynamics.Charge{{SoC: 0, Volt: 0.85 * r.supplyV}, {SoC: 1, Volt: r.supplyV}}},
	}
	diameter, mu, creep := r.spread(24, 34), r.spread(0.2, 0.35), r.spread(0.02, 0.05)
	for i, id := range []string{"front", "rear"} {
		off := func() float64 { return 1 + 0.03*r.rng.NormFloat64() }
		d := dynamics.DriverSet{
			Motor: dynamics.Motor{ResistanceOhm: ohm * off(), KNmA: k / 1000 * off(), NoLoadA: idle * (1 + 0.15*r.rng.NormFloat64()), RotorKgM2: 8e-7},
			Gear:  gear, Efficiency: r.spread(0.65, 0.85), WheelDiameterM: (diameter + 0.1*r.rng.NormFloat64()) / 1000,
			WeightN: 0.46 * mass * dynamics.Gravity, MuMax: mu, Creep: creep,
		}
		r.truth.Sets = append(r.truth.Sets, d)
		r.loco.DriverSets = append(r.loco.DriverSets, wire.DriverSet{
			ID: id, Motor: fmt.Sprintf("m%d", i), GearRatio: gear, CountsPerRev: counts, WeightG: 460 * mass,
			WheelDiameterMm: 1000*d.WheelDiameterM + 0.1*r.rng.NormFloat64(),
		})
	}
}

// outing is a trial: throttle, cars, for how long, and whether the motors' boards
// hold the speed.
type outing struct {
	id        string
	duty      float64
	carsG     float64
	seconds   float64
	regulated bool
	told      bool // the boards tell the bridge's throttle
	warmup    int
}

// run drives an outing, its sensors reporting 10 times a second and at every gate.
func (r *rail) run(o outing) {
	train := r.truth
	train.MassKg += o.carsG / 1000
	train.LengthM += 0.2 * math.Ceil(o.carsG/300)
	track := dynamics.NewTrack(r.laid, 0)
	sim := dynamics.NewSim(train, track)
	curves, _ := traction.NewCurves(r.laid, 1000*track.LapM)
	st := dynamics.State{SoC: 1}
	out := &ran{}
	r.ran[o.id] = out
	from := r.now
	consist := wire.Consist{ID: o.id + "-cars", Cars: []wire.Car{{MassG: o.carsG, LengthMm: 1000 * (train.LengthM - 0.35)}}}
	r.setup.Consists = append(r.setup.Consists, consist)
	r.setup.Trials = append(r.setup.Trials, wire.Trial{ID: o.id, Locomotive: "heron", Consist: consist.ID, FromUs: from, ToUs: from + int64(o.seconds*1e6), WarmupLaps: max(1, o.warmup)})
	var hold [2]holder
	load, warm := 1.0, float64(max(1, o.warmup))*track.LapM
	const dt = 0.02
	for n := 0; float64(n)*dt < o.seconds; n++ {
		atS := float64(n) * dt
		load += (1-load)*dt/2 + r.wander*math.Sqrt(dt)*r.rng.NormFloat64()
		in := dynamics.Input{Load: max(0.3, load)}
		for i := range train.Sets {
			in.Duty[i] = o.duty * min(1, atS)
			if o.regulated {
				in.Duty[i] = hold[i].step(o.duty*min(1, atS)*0.8*r.freeMS(i), st.WheelMS[i], dt)
			}
		}
		if n%5 == 0 {
			r.read(from, atS, o, sim, st, in)
		}
		for left := dt; left > 1e-12; {
			before := st
			var p dynamics.Span
			st, p = sim.Step(st, in, left)
			r.see(out, p, before, st, from, atS+dt-left, track.LapM)
			left -= p.Seconds
			if before.FrontM > warm+0.15 {
				share := curves.Share(1000*before.FrontM, 1, 350, false)
				out.place(share, before, st)
			}
		}
	}
	r.now = from + int64(o.seconds*1e6) + 5_000_000
}

// freeMS is the surface speed of a set at full supply without load.
func (r *rail) freeMS(i int) float64 {
	d := r.truth.Sets[i]
	return r.supplyV / d.KNmA / d.Gear * d.WheelDiameterM / 2
}

func (o *ran) place(share float64, a, b dynamics.State) {
	step := b.FrontM - a.FrontM
	o.curveM, o.lineM = o.curveM+share*step, o.lineM+(1-share)*step
	for i := range 2 {
		w := b.WheelM[i] - a.WheelM[i]
		o.curveWheel[i], o.line[i] = o.curveWheel[i]+share*w, o.line[i]+(1-share)*w
	}
}

// holder is a motor board that holds a wheel speed: a PI controller.
type holder struct{ sum float64 }

func (h *holder) step(want, is, dt float64) float64 {
	off := want - is
	h.sum = min(max(h.sum+4*off*dt, 0), 1)
	return min(max(1.5*off+h.sum, 0.01), 1)
}

func (r *rail) see(o *ran, p dynamics.Span, before, after dynamics.State, from int64, atS, lapM float64) {
	for _, g := range r.gates {
		m := g.PositionMm / 1000
		x := m + lapM*math.Ceil((before.FrontM-m)/lapM)
		if before.FrontM >= x {
			x += lapM
		}
		s, ok := p.At(x)
		if !ok || after.FrontM < x {
			continue
		}
		us := from + int64(math.Round(1e6*(atS+s)+1000*r.rng.NormFloat64()))
		u := 1000.0
		r.events = append(r.events, wire.Event{Kind: wire.KindCrossing, Gate: g.ID, Edge: wire.EdgePulse, AtUs: us, UUs: &u})
		if g.Timing {
			f := s / p.Seconds
			o.frontM = append(o.frontM, x)
			o.wheelM = append(o.wheelM, [2]float64{before.WheelM[0] + f*(after.WheelM[0]-before.WheelM[0]), before.WheelM[1] + f*(after.WheelM[1]-before.WheelM[1])})
		}
	}
}

func (r *rail) read(from int64, atS float64, o outing, sim *dynamics.Sim, st dynamics.State, in dynamics.Input) {
	meter := sim.Electric(st, in)
	for i, d := range r.truth.Sets {
		at := from + int64(1e6*atS+300*r.rng.NormFloat64())
		counts := int64(math.Floor(st.WheelM[i] * dynamics.CountsPerM(r.loco.DriverSets[i].CountsPerRev, d.Gear, d.WheelDiameterM)))
		ma, mv := int64(math.Round(1000*meter.MotorA[i]+5*r.rng.NormFloat64())), int64(math.Round(1000*meter.BatteryV+8*r.rng.NormFloat64()))
		duty := int64(math.Round(1000 * in.Duty[i]))
		if o.regulated && !o.told {
			duty = int64(math.Round(1000 * o.duty))
		}
		r.events = append(r.events, wire.Event{Kind: wire.KindMotor, Motor: r.loco.DriverSets[i].Motor, AtUs: at, Samples: []wire.Sample{{AtUs: at, Counts: &counts, CurrentMa: &ma, VoltageMv: &mv, DutyPermille: &duty}}})
	}
}

// score steps all that was run.
func (r *rail) score(t testing.TB) *trial.State {
	t.Helper()
	r.setup.Locomotives = []wire.Locomotive{r.loco}
	if err := r.setup.Check(); err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(r.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
	s := trial.New("test")
	for _, e := range trial.FromSetup(r.setup, "recording", t0) {
		s.Step(e)
	}
	for _, e := range r.events {
		s.Step(e)
	}
	s.Finish()
	return s
}

// result is that of a trial, which must have all its laps.
func (r *rail) result(t testing.TB, s *trial.State, id string) wire.TrialResult {
	t.Helper()
	x, ok := s.Result(id, 0)
	if n := len(r.ran[id].frontM) - 1; !ok || x.LapCount != n || n < 3 {
		t.Fatalf("trial %s has %d laps, want %d, at least 3", id, x.LapCount, n)
	}
	return x
}

// slip and desync are what they truly were over the laps behind the warm-up.
func (r *rail) slip(id string, i int) float64 {
	o := r.ran[id]
	last := len(o.frontM) - 1
	return (o.wheelM[last][i]-o.wheelM[1][i])/(o.frontM[last]-o.frontM[1]) - 1
}

func (r *rail) desync(id string) float64 { return traction.Desync(1+r.slip(id, 0), 1+r.slip(id, 1)) }

// calibrate runs the guided, light and slow trials, and leaves the railway ready for
// others: what they tell of the wheels, with nothing known of the motors, and with their
// curves, as a sweep would have measured them.
func (r *rail) calibrate(t testing.TB) (plain, swept []wire.WheelCheck) {
	t.Helper()
	r.run(outing{id: "light", duty: 0.3, seconds: 180})
	r.run(outing{id: "cars", duty: 0.35, carsG: 1200, seconds: 180})
	checks := func() []wire.WheelCheck {
		c, err := r.score(t).WheelChecks([]string{"light", "cars"})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	plain = checks()
	for i, d := range r.truth.Sets {
		of := func(x, u float64) wire.Estimate {
			v := x + u*r.rng.NormFloat64()
			return wire.Estimate{Value: &v, U: &u}
		}
		r.setup.NamedMotors = append(r.setup.NamedMotors, wire.NamedMotor{ID: r.loco.DriverSets[i].Motor, Curve: &wire.MotorCurve{
			ResistanceOhm: of(d.ResistanceOhm, 0.02*d.ResistanceOhm), KVS: of(d.KNmA, 0.005*d.KNmA), NoLoadMa: of(1000*d.NoLoadA, 1),
		}})
	}
	swept = checks()
	r.events, r.setup.Trials, r.setup.Consists, r.setup.NamedMotors = nil, nil, nil, nil
	return plain, swept
}

// adopt puts what was measured in the place of what was stated.
func adopt(t testing.TB, l wire.Locomotive, checks []wire.WheelCheck) wire.Locomotive {
	t.Helper()
	l.DriverSets = slices.Clone(l.DriverSets)
	for i, c := range checks {
		if c.DiameterMm.Value == nil {
			t.Fatalf("wheel of %s: %+v", c.Set, c)
		}
		d := &l.DriverSets[i]
		d.WheelDiameterMm, d.WheelDiameterUMm, d.Calibration = *c.DiameterMm.Value, *c.DiameterMm.U, &c.Calibration
	}
	return l
}
