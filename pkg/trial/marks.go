package trial

import (
	"slices"

	"rainhill/pkg/laps"
)

// Mark is how far a trial was at some moment: laps, points and passages dropped.
type Mark struct {
	Laps   int `json:"laps"`
	Points int `json:"points"`
	False  int `json:"false"`
}

// Base is where scoring again begins: the session's beginning, or, when it is
// long, a later moment. AtUs is the last crossing before it.
type Base struct {
	AtUs   int64           `json:"at_us"`
	Core   laps.State      `json:"core"`
	Nobody int             `json:"nobody"`
	Marks  map[string]Mark `json:"marks"`
}

func newBase() Base { return Base{Core: laps.NewState(), Marks: map[string]Mark{}} }

// rebase moves the base on past the older half of the kept crossings.
func (b *Book) rebase(line *laps.Line) {
	n := len(b.Log) / 2
	for _, x := range b.Log[:n] {
		out := line.Step(b.Base.Core, x)
		if out.Nobody {
			b.Base.Nobody++
		}
		if out.Train == "" || out.Tentative {
			continue
		}
		m := b.Base.Marks[out.Train]
		if out.Anew {
			m = Mark{}
		}
		b.Base.Marks[out.Train] = Mark{m.Laps + len(out.Laps), m.Points + len(out.Points), m.False + out.False}
	}
	b.Base.AtUs = b.Log[n-1].AtUs
	b.Log = slices.Clone(b.Log[n:])
}

func (t *Entry) mark() Mark { return Mark{t.Settled, t.Shed + t.SettledPoints, t.SettledFalse} }

// back forgets what was scored after m.
func (t *Entry) back(m Mark) {
	points := max(0, m.Points-t.Shed)
	t.Shed = m.Points - points
	t.Laps, t.Points, t.Ends = t.Laps[:min(m.Laps, len(t.Laps)):min(m.Laps, len(t.Laps))], t.Points[:points:points], t.Ends[:points:points]
	t.Settled, t.SettledPoints = min(t.Settled, m.Laps), points
	t.False, t.SettledFalse = m.False, m.False
}

// shed lets go of the n oldest points.
func (t *Entry) shed(n int) {
	t.Points, t.Ends = slices.Clone(t.Points[n:]), slices.Clone(t.Ends[n:])
	t.SettledPoints, t.Shed = t.SettledPoints-n, t.Shed+n
}
