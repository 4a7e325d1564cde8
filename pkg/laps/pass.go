package laps

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
)

// Limits of what a passage can be, against the train's own recent speed.
const (
	skipFactor = 2.2 // a passage that would mean missed gates and this many times the speed is false
	nextFactor = 3.5 // so is one at the next gate, at this many times the speed
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
	steps := (i - r.At + len(g)) % len(g)
	if steps == 0 {
		steps = len(g)
	}
	us, _ := p.Since(r.Last.Stamp)
	if us <= 0 || l.impossible(r, t, steps, float64(us)/1e6) {
		return Out{False: true}
	}
	if len(g) == 1 {
		return l.alone(r, t, p, float64(us)/1e6)
	}
	return l.advance(r, t, i, steps, p, float64(us)/1e6)
}

// impossible reports whether no train could have come steps gates further in
// dt seconds.
func (l *Line) impossible(r *Run, t Train, steps int, dt float64) bool {
	v, usual := l.distance(t, r.At, steps)/dt, r.speed()
	if v > l.Rules.MaxSpeedMmS {
		return true
	}
	if usual == 0 {
		return false
	}
	if steps > 1 || len(l.order(t)) == 1 {
		return v > skipFactor*usual
	}
	return v > nextFactor*usual
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
