package tracker

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
)

// Form is what a train's own settled passages have shown of it: where on the lap
// it runs slower than elsewhere and how evenly, its axles, its length. Forms do
// not change once made.
type Form struct {
	Passages int     `json:"passages"`
	MmS      float64 `json:"v,omitempty"` // its speed of late
	// Slow is, for each sector, the mean of ln(time per mm) less that of the lap
	// around it; Var the variance of that from lap to lap; Times how often seen.
	Slow  []float64 `json:"slow,omitempty"`
	Var   []float64 `json:"var,omitempty"`
	Times []int     `json:"times,omitempty"`
	Pace  []float64 `json:"pace,omitempty"` // exp of Slow, as far as it is sure
	Last  []float64 `json:"last,omitempty"` // ln(time per mm) of the last sectors, a lap at most
	// Any is what its passages look like to gates of one manner together; At by
	// gate, on the forward way.
	Any [manners]Shape `json:"any"`
	At  []Shape        `json:"at,omitempty"`
}

// Manners of gates, by what they tell of a passage.
const (
	pulses = iota // that something came, an axle at a time
	single        // that a train came, once
	block         // one block from front to rear
	blocks        // several, an axle or a car at a time
	manners
)

// manner is that of the gate as one passage shows it.
func (p *pass) manner() int {
	ended := slices.ContainsFunc(p.strokes, func(s passage.Stroke) bool { return s.EndUs != 0 })
	switch one := len(p.fronts()) == 1; {
	case !ended && one:
		return single
	case !ended:
		return pulses
	case one:
		return block
	}
	return blocks
}

// manner is what most passages have shown of a gate, and guess before any has.
func (g *Sight) manner(guess int) int {
	best := guess
	for m, n := range g.Manner {
		if n > g.Manner[best] {
			best = m
		}
	}
	return best
}

// Shape is what a train's passages look like to a gate. Pattern is of their
// strokes, SpanMm from the first of them to the last, BlockMm how long they
// block a beam, Strokes how many there are as a rule.
type Shape struct {
	N       int             `json:"n,omitempty"`
	Strokes float64         `json:"strokes,omitempty"`
	Pattern passage.Pattern `json:"pattern"`
	SpanMm  float64         `json:"span_mm,omitempty"`
	Spans   int             `json:"spans,omitempty"`
	Last    []float64       `json:"last,omitempty"` // lengths of the passages that Pattern has seen, mm
	BlockMm float64         `json:"block_mm,omitempty"`
	Blocks  int             `json:"blocks,omitempty"`
}

const (
	// sectorSD is the scatter of a sector time from lap to lap before any is seen,
	// as a share (common practice, no source).
	sectorSD = 0.05
	// sectorFloor is the least scatter believed of few laps.
	sectorFloor = 0.002
)

// pace is the time of the sector after gate w over that of an even run.
func (f *Form) pace(w int) float64 {
	if len(f.Pace) == 0 {
		return 1
	}
	return f.Pace[mod(w, len(f.Pace))]
}

// variance is that of ln(time) of the sector after gate w, from lap to lap; the
// guess before any is seen weighs the less the more laps are.
func (f *Form) variance(w int) float64 {
	if len(f.Var) == 0 {
		return sectorSD * sectorSD
	}
	i := mod(w, len(f.Var))
	n := float64(f.Times[i])
	guess := 1 / (1 + n*n/4)
	few := 1.0 // mean and variance of few laps are themselves uncertain
	if n >= 2 {
		few = (1 + 1/n) * (n + 1) / (n - 1)
	}
	return few * (guess*sectorSD*sectorSD + n*f.Var[i]) / (guess + n)
}

// sector takes the time of the sector after gate w in.
func (f Form) sector(w, gates int, us int64, mm float64) Form {
	if us <= 0 || mm <= 0 {
		return f
	}
	x := math.Log(float64(us) / 1e6 / mm)
	f.Last = append(slices.Clone(f.Last[max(0, len(f.Last)+1-max(gates, 3)):]), x)
	if len(f.Last) < gates || gates == 1 && len(f.Last) < 3 {
		return f
	}
	var mean float64
	for _, v := range f.Last {
		mean += v / float64(len(f.Last))
	}
	if f.Slow == nil {
		f.Slow, f.Var, f.Times, f.Pace = make([]float64, gates), make([]float64, gates), make([]int, gates), make([]float64, gates)
		for k := range f.Pace {
			f.Pace[k] = 1
		}
	}
	f.Slow, f.Var, f.Times, f.Pace = slices.Clone(f.Slow), slices.Clone(f.Var), slices.Clone(f.Times), slices.Clone(f.Pace)
	i := mod(w, gates)
	off := x - mean
	if gates == 1 {
		off *= 1.2 // it is one of the three of the mean itself
	}
	if f.Times[i] > 2 {
		// One stop on the way must not make the sector seem uneven for ever.
		most := 4 * math.Sqrt(f.variance(w))
		off = min(max(off, f.Slow[i]-most), f.Slow[i]+most)
	}
	n := float64(min(f.Times[i], 30))
	d := off - f.Slow[i]
	if f.Times[i] == 0 {
		f.Slow[i] = off
	} else {
		f.Slow[i] += d / (n + 1)
		f.Var[i] += (d*d*n/(n+1) - f.Var[i]) / n
		f.Var[i] = max(f.Var[i], sectorFloor*sectorFloor)
	}
	f.Times[i]++
	// What was seen of a few laps counts for as much as it is sure.
	s2 := f.Slow[i] * f.Slow[i]
	f.Pace[i] = math.Exp(f.Slow[i] * s2 / (s2 + f.variance(w)/float64(f.Times[i]) + 1e-9))
	return f
}

// shape is how a gate sees the train: as it has seen it before, else as gates do.
func (f *Form) shape(gate, manner int) *Shape {
	if f == nil {
		return &Shape{}
	}
	if gate < len(f.At) && f.At[gate].N >= 3 && (f.At[gate].Pattern.Known() || !f.Any[manner].Pattern.Known()) {
		return &f.At[gate]
	}
	return &f.Any[manner]
}

// learn takes what a passage at a known speed showed of the train.
func (f Form) learn(p *pass, gate, gates, manner int, mmS float64) Form {
	f.Passages++
	f.MmS = mmS
	f.Any[manner] = f.Any[manner].learn(p, mmS)
	f.At = append(slices.Clone(f.At), make([]Shape, max(0, gates-len(f.At)))...)
	f.At[gate] = f.At[gate].learn(p, mmS)
	return f
}

func (s Shape) learn(p *pass, mmS float64) Shape {
	us := p.instants()
	if len(us) == 0 {
		return s // the first beam of a pair saw nothing
	}
	s.N++
	s.Strokes += (float64(len(p.strokes)) - s.Strokes) / float64(min(s.N, 12))
	s.Pattern = s.Pattern.Learn(us)
	s.Last = append(slices.Clone(s.Last), us[len(us)-1]/1e6*mmS)
	s.Last = s.Last[max(0, len(s.Last)-len(s.Pattern.Seen)):]
	s.SpanMm, s.Spans = s.span()
	if block := p.blockUs(); block > 0 {
		s.Blocks = min(s.Blocks+1, 20)
		s.BlockMm += (block/1e6*mmS - s.BlockMm) / float64(s.Blocks)
	}
	return s
}

// span is the median length of the passages that the pattern is made of, mm, and
// how many they are.
func (s *Shape) span() (mm float64, n int) {
	var of []float64
	for i, seen := range s.Pattern.Seen {
		if len(seen) > 1 && (s.Pattern.Share == nil || len(seen) == len(s.Pattern.Share)) {
			of = append(of, s.Last[i])
		}
	}
	if len(of) == 0 {
		return 0, 0
	}
	slices.Sort(of)
	return (of[(len(of)-1)/2] + of[len(of)/2]) / 2, len(of)
}

// seenMm is how long the train has shown itself to be at gates, NaN when it has
// not: from first axle to last, or as it blocks a beam, whichever is longer.
func (f *Form) seenMm() float64 {
	mm := nan
	if f == nil {
		return mm
	}
	for _, s := range f.Any {
		if s.Spans >= 3 && !(mm > s.SpanMm) {
			mm = max(s.SpanMm, 1)
		}
		if s.Blocks >= 3 && !(mm > s.BlockMm) {
			mm = max(s.BlockMm, 1)
		}
	}
	return mm
}

// length is the train's as far as known, mm, and how uncertain its logarithm is.
func (l *Line) length(slot int, f *Form) (mm, scatter float64) {
	if seen := f.seenMm(); seen > 0 {
		return seen, 0.1
	}
	switch {
	case l.Trains[slot].LengthMm > 0:
		return min(l.Trains[slot].LengthMm, 0.7*l.LapMm), 0.15
	}
	return min(l.LapMm/4, 600), 0.7
}
