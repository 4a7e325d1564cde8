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
	// Doubt is a passage too soon to be believed until the next one agrees.
	Doubt *Point `json:"doubt,omitempty"`
	// Sure means that the train's speed is known well enough to tell an axle
	// from a lap. Until then Early holds all that was seen of it.
	Sure  bool    `json:"sure,omitempty"`
	Early []Burst `json:"early,omitempty"`
	// LengthMm is what its first passages showed of its length, 0 for nothing.
	LengthMm float64 `json:"length,omitempty"`
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
		c.Early = slices.Clone(r.Early)
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
	var few [16]float64
	v := append(few[:0], r.Speeds...)
	slices.Sort(v)
	return v[len(v)/2]
}

// Out is what one crossing led to. Train is "" when nobody's train was due.
type Out struct {
	Train  string
	Points []Point // new passages, inferred ones before the measured one
	Laps   []Lap   // laps that they completed
	False  int     // change in the number of passages dropped: no train can have been there then
	Joined bool    // the crossing belonged to a passage known before
	Nobody bool    // no train runs, or it cannot be told which
	// Anew means that Points, Laps and False are all of the train's so far and
	// replace what was told before; Tentative that they may be replaced again.
	Anew, Tentative bool
}

// Step takes the next crossing in time order.
func (l *Line) Step(s State, x passage.Crossing) Out {
	owner, own := l.owner(x)
	open := s.Gates.Find(x, l.Rules, func(train string) passage.Train { return l.known(s, train, x) })
	if open != nil && own && x.Tag != "" && open.Train != owner.ID {
		open = nil // its tag says that it is another train
	}
	switch {
	case open == nil:
		return l.begin(s, x, owner, own)
	case open.Train != "" && len(s.run(open.Train).Early) > 0:
		return l.early(s, l.Trains[l.index[open.Train]], x, open)
	}
	open.Grow(x)
	return Out{Train: open.Train, Joined: true}
}

// begin takes a crossing that begins a passage.
func (l *Line) begin(s State, x passage.Crossing, t Train, own bool) Out {
	if !own {
		var ok bool
		if t, ok = l.whose(s, x); !ok {
			s.Gates.Begin(x)
			return Out{Nobody: true}
		}
	}
	r := s.run(t.ID)
	if len(r.Early) > 0 || own && r.At < 0 {
		return l.early(s, t, x, nil)
	}
	out := l.pass(r, t, x)
	out.Train = t.ID
	if doubt := r.Doubt != nil; out.False <= 0 || doubt {
		open := s.Gates.Begin(x)
		open.Train, open.Doubt = t.ID, doubt
	}
	return out
}

// known is what is known of a train when gate x reports something.
func (l *Line) known(s State, train string, x passage.Crossing) passage.Train {
	i, ok := l.index[train]
	if !ok {
		return passage.Train{LapMm: l.LapMm}
	}
	t, r := l.Trains[i], s.Runs[train]
	k := passage.Train{LengthMm: t.LengthMm, SpeedMmS: r.speed(), LapMm: l.LapMm}
	if t.LengthMm == 0 && r != nil {
		k.LengthMm = min(r.LengthMm, l.LapMm/2)
	}
	k.Awaited = l.awaited(s, t, x)
	if len(l.ahead) > 1 && r != nil && r.At >= 0 && r.Doubt == nil && t.runs(x.AtUs) {
		k.Stays = !k.Awaited && l.over(r, t, x, k.LengthMm)
	}
	return k
}

// over reports whether the train may still be over gate x: it was last seen
// there, or no further on than it is long.
func (l *Line) over(r *Run, t Train, x passage.Crossing, length float64) bool {
	g := l.order(t)
	for i := range g {
		if g[i].ID == x.Gate {
			steps := (r.At - i + len(g)) % len(g)
			return steps == 0 || l.distance(t, i, steps) < min(length, 0.7*l.LapMm)
		}
	}
	return false
}

// awaited reports whether another train is due at gate x.
func (l *Line) awaited(s State, t Train, x passage.Crossing) bool {
	return slices.ContainsFunc(l.Trains, func(o Train) bool {
		if o.ID == t.ID || !o.runs(x.AtUs) || o.Tag != "" && x.Tag != "" && o.Tag != x.Tag {
			return false
		}
		_, due := l.due(s.Runs[o.ID], o, x)
		return due
	})
}

// Running reports whether any train runs.
func (l *Line) Running(atUs int64) bool {
	return slices.ContainsFunc(l.Trains, func(t Train) bool { return t.runs(atUs) })
}

// owner is the train a crossing is of whatever was seen before: the one with
// its tag, or the only one that runs.
func (l *Line) owner(x passage.Crossing) (Train, bool) {
	only, n := -1, 0
	for i := range l.Trains {
		t := &l.Trains[i]
		if !t.runs(x.AtUs) {
			continue
		}
		if x.Tag != "" && t.Tag == x.Tag {
			return *t, true
		}
		only, n = i, n+1
	}
	// A tag nobody has here is a train of another trial, unless the only train
	// running states no tag at all.
	if n != 1 || x.Tag != "" && l.Trains[only].Tag != "" {
		return Train{}, false
	}
	return l.Trains[only], true
}

// whose tells which train a new passage without an owner is of: the one that
// was due at this gate, of several the one that has waited longest, since
// trains cannot overtake.
func (l *Line) whose(s State, x passage.Crossing) (Train, bool) {
	best, waited := -1, math.Inf(-1)
	for i, t := range l.Trains {
		if x.Tag != "" || !t.runs(x.AtUs) {
			continue
		}
		if w, due := l.due(s.Runs[t.ID], t, x); due && (best < 0 || w > waited) {
			best, waited = i, w
		}
	}
	if best < 0 {
		return Train{}, false
	}
	return l.Trains[best], true
}

// due reports whether gate x is the next of train t, and how urgently: the
// longer since its last gate the more. A train that stood between that gate and
// this one at the start is ahead of all that have passed that one since, the
// nearer the more. One of which nobody knows where it stood is due at a lone
// gate before any other comes round again, and elsewhere after all others.
func (l *Line) due(r *Run, t Train, x passage.Crossing) (urgency float64, ok bool) {
	g := l.order(t)
	if len(g) == 0 {
		return 0, false
	}
	if r != nil && r.At >= 0 {
		return float64(x.AtUs - r.Last.AtUs), g[(r.At+1)%len(g)].ID == x.Gate
	}
	if math.IsNaN(t.StartMm) {
		if len(g) == 1 {
			return math.Inf(1), true
		}
		return math.Inf(-1), true
	}
	next, nearest := l.nextFrom(t)
	return 1e18 - nearest, next == x.Gate
}

// nextFrom is the first gate ahead of where a train stood at the start.
func (l *Line) nextFrom(t Train) (gate string, mm float64) {
	mm = math.Inf(1)
	for _, g := range l.order(t) {
		d := circuit.Ahead(l.LapMm, t.StartMm, g.PositionMm)
		if t.Reverse {
			d = circuit.Ahead(l.LapMm, g.PositionMm, t.StartMm)
		}
		if d < mm {
			gate, mm = g.ID, d
		}
	}
	return gate, mm
}
