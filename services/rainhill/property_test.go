package main

import (
	"cmp"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/trial"
	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

var (
	drawnCases = flag.Int("drawn", 24, "how many `scenarios` TestDrawnScenarios draws")
	drawnFirst = flag.Int("drawn-first", 1, "the first `seed` of TestDrawnScenarios")
)

// Room on the drawn circuit, in mm. What is left out is unfair to any scorer:
// gates closer together than a train see two gates' worth of it at once, and
// trains that start close run into each other and stand over gates.
const (
	gateRoomMm  = 300
	trainRoomMm = 500
)

// drawnScenario is a railway drawn at random around "decent", from rapid's
// generators; the same seed gives the same one.
func drawnScenario() *rapid.Generator[sim.Scenario] {
	return rapid.Custom(func(t *rapid.T) sim.Scenario {
		s, err := sim.Load("decent")
		if err != nil {
			panic(err) // embedded, and loaded by other tests
		}
		s.Name, s.Minutes = "drawn", float64(rapid.IntRange(4, 6).Draw(t, "minutes"))
		s.Gates = drawGates(t)
		s.Trains = drawTrains(t, s.Trains[0])
		s.Faults, s.Clocks = drawFaults(t), drawClocks(t, s.Clocks)
		return s
	})
}

func oneOf(t *rapid.T, name string, values ...float64) float64 {
	return rapid.SampledFrom(values).Draw(t, name)
}

// places are n places round the circuit with room between each and the next,
// in order.
func places(t *rapid.T, name string, n int, roomMm []float64, lapMm float64) []float64 {
	free, total := lapMm, 0.0
	for _, r := range roomMm {
		free -= r
	}
	parts := make([]float64, n)
	for i := range parts {
		parts[i] = rapid.Float64Range(0.01, 1).Draw(t, fmt.Sprintf("%s %d", name, i))
		total += parts[i]
	}
	out := make([]float64, n)
	at := rapid.Float64Range(0, lapMm).Draw(t, name+" turned by")
	for i := range out {
		out[i] = math.Round(math.Mod(at, lapMm))
		at += roomMm[i] + free*parts[i]/total
	}
	return out
}

func lapMm() float64 { return 6*500 + 2*math.Pi*800 } // of "clean"

func drawGates(t *rapid.T) []sim.Gate {
	n := rapid.IntRange(2, 5).Draw(t, "gates")
	room := make([]float64, n)
	for i := range room {
		room[i] = gateRoomMm
	}
	timing := rapid.IntRange(0, n-1).Draw(t, "timing")
	var all []sim.Gate
	for i, at := range places(t, "gate", n, room, lapMm()) {
		g := sim.Gate{ID: fmt.Sprintf("g%d", i+1), PositionMm: math.Mod(at, math.Floor(lapMm())), Timing: i == timing}
		g.Agent = "gate-" + g.ID
		g.Sees = rapid.SampledFrom([]string{sim.SeesFront, sim.SeesTrain, sim.SeesAxles, sim.SeesSpans, sim.SeesPair}).Draw(t, "sees")
		if g.Sees == sim.SeesPair {
			g.PairMm = oneOf(t, "pair_mm", 40, 60, 100)
		}
		stated := rapid.Bool().Draw(t, "u_stated")
		g.UStated = &stated
		all = append(all, g)
	}
	return all
}

// drawTrains are trains like one, of other lengths, weights and throttles. Some
// start at a place that is told, some have a tag and may hide where they start.
func drawTrains(t *rapid.T, like sim.Train) []sim.Train {
	n := rapid.IntRange(1, 3).Draw(t, "trains")
	tagged := rapid.Bool().Draw(t, "tagged")
	throttle := rapid.Float64Range(480, 760).Draw(t, "throttle")
	var all []sim.Train
	var room []float64
	for i := range n {
		tr := like
		id := []string{"heron", "otter", "stoat"}[i]
		tr.Trial, tr.Agent, tr.Tag = id, "loco-"+id, ""
		tr.Loco.ID, tr.Loco.Name = id, id
		tr.Loco.Sets = slices.Clone(like.Loco.Sets)
		for k := range tr.Loco.Sets {
			tr.Loco.Sets[k].Motor = fmt.Sprintf("%s-%d", id, k+1)
		}
		car := like.Consist.Cars[0]
		car.Times = rapid.IntRange(1, 4).Draw(t, "cars")
		tr.Consist = sim.Consist{ID: id + "-cars", Name: "Cars of " + id, Cars: []sim.Car{car}}
		tr.Throttle = [][2]float64{{3, math.Round(throttle + rapid.Float64Range(-15, 15).Draw(t, "throttle of its own"))}}
		tr.LoadSD = rapid.Float64Range(0, 0.06).Draw(t, "load_sd")
		if tagged {
			tr.Tag = "tag-" + id
			tr.HideStart = rapid.Bool().Draw(t, "hide_start")
		}
		room = append(room, 430+float64(car.Times)*190+trainRoomMm)
		all = append(all, tr)
	}
	for i, at := range places(t, "start", n, roomsBehind(room), lapMm()) {
		all[i].StartMm = math.Mod(at, math.Floor(lapMm()))
	}
	return all
}

// roomsBehind is the room from each front to the next one's, which needs the
// length of the next.
func roomsBehind(room []float64) []float64 {
	return append(slices.Clone(room[1:]), room[0])
}

func drawFaults(t *rapid.T) sim.Faults {
	return sim.Faults{
		JitterUs: rapid.Float64Range(0, 2000).Draw(t, "jitter_us"), TickUs: oneOf(t, "tick_us", 1, 10, 100, 1000),
		Bounce: oneOf(t, "bounce", 0, 0.02, 0.05), BounceEdges: 3, BounceUs: 8000,
		Missed: oneOf(t, "missed", 0, 0, 0.005, 0.01),
		Copies: oneOf(t, "copies", 0, 0.05), CopyUs: 500_000,
		Disorder: oneOf(t, "disorder", 0, 0.2), DisorderUs: rapid.Float64Range(0, 1_500_000).Draw(t, "disorder_us"),
		RestartsHour: oneOf(t, "restarts", 0, 0, 6), RestartS: 1.5,
	}
}

func drawClocks(t *rapid.T, like sim.Clocks) sim.Clocks {
	like.OffsetUs = rapid.Float64Range(0, 120_000).Draw(t, "offset_us")
	like.DriftPpm = rapid.Float64Range(0, 80).Draw(t, "drift_ppm")
	return like
}

// What must hold of any fair railway, drawn at random: no lap that was none, none
// bridged without saying so, nearly every lap right (every one, when gates miss
// nothing and agents do not restart), measured laps within 6 u of the truth, and
// the same laps in whatever order the events come.
func TestDrawnScenarios(t *testing.T) {
	for seed := *drawnFirst; seed < *drawnFirst+*drawnCases; seed++ {
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			s := drawnScenario().Example(seed)
			setup, events, run, err := sim.Simulate(s, int64(seed), simulatedFromUs)
			if err != nil {
				t.Fatal(err)
			}
			results := scoreEvents(setup, events)
			checkDrawn(t, s, truth.Compare(run, scoredOf(results)))
			again := scoreEvents(setup, rearranged(events, uint64(seed)))
			sameLaps(t, results, again)
			if t.Failed() {
				t.Logf("drawn: %s", told(s))
			}
		})
	}
}

func scoreEvents(setup wire.Setup, events []wire.Event) wire.Results {
	state := trial.New("drawn")
	for _, e := range append(trial.FromSetup(setup, "run", simulatedFromUs), events...) {
		state.Step(e)
	}
	state.Finish()
	return state.Results()
}

func checkDrawn(t *testing.T, s sim.Scenario, r truth.Report) {
	t.Helper()
	if r.Laps.True == 0 {
		t.Fatal("no true laps")
	}
	if r.Strange > 0 || r.Unmarked > 0 || r.False > 0 || r.Wrong > 0 {
		t.Errorf("laps: %d strange, %d bridged and not marked, %d false, %d wrong", r.Strange, r.Unmarked, r.False, r.Wrong)
	}
	want := 0.95
	if s.Faults.Missed == 0 && s.Faults.RestartsHour == 0 {
		want = 1
	}
	if float64(r.Laps.Matched) < want*float64(r.Laps.True) {
		t.Errorf("%d of %d laps are right, want %.0f %%", r.Laps.Matched, r.Laps.True, 100*want)
	}
	for _, l := range r.Lines {
		if l.Verdict != truth.Matched || l.Scored.Inferred {
			continue
		}
		if off := math.Abs(float64(l.ErrorMs)) / 1e3; off > 6*l.Scored.US+1e-6 { // instants are whole microseconds
			t.Errorf("%s, lap %d: %.3f ms off, u = %.3f ms", l.Trial, l.Scored.Lap, off*1e3, l.Scored.US*1e3)
		}
	}
}

// rearranged is the same events, each arriving up to a second later. Clock
// exchanges stay where they were: what they tell is not in their order.
func rearranged(events []wire.Event, seed uint64) []wire.Event {
	rng := rand.New(rand.NewPCG(seed, 7))
	out := slices.Clone(events)
	for i := range out {
		if out[i].Kind != wire.KindSync {
			out[i].BusUs += rng.Int64N(1_000_000)
		}
	}
	slices.SortStableFunc(out, func(a, b wire.Event) int { return cmp.Compare(a.BusUs, b.BusUs) })
	return out
}

func sameLaps(t *testing.T, one, other wire.Results) {
	t.Helper()
	for i, a := range one.Trials {
		b := other.Trials[i]
		if len(a.Laps) != len(b.Laps) {
			t.Errorf("%s: %d laps, in another order of arrival %d", a.Trial, len(a.Laps), len(b.Laps))
			continue
		}
		for k, x := range a.Laps {
			y := b.Laps[k]
			if x.StartUs != y.StartUs || x.LapTimeS != y.LapTimeS || x.US != y.US || x.Source != y.Source || x.Counts != y.Counts {
				t.Errorf("%s: lap %d from %d of %.6f s (u %.6f, %s, %s), in another order from %d of %.6f s (u %.6f, %s, %s)",
					a.Trial, x.Lap, x.StartUs, x.LapTimeS, x.US, x.Source, x.Counts, y.StartUs, y.LapTimeS, y.US, y.Source, y.Counts)
				break
			}
		}
	}
}

// told is a drawn scenario in a line or two.
func told(s sim.Scenario) string {
	out := fmt.Sprintf("%g min, faults %+v, clocks %g us %g ppm", s.Minutes, s.Faults, s.Clocks.OffsetUs, s.Clocks.DriftPpm)
	for _, g := range s.Gates {
		out += fmt.Sprintf("; %s at %g sees %s (pair %g, timing %v)", g.ID, g.PositionMm, g.Sees, g.PairMm, g.Timing)
	}
	for _, tr := range s.Trains {
		out += fmt.Sprintf("; %s from %g, tag %q, hidden %v, throttle %v, %d cars, load_sd %.3f", tr.Trial, tr.StartMm, tr.Tag, tr.HideStart, tr.Throttle, tr.Consist.Cars[0].Times, tr.LoadSD)
	}
	return out
}
