package motor_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/motor"
)

var seeds = flag.Int("motors", 0, "how many simulated motors to try the intervals on; 0: a few")

// bench is a simulated locomotive on a circuit, and how its readings scatter.
type bench struct {
	train  dynamics.Train
	track  *dynamics.Track
	rng    *rand.Rand
	loadSD float64
	amps   float64 // scatter of a reading, A
	volts  float64
	perRev float64
	hz     float64
	smooth float64 // of the ammeter's scatter, from reading to reading
}

func newBench(seed uint64, sets int) *bench {
	rng := rand.New(rand.NewPCG(seed, 17))
	about := func(x, part float64) float64 { return x * (1 + part*(2*rng.Float64()-1)) }
	var half []circuit.Piece
	for range 3 {
		half = append(half, circuit.Piece{StraightMm: 500})
	}
	for range 6 {
		half = append(half, circuit.Piece{RadiusMm: 800, AngleDeg: 30, Left: true})
	}
	b := &bench{track: dynamics.NewTrack(append(half, half...), 0), rng: rng, loadSD: 0.03, amps: 0.005, volts: 0.008, perRev: 48, hz: 10}
	b.train = dynamics.Train{
		MassKg: about(2.84, 0.2), LengthM: 0.43, A: about(0.06, 0.3), B: 0.03, C: 0.02, CurveM2S2: 0.02,
		Battery: dynamics.Battery{ResistanceOhm: 0.15, CapacityAh: 1.2, Curve: []dynamics.Charge{{SoC: 0, Volt: 6.4}, {SoC: 1, Volt: 8.3}}},
	}
	for range sets {
		b.train.Sets = append(b.train.Sets, dynamics.DriverSet{
			Motor: dynamics.Motor{ResistanceOhm: about(3.2, 0.3), KNmA: about(0.0085, 0.2), NoLoadA: about(0.06, 0.2), RotorKgM2: 8e-7},
			Gear:  18.5, Efficiency: 0.72, WheelDiameterM: 0.036, WeightN: b.train.MassKg * dynamics.Gravity / float64(sets), MuMax: 0.25, Creep: 0.02,
		})
	}
	return b
}

// like draws a second set whose motor is the first's twin within a part.
func (b *bench) like(part float64) {
	m := b.train.Sets[0].Motor
	b.train.Sets[1].Motor = m
	b.train.Sets[1].KNmA *= 1 + part
	b.train.Sets[1].ResistanceOhm *= 1 + 2*part
}

// sets is what the fit is told of the locomotive.
func (b *bench) sets() (out []motor.Set) {
	for i, s := range b.train.Sets {
		out = append(out, motor.Set{Motor: fmt.Sprint("m", i+1), CountsPerRev: b.perRev, Gear: s.Gear, WheelM: s.WheelDiameterM})
	}
	return out
}

// sweep runs throttles up and down with a mass behind, each for holdS seconds;
// with the wheels free when addKg is NaN.
func (b *bench) sweep(id string, addKg float64, duties []float64, holdS float64) motor.Run {
	t := b.train
	free := math.IsNaN(addKg)
	if free {
		t.Sets = slices.Clone(t.Sets)
		for i := range t.Sets {
			t.Sets[i].MuMax = 1e-9 // off the rails: each turns by itself
		}
	} else {
		t.MassKg += addKg
	}
	run := motor.Run{ID: id, LoadKg: t.MassKg, Free: free, Readings: map[string][]motor.Reading{}}
	sim, st := dynamics.NewSim(t, b.track), dynamics.State{SoC: 1}
	dt, load, duty := 1/b.hz, 1.0, 0.0
	var off [dynamics.MaxSets]float64
	us := int64(1_790_000_000_000_000)
	for k := range 2*len(duties) - 1 {
		want := duties[min(k, 2*len(duties)-2-k)]
		for range int(holdS * b.hz) {
			duty += min(max(want-duty, -dt), dt) // a ramp of a second from 0 to full
			load += (1-load)*dt/8 + b.loadSD*math.Sqrt(2*dt/8)*b.rng.NormFloat64()
			in := dynamics.Input{Load: load}
			for i := range t.Sets {
				in.Duty[i] = math.Round(1000*duty) / 1000
			}
			for left := dt; left > 1e-12; {
				var p dynamics.Span
				st, p = sim.Step(st, in, left)
				left -= p.Seconds
			}
			us += int64(dt * 1e6)
			meter := sim.Electric(st, in)
			for i, s := range t.Sets {
				name := fmt.Sprint("m", i+1)
				off[i] = b.smooth*off[i] + math.Sqrt(1-b.smooth*b.smooth)*b.amps*b.rng.NormFloat64()
				run.Readings[name] = append(run.Readings[name], motor.Reading{
					AtUs: us, Counts: int64(math.Floor(st.WheelM[i] * dynamics.CountsPerM(b.perRev, s.Gear, s.WheelDiameterM))),
					CurrentA: math.Round(1000*(meter.MotorA[i]+off[i])) / 1000,
					VoltageV: math.Round(1000*(meter.BatteryV+b.volts*b.rng.NormFloat64())) / 1000, Duty: in.Duty[i],
				})
			}
		}
	}
	return run
}

func ladder(from, to float64, n int) (out []float64) {
	for i := range n {
		out = append(out, math.Round(1000*(from+(to-from)*float64(i)/float64(n-1)))/1000)
	}
	return out
}

// held counts how often intervals hold.
type held struct{ in, of int }

func (h *held) see(i motor.Interval, want float64) {
	h.of++
	if want >= i.Lo && want <= i.Hi {
		h.in++
	}
}

// The motor's constants lie within their 95 % intervals 95 % of the time, over motors
// and seeds: with the wheels free, over two loads alone, and with two sets driving.
func TestConstantsAreWithinTheirIntervals(t *testing.T) {
	n := 6
	if *seeds > 0 {
		n = *seeds
	}
	for _, c := range []struct {
		name   string
		sets   int
		free   bool
		smooth float64
		hz     float64
		steps  int
		holdS  float64
	}{
		{"one set, wheels free and two loads", 1, true, 0, 10, 8, 4}, {"one set, three loads", 1, false, 0, 10, 8, 4},
		{"two sets, wheels free and two loads", 2, true, 0, 10, 8, 4}, {"two sets, three loads", 2, false, 0, 10, 8, 4},
		{"an ammeter that smooths", 1, true, 0.8, 10, 8, 4}, {"few short steps", 1, true, 0, 20, 4, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			var r, k, none held
			var offR, offK, offNone, wide float64
			for seed := range n {
				b := newBench(uint64(seed), c.sets)
				if c.sets == 2 {
					b.like(0.03)
				}
				b.smooth, b.hz = c.smooth, c.hz
				duties := ladder(0.25, 1, c.steps)
				runs := []motor.Run{b.sweep("a", 0, duties, c.holdS), b.sweep("b", 1.24, duties, c.holdS)}
				if c.free {
					runs = append(runs, b.sweep("free", math.NaN(), duties, c.holdS))
				} else {
					runs = append(runs, b.sweep("c", 2.5, duties, c.holdS))
				}
				curves, faults := motor.Fit(b.sets(), runs)
				for i, s := range b.train.Sets {
					name := fmt.Sprint("m", i+1)
					got, ok := curves[name]
					if !ok {
						t.Fatalf("seed %d: %v", seed, faults[name])
					}
					r.see(got.ROhm, s.ResistanceOhm)
					k.see(got.KVS, s.KNmA)
					none.see(got.NoLoad, s.NoLoadA)
					offR, offK = max(offR, math.Abs(got.ROhm.Value/s.ResistanceOhm-1)), max(offK, math.Abs(got.KVS.Value/s.KNmA-1))
					offNone, wide = max(offNone, math.Abs(got.NoLoad.Value-s.NoLoadA)), max(wide, got.NoLoad.U)
				}
			}
			t.Logf("R held %d of %d (off by %.2f %% at most), K %d (%.3f %%), I0 %d (%.1f mA, u to %.1f mA)", r.in, r.of, 100*offR, k.in, 100*offK, none.in, 1000*offNone, 1000*wide)
			for name, h := range map[string]held{"R": r, "K": k, "I0": none} {
				// A true 95 % falls below this once in some hundred times.
				if least := 0.95*float64(h.of) - 2.4*math.Sqrt(0.0475*float64(h.of)); float64(h.in) < least {
					t.Errorf("%s was within its interval %d times of %d", name, h.in, h.of)
				}
			}
			if offR > 0.08 || offK > 0.02 || offNone > 0.035 {
				t.Errorf("R is off by %.1f %%, K by %.2f %%, I0 by %.1f mA", 100*offR, 100*offK, 1000*offNone)
			}
		})
	}
}
