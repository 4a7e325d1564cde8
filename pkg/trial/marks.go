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
}

// Base is where scoring again begins: the session's beginning, or, when it is
// long, a later moment. AtUs is the last crossing before it.
type Base struct {
	AtUs   int64            `json:"at_us"`
	Core   *tracker.Tracker `json:"core"`
	Nobody int              `json:"nobody"`
	Marks  map[string]Mark  `json:"marks"`
}

// rebase moves the base on past the older half of the kept crossings.
func (b *Book) rebase(line *tracker.Line) {
	n := len(b.Log) / 2
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
			b.Base.Marks[id] = Mark{m.Laps + len(led.Laps), m.Points + len(led.Points), m.Incidents + len(led.Incidents), m.False, run}
		}
	}
	b.Base.AtUs = b.Log[n-1].AtUs
	b.Log = slices.Clone(b.Log[n:])
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
	t.False, t.Run = m.False, m.Run
}

// shed lets go of the n oldest points.
func (t *Entry) shed(n int) {
	t.Points, t.Ends, t.Shed = slices.Clone(t.Points[n:]), slices.Clone(t.Ends[n:]), t.Shed+n
}
