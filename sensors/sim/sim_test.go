package sim_test

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"

	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/testdata/effort"
)

const startUs = int64(1_760_000_000_000_000)

func load(t testing.TB, name string, minutes float64) sim.Scenario {
	t.Helper()
	s, err := sim.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	s.Minutes = minutes
	return s
}

func simulate(t testing.TB, s sim.Scenario, seed int64) ([]wire.Event, truth.Run) {
	t.Helper()
	var events []wire.Event
	_, run, err := sim.Simulate(s, seed, startUs, func(e wire.Event) error {
		events = append(events, e)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return events, run
}

func text(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Every scenario: the same seed gives the same bytes however the time is cut
// up, another seed others.
func TestSameSeedSameBytes(t *testing.T) {
	for _, name := range sim.Names() {
		s := load(t, name, 2)
		a, ranA := simulate(t, s, 7)
		b, ranB := simulate(t, s, 7)
		c, _ := simulate(t, s, 8)
		if !bytes.Equal(text(t, a), text(t, b)) || !bytes.Equal(text(t, ranA), text(t, ranB)) {
			t.Errorf("%s: the same seed gave something else", name)
		}
		if bytes.Equal(text(t, a), text(t, c)) {
			t.Errorf("%s: another seed gave the same events", name)
		}
		r := sim.New(s, 7, startUs)
		var cut []wire.Event
		for at := startUs; at < startUs+120_000_000; {
			at += 333_000
			cut = append(cut, r.Next(min(at, startUs+120_000_000))...)
		}
		if !bytes.Equal(text(t, a), text(t, cut)) {
			t.Errorf("%s: told in portions it gave other events (%d and %d)", name, len(a), len(cut))
		}
	}
}

// Every event is one that the journal takes, in order of arrival, each agent's
// numbered from 1 without a gap within a boot.
func TestEventsAreWhole(t *testing.T) {
	for _, name := range sim.Names() {
		s := load(t, name, float64(effort.Cases(10, 2)))
		events, _ := simulate(t, s, 3)
		seqs, last := map[string]map[uint64]bool{}, int64(0)
		for _, e := range events {
			back, err := wire.Decode(text(t, e))
			if err != nil {
				t.Fatal(err)
			}
			if err := back.CheckLive(e.BusUs, e.Kind, e.Source()); err != nil {
				t.Fatal(err)
			}
			if e.BusUs < last {
				t.Fatalf("%s: %s %s comes at %d after %d", name, e.Kind, e.Source(), e.BusUs, last)
			}
			last = e.BusUs
			key := e.Agent + " " + e.Boot
			if seqs[key] == nil {
				seqs[key] = map[uint64]bool{}
			}
			seqs[key][*e.Seq] = true
		}
		for key, got := range seqs {
			for n := uint64(1); n <= uint64(len(got)); n++ {
				// The last of all may still be on their way at the end.
				if !got[n] && uint64(len(got))-n > 60 {
					t.Fatalf("%s: %s lacks event %d of %d", name, key, n, len(got))
				}
			}
		}
	}
}

// Without faults a gate tells every passage, to the microsecond, and no other.
func TestWithoutFaultsEveryPassageIsTold(t *testing.T) {
	s := load(t, "clean", 10)
	events, run := simulate(t, s, 5)
	told := map[string][]int64{}
	for _, e := range events {
		if e.Kind == wire.KindCrossing && (e.Beam == nil || *e.Beam == 1) && e.Edge != wire.EdgeLeave {
			told[e.Gate] = append(told[e.Gate], e.AtUs)
		}
	}
	n := 0
	for _, p := range run.Trials[0].Passages {
		if p.AtUs > float64(run.ToUs)-1e6 {
			continue
		}
		n++
		i, _ := slices.BinarySearch(told[p.Gate], int64(math.Floor(p.AtUs))-1)
		if i == len(told[p.Gate]) || math.Abs(float64(told[p.Gate][i])-p.AtUs) > 0.75 {
			t.Errorf("%s: no crossing tells the passage at %.2f", p.Gate, p.AtUs)
		}
	}
	if n < 100 {
		t.Errorf("only %d passages", n)
	}
	if f := run.Faults; f.Missed+f.MissedEdges+f.Bounces+f.FalseCrossings+f.Copies+f.Late+f.Restarts != 0 {
		t.Errorf("faults in a run without any: %+v", f)
	}
}

// Trains on one loop do not overtake: each gate sees them in one cyclic order,
// and no train ever stands in another.
func TestTrainsKeepTheirOrder(t *testing.T) {
	for _, name := range []string{"three-hostile", "eight-tagged", "demo"} {
		s := load(t, name, 10)
		// One is held for a while, so that the others close up.
		s.Trains[0].Happens = []sim.Happening{{Kind: truth.Stall, AtS: 60, ForS: 40}}
		_, run := simulate(t, s, 2)
		if len(run.Incidents) != 1 {
			t.Fatalf("%s: %d incidents, want the stall", name, len(run.Incidents))
		}
		n := len(run.Trials)
		for _, g := range s.Gates {
			type pass struct {
				at    float64
				train int
			}
			var seen []pass
			for i, tr := range run.Trials {
				for _, p := range tr.Passages {
					if p.Gate == g.ID {
						seen = append(seen, pass{p.AtUs, i})
					}
				}
			}
			slices.SortFunc(seen, func(a, b pass) int { return int(math.Copysign(1, a.at-b.at)) })
			for i := n; i < len(seen); i++ {
				if seen[i].train != seen[i-n].train {
					t.Fatalf("%s: train %d overtakes at %s", name, seen[i].train, g.ID)
				}
			}
		}
		r := sim.New(s, 2, startUs)
		for sec := range int64(120) {
			r.Next(startUs + sec*1e6)
			all := r.Places()
			for i, a := range all {
				for k, b := range all {
					lap := 1000 * lapM(s)
					if gap := math.Mod(math.Mod(b.FrontMm-a.FrontMm, lap)+lap, lap) - b.LengthMm; i != k && gap < 0 {
						t.Fatalf("%s: %s stands in %s by %.0f mm at second %d", name, a.Trial, b.Trial, -gap, sec)
					}
				}
			}
		}
	}
}

func lapM(s sim.Scenario) float64 {
	var mm float64
	for _, p := range s.Setup(0).Circuit.Pieces {
		mm += p.StraightMm + p.RadiusMm*p.AngleDeg*math.Pi/180
	}
	return mm / 1000
}

// What is drawn has the size that the scenario gives it.
func TestFaultsHaveTheirSize(t *testing.T) {
	s := load(t, "three-hostile", 60)
	_, run := simulate(t, s, 11)
	f := run.Faults
	for _, c := range []struct {
		name    string
		got, of int
		p       float64
	}{
		{"missed", f.Missed, f.Passages, 0.03},
		{"missed edges", f.MissedEdges, f.Crossings - f.Bounces - 2*f.FalseCrossings, 0.005},
		{"false crossings", f.FalseCrossings, 4 * 60 * 100, 0.015}, // 1.5 a gate and minute
	} {
		mean := c.p * float64(c.of)
		if d := math.Abs(float64(c.got) - mean); d > 4*math.Sqrt(mean) {
			t.Errorf("%s: %d of %d, want about %.0f", c.name, c.got, c.of, mean)
		}
	}
	if f.Restarts < 4 || f.Gaps < 2 || f.Late == 0 || f.Copies == 0 || f.Silent == 0 {
		t.Errorf("a fault is missing: %+v", f)
	}
}

// The truth counts laps as the contract has them: without a train off the
// rails, and not for coming again over a gate that was run back over.
func TestTruthOfIncidents(t *testing.T) {
	for kind, wantIncidentLaps := range map[string]bool{truth.Stall: true, truth.Reversal: true, truth.Derailment: false, truth.LiftOff: false} {
		_, run := simulate(t, load(t, kind, 20), 4)
		if len(run.Incidents) < 3 {
			t.Errorf("%s: %d incidents", kind, len(run.Incidents))
		}
		lap := 1000 * lapM(load(t, kind, 20))
		for _, l := range run.Trials[0].Laps {
			mean := lap / l.LapTimeS
			if !l.Incident && (mean < 450 || mean > 700) {
				t.Errorf("%s: lap %d of %.2f s", kind, l.Lap, l.LapTimeS)
			}
			if l.Incident && (!wantIncidentLaps || l.LapTimeS < 18) {
				t.Errorf("%s: lap %d of %.2f s is with incident", kind, l.Lap, l.LapTimeS)
			}
		}
	}
}

// Energy: what the battery gave is what the rest took, to 0.5 %, over runs with
// stops by hand; in closed form for one body that comes to rest.
func TestEnergyAddsUp(t *testing.T) {
	for _, name := range []string{"clean", "reversal", "derailment", "eight-tagged"} {
		_, run := simulate(t, load(t, name, 10), 6)
		for _, e := range run.Energy {
			rest := e.Battery - e.Heat - e.Motor - e.Gear - e.Slip - e.Resistance - e.Brake - e.Kinetic
			if math.Abs(rest) > 0.005*e.Battery || !(e.Battery > 10) {
				t.Errorf("%s: %s: %.3f of %.1f J are unaccounted for", name, e.Trial, rest, e.Battery)
			}
		}
	}
}

// A train that takes a curve too fast tips over, at a speed from statics.
func TestTooFastInACurve(t *testing.T) {
	s := load(t, "clean", 2)
	s.Trains[0].Loco.GaugeMm, s.Trains[0].Loco.HeightMm = 32, 120
	slow, quick := s, s
	quick.Trains = slices.Clone(s.Trains)
	quick.Trains[0].Loco.HeightMm = 500 // tips at sqrt(9.80665 x 0.8 x 32/1000) = 0.501 m/s
	if _, run := simulate(t, slow, 1); len(run.Incidents) != 0 {
		t.Errorf("a low train tips over: %+v", run.Incidents)
	}
	_, run := simulate(t, quick, 1)
	if len(run.Incidents) == 0 || run.Incidents[0].Kind != truth.Derailment {
		t.Fatalf("a high train stays on: %+v", run.Incidents)
	}
	if at := run.Incidents[0].PositionMm; at < 1500 || at > 4013+500 {
		t.Errorf("it tips at %.0f mm, which is no curve", at)
	}
}

// Counts turn as the wheels do: over ten minutes the encoder says a little more
// than the ground, by the creep of the tyres.
func TestCountsFollowTheWheels(t *testing.T) {
	s := load(t, "clean", 10)
	events, run := simulate(t, s, 9)
	counts := map[string]int64{}
	for _, e := range events {
		if e.Kind == wire.KindMotor {
			counts[e.Motor] = *e.Samples[len(e.Samples)-1].Counts
		}
	}
	for _, d := range s.Trains[0].Loco.Sets {
		wheelMm := float64(counts[d.Motor]) / (d.CountsPerRev * d.GearRatio) * math.Pi * d.WheelDiameterMm
		if slip := wheelMm/run.Trials[0].DistanceMm - 1; slip < -0.001 || slip > 0.03 {
			t.Errorf("%s: slip %.4f over the run", d.Motor, slip)
		}
	}
}

// Lap times of the demonstration scatter as such trains do, not more.
func TestLapsScatter(t *testing.T) {
	_, run := simulate(t, load(t, "demo", 20), 1)
	for _, tr := range run.Trials {
		var laps []float64
		for _, l := range tr.Laps[1:] {
			laps = append(laps, l.LapTimeS)
		}
		cv := stat.StdDev(laps, nil) / stat.Mean(laps, nil)
		if len(laps) < 60 || cv < 0.001 || cv > 0.05 {
			t.Errorf("%s: %d laps, cv %.4f", tr.Trial, len(laps), cv)
		}
	}
}

func TestReadSaysWhereAndWhat(t *testing.T) {
	for text, want := range map[string]string{
		"# x\nlike = \"clean\"\nminuts = 3":                                    "line 3: minuts means nothing here",
		"# x\nlike = \"clean\"\nminutes = ":                                    "line 3",
		"like = \"nowhere\"":                                                   "no scenario \"nowhere\"",
		"like = \"clean\"\n[faults]\nmissed = 3":                               "faults.missed = 3",
		"like = \"clean\"\n[faults]\njitter_us = -1":                           "faults.jitter_us = -1",
		"like = \"clean\"\n[[gate]]\nid = \"g1\"\ntiming = true\nsees = \"x\"": "sees = \"x\"",
		"minutes = 2": "want at least one circuit.pieces",
		"like = \"clean\"\n[[train]]\ntrial = \"a\"\nthrottle = [[0, 500]]": "set]], want 1 to",
		"like = \"clean\"\nminutes = -1":                                    "minutes = -1",
	} {
		if _, err := sim.Read("mine", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q gave %v, want %q", text, err, want)
		}
	}
	s, err := sim.Read("mine", []byte("# My own\nlike = \"hostile\"\n[faults]\nmissed = 0.1\n"))
	if err != nil || s.About != "My own" || s.Faults.Missed != 0.1 || s.Faults.Copies == 0 || len(s.Gates) != 4 {
		t.Errorf("a scenario like another: %+v, %v", s.Faults, err)
	}
}

func BenchmarkSimulate(b *testing.B) {
	s := load(b, "three-hostile", 20)
	for b.Loop() {
		simulate(b, s, 1)
	}
	b.ReportMetric(float64(b.N)*1200/b.Elapsed().Seconds(), "x_real_time")
}
