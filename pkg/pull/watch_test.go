package pull_test

import (
	"math"
	"strings"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/pull"
)

// tow is a simulated locomotive of 0.9 kg that drags so many gram-force, as a load cell,
// encoders and a measuring wheel read it; gear and volt make its motor weak or strong.
func tow(loadG, volt float64, grip func(t float64) float64) pull.Watched {
	const seconds, step = 6.0, 0.05
	set := dynamics.DriverSet{
		Motor: dynamics.Motor{ResistanceOhm: 3.2, KNmA: 0.0085, NoLoadA: 0.06, RotorKgM2: 8e-7},
		Gear:  18.5, Efficiency: 0.72, WheelDiameterM: 0.036, WeightN: 0.9 * dynamics.Gravity, MuMax: 0.25, Creep: 0.02,
	}
	train := dynamics.Train{MassKg: 0.9, LengthM: 0.3, A: loadG / 1000 * dynamics.Gravity / 0.9, Sets: []dynamics.DriverSet{set},
		Battery: dynamics.Battery{ResistanceOhm: 0.1, CapacityAh: 20, Curve: []dynamics.Charge{{SoC: 0, Volt: volt}, {SoC: 1, Volt: volt}}}}
	sim := dynamics.NewSim(train, dynamics.NewTrack([]circuit.Piece{{StraightMm: 50_000}}, 0))
	st := dynamics.State{SoC: 0.9}
	in := dynamics.Input{}
	in.Duty[0] = 0.5
	w := pull.Watched{UntilUs: seconds * 1e6, Sets: [][]pull.Reading{nil}}
	for t := 0.0; t <= seconds; t += step {
		in.Load = grip(t)
		at := int64(math.Round(t * 1e6))
		w.Sets[0] = append(w.Sets[0], pull.Reading{AtUs: at, Value: st.WheelMS[0] * 1000})
		w.Ground = append(w.Ground, pull.Reading{AtUs: at, Value: math.Round(st.FrontM * 1000)})
		w.Force = append(w.Force, pull.Reading{AtUs: at, Value: loadG * in.Load * pull.Gravity})
		for left := step; left > 1e-9; { // a step may end early
			var span dynamics.Span
			st, span = sim.Step(st, in, left)
			left -= span.Seconds
		}
	}
	return w
}

func even(float64) float64 { return 1 }

// What the physics of a simulated locomotive does is what its readings are taken for: it pulls
// a light load, its wheels turn under a load beyond adhesion, and stop where the motor is weak.
func TestWatchingAttempts(t *testing.T) {
	for _, c := range []struct {
		name    string
		w       pull.Watched
		outcome pull.Outcome
		wheels  string
		pullG   float64
		says    string
	}{
		{"light", tow(100, 7.4, even), pull.Moved, "", 100, "without standing"},
		{"beyond adhesion", tow(300, 7.4, even), pull.Stalled, "turned", 300, "adhesion"},
		{"weak motor", tow(200, 2, even), pull.Stalled, "stopped", 200, "the motor"},
		{"a load that catches now and then", tow(120, 7.4, func(t float64) float64 {
			if t > 2 && t < 3.5 {
				return 2.5
			}
			return 1
		}), pull.Struggled, "turned", 150, "stood once"},
	} {
		s := pull.Watch(c.w)
		if !s.Known || s.Outcome != c.outcome || s.Wheels != c.wheels || !strings.Contains(strings.Join(s.Says, "; "), c.says) {
			t.Errorf("%s: %+v, want outcome %d, wheels %q and %q", c.name, s, c.outcome, c.wheels, c.says)
		}
		if math.Abs(s.PullG/c.pullG-1) > 0.15 {
			t.Errorf("%s: pulled %.1f g, want about %.0f", c.name, s.PullG, c.pullG)
		}
	}
}

// With less to go by less is said.
func TestWatchingWithLess(t *testing.T) {
	light, heavy, weak := tow(100, 7.4, even), tow(300, 7.4, even), tow(200, 2, even)
	gates := func(w pull.Watched) (out []pull.Reading) {
		for i := 1; i < len(w.Ground); i++ {
			if a, b := math.Floor(w.Ground[i-1].Value/200), math.Floor(w.Ground[i].Value/200); b > a {
				out = append(out, pull.Reading{AtUs: w.Ground[i].AtUs, Value: 200 * b})
			}
		}
		return out
	}
	for _, c := range []struct {
		name    string
		w       pull.Watched
		known   bool
		outcome pull.Outcome
		doubts  string
	}{
		{"gates and wheels", pull.Watched{UntilUs: light.UntilUs, Sets: light.Sets, Gates: gates(light)}, true, pull.Moved, "cannot tell whether it stood"},
		{"gates alone", pull.Watched{UntilUs: light.UntilUs, Gates: gates(light)}, true, pull.Moved, "gates alone"},
		{"gates, and then none", pull.Watched{UntilUs: light.UntilUs * 4, Gates: gates(light)}, false, 0, "may have stood"},
		{"wheels that turned", pull.Watched{UntilUs: heavy.UntilUs, Sets: heavy.Sets}, false, 0, "nothing tells whether the train moved"},
		{"wheels that never did", pull.Watched{UntilUs: weak.UntilUs, Sets: weak.Sets}, true, pull.Stalled, ""},
		{"train alone", pull.Watched{UntilUs: heavy.UntilUs, Ground: heavy.Ground}, true, pull.Stalled, "wheels were not read"},
		{"nothing", pull.Watched{UntilUs: 1e6}, false, 0, "say what you saw"},
	} {
		s := pull.Watch(c.w)
		if s.Known != c.known || s.Known && s.Outcome != c.outcome || !strings.Contains(strings.Join(s.Doubts, "; "), c.doubts) {
			t.Errorf("%s: %+v", c.name, s)
		}
	}
}
