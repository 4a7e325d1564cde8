package dynamics_test

import (
	"math"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
)

// governed is the engine with boards that hold the speed, at a battery that
// gives volt and hardly empties.
func governed(volt float64) dynamics.Train {
	train := engine()
	for i := range train.Sets {
		train.Sets[i].Governor = dynamics.Governor{NominalV: 7.2, Gain: 3, IntegralS: 0.15}
	}
	train.Battery.CapacityAh, train.Battery.Curve = 1e9, []dynamics.Charge{{SoC: 0, Volt: volt}}
	return train
}

// A governed motor turns at its set point, duty x (U - I0 R)/K (F17's no-load
// speed), whatever the train weighs: no droop while the supply suffices.
func TestGovernorHoldsItsSetPoint(t *testing.T) {
	for _, duty := range []float64{0.2, 0.5, 0.8} {
		for _, a := range []float64{0.02, 0.06, 0.2} {
			train := governed(8.3)
			train.Sets, train.A = train.Sets[:1], a
			d := train.Sets[0]
			sim := dynamics.NewSim(train, oval())
			st := run(sim, dynamics.State{SoC: 1}, both(duty), 20, 0.02, nil)
			free := (7.2 - d.NoLoadA*d.ResistanceOhm) / d.KNmA
			want := duty * free / d.Gear * d.WheelDiameterM / 2
			bridge := sim.Electric(st, both(duty)).Duty[0]
			if math.Abs(st.WheelMS[0]/want-1) > 2e-3 || !(bridge > 0 && bridge < 1) {
				t.Errorf("throttle %g, a = %g: the wheel runs %.6f m/s with the bridge on %.3f, want %.6f", duty, a, st.WheelMS[0], bridge, want)
			}
			// On a straight nothing disturbs it.
			sim = dynamics.NewSim(train, straight())
			st = run(sim, dynamics.State{SoC: 1}, both(duty), 20, 0.02, nil)
			if math.Abs(st.WheelMS[0]/want-1) > 1e-7 {
				t.Errorf("throttle %g, a = %g: the wheel runs %.9f m/s on a straight, want %.9f", duty, a, st.WheelMS[0], want)
			}
		}
	}
}

// Two governors on one train whose gears want different speeds each hold their own:
// the surfaces run apart as the gears do, and the tyres creep for it.
func TestGovernorsOfUnlikeGears(t *testing.T) {
	train := governed(8.3)
	train.Sets[1] = train.Sets[0]
	train.Sets[1].Gear = 18.2
	sim := dynamics.NewSim(train, oval())
	st := run(sim, dynamics.State{SoC: 1}, both(0.6), 15, 0.02, nil)
	u := st.WheelMS
	if got, want := 2*(u[1]-u[0])/(u[0]+u[1]), 2*(18.5-18.2)/(18.5+18.2); math.Abs(got-want) > 2e-4 || !(u[0] < st.SpeedMS && st.SpeedMS < u[1]) {
		t.Errorf("the surfaces are apart by %.6f, want %.6f: %.4f and %.4f m/s, train %.4f", got, want, u[0], u[1], st.SpeedMS)
	}
}

// Where the supply does not suffice the bridge is on all the time, and the motor
// is on the line of one without a governor at full throttle.
func TestGovernorWithoutSupplyFallsOnTheLine(t *testing.T) {
	train := governed(5.5)
	bare := governed(5.5)
	for i := range bare.Sets {
		bare.Sets[i].Governor = dynamics.Governor{}
	}
	sim := dynamics.NewSim(train, straight())
	st := run(sim, dynamics.State{SoC: 1}, both(0.95), 40, 0.02, nil)
	want := balance(bare, 1, 5.5, 0)
	if math.Abs(st.SpeedMS/want-1) > 1e-4 || sim.Electric(st, both(0.95)).Duty[0] != 1 {
		t.Errorf("%.6f m/s with the bridge on %v, want %.6f and 1", st.SpeedMS, sim.Electric(st, both(0.95)).Duty, want)
	}
	// It does not wind up: with the load gone it comes to a lower set point at once.
	st = run(sim, st, both(0.4), 1, 0.02, nil)
	d := train.Sets[0]
	if hold := d.SetPointRadS(0.4) / d.Gear * d.WheelDiameterM / 2; math.Abs(st.WheelMS[0]/hold-1) > 0.02 {
		t.Errorf("a second after the throttle fell the wheel runs %.4f m/s, want %.4f", st.WheelMS[0], hold)
	}
}

// A governor neither overshoots by much nor swings, from a light engine to a heavy
// train, at the step of the simulator; backwards it does the same.
func TestGovernorIsSteady(t *testing.T) {
	for _, mass := range []float64{2, 4, 12} {
		for _, way := range []float64{1, -1} {
			train := governed(8.3)
			train.MassKg = mass
			sim := dynamics.NewSim(train, straight())
			var most, least float64 = 0, math.Inf(1)
			st := run(sim, dynamics.State{SoC: 1}, both(0.5*way), 6, 0.02, func(at float64, p dynamics.Span) {
				most = max(most, p.ToMS*way)
				if at > 3 {
					least = min(least, p.ToMS*way)
				}
			})
			end := st.SpeedMS * way
			if most > 1.2*end || least < 0.99*end || end < 0.3 {
				t.Errorf("%g kg, way %g: up to %.4f and down to %.4f m/s again, at last %.4f", mass, way, most, least, end)
			}
		}
	}
}

func TestEnergyBalanceUnderGovernors(t *testing.T) {
	train := governed(8.3)
	train.Sets[1].Governor = dynamics.Governor{} // one board of each kind
	sim := dynamics.NewSim(train, oval())
	st := dynamics.State{SoC: 1}
	for _, duty := range []float64{0.6, 0.9, 0.3, 0, 0.5, -0.4, 0.64} {
		st = run(sim, st, both(duty), 10, 0.005, nil)
	}
	e := st.Energy
	spent := e.Heat + e.Motor + e.Gear + e.Slip + e.Resistance + e.Brake + train.Kinetic(st)
	if math.Abs(spent/e.Battery-1) > 0.005 || e.Battery < 50 {
		t.Errorf("%.4f J given, %.4f J found: %+v", e.Battery, spent, e)
	}
}

// The balance is where a long run comes to, with governors and without, on a
// straight and round a circle.
func TestBalanceIsWhereARunEnds(t *testing.T) {
	mixed := governed(8.3)
	mixed.Sets[1].Governor = dynamics.Governor{}
	for name, train := range map[string]dynamics.Train{"governed": governed(8.3), "mixed": mixed, "bare": engine(), "weak": governed(5)} {
		train.Battery.CapacityAh = 1e9
		for _, curve := range []float64{0, 1 / 0.8} {
			track := straight()
			if curve > 0 {
				track = dynamics.NewTrack([]circuit.Piece{{RadiusMm: 800, AngleDeg: 360}}, 0)
			}
			sim := dynamics.NewSim(train, track)
			st := run(sim, dynamics.State{SoC: 1}, both(0.7), 40, 0.02, nil)
			v, u := train.Balance(both(0.7).Duty, sim.Electric(st, both(0.7)).BatteryV, curve)
			if math.Abs(v/st.SpeedMS-1) > 1e-4 || math.Abs(u[0]/st.WheelMS[0]-1) > 1e-4 || math.Abs(u[1]/st.WheelMS[1]-1) > 1e-4 || v < 0.1 {
				t.Errorf("%s, 1/radius %g: runs %.6f m/s, wheels %.6f and %.6f; balance %.6f, %.6f, %.6f", name, curve, st.SpeedMS, st.WheelMS[0], st.WheelMS[1], v, u[0], u[1])
			}
		}
	}
	tied := engine()
	tied.A = 100
	if v, _ := tied.Balance(both(0.5).Duty, 8, 0); v != 0 {
		t.Errorf("a train that cannot start runs %g m/s", v)
	}
}

// Droop: a hundredth of a newton more at the rim takes so much speed, at one
// voltage, by the line of F17 carried to the rim.
func TestDroopIsTheSlopeOfTheLine(t *testing.T) {
	train := engine()
	train.Sets = train.Sets[:1]
	d := train.Sets[0]
	wheel := func(a float64) (float64, float64) {
		train.A = a
		v, u := train.Balance(both(0.6).Duty, 8, 0)
		return u[0], train.MassKg * (a + v*(train.B+train.C*v))
	}
	u1, f1 := wheel(0.06)
	u2, f2 := wheel(0.07)
	if got := (u1 - u2) / (f2 - f1); math.Abs(got/d.DroopMSN()-1) > 1e-3 {
		t.Errorf("the wheel loses %.6f m/s per N, want %.6f", got, d.DroopMSN())
	}
	if governed(8).Sets[0].DroopMSN() != 0 {
		t.Error("a governed set droops")
	}
}

// A set on stands runs at its no-load speed (F17) and draws its no-load current;
// the train stays.
func TestWheelsFree(t *testing.T) {
	train := engine()
	train.Battery = dynamics.Battery{CapacityAh: 1e9, Curve: []dynamics.Charge{{SoC: 0, Volt: 8}}}
	for i := range train.Sets {
		train.Sets[i].MuMax = 0
	}
	sim := dynamics.NewSim(train, oval())
	st := run(sim, dynamics.State{SoC: 1}, both(0.5), 10, 0.02, nil)
	for i, d := range train.Sets {
		w, amps := st.WheelMS[i]*2*d.Gear/d.WheelDiameterM, sim.Electric(st, both(0.5)).MotorA[i]
		if math.Abs(w/d.NoLoadRadS(4)-1) > 1e-3 || math.Abs(amps/d.NoLoadA-1) > 1e-3 || st.FrontM != 0 {
			t.Errorf("set %d: %.3f rad/s and %.4f A, want %.3f and %.4f", i, w, amps, d.NoLoadRadS(4), d.NoLoadA)
		}
	}
}
