// Package passage answers "which crossings of a gate are one train going past
// it?". A gate may bounce, see every axle, or be blocked by a train that stops
// in it; one train still makes one passage, and the instant of a passage is its
// front's, the first crossing. Which train it was, and what a lap is, are not
// in it.
package passage

// Train is what is known of the train of an open passage. A zero is unknown.
type Train struct {
	LengthMm float64
	SpeedMmS float64
	LapMm    float64
	// Stays means that nothing speaks for its having left the gate: it still
	// runs, other gates stand on the circuit and have not seen it since, and no
	// other train is due here.
	Stays bool
	// Awaited means that another train is due at the gate.
	Awaited bool
}

// Open is a passage that may still grow.
type Open struct {
	Tag     string `json:"tag,omitempty"`
	Train   string `json:"train,omitempty"` // who the caller says it is
	FirstUs int64  `json:"first"`
	LastUs  int64  `json:"last"`
	Blocked bool   `json:"blocked,omitempty"`
	Doubt   bool   `json:"doubt,omitempty"` // perhaps no train at all
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

// Find is the open passage that the next crossing belongs to, nil when it
// begins a new one. know tells what is known of a train by the name the caller
// gave it.
func (g Gates) Find(x Crossing, r Rules, know func(train string) Train) *Open {
	list := g[x.Gate]
	for i := len(list) - 1; i >= 0; i-- {
		if r.belongs(&list[i], x, know) {
			return &list[i]
		}
	}
	return nil
}

// Begin opens a passage with its first crossing.
func (g Gates) Begin(x Crossing) *Open {
	list := append(g[x.Gate], Opened(x))
	if len(list) > keep {
		list = append([]Open(nil), list[len(list)-keep:]...)
	}
	g[x.Gate] = list
	return &list[len(list)-1]
}

// Opened is a passage of one crossing.
func Opened(x Crossing) Open {
	o := Open{Tag: x.Tag, FirstUs: x.AtUs, LastUs: x.AtUs, Blocked: x.Edge == Enter, N: 1}
	if x.ClearUs > x.AtUs {
		o.LastUs, o.Blocked = x.ClearUs, false
	}
	return o
}

// Grow takes one more crossing into o.
func (o *Open) Grow(x Crossing) {
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

// Surely reports whether x is one passage with o whatever the train: a bounce,
// or the end of a block. Different tags are never one passage. A gate blocked
// since its last edge is left by the same train, however long it stood there.
func (r Rules) Surely(o *Open, x Crossing) bool {
	if o.Tag != "" && x.Tag != "" && o.Tag != x.Tag {
		return false
	}
	return o.Blocked && x.Edge == Leave || x.AtUs-o.LastUs <= r.BounceUs
}

// belongs reports whether x is the same train still going past.
func (r Rules) belongs(o *Open, x Crossing, know func(string) Train) bool {
	if o.Tag != "" && x.Tag != "" && o.Tag != x.Tag {
		return false
	}
	if r.Surely(o, x) {
		return true
	}
	t := know(o.Train)
	if t.SpeedMmS <= 0 {
		return t.Stays || x.AtUs-o.LastUs <= r.ChainUs
	}
	return t.Stays && r.stands(o, x, t) || r.spans(o, x, t)
}

// spans bounds a passage by the train's length over its speed, and a silence in
// it by the longest stretch without an axle; a train that is seen axle by axle
// is known for what it is, and may pass slower than it was of late.
func (r Rules) spans(o *Open, x Crossing, t Train) bool {
	silence, span := float64(x.AtUs-o.LastUs), float64(x.AtUs-o.FirstUs)
	spacing, length, slack := r.SpacingMm, min(t.LengthMm, 0.7*t.LapMm), 1.3
	if t.LengthMm <= 0 || o.Doubt {
		return silence*t.SpeedMmS <= 1e6*spacing && span*t.SpeedMmS <= 0.3e6*t.LapMm
	}
	if o.N > 1 && !t.Awaited {
		slack = max(slack, min(4, 0.4*t.LapMm/length))
	}
	return silence*t.SpeedMmS <= 1e6*max(slack*spacing, length/2) && span*t.SpeedMmS <= 1e6*slack*length+t.SpeedMmS*float64(r.BounceUs)
}

// stands reports whether a train seen again at the gate it was last seen at
// stood there, or crept on, and did not go round past gates that all missed
// it: that is believed only of a silence near to its usual lap.
func (r Rules) stands(o *Open, x Crossing, t Train) bool {
	laps := float64(x.AtUs-o.FirstUs) * t.SpeedMmS / 1e6 / t.LapMm
	return laps < 0.7 || laps > 1.5
}
