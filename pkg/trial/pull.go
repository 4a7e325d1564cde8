package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

// cellKey is where what a load cell read in a lap stands beside what motors did; no
// motor's id has a colon.
const cellKey = "cell:"

// load takes a message of a load cell. Its readings are kept as a motor's are, the force
// in mN in the place of the current.
func (s *State) load(e wire.Event, c *Changes) {
	if !s.open() {
		return
	}
	b, zero := s.Book, int64(0)
	if b.Cells == nil {
		b.Cells = map[string]*traction.Track{}
	}
	m := b.Cells[e.Cell]
	if m == nil {
		m = &traction.Track{}
		b.Cells[e.Cell] = m
	}
	untilUs := m.LastUs()
	for _, x := range e.Samples {
		m.Add(traction.Reading{AtUs: s.stamp(e, x.AtUs).AtUs, Counts: zero, CurrentMa: x.ForceMn})
	}
	s.late(cellKey+e.Cell, m, untilUs, c)
}

// pulled is the force of a lap in newtons, by the one load cell that read it.
func (r LapRecord) pulled() (n float64, ok bool) {
	for key, x := range r.Turned {
		if !strings.HasPrefix(key, cellKey) || math.IsNaN(x.Meters.Ma) {
			continue
		}
		if ok {
			return 0, false // of two nobody said which is behind this train
		}
		n, ok = math.Abs(x.Meters.Ma)/1000, true
	}
	return n, ok
}

// byCell has a locomotive's droop per newton from the load cell where one was read, over
// this trial and those that are over: directly, not by way of currents.
func (s *State) byCell(t *Entry, count []int, r traction.Regulation) traction.Regulation {
	var pulls []traction.Pull
	for _, o := range s.Book.Trials {
		switch {
		case o == t:
			pulls = append(pulls, s.pulls(t, count)...)
		case s.alike(t, o):
			_, all := s.counted(o, s.incidents(o))
			pulls = append(pulls, s.pulls(o, all)...)
		}
	}
	droop, n, ok := traction.PullDroop(pulls)
	if !ok {
		return r
	}
	r.Droop = droop
	r.Evidence = append(r.Evidence, fmt.Sprintf("by the load cell, over %d laps, it lost %.1f (%.1f to %.1f) mm/s per newton of pull at one throttle, the supply's sag in it", n, droop.Value, droop.Lo, droop.Hi))
	return r
}

// pulls are the laps of a trial that a load cell read.
func (s *State) pulls(t *Entry, count []int) (out []traction.Pull) {
	for _, i := range count {
		if i >= len(t.Laps) {
			continue
		}
		n, ok := t.Laps[i].pulled()
		p, sets := traction.Pull{N: n}, 0.0
		for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
			m := t.Laps[i].Turned[d.Motor].Moments
			if per := mmPerCountOf(d); m != nil && per > 0 && !measuring(d) {
				p.SpeedMmS, p.Duty, sets = p.SpeedMmS+math.Abs(m.V)*per, p.Duty+m.D, sets+1
			}
		}
		if p.SpeedMmS /= sets; ok && sets > 0 {
			out = append(out, p)
		}
	}
	return out
}

// pullsMost is how many attempts a session holds.
const pullsMost = 5000

// checkPull says why an attempt does not fit the book.
func (s *State) checkPull(v wire.PullValue) error {
	_, known := s.Locomotives[v.Locomotive]
	if _, own := s.Book.Locomotives[v.Locomotive]; own && !s.open() { // as a closed session knew it
		known = true
	}
	switch {
	case !known:
		return refuse("there is no locomotive %q", v.Locomotive)
	case len(s.Book.Pulls) >= pullsMost && !slices.ContainsFunc(s.Book.Pulls, func(p wire.PullRecord) bool { return p.ID == v.ID }):
		return refuse("the session holds %d attempts already, the most it can: open another", pullsMost)
	}
	return nil
}

// putPull writes an attempt down, corrects it or takes it away. They stand in the order
// in which they were first written down.
func (b *Book) putPull(e wire.Event, a act) {
	id := strings.TrimPrefix(a.key, "pull/")
	i := slices.IndexFunc(b.Pulls, func(p wire.PullRecord) bool { return p.ID == id })
	v, there := a.value.(wire.PullValue)
	r := wire.PullRecord{PullValue: v, Decision: e.ID, By: a.by, AtUs: a.atUs, Why: a.why}
	b.Pulls = slices.Clone(b.Pulls) // results that were given hold the old ones
	switch {
	case !there:
		b.Pulls = slices.DeleteFunc(b.Pulls, func(p wire.PullRecord) bool { return p.ID == id })
	case i < 0:
		b.Pulls = append(b.Pulls, r)
		slices.SortStableFunc(b.Pulls, func(x, y wire.PullRecord) int { return cmp.Compare(x.AtUs, y.AtUs) })
	default:
		r.AtUs = b.Pulls[i].AtUs
		b.Pulls[i] = r
	}
}
