package traction

import (
	"encoding/json"
	"fmt"
	"math"

	"rainhill/pkg/stats"
)

// Turned is what a motor did in a lap: encoder counts with their standard
// uncertainty, the coefficient of variation of its speed (nil when it cannot be
// had), the same by stretch between neighbouring passages, and how speed answered
// to current. Laps saved by older rules have counts and CV alone.
type Turned struct {
	Counts    float64   `json:"counts"`
	U         float64   `json:"u,omitempty"`
	CV        *float64  `json:"cv,omitempty"`
	Stretches []Stretch `json:"by,omitempty"` // absent of a lap over one gate
	Meters    Stretch   `json:"all"`          // of the whole lap
	Moments   *Moments  `json:"m,omitempty"`
}

// Stretch is what a motor did between two passages: counts with their standard
// uncertainty, and the means of N readings. NaN is what nobody told.
type Stretch struct {
	Counts, U    float64
	N            int
	Duty, Ma, Mv float64
}

// nothing is a stretch of which nothing is known.
func nothing() Stretch {
	nan := math.NaN()
	return Stretch{Counts: nan, U: nan, Duty: nan, Ma: nan, Mv: nan}
}

// MarshalJSON writes a stretch as a list: counts, u, n, duty, ma, mv; null for NaN.
func (s Stretch) MarshalJSON() ([]byte, error) {
	v := []any{rounded(s.Counts, 100), rounded(s.U, 100), s.N}
	if meters := []any{rounded(s.Duty, 1), rounded(s.Ma, 10), rounded(s.Mv, 1)}; meters[0] != nil || meters[1] != nil || meters[2] != nil {
		v = append(v, meters...)
	}
	return json.Marshal(v)
}

func rounded(x, parts float64) any {
	if math.IsNaN(x) {
		return nil
	}
	return math.Round(x*parts) / parts
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Stretch) UnmarshalJSON(b []byte) error {
	var v []*float64
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	if len(v) != 3 && len(v) != 6 {
		return fmt.Errorf("a stretch was saved with %d numbers, want 3 or 6", len(v))
	}
	*s = nothing()
	for i, to := range []*float64{&s.Counts, &s.U, nil, &s.Duty, &s.Ma, &s.Mv} {
		if i >= len(v) || v[i] == nil {
			continue
		}
		if to == nil {
			s.N = int(*v[i])
			continue
		}
		*to = *v[i]
	}
	return nil
}

// settled is s as it will be read again when it was saved: a result must not hang
// on whether it was.
func (s Stretch) settled() Stretch {
	for _, f := range []struct {
		x     *float64
		parts float64
	}{{&s.Counts, 100}, {&s.U, 100}, {&s.Duty, 1}, {&s.Ma, 10}, {&s.Mv, 1}} {
		*f.x = math.Round(*f.x*f.parts) / f.parts
	}
	return s
}

const (
	binUs      = int64(400_000) // of the ripple
	answerBins = 2              // so many of them for how speed answers to current
	leastBins  = 4
	leastCount = 2
)

// Over is what the motor did between the first and the last of some instants in
// order, and between each two; ok is false when the counts at the ends are not known.
func (m *Track) Over(instants []int64) (t Turned, ok bool) {
	last := len(instants) - 1
	if last < 1 {
		return t, false
	}
	at := make([]Local, len(instants))
	for i, us := range instants {
		if at[i], ok = m.count(us); !ok {
			at[i].N = 0
		}
	}
	if at[0].N == 0 || at[last].N == 0 {
		return t, false
	}
	t.Meters = m.between(instants[0], instants[last], at[0], at[last])
	t.Counts, t.U = t.Meters.Counts, t.Meters.U
	t.Meters.Counts, t.Meters.U = math.NaN(), math.NaN() // they stand beside it
	for i := range last {
		if last > 1 {
			t.Stretches = append(t.Stretches, m.between(instants[i], instants[i+1], at[i], at[i+1]))
		}
	}
	t.CV, t.Moments = m.bins(instants[0], instants[last])
	return t, true
}

// Between is what the motor did between two instants; ok is false when the counts
// at them are not known.
func (m *Track) Between(fromUs, toUs int64) (s Stretch, ok bool) {
	a, okA := m.count(fromUs)
	b, okB := m.count(toUs)
	if !okA || !okB {
		return nothing(), false
	}
	return m.between(fromUs, toUs, a, b), true
}

// count is Centred, or with too few readings about the instant a proportion of
// the step between the two next to it.
func (m *Track) count(us int64) (Local, bool) {
	if l, ok := m.Centred(us); ok {
		return l, true
	}
	x, ok := m.At(us)
	if !ok {
		return Local{}, false
	}
	i := m.after(us)
	step := float64(m.Counts[i] - m.Counts[max(0, i-1)])
	return Local{Counts: x, UCounts: math.Hypot(0.1*step, math.Sqrt(quantum2)), N: leastCount}, true
}

func (m *Track) between(fromUs, toUs int64, a, b Local) Stretch {
	s := nothing()
	if a.N > 0 && b.N > 0 {
		s.Counts, s.U = b.Counts-a.Counts, math.Hypot(math.Hypot(a.UCounts, b.UCounts), m.bridged(fromUs, toUs))
	}
	from, to := m.after(fromUs), m.after(toUs)
	s.N = to - from
	s.Duty, s.Ma, s.Mv = meanOf(m.Duty, from, to), meanOf(m.Ma, from, to), meanOf(m.Mv, from, to)
	return s.settled()
}

// meanOf is the mean of what was told of a meter, NaN when nothing was.
func meanOf(column []int32, from, to int) float64 {
	sum, n := 0.0, 0
	for i := from; i < min(to, len(column)); i++ {
		if column[i] != unknown {
			sum, n = sum+float64(column[i]), n+1
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return sum / float64(n)
}

// bins is the coefficient of variation of the speed over a lap in bins of 0.4 s,
// and the moments of speed, current, voltage and throttle in bins of 0.8 s: a board
// that holds the speed needs a while.
func (m *Track) bins(fromUs, toUs int64) (cv *float64, _ *Moments) {
	last, ok := m.At(fromUs)
	if !ok {
		return nil, nil
	}
	var speeds []float64
	var all moments
	lastUs, start, startUs := fromUs, last, fromUs
	for k, us := 1, fromUs+binUs; us <= toUs; k, us = k+1, us+binUs {
		x, ok := m.At(us)
		if !ok {
			continue
		}
		speeds = append(speeds, (x-last)/float64(us-lastUs)*1e6)
		last, lastUs = x, us
		if k%answerBins == 0 {
			if us-startUs == answerBins*binUs {
				i, next := m.after(startUs), m.after(us)
				all.add((x-start)/float64(us-startUs)*1e6, meanOf(m.Ma, i, next), meanOf(m.Mv, i, next), meanOf(m.Duty, i, next))
			}
			start, startUs = x, us
		}
	}
	if len(speeds) < leastBins {
		return nil, nil
	}
	if v := stats.Summarise(speeds).CV; !math.IsNaN(v) && !math.IsInf(v, 0) {
		cv = &v
	}
	return cv, all.done(m.noise(m.after(fromUs), m.after(toUs)))
}

// noise is the variance of single readings of the current by their second
// differences, which a smooth load leaves out (a sum of squares 1 + 4 + 1), and
// how many readings a bin has.
func (m *Track) noise(from, to int) (variance, perBin float64) {
	sum, n := 0.0, 0
	to = min(to, len(m.Ma))
	for i := from + 2; i < to; i++ {
		a, b, c := m.Ma[i-2], m.Ma[i-1], m.Ma[i]
		if a == unknown || b == unknown || c == unknown {
			continue
		}
		d := float64(c) - 2*float64(b) + float64(a)
		sum, n = sum+d*d, n+1
	}
	if n < 3 {
		return 0, 1
	}
	span := float64(m.AtUs[to-1] - m.AtUs[from])
	return sum / 6 / float64(n), max(1, float64(to-from)*answerBins*float64(binUs)/span)
}
