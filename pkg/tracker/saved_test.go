package tracker_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"rainhill/pkg/passage"
	"rainhill/pkg/tracker"
)

// anyWorld is three trains, with tags or without, at gates of any kind with any
// faults.
func anyWorld(seed uint64, gates int) *world {
	w := newWorld(seed, kind(seed%4))
	w.miss, w.clutter = 0.1*w.rng.Float64(), 4*w.rng.Float64()
	w.unread, w.wrong = 0.2, 0.05
	if w.rng.IntN(2) == 0 {
		w.three(gates, "A1", "B2", "C3")
	} else {
		w.three(gates)
	}
	told := w.rng.IntN(3)
	for i := range w.trains {
		switch told {
		case 1:
			w.trains[i].StartMm = 5700 - 2000*float64(i)
		case 2:
			w.trains[i].Order = i + 1
		}
	}
	if w.rng.IntN(2) == 0 {
		w.trains[1].ToUs = w.truth[1][gates/2].us
	}
	return w
}

func saved(t testing.TB, tr *tracker.Tracker) *tracker.Tracker {
	t.Helper()
	var back tracker.Tracker
	if err := json.Unmarshal([]byte(encoded(t, tr)), &back); err != nil {
		t.Fatal(err)
	}
	return &back
}

// Written down and read again after any fact, a tracker gives the same answers
// and ends the same.
func TestASavedTrackerGoesOnTheSame(t *testing.T) {
	for seed := range uint64(18) {
		w := anyWorld(seed, 30)
		facts, l := w.order(), w.line()
		cuts := map[int]bool{0: true, len(facts): true}
		for range 12 {
			cuts[w.rng.IntN(len(facts))] = true
		}
		a, b := tracker.New(l), tracker.New(l)
		for i, f := range facts {
			if cuts[i] {
				was := encoded(t, b)
				if b = saved(t, b); encoded(t, b) != was {
					t.Fatalf("seed %d: after %d facts it is read as\n %s, written was\n %s", seed, i, encoded(t, b), was)
				}
			}
			if x, y := encoded(t, a.Step(l, f.x)), encoded(t, b.Step(l, f.x)); x != y {
				t.Fatalf("seed %d: fact %d:\n %s, having been written down\n %s", seed, i, x, y)
			}
		}
		if cuts[len(facts)] {
			b = saved(t, b)
		}
		for slot := range w.trains {
			if x, y := encoded(t, a.End(l, slot)), encoded(t, b.End(l, slot)); x != y {
				t.Fatalf("seed %d: end of train %d:\n %s, having been written down\n %s", seed, slot, x, y)
			}
		}
		if encoded(t, a) != encoded(t, b) {
			t.Fatalf("seed %d: in the end they differ", seed)
		}
	}
}

// What is done to a clone is not done to the tracker, nor the other way round.
func TestACloneIsOnItsOwn(t *testing.T) {
	for seed := range uint64(18) {
		w := anyWorld(seed, 30)
		facts, l := w.order(), w.line()
		cut := w.rng.IntN(len(facts))
		a := tracker.New(l)
		for _, f := range facts[:cut] {
			a.Step(l, f.x)
		}
		was := encoded(t, a)
		one, two := a.Clone(), a.Clone()
		if encoded(t, one) != was {
			t.Fatalf("seed %d: the clone is\n %s, of\n %s", seed, encoded(t, one), was)
		}
		var first []string
		for _, f := range facts[cut:] {
			first = append(first, encoded(t, one.Step(l, f.x)))
		}
		for slot := range w.trains {
			one.Tail(l, slot)
			one.End(l, slot)
		}
		if encoded(t, a) != was || encoded(t, two) != was {
			t.Fatalf("seed %d: stepping a clone changed\n %s to\n %s, another clone to\n %s", seed, was, encoded(t, a), encoded(t, two))
		}
		for i, f := range facts[cut:] {
			if got := encoded(t, a.Step(l, f.x)); got != first[i] {
				t.Fatalf("seed %d: fact %d: the clone said\n %s, the tracker\n %s", seed, cut+i, first[i], got)
			}
		}
		if encoded(t, two) != was {
			t.Fatalf("seed %d: stepping the tracker changed a clone", seed)
		}
	}
}

// Every answer goes on from the one before, every front is a crossing of its
// gate or an instant between two, and none is given twice.
func TestAnswersGoOn(t *testing.T) {
	for seed := range uint64(30) {
		w := anyWorld(seed, 40)
		_, s := w.play()
		strokes := 0
		for slot := range w.trains {
			list := s.passages[slot]
			for i, p := range list {
				strokes += p.Strokes
				if p.Slot != slot || p.Front.UUs <= 0 || p.EndUs < p.Front.AtUs && !p.Doubtful {
					t.Fatalf("seed %d: passage %d: %+v", seed, i, p)
				}
				if i == 0 {
					continue
				}
				if a := list[i-1]; p.Front.AtUs <= a.Front.AtUs || !p.Set && !p.Turned && (p.Dir != a.Dir || p.W != a.W+p.Dir*(1+p.Missed)) {
					t.Fatalf("seed %d: %+v\n does not go on from\n %+v", seed, p, a)
				}
				for _, b := range p.Bridge {
					if !(b.F > 0 && b.F < 1 && b.U > 0) {
						t.Fatalf("seed %d: passage %d bridges %+v", seed, i, b)
					}
				}
			}
		}
		if all := strokes + s.dropped + s.nobody; all > len(w.facts) {
			t.Fatalf("seed %d: %d crossings were made into %d", seed, len(w.facts), all)
		}
	}
}

// An hour of three trains at gates that miss and invent: what is kept does not grow.
func TestStateIsBounded(t *testing.T) {
	for _, k := range []kind{pulses, block} {
		w := newWorld(13, k)
		w.miss, w.clutter = 0.03, 1.5
		w.three(720) // of 5 s each
		for i := range w.trains {
			w.trains[i].StartMm = 5700 - 2000*float64(i)
		}
		l := w.line()
		tr := tracker.New(l)
		var most [2]struct{ nodes, bytes int }
		facts := w.order()
		if us := facts[len(facts)-1].x.AtUs - t0; us < 3_590_000_000 {
			t.Fatalf("only %d s of crossings", us/1e6)
		}
		for i, f := range facts {
			tr.Step(l, f.x)
			if i < len(facts)/6 || i%7 != 0 { // the first ten minutes are for getting known
				continue
			}
			var x struct {
				Nodes []json.RawMessage `json:"nodes"`
			}
			b := encoded(t, tr)
			if err := json.Unmarshal([]byte(b), &x); err != nil {
				t.Fatal(err)
			}
			half := &most[2*i/len(facts)]
			half.nodes, half.bytes = max(half.nodes, len(x.Nodes)), max(half.bytes, len(b))
		}
		for _, m := range most {
			if m.nodes == 0 || m.nodes > 2000 || m.bytes > 400_000 {
				t.Errorf("gates of kind %d: up to %d choices, %d bytes", k, m.nodes, m.bytes)
			}
		}
		if most[1].bytes > 2*most[0].bytes || most[1].nodes > 2*most[0].nodes {
			t.Errorf("gates of kind %d: in the first half hour %+v, in the second %+v", k, most[0], most[1])
		}
	}
}

// What was damaged is refused with its reason, and not with a panic.
func TestDamageIsRefused(t *testing.T) {
	for _, text := range []string{
		`{"nodes":[{"parent":0}],"done":-1}`, `{"nodes":[{"parent":-1}],"done":1}`, `{"nodes":[{"parent":-2}],"done":-1}`,
		`{"done":-1,"hyps":[{"state":0,"last":-1}]}`, `{"done":-1,"states":[{}],"hyps":[{"state":0,"last":3}]}`, `{"done":-1,"states":[{}],"hyps":[{"state":-1,"last":-1}]}`, `[]`,
	} {
		var tr tracker.Tracker
		if err := json.Unmarshal([]byte(text), &tr); err == nil {
			t.Errorf("%s was read", text)
		}
	}
}

// A crossing of a gate that is not on the circuit, and a line without any.
func TestNoSuchGate(t *testing.T) {
	w := newWorld(14, pulses)
	w.add("")
	l := w.line()
	tr := tracker.New(l)
	was := encoded(t, tr)
	if got := tr.Step(l, passage.Crossing{Stamp: stamp(t0+1, 1), Gate: "zz", Edge: passage.Pulse}); fmt.Sprint(got) != fmt.Sprint(tracker.Out{}) || encoded(t, tr) != was {
		t.Errorf("a gate that stands nowhere: %+v", got)
	}
	none := tracker.NewLine(0, w.gates, w.trains, tracker.Default())
	if got := tracker.New(none).Step(none, passage.Crossing{Stamp: stamp(t0+1, 1), Gate: "a", Edge: passage.Pulse}); none.Has("a") || fmt.Sprint(got) != fmt.Sprint(tracker.Out{}) {
		t.Errorf("a circuit of no length: %+v", got)
	}
}
