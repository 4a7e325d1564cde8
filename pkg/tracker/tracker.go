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
	limits  = beam.Limits{Keep: 32, Within: 13}
	early   = beam.Limits{Keep: 64, Within: 13}
	several = beam.Limits{Keep: 64, Within: 14}
	many    = beam.Limits{Keep: 128, Within: 14} // and while several trains cannot be told apart
)

// Watch is a gate as the tracker knows it.
type Watch struct {
	Beams [2]passage.Contact `json:"beams"` // a gate of one beam has the first
	Sight Sight              `json:"sight"`
}

// last reports whether a stroke is the last of one of the gate's beams.
func (w *Watch) last(stroke int) bool {
	return w.Beams[0].Stroke == stroke || w.Beams[1].Stroke == stroke
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
		t.Gates = append(t.Gates, Watch{Beams: [2]passage.Contact{{Stroke: -1}, {Stroke: -1}}})
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
	c := &g.Beams[0]
	if x.Beam == 2 {
		c = &g.Beams[1]
	}
	switch c.Touch(x) {
	case passage.New:
		t.stroke(l, x, gate, running)
		c.Stroke = t.Count - 1
	case passage.Same:
		if x.Edge == passage.Enter {
			t.end(gate, c.Stroke, 0) // blocked again
		}
		t.more(l, x, gate, c.Stroke)
	case passage.End:
		t.end(gate, c.Stroke, x.AtUs)
		t.Ended = append(t.Ended, Ended{Gate: gate, Stroke: c.Stroke, AtUs: x.AtUs})
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
	switch {
	case len(running) > 1 && lim == early:
		lim = many
	case len(running) > 1:
		lim = several
	}
	if next := beam.Step[*State, Move](m, t.Hyps, t.Count, lim); next != nil {
		t.Hyps = beam.Join(next, func(s *State) uint64 { return s.round(l.Gates()) })
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
		length := 0.0
		if tr.LengthMm > 0 {
			length = tr.LengthMm
		}
		for i := range t.Hyps {
			t.Hyps[i].State = t.Hyps[i].State.placed(l, slot, w, mm, length)
		}
	}
}

// placed is s with a train standing mm behind the gate with index q.
func (s *State) placed(l *Line, slot, q int, mm, lengthMm float64) *State {
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
	if mm < lengthMm { // it stands over that gate
		seat.Over[0] = Over{W: w, Gate: l.ways[0].index[l.Place(slot, w).ID], FirstUs: 1}
	}
	return s.insert(place, seat, -1, -1)
}

// Ended is a stroke that has ended, unless it bounces.
type Ended struct {
	Gate   int   `json:"gate"`
	Stroke int   `json:"stroke"`
	AtUs   int64 `json:"at"`
}

// weigh takes what the lengths of strokes that have ended say: a train that
// blocks a beam as a whole does so for as long as it is, and nothing else does.
func (t *Tracker) weigh(l *Line, us int64) {
	rest := t.Ended[:0]
	for _, e := range t.Ended {
		switch k := e.Stroke - t.Base; {
		case us-e.AtUs <= 2*passage.BounceUs:
			rest = append(rest, e)
		case k >= 0 && k < len(t.Strokes) && t.Gates[e.Gate].last(e.Stroke) && t.Strokes[k].EndUs == e.AtUs:
			t.block(l, e, float64(e.AtUs-t.Strokes[k].AtUs)/1e6)
		}
	}
	t.Ended = rest
}

// How long a beam is blocked, s, by a wheel and by nothing worth the name, and the scatter of the
// logarithms (common practice, no source).
const (
	wheelS, wheelSD = 0.025, 0.9
	falseS, falseSD = 0.005, 1.3
	trainSD         = 0.25
	mostBlock       = 9.0 // what a block may say against a train, or for none
)

// block adds to each way of seeing things what a block of s seconds says of it:
// a train is as long as it is, a wheel is short, a false crossing shorter.
func (t *Tracker) block(l *Line, e Ended, s float64) {
	s = max(s, 1e-3) // of less than a tick
	whole := t.Gates[e.Gate].Sight.wholeRate()
	nothing := normal(math.Log(s/falseS), falseSD)
	for i := range t.Hyps {
		h := &t.Hyps[i]
		cost := 0.0
		if owner := int(h.State.Owner[e.Gate]); owner >= 0 {
			k := h.State.seat(owner)
			if k < 0 {
				continue
			}
			seat := h.State.Seats[k]
			length, sl := l.length(owner, t.form(owner))
			v, sv := usualMmS, usualScatter
			if seat.Scatter > 0 {
				v, sv = seat.MmS, math.Min(seat.Scatter, 0.3)
			}
			sd := math.Hypot(math.Hypot(sl, sv), trainSD)
			z := math.Log(s * v / length)
			if z > 0 && seat.Scatter > 0 {
				sd *= 2 // it may have slowed down, or stood
			}
			p := whole*normal(z, sd) + (1-whole)*normal(math.Log(s/wheelS), wheelSD)
			cost = -math.Log(p/(p+nothing) + math.Exp(-mostBlock))
			if seat.Scatter == 0 && whole*normal(z, sd) > 10*(1-whole)*normal(math.Log(s/wheelS), wheelSD) && seat.Over[0].Gate == e.Gate {
				h.State = h.State.paced(k, length/s)
			}
		} else {
			length, _ := 0.0, 0.0
			for _, x := range h.State.Seats {
				mm, _ := l.length(x.Slot, t.form(x.Slot))
				length = math.Max(length, mm)
			}
			p := (1-whole)*normal(math.Log(s/wheelS), wheelSD) + whole*normal(math.Log(s*usualMmS/math.Max(length, 100)), usualScatter)
			cost = -math.Log(nothing/(p+nothing) + math.Exp(-mostBlock))
		}
		h.Cost += cost
		h.Mass += cost
	}
	t.sort()
}

// paced is s with the speed of a train that nothing was known of, as the time it
// took to pass a beam shows it.
func (s *State) paced(k int, mmS float64) *State {
	out := *s
	out.Seats = slices.Clone(s.Seats)
	seat := *s.Seats[k]
	seat.MmS, seat.Scatter = mmS, firstScatter
	out.Seats[k] = &seat
	return &out
}

// more takes one more crossing of a bouncing contact in. It may bring the tag.
func (t *Tracker) more(l *Line, x passage.Crossing, gate, stroke int) {
	k := stroke - t.Base
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

// end notes when a stroke ended, or with 0 that it has not.
func (t *Tracker) end(gate, stroke int, us int64) {
	if k := stroke - t.Base; k >= 0 && k < len(t.Strokes) {
		t.Strokes[k].Ended(us)
		return
	}
	for _, list := range t.Opens {
		for _, p := range list {
			if i := slices.Index(p.numbers, stroke); i >= 0 {
				p.strokes[i].Ended(us)
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
