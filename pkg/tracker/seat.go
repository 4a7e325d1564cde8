package tracker

import (
	"math"
	"slices"
)

// State is where all trains may be, by one way to see the crossings so far.
// States do not change once made. Seats are in running order, the leader first:
// trains of one direction cannot overtake.
type State struct {
	Seats []*Seat `json:"seats"`
	Owner []int16 `json:"owner,omitempty"` // of each gate's last stroke: slot, -1 nobody's
	Key   uint64  `json:"key"`
	Owed  float64 `json:"owed,omitempty"` // in the cost so far for trains that have not come yet
	Free  bool    `json:"free,omitempty"` // trains with tags have overtaken here: this is no single loop
}

// Seat is where one train is: the last gate it passed, when, and how it ran.
type Seat struct {
	Slot    int     `json:"slot"`
	W       int     `json:"w"`                 // number of that gate, counted on from lap to lap
	Dir     int     `json:"dir"`               // 1 running its way, -1 running back
	AtUs    int64   `json:"at"`                // bus time its front was there
	Virtual bool    `json:"virtual,omitempty"` // not seen yet: it stood FromMm behind that gate
	FromMm  float64 `json:"from_mm,omitempty"`
	Floor   int     `json:"floor"` // it must have passed this gate, perhaps unseen
	// MmS is its speed, Scatter the standard deviation of the logarithm of that from one sector to the next; Scatter 0 means that nothing is known.
	MmS       float64 `json:"v"`
	Scatter   float64 `json:"s"`
	Passed    int     `json:"passed"`              // gates seen
	Band      int     `json:"band,omitempty"`      // of speed, where that tells ways apart
	Stops     int     `json:"stops,omitempty"`     // over a gate
	Stood     bool    `json:"stood,omitempty"`     // on its way here
	Misplaced bool    `json:"misplaced,omitempty"` // it did not stand where its trial says
	// Over are passages that may still grow, the newest first.
	Over [3]Over `json:"over"`
}

// Over is a passage that may still grow: a train is perhaps still over the gate.
type Over struct {
	W       int    `json:"w"`
	Gate    int    `json:"gate"` // index on the forward way; -1 for none
	FirstUs int64  `json:"first"`
	LastUs  int64  `json:"last"`
	N       int    `json:"n"`
	StoodUs int64  `json:"stood,omitempty"` // of the time since FirstUs
	Tag     string `json:"tag,omitempty"`
}

func (s *State) seat(slot int) int {
	for i, x := range s.Seats {
		if x.Slot == slot {
			return i
		}
	}
	return -1
}

// with is s with one seat changed.
func (s *State) with(i int, seat *Seat, gate, owner int) *State {
	out := &State{Seats: slices.Clone(s.Seats), Owner: slices.Clone(s.Owner), Key: s.Key - s.Seats[i].key() + seat.key(), Free: s.Free}
	out.Seats[i] = seat
	out.own(gate, owner)
	return out
}

func (s *State) own(gate, owner int) {
	if gate >= 0 && gate < len(s.Owner) {
		s.Owner[gate] = int16(owner)
	}
}

// insert is s with a seat put in at place i of the running order.
func (s *State) insert(i int, seat *Seat, gate, owner int) *State {
	out := &State{Seats: slices.Insert(slices.Clone(s.Seats), i, seat), Owner: slices.Clone(s.Owner), Key: s.Key + seat.key(), Free: s.Free}
	out.own(gate, owner)
	return out
}

// without is s with a train taken off.
func (s *State) without(slot int) *State {
	i := s.seat(slot)
	if i < 0 {
		return s
	}
	return &State{Seats: slices.Delete(slices.Clone(s.Seats), i, i+1), Owner: s.Owner, Key: s.Key - s.Seats[i].key(), Owed: s.Owed, Free: s.Free}
}

// key is the same for two seats between which nothing to come can tell.
func (x *Seat) key() uint64 {
	h := hash(14695981039346656037, int64(x.Slot), int64(x.W), int64(x.Dir), x.AtUs, int64(x.Floor), int64(x.Stops), int64(x.Band))
	if x.Virtual {
		h *= 31
	}
	if x.Stood {
		h *= 37
	}
	return h
}

// round is the same for two states in which all trains stand and run alike round the loop
// and only count laps otherwise, so that nothing to come can tell them apart: where a train
// did not stand where its trial says, and then ran as one that did. Unlike Key it asks for
// speeds and passages to be the same too, as ways that look alike soon may part again by those.
func (s *State) round(n int) uint64 {
	sum := uint64(len(s.Seats))
	for i, x := range s.Seats {
		front, raise := (i+len(s.Seats)-1)%len(s.Seats), 0
		if i == 0 {
			raise = n
		}
		o := s.Seats[front]
		turned := *x
		turned.W, turned.Floor = mod(x.W, n), x.Floor-x.W
		h := hash(turned.key(), int64(o.Slot), int64(o.W+raise-x.W), int64(math.Float64bits(x.MmS)), int64(math.Float64bits(x.Scatter)), int64(x.Passed))
		for _, v := range x.Over {
			if v.FirstUs != 0 {
				h = hash(h, int64(v.W-x.W), int64(v.Gate), v.FirstUs, v.LastUs, int64(v.N), v.StoodUs)
			}
		}
		sum += h
	}
	for _, slot := range s.Owner {
		sum = hash(sum, int64(slot))
	}
	if s.Free {
		sum += freeKey
	}
	return sum
}

// hash goes on from h with more values (FNV-1a by words, stirred).
func hash(h uint64, values ...int64) uint64 {
	for _, v := range values {
		h ^= uint64(v)
		h *= 1099511628211
		h ^= h >> 29
	}
	return h
}

// ahead is the train in front of seat i, and by how many gates its numbers are
// to be raised: in front of the leader runs the last one, a lap on.
func (s *State) ahead(l *Line, i int) (k, raise int, ok bool) {
	if len(s.Seats) < 2 {
		return 0, 0, false
	}
	k, raise = i-1, 0
	if i == 0 {
		k, raise = len(s.Seats)-1, l.Gates()
	}
	a, b := &l.Trains[s.Seats[k].Slot], &l.Trains[s.Seats[i].Slot]
	return k, raise, a.Reverse == b.Reverse && !(s.Free && bothTagged(a, b))
}

// bothTagged trains need no order where one has been seen to overtake: they may
// run on two loops past one gate, or past one another on a siding.
func bothTagged(a, b *Train) bool { return a.Tag != "" && b.Tag != "" }

// freeKey sets the keys of states apart in which trains may overtake.
const freeKey = 0x9e3779b97f4a7c15

// backs reports whether seat i may come to gate number w running back: the train
// behind it must not have passed that gate.
func (s *State) backs(l *Line, i, w int) bool {
	if len(s.Seats) < 2 {
		return true
	}
	k, lower := i+1, 0
	if k == len(s.Seats) {
		k, lower = 0, l.Gates()
	}
	o := s.Seats[k]
	a, b := &l.Trains[o.Slot], &l.Trains[s.Seats[i].Slot]
	return a.Reverse != b.Reverse || s.Free && bothTagged(a, b) || o.W-lower < w
}

// room is where in the running order a train comes in that is first seen at
// gate q, and the number of that gate: behind the nearest train in front.
func (s *State) room(l *Line, slot, q int) (place, w int) {
	n, best, lastUs := l.Gates(), l.Gates(), int64(0)
	place, w = len(s.Seats), q
	for i, o := range s.Seats {
		if l.Trains[o.Slot].Reverse != l.Trains[slot].Reverse {
			continue
		}
		// Of trains equally many gates on, the last to have passed is nearest; of those
		// that only stood, the hindmost.
		if on := mod(o.W-q, n); on < best || on == best && o.AtUs >= lastUs {
			best, place, w, lastUs = on, i+1, o.W-on, o.AtUs
		}
	}
	return place, w
}
