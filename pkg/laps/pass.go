package laps

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
)

// Limits of what a passage can be, against the train's own recent speed.
const (
	skipFactor = 1.6 // a passage that would mean missed gates and this many times the speed is doubted
	nextFactor = 2.2 // so is one at the next gate, at this many times the speed
	evenFactor = 1.3 // so is either, at this many times the speed, of a train that ran evenly
	// agree is how nearly two speeds must agree to bear each other out.
	agree = 2.0
	// bridgeU is the standard uncertainty of an inferred instant as a share of
	// the bridged time, at its middle: a train holds its speed to about a tenth
	// within a few sectors (common practice, no source).
	bridgeU = 0.05
	// twinTolerance is how near to a whole multiple of the usual lap a lone
	// gate's interval must be to mean missed crossings.
	twinTolerance = 0.06
)

// pass moves train t on to the gate of x.
func (l *Line) pass(r *Run, t Train, x passage.Crossing) Out {
	g := l.order(t)
	i := slices.IndexFunc(g, func(gate Gate) bool { return gate.ID == x.Gate })
	if i < 0 {
		return Out{Nobody: true}
	}
	p := Point{Stamp: x.Stamp, Gate: x.Gate, PositionMm: g[i].PositionMm}
	if r.At < 0 {
		r.At, r.Last = i, p
		if i == 0 {
			r.Began, r.Start = true, p
		}
		return Out{Points: []Point{p}}
	}
	h := l.hop(t, r.At, r.Last, i, p)
	if h.speed > l.maxSpeed() {
		return Out{False: 1}
	}
	if r.Doubt != nil && l.borneOut(r, t, i, p, h) {
		d := *r.Doubt
		r.Doubt, r.Speeds, r.Laps = nil, nil, nil // it runs otherwise now
		out := l.move(r, t, d)
		rest := l.move(r, t, p)
		return Out{Points: append(out.Points, rest.Points...), Laps: append(out.Laps, rest.Laps...), False: -1}
	}
	if r.doubted(h) {
		r.Doubt = &p
		return Out{False: 1}
	}
	r.Doubt = nil
	return l.move(r, t, p)
}

// End takes a train's last passage for real if it was doubted only for being
// somewhat fast: nothing more will come to bear it out.
func (l *Line) End(s State, train string) Out {
	i, ok := l.index[train]
	r := s.Runs[train]
	if !ok || r == nil || r.Doubt == nil {
		return Out{}
	}
	t, d := l.Trains[i], *r.Doubt
	r.Doubt = nil
	at := slices.IndexFunc(l.order(t), func(g Gate) bool { return g.ID == d.Gate })
	if h := l.hop(t, r.At, r.Last, at, d); h.steps > 1 && len(l.order(t)) > 1 || h.speed > nextFactor*r.speed() {
		return Out{}
	}
	out := l.move(r, t, d)
	out.Train, out.False = train, -1
	return out
}

// hop is a way from one gate to another: how many gates on, how far, how long.
type hop struct {
	steps int
	sec   float64
	speed float64 // mm/s; +Inf when no time passed
}

func (l *Line) hop(t Train, from int, a Point, to int, b Point) hop {
	n := len(l.order(t))
	h := hop{steps: (to - from + n) % n}
	if h.steps == 0 {
		h.steps = n
	}
	us, _ := b.Since(a.Stamp)
	if us <= 0 {
		h.speed = math.Inf(1)
		return h
	}
	h.sec = float64(us) / 1e6
	h.speed = l.distance(t, from, h.steps) / h.sec
	return h
}

// doubted reports whether a hop is much faster than the train was of late: the
// more evenly it ran, the sooner.
func (r *Run) doubted(h hop) bool {
	usual, even := r.speed(), r.even()
	switch {
	case usual == 0:
		return false
	case even:
		return h.speed > evenFactor*usual
	case h.steps > 1:
		return h.speed > skipFactor*usual
	}
	return h.speed > nextFactor*usual
}

// even reports whether the last speeds lie within a fifth.
func (r *Run) even() bool {
	return len(r.Speeds) >= 3 && slices.Max(r.Speeds) < 1.2*slices.Min(r.Speeds)
}

// borneOut reports whether the passage that was doubted was real after all,
// now that the train is seen at gate i. On the way to a gate further on, one
// that is passed at a fair speed was real. Where the train is seen again no
// further on, either both were real, or this one alone: whichever keeps the
// speed.
func (l *Line) borneOut(r *Run, t Train, i int, p Point, h hop) bool {
	at := slices.IndexFunc(l.order(t), func(g Gate) bool { return g.ID == r.Doubt.Gate })
	first, then := l.hop(t, r.At, r.Last, at, *r.Doubt), l.hop(t, at, *r.Doubt, i, p)
	if then.speed > l.maxSpeed() {
		return false
	}
	slow, fast := min(first.speed, then.speed), max(first.speed, then.speed)
	if n := len(l.order(t)); n > 1 && first.steps+then.steps <= n {
		return fast < 2*agree*slow
	}
	usual := r.speed()
	if off(h.speed, usual) > math.Log(1.1) && fast < 1.08*slow {
		return true
	}
	return fast < agree*slow && max(off(first.speed, usual), off(then.speed, usual)) < off(h.speed, usual)
}

// off is how far a speed is from the usual, as a logarithm.
func off(v, usual float64) float64 { return math.Abs(math.Log(v / usual)) }

// move passes on to the gate of p.
func (l *Line) move(r *Run, t Train, p Point) Out {
	g := l.order(t)
	i := slices.IndexFunc(g, func(gate Gate) bool { return gate.ID == p.Gate })
	h := l.hop(t, r.At, r.Last, i, p)
	if len(g) == 1 {
		return l.alone(r, t, p, h.sec)
	}
	return l.advance(r, t, i, h.steps, p, h.sec)
}

// advance passes the gates between, inferred, and then the one seen.
func (l *Line) advance(r *Run, t Train, i, steps int, p Point, dt float64) Out {
	var out Out
	g, from, total, gone := l.order(t), r.Last, l.distance(t, r.At, steps), 0.0
	for k := 1; k < steps; k++ {
		at := (r.At + 1) % len(g)
		gone += l.sector(t, r.At)
		l.arrive(r, t, at, between(from, p, g[at], gone/total, dt), &out)
	}
	l.arrive(r, t, i, p, &out)
	return out
}

// between is the inferred point at share f of the way from a to b.
func between(a, b Point, g Gate, f, dt float64) Point {
	s := a.Stamp
	if a.Clock == b.Clock {
		s.RawUs += int64(math.Round(f * float64(b.RawUs-a.RawUs)))
	}
	s.AtUs += int64(math.Round(f * float64(b.AtUs-a.AtUs)))
	if a.Clock != b.Clock {
		s.RawUs, s.Clock = s.AtUs, ""
	}
	s.UUs = math.Hypot(2*math.Sqrt(f*(1-f))*bridgeU*dt*1e6, max(a.UUs, b.UUs))
	return Point{Stamp: s, Gate: g.ID, PositionMm: g.PositionMm, Inferred: true}
}

// arrive puts the train at gate i and closes the lap at the timing gate.
func (l *Line) arrive(r *Run, t Train, i int, p Point, out *Out) {
	sector := Sector{From: r.Last, To: p, LengthMm: l.sector(t, r.At)}
	us, _ := p.Since(r.Last.Stamp)
	if us > 0 && !p.Inferred && !r.Last.Inferred {
		r.Speeds = tail(append(r.Speeds, sector.LengthMm/float64(us)*1e6), max(5, len(l.order(t))))
	}
	if r.Began {
		r.Sectors = append(r.Sectors, sector)
	}
	r.At, r.Last = i, p
	out.Points = append(out.Points, p)
	if i != 0 {
		return
	}
	if r.Began {
		r.N++
		lap := Lap{N: r.N, From: r.Start, To: p, Sectors: r.Sectors, Inferred: p.Inferred || r.Start.Inferred}
		if len(l.order(t)) == 1 {
			lap.Sectors = nil // one gate: the lap is its only sector
		}
		out.Laps = append(out.Laps, lap)
		if us, _ := p.Since(r.Start.Stamp); !lap.Inferred {
			r.Laps = tail(append(r.Laps, float64(us)/1e6), 9)
		}
	}
	r.Began, r.Start, r.Sectors = true, p, nil
}

// alone passes the only gate of a circuit. An interval of twice or more the
// usual lap, of a train that runs evenly, means crossings that were missed.
func (l *Line) alone(r *Run, t Train, p Point, dt float64) Out {
	var out Out
	g, from, missed := l.order(t)[0], r.Last, 0
	if usual, even := r.usualLap(); even {
		if k := math.Round(dt / usual); k >= 2 && k <= 4 && math.Abs(dt/k-usual) < twinTolerance*usual {
			missed = int(k) - 1
		}
	}
	for k := 1; k <= missed; k++ {
		l.arrive(r, t, 0, between(from, p, g, float64(k)/float64(missed+1), dt), &out)
	}
	l.arrive(r, t, 0, p, &out)
	return out
}

// usualLap is the median of the last laps, and whether they were even enough
// to tell a missed crossing from a slow lap.
func (r *Run) usualLap() (s float64, even bool) {
	if len(r.Laps) < 3 {
		return 0, false
	}
	v := slices.Clone(r.Laps)
	slices.Sort(v)
	s = v[len(v)/2]
	return s, v[len(v)-1]-v[0] < 0.1*s
}

func tail(v []float64, n int) []float64 {
	if len(v) > n {
		return slices.Clone(v[len(v)-n:])
	}
	return v
}

// maxSpeed is what no train is faster than: the rule's, or a lap in two
// seconds where the circuit is long.
func (l *Line) maxSpeed() float64 { return max(l.Rules.MaxSpeedMmS, l.LapMm/2) }
