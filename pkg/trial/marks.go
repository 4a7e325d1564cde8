package trial

import (
	"slices"

	"rainhill/pkg/laps"
	"rainhill/pkg/tracker"
)

// Mark is how far a trial was at some moment.
type Mark struct {
	Laps      int      `json:"laps"`
	Points    int      `json:"points"`
	Incidents int      `json:"incidents"`
	False     int      `json:"false"`
	Run       laps.Run `json:"run"`
	Closed    bool     `json:"closed,omitempty"`
}

// Base is where scoring again begins: the session's beginning, or, when it is
// long, a later moment. AtUs is the last crossing before it.
type Base struct {
	AtUs   int64            `json:"at_us"`
	Core   *tracker.Tracker `json:"core"`
	Nobody int              `json:"nobody"`
	Marks  map[string]Mark  `json:"marks"`
}

// Stop is where scoring can begin again after a straggler: N crossings of the log
// lie before it. There are the more of them the later.
type Stop struct {
	N int `json:"n"`
	Base
}

// stopEvery is how many crossings lie between the latest stops.
const stopEvery = 250

// stop notes a place to begin again from. While the log is to be scored again
// what was scored does not agree with it, and there is none.
func (b *Book) stop() {
	last := 0
	if n := len(b.Stops); n > 0 {
		last = b.Stops[n-1].N
	}
	if b.Stale || len(b.Log)-last < stopEvery {
		return
	}
	marks := map[string]Mark{}
	for _, t := range b.Trials {
		marks[t.Trial.ID] = Mark{len(t.Laps), len(t.Points) + t.Shed, len(t.Incidents), t.False, t.Run, t.Closed}
	}
	b.Stops = append(b.Stops, Stop{len(b.Log), Base{b.Log[len(b.Log)-1].AtUs, b.Core.Clone(), b.Nobody, marks}})
	b.thin()
}

// thin lets go of stops that lie close together far back.
func (b *Book) thin() {
	var kept []Stop
	next := 0
	for i := len(b.Stops) - 1; i >= 0; i-- {
		if age := len(b.Log) - b.Stops[i].N; age >= next {
			kept, next = append(kept, b.Stops[i]), 2*age
		}
	}
	slices.Reverse(kept)
	b.Stops = kept
}

// from is the last place to begin again from.
func (b *Book) from() Stop {
	if n := len(b.Stops); n > 0 {
		return b.Stops[n-1]
	}
	return Stop{0, b.Base}
}

// rebase moves the base on past about the older half of the kept crossings: to a
// stop, which knows all that is needed, or where stragglers left none, by scoring
// that half once more.
func (b *Book) rebase(line *tracker.Line) {
	n := 0
	for _, s := range b.Stops {
		if s.N <= len(b.Log)/2 && s.N > n {
			n, b.Base = s.N, s.Base
		}
	}
	if n == 0 {
		n = len(b.Log) / 2
		b.stepBase(line, n)
	}
	if b.keepAll {
		b.spare = append(b.spare, b.Log[:n]...)
	}
	b.Log = slices.Clone(b.Log[n:])
	for i := range b.Stops {
		b.Stops[i].N -= n
	}
	b.Stops = slices.DeleteFunc(b.Stops, func(s Stop) bool { return s.N <= 0 })
}

// KeepAll has every crossing of a session kept, so that one corrected after its
// close is scored again from its beginning however long it is. It is for a state
// that reads one session and is not saved.
func (s *State) KeepAll() { s.keepAll = true }

// whole puts back what was let go of the log.
func (b *Book) whole(line *tracker.Line) {
	if len(b.spare) == 0 {
		return
	}
	b.Log, b.spare = append(b.spare, b.Log...), nil
	b.Base, b.Stops = Base{Core: tracker.New(line), Marks: map[string]Mark{}}, nil
}

// stepBase scores the first n crossings of the log onto the base.
func (b *Book) stepBase(line *tracker.Line, n int) {
	for _, x := range b.Log[:n] {
		out := b.Base.Core.Step(line, x)
		b.Base.Nobody += out.Nobody
		for i := range b.Trials {
			if out.False > 0 && runsAt(line, i, x.AtUs) {
				m := b.Base.Marks[b.Trials[i].Trial.ID]
				m.False += out.False
				b.Base.Marks[b.Trials[i].Trial.ID] = m
			}
		}
		for _, p := range out.Passages {
			id := b.Trials[p.Slot].Trial.ID
			m := b.Base.Marks[id]
			run, led := m.Run.Pass(line, p)
			b.Base.Marks[id] = Mark{m.Laps + len(led.Laps), m.Points + len(led.Points), m.Incidents + len(led.Incidents), m.False, run, false}
		}
	}
	b.Base.AtUs = b.Log[n-1].AtUs
}

func runsAt(line *tracker.Line, slot int, us int64) bool {
	t := &line.Trains[slot]
	return us >= t.FromUs && (t.ToUs == 0 || us <= t.ToUs)
}

// back forgets what was scored after m.
func (t *Entry) back(m Mark) {
	points := min(max(0, m.Points-t.Shed), len(t.Points))
	t.Shed = m.Points - points
	n, k := min(m.Laps, len(t.Laps)), min(m.Incidents, len(t.Incidents))
	t.Laps, t.Points, t.Ends, t.Incidents = t.Laps[:n:n], t.Points[:points:points], t.Ends[:points:points], t.Incidents[:k:k]
	t.False, t.Run, t.Closed = m.False, m.Run, m.Closed
}

// shed lets go of the n oldest points.
func (t *Entry) shed(n int) {
	t.Points, t.Ends, t.Shed = slices.Clone(t.Points[n:]), slices.Clone(t.Ends[n:]), t.Shed+n
}
