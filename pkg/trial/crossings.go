package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"

	"rainhill/pkg/laps"
	"rainhill/pkg/passage"
	"rainhill/pkg/tracker"
	"rainhill/pkg/unit"
	"rainhill/pkg/wire"
)

// crossing takes a crossing in: it waits among others until nothing earlier
// can come but a straggler.
func (s *State) crossing(e wire.Event, c *Changes) {
	if !s.open() {
		return
	}
	b := s.Book
	if !s.lineOf().Has(e.Gate) {
		s.Unknown = lastOf(addDoubt(s.Unknown, e.Gate), 50)
		b.Doubts = lastOf(addDoubt(b.Doubts, fmt.Sprintf("gate %q reports crossings but stands on no place of the circuit", e.Gate)), 50)
		return
	}
	x := s.toCrossing(e)
	high := x.AtUs
	if e.BusUs != 0 {
		high = min(high, e.BusUs)
	}
	b.HighUs = max(b.HighUs, high)
	b.touchRunning(x.AtUs, c)
	if x.AtUs <= b.Settled {
		s.straggler(x, c)
		return
	}
	i := sort.Search(len(b.Pending), func(i int) bool { return order(b.Pending[i], x) > 0 })
	if i < len(b.outs) {
		b.ahead = nil // it comes before what was stepped through
	}
	b.Pending = slices.Insert(b.Pending, i, x)
}

// touchRunning marks what is not final of the trains that run at an instant (of
// all, at the least instant) as new.
func (b *Book) touchRunning(us int64, c *Changes) {
	b.live = nil
	for i, t := range b.Trials {
		if us == math.MinInt64 || !t.Closed && (b.line == nil || i >= len(b.line.Trains) || runsAt(b.line, i, us)) {
			c.touch(t.Trial.ID, len(t.Laps), t.openUs())
		}
	}
}

// openUs is where the final passages of a trial end.
func (t *Entry) openUs() int64 {
	if n := len(t.Points); n > 0 {
		return t.Points[n-1].AtUs + 1
	}
	return math.MinInt64
}

// order is that of crossings in time; of equal instants it is the same however
// they arrived: as their agent numbered them.
func order(a, b passage.Crossing) int {
	return cmp.Or(cmp.Compare(a.AtUs, b.AtUs), cmp.Compare(a.Gate, b.Gate), cmp.Compare(a.Clock, b.Clock), cmp.Compare(a.Seq, b.Seq),
		cmp.Compare(a.Tag, b.Tag), cmp.Compare(a.Edge, b.Edge))
}

func insert(list []passage.Crossing, x passage.Crossing) []passage.Crossing {
	i := sort.Search(len(list), func(i int) bool { return order(list[i], x) > 0 })
	return slices.Insert(list, i, x)
}

func (s *State) toCrossing(e wire.Event) passage.Crossing {
	x := passage.Crossing{Stamp: s.stamp(e, e.AtUs), Gate: e.Gate, Edge: e.Edge, Tag: e.Tag}
	if e.Seq != nil {
		x.Seq = *e.Seq
	}
	if e.Beam != nil {
		x.Beam = int8(*e.Beam)
	}
	if e.ClearUs != nil {
		x.ClearUs = *e.ClearUs + x.AtUs - x.RawUs
	}
	if e.UUs != nil {
		x.UUs, x.Told = *e.UUs, true
		return x
	}
	tick, news := s.Book.resolution(e.Gate, e.AtUs)
	x.UUs = unit.QuantisationU(float64(tick))
	if news {
		s.Book.relearn(e.Gate, x.UUs, s.NowUs)
	}
	return x
}

// relearn gives the kept crossings of a gate the uncertainty of its tick as it
// is known now, and has the session scored again: what is said of a lap must
// not hang on which of its stamps came first.
func (b *Book) relearn(gate string, u float64, nowUs int64) {
	for _, list := range [][]passage.Crossing{b.Log, b.Pending} {
		for i := range list {
			if list[i].Gate == gate && !list[i].Told {
				list[i].UUs = u
			}
		}
	}
	b.Stops, b.ahead = nil, nil
	if !b.Stale {
		b.Stale, b.StaleUs = true, nowUs
	}
}

// resolution is the tick of a gate's stamps in microseconds, learnt from them:
// the largest power of ten up to 0.1 s that divides all of the last ones. A few
// stamps could divide by chance, so until eight are seen the tick is taken for
// no more than 10 ms; a chance of one in ten each makes that safe.
func (b *Book) resolution(gate string, atUs int64) (us int64, news bool) {
	tick, known := b.Ticks[gate]
	if !known {
		tick = 100_000
	}
	before := b.tick(tick, gate)
	for tick > 1 && atUs%tick != 0 {
		tick /= 10
	}
	b.Ticks[gate] = tick
	b.Stamps[gate]++
	us = b.tick(tick, gate)
	return us, known && us != before
}

func (b *Book) tick(us int64, gate string) int64 {
	if b.Stamps[gate] < 8 {
		return min(us, 10_000)
	}
	return us
}

// straggler is a crossing from before what is settled: an agent was cut off and
// has resent what it kept. What is still kept of the session is scored again,
// once for all that come together.
func (s *State) straggler(x passage.Crossing, c *Changes) {
	b := s.Book
	b.Dropped.Late++
	b.touchAll(c)
	if x.AtUs <= b.Base.AtUs {
		b.Doubts = addDoubt(b.Doubts, "some crossings came too late to be scored")
		return
	}
	b.Log = insert(b.Log, x)
	b.Stops = slices.DeleteFunc(b.Stops, func(s Stop) bool { return s.AtUs >= x.AtUs })
	if !b.Stale {
		b.Stale, b.StaleUs = true, s.NowUs
	}
}

// rescore scores again what is kept, from the last stop before what has changed,
// or from the session's first crossing; when it is long, from its base.
func (b *Book) rescore(s *State, c *Changes) {
	s.lineOf()
	from := b.from()
	b.rev++
	b.Core, b.Nobody, b.Stale, b.live, b.ahead = from.Core.Clone(), from.Nobody, false, nil, nil
	b.Log, b.Pending = slices.Clone(b.Log[:from.N]), append(slices.Clone(b.Log[from.N:]), b.Pending...)
	for _, t := range b.Trials {
		t.past = t.Laps
		t.back(from.Marks[t.Trial.ID])
		c.touch(t.Trial.ID, len(t.Laps), math.MinInt64)
	}
	b.settleTo(s, b.Settled, c)
	for _, t := range b.Trials {
		t.past = nil
	}
}

// settle makes final what nothing within the disorder window can change.
func (s *State) settle(c *Changes) {
	if !s.open() {
		return
	}
	if s.Book.Stale && s.NowUs-s.Book.StaleUs >= staleUs {
		s.Book.rescore(s, c)
	}
	s.Book.settleTo(s, max(s.Book.HighUs, s.NowUs)-s.Rules.DisorderUs, c)
	for _, t := range s.Book.Trials {
		if !t.Closed && t.Trial.ToUs != 0 && t.Trial.ToUs < s.Book.Settled {
			s.finishTrial(t, c)
		}
	}
}

func (b *Book) settleTo(s *State, us int64, c *Changes) {
	if us > b.Settled && us != math.MaxInt64 {
		b.Settled = us
	}
	n := 0
	for n < len(b.Pending) && b.Pending[n].AtUs <= us {
		n++
	}
	if n == 0 {
		return
	}
	line := s.lineOf()
	b.live = nil
	for _, x := range b.Pending[:n] {
		b.makeFinal(s, b.Core.Step(line, x), x.AtUs, c)
	}
	if n > len(b.outs) {
		b.ahead = nil
	} else if b.ahead != nil {
		b.outs = slices.Delete(b.outs, 0, n)
	}
	b.Log = append(b.Log, b.Pending[:n]...)
	b.Pending = slices.Delete(b.Pending, 0, n)
	b.stop()
	if len(b.Log) > logMax {
		b.rebase(line)
	}
}

// makeFinal notes what the tracker has settled.
func (b *Book) makeFinal(s *State, out tracker.Out, us int64, c *Changes) {
	b.Nobody += out.Nobody
	if out.False > 0 {
		for i, t := range b.Trials {
			if runsAt(b.line, i, us) {
				t.False += out.False
				c.touch(t.Trial.ID, len(t.Laps), math.MaxInt64)
			}
		}
	}
	for _, p := range out.Passages {
		t := b.Trials[p.Slot]
		c.touch(t.Trial.ID, len(t.Laps), t.openUs())
		s.pass(t, p)
		if len(t.Points) > passagesMax {
			t.shed(len(t.Points) - passagesMax/2)
		}
	}
}

// pass takes a final passage of a trial in.
func (s *State) pass(t *Entry, p tracker.Passage) {
	run, led := t.Run.Pass(s.Book.line, p)
	t.Run = run
	for _, x := range led.Incidents {
		t.Incidents = append(t.Incidents, s.record(t, x))
	}
	if n := len(t.Incidents); led.Back && n > 0 && t.Incidents[n-1].UntilUs == 0 {
		t.Incidents[n-1].UntilUs = led.BackUs
	}
	first := len(t.Laps)
	for _, lap := range led.Laps {
		t.Laps = append(t.Laps, LapRecord{Lap: lap})
		s.settleLap(t, len(t.Laps)-1)
	}
	for _, q := range led.Points {
		t.Points, t.Ends = append(t.Points, q), append(t.Ends, first+completed(led.Laps, q))
	}
}

// completed is how many of the laps end at or before p.
func completed(list []laps.Lap, p laps.Point) int {
	n := 0
	for _, l := range list {
		if l.To.AtUs <= p.AtUs {
			n++
		}
	}
	return n
}
