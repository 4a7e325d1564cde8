package laps

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
)

// While a train's speed is not known yet, one crossing after another of a gate
// may be its axles or its laps. So all that was seen of the train is kept and
// cut into passages again with every crossing, until the cut is sure. One
// number makes a cut: the longest silence within a passage. The best cut is
// the one that leaves least to be explained: a speed that jumps, gates passed
// unseen, a passage longer than the train.

// Burst is crossings of one gate that are one passage whatever the train.
type Burst struct {
	passage.Crossing
	passage.Open
}

const (
	earlyMost   = 96     // bursts after which a cut must do
	sureSectors = 8      // so many passages are no axles
	briskMmS    = 1500.0 // few trains are faster (common practice, no source)
	crawlMmS    = 30.0   // few pass a gate slower (common practice, no source)
	jump        = 4.0    // speeds of neighbouring sectors seldom differ by more
)

// early takes a crossing of a train that is not sure yet.
func (l *Line) early(s State, t Train, x passage.Crossing) Out {
	old := s.run(t.ID)
	bursts := old.Early
	if i := lastAt(bursts, x.Gate); i >= 0 && l.Rules.Surely(&bursts[i].Open, x) {
		bursts[i].Open.Grow(x)
	} else {
		bursts = append(bursts, Burst{x, passage.Opened(x)})
	}
	c := l.best(t, bursts)
	run := c.run
	run.Early, run.Sure = bursts, l.sure(t, c) || len(bursts) >= earlyMost
	if run.Sure {
		run.Early = nil
	}
	*old = run
	l.reopen(s, t, c)
	return Out{Train: t.ID, Points: c.out.Points, Laps: c.out.Laps, False: c.out.False, Anew: true, Tentative: !run.Sure}
}

// Early is what was told of a train that is not sure yet; ok is false when
// there is none.
func (l *Line) Early(s State, train string) (out Out, ok bool) {
	i, known := l.index[train]
	r := s.Runs[train]
	if !known || r == nil || len(r.Early) == 0 {
		return Out{}, false
	}
	c := l.best(l.Trains[i], r.Early)
	return Out{Train: train, Points: c.out.Points, Laps: c.out.Laps, False: c.out.False, Anew: true, Tentative: true}, true
}

func lastAt(bursts []Burst, gate string) int {
	for i := len(bursts) - 1; i >= 0; i-- {
		if bursts[i].Gate == gate {
			return i
		}
	}
	return -1
}

// reopen puts the newest passages of a cut among the open ones.
func (l *Line) reopen(s State, t Train, c cut) {
	for gate, list := range s.Gates {
		s.Gates[gate] = slices.DeleteFunc(list, func(o passage.Open) bool { return o.Train == t.ID })
	}
	for gate, i := range c.open {
		o := c.passages[i].Open
		o.Train = t.ID
		s.Gates[gate] = append(s.Gates[gate], o)
	}
}

// cut is one way to see a train's first crossings.
type cut struct {
	run      Run
	out      Out
	passages []Burst
	open     map[string]int // newest passage of each gate
	cost     float64
}

// best is the cut that leaves least to be explained, of equals the one with
// the most passages.
func (l *Line) best(t Train, bursts []Burst) cut {
	var best cut
	for i, us := range silences(bursts) {
		c := l.cut(t, bursts, us)
		if i == 0 || c.cost < best.cost {
			best = c
		}
	}
	best.play(l, t)
	return best
}

// silences are the silences between bursts of each gate, in order, and none.
func silences(bursts []Burst) []int64 {
	last, out := map[string]int64{}, []int64{0}
	for _, b := range bursts {
		if before, ok := last[b.Gate]; ok && b.FirstUs > before {
			out = append(out, b.FirstUs-before)
		}
		last[b.Gate] = b.LastUs
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// cut joins bursts no further apart than us into passages.
func (l *Line) cut(t Train, bursts []Burst, us int64) cut {
	c := cut{run: Run{At: -1}, open: map[string]int{}}
	for _, b := range bursts {
		if i, ok := c.open[b.Gate]; ok && b.FirstUs-c.passages[i].LastUs <= us {
			o := &c.passages[i].Open
			o.LastUs, o.Blocked, o.N = max(o.LastUs, b.LastUs), b.Blocked, o.N+b.N
			continue
		}
		c.open[b.Gate] = len(c.passages)
		c.passages = append(c.passages, b)
	}
	c.cost = l.cost(t, c)
	return c
}

// play runs the train past the gates.
func (c *cut) play(l *Line, t Train) {
	for _, b := range c.passages {
		out := l.pass(&c.run, t, b.Crossing)
		c.out.Points = append(c.out.Points, out.Points...)
		c.out.Laps = append(c.out.Laps, out.Laps...)
		c.out.False += out.False
	}
}

// cost is how much a cut leaves to be explained.
func (l *Line) cost(t Train, c cut) float64 {
	length, cost, before := l.length(t), 0.0, 0.0
	if len(c.passages) == 1 {
		if span := float64(c.passages[0].LastUs-c.passages[0].FirstUs) / 1e6; span*crawlMmS > length {
			cost++
		}
		return cost
	}
	for k := 1; k < len(c.passages); k++ {
		a, b := c.passages[k-1], c.passages[k]
		h, missed := l.leg(t, a, b, c.open)
		cost += missed
		switch {
		case h.speed > l.Rules.MaxSpeedMmS:
			cost += 4
		case h.speed > briskMmS:
			cost += 0.5
		}
		slowest := h.speed
		if before > 0 {
			slowest = min(h.speed, before)
			if max(h.speed, before) > jump*slowest {
				cost++
			}
		}
		if span := float64(a.LastUs-a.FirstUs) / 1e6; span*slowest > 2*length {
			cost++
		}
		before = h.speed
	}
	return cost
}

// length is the train's, as far as it can be told.
func (l *Line) length(t Train) float64 {
	if t.LengthMm > 0 {
		return min(t.LengthMm, 0.7*l.LapMm)
	}
	return l.LapMm / 3
}

// leg is the way between two passages, and what it costs that gates between
// saw nothing: a gate that has seen the train should have.
func (l *Line) leg(t Train, a, b Burst, active map[string]int) (h hop, missed float64) {
	g := l.order(t)
	index := func(id string) int { return slices.IndexFunc(g, func(x Gate) bool { return x.ID == id }) }
	from, to := index(a.Gate), index(b.Gate)
	if from < 0 || to < 0 {
		return hop{speed: math.Inf(1)}, 0
	}
	h = l.hop(t, from, Point{Stamp: a.Stamp}, to, Point{Stamp: b.Stamp})
	for k := 1; k < h.steps; k++ {
		if _, ok := active[g[(from+k)%len(g)].ID]; ok {
			missed++
		}
	}
	return h, min(missed, 2)
}

// sure reports whether more crossings can hardly change a cut: passages in
// good order at several gates; at one gate laps too long together for a
// passage, or passages of several axles each.
func (l *Line) sure(t Train, c cut) bool {
	n := len(c.passages)
	if n >= sureSectors {
		return true
	}
	if c.cost >= 1 {
		return false
	}
	if len(c.open) > 1 {
		return n >= 4
	}
	span := float64(c.passages[max(0, n-1)].LastUs-c.passages[0].FirstUs) / 1e6
	axles := n > 2 && !slices.ContainsFunc(c.passages[:n-1], func(b Burst) bool { return b.N < 2 })
	return n >= 3 && (axles || span*1.5*crawlMmS > l.length(t))
}
