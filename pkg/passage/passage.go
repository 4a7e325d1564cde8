// Package passage answers "which crossings of a gate are one train going past
// it?". A gate may bounce, see every axle, or be blocked by a train that stops
// in it; one train still makes one passage, and the instant of a passage is its
// front's, the first crossing. Which train it was, and what a lap is, are not
// in it.
package passage

import "math"

// Edges of a crossing.
const (
	Enter = "enter"
	Leave = "leave"
	Pulse = "pulse"
)

// Stamp is an instant as a gate gave it. AtUs is bus time; RawUs the agent's own
// clock and Clock names that clock (agent and boot, "" for bus time), so that
// the offset cancels in the difference of two stamps of one clock. UUs is the
// standard uncertainty of the stamp itself, UClockUs that of the offset.
type Stamp struct {
	AtUs     int64   `json:"at"`
	RawUs    int64   `json:"raw"`
	Clock    string  `json:"clock,omitempty"`
	UUs      float64 `json:"u"`
	UClockUs float64 `json:"uc,omitempty"`
}

// Since is the time from a to s in microseconds with its standard uncertainty.
func (s Stamp) Since(a Stamp) (us int64, u float64) {
	if s.Clock == a.Clock {
		return s.RawUs - a.RawUs, math.Hypot(s.UUs, a.UUs)
	}
	return s.AtUs - a.AtUs, math.Sqrt(s.UUs*s.UUs + a.UUs*a.UUs + s.UClockUs*s.UClockUs + a.UClockUs*a.UClockUs)
}

// Crossing is one report of a gate.
type Crossing struct {
	Stamp
	Gate    string `json:"gate"`
	Edge    string `json:"edge"`
	Tag     string `json:"tag,omitempty"`
	ClearUs int64  `json:"clear,omitempty"` // bus time the gate became free, 0 if not told
}

// Train is what is known of the train of an open passage. A zero is unknown.
type Train struct {
	LengthMm float64
	SpeedMmS float64
	LapMm    float64
}

// Open is a passage that may still grow.
type Open struct {
	Tag     string `json:"tag,omitempty"`
	Train   string `json:"train,omitempty"` // who the caller says it is
	FirstUs int64  `json:"first"`
	LastUs  int64  `json:"last"`
	Blocked bool   `json:"blocked,omitempty"`
	N       int    `json:"n"`
}

// Rules are the limits of what one passage may be.
type Rules struct {
	BounceUs    int64   // crossings this close are always one passage
	ChainUs     int64   // the longest silence inside a passage of a train of unknown speed
	MaxSpeedMmS float64 // no train is faster: a train cannot be back sooner
	SpacingMm   float64 // the longest stretch of a train without an axle or car body
}

// Default rules. A switch bounces for a few ms and a train does not pass twice
// within a quarter second; bogie centres of most model cars lie within 250 mm
// (common practice, no source).
func Default() Rules {
	return Rules{BounceUs: 250_000, ChainUs: 1_000_000, MaxSpeedMmS: 3000, SpacingMm: 250}
}

// Gates holds the open passages of each gate, the newest last.
type Gates map[string][]Open

// keep is how many passages of a gate stay open for late edges.
const keep = 8

// Clone copies g.
func (g Gates) Clone() Gates {
	out := make(Gates, len(g))
	for id, list := range g {
		out[id] = append([]Open(nil), list...)
	}
	return out
}

// Add takes the next crossing in time order. It returns the passage it belongs
// to and whether it began it; the caller may then set Train on a new one. know
// tells what is known of a train by the name the caller gave.
func (g Gates) Add(x Crossing, r Rules, know func(train string) Train) (p *Open, begun bool) {
	list := g[x.Gate]
	for i := len(list) - 1; i >= 0; i-- {
		if r.belongs(list[i], x, know(list[i].Train)) {
			list[i].grow(x)
			return &list[i], false
		}
	}
	o := Open{Tag: x.Tag, FirstUs: x.AtUs, LastUs: x.AtUs, Blocked: x.Edge == Enter, N: 1}
	if x.ClearUs > x.AtUs {
		o.LastUs, o.Blocked = x.ClearUs, false
	}
	list = append(list, o)
	if len(list) > keep {
		list = append([]Open(nil), list[len(list)-keep:]...)
	}
	g[x.Gate] = list
	return &list[len(list)-1], true
}

func (o *Open) grow(x Crossing) {
	o.N++
	o.LastUs = max(o.LastUs, x.AtUs, x.ClearUs)
	switch x.Edge {
	case Enter:
		o.Blocked = x.ClearUs == 0
	case Leave:
		o.Blocked = false
	}
	if o.Tag == "" {
		o.Tag = x.Tag
	}
}

// belongs reports whether x is the same train still going past. Different tags
// never are. A gate blocked since its last edge is left by the same train,
// however long it stood there.
func (r Rules) belongs(o Open, x Crossing, t Train) bool {
	if o.Tag != "" && x.Tag != "" && o.Tag != x.Tag {
		return false
	}
	silence, span := x.AtUs-o.LastUs, x.AtUs-o.FirstUs
	if o.Blocked && x.Edge == Leave {
		return true
	}
	if silence <= r.BounceUs {
		return true
	}
	if t.LapMm > 0 && o.Tag == x.Tag && t.SpeedMmS == 0 && float64(span) < t.LapMm/r.MaxSpeedMmS*1e6 {
		return true
	}
	if t.SpeedMmS <= 0 {
		return silence <= r.ChainUs
	}
	length := t.LengthMm
	if length <= 0 {
		return silence <= int64(min(1e6*r.SpacingMm/t.SpeedMmS, 2e6, 0.3e6*t.LapMm/t.SpeedMmS))
	}
	return span <= int64(1.3e6*min(length, 0.7*t.LapMm)/t.SpeedMmS)+r.BounceUs
}
