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
// one in front or running through it, which costs more, and its own tag says so.
func (m *model) overtakes(s *State, i int, mv *Move, more float64) bool {
	k, raise, ok := s.ahead(m.l, i)
	if !ok || mv.Dir < 0 || s.Free || m.x.Tag == "" || m.x.Tag != m.l.Trains[mv.Slot].Tag || !bothTagged(&m.l.Trains[s.Seats[k].Slot], &m.l.Trains[s.Seats[i].Slot]) {
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
