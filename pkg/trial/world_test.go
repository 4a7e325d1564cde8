package trial_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// A small railway with known truth, for tests: trains run round a circuit at
// speeds that the test chooses, gates report by their kind, and the instants of
// every front at the timing gate are kept.

const t0 = int64(1_790_000_000_000_000)

type gateKind int

const (
	once   gateKind = iota // one pulse for a train
	axles                  // a pulse for every axle
	beam                   // enter at the front, leave at the end
	wheels                 // enter and leave at every axle
)

type world struct {
	lap   float64
	gates []wire.Gate
	kind  gateKind
	rng   *rand.Rand
	// faults
	bounce  bool
	miss    float64
	clutter float64 // false pulses a second
	jitter  float64 // us, standard deviation

	events []wire.Event
	setup  wire.Setup
	truth  map[string][]int64 // trial: fronts at the timing gate
}

func newWorld(seed uint64, lap float64, gates int, kind gateKind) *world {
	w := &world{lap: lap, kind: kind, rng: rand.New(rand.NewPCG(seed, 1)), truth: map[string][]int64{}}
	for i := range gates {
		w.gates = append(w.gates, wire.Gate{ID: fmt.Sprintf("g%d", i), PositionMm: math.Round(lap * float64(i) / float64(gates)), Timing: i == 0})
	}
	w.setup = wire.Setup{Circuit: wire.Circuit{ID: "loop", Name: "Loop", LapLengthMm: lap}, Gates: w.gates}
	return w
}

// train is one outing: length, where it starts, its speed at each instant
// (seconds since the start), and for how long.
type train struct {
	id      string
	tag     string
	length  float64
	startMm float64
	tell    bool // state length
	place   bool // state start_mm
	reverse bool
	fromUs  int64
	forS    float64
	speed   func(t float64) float64
}

// run drives a train in steps of 5 ms and lets the gates report.
func (w *world) run(tr train) {
	loco := wire.Locomotive{ID: tr.id, Name: tr.id}
	if tr.tell {
		loco.LengthMm = tr.length
	}
	tl := wire.Trial{ID: "t-" + tr.id, Locomotive: tr.id, Tag: tr.tag, FromUs: tr.fromUs, ToUs: tr.fromUs + int64(tr.forS*1e6)}
	if tr.reverse {
		tl.Direction = "reverse"
	}
	if tr.place {
		tl.StartMm = &tr.startMm
	}
	w.setup.Locomotives = append(w.setup.Locomotives, loco)
	w.setup.Trials = append(w.setup.Trials, tl)
	offsets := w.offsets(tr.length)
	type target struct {
		gate  wire.Gate
		axle  int
		front float64 // where the front is when this axle comes to the gate next
	}
	var next []target
	for _, g := range w.gates {
		ahead := math.Mod(g.PositionMm-tr.startMm+2*w.lap, w.lap)
		if tr.reverse {
			ahead = math.Mod(tr.startMm-g.PositionMm+2*w.lap, w.lap)
		}
		if ahead == 0 {
			ahead = w.lap
		}
		for j, off := range offsets {
			next = append(next, target{g, j, ahead + off})
		}
	}
	const dt = 0.005
	pos := 0.0
	for k := 0; float64(k)*dt < tr.forS; k++ {
		step := tr.speed(float64(k)*dt) * dt
		for i := range next {
			n := &next[i]
			if n.front > pos+step {
				continue
			}
			us := tr.fromUs + int64(math.Round((float64(k)*dt+(n.front-pos)/step*dt)*1e6))
			if n.axle == 0 && n.gate.Timing {
				w.truth[tl.ID] = append(w.truth[tl.ID], us)
			}
			n.front += w.lap
			w.report(n.gate.ID, tr, us, n.axle)
		}
		pos += step
	}
}

// offsets are the axles behind the front: bogies of two axles 25 mm apart, two to a car of about 200 mm.
func (w *world) offsets(length float64) []float64 {
	switch w.kind {
	case once:
		return []float64{0}
	case beam:
		return []float64{0, length}
	}
	out := []float64{0}
	for x := 25.0; x <= length; x += 25 {
		if k := int(x/25) % 8; k == 0 || k == 1 || k == 5 || k == 6 {
			out = append(out, x)
		}
	}
	return out
}

func (w *world) report(gate string, tr train, us int64, axle int) {
	us += int64(w.rng.NormFloat64() * w.jitter)
	e := wire.Event{Kind: wire.KindCrossing, Gate: gate, AtUs: us, Edge: wire.EdgePulse, Tag: tr.tag}
	if w.rng.Float64() < w.miss {
		return
	}
	switch w.kind {
	case beam:
		e.Edge = wire.EdgeEnter
		if axle > 0 {
			e.Edge = wire.EdgeLeave
		}
	case wheels:
		e.Edge = wire.EdgeEnter
		leave := e
		leave.Edge, leave.AtUs = wire.EdgeLeave, us+int64(8/max(tr.speed(float64(us-tr.fromUs)/1e6), 5)*1e6)
		w.events = append(w.events, leave)
	}
	w.events = append(w.events, e)
	if w.bounce {
		for range 1 + w.rng.IntN(3) {
			b := e
			b.AtUs += 1000 + w.rng.Int64N(12_000)
			w.events = append(w.events, b)
		}
	}
}

func (w *world) score(t testing.TB) wire.Results {
	t.Helper()
	if w.clutter > 0 {
		w.addClutter()
	}
	slices.SortStableFunc(w.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
	if err := w.setup.Check(); err != nil {
		t.Fatal(err)
	}
	s := trial.New("test")
	for _, e := range trial.FromSetup(w.setup, "recording", w.setup.Trials[0].FromUs) {
		s.Step(e)
	}
	for _, e := range w.events {
		s.Step(e)
	}
	s.Finish()
	return s.Results()
}

func (w *world) addClutter() {
	first, last := w.setup.Trials[0].FromUs, w.setup.Trials[0].ToUs
	for n := int(w.clutter * float64(last-first) / 1e6); n > 0; n-- {
		w.events = append(w.events, wire.Event{
			Kind: wire.KindCrossing, Gate: w.gates[w.rng.IntN(len(w.gates))].ID, AtUs: first + w.rng.Int64N(last-first), Edge: wire.EdgePulse,
		})
	}
}

// wrong compares a trial with the truth: it says what differs, or nothing.
func (w *world) wrong(r wire.Results, id string) string {
	truth := w.truth[id]
	for _, t := range r.Trials {
		if t.Trial != id {
			continue
		}
		var got, want []string
		tolerance := 1000 + 8*int64(w.jitter)
		same := len(t.Laps) == max(0, len(truth)-1)
		for _, l := range t.Laps {
			got = append(got, fmt.Sprintf("%.3f@%.3f", l.LapTimeS, float64(l.StartUs-t0)/1e6))
		}
		for i := 1; i < len(truth); i++ {
			want = append(want, fmt.Sprintf("%.3f@%.3f", float64(truth[i]-truth[i-1])/1e6, float64(truth[i-1]-t0)/1e6))
			if same {
				l := t.Laps[i-1]
				off := l.StartUs - truth[i-1]
				off2 := int64(math.Round(l.LapTimeS*1e6)) - truth[i] + truth[i-1]
				if l.Source == wire.Measured && (max(off, -off) > tolerance || max(off2, -off2) > 2*tolerance) {
					same = false
				}
			}
		}
		if same {
			return ""
		}
		return fmt.Sprintf("%d laps, want %d\n got %v\nwant %v\n%+v", len(t.Laps), max(0, len(truth)-1), got, want, t.Dropped)
	}
	return "no such trial"
}

func steady(v float64) func(float64) float64 { return func(float64) float64 { return v } }
