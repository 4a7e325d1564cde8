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
	First passage.Crossing `json:"first"`
	Open  passage.Open     `json:"open"`

	joined bool // with later ones, by a cut
}

const (
	earlyMost = 400    // bursts after which a cut must do
	clear     = 0.5    // how much worse all other cuts must be
	briskMmS  = 1500.0 // few trains are faster (common practice, no source)
	briskFew  = 5      // passages after which a brisk train is believed
	crawlMmS  = 30.0   // few pass a gate slower (common practice, no source)
	jump      = 4.0    // from one sector to the next few trains get faster by more
	halt      = 10.0   // or slower by more, but that they may stop
	guessMm   = 1500.0 // taken for the length of a train of unknown length
)

// early takes a crossing of a train that is not sure yet.
func (l *Line) early(s State, t Train, x passage.Crossing, open *passage.Open) Out {
	old := s.run(t.ID)
	bursts := old.Early
	if i := lastAt(bursts, x.Gate); i >= 0 && l.Rules.Surely(&bursts[i].Open, x) {
		bursts[i].Open.Grow(x)
		if open != nil {
			open.Grow(x)
			return Out{Train: t.ID, Joined: true}
		}
	} else {
		bursts = append(bursts, Burst{First: x, Open: passage.Opened(x)})
	}
	c := l.best(t, bursts)
	run := c.run
	run.Early, run.Sure = bursts, c.sure() || len(bursts) >= earlyMost
	if run.Sure {
		run.Early, run.LengthMm = nil, c.shown()
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
		if bursts[i].First.Gate == gate {
			return i
		}
	}
	return -1
}

// shown is the length of train that passages of several crossings show: the least, since a train may have passed slower than it runs. 0 for none.
func (c cut) shown() (mm float64) {
	for _, b := range c.passages[:len(c.passages)-1] {
		span := float64(b.Open.LastUs-b.Open.FirstUs) / 1e6 * c.run.speed()
		if b.Open.N > 1 && (mm == 0 || span < mm) {
			mm = span
		}
	}
	return mm
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
	lead     float64 // how much more the next best costs
}

// best is the cut that leaves least to be explained, of equals the one with
// the most passages.
func (l *Line) best(t Train, bursts []Burst) cut {
	best := cut{cost: math.Inf(1)}
	lead := math.Inf(1)
	for _, us := range silences(bursts) {
		c := l.cut(t, bursts, us)
		switch {
		case len(c.passages) == len(best.passages):
		case c.cost < best.cost:
			best, lead = c, best.cost-c.cost
		default:
			lead = min(lead, c.cost-best.cost)
		}
	}
	best.lead = lead
	best.play(l, t)
	return best
}

// silences are the silences between bursts of each gate, in order, and none.
// Those within a tenth of each other are one.
func silences(bursts []Burst) []int64 {
	last, out := map[string]int64{}, []int64{0}
	for _, b := range bursts {
		if before, ok := last[b.First.Gate]; ok && b.Open.FirstUs > before {
			out = append(out, b.Open.FirstUs-before)
		}
		last[b.First.Gate] = b.Open.LastUs
	}
	slices.Sort(out)
	few := out[:1]
	for i, us := range out[1:] {
		if next := i + 2; next == len(out) || out[next] > us+us/10 {
			few = append(few, us)
		}
	}
	return few
}

// cut joins bursts no further apart than us into passages.
func (l *Line) cut(t Train, bursts []Burst, us int64) cut {
	c := cut{run: Run{At: -1}, open: map[string]int{}}
	for _, b := range bursts {
		if i, ok := c.open[b.First.Gate]; ok && b.Open.FirstUs-c.passages[i].Open.LastUs <= us {
			o := &c.passages[i].Open
			c.passages[i].joined = true
			o.LastUs, o.Blocked, o.N = max(o.LastUs, b.Open.LastUs), b.Open.Blocked, o.N+b.Open.N
			continue
		}
		c.open[b.First.Gate] = len(c.passages)
		c.passages = append(c.passages, b)
	}
	c.cost = l.cost(t, c, us)
	return c
}

// play runs the train past the gates.
func (c *cut) play(l *Line, t Train) {
	for _, b := range c.passages {
		out := l.pass(&c.run, t, b.First)
		c.out.Points = append(c.out.Points, out.Points...)
		c.out.Laps = append(c.out.Laps, out.Laps...)
		c.out.False += out.False
	}
}

// cost is how much a cut leaves to be explained.
func (l *Line) cost(t Train, c cut, us int64) float64 {
	cost, before, brisk := 0.0, 0.0, false
	if len(c.passages) == 1 {
		return l.lone(t, c.passages[0], us)
	}
	for k := 1; k < len(c.passages); k++ {
		a, b := c.passages[k-1], c.passages[k]
		h, missed := l.leg(t, a, b, c.open)
		cost += missed
		switch {
		case h.speed > l.maxSpeed():
			cost += 4
		case h.speed > max(briskMmS, l.LapMm/4) && len(c.passages) < briskFew && !brisk:
			cost, brisk = cost+0.5, true
		}
		slowest := h.speed
		if before > 0 {
			slowest = min(h.speed, before)
			if h.speed > jump*before {
				cost++
			} else if halt*h.speed < before {
				cost += 0.5
			}
		}
		cost += l.overlong(t, a, slowest)
		before = h.speed
	}
	return cost + l.overlong(t, c.passages[len(c.passages)-1], before)
}

// lone is what it costs to see all as one passage with a silence of us in it:
// a train that crawls, or one without an axle for long.
func (l *Line) lone(t Train, b Burst, us int64) float64 {
	span, length := float64(b.Open.LastUs-b.Open.FirstUs)/1e6, l.length(t)
	if span*crawlMmS > length || t.LengthMm > 0 && float64(us)/1e6/span*length > 2.5*l.Rules.SpacingMm {
		return 1
	}
	return 0
}

// overlong is the cost of a passage twice as long as the train. A gate that was
// blocked all the while is no cut's doing.
func (l *Line) overlong(t Train, b Burst, speed float64) float64 {
	most := 2 * l.length(t)
	if t.LengthMm == 0 {
		most = l.LapMm / 3
	}
	if span := float64(b.Open.LastUs-b.Open.FirstUs) / 1e6; b.joined && span*speed > most {
		return 1
	}
	return 0
}

// length is the train's, as far as it can be told.
func (l *Line) length(t Train) float64 {
	if t.LengthMm > 0 {
		return min(t.LengthMm, 0.7*l.LapMm)
	}
	return min(l.LapMm/3, guessMm)
}

// leg is the way between two passages, and what it costs that gates between
// saw nothing: a gate that has seen the train should have.
func (l *Line) leg(t Train, a, b Burst, active map[string]int) (h hop, missed float64) {
	g := l.order(t)
	index := func(id string) int { return slices.IndexFunc(g, func(x Gate) bool { return x.ID == id }) }
	from, to := index(a.First.Gate), index(b.First.Gate)
	if from < 0 || to < 0 {
		return hop{speed: math.Inf(1)}, 0
	}
	h = l.hop(t, from, Point{Stamp: a.First.Stamp}, to, Point{Stamp: b.First.Stamp})
	for k := 1; k < h.steps; k++ {
		if _, ok := active[g[(from+k)%len(g)].ID]; ok {
			missed++
		}
	}
	return h, min(missed, 2)
}

// sure reports whether more crossings can hardly change a cut: there are some
// passages, and every other cut leaves more to be explained.
func (c cut) sure() bool {
	least := 3
	if len(c.open) > 1 {
		least = 4
	}
	return len(c.passages) >= least && c.lead >= clear
}
