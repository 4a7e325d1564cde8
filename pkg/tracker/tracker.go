// Package tracker answers "whose passage was that?" when gates miss trains,
// invent them and see every axle, and trains may carry no identity. It weighs
// all ways to see the crossings: a hidden state (for each train the last gate it
// passed, when, and its speed), moved by each stroke of a gate, under the rule
// that trains on one loop cannot overtake; the best way is found by beam search
// and settles with a fixed lag. Tags are evidence with an error rate. What
// passages make of laps is not in it.
package tracker

import (
	"cmp"
	"math"
	"slices"

	"rainhill/pkg/beam"
	"rainhill/pkg/passage"
)

type hyp = beam.Hyp[*State, Move]
type node = beam.Node[Move]

// limits on what is followed: states, and how much less likely than the best,
// as a logarithm. More are followed while little is known of some train.
var (
	limits = beam.Limits{Keep: 32, Within: 13}
	early  = beam.Limits{Keep: 64, Within: 13}
)

// Watch is a gate as the tracker knows it.
type Watch struct {
	Contact passage.Contact `json:"contact"`
	Sight   Sight           `json:"sight"`
}

// Tracker is what the crossings so far have left. The zero Tracker has seen
// none; it is saved as JSON.
type Tracker struct {
	Hyps    []hyp            // ways to see what is not settled, the best first
	Count   int              // strokes so far
	Base    int              // number of the first of Strokes
	Strokes []passage.Stroke // not settled
	Gates   []Watch          // by index on the forward way
	Forms   map[int]*Form    // by slot
	Opens   map[int][]*pass  // passages that are settled but may still grow, by slot, oldest first
	done    *node            // the last settled choice
	Ended   []Ended          // strokes that ended of late
	Loose   []passage.Stroke // settled strokes of no train, of late
	splits  map[int]float64  // by number of the stroke that begins a passage, us
	over    map[int]bool     // slots whose trains have ended
}

// Out is what a step settled.
type Out struct {
	Passages []Passage
	// False are the strokes of no train, each with the slots of the trains that ran.
	False int
	// Nobody are strokes while no train ran, or with a tag of no train here.
	Nobody int
}

func (o *Out) add(p Out) {
	o.Passages, o.False, o.Nobody = append(o.Passages, p.Passages...), o.False+p.False, o.Nobody+p.Nobody
}

// New is a tracker before the first crossing.
func New(l *Line) *Tracker {
	t := &Tracker{Forms: map[int]*Form{}, Opens: map[int][]*pass{}, over: map[int]bool{}}
	t.fit(l)
	return t
}

// fit makes room for the gates of the line.
func (t *Tracker) fit(l *Line) {
	for len(t.Gates) < l.Gates() {
		t.Gates = append(t.Gates, Watch{Contact: passage.Contact{Stroke: -1}})
	}
	if len(t.Hyps) == 0 {
		owner := make([]int16, l.Gates())
		for i := range owner {
			owner[i] = -1
		}
		t.Hyps = []hyp{{State: &State{Owner: owner}}}
	}
}

// Clone copies t. What does not change once made is shared; choices are not, as
// their past is cut off when it is settled.
func (t *Tracker) Clone() *Tracker {
	out := *t
	copies := map[*node]*node{nil: nil}
	var twin func(n *node) *node
	twin = func(n *node) *node {
		c, ok := copies[n]
		if !ok {
			c = &node{Parent: twin(n.Parent), Depth: n.Depth, Move: n.Move}
			copies[n] = c
		}
		return c
	}
	out.done = twin(t.done)
	out.Hyps, out.Strokes, out.Gates, out.Ended = slices.Clone(t.Hyps), slices.Clone(t.Strokes), slices.Clone(t.Gates), slices.Clone(t.Ended)
	out.Loose = slices.Clone(t.Loose)
	for i := range out.Hyps {
		out.Hyps[i].Last = twin(out.Hyps[i].Last)
	}
	out.Forms = make(map[int]*Form, len(t.Forms))
	for k, v := range t.Forms {
		out.Forms[k] = v
	}
	out.Opens = make(map[int][]*pass, len(t.Opens))
	for slot, list := range t.Opens {
		out.Opens[slot] = cloneAll(list)
	}
	out.splits = make(map[int]float64, len(t.splits))
	for k, v := range t.splits {
		out.splits[k] = v
	}
	out.over = make(map[int]bool, len(t.over))
	for k, v := range t.over {
		out.over[k] = v
	}
	return &out
}

func cloneAll(list []*pass) []*pass {
	out := make([]*pass, len(list))
	for i, p := range list {
		c := *p
		c.strokes, c.numbers = slices.Clone(p.strokes), slices.Clone(p.numbers)
		out[i] = &c
	}
	return out
}

func (t *Tracker) form(slot int) *Form { return t.Forms[slot] }

// Step takes the next crossing in time order and returns what it settled.
func (t *Tracker) Step(l *Line, x passage.Crossing) Out {
	gate, ok := l.ways[0].index[x.Gate]
	if !ok {
		return Out{}
	}
	var out Out
	running := t.running(l, x.AtUs, &out)
	if len(running) == 0 {
		out.Nobody++
		return out
	}
	g := &t.Gates[gate]
	if g.Sight.SinceUs == 0 {
		g.Sight.SinceUs = x.AtUs
	}
	switch g.Contact.Touch(x) {
	case passage.New:
		t.stroke(l, x, gate, running)
		g.Contact.Stroke = t.Count - 1
	case passage.Same:
		t.more(l, x, gate)
	case passage.End:
		t.end(gate, g.Contact.Stroke, x.AtUs)
		t.Ended = append(t.Ended, Ended{Gate: gate, Stroke: g.Contact.Stroke, AtUs: x.AtUs})
	default:
		return out
	}
	out.add(t.settle(l))
	return out
}

// running is the slots of the trains that run. What a train that has ended left
// open is settled first.
func (t *Tracker) running(l *Line, atUs int64, out *Out) []int {
	var list []int
	for slot := range l.Trains {
		switch tr := &l.Trains[slot]; {
		case tr.runs(atUs):
			list = append(list, slot)
		case tr.ToUs != 0 && atUs > tr.ToUs && !t.over[slot] && t.knows(slot):
			out.add(t.End(l, slot))
		}
	}
	return list
}

func (t *Tracker) knows(slot int) bool {
	return len(t.Opens[slot]) > 0 || slices.ContainsFunc(t.Hyps, func(h hyp) bool { return h.State.seat(slot) >= 0 })
}

// stroke has every way of seeing things take a new stroke in.
func (t *Tracker) stroke(l *Line, x passage.Crossing, gate int, running []int) {
	t.seat(l, running)
	t.weigh(l, x.AtUs)
	t.Gates[gate].Sight.struck(x.AtUs)
	s := passage.Stroke{Crossing: x, N: 1}
	if x.ClearUs > x.AtUs {
		s.EndUs = x.ClearUs
	}
	m := &model{l: l, t: t, x: x, running: running}
	m.q[0], m.q[1] = gate, l.ways[1].index[x.Gate]
	lim := limits
	for _, slot := range running {
		if f := t.Forms[slot]; f == nil || f.Passages < earlyFew {
			lim = early
		}
	}
	if next := beam.Step[*State, Move](m, t.Hyps, t.Count, lim); next != nil {
		t.Hyps = next
	}
	t.Strokes = append(t.Strokes, s)
	t.Count++
	beam.Rebase(t.Hyps)
}

// seat puts trains that stood at a stated place where they stood.
func (t *Tracker) seat(l *Line, running []int) {
	for _, slot := range running {
		tr := &l.Trains[slot]
		if math.IsNaN(tr.StartMm) || tr.Order > 0 || t.over[slot] || t.knows(slot) {
			continue
		}
		w, mm := l.way(slot).behind(l.offset(slot, tr.StartMm))
		for i := range t.Hyps {
			t.Hyps[i].State = t.Hyps[i].State.placed(l, slot, w, mm)
		}
	}
}

// placed is s with a train standing mm behind the gate with index q.
func (s *State) placed(l *Line, slot, q int, mm float64) *State {
	place, w := s.room(l, slot, q)
	// Of trains standing in the same sector the one further on is in front.
	for place > 0 {
		o := s.Seats[place-1]
		if !o.Virtual || o.W != w || o.FromMm >= mm || l.Trains[o.Slot].Reverse != l.Trains[slot].Reverse {
			break
		}
		place--
	}
	seat := &Seat{Slot: slot, W: w, Dir: 1, Virtual: true, FromMm: mm, Floor: w}
	return s.insert(place, seat, -1, -1)
}

// Ended is a stroke that has ended, unless it bounces.
type Ended struct {
	Gate   int   `json:"gate"`
	Stroke int   `json:"stroke"`
	AtUs   int64 `json:"at"`
}

const (
	longBlock  = 5.0 // cost of a beam blocked by nothing for as long as by a train
	otherBlock = 8.0 // at most, of one blocked by a train for another time than it takes
)

// weigh takes what the lengths of strokes that have ended say: a train that
// blocks a beam as a whole does so for as long as it is, and nothing else does.
func (t *Tracker) weigh(l *Line, us int64) {
	rest := t.Ended[:0]
	for _, e := range t.Ended {
		switch k := e.Stroke - t.Base; {
		case us-e.AtUs <= 2*passage.BounceUs:
			rest = append(rest, e)
		case k >= 0 && k < len(t.Strokes) && t.Gates[e.Gate].Contact.Stroke == e.Stroke && t.Strokes[k].EndUs == e.AtUs:
			t.block(l, e, float64(e.AtUs-t.Strokes[k].AtUs)/1e6)
		}
	}
	t.Ended = rest
}

// block adds to each way of seeing things what a block of s seconds says of it.
func (t *Tracker) block(l *Line, e Ended, s float64) {
	expect := math.Inf(1) // of the train that would be quickest over the gate
	for i := range t.Hyps {
		for _, seat := range t.Hyps[i].State.Seats {
			if x := t.Forms[seat.Slot].shape(e.Gate); x.Blocks >= 3 && seat.Scatter > 0 {
				expect = math.Min(expect, x.BlockMm/seat.MmS)
			}
		}
	}
	for i := range t.Hyps {
		cost, owner := 0.0, int(t.Hyps[i].State.Owner[e.Gate])
		if owner < 0 {
			if s > 0.4*expect {
				cost = longBlock
			}
		} else if x, k := t.Forms[owner].shape(e.Gate), t.Hyps[i].State.seat(owner); x.Blocks >= 3 && k >= 0 && t.Hyps[i].State.Seats[k].Scatter > 0 {
			z := math.Log(s*t.Hyps[i].State.Seats[k].MmS/x.BlockMm) / 0.25
			if z > 0 {
				z /= 3 // it may have slowed down or stood
			}
			cost = math.Min(z*z/2, otherBlock)
		}
		t.Hyps[i].Cost += cost
		t.Hyps[i].Mass += cost
	}
	t.sort()
}

// more takes one more crossing of a bouncing contact in. It may bring the tag.
func (t *Tracker) more(l *Line, x passage.Crossing, gate int) {
	k := t.Gates[gate].Contact.Stroke - t.Base
	if k < 0 || k >= len(t.Strokes) {
		return
	}
	s := &t.Strokes[k]
	s.N++
	if x.Tag == "" || s.Tag != "" {
		return
	}
	s.Tag = x.Tag
	g := &t.Gates[gate].Sight
	for i := range t.Hyps {
		cost := 0.0
		if owner := t.Hyps[i].State.Owner[gate]; owner >= 0 {
			cost = l.tagCost(int(owner), x.Tag, g) - l.tagCost(int(owner), "", g)
		} else if !l.stranger(x.Tag) {
			cost = 3
		}
		t.Hyps[i].Cost += cost
		t.Hyps[i].Mass += cost
	}
	t.sort()
}

// sort puts the likeliest way first.
func (t *Tracker) sort() {
	slices.SortStableFunc(t.Hyps, func(a, b hyp) int { return cmp.Compare(a.Cost, b.Cost) })
}

// end notes when a stroke ended.
func (t *Tracker) end(gate, stroke int, us int64) {
	if k := stroke - t.Base; k >= 0 && k < len(t.Strokes) {
		t.Strokes[k].EndUs = max(t.Strokes[k].EndUs, us)
		return
	}
	for _, list := range t.Opens {
		for _, p := range list {
			if i := slices.Index(p.numbers, stroke); i >= 0 {
				p.strokes[i].EndUs = max(p.strokes[i].EndUs, us)
			}
		}
	}
}

// Redrawn is t for a line whose gates or trains changed. What it knew holds only
// if its gates are the same: else it begins anew.
func (t *Tracker) Redrawn(l *Line) *Tracker {
	if t == nil || t.Count == 0 || len(t.Gates) != l.Gates() {
		return New(l)
	}
	return t
}
