// Package laps answers "whose passage was that, and which laps and sectors do
// passages make?". It takes crossings in time order and is the only place that
// decides what counts as a passage of a train, and what as a lap. Trains cannot
// overtake on one loop, so a train without identity is told by the gate it was
// due at. What laps are worth together is not in it.
package laps

import (
	"math"
	"slices"
	"sort"

	"rainhill/pkg/circuit"
	"rainhill/pkg/passage"
)

// Gate is a fixed point of the circuit.
type Gate struct {
	ID         string
	PositionMm float64
	Timing     bool
}

// Train is one trial's train: when it may run, how it is told from others.
// ToUs 0 means that it still runs. StartMm is NaN when not stated.
type Train struct {
	ID       string
	Tag      string
	FromUs   int64
	ToUs     int64
	LengthMm float64
	StartMm  float64
	Reverse  bool
}

func (t Train) runs(atUs int64) bool { return atUs >= t.FromUs && (t.ToUs == 0 || atUs <= t.ToUs) }

// Line is what does not change while crossings come: the circuit, its gates,
// its trains and the rules.
type Line struct {
	LapMm  float64
	Gates  []Gate
	Trains []Train
	Rules  passage.Rules

	ahead, astern []Gate // in running order from the timing gate, forward and reverse
	index         map[string]int
}

// NewLine puts the gates in running order. The timing gate is the first that
// says so, else the first given. A circuit of no length or without gates has no
// laps.
func NewLine(lapMm float64, gates []Gate, trains []Train, rules passage.Rules) *Line {
	l := &Line{LapMm: lapMm, Gates: gates, Trains: trains, Rules: rules, index: map[string]int{}}
	for i, t := range trains {
		l.index[t.ID] = i
	}
	if len(gates) == 0 || lapMm <= 0 {
		return l
	}
	timing := max(0, slices.IndexFunc(gates, func(g Gate) bool { return g.Timing }))
	zero := gates[timing].PositionMm
	l.ahead = slices.Clone(gates)
	sort.SliceStable(l.ahead, func(i, j int) bool {
		return circuit.Ahead(lapMm, zero, l.ahead[i].PositionMm) < circuit.Ahead(lapMm, zero, l.ahead[j].PositionMm)
	})
	// The timing gate comes first even where another stands at its very place.
	at := slices.IndexFunc(l.ahead, func(g Gate) bool { return g.ID == gates[timing].ID })
	l.ahead = append(slices.Clone(l.ahead[at:]), l.ahead[:at]...)
	l.astern = append([]Gate{l.ahead[0]}, reversed(l.ahead[1:])...)
	return l
}

func reversed(g []Gate) []Gate {
	out := slices.Clone(g)
	slices.Reverse(out)
	return out
}

// order is the gates in the train's running order.
func (l *Line) order(t Train) []Gate {
	if t.Reverse {
		return l.astern
	}
	return l.ahead
}

// distance is from gate i to the gate steps further on in running order.
func (l *Line) distance(t Train, i, steps int) float64 {
	g, d := l.order(t), 0.0
	for k := range steps {
		d += l.sector(t, (i+k)%len(g))
	}
	return d
}

// sector is the length from gate i to the next; a lone gate's is the lap.
func (l *Line) sector(t Train, i int) float64 {
	g := l.order(t)
	if len(g) == 1 {
		return l.LapMm
	}
	from, to := g[i].PositionMm, g[(i+1)%len(g)].PositionMm
	if t.Reverse {
		from, to = to, from
	}
	return circuit.Ahead(l.LapMm, from, to)
}

// Point is a passage of one gate by one train.
type Point struct {
	passage.Stamp
	Gate       string  `json:"gate"`
	PositionMm float64 `json:"mm"`
	Inferred   bool    `json:"inferred,omitempty"`
}

// Sector is the part of a lap between neighbouring gates.
type Sector struct {
	From, To Point
	LengthMm float64
}

// Lap is from one passage of the timing gate to the next.
type Lap struct {
	N        int
	From, To Point
	Sectors  []Sector
	Inferred bool
}

// Run is where one train is: its last point, how fast it was of late, and the
// lap it is on.
type Run struct {
	At      int       `json:"at"` // index of the last gate in running order; -1 before the first
	Last    Point     `json:"last"`
	Speeds  []float64 `json:"speeds,omitempty"` // mm/s over the last sectors
	Laps    []float64 `json:"laps,omitempty"`   // s, the last measured laps
	N       int       `json:"n"`                // completed laps
	Began   bool      `json:"began,omitempty"`  // the timing gate has been passed
	Start   Point     `json:"start"`
	Sectors []Sector  `json:"sectors,omitempty"`
}

// State is what changes while crossings come.
type State struct {
	Gates passage.Gates   `json:"gates"`
	Runs  map[string]*Run `json:"runs"`
}

// NewState is the state before the first crossing.
func NewState() State { return State{Gates: passage.Gates{}, Runs: map[string]*Run{}} }

// Clone copies s.
func (s State) Clone() State {
	out := State{Gates: s.Gates.Clone(), Runs: make(map[string]*Run, len(s.Runs))}
	for id, r := range s.Runs {
		c := *r
		c.Speeds, c.Laps, c.Sectors = slices.Clone(r.Speeds), slices.Clone(r.Laps), slices.Clone(r.Sectors)
		out.Runs[id] = &c
	}
	return out
}

func (s State) run(id string) *Run {
	r := s.Runs[id]
	if r == nil {
		r = &Run{At: -1}
		s.Runs[id] = r
	}
	return r
}

// speed is the median of the last sector speeds, 0 when there is none.
func (r *Run) speed() float64 {
	if r == nil || len(r.Speeds) == 0 {
		return 0
	}
	v := slices.Clone(r.Speeds)
	slices.Sort(v)
	return v[len(v)/2]
}

// Out is what one crossing led to. Train is "" when nobody's train was due.
type Out struct {
	Train  string
	Points []Point // new passages, inferred ones before the measured one
	Laps   []Lap   // laps that they completed
	Joined bool    // the crossing belonged to a passage known before
	False  bool    // no train can have been there then: dropped
	Nobody bool    // no train runs, or it cannot be told which
}

// Step takes the next crossing in time order.
func (l *Line) Step(s State, x passage.Crossing) Out {
	open, begun := s.Gates.Add(x, l.Rules, func(train string) passage.Train { return l.known(s, train) })
	if !begun {
		return Out{Train: open.Train, Joined: true}
	}
	t, ok := l.whose(s, x)
	if !ok {
		return Out{Nobody: true}
	}
	out := l.pass(s.run(t.ID), t, x)
	out.Train = t.ID
	if out.False {
		g := s.Gates[x.Gate]
		s.Gates[x.Gate] = g[:len(g)-1]
		return out
	}
	open.Train = t.ID
	return out
}

func (l *Line) known(s State, train string) passage.Train {
	i, ok := l.index[train]
	if !ok {
		return passage.Train{LapMm: l.LapMm}
	}
	return passage.Train{LengthMm: l.Trains[i].LengthMm, SpeedMmS: s.Runs[train].speed(), LapMm: l.LapMm}
}

// whose tells which train a new passage is of: the one with its tag; else the
// only one running; else the one that was due at this gate, of several the one
// that has waited longest, since trains cannot overtake.
func (l *Line) whose(s State, x passage.Crossing) (Train, bool) {
	var running []Train
	for _, t := range l.Trains {
		if t.runs(x.AtUs) {
			if x.Tag != "" && t.Tag == x.Tag {
				return t, true
			}
			running = append(running, t)
		}
	}
	if x.Tag != "" {
		// A tag nobody has here: a train of another trial, unless the only
		// train running states no tag at all.
		if len(running) == 1 && running[0].Tag == "" {
			return running[0], true
		}
		return Train{}, false
	}
	if len(running) == 1 {
		return running[0], true
	}
	best, waited := -1, math.Inf(-1)
	for i, t := range running {
		if w, due := l.due(s.Runs[t.ID], t, x); due && w > waited {
			best, waited = i, w
		}
	}
	if best < 0 {
		return Train{}, false
	}
	return running[best], true
}

// due reports whether gate x is the next of train t, and how urgently: the
// longer since its last gate the more; before the first gate the nearer the more.
func (l *Line) due(r *Run, t Train, x passage.Crossing) (urgency float64, ok bool) {
	g := l.order(t)
	if len(g) == 0 {
		return 0, false
	}
	if r != nil && r.At >= 0 {
		return float64(x.AtUs - r.Last.AtUs), g[(r.At+1)%len(g)].ID == x.Gate
	}
	if math.IsNaN(t.StartMm) {
		return 0, false
	}
	next, nearest := "", math.Inf(1)
	for _, gate := range g {
		d := circuit.Ahead(l.LapMm, t.StartMm, gate.PositionMm)
		if t.Reverse {
			d = circuit.Ahead(l.LapMm, gate.PositionMm, t.StartMm)
		}
		if d < nearest {
			next, nearest = gate.ID, d
		}
	}
	return -nearest, next == x.Gate
}
