package tracker

import (
	"math"
	"slices"

	"rainhill/pkg/circuit"
)

// Gate is a fixed point of the circuit. PairMm is the spacing of a two-beam
// gate, 0 for a single one.
type Gate struct {
	ID         string
	PositionMm float64
	Timing     bool
	PairMm     float64
}

// Train is one trial's train: when it may run, how it is told from others.
// ToUs 0 means that it still runs. StartMm is NaN when not stated. Order is its
// place in the order an official told, 1 for the leader, 0 when nobody told.
type Train struct {
	ID       string
	Tag      string
	FromUs   int64
	ToUs     int64
	LengthMm float64
	StartMm  float64
	Reverse  bool
	Order    int
}

func (t *Train) runs(atUs int64) bool {
	return atUs >= t.FromUs && (t.ToUs == 0 || atUs <= t.ToUs)
}

// Rules are the limits of what trains do.
type Rules struct {
	LagGates    int     // a passage is final when its train has passed so many gates more
	MaxSpeedMmS float64 // no train is faster
	LeastLapS   float64 // no lap is quicker; 0 when none is stated
}

// Default rules. The speed is common practice, no source.
func Default() Rules { return Rules{LagGates: 2, MaxSpeedMmS: 3000} }

// Line is what does not change while crossings come: the circuit, its gates in
// running order, its trains, the rules.
type Line struct {
	LapMm  float64
	Trains []Train
	Rules  Rules

	ways [2]way // forward, reverse
}

// way is the gates in the order in which trains of one direction pass them,
// from the timing gate.
type way struct {
	gates []Gate
	from  []float64 // mm from the timing gate
	index map[string]int
}

// NewLine puts the gates in running order. The timing gate is the first that
// says so, else the first given. A circuit of no length or without gates has no
// passages.
func NewLine(lapMm float64, gates []Gate, trains []Train, rules Rules) *Line {
	l := &Line{LapMm: lapMm, Trains: trains, Rules: rules}
	if len(gates) == 0 || lapMm <= 0 {
		return l
	}
	timing := max(0, slices.IndexFunc(gates, func(g Gate) bool { return g.Timing }))
	for r := range l.ways {
		l.ways[r] = newWay(lapMm, gates, gates[timing], r == 1)
	}
	return l
}

func newWay(lapMm float64, gates []Gate, timing Gate, reverse bool) way {
	ahead := func(g Gate) float64 {
		switch {
		case g.ID == timing.ID:
			return -1 // it comes first even where another stands at its very place
		case reverse:
			return circuit.Ahead(lapMm, g.PositionMm, timing.PositionMm)
		}
		return circuit.Ahead(lapMm, timing.PositionMm, g.PositionMm)
	}
	w := way{gates: slices.Clone(gates), index: map[string]int{}}
	slices.SortStableFunc(w.gates, func(a, b Gate) int {
		switch x, y := ahead(a), ahead(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	for i, g := range w.gates {
		w.index[g.ID] = i
		w.from = append(w.from, max(0, ahead(g)))
	}
	return w
}

// Has reports whether a gate stands on the circuit.
func (l *Line) Has(gate string) bool {
	_, ok := l.ways[0].index[gate]
	return ok
}

// Gates is how many there are.
func (l *Line) Gates() int { return len(l.ways[0].gates) }

// Running reports whether any train runs.
func (l *Line) Running(atUs int64) bool {
	return slices.ContainsFunc(l.Trains, func(t Train) bool { return t.runs(atUs) })
}

func (l *Line) way(slot int) *way {
	if l.Trains[slot].Reverse {
		return &l.ways[1]
	}
	return &l.ways[0]
}

// maxSpeed is what no train is faster than: the rule's, or a lap in two
// seconds where the circuit is long.
func (l *Line) maxSpeed() float64 {
	if l.Rules.LeastLapS > 0 {
		return l.LapMm / l.Rules.LeastLapS
	}
	return max(l.Rules.MaxSpeedMmS, l.LapMm/2)
}

// Place is gate number w of a train's way, counted on from lap to lap.
func (l *Line) Place(slot, w int) Gate {
	x := l.way(slot)
	return x.gates[mod(w, len(x.gates))]
}

// DistanceMm is from gate number a to gate number b of a train's way.
func (l *Line) DistanceMm(slot, a, b int) float64 {
	x := l.way(slot)
	n := len(x.gates)
	return float64(floor(b, n)-floor(a, n))*l.LapMm + x.from[mod(b, n)] - x.from[mod(a, n)]
}

// offset is how far a place on the circuit lies from the timing gate in a
// train's direction, mm.
func (l *Line) offset(slot int, mm float64) float64 {
	zero := l.way(slot).gates[0].PositionMm
	if l.Trains[slot].Reverse {
		return circuit.Ahead(l.LapMm, mm, zero)
	}
	return circuit.Ahead(l.LapMm, zero, mm)
}

// behind is the number of the last gate at or behind an offset, and the way
// from it.
func (x *way) behind(offset float64) (w int, mm float64) {
	for i := range x.from {
		if x.from[i] <= offset {
			w = i
		}
	}
	return w, offset - x.from[w]
}

func mod(a, n int) int {
	if r := a % n; r >= 0 {
		return r
	}
	return a%n + n
}

func floor(a, n int) int { return int(math.Floor(float64(a) / float64(n))) }

// Timing reports whether gate number w is the timing gate.
func (l *Line) Timing(w int) bool { return mod(w, l.Gates()) == 0 }

// Along is the place mm further on in a train's direction.
func (l *Line) Along(slot int, fromMm, mm float64) float64 {
	if l.Trains[slot].Reverse {
		mm = -mm
	}
	return circuit.Wrap(l.LapMm, fromMm+mm)
}

// GateMm is where on the lap a gate stands.
func (l *Line) GateMm(id string) float64 {
	w := &l.ways[0]
	return w.gates[w.index[id]].PositionMm
}
