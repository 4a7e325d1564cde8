package tracker

import "math"

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
