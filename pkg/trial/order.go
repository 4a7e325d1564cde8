package trial

import (
	"math"
	"slices"

	"rainhill/pkg/wire"
)

// order is how sure it is which train is which; nil unless several run at once.
func (s *State) order() *wire.Order {
	b := s.Book
	if b.live == nil {
		s.look()
	}
	var open, unknown []string
	for _, t := range b.Trials {
		if t.Closed || t.Gone || t.Trial.ToUs != 0 {
			continue
		}
		open = append(open, t.Trial.ID)
		if t.Trial.Tag == "" && t.Trial.StartMm == nil && !slices.Contains(b.Order, t.Trial.ID) {
			unknown = append(unknown, t.Trial.ID)
		}
	}
	if len(open) < 2 {
		return nil
	}
	o := &wire.Order{State: wire.OrderClear, Trials: []string{}}
	slots := b.best.Running(b.line)
	for _, slot := range slots {
		o.Trials = append(o.Trials, b.Trials[slot].Trial.ID)
	}
	told, told2 := b.told(slots), b.best.Misplaced()
	switch offer := s.byLength(slots); {
	case len(offer) > 0 && len(unknown) < 2:
		o.State, o.Offer = wire.OrderContradicted, offer
		o.Text = "the trains seen are not as long as the book says in this order; in the order offered they are"
	case len(told) > 0:
		o.State, o.Offer = wire.OrderContradicted, told
		o.Text = "the tags read say that the trains run in another order than was told"
	case len(told2) > 0:
		o.State, o.Offer = wire.OrderContradicted, o.Trials
		o.Text = "train " + b.Trials[told2[0]].Trial.ID + " was first seen where it cannot have come to from where its trial says that it stood"
	case len(unknown) > 1:
		o.State, o.Text, o.Offer = wire.OrderAsked, "several trains run and nothing tells which is which: laps may be another train's", offer
	}
	return o
}

// told is the order that trains run in when that is not the one an official told;
// nil when it is.
func (b *Book) told(slots []int) []string {
	var now []string
	for _, slot := range slots {
		if id := b.Trials[slot].Trial.ID; slices.Contains(b.Order, id) {
			now = append(now, id)
		}
	}
	if len(now) < 3 { // two trains on a loop are in every order
		return nil
	}
	first := slices.Index(b.Order, now[0])
	k := 0
	for i := range b.Order {
		id := b.Order[(first+i)%len(b.Order)]
		if !slices.Contains(now, id) {
			continue
		}
		if now[k] != id {
			return now
		}
		k++
	}
	return nil
}

// byLength is the order in which trains without identity are as long as the book
// says, when that is not the present one: each takes the place of the one in
// front of it, or of the next. It is nil when lengths do not tell.
func (s *State) byLength(slots []int) []string {
	b := s.Book
	var free []int
	for _, slot := range slots {
		if b.Trials[slot].Trial.Tag == "" {
			free = append(free, slot)
		}
	}
	n := len(free)
	if n < 2 || n > 12 {
		return nil
	}
	seen, want := make([]float64, n), make([]float64, n)
	for i, slot := range free {
		seen[i], want[i] = b.best.SeenMm(slot), b.line.Trains[slot].LengthMm
		if !(seen[i] > 0) || want[i] <= 0 {
			return nil
		}
	}
	off := func(shift int) (sum float64) {
		mean := 0.0
		for i := range n {
			mean += math.Log(seen[i]/want[(i+shift)%n]) / float64(n)
		}
		for i := range n {
			d := math.Log(seen[i]/want[(i+shift)%n]) - mean // axles lie within the couplings
			sum += d * d
		}
		return sum
	}
	best := 0
	for k := 1; k < n; k++ {
		if off(k) < off(best) {
			best = k
		}
	}
	if best == 0 || off(0)-off(best) < 0.05 {
		return nil
	}
	out := make([]string, n)
	for i := range n {
		out[i] = b.Trials[free[(i+best)%n]].Trial.ID
	}
	return out
}
