package tracker

import (
	"math"
	"slices"

	"rainhill/pkg/beam"
	"rainhill/pkg/passage"
)

// Passage is one train going past one gate.
type Passage struct {
	Slot    int
	W       int // number of the gate on the train's way, counted on from lap to lap
	Dir     int // 1 running its way, -1 running back
	Front   passage.Stamp
	Strokes int
	EndUs   int64 // when the last of it was seen
	// Doubtful means that the instant is not the front's own, seen for sure.
	Doubtful bool
	Missed   int  // gates passed unseen since the last passage
	Turned   bool // it has turned round since
	Set      bool // it was set on anew: nothing before belongs to the same lap
	First    bool
	// Late is ln(time taken / time expected) since the last passage, WantUs the
	// time expected; 0 when nothing was.
	Late   float64
	WantUs float64
	Bridge []Share // where between the two passages the missed gates lie
	Trap   *Trap
	Tag    string
}

// Share is the instant of a missed gate as a share of the time between two
// passages, with its standard uncertainty.
type Share struct {
	W    int
	F, U float64
}

// Trap is the speed between two beams, mm/s, against the train's way if negative.
type Trap struct{ MmS, U float64 }

// pass is a passage while it may still grow.
type pass struct {
	Move    Move
	strokes []passage.Stroke // of the passage
	numbers []int            // of the strokes
	Split   float64          // us: how far other ways to see it lie off, weighted
	MmS     float64          // speed towards it; 0 or NaN when it did not simply run on
	rested  bool             // the train stood over the gate
	growing bool             // it is still over the gate: what lacks of its pattern is to come
	prev    *Passage
}

func (p *pass) instants() []float64 {
	var us []float64
	for _, s := range p.strokes {
		if s.Beam != 2 {
			us = append(us, float64(s.AtUs-p.strokes[0].AtUs))
		}
	}
	return us
}

// blockUs is how long the beam was blocked when it was blocked once.
func (p *pass) blockUs() float64 {
	if len(p.strokes) != 1 || p.strokes[0].EndUs == 0 {
		return 0
	}
	return float64(p.strokes[0].EndUs - p.strokes[0].AtUs)
}

// settle makes final what all ways agree on, and what lies further back than
// the lag.
func (t *Tracker) settle(l *Line) Out {
	var out Out
	if len(t.Hyps) == 1 {
		t.commit(l, t.Hyps[0].Last, &out)
		return out
	}
	if n := t.forced(l); n != nil && n != t.done {
		t.split(l, n)
		t.Hyps = beam.Force(t.Hyps, n)
		t.commit(l, n, &out)
	}
	if n := beam.Agreed(t.Hyps); n != nil && n != t.done {
		t.commit(l, n, &out)
	}
	return out
}

const (
	mostLoose  = 64
	mostHoldUs = 180_000_000 // an arrival waits for no longer to be borne out
	elseUs     = 1e6         // us
	earlyLag   = 24          // gates, while little is known of a train
	earlyFew   = 4           // passages until then
	mostNodes  = 1500        // strokes not settled
)

// forced is the choice up to which the best way is taken for true, because the
// lag is over; nil for none.
func (t *Tracker) forced(l *Line) *node {
	var few [64]*node
	path := few[:0]
	for n := t.Hyps[0].Last; n != nil && n != t.done; n = n.Parent {
		path = append(path, n)
	}
	if len(path) > mostNodes {
		return path[mostNodes/2]
	}
	now := t.Strokes[len(t.Strokes)-1].AtUs
	var few2 [16]later
	seen := few2[:0]
	var last *node
	for _, n := range path { // newest first
		if n.Move.Kind == nobody || n.Move.Kind == stay {
			continue
		}
		if !t.sure(l, n, &seen, now) {
			last = nil // what comes after it waits for it
		} else if last == nil {
			last = n
		}
	}
	return last
}

// later is how many passages of a train came after the one at hand.
type later struct{ slot, n int }

// sure reports whether a train has passed as many gates since an arrival as the
// lag wants, or has had the time to and did not.
func (t *Tracker) sure(l *Line, n *node, seen *[]later, nowUs int64) bool {
	slot, k := n.Move.Slot, 0
	for k < len(*seen) && (*seen)[k].slot != slot {
		k++
	}
	if k == len(*seen) {
		*seen = append(*seen, later{slot, 0})
	}
	after := (*seen)[k].n
	(*seen)[k].n++
	lag, hold := l.Rules.LagGates, int64(mostHoldUs)
	if f := t.Forms[slot]; f == nil || f.Passages < earlyFew {
		lag = max(lag, earlyLag)
	} else if f.MmS > 0 {
		hold = min(hold, int64(3*float64(lag)*l.LapMm/float64(l.Gates())/f.MmS*1e6))
	}
	return after >= lag-1 || nowUs-t.Strokes[n.Depth-t.Base].AtUs > hold
}

// split notes, of the arrivals about to be settled against the vote of other
// ways, how far those place them elsewhere.
func (t *Tracker) split(l *Line, n *node) {
	weights := beam.Weights(t.Hyps)
	for _, p := range beam.Path(t.done, n) {
		if p.Move.Kind == nobody || p.Move.Kind == stay {
			continue
		}
		at := t.Strokes[p.Depth-t.Base].AtUs
		var sum, against float64
		for i, h := range t.Hyps {
			if h.Last.At(p.Depth) == p {
				continue
			}
			if other, ok := t.arrival(h.Last, p.Move.Slot, p.Move.W); ok {
				d := float64(t.Strokes[other-t.Base].AtUs - at)
				if math.Abs(d) > elseUs {
					continue // that would be another passage, not this one at another instant
				}
				sum += weights[i] * d * d
				if d != 0 {
					against += weights[i]
				}
			}
		}
		if against > 0.01 {
			t.note(p, math.Sqrt(sum))
		}
	}
}

// note keeps a split for the passage that a choice begins.
func (t *Tracker) note(p *node, us float64) {
	if t.splits == nil {
		t.splits = map[int]float64{}
	}
	t.splits[p.Depth] = us
}

// arrival is the stroke by which a history has a train come to a gate.
func (t *Tracker) arrival(n *node, slot, w int) (stroke int, ok bool) {
	for ; n != nil && n != t.done; n = n.Parent {
		if m := n.Move; m.Slot == slot && m.W == w && m.Kind != nobody && m.Kind != stay {
			return n.Depth, true
		}
	}
	return 0, false
}

// commit settles everything up to n.
func (t *Tracker) commit(l *Line, n *node, out *Out) {
	if n == nil || n == t.done {
		return
	}
	for _, p := range beam.Path(t.done, n) {
		t.take(l, p, out)
	}
	t.done = n
	n.Parent = nil // nothing looks further back
	drop := n.Depth + 1 - t.Base
	t.Strokes = append([]passage.Stroke(nil), t.Strokes[drop:]...)
	t.Base += drop
}

// take settles one choice.
func (t *Tracker) take(l *Line, p *node, out *Out) {
	s := t.Strokes[p.Depth-t.Base]
	g := &t.Gates[l.ways[0].index[s.Gate]].Sight
	m := p.Move
	switch m.Kind {
	case nobody:
		if s.Tag != "" && l.stranger(s.Tag) {
			out.Nobody++
			return
		}
		g.False++
		out.False++
		t.Loose = append(t.Loose, s)
		if n := len(t.Loose); n > mostLoose {
			t.Loose = slices.Clone(t.Loose[n-mostLoose/2:])
		}
		return
	case stay:
		grow(t.Opens[m.Slot], p, s)
		return
	}
	t.see(l, g, s, m)
	next := &pass{Move: m, strokes: []passage.Stroke{s}, numbers: []int{p.Depth}, Split: t.splits[p.Depth]}
	delete(t.splits, p.Depth)
	list := t.Opens[m.Slot]
	if n := len(list); n > 0 {
		next.MmS = t.speed(l, list[n-1], next)
	}
	list = append(list, next)
	for len(list) > 1 && (len(list) > most || t.cleared(l, list[0], list[1], s.AtUs) && t.patterned(m.Slot, list)) {
		t.prepare(l, m.Slot, list)
		done, form := t.finish(l, m.Slot, list[0], list[1])
		t.Forms[m.Slot] = &form
		out.Passages = append(out.Passages, done)
		list[1].prev, list = &done, list[1:]
	}
	t.Opens[m.Slot] = list
}

// most passages that are settled but may still grow.
const most = 6

// patterned reports whether the pattern of a train's strokes is known, as far as
// it has one, from earlier passages or from those at hand.
func (t *Tracker) patterned(slot int, list []*pass) bool {
	f := t.Forms[slot]
	if f == nil {
		f = &Form{}
	}
	if f.Passages >= earlyFew {
		return true
	}
	known, single := false, 0
	for _, p := range list {
		switch {
		case len(p.fronts()) == 1:
			single++
		case !f.Any[p.manner()].Pattern.Known():
			return false
		default:
			known = true
		}
	}
	return known || single >= 2
}

// prepare learns the pattern of a train's strokes from the passages at hand
// before the first of them is judged by it.
func (t *Tracker) prepare(l *Line, slot int, list []*pass) {
	var f Form
	if known := t.Forms[slot]; known != nil {
		f = *known
	}
	if slices.ContainsFunc(f.Any[:], func(s Shape) bool { return s.N > 0 }) || f.Passages > 0 || len(list) < 3 {
		return
	}
	for i, p := range list[:len(list)-1] {
		if v := around(p, list[i+1]); !p.rested && !math.IsNaN(v) {
			m := t.Gates[l.ways[0].index[p.strokes[0].Gate]].Sight.manner(p.manner())
			f.Any[m] = f.Any[m].learn(p, v)
		}
	}
	t.Forms[slot] = &f
}

// grow gives one more stroke to the passage of the gate that it belongs to.
func grow(list []*pass, p *node, s passage.Stroke) {
	for i := len(list) - 1; i >= 0; i-- {
		if o := list[i]; o.Move.W == p.Move.W {
			o.strokes, o.numbers, o.rested = append(o.strokes, s), append(o.numbers, p.Depth), o.rested || p.Move.Stood
			return
		}
	}
}

// cleared reports whether a train has left the gate of a passage by an instant.
func (t *Tracker) cleared(l *Line, p, next *pass, us int64) bool {
	v := around(p, next)
	if math.IsNaN(v) {
		return true
	}
	length, _ := l.length(p.Move.Slot, t.Forms[p.Move.Slot])
	if told := l.Trains[p.Move.Slot].LengthMm; told > 0 {
		length = max(length, told)
	}
	return float64(us-p.strokes[0].AtUs)/1e6*v > 1.2*length
}

// see counts what a gate showed.
func (t *Tracker) see(l *Line, g *Sight, s passage.Stroke, m Move) {
	g.Passages++
	for k := 1; k <= m.Missed; k++ {
		missed := l.Place(m.Slot, m.W-k*m.Dir)
		t.Gates[l.ways[0].index[missed.ID]].Sight.Missed++
	}
	if l.Trains[m.Slot].Tag != "" {
		g.Tagged++
		if s.Tag != "" {
			g.Tags++
		}
	}
}

// speed is that from one passage to the next, mm/s; NaN when it did not simply
// run on.
func (t *Tracker) speed(l *Line, a, b *pass) float64 {
	if b.Move.Kind != arrive || a.Move.Dir != b.Move.Dir || b.Move.Late > 0.7 || b.Move.RestUs > 0 {
		return math.NaN()
	}
	us := b.strokes[0].AtUs - a.strokes[0].AtUs
	return math.Abs(l.DistanceMm(b.Move.Slot, a.Move.W, b.Move.W)) / float64(us) * 1e6
}

// End settles all that a train has left, as its trial is over, and with it what
// came before.
func (t *Tracker) End(l *Line, slot int) Out {
	var out Out
	t.fit(l)
	best := t.Hyps[0]
	t.Hyps = t.Hyps[:1]
	t.commit(l, best.Last, &out)
	out.Passages = append(out.Passages, t.finishAll(l, slot, t.Opens[slot])...)
	delete(t.Opens, slot)
	t.Hyps = []hyp{{State: best.State.without(slot), Last: t.Hyps[0].Last}}
	delete(t.Forms, slot)
	t.over[slot] = true
	return out
}

// Tail is what the best way makes of what is not settled of a train.
func (t *Tracker) Tail(l *Line, slot int) []Passage {
	list := cloneAll(t.Opens[slot])
	if len(t.Hyps) > 0 {
		for _, p := range beam.Path(t.done, t.Hyps[0].Last) {
			m := p.Move
			if m.Kind == nobody || m.Slot != slot {
				continue
			}
			s := t.Strokes[p.Depth-t.Base]
			if m.Kind == stay {
				grow(list, p, s)
				continue
			}
			next := &pass{Move: m, strokes: []passage.Stroke{s}, numbers: []int{p.Depth}}
			if n := len(list); n > 0 {
				next.MmS = t.speed(l, list[n-1], next)
			}
			list = append(list, next)
		}
	}
	if n := len(list); n > 0 {
		list[n-1].growing = !t.cleared(l, list[n-1], nil, t.lastUs())
	}
	return t.finishAll(l, slot, list)
}

// lastUs is the instant of the last stroke.
func (t *Tracker) lastUs() (us int64) {
	for i := range t.Gates {
		us = max(us, t.Gates[i].Sight.LastUs)
	}
	return us
}

// finishAll is what passages were, of which no more is to come.
func (t *Tracker) finishAll(l *Line, slot int, list []*pass) []Passage {
	var out []Passage
	t.prepare(l, slot, list)
	for i, p := range list {
		var next *pass
		if i+1 < len(list) {
			next = list[i+1]
		}
		done, _ := t.finish(l, slot, p, next)
		out = append(out, done)
		if next != nil {
			next.prev = &done
		}
	}
	return out
}

// Silent is the train's place by the best way: the gate it passed last, when,
// and how long it should take to the next, us; ok is false when that is unknown.
func (t *Tracker) Silent(l *Line, slot int) (w, dir int, atUs int64, wantUs float64, ok bool) {
	if len(t.Hyps) == 0 {
		return 0, 0, 0, 0, false
	}
	s := t.Hyps[0].State
	i := s.seat(slot)
	if i < 0 || s.Seats[i].Virtual || s.Seats[i].Scatter == 0 {
		return 0, 0, 0, 0, false
	}
	x := s.Seats[i]
	return x.W, x.Dir, x.AtUs, l.timeTo(x, t.form(slot), x.W+x.Dir) * 1e6, true
}

// Running is the slots of the trains seen, in running order, by the best way.
func (t *Tracker) Running(l *Line) []int {
	var out []int
	if len(t.Hyps) > 0 {
		for _, x := range t.Hyps[0].State.Seats {
			if !x.Virtual {
				out = append(out, x.Slot)
			}
		}
	}
	return out
}

// Misplaced is the slots of trains that did not stand where their trials say.
func (t *Tracker) Misplaced() []int {
	var out []int
	if len(t.Hyps) > 0 {
		for _, x := range t.Hyps[0].State.Seats {
			if x.Misplaced {
				out = append(out, x.Slot)
			}
		}
	}
	return out
}

// SeenMm is how long a train has shown itself to be at gates, NaN when it has
// not: from first axle to last, or as it blocks a beam.
func (t *Tracker) SeenMm(slot int) float64 {
	return t.Forms[slot].seenMm()
}
