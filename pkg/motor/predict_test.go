package motor_test

import (
	"fmt"
	"math"
	"testing"

	"rainhill/pkg/dynamics"
	"rainhill/pkg/motor"
)

// of is the configuration that a simulated train is, with nothing uncertain.
func of(t dynamics.Train, lapM float64, pieces []motor.Piece) motor.Config {
	c := motor.Config{LapM: motor.Fixed(lapM), Lap: motor.LapOf(pieces, t.LengthM), VoltV: motor.Fixed(t.Battery.OpenV(1)), InnerOhm: motor.Fixed(t.Battery.ResistanceOhm)}
	for i, s := range t.Sets {
		c.Sets = append(c.Sets, motor.Drive{
			Set: fmt.Sprint("s", i+1), Gear: s.Gear, WheelM: motor.Fixed(s.WheelDiameterM), Efficiency: motor.Fixed(s.Efficiency),
			WeightN: motor.Fixed(s.WeightN), Adhesion: motor.Fixed(s.MuMax), Creep: motor.Fixed(s.Creep),
			Motor: motor.Motor{ID: fmt.Sprint("m", i+1), Constants: motor.Constants{ROhm: s.ResistanceOhm, KVS: s.KNmA, I0A: s.NoLoadA}},
		})
	}
	c.Bodies = []motor.Body{{MassKg: motor.Fixed(t.MassKg), A: motor.Fixed(t.A), B: motor.Fixed(t.B), C: motor.Fixed(t.C), Arc: motor.Fixed(t.CurveM2S2 / 0.8)}}
	return c
}

func oval() (pieces []motor.Piece) {
	for range 2 {
		pieces = append(pieces, motor.Piece{LengthM: 1.5}, motor.Piece{LengthM: 0.8 * math.Pi, Arc: true})
	}
	return pieces
}

// lapTime runs a simulated train until it is steady and times a lap of it, s.
func lapTime(b *bench, duty float64) float64 {
	b.train.Battery.CapacityAh = 1e9
	sim, st := dynamics.NewSim(b.train, b.track), dynamics.State{SoC: 1}
	var in dynamics.Input
	for i := range b.train.Sets {
		in.Duty[i] = duty
	}
	lap, at, passed := b.track.LapM, 0.0, []float64{}
	for at < 600 && len(passed) < 3 {
		var p dynamics.Span
		st, p = sim.Step(st, in, 0.01)
		if next := lap * float64(len(passed)+1); p.ToM >= next {
			s, _ := p.At(next)
			passed = append(passed, at+s)
		}
		at += p.Seconds
	}
	if len(passed) < 3 {
		return math.NaN()
	}
	return passed[2] - passed[1]
}

// Lap time, and with it the mean balance speed, of one set and of two unlike ones,
// against the simulated motion, which shares no code with the prediction.
func TestPredictionAgreesWithSimulatedMotion(t *testing.T) {
	for _, sets := range []int{1, 2} {
		for _, duty := range []float64{0.3, 0.64, 1} {
			b := newBench(uint64(sets), sets)
			b.train.LengthM = 1.2
			c := of(b.train, b.track.LapM, oval())
			got, err := motor.Predict(c, motor.Options{Duty: duty, Draws: 2})
			if err != nil {
				t.Fatal(err)
			}
			want := lapTime(b, duty)
			t.Logf("%d sets at %g: lap %.4f s, simulated %.4f, apart by %.3f %%", sets, duty, got.LapS.Value, want, 100*(got.LapS.Value/want-1))
			if !(math.Abs(got.LapS.Value/want-1) < 0.005) {
				t.Errorf("%d sets at %g: lap %.4f s, want %.4f within 0.5 %%", sets, duty, got.LapS.Value, want)
			}
		}
	}
}

// The standing pull, against a simulated train that is tied to a wall.
func TestPullAgreesWithSimulatedStall(t *testing.T) {
	for _, mu := range []float64{2, 0.1} {
		b := newBench(3, 2)
		b.train.Battery.CapacityAh, b.train.A = 1e9, 1000
		for i := range b.train.Sets {
			b.train.Sets[i].MuMax = mu
		}
		c := of(b.train, b.track.LapM, oval())
		got, err := motor.Predict(c, motor.Options{Duty: 0.6, Draws: 2})
		if err != nil {
			t.Fatal(err)
		}
		sim, st := dynamics.NewSim(b.train, b.track), dynamics.State{SoC: 1}
		in := dynamics.Input{Duty: [dynamics.MaxSets]float64{0.6, 0.6}}
		for range 600 {
			st, _ = sim.Step(st, in, 0.005)
		}
		want := sim.PullN(st, in)
		t.Logf("adhesion %g: %.4f N, simulated %.4f", mu, got.PullN.Value, want)
		if math.Abs(got.PullN.Value/want-1) > 0.005 || got.Adhesion != (mu == 0.1) {
			t.Errorf("adhesion %g: %.4f N (adhesion limits: %v), want %.4f within 0.5 %%", mu, got.PullN.Value, got.Adhesion, want)
		}
	}
}

// told is the configuration with the motors as a sweep showed them.
func told(c motor.Config, curves map[string]motor.Curve) motor.Config {
	for i := range c.Sets {
		m := &c.Sets[i].Motor
		curve := curves[m.ID]
		m.Constants, m.Covariance = curve.Constants(), curve.Covariance
	}
	return c
}

// From a simulated sweep, at other throttles, gears and loads: the balance speed within 2 %,
// and within its interval, which is widened by what the motors are not known to alone.
func TestSpeedFromASweepIsWithinTwoPercent(t *testing.T) {
	n := 4
	if *seeds > 0 {
		n = min(*seeds, 40)
	}
	worst := 0.0
	var hit held
	for seed := range n {
		b := newBench(uint64(100+seed), 2)
		b.like(0.03)
		duties := ladder(0.25, 1, 8)
		curves, faults := motor.Fit(b.sets(), []motor.Run{b.sweep("a", 0, duties, 4), b.sweep("b", 1.24, duties, 4), b.sweep("c", 2.5, duties, 4)})
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		for _, x := range []struct{ gear, add, duty float64 }{{18.5, 0.6, 0.64}, {30, 0, 0.9}, {14, 3, 0.35}} {
			other := *b
			other.train.MassKg += x.add
			for i := range other.train.Sets {
				other.train.Sets[i].Gear = x.gear
			}
			c := told(of(other.train, b.track.LapM, oval()), curves)
			got, err := motor.Predict(c, motor.Options{Duty: x.duty, Draws: 200, Seed: 1})
			if err != nil {
				t.Fatal(err)
			}
			want := b.track.LapM / lapTime(&other, x.duty)
			worst = max(worst, math.Abs(got.SpeedMS.Value/want-1))
			hit.see(got.SpeedMS, want)
		}
	}
	t.Logf("off by %.2f %% at most; within the interval %d times of %d", 100*worst, hit.in, hit.of)
	if worst > 0.02 || float64(hit.in) < 0.9*float64(hit.of)-1 {
		t.Errorf("off by %.2f %%, within the interval %d times of %d", 100*worst, hit.in, hit.of)
	}
}
