package tracker_test

import (
	"cmp"
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"rainhill/pkg/passage"
	"rainhill/pkg/tracker"
)

// A small railway with known truth: trains come to gates at instants that a test
// draws, gates report by their kind, and what was whose is kept.

const t0 = int64(1_790_000_000_000_000)

type kind int

const (
	pulses kind = iota // one pulse for a train
	axles              // a pulse for every axle
	block              // enter at the front, leave at the end
	pair               // a pulse at each of two beams
)

// axlesMm are a train's axles behind the foremost.
var axlesMm = []float64{0, 25, 100, 130, 220, 245, 330, 355}

type front struct {
	w    int
	us   int64
	seen bool
}

// fact is a crossing; slot is -1 when no train made it.
type fact struct {
	x    passage.Crossing
	slot int
}

type world struct {
	rng   *rand.Rand
	gates []tracker.Gate
	lap   float64
	kind  kind
	// faults
	miss    float64 // share of passages that a gate does not see at all
	clutter float64 // false pulses, a gate and minute
	jitter  float64 // us, standard deviation
	unread  float64 // share of tags
	wrong   float64 // share of tags read
	uneven  float64 // standard deviation of the instant at a gate, as a share of a quarter lap

	trains []tracker.Train
	facts  []fact
	truth  map[int][]front
	made   int // false pulses
}

// newWorld is a lap of 6 m with gates at uneven distances, the first timing.
func newWorld(seed uint64, k kind) *world {
	w := &world{rng: rand.New(rand.NewPCG(seed, 9)), lap: 6000, kind: k, truth: map[int][]front{}, uneven: 0.01, jitter: 300}
	for i, mm := range []float64{0, 1300, 3100, 4400} {
		w.gates = append(w.gates, tracker.Gate{ID: string(rune('a' + i)), PositionMm: mm, Timing: i == 0})
	}
	if k == pair {
		for i := range w.gates {
			w.gates[i].PairMm = 60
		}
	}
	return w
}

// add puts a train in the book, of 360 mm, standing nowhere in particular.
func (w *world) add(tag string) (slot int) {
	w.trains = append(w.trains, tracker.Train{ID: string(rune('p' + len(w.trains))), Tag: tag, FromUs: t0, LengthMm: 360, StartMm: math.NaN()})
	return len(w.trains) - 1
}

func (w *world) line() *tracker.Line {
	return tracker.NewLine(w.lap, w.gates, w.trains, tracker.Default())
}

// run has a train come to gate numbers from, from+1 ... to at a speed, to the
// first of them at us.
func (w *world) run(slot, from, to int, us int64, mmS float64) {
	l := w.line()
	for k := from; k <= to; k++ {
		at := float64(us) + l.DistanceMm(slot, from, k)/mmS*1e6 + w.rng.NormFloat64()*w.uneven*w.lap/4/mmS*1e6
		w.pass(slot, k, int64(at), mmS)
	}
}

// three puts three trains of one speed on the rails, 2 m apart, the first 300 mm
// before the timing gate, and has each run past so many gates.
func (w *world) three(gates int, tags ...string) {
	for i := range 3 {
		tag := ""
		if len(tags) > 0 {
			tag = tags[i]
		}
		w.add(tag)
		w.run(i, -i, gates-i, t0+int64((300+2000*float64(i)+w.line().DistanceMm(i, 0, -i))/300*1e6), 300)
	}
}

// pass has a train go past gate number k, its front at us.
func (w *world) pass(slot, k int, us int64, mmS float64) {
	seen := w.rng.Float64() >= w.miss
	w.truth[slot] = append(w.truth[slot], front{k, us, seen})
	if seen {
		w.strokes(slot, w.line().Place(slot, k).ID, us, mmS)
	}
}

func (w *world) strokes(slot int, gate string, us int64, mmS float64) {
	tag := w.read(slot)
	put := func(mm float64, edge string, beam int8) {
		at := us + int64(mm/mmS*1e6+w.rng.NormFloat64()*w.jitter)
		w.put(slot, passage.Crossing{Stamp: stamp(at, w.jitter), Gate: gate, Edge: edge, Tag: tag, Beam: beam, Told: true})
	}
	switch w.kind {
	case pulses:
		put(0, passage.Pulse, 0)
	case axles:
		for _, mm := range axlesMm {
			put(mm, passage.Pulse, 0)
		}
	case block:
		put(0, passage.Enter, 0)
		put(360, passage.Leave, 0)
	case pair:
		put(0, passage.Pulse, 1)
		put(60, passage.Pulse, 2)
	}
}

func stamp(us int64, u float64) passage.Stamp { return passage.Stamp{AtUs: us, RawUs: us, UUs: u} }

func (w *world) put(slot int, x passage.Crossing) { w.facts = append(w.facts, fact{x, slot}) }

// read is the tag that a gate reads of a train, perhaps another's, perhaps none.
func (w *world) read(slot int) string {
	tag := w.trains[slot].Tag
	if tag == "" || w.rng.Float64() < w.unread {
		return ""
	}
	if w.rng.Float64() < w.wrong {
		return w.trains[w.rng.IntN(len(w.trains))].Tag
	}
	return tag
}

// order puts the facts in time order, clutter among them.
func (w *world) order() []fact {
	less := func(a, b fact) int { return cmp.Compare(a.x.AtUs, b.x.AtUs) }
	slices.SortStableFunc(w.facts, less)
	first, last := w.facts[0].x.AtUs, w.facts[len(w.facts)-1].x.AtUs
	for _, g := range w.gates {
		for n := w.clutter * float64(last-first) / 60e6; w.rng.Float64() < n; n-- {
			w.put(-1, passage.Crossing{Stamp: stamp(first+w.rng.Int64N(last-first), w.jitter), Gate: g.ID, Edge: passage.Pulse, Told: true})
			w.made++
		}
	}
	slices.SortStableFunc(w.facts, less)
	return w.facts
}

// seen is what a tracker has settled.
type seen struct {
	passages map[int][]tracker.Passage // by slot
	dropped  int                       // as false
	nobody   int
}

func (s *seen) add(o tracker.Out) {
	if s.passages == nil {
		s.passages = map[int][]tracker.Passage{}
	}
	for _, p := range o.Passages {
		s.passages[p.Slot] = append(s.passages[p.Slot], p)
	}
	s.dropped, s.nobody = s.dropped+o.False, s.nobody+o.Nobody
}

// play has a tracker settle all facts, and what is left when all trains have ended.
func (w *world) play() (*tracker.Tracker, seen) {
	l := w.line()
	t := tracker.New(l)
	var s seen
	for _, f := range w.order() {
		s.add(t.Step(l, f.x))
	}
	for slot := range w.trains {
		s.add(t.End(l, slot))
	}
	return t, s
}

// score is how the settled passages agree with the truth.
type score struct {
	fronts, unseen, right, bridged, strange int
}

// score looks for every true front among the settled passages of its train, no
// further than near off, and for what no front made.
func (w *world) score(s seen, near int64) (out score) {
	l := w.line()
	for slot, truth := range w.truth {
		used := map[int]bool{}
		for _, f := range truth {
			out.fronts++
			if !f.seen {
				out.unseen++
			}
			i := slices.IndexFunc(s.passages[slot], func(p tracker.Passage) bool {
				return max(p.Front.AtUs-f.us, f.us-p.Front.AtUs) < near && l.Place(slot, p.W).ID == l.Place(slot, f.w).ID
			})
			switch {
			case i >= 0:
				out.right++
				used[i] = true
			case w.isBridged(s.passages[slot], f):
				out.bridged++
			}
		}
		out.strange += len(s.passages[slot]) - len(used)
	}
	return out
}

func (w *world) isBridged(list []tracker.Passage, f front) bool {
	for i := 1; i < len(list); i++ {
		for _, b := range list[i].Bridge {
			at := float64(list[i-1].Front.AtUs) + b.F*float64(list[i].Front.AtUs-list[i-1].Front.AtUs)
			if math.Abs(at-float64(f.us)) < 400_000 {
				return true
			}
		}
	}
	return false
}

// sum adds up what several runs came to.
func (a score) sum(b score) score {
	return score{a.fronts + b.fronts, a.unseen + b.unseen, a.right + b.right, a.bridged + b.bridged, a.strange + b.strange}
}

// inOrder reports passages of a train that do not go on from the one before.
func inOrder(t testing.TB, list []tracker.Passage) {
	t.Helper()
	for i := 1; i < len(list); i++ {
		a, b := list[i-1], list[i]
		if b.Front.AtUs <= a.Front.AtUs {
			t.Errorf("passage of gate %d at %d comes after that of gate %d at %d", b.W, b.Front.AtUs, a.W, a.Front.AtUs)
		}
		if !b.Set && !b.Turned && b.W != a.W+b.Dir*(1+b.Missed) {
			t.Errorf("gate %d follows gate %d, %d missed between them", b.W, a.W, b.Missed)
		}
		if len(b.Bridge) != b.Missed && a.Dir == b.Dir && !b.Set {
			t.Errorf("gate %d: %d missed, %d bridged", b.W, b.Missed, len(b.Bridge))
		}
	}
}

func encoded(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
