package trial

import (
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
	if !slices.ContainsFunc(b.Trials, func(t *Entry) bool {
		return x.AtUs >= t.Trial.FromUs && (t.Trial.ToUs == 0 || x.AtUs <= t.Trial.ToUs)
	}) {
		b.Nobody++
		return
	}
	high := x.AtUs
	if e.BusUs != 0 {
		high = min(high, e.BusUs)
	}
	b.HighUs = max(b.HighUs, high)
	switch n := len(b.Pending); {
	case x.AtUs <= b.Settled:
		s.straggler(x, c)
	case n == 0 || x.AtUs >= b.Pending[n-1].AtUs:
		b.Pending = append(b.Pending, x)
		b.take(line.Step(b.live, x), x, c)
	default:
		i := sort.Search(n, func(i int) bool { return b.Pending[i].AtUs > x.AtUs })
		b.Pending = slices.Insert(b.Pending, i, x)
		b.replay(s, c)
	}
}

func (s *State) toCrossing(e wire.Event) passage.Crossing {
	x := passage.Crossing{Stamp: s.stamp(e, e.AtUs), Gate: e.Gate, Edge: e.Edge, Tag: e.Tag}
	if e.ClearUs != nil {
		x.ClearUs = *e.ClearUs + x.AtUs - x.RawUs
	}
	if e.UUs != nil {
		x.UUs = *e.UUs
	} else {
		x.UUs = unit.QuantisationU(float64(s.Book.resolution(e.Gate, e.AtUs)))
	}
	return x
}

// resolution is the tick of a gate's stamps in microseconds, learnt from them:
// the largest power of ten up to 0.1 s that divides all of the last ones. A few
// stamps could divide by chance, so until eight are seen the tick is taken for
// no more than 10 ms; a chance of one in ten each makes that safe.
func (b *Book) resolution(gate string, atUs int64) int64 {
	tick, ok := b.Ticks[gate]
	if !ok {
		tick = 100_000
	}
	for tick > 1 && atUs%tick != 0 {
		tick /= 10
	}
	b.Ticks[gate] = tick
	b.Stamps[gate]++
	if b.Stamps[gate] < 8 {
		return min(tick, 10_000)
	}
	return tick
}

// straggler is a crossing from before what is settled: an agent was cut off and
// has resent what it kept. The session is scored again from its beginning, as
// long as that is kept.
func (s *State) straggler(x passage.Crossing, c *Changes) {
	b := s.Book
	b.Dropped.Late++
	b.touchAll(c)
	if b.LogFull {
		b.Doubts = addDoubt(b.Doubts, "some crossings came too late to be scored")
		return
	}
	i := sort.Search(len(b.Log), func(i int) bool { return b.Log[i].AtUs > x.AtUs })
	b.Log = slices.Insert(b.Log, i, x)
	b.rescore(s, c)
}

// rescore scores everything from the session's first crossing.
func (b *Book) rescore(s *State, c *Changes) {
	line := s.lineOf()
	old := b.Log
	b.Core, b.Log, b.Nobody = laps.NewState(), nil, 0
	for _, t := range b.Trials {
		t.Laps, t.Settled, t.Points, t.Ends, t.SettledPoints, t.Shed = nil, 0, nil, nil, 0, 0
		t.False, t.SettledFalse, t.Closed = 0, 0, false
		c.touch(t.Trial.ID, 0, math.MinInt64)
	}
	all := append(old, b.Pending...)
	b.Pending, b.live = nil, laps.NewState()
	for _, x := range all {
		b.Pending = append(b.Pending, x)
		b.take(line.Step(b.live, x), x, c)
		if x.AtUs <= b.Settled {
			b.settleTo(s, x.AtUs, c)
		}
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
		t.Laps, t.Points, t.Ends, t.False = t.Laps[:t.Settled], t.Points[:t.SettledPoints], t.Ends[:t.SettledPoints], t.SettledFalse
	}
	for _, x := range b.Pending {
		b.take(line.Step(b.live, x), x, c)
	}
}

// take notes what a crossing led to.
func (b *Book) take(out laps.Out, x passage.Crossing, c *Changes) {
	if out.Nobody {
		return
	}
	t := b.entry(out.Train)
	if t == nil {
		return
	}
	if out.False {
		t.False++
		c.touch(out.Train, len(t.Laps), math.MaxInt64)
		return
	}
	first := len(t.Laps)
	for _, lap := range out.Laps {
		t.Laps = append(t.Laps, LapRecord{Lap: lap})
	}
	done := first
	for i, p := range out.Points {
		if i > 0 || len(out.Laps) > 0 {
			done = first + completed(out.Laps, p)
		}
		t.Points, t.Ends = append(t.Points, p), append(t.Ends, done)
	}
	if len(out.Points) > 0 {
		c.touch(out.Train, first, out.Points[0].AtUs)
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
	b.Pending = slices.Clone(b.Pending[n:])
	if len(b.Log) > logMax {
		b.Log, b.LogFull = nil, true
	}
	if b.LogFull {
		b.Log = nil
	}
}

// makeFinal moves the marks of a trial past what one settled crossing led to;
// the live state has led to the same.
func (b *Book) makeFinal(s *State, out laps.Out, c *Changes) {
	t := b.entry(out.Train)
	if out.Nobody {
		b.Nobody++
	}
	if t == nil {
		return
	}
	if out.False {
		t.SettledFalse++
	}
	if len(out.Points) > 0 {
		c.touch(out.Train, t.Settled, t.Points[t.SettledPoints].AtUs)
	}
	t.SettledPoints += len(out.Points)
	for range out.Laps {
		s.settleLap(t, t.Settled)
		t.Settled++
	}
	if t.SettledPoints > passagesMax {
		shed := t.SettledPoints - passagesMax/2
		t.Points, t.Ends = slices.Clone(t.Points[shed:]), slices.Clone(t.Ends[shed:])
		t.SettledPoints, t.Shed = t.SettledPoints-shed, t.Shed+shed
	}
}
