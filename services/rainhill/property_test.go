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
	"rainhill/testdata/effort"
)

var (
	drawnCases = flag.Int("drawn", effort.Cases(40, 6), "how many `scenarios` TestDrawnScenarios draws")
	drawnFirst = flag.Int("drawn-first", 1, "the first `seed` of TestDrawnScenarios")
)

// Room on the drawn circuit, in mm: between gates, and between a train and the
// next at the start. Trains that start closer run into each other and stand over
// gates, which is unfair to any scorer.
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
		s.Name, s.Minutes = "drawn", oneOf(t, "minutes", 4.0, 5, 6)
		s.Trains = drawTrains(t, s.Trains[0])
		s.Gates = drawGates(t, s.Trains)
		s.Faults, s.Clocks = drawFaults(t), drawClocks(t, s.Clocks)
		quieten(&s)
		standClear(&s)
		tellApart(&s)
		return s
	})
}

// evenly is a number from a up to b, each as likely: rapid's own ranges lean to
// small numbers, its coins do not.
func evenly(t *rapid.T, name string, a, b float64) float64 {
	x := 0.0
	for i := range 20 {
		if rapid.Bool().Draw(t, fmt.Sprintf("%s, bit %d", name, i)) {
			x += math.Ldexp(1, -1-i)
		}
	}
	return a + (b-a)*x
}

func oneOf[T any](t *rapid.T, name string, values ...T) T {
	return values[int(evenly(t, name, 0, float64(len(values))))]
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
		parts[i] = evenly(t, fmt.Sprintf("%s %d", name, i), 0.01, 1)
		total += parts[i]
	}
	out := make([]float64, n)
	at := evenly(t, name+" turned by", 0, lapMm)
	for i := range out {
		out[i] = math.Round(math.Mod(at, lapMm))
		at += roomMm[i] + free*parts[i]/total
	}
	return out
}

func lapMm() float64 { return 6*500 + 2*math.Pi*800 } // of "clean"

// drawGates places the gates for some trains. Several trains without tags get
// gates further apart than a train is long, or two of them are seen by two gates at
// once and nothing tells them apart; and at least three gates. Known limit: with
// two gates the scorer can take three trains, whose start_mm is told, in the wrong
// order, though every gate sees everything.
func drawGates(t *rapid.T, trains []sim.Train) []sim.Gate {
	n, apart := oneOf(t, "gates", 2, 3, 4, 5), float64(gateRoomMm)
	if len(trains) > 1 && trains[0].Tag == "" {
		n = max(n, 3)
		for _, tr := range trains {
			apart = max(apart, lengthMm(tr)+100)
		}
	}
	room := make([]float64, n)
	for i := range room {
		room[i] = apart
	}
	timing := int(evenly(t, "timing", 0, float64(n)))
	var all []sim.Gate
	for i, at := range places(t, "gate", n, room, lapMm()) {
		g := sim.Gate{ID: fmt.Sprintf("g%d", i+1), PositionMm: math.Mod(at, math.Floor(lapMm())), Timing: i == timing}
		g.Agent = "gate-" + g.ID
		g.Sees = oneOf(t, "sees", sim.SeesFront, sim.SeesTrain, sim.SeesAxles, sim.SeesSpans, sim.SeesPair)
		if g.Sees == sim.SeesPair {
			g.PairMm = oneOf(t, "pair_mm", 40.0, 60, 100)
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
	n := oneOf(t, "trains", 1, 2, 3)
	tagged := rapid.Bool().Draw(t, "tagged")
	throttle := evenly(t, "throttle", 480, 760)
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
		car.Times = oneOf(t, "cars", 1, 2, 3, 4)
		tr.Consist = sim.Consist{ID: id + "-cars", Name: "Cars of " + id, Cars: []sim.Car{car}}
		tr.Throttle = [][2]float64{{3, math.Round(throttle + evenly(t, "throttle of its own", -15, 15))}}
		tr.LoadSD = rapid.Float64Range(0, 0.06).Draw(t, "load_sd")
		if tagged {
			tr.Tag = "tag-" + id
			tr.HideStart = rapid.Bool().Draw(t, "hide_start")
		}
		room = append(room, lengthMm(tr)+trainRoomMm)
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

// drawFaults draws what goes wrong. Known limit: edges of a bounce that jitter or a
// coarse tick has put in another order than they came in (seq tells) are taken by
// their instants, and the rear can then be taken for the front; so what bounces has
// less of both here.
func drawFaults(t *rapid.T) sim.Faults {
	f := sim.Faults{
		JitterUs: evenly(t, "jitter_us", 0, 2000), TickUs: oneOf(t, "tick_us", 1.0, 10, 100, 1000),
		Bounce: oneOf(t, "bounce", 0.0, 0.02, 0.05), BounceEdges: 3, BounceUs: 8000,
		Missed: oneOf(t, "missed", 0.0, 0, 0.005, 0.01),
		Copies: oneOf(t, "copies", 0.0, 0.05), CopyUs: 500_000,
		Disorder: oneOf(t, "disorder", 0.0, 0.2), DisorderUs: evenly(t, "disorder_us", 0, 1_500_000),
		RestartsHour: oneOf(t, "restarts", 0.0, 0, 6), RestartS: 1.5,
	}
	return f
}

// quieten takes the jitter from gates that neither state it nor let it be seen in
// their tick. Known limit: a gate that states no u_us is believed to its tick until
// twenty pairs of neighbouring axles have shown more, and one that sees no axles for
// ever, so that laps may be 6 u off and more.
func quieten(s *sim.Scenario) {
	for i := range s.Gates {
		if g := &s.Gates[i]; !*g.UStated {
			quiet := min(s.Faults.JitterUs, s.Faults.TickUs/3)
			g.JitterUs = &quiet
		}
	}
}

// standClear moves all trains on together until none stands over the timing gate
// or starts so close before it that it is still getting under way there. Known
// limit: of a train that stands over the timing gate only the rear axles are seen,
// which can make a lap too many, or put trains without tags one place out; and of
// one that gets under way over it the first instant is more than 6 u off.
func standClear(s *sim.Scenario) {
	const awayMm, stepMm = 500, 50
	lap, gate := lapMm(), s.Gates[slices.IndexFunc(s.Gates, func(g sim.Gate) bool { return g.Timing })].PositionMm
	clear := func() bool {
		return !slices.ContainsFunc(s.Trains, func(tr sim.Train) bool {
			behind := math.Mod(tr.StartMm+awayMm-gate+lap, lap)
			return behind < awayMm+lengthMm(tr)+100
		})
	}
	for range int(lap / stepMm) {
		if clear() {
			return
		}
		for i := range s.Trains {
			s.Trains[i].StartMm = math.Mod(s.Trains[i].StartMm+stepMm, math.Floor(lap))
		}
	}
}

// tellApart gives three trains tags when two of them start between the same two
// gates. Known limit: without tags the third is then taken to run between the two,
// though each start_mm is told and every gate sees everything, and all their laps
// go to the wrong trains.
func tellApart(s *sim.Scenario) {
	next := map[string]bool{} // the gate before each train
	for _, tr := range s.Trains {
		away := func(g sim.Gate) float64 { return math.Mod(g.PositionMm-tr.StartMm+lapMm(), lapMm()) }
		next[slices.MinFunc(s.Gates, func(a, b sim.Gate) int { return cmp.Compare(away(a), away(b)) }).ID] = true
	}
	if len(s.Trains) < 3 || len(next) == len(s.Trains) {
		return
	}
	for i := range s.Trains {
		s.Trains[i].Tag = "tag-" + s.Trains[i].Trial
	}
}

// lengthMm is that of a drawn train.
func lengthMm(tr sim.Train) float64 {
	return tr.Loco.LengthMm + float64(tr.Consist.Cars[0].Times)*tr.Consist.Cars[0].LengthMm
}

func drawClocks(t *rapid.T, like sim.Clocks) sim.Clocks {
	like.OffsetUs = evenly(t, "offset_us", 0, 120_000)
	like.DriftPpm = evenly(t, "drift_ppm", 0, 80)
	return like
}

// What must hold of any fair railway, drawn at random: no lap that was none, none
// bridged without saying so, nearly every lap right (every one, when gates miss
// nothing and agents do not restart), measured laps within 6 u of the truth, and
// the same laps in whatever order the events come.
func TestDrawnScenarios(t *testing.T) {
	t.Parallel()
	for seed := *drawnFirst; seed < *drawnFirst+*drawnCases; seed++ {
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			s := drawnScenario().Example(seed)
			var events []wire.Event
			setup, run, err := sim.Simulate(s, int64(seed), simulatedFromUs, func(e wire.Event) error {
				events = append(events, e)
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			results := scoreEvents(setup, events)
			checkDrawn(t, s, truth.Compare(run, scoredOf(results)))
			sameLaps(t, results, scoreEvents(setup, rearranged(s, events, uint64(seed), true)), true)
			sameLaps(t, results, scoreEvents(setup, rearranged(s, events, uint64(seed), false)), false)
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
	settled := r.Laps.True - r.Laps.Unsettled // of the last lap nothing is known before two gates more
	if float64(r.Laps.Matched) < math.Floor(want*float64(settled)) {
		t.Errorf("%d of %d settled laps are right, want %.0f %%", r.Laps.Matched, settled, 100*want)
	}
	room := 1e-6 // instants are whole microseconds
	switch s.Gates[slices.IndexFunc(s.Gates, func(g sim.Gate) bool { return g.Timing })].Sees {
	case sim.SeesSpans:
		room = 0.0005 // the beam sees a wheel 5 mm before its axle: sooner by more where the train is slower
	case sim.SeesAxles:
		room = 0.0002 // known limit: a front by all axles, of a quiet gate, can be 0.1 ms off at u = 0.01 ms
	}
	for _, l := range r.Lines {
		if l.Verdict != truth.Matched || l.Scored.Inferred {
			continue
		}
		if off := math.Abs(float64(l.ErrorMs)) / 1e3; off > 6*l.Scored.US+room {
			t.Errorf("%s, lap %d: %.3f ms off, u = %.3f ms", l.Trial, l.Scored.Lap, off*1e3, l.Scored.US*1e3)
		}
	}
}

// rearranged is the same events, each arriving up to a second later, as far as
// the disorder window leaves room. With keepClocks no event changes places with a
// clock exchange of its own agent, so that its instant is worked out from the same
// exchanges; without it later exchanges may be known by then, or earlier ones not
// yet.
func rearranged(s sim.Scenario, events []wire.Event, seed uint64, keepClocks bool) []wire.Event {
	late := 1_000_000.0
	if s.Faults.Disorder > 0 {
		late = min(late, 1_800_000-s.Faults.DisorderUs)
	}
	rng := rand.New(rand.NewPCG(seed, 7))
	out := slices.Clone(events)
	byArrival, same := timedByArrival(events), atOnce(events)
	until := map[string]int64{} // the next exchange of each agent, or of its next boot anything
	boot := map[string]string{}
	for i := len(out) - 1; i >= 0; i-- {
		e := &out[i]
		if next, ok := boot[e.Agent]; ok && next != e.Boot {
			until[e.Agent] = events[i+1].BusUs
		}
		boot[e.Agent] = e.Boot
		if e.Kind == wire.KindSync {
			until[e.Agent] = e.BusUs
			continue
		}
		at := e.BusUs + int64(rng.Float64()*late)
		if u, ok := until[e.Agent]; ok && keepClocks {
			at = max(e.BusUs, min(at, u-1))
		}
		if !byArrival[i] && !same[i] {
			e.BusUs = at
		}
	}
	slices.SortStableFunc(out, func(a, b wire.Event) int { return cmp.Compare(a.BusUs, b.BusUs) })
	return out
}

// timedByArrival marks what came before the first clock exchange of its boot: the
// arrival is all that is known of its instant.
func timedByArrival(events []wire.Event) []bool {
	type boot struct{ agent, id string }
	known := map[boot]bool{}
	out := make([]bool, len(events))
	for i, e := range events {
		k := boot{e.Agent, e.Boot}
		known[k] = known[k] || e.Kind == wire.KindSync
		out[i] = !known[k]
	}
	return out
}

// atOnce marks crossings of one gate with one and the same instant. Known limit: of
// two edges within one tick the first to arrive is taken for the first.
func atOnce(events []wire.Event) []bool {
	type instant struct {
		gate, boot string
		atUs       int64
	}
	n := map[instant]int{}
	out := make([]bool, len(events))
	for _, e := range events {
		n[instant{e.Gate, e.Boot, e.AtUs}]++
	}
	for i, e := range events {
		out[i] = e.Kind == wire.KindCrossing && n[instant{e.Gate, e.Boot, e.AtUs}] > 1
	}
	return out
}

// sameLaps is whether two scorings have the same laps: exactly, or, when instants
// are known from other clock exchanges, as nearly as that lets them.
func sameLaps(t *testing.T, one, other wire.Results, exactly bool) {
	t.Helper()
	for i, a := range one.Trials {
		b := other.Trials[i]
		if len(a.Laps) != len(b.Laps) {
			t.Errorf("%s: %d laps, in another order of arrival %d", a.Trial, len(a.Laps), len(b.Laps))
			continue
		}
		for k, x := range a.Laps {
			y := b.Laps[k]
			apart := max(math.Abs(float64(x.StartUs-y.StartUs))/1e6, math.Abs(x.LapTimeS-y.LapTimeS))
			same := x.StartUs == y.StartUs && x.LapTimeS == y.LapTimeS && x.US == y.US && x.Source == y.Source
			if !exactly {
				same = apart < 0.001+3*max(x.US, y.US)
			}
			if !same || x.Counts != y.Counts {
				t.Errorf("%s: lap %d from %d of %.6f s (u %.6f, %s, %s), in another order (exactly: %v) from %d of %.6f s (u %.6f, %s, %s)",
					a.Trial, x.Lap, x.StartUs, x.LapTimeS, x.US, x.Source, x.Counts, exactly, y.StartUs, y.LapTimeS, y.US, y.Source, y.Counts)
				break
			}
		}
	}
}

// told is a drawn scenario in a line or two.
func told(s sim.Scenario) string {
	out := fmt.Sprintf("%g min, faults %+v, clocks %g us %g ppm", s.Minutes, s.Faults, s.Clocks.OffsetUs, s.Clocks.DriftPpm)
	for _, g := range s.Gates {
		out += fmt.Sprintf("; %s at %g sees %s (pair %g, timing %v, stated %v)", g.ID, g.PositionMm, g.Sees, g.PairMm, g.Timing, *g.UStated)
	}
	for _, tr := range s.Trains {
		out += fmt.Sprintf("; %s from %g, tag %q, hidden %v, throttle %v, %d cars, load_sd %.3f", tr.Trial, tr.StartMm, tr.Tag, tr.HideStart, tr.Throttle, tr.Consist.Cars[0].Times, tr.LoadSD)
	}
	return out
}
