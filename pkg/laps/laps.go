// Package laps answers "which laps and sectors do a train's passages make, and
// what happened on the way?". A gate that missed the train is bridged and said
// to be inferred; a stall, a reversal or a train set on anew is an incident and
// never a strange lap. Whose passages they are, and what laps are worth
// together, is not in it.
package laps

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
	"rainhill/pkg/tracker"
)

// Point is a passage of one gate by one train.
type Point struct {
	passage.Stamp
	Gate       string        `json:"gate"`
	PositionMm float64       `json:"mm"`
	Inferred   bool          `json:"inferred,omitempty"`
	Reverse    bool          `json:"reverse,omitempty"` // it ran back
	Trap       *tracker.Trap `json:"trap,omitempty"`
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

// Kinds of incident that gates can tell.
const (
	Stall    = "stall"    // it came far later than it should have
	Reversal = "reversal" // it ran back
	Set      = "set"      // it was next seen where it could not have come to
)

// Incident is what happened to a train between two passages. UntilUs is 0 while
// it is not over. It lies AlongMm past the gate From, as uncertain as UMm says.
type Incident struct {
	Kind       string  `json:"kind"`
	AtUs       int64   `json:"at"`
	UntilUs    int64   `json:"until,omitempty"`
	From       string  `json:"from"`
	To         string  `json:"to,omitempty"`
	PositionMm float64 `json:"mm"`
	UMm        float64 `json:"u_mm"`
	LastUs     int64   `json:"last"` // the passage before it
	FirstUs    int64   `json:"first,omitempty"`
	SpanMm     float64 `json:"span_mm"` // between the gates it lies between
	LateUs     int64   `json:"late,omitempty"`
}

// Run is how far a train has come. Runs do not change once made.
type Run struct {
	Seen    bool     `json:"seen,omitempty"`
	Top     int      `json:"top"`  // number of the furthest gate
	Edge    Point    `json:"edge"` // the passage of it
	W       int      `json:"w"`    // number of the last gate
	Dir     int      `json:"dir"`
	Last    Point    `json:"last"`
	EndUs   int64    `json:"end"` // when the last of the train was seen there
	N       int      `json:"n"`
	Began   bool     `json:"began,omitempty"` // the timing gate has been passed
	Start   Point    `json:"start"`
	Sectors []Sector `json:"sectors,omitempty"`
}

// Out is what a passage led to.
type Out struct {
	Points    []Point
	Laps      []Lap
	Incidents []Incident
	Back      bool // an open reversal ended with this passage
	BackUs    int64
}

// Limits of what is no incident.
const (
	// lateRatio and lateUs: a train that takes so many times as long as it should,
	// and so much longer, has stood (common practice, no source).
	lateRatio = 2.5
	lateUs    = 2_500_000
)

// Pass takes the next passage of a train in.
func (r Run) Pass(l *tracker.Line, p tracker.Passage) (Run, Out) {
	var out Out
	gate := l.Place(p.Slot, p.W)
	at := Point{Stamp: p.Front, Gate: gate.ID, PositionMm: gate.PositionMm, Inferred: p.Doubtful, Reverse: p.Dir < 0, Trap: p.Trap}
	if p.Set && r.Seen {
		out.Incidents = append(out.Incidents, r.setOn(l, p, at))
	}
	if p.First || p.Set || !r.Seen {
		r = Run{Seen: true, Top: p.W, N: r.N}
		r.begin(l, p.Slot, at)
		out.Points = append(out.Points, at)
		return r.at(p, at), out
	}
	if x, ok := r.stood(l, p, at); ok {
		out.Incidents = append(out.Incidents, x)
	}
	if p.Turned && p.Dir < 0 {
		out.Incidents = append(out.Incidents, r.turned(l, p, at))
	} else if p.Turned {
		out.Back, out.BackUs = true, at.AtUs
	}
	r.Sectors = slices.Clone(r.Sectors)
	for _, x := range r.bridged(l, p, at) {
		r.arrive(l, p.Slot, x.w, x.at, &out)
	}
	r.arrive(l, p.Slot, p.W, at, &out)
	return r.at(p, at), out
}

func (r Run) at(p tracker.Passage, at Point) Run {
	r.W, r.Dir, r.Last, r.EndUs = p.W, p.Dir, at, p.EndUs
	return r
}

// begin puts a train at its first gate.
func (r *Run) begin(l *tracker.Line, slot int, at Point) {
	r.Edge, r.Sectors, r.Began = at, nil, false
	if l.Timing(r.Top) {
		r.Began, r.Start = true, at
	}
}

// arrive has a train come to gate number w.
func (r *Run) arrive(l *tracker.Line, slot, w int, at Point, out *Out) {
	out.Points = append(out.Points, at)
	if at.Reverse || w <= r.Top {
		return // it has been there before
	}
	if r.Began {
		r.Sectors = append(r.Sectors, Sector{From: r.Edge, To: at, LengthMm: l.DistanceMm(slot, r.Top, w)})
	}
	r.Top, r.Edge = w, at
	if !l.Timing(w) {
		return
	}
	if r.Began {
		r.N++
		lap := Lap{N: r.N, From: r.Start, To: at, Sectors: r.Sectors, Inferred: at.Inferred || r.Start.Inferred}
		if l.Gates() == 1 {
			lap.Sectors = nil // one gate: the lap is its only sector
		}
		out.Laps = append(out.Laps, lap)
	}
	r.Began, r.Start, r.Sectors = true, at, nil
}

type inferred struct {
	w  int
	at Point
}

// bridged are the gates that missed the train between its last passage and at.
func (r *Run) bridged(l *tracker.Line, p tracker.Passage, at Point) []inferred {
	var out []inferred
	if p.Dir < 0 || p.Missed == 0 && p.W <= r.Top+1 {
		return nil
	}
	if len(p.Bridge) > 0 {
		for _, s := range p.Bridge {
			out = append(out, inferred{s.W, between(r.Last, at, l.Place(p.Slot, s.W), s.F, s.U)})
		}
		return out
	}
	total := l.DistanceMm(p.Slot, r.Top, p.W)
	for w := r.Top + 1; w < p.W; w++ {
		f := l.DistanceMm(p.Slot, r.Top, w) / total
		out = append(out, inferred{w, between(r.Edge, at, l.Place(p.Slot, w), f, math.Sqrt(f*(1-f)/3))})
	}
	return out
}

// between is the inferred point at share f of the way from a to b, u uncertain.
func between(a, b Point, g tracker.Gate, f, u float64) Point {
	s := a.Stamp
	if a.Clock == b.Clock {
		s.RawUs += int64(math.Round(f * float64(b.RawUs-a.RawUs)))
	}
	s.AtUs += int64(math.Round(f * float64(b.AtUs-a.AtUs)))
	if a.Clock != b.Clock {
		s = s.Foreign()
	}
	s.UUs = math.Hypot(u*float64(b.AtUs-a.AtUs), math.Hypot((1-f)*a.UUs, f*b.UUs))
	return Point{Stamp: s, Gate: g.ID, PositionMm: g.PositionMm, Inferred: true}
}

// incident is one between two gates: at the middle, give or take half the way,
// rectangular, so over the root of three (GUM 4.3.7).
func (r *Run) incident(l *tracker.Line, kind string, p tracker.Passage, at Point) Incident {
	w := r.W
	span := math.Abs(l.DistanceMm(p.Slot, w, p.W))
	from := l.Place(p.Slot, w)
	return Incident{
		Kind: kind, From: from.ID, To: at.Gate, LastUs: r.Last.AtUs, FirstUs: at.AtUs, SpanMm: span,
		PositionMm: l.Along(p.Slot, from.PositionMm, span/2*float64(r.Dir)), UMm: span / 2 / math.Sqrt(3),
	}
}

// stood is the stall of a train that came far too late.
func (r *Run) stood(l *tracker.Line, p tracker.Passage, at Point) (Incident, bool) {
	us, _ := at.Since(r.Last.Stamp)
	late := float64(us) - p.WantUs
	if p.WantUs <= 0 || p.Turned || late < lateUs || float64(us) < lateRatio*p.WantUs {
		return Incident{}, false
	}
	x := r.incident(l, Stall, p, at)
	x.LateUs = int64(late)
	if over := r.EndUs - r.Last.AtUs; float64(over) > late/2 { // it stood over the gate
		x.PositionMm, x.UMm, x.To = r.Last.PositionMm, math.Min(x.SpanMm/4, 100), r.Last.Gate
		x.AtUs, x.UntilUs = r.Last.AtUs, r.Last.AtUs+int64(late)
		return x, true
	}
	x.AtUs = r.Last.AtUs + int64(p.WantUs/2)
	x.UntilUs = x.AtUs + int64(late)
	return x, true
}

// turned is the reversal of a train that came back: as far out as it had time
// for at its speed, there and back.
func (r *Run) turned(l *tracker.Line, p tracker.Passage, at Point) Incident {
	x := r.incident(l, Reversal, p, at)
	x.AtUs, x.UntilUs, x.To = (r.Last.AtUs+at.AtUs)/2, 0, ""
	x.SpanMm = l.DistanceMm(p.Slot, r.W, r.W+1)
	x.PositionMm, x.UMm = l.Along(p.Slot, l.Place(p.Slot, r.W).PositionMm, x.SpanMm/2), x.SpanMm/2/math.Sqrt(3)
	return x
}

// setOn is what happened to a train that was next seen elsewhere.
func (r *Run) setOn(l *tracker.Line, p tracker.Passage, at Point) Incident {
	x := r.incident(l, Set, p, at)
	x.SpanMm = l.DistanceMm(p.Slot, r.W, r.W+1)
	x.PositionMm, x.UMm = l.Along(p.Slot, l.Place(p.Slot, r.W).PositionMm, x.SpanMm/2*float64(r.Dir)), x.SpanMm/2/math.Sqrt(3)
	x.AtUs, x.UntilUs = r.Last.AtUs+int64(min(p.WantUs, float64(at.AtUs-r.Last.AtUs))/2), at.AtUs
	return x
}
