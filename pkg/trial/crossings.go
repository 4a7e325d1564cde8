package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"

	"rainhill/pkg/laps"
	"rainhill/pkg/passage"
	"rainhill/pkg/unit"
	"rainhill/pkg/wire"
)

// crossing takes a crossing in: at once into the live state if it is the
// newest, else by scoring again from where it belongs.
func (s *State) crossing(e wire.Event, c *Changes) {
	if !s.open() {
		return
	}
	b, line := s.Book, s.lineOf()
	if !slices.ContainsFunc(line.Gates, func(g laps.Gate) bool { return g.ID == e.Gate }) {
		s.Unknown = tailOf(addDoubt(s.Unknown, e.Gate), 50)
		b.Doubts = tailOf(addDoubt(b.Doubts, fmt.Sprintf("gate %q reports crossings but stands on no place of the circuit", e.Gate)), 50)
		return
	}
	x := s.toCrossing(e)
	high := x.AtUs
	if e.BusUs != 0 {
		high = min(high, e.BusUs)
	}
	b.HighUs = max(b.HighUs, high)
	switch n := len(b.Pending); {
	case x.AtUs <= b.Settled:
		s.straggler(x, c)
	case n == 0 || order(b.Pending[n-1], x) <= 0:
		b.Pending = append(b.Pending, x)
		b.take(line.Step(b.live, x), x, c)
	default:
		b.Pending = insert(b.Pending, x)
		b.replay(s, c)
	}
}

// order is that of crossings in time; of equal instants it is the same however
// they arrived.
func order(a, b passage.Crossing) int {
	return cmp.Or(cmp.Compare(a.AtUs, b.AtUs), cmp.Compare(a.Gate, b.Gate), cmp.Compare(a.Tag, b.Tag), cmp.Compare(a.Edge, b.Edge))
}

func insert(list []passage.Crossing, x passage.Crossing) []passage.Crossing {
	i := sort.Search(len(list), func(i int) bool { return order(list[i], x) > 0 })
	return slices.Insert(list, i, x)
}

func (s *State) toCrossing(e wire.Event) passage.Crossing {
	x := passage.Crossing{Stamp: s.stamp(e, e.AtUs), Gate: e.Gate, Edge: e.Edge, Tag: e.Tag}
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
	if !b.Stale {
		b.Stale, b.StaleUs = true, s.NowUs
	}
}

// rescore scores everything that is kept again: from the session's first
// crossing, or, when it is long, from its base.
func (b *Book) rescore(s *State, c *Changes) {
	line := s.lineOf()
	all := append(b.Log, b.Pending...)
	b.Core, b.Nobody, b.Stale = b.Base.Core.Clone(), b.Base.Nobody, false
	b.Log, b.Pending, b.live = nil, nil, b.Base.Core.Clone()
	for _, t := range b.Trials {
		t.past = t.Laps
		t.back(b.Base.Marks[t.Trial.ID])
		t.Closed = false
		c.touch(t.Trial.ID, t.Settled, math.MinInt64)
	}
	b.showEarly(line, c)
	for _, x := range all {
		b.Pending = append(b.Pending, x)
		b.take(line.Step(b.live, x), x, c)
	}
	b.settleTo(s, b.Settled, c)
	for _, t := range b.Trials {
		t.past = nil
	}
}

// replay scores what is not settled again.
func (b *Book) replay(s *State, c *Changes) {
	line := s.lineOf()
	b.live = b.Core.Clone()
	for _, t := range b.Trials {
		from := int64(math.MaxInt64)
		if t.SettledPoints < len(t.Points) {
			from = t.Points[t.SettledPoints].AtUs
		}
		c.touch(t.Trial.ID, t.Settled, from)
		t.back(t.mark())
	}
	b.showEarly(line, c)
	for _, x := range b.Pending {
		b.take(line.Step(b.live, x), x, c)
	}
}

// showEarly tells again what is not yet sure of trains in the settled state.
func (b *Book) showEarly(line *laps.Line, c *Changes) {
	for _, t := range b.Trials {
		if out, ok := line.Early(b.Core, t.Trial.ID); ok {
			b.take(out, passage.Crossing{}, c)
		}
	}
}

// take notes what a crossing led to.
func (b *Book) take(out laps.Out, x passage.Crossing, c *Changes) {
	if out.Nobody || out.Joined && !out.Anew {
		return
	}
	t := b.entry(out.Train)
	if t == nil {
		return
	}
	if out.Anew {
		t.back(Mark{})
	}
	t.False += out.False
	first := len(t.Laps)
	for _, lap := range out.Laps {
		t.Laps = append(t.Laps, LapRecord{Lap: lap})
	}
	for _, p := range out.Points {
		t.Points, t.Ends = append(t.Points, p), append(t.Ends, first+completed(out.Laps, p))
	}
	if len(out.Points) > 0 {
		c.touch(out.Train, first, out.Points[0].AtUs)
	} else if out.False != 0 {
		c.touch(out.Train, first, math.MaxInt64)
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
	for _, x := range b.Pending[:n] {
		b.makeFinal(s, line.Step(b.Core, x), c)
	}
	b.Log = append(b.Log, b.Pending[:n]...)
	b.Pending = slices.Delete(b.Pending, 0, n)
	if len(b.Log) > logMax {
		b.rebase(line)
	}
}

// makeFinal moves the marks of a trial past what one settled crossing led to;
// the live state has led to the same.
func (b *Book) makeFinal(s *State, out laps.Out, c *Changes) {
	if out.Nobody {
		b.Nobody++
	}
	t := b.entry(out.Train)
	if t == nil || out.Tentative {
		return
	}
	if out.Anew {
		t.Settled, t.SettledPoints, t.SettledFalse = 0, 0, 0
	}
	t.SettledFalse += out.False
	if len(out.Points) > 0 {
		c.touch(out.Train, t.Settled, out.Points[0].AtUs)
	}
	t.SettledPoints += len(out.Points)
	for range out.Laps {
		s.settleLap(t, t.Settled)
		t.Settled++
	}
	if t.SettledPoints > passagesMax {
		t.shed(t.SettledPoints - passagesMax/2)
	}
}
