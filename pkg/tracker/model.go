package tracker

import (
	"math"

	"rainhill/pkg/passage"
)

// Kinds of Move.
const (
	nobody = iota // no train's: false, or of a train not in the book
	arrive        // a train comes to the next gate, or to one further on
	stay          // one more stroke of a train still over the gate
	turn          // a train has turned round and comes back
	set           // a train was lifted off and set on elsewhere
	first         // a train is seen for the first time
)

// Move is what one stroke is taken for.
type Move struct {
	Kind   int     `json:"k"`
	Slot   int     `json:"t,omitempty"`
	W      int     `json:"w,omitempty"` // number of the gate
	Dir    int     `json:"d,omitempty"`
	Missed int     `json:"m,omitempty"` // gates passed unseen before it
	Over   int     `json:"o,omitempty"` // stay: which of the passages that may still grow
	Floor  int     `json:"f,omitempty"` // gates that the train in front must have passed: its number
	Pushes bool    `json:"p,omitempty"`
	RestUs int64   `json:"u,omitempty"` // it was seen to stand over the gate before for so long
	Stood  bool    `json:"s,omitempty"` // it stood on the way
	Late   float64 `json:"r,omitempty"` // ln(time taken / time expected), 0 when none was expected
	WantUs float64 `json:"e,omitempty"` // time expected
	Band   int     `json:"b,omitempty"`
	Free   bool    `json:"fr,omitempty"` // it overtakes, as no train of a single loop can
	HeadUs int64   `json:"h,omitempty"`  // its front passed so long before, unseen
	Owed   float64 `json:"-"`
}

// model is what may follow, for the stroke at hand.
type model struct {
	l       *Line
	t       *Tracker
	x       passage.Crossing
	q       [2]int // index of the gate on both ways
	running []int
}

func (m *model) gateOf(slot int) int {
	if m.l.Trains[slot].Reverse {
		return m.q[1]
	}
	return m.q[0]
}

// Options are what the stroke may be.
func (m *model) Options(s *State, tell func(float64, uint64, Move)) {
	outstanding := 0.0
	var each [64]float64
	for i, seat := range s.Seats {
		c := m.outstanding(seat)
		outstanding += c
		if i < len(each) {
			each[i] = c
		}
	}
	// What every train's not having come by now says against this state, less what
	// was reckoned so far; a train that comes owes nothing more.
	emit := func(cost float64, key uint64, mv Move) {
		mv.Owed = outstanding
		if mv.Kind != nobody && mv.Kind != stay {
			if i := s.seat(mv.Slot); i >= 0 && i < len(each) {
				mv.Owed -= each[i]
			}
		}
		tell(cost+mv.Owed-s.Owed, key, mv)
	}
	emit(m.nobodyCost(s), s.Key, Move{Kind: nobody})
	for _, slot := range m.running {
		i := s.seat(slot)
		if i < 0 {
			m.first(s, slot, emit)
			continue
		}
		m.stay(s, s.Seats[i], emit)
		m.onward(s, i, emit)
		if s.Seats[i].Virtual {
			m.misplaced(s, i, emit)
			continue
		}
		if m.l.Gates() > 1 {
			m.turn(s, i, emit)
			m.set(s, i, emit)
		}
	}
}

// outstanding is -ln of the probability that a train has not come to a gate by
// now: it takes longer, or the next gate missed it.
func (m *model) outstanding(seat *Seat) float64 {
	if seat.Virtual {
		return 0
	}
	t := m.gone(seat)
	if t <= 0 {
		return 0
	}
	n := m.l.Gates()
	next := m.l.DistanceMm(seat.Slot, seat.W, seat.W+1)
	if seat.Dir < 0 {
		next = m.l.DistanceMm(seat.Slot, seat.W-1, seat.W)
	}
	second := next + m.l.LapMm/float64(n)
	if seat.Scatter == 0 {
		p := 0.98*above(math.Log(t*usualMmS/next)/usualScatter) + 0.02*above(math.Log(t*usualMmS/second)/usualScatter)
		return -math.Log(p + 1e-3)
	}
	v := seat.MmS
	if t*v < 0.7*next && seat.Scatter < 0.1 {
		return 0
	}
	return -math.Log(0.98*late(t, next/v, seat.Scatter) + 0.02*late(t, second/v, seat.Scatter))
}

func (m *model) sight() *Sight { return &m.t.Gates[m.q[0]].Sight }

// nobodyCost is that of a crossing of no train. A tag that one of the trains has
// is hardly ever read of nothing, and while a train has not been seen yet it is
// the likelier.
func (m *model) nobodyCost(s *State) float64 {
	c := m.sight().falseCost(m.x.AtUs)
	if len(s.Seats) < len(m.running) {
		c++
	}
	if m.x.Tag == "" {
		return c
	}
	if m.l.stranger(m.x.Tag) {
		return c - 2
	}
	return c + 3
}

// stay takes the stroke for one more axle of a train that has not left the gate.
func (m *model) stay(s *State, seat *Seat, emit func(float64, uint64, Move)) {
	for k := range seat.Over {
		o := &seat.Over[k]
		if o.FirstUs == 0 || o.Gate != m.q[0] {
			continue
		}
		if seat.Virtual {
			m.leaves(s, seat, o, emit)
			continue
		}
		f := m.t.form(seat.Slot)
		t := float64(m.x.AtUs-o.FirstUs-o.StoodUs) / 1e6
		length, sl := m.l.length(seat.Slot, f)
		v, sv := usualMmS, usualScatter
		if seat.Scatter > 0 {
			v, sv = seat.MmS, max(seat.Scatter, 0.1)
		}
		sd := math.Hypot(sl, sv)
		// Still over the gate, given that it was at its last stroke.
		last := float64(o.LastUs-o.FirstUs-o.StoodUs) / 1e6
		over := lasts(t*v/length, sd) / lasts(last*v/length, sd)
		// A train may stop over the gate; one seen at the next has left this one.
		gap := float64(m.x.AtUs-o.LastUs) / 1e6
		rest := 0.004 / max(gap, 1)
		if k > 0 && math.Abs(m.l.DistanceMm(seat.Slot, o.W, seat.W)) > 1.2*length {
			rest = 0 // its end has passed that gate
		}
		more := 0.6
		guess := pulses
		if m.x.Edge != passage.Pulse {
			guess = block
		}
		if shape := f.shape(m.q[0], m.sight().manner(guess)); shape.N >= 3 {
			more = max(1-1/max(shape.Strokes, 1), 0.02)
			if float64(o.N) >= shape.Strokes+1.5 {
				more *= 0.3
			}
		}
		again := more * over * m.sight().silence(gap)
		cost := -math.Log(again + rest)
		switch own := m.l.Trains[seat.Slot].Tag; {
		case m.x.Tag == "":
		case o.Tag == "":
			cost += m.l.tagCost(seat.Slot, m.x.Tag, m.sight())
		case o.Tag != m.x.Tag:
			cost += m.l.tagCost(seat.Slot, m.x.Tag, m.sight()) + twoTags
		case own != "" && m.x.Tag != own:
			cost += againTag
		}
		key := s.Key // where the train is does not change
		if rest > again {
			next := *seat
			next.Stops++
			key = key - seat.key() + next.key()
		}
		emit(cost, key, Move{Kind: stay, Slot: seat.Slot, W: o.W, Dir: seat.Dir, Over: k, Stood: rest > again})
	}
}

// leaves takes the stroke for one more axle of a train that stood over the gate
// when its trial began.
func (m *model) leaves(s *State, seat *Seat, o *Over, emit func(float64, uint64, Move)) {
	cost := -math.Log(0.5 * firstRate)
	if o.N > 0 {
		gap := float64(m.x.AtUs-o.LastUs) / 1e6
		cost = -math.Log(0.6*m.sight().silence(gap) + 0.004/max(gap, 1))
	}
	if m.x.Tag != "" {
		cost += m.l.tagCost(seat.Slot, m.x.Tag, m.sight()) + twoTags // it is read of a front
	}
	emit(cost, s.Key, Move{Kind: stay, Slot: seat.Slot, W: o.W, Dir: seat.Dir})
}

// lasts is the probability that a train is over a gate for longer than so many
// times what its length and speed say: they may be wrong, or a hand slow it.
func lasts(times, sd float64) float64 {
	x := math.Log(max(times, 1e-6))
	return (1-handShare)*above(x/sd) + handShare*above(x/math.Hypot(sd, handSD)) + 1e-9
}

// seatKey is the key of s with seat i replaced.
func seatKey(s *State, i int, next *Seat) uint64 { return s.Key - s.Seats[i].key() + next.key() }

// onward takes the stroke for the train's coming to a gate further on.
func (m *model) onward(s *State, i int, emit func(float64, uint64, Move)) {
	seat, n := s.Seats[i], m.l.Gates()
	q := m.gateOf(seat.Slot)
	steps := mod((q-seat.W)*seat.Dir, n)
	if steps == 0 {
		steps = n
	}
	miss := m.sight().missCost()
	length, _ := m.l.length(seat.Slot, m.t.form(seat.Slot))
	clear := !seat.Virtual && math.Abs(m.l.DistanceMm(seat.Slot, seat.W, seat.W+seat.Dir*steps)) > 1.2*length
	for ; ; steps += n {
		missed := steps - 1
		if float64(missed)*miss > 22 {
			return
		}
		for _, stood := range [2]bool{false, true} {
			mv := Move{Kind: arrive, Slot: seat.Slot, W: seat.W + seat.Dir*steps, Dir: seat.Dir, Missed: missed, Stood: stood}
			cost, ok := m.come(seat, &mv)
			if !ok || mv.Dir > 0 && mv.W <= seat.Floor {
				continue
			}
			cost += float64(missed)*miss + m.l.tagCost(seat.Slot, m.x.Tag, m.sight()) + m.longer(seat, mv)
			if clear {
				cost += m.unfinished(seat)
			}
			m.headless(s, i, mv, cost, emit)
			told := m.told(s, i, &mv)
			more, ok := m.passes(s, i, &mv)
			if ok {
				m.emit(s, i, mv, cost+told+more, emit)
			}
			if m.overtakes(s, i, &mv, more) {
				mv.Pushes, mv.Free = false, true
				m.emit(s, i, mv, cost+told+freeCost, emit)
			}
		}
	}
}

// headless takes the stroke for one of a train whose front passed the gate unseen
// when it was expected: its agent began only then, or an edge was lost. cost is
// that of its coming now.
func (m *model) headless(s *State, i int, mv Move, cost float64, emit func(float64, uint64, Move)) {
	seat := s.Seats[i]
	if mv.Stood || mv.Dir < 0 || mv.Missed > 0 || seat.Virtual || seat.Scatter == 0 || seat.Passed < earlyFew {
		return
	}
	length, _ := m.l.length(seat.Slot, m.t.form(seat.Slot))
	t := m.gone(seat)
	late, over := t-mv.WantUs/1e6, 0.95*length/seat.MmS
	if late < headLeast || late > over {
		return
	}
	come, _ := m.come(seat, &mv)
	cost += headCost + math.Log(over) - come
	mv.HeadUs, mv.Late = int64(late*1e6), 0
	if more, ok := m.passes(s, i, &mv); ok && !mv.Pushes {
		m.emit(s, i, mv, cost+more, emit)
	}
}

func (m *model) emit(s *State, i int, mv Move, cost float64, emit func(float64, uint64, Move)) {
	mv.Band = m.band(s.Seats[i], mv)
	key := seatKey(s, i, &Seat{
		Slot: mv.Slot, W: mv.W, Dir: mv.Dir, AtUs: m.x.AtUs - mv.HeadUs, Floor: max(s.Seats[i].Floor, mv.W), Stood: mv.Stood, Band: mv.Band,
	})
	if mv.Free {
		key += freeKey
	}
	if mv.Pushes {
		k, _, _ := s.ahead(m.l, i)
		o := *s.Seats[k]
		key -= o.key()
		o.Floor = mv.Floor
		key += o.key()
	}
	emit(cost, key, mv)
}

// gone is the time since a train passed its last gate without that in which it
// was seen to stand over it, s.
func (m *model) gone(seat *Seat) float64 {
	return float64(m.x.AtUs-seat.AtUs-seat.Over[0].StoodUs) / 1e6
}

// band tells apart ways by which a train has come to one place at speeds that
// differ by a fifth, while its speed is not well known or has just changed.
func (m *model) band(old *Seat, mv Move) int {
	if mv.Kind != arrive || old.Virtual || old.Passed > 5 && math.Abs(mv.Late) < 0.3 {
		return 0
	}
	next := *old
	m.pace(&next, old, mv)
	return int(math.Round(5 * math.Log(next.MmS)))
}

// come is the cost of the time a train took from its last gate to this one.
func (m *model) come(seat *Seat, mv *Move) (cost float64, ok bool) {
	mm := m.l.DistanceMm(seat.Slot, seat.W, mv.W)
	if mv.Dir < 0 {
		mm = -mm
	}
	if seat.Virtual {
		return -math.Log(firstRate), !mv.Stood
	}
	t := m.gone(seat)
	mv.RestUs = seat.Over[0].StoodUs
	if t <= 0 || mm <= 0 || mm/t > m.l.maxSpeed() {
		return 0, false
	}
	if seat.Scatter == 0 {
		return fresh(t, mm), !mv.Stood
	}
	want := m.want(seat, mv.W)
	mv.Late, mv.WantUs = math.Log(t/want), want*1e6
	if mv.Stood && mv.Late < stoodFrom {
		return 0, false
	}
	return leg(t, want, seat.Scatter, mv.Stood), true
}

// want is the time a train should take to gate number w, s.
func (m *model) want(seat *Seat, w int) float64 {
	return m.l.timeTo(seat, m.t.form(seat.Slot), w)
}

func (l *Line) timeTo(seat *Seat, f *Form, w int) float64 {
	mm := 0.0
	a, b := seat.W, w
	if b < a {
		a, b = b, a
	}
	for k := a; k < b; k++ {
		d := l.DistanceMm(seat.Slot, k, k+1)
		if f != nil {
			d *= f.pace(k)
		}
		mm += d
	}
	return mm / seat.MmS
}

// longer is the cost of the last passage having been longer than the train, now
// that its speed past it is better known.
func (m *model) longer(seat *Seat, mv Move) float64 {
	o := &seat.Over[0]
	if o.FirstUs == 0 || seat.Virtual {
		return 0
	}
	length, sl := m.l.length(seat.Slot, m.t.form(seat.Slot))
	v := math.Abs(m.l.DistanceMm(seat.Slot, seat.W, mv.W)) / m.gone(seat)
	z := (math.Log(max(float64(o.LastUs-o.FirstUs-o.StoodUs)/1e6, 1e-6)*v/length) - 0.25) / math.Hypot(sl, 0.25)
	if z <= 0 {
		return 0
	}
	return min(z*z/2, 7)
}

// passes reports whether the train in front lets the train come to its gate: it
// must have passed that gate, seen or unseen, and have cleared it.
func (m *model) passes(s *State, i int, mv *Move) (cost float64, ok bool) {
	k, raise, ok := s.ahead(m.l, i)
	if mv.Dir < 0 {
		return 0, s.backs(m.l, i, mv.W)
	}
	if !ok {
		return 0, true
	}
	o := s.Seats[k]
	switch on := max(o.W, o.Floor) + raise; {
	case mv.W < on:
	case mv.W == on && o.W+raise == on:
		cost += m.straddles(o)
		if bothTagged(&m.l.Trains[o.Slot], &m.l.Trains[s.Seats[i].Slot]) {
			cost = min(cost, straddleTags)
		}
	case mv.W == on:
	case o.Virtual:
		return 0, false
	default:
		if o.Scatter == 0 || float64(m.x.AtUs-o.AtUs)/1e6 < 0.7*m.l.timeTo(o, m.t.form(o.Slot), mv.W-raise) {
			return 0, false
		}
		mv.Pushes, mv.Floor = true, mv.W-raise
	}
	return cost, true
}

// overtakes reports whether the train can only come to its gate by overtaking the
// one in front or running through it, which costs more, and both have tags.
func (m *model) overtakes(s *State, i int, mv *Move, more float64) bool {
	k, raise, ok := s.ahead(m.l, i)
	if !ok || mv.Dir < 0 || s.Free || !bothTagged(&m.l.Trains[s.Seats[k].Slot], &m.l.Trains[s.Seats[i].Slot]) {
		return false
	}
	return mv.W > s.Seats[k].W+raise || more > 1
}

// straddles is the cost of a train's coming to a gate that the train in front has
// perhaps not cleared.
func (m *model) straddles(o *Seat) float64 {
	if o.Virtual {
		return 0
	}
	length, sl := m.l.length(o.Slot, m.t.form(o.Slot))
	v, sv := usualMmS, usualScatter
	if o.Scatter > 0 {
		v, sv = o.MmS, max(o.Scatter, 0.1)
	}
	clear := above(-math.Log(max(m.gone(o), 1e-6)*v/(0.7*length)) / math.Hypot(sl, sv))
	return min(-math.Log(clear+1e-9), straddleIn)
}

// told is the cost of contradicting an order that an official told: the leader
// comes to the timing gate first, the others after it.
func (m *model) told(s *State, i int, mv *Move) float64 {
	mine := m.l.Trains[mv.Slot].Order
	if mine < 2 || mod(mv.W, m.l.Gates()) != 0 || s.Seats[i].Passed >= m.l.Gates() {
		return 0
	}
	for _, slot := range m.running {
		if o := m.l.Trains[slot].Order; o == mine-1 {
			if k := s.seat(slot); k < 0 || !s.Seats[k].passedTiming(m.l.Gates()) {
				return orderCost
			}
		}
	}
	return 0
}

func (x *Seat) passedTiming(n int) bool {
	return !x.Virtual && (x.Passed > mod(x.W, n))
}

// turn takes the stroke for a train that has turned round: it comes back to the
// gate it passed last, or, if it turned over that gate, to the one before.
func (m *model) turn(s *State, i int, emit func(float64, uint64, Move)) {
	seat, n := s.Seats[i], m.l.Gates()
	q := m.gateOf(seat.Slot)
	length, _ := m.l.length(seat.Slot, m.t.form(seat.Slot))
	for back := range 2 {
		w := seat.W - back*seat.Dir
		if mod(w, n) != q {
			continue
		}
		t := float64(m.x.AtUs-seat.AtUs) / 1e6
		mm := math.Abs(m.l.DistanceMm(seat.Slot, seat.W, w))
		if t <= 0 || mm/t > m.l.maxSpeed() {
			continue
		}
		way := mm + length
		if back == 1 {
			way = mm - length // its rear need not have been far past that gate
		}
		if seat.Scatter > 0 && t < 0.8*way/seat.MmS {
			continue // it would still be over the gate
		}
		if seat.Dir > 0 && !s.backs(m.l, i, w) {
			continue
		}
		cost := turnCost
		if seat.Dir < 0 {
			cost = againCost
		} else if back == 1 {
			cost += m.anonymous(seat.Slot) / 2 // strokes of another train are the likelier
		}
		cost += math.Log(max(t, 1)) + float64(back) + m.l.tagCost(seat.Slot, m.x.Tag, m.sight())
		if seat.Dir > 0 { // it may have turned over the gate; one that ran back over it need not have shown all
			cost += min(m.unfinished(seat), fewStrokes)
		}
		m.emit(s, i, Move{Kind: turn, Slot: seat.Slot, W: w, Dir: -seat.Dir}, cost, emit)
	}
}

// unfinished is what it costs that a train left its last gate with fewer strokes
// than that gate counts as a rule.
func (m *model) unfinished(seat *Seat) float64 {
	o := &seat.Over[0]
	f := m.t.form(seat.Slot)
	if o.FirstUs == 0 || seat.Virtual {
		return 0
	}
	if f != nil && o.Gate < len(f.At) && f.At[o.Gate].N >= 3 {
		if s := f.At[o.Gate].Strokes; s >= 3 {
			return min(max(0, lostStroke*(s-float64(o.N)-0.7)), 2*fewStrokes)
		}
		return 0
	}
	usual := m.t.Gates[o.Gate].Sight.Strokes
	switch share := float64(o.N) / usual; {
	case usual < 3 || share > 0.5:
		return 0
	case usual > 5 && share < 0.3:
		return 2 * fewStrokes
	}
	return fewStrokes
}

// anonymous is what it costs more to take a train out of its place in the running
// order where only the order tells it from others.
func (m *model) anonymous(slot int) float64 {
	if len(m.running) > 1 && m.l.Trains[slot].Tag == "" {
		return 8
	}
	return 0
}

// set takes the stroke for a train that was lifted off and set on elsewhere. It
// was gone for longer than it would have taken to come to the next gate.
func (m *model) set(s *State, i int, emit func(float64, uint64, Move)) {
	seat := s.Seats[i]
	t := float64(m.x.AtUs-seat.AtUs) / 1e6
	if seat.Scatter == 0 || t < 2+2*m.want(seat, seat.W+seat.Dir) {
		return
	}
	place, w := s.without(seat.Slot).room(m.l, seat.Slot, m.gateOf(seat.Slot))
	if mod(w-seat.W-seat.Dir, m.l.Gates()) == 0 && place == i {
		return // late at the next gate: it stood, for all that gates tell
	}
	cost := m.unfinished(seat) + m.anonymous(seat.Slot) + setCost + math.Log(float64(m.l.Gates())) + m.l.tagCost(seat.Slot, m.x.Tag, m.sight())
	next := &Seat{Slot: seat.Slot, W: w, Dir: 1, AtUs: m.x.AtUs, Floor: w}
	emit(cost, seatKey(s, i, next), Move{Kind: set, Slot: seat.Slot, W: w, Dir: 1})
}

// first takes the stroke for a train not seen before. Of trains that nothing
// tells apart the first in the book comes first.
func (m *model) first(s *State, slot int, emit func(float64, uint64, Move)) {
	tr := &m.l.Trains[slot]
	if tr.Tag == "" && tr.Order == 0 {
		for _, other := range m.running {
			o := &m.l.Trains[other]
			if other < slot && o.Tag == "" && o.Order == 0 && s.seat(other) < 0 {
				return
			}
		}
	}
	place, w := s.room(m.l, slot, m.gateOf(slot))
	mv := Move{Kind: first, Slot: slot, W: w, Dir: 1}
	cost := math.Log(float64(m.l.Gates())) - math.Log(firstRate) + m.l.tagCost(slot, m.x.Tag, m.sight())
	next := &Seat{Slot: slot, W: w, Dir: 1, AtUs: m.x.AtUs, Floor: w}
	if place > 0 && s.Seats[place-1].W == w && (tr.Tag == "" || m.l.Trains[s.Seats[place-1].Slot].Tag == "") && m.l.Trains[s.Seats[place-1].Slot].Reverse == tr.Reverse {
		cost += m.straddles(s.Seats[place-1])
	}
	if !m.inOrder(s, slot, place) {
		cost += 2 * orderCost
	}
	if mine := tr.Order; mine > 1 && mod(w, m.l.Gates()) == 0 {
		for _, other := range m.running {
			if m.l.Trains[other].Order == mine-1 && s.seat(other) < 0 {
				cost += orderCost
			}
		}
	}
	emit(cost, s.Key+next.key(), mv)
}

// inOrder reports whether a train put in at a place of the running order keeps
// the order that an official told, from whichever train one begins.
func (m *model) inOrder(s *State, slot, place int) bool {
	if m.l.Trains[slot].Order == 0 {
		return true
	}
	drops, before, begin := 0, 0, 0
	for i := range len(s.Seats) + 1 {
		mine := slot
		if i < place {
			mine = s.Seats[i].Slot
		} else if i > place {
			mine = s.Seats[i-1].Slot
		}
		o := m.l.Trains[mine].Order
		if o == 0 {
			continue
		}
		if begin == 0 {
			begin = o
		}
		if o < before {
			drops++
		}
		before = o
	}
	if begin < before {
		drops++
	}
	return drops <= 1
}

// misplaced takes the stroke for a train that did not stand where its trial says.
func (m *model) misplaced(s *State, i int, emit func(float64, uint64, Move)) {
	slot := s.Seats[i].Slot
	_, w := s.without(slot).room(m.l, slot, m.gateOf(slot))
	next := &Seat{Slot: slot, W: w, Dir: 1, AtUs: m.x.AtUs, Floor: w}
	cost := orderCost + m.anonymous(slot)/2 + math.Log(float64(m.l.Gates())) - math.Log(firstRate) + m.l.tagCost(slot, m.x.Tag, m.sight())
	emit(cost, seatKey(s, i, next), Move{Kind: set, Slot: slot, W: w, Dir: 1})
}

// Apply carries a move out.
func (m *model) Apply(s *State, mv Move) *State {
	out := m.apply(s, mv)
	out.Owed = mv.Owed
	return out
}

// apply returns a state of its own, never s.
func (m *model) apply(s *State, mv Move) *State {
	switch mv.Kind {
	case nobody:
		out := *s
		if s.Owner[m.q[0]] >= 0 {
			out.Owner = append([]int16(nil), s.Owner...)
			out.own(m.q[0], -1)
		}
		return &out
	case first:
		place, w := s.room(m.l, mv.Slot, m.gateOf(mv.Slot))
		seat := &Seat{Slot: mv.Slot, W: w, Dir: 1, AtUs: m.x.AtUs, Floor: w, Passed: 1}
		seat.Over[0] = m.over(w)
		return s.insert(place, seat, m.q[0], mv.Slot)
	case set:
		old := s.Seats[s.seat(mv.Slot)]
		seat := &Seat{
			Slot: mv.Slot, W: mv.W, Dir: 1, AtUs: m.x.AtUs, Floor: mv.W, Passed: 1, MmS: old.MmS,
			Misplaced: old.Misplaced || old.Virtual,
		}
		if old.Scatter > 0 {
			seat.Scatter = firstScatter
		}
		seat.Over[0] = m.over(mv.W)
		rest := s.without(mv.Slot)
		place, _ := rest.room(m.l, mv.Slot, m.gateOf(mv.Slot))
		return rest.insert(place, seat, m.q[0], mv.Slot)
	case stay:
		i := s.seat(mv.Slot)
		seat := *s.Seats[i]
		if mv.Stood { // with all gates that it was over
			stood := m.x.AtUs - seat.Over[mv.Over].LastUs
			for k := range seat.Over {
				seat.Over[k].StoodUs += stood
			}
			seat.Stops++
		}
		o := &seat.Over[mv.Over]
		o.LastUs, o.N = max(o.LastUs, m.x.AtUs), o.N+1
		if m.x.Tag != "" {
			o.Tag = m.x.Tag
		}
		return s.with(i, &seat, m.q[0], mv.Slot)
	}
	return m.moved(s, mv)
}

func (m *model) over(w int) Over {
	return Over{W: w, Gate: m.q[0], FirstUs: m.x.AtUs, LastUs: m.x.AtUs, N: 1, Tag: m.x.Tag}
}

// moved is s with a train come to another gate.
func (m *model) moved(s *State, mv Move) *State {
	i := s.seat(mv.Slot)
	seat := *s.Seats[i]
	old := seat
	seat.W, seat.Dir, seat.AtUs, seat.Virtual, seat.FromMm = mv.W, mv.Dir, m.x.AtUs-mv.HeadUs, false, 0
	seat.Floor, seat.Passed = max(seat.Floor, mv.W), seat.Passed+1
	if mv.Dir < 0 {
		seat.Floor = mv.W
	}
	seat.Stood, seat.Band = false, mv.Band
	seat.Over = [3]Over{m.over(mv.W), old.Over[0], old.Over[1]}
	seat.Over[0].FirstUs -= mv.HeadUs
	if old.Virtual {
		seat.Over[1] = Over{}
	}
	if mv.Kind == arrive && !old.Virtual {
		m.pace(&seat, &old, mv)
	} else if mv.Kind == turn && seat.Scatter > 0 {
		seat.Scatter = max(seat.Scatter, firstScatter)
	}
	out := s.with(i, &seat, m.q[0], mv.Slot)
	if mv.Free {
		out.Free = true
		out.Key += freeKey
	}
	if mv.Pushes {
		k, _, _ := s.ahead(m.l, i)
		o := *out.Seats[k]
		out.Key -= o.key()
		o.Floor = mv.Floor
		out.Key += o.key()
		out.Seats[k] = &o
	}
	return out
}

// pace is the train's speed after a leg: half of what it was and half of what the
// leg showed, and its scatter; all of what the leg showed where a hand on the
// throttle explains it better than scatter.
func (m *model) pace(seat, old *Seat, mv Move) {
	t := m.gone(old)
	if mv.HeadUs > 0 {
		return // how fast it came nobody knows
	}
	if old.Scatter == 0 {
		seat.MmS, seat.Scatter = math.Abs(m.l.DistanceMm(seat.Slot, old.W, mv.W))/t, firstScatter
		return
	}
	seat.Stood = mv.Stood
	if mv.Stood {
		return // how fast it will go on is as before
	}
	if handShare*hand(mv.Late) > evenShare*normal(mv.Late, old.Scatter) {
		seat.MmS *= math.Exp(-mv.Late)
		seat.Scatter = max(old.Scatter, handScatter)
		return
	}
	r := mv.Late
	seat.MmS *= math.Exp(-0.5 * r)
	keep := 0.6
	if old.Passed < 6 {
		keep = 0.4 // the guess at the beginning is soon worth less than what was seen
	}
	seat.Scatter = min(max(math.Sqrt(keep*old.Scatter*old.Scatter+(1-keep)*r*r), leastScatter), mostScatter)
}
