package tracker

import "math"

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
