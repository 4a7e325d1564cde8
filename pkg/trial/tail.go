package trial

import (
	"math"
	"slices"

	"rainhill/pkg/laps"
	"rainhill/pkg/tracker"
)

// tail is what is not final of a trial.
type tail struct {
	laps      []LapRecord
	points    []laps.Point
	ends      []int
	incidents []IncidentRecord
	backUs    int64 // an incident that is final and was open ended then
	falses    int
	gone      bool // its train has not come for long
}

// tailOf is what is not final of a trial, by the best way to see it now. It is
// reckoned for all trials when one is first asked for.
func (s *State) tailOf(t *Entry) *tail {
	b := s.Book
	if b.live == nil {
		s.look()
	}
	if x := b.live[t.Trial.ID]; x != nil {
		return x
	}
	return &tail{}
}

// goAhead steps a copy of the core on through what is pending and was not stepped
// through before.
func (b *Book) goAhead(line *tracker.Line) {
	if b.ahead == nil {
		b.ahead, b.outs = b.Core.Clone(), b.outs[:0]
	}
	for _, x := range b.Pending[len(b.outs):] {
		b.outs = append(b.outs, b.ahead.Step(line, x))
	}
}

// look tells what is not final, from what is pending and a copy of the tracker that
// has seen it.
func (s *State) look() {
	b, line := s.Book, s.lineOf()
	b.goAhead(line)
	b.best = b.ahead.Clone()
	b.live = make(map[string]*tail, len(b.Trials))
	passages := make([][]tracker.Passage, len(b.Trials))
	falses := make([]int, len(b.Trials))
	for k, x := range b.Pending {
		out := b.outs[k]
		for _, p := range out.Passages {
			passages[p.Slot] = append(passages[p.Slot], p)
		}
		if out.False > 0 {
			for i := range b.Trials {
				if runsAt(line, i, x.AtUs) {
					falses[i] += out.False
				}
			}
		}
	}
	for i, t := range b.Trials {
		if t.Closed {
			continue
		}
		x := &tail{falses: falses[i]}
		run := t.Run
		for _, p := range append(passages[i], b.best.Tail(line, i)...) {
			run = x.pass(s, t, run, p)
		}
		if gone, ok := b.lost(s, t, i, b.best, false); ok {
			x.incidents, x.gone = append(x.incidents, s.record(t, gone)), true
		}
		b.live[t.Trial.ID] = x
	}
}

func (x *tail) pass(s *State, t *Entry, run laps.Run, p tracker.Passage) laps.Run {
	run, led := run.Pass(s.Book.line, p)
	for _, i := range led.Incidents {
		x.incidents = append(x.incidents, s.record(t, i))
	}
	if led.Back {
		if n := len(x.incidents); n > 0 && x.incidents[n-1].UntilUs == 0 {
			x.incidents[n-1].UntilUs = led.BackUs
		} else {
			x.backUs = led.BackUs
		}
	}
	first := len(t.Laps) + len(x.laps)
	for _, lap := range led.Laps {
		x.laps = append(x.laps, LapRecord{Lap: lap})
	}
	for _, q := range led.Points {
		x.points, x.ends = append(x.points, q), append(x.ends, first+completed(led.Laps, q))
	}
	return run
}

// count is how many laps a trial has, final or not.
func (s *State) count(t *Entry) int { return len(t.Laps) + len(s.tailOf(t).laps) }

// lapAt is lap index i of a trial, and whether it is final.
func (s *State) lapAt(t *Entry, i int) (LapRecord, bool) {
	if i < len(t.Laps) {
		return t.Laps[i], true
	}
	return s.tailOf(t).laps[i-len(t.Laps)], false
}

// incidents are all of a trial, final or not.
func (s *State) incidents(t *Entry) []IncidentRecord {
	x := s.tailOf(t)
	if len(x.incidents) == 0 && x.backUs == 0 {
		return t.Incidents
	}
	all := slices.Concat(t.Incidents, x.incidents)
	if n := len(t.Incidents); x.backUs != 0 && n > 0 && all[n-1].UntilUs == 0 {
		all[n-1].UntilUs = x.backUs
	}
	return all
}

// overdue marks as new the trains that time alone has shown not to come: no
// crossing tells of them.
func (s *State) overdue(c *Changes) {
	if !s.open() {
		return
	}
	if s.Book.live == nil {
		s.look()
	}
	b, news := s.Book, false
	for i, t := range b.Trials {
		if t.Closed {
			continue
		}
		if _, gone := b.lost(s, t, i, b.best, false); gone != s.tailOf(t).gone {
			c.touch(t.Trial.ID, len(t.Laps), math.MaxInt64)
			news = true
		}
	}
	if news {
		b.live = nil
	}
}
