package dynamics_test

import (
	"math"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
)

func engine() dynamics.Train {
	set := dynamics.DriverSet{
		Motor: dynamics.Motor{ResistanceOhm: 3.2, KNmA: 0.0085, NoLoadA: 0.06, RotorKgM2: 8e-7},
		Gear:  18.5, Efficiency: 0.72, WheelDiameterM: 0.036, WeightN: 13, MuMax: 0.25, Creep: 0.02,
	}
	other := set
	other.ResistanceOhm, other.KNmA = 3.5, 0.0083
	return dynamics.Train{
		MassKg: 4.08, LengthM: 1.19, Sets: []dynamics.DriverSet{set, other},
		A: 0.06, B: 0.03, C: 0.02, CurveM2S2: 0.02,
		Battery: dynamics.Battery{ResistanceOhm: 0.15, CapacityAh: 1.2, Curve: []dynamics.Charge{{SoC: 0, Volt: 6.4}, {SoC: 1, Volt: 8.3}}},
	}
}

func oval() *dynamics.Track {
	var half []circuit.Piece
	for range 3 {
		half = append(half, circuit.Piece{StraightMm: 500})
	}
	for range 6 {
		half = append(half, circuit.Piece{RadiusMm: 800, AngleDeg: 30, Left: true})
	}
	return dynamics.NewTrack(append(half, half...), 0)
}

func straight() *dynamics.Track { return dynamics.NewTrack(nil, 10) }

// both is the same throttle on two sets.
func both(duty float64) dynamics.Input {
	return dynamics.Input{Duty: [dynamics.MaxSets]float64{duty, duty}}
}

// run goes on for some seconds in steps of dt and tells every span with the time
// at its start.
func run(s *dynamics.Sim, st dynamics.State, in dynamics.Input, seconds, dt float64, each func(at float64, p dynamics.Span)) dynamics.State {
	for i := range int(math.Round(seconds / dt)) {
		for left := dt; left > 1e-12; {
			var p dynamics.Span
			st, p = s.Step(st, in, left)
			if each != nil {
				each(float64(i+1)*dt-left, p)
			}
			left -= p.Seconds
		}
	}
	return st
}

// balance is the steady speed at open-circuit voltage volt by nested halving: at
// ground speed v each set's surface speed u is where its rim force is its grip,
// and v is where the grips are the resistance. It shares no code with the product.
func balance(t dynamics.Train, duty, volt, curve float64) float64 {
	pull := func(v float64) float64 {
		lo, hi := 0.0, volt // the battery's voltage under load
		var sum float64
		for range 100 {
			u := (lo + hi) / 2
			var amps float64
			sum = 0
			for _, d := range t.Sets {
				f, a := grip(d, v, duty*u)
				sum, amps = sum+f, amps+duty*a
			}
			if u > volt-amps*t.Battery.ResistanceOhm {
				hi = u
			} else {
				lo = u
			}
		}
		return sum
	}
	lo, hi := 0.0, 5.0
	for range 100 {
		v := (lo + hi) / 2
		if pull(v) > t.MassKg*(t.A+t.B*v+t.C*v*v+t.CurveM2S2*curve) {
			lo = v
		} else {
			hi = v
		}
	}
	return lo
}

// grip is the force of one set at ground speed v with the mean voltage mean on
// its motor, and the motor's current.
func grip(d dynamics.DriverSet, v, mean float64) (force, amps float64) {
	lo, hi := -20.0, 20.0
	for range 100 {
		u := (lo + hi) / 2
		w := 2 * u * d.Gear / d.WheelDiameterM
		amps = (mean - d.KNmA*w) / d.ResistanceOhm
		shaft := d.KNmA * (amps - d.NoLoadA*w/math.Sqrt(w*w+100))
		eff := d.Efficiency
		if shaft*w < 0 {
			eff = 1 / eff
		}
		force = d.MuMax * d.WeightN * math.Tanh((u-v)/(v+0.010)/d.Creep)
		if shaft*eff*2*d.Gear/d.WheelDiameterM > force {
			lo = u
		} else {
			hi = u
		}
	}
	return force, amps
}

// Terminal speed: the root of tractive effort against resistance.
func TestTerminalSpeedIsTheBalance(t *testing.T) {
	for _, c := range []struct {
		name  string
		duty  float64
		curve float64 // 1/radius, all round
	}{{"straight, half throttle", 0.5, 0}, {"straight, full throttle", 1, 0}, {"circle of 800 mm", 0.64, 1 / 0.8}} {
		train, track := engine(), straight()
		train.Battery.CapacityAh = 1e9
		if c.curve > 0 {
			track = dynamics.NewTrack([]circuit.Piece{{RadiusMm: 800, AngleDeg: 360, Left: true}}, 0)
		}
		got := run(dynamics.NewSim(train, track), dynamics.State{SoC: 1}, both(c.duty), 40, 0.005, nil).SpeedMS
		want := balance(train, c.duty, 8.3, c.curve)
		t.Logf("%s: %.6f m/s, balance %.6f, apart by %.1e", c.name, got, want, got/want-1)
		if !(math.Abs(got/want-1) < 1e-4) || want < 0.1 {
			t.Errorf("%s: %.6f m/s, want %.6f", c.name, got, want)
		}
	}
}

// Stall pull: min(K U/R x gear x efficiency/r, mu x weight), definitions. The wheels of
// the first creep by some 0.1 mm/s, which costs it a little of the motor's pull.
func TestStallPull(t *testing.T) {
	for _, c := range []struct {
		name string
		mu   float64
	}{{"adhesion holds, motors stand", 2}, {"motors hold, wheels spin", 0.15}} {
		train := engine()
		train.Battery = dynamics.Battery{CapacityAh: 1e9, Curve: []dynamics.Charge{{SoC: 0, Volt: 8}}}
		train.A = 1000 // tied to a wall
		var want float64
		for i := range train.Sets {
			d := &train.Sets[i]
			d.MuMax = c.mu
			motor := d.StallNm(0.6*8) * d.Gear * d.Efficiency / (d.WheelDiameterM / 2)
			want += math.Min(motor, c.mu*d.WeightN)
		}
		sim := dynamics.NewSim(train, straight())
		st := run(sim, dynamics.State{SoC: 1}, both(0.6), 3, 0.005, nil)
		got := sim.PullN(st, both(0.6))
		t.Logf("%s: %.4f N, want %.4f; wheels at %.2f mm/s", c.name, got, want, st.WheelMS[0]*1000)
		if st.SpeedMS != 0 || math.Abs(got/want-1) > 0.005 {
			t.Errorf("%s: pulls %.4f N at %g m/s, want %.4f standing", c.name, got, st.SpeedMS, want)
		}
	}
}

// Energy balance: what the cells gave is all accounted for.
func TestEnergyBalance(t *testing.T) {
	for _, dt := range []float64{0.005, 0.0025} {
		train := engine()
		sim := dynamics.NewSim(train, oval())
		st := dynamics.State{SoC: 1}
		for _, duty := range []float64{0.6, 0.9, 0.3, 0, 0.5, -0.4, 0.64} {
			st = run(sim, st, both(duty), 10, dt, nil)
		}
		brake := both(0.5)
		brake.DragMS2 = 0.1
		st = run(sim, st, brake, 10, dt, nil)
		e := st.Energy
		spent := e.Heat + e.Motor + e.Gear + e.Slip + e.Resistance + e.Brake + train.Kinetic(st)
		t.Logf("steps of %g s: %.4f J given, %.4f J found, off by %.2e: %+v", dt, e.Battery, spent, spent/e.Battery-1, e)
		if math.Abs(spent/e.Battery-1) > 0.005 || e.Battery < 50 || min(e.Heat, e.Motor, e.Gear, e.Slip, e.Resistance, e.Brake) <= 0 {
			t.Errorf("%.4f J given, %.4f J found", e.Battery, spent)
		}
	}
}

// F14 again, by steps: a train with its motors off and cars alone coasts to a
// stand as the closed form says.
func TestCoastingToAStand(t *testing.T) {
	train := engine()
	train.Sets, train.CurveM2S2 = nil, 0
	train.A, train.B, train.C = 0.08, 0.1, 0.2
	wantS, wantM := dynamics.Coast(0.08, 0.1, 0.2, 0.6)
	var stood float64
	st := run(dynamics.NewSim(train, straight()), dynamics.State{SpeedMS: 0.6}, dynamics.Input{}, 8, 0.005, func(at float64, p dynamics.Span) {
		if p.FromMS > 0 && p.ToMS == 0 {
			stood = at + p.Seconds
		}
	})
	if math.Abs(stood-wantS) > 1e-7 || math.Abs(st.FrontM-wantM) > 1e-7 || st.SpeedMS != 0 {
		t.Errorf("stands after %.9f s and %.9f m, want %.9f and %.9f", stood, st.FrontM, wantS, wantM)
	}
}

// passings is when the front comes to each quarter metre.
func passings(dt float64) (at []float64) {
	sim := dynamics.NewSim(engine(), oval())
	next := 0.25
	st := dynamics.State{SoC: 1}
	from := 0.0
	each := func(start float64, p dynamics.Span) {
		for {
			s, ok := p.At(next)
			if !ok || p.ToM < next {
				return
			}
			at, next = append(at, from+start+s), next+0.25
		}
	}
	for _, duty := range []float64{0.66, 0.7, 0.6} {
		st = run(sim, st, both(duty), 20, dt, each)
		from += 20
	}
	return at
}

// Halving the step takes the error of an instant down; what remains are the kinks
// where curves begin and the tolerance of the finer steps. Events within a step
// are less than 1 us off against a step ten times finer, at some 500 mm/s.
func TestStepHalving(t *testing.T) {
	fine := passings(0.0005)
	worst := func(dt float64) (w float64) {
		coarse := passings(dt)
		for i := range min(len(coarse), len(fine)) { // the last may fall behind the end
			w = max(w, math.Abs(coarse[i]-fine[i]))
		}
		return w * 1e6
	}
	var off []float64
	for _, dt := range []float64{0.02, 0.01, 0.005} {
		off = append(off, worst(dt))
	}
	t.Logf("%d instants up to %.1f s; steps of 20, 10, 5 ms are off by %.3g us", len(fine), fine[len(fine)-1], off)
	if off[2] > 1 || off[1] > off[0] || off[2] > off[0]/2 || len(fine) < 80 {
		t.Errorf("steps of 20, 10, 5 ms are off by %.3g us", off)
	}
}

func BenchmarkThreeTrains(b *testing.B) {
	sim := dynamics.NewSim(engine(), oval())
	var st [3]dynamics.State
	for i := range st {
		st[i] = dynamics.State{SoC: 1, FrontM: float64(i) * 2}
	}
	b.ResetTimer()
	for range b.N { // one second of three trains
		for i := range st {
			st[i] = run(sim, st[i], both(0.64), 1, 0.005, nil)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
