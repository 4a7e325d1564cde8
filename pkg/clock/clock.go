// Package clock answers "what is an agent's instant in bus time, and how sure
// is that?" from clock exchanges. It reads no clock itself: exchanges are facts
// of the journal, so a replay gives the same. It keeps one offset for one boot
// of one agent; there is no model of skew, which belongs here when it comes.
package clock

import "math"

// Exchange is one clock exchange, named as in RFC 5905: the agent sent at T1
// and received at T4 by its own clock, the bus received at T2 and replied at T3
// by the bus clock. Microseconds.
type Exchange struct {
	T1Us int64 `json:"t1_us"`
	T2Us int64 `json:"t2_us"`
	T3Us int64 `json:"t3_us"`
	T4Us int64 `json:"t4_us"`
}

// Offset is bus time minus agent time, ((t2-t1)+(t3-t4))/2, and the round-trip
// delay (t4-t1)-(t3-t2), RFC 5905 section 8, in integers with the differences
// first, so that it is exact at microseconds since 1970. Half a microsecond is
// rounded down (towards minus infinity), whatever the sign.
func Offset(t1, t2, t3, t4 int64) (offsetUs, delayUs int64) {
	return ((t2 - t1) + (t3 - t4)) >> 1, (t4 - t1) - (t3 - t2)
}

// window is how many exchanges are kept, as in RFC 5905 section 10.
const window = 8

// maxSkew is how far two clocks may part, in parts of the time passed: 500 parts
// in a million, the largest frequency error RFC 5905 will follow.
const maxSkew = 500e-6

// Filter keeps the last eight exchanges of one boot of one agent. It is a
// value: Add returns a new one and leaves the old as it was. The zero Filter
// holds none.
type Filter struct {
	Kept []Exchange `json:"kept,omitempty"`
}

// Add takes one more exchange in. One that runs backwards or has a negative
// delay is not possible and is left out. One that contradicts the best so far by more
// than both delays and the largest skew allow shows that a clock was set: what was
// kept is let go and the filter starts anew with it.
func (f Filter) Add(ex Exchange) Filter {
	offset, delay := ex.solve()
	if ex.T4Us < ex.T1Us || ex.T3Us < ex.T2Us || delay < 0 {
		return f
	}
	if best, ok := f.best(); ok {
		bestOffset, bestDelay := best.solve()
		allowed := float64(delay+bestDelay)/2 + maxSkew*math.Abs(float64(ex.T2Us-best.T2Us)) + 1
		if math.Abs(float64(offset-bestOffset)) > allowed {
			return Filter{Kept: []Exchange{ex}}
		}
	}
	from := max(0, len(f.Kept)+1-window)
	kept := make([]Exchange, 0, window)
	return Filter{Kept: append(append(kept, f.Kept[from:]...), ex)}
}

// Best is the offset and delay of the kept exchange with the least delay, the
// newest of equals: the less time on the way, the less can be hidden in it
// (the clock filter of RFC 5905 section 10). ok is false when none is kept.
func (f Filter) Best() (offsetUs, delayUs int64, ok bool) {
	best, ok := f.best()
	if !ok {
		return 0, 0, false
	}
	offsetUs, delayUs = best.solve()
	return offsetUs, delayUs, true
}

// UUs is the standard uncertainty of the best offset in microseconds; NaN
// when nothing is kept. It adds in squares: the resolution, 1/sqrt(12); the unknown
// asymmetry of the way, at most half the delay either side, so delay/2/sqrt(3)
// (GUM 4.3.7); and the scatter, root mean square, of the other offsets beyond
// what their own longer delays explain, which is where skew shows.
func (f Filter) UUs() float64 {
	offset, delay, ok := f.Best()
	if !ok {
		return math.NaN()
	}
	var scatter float64
	for _, ex := range f.Kept {
		o, d := ex.solve()
		beyond := math.Abs(float64(o-offset)) - float64(d-delay)/2
		scatter += max(beyond, 0) * max(beyond, 0)
	}
	half := float64(delay) / 2
	return math.Sqrt(1.0/12 + half*half/3 + scatter/float64(len(f.Kept)))
}

func (ex Exchange) solve() (offsetUs, delayUs int64) {
	return Offset(ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us)
}

func (f Filter) best() (best Exchange, ok bool) {
	least := int64(math.MaxInt64)
	for _, ex := range f.Kept {
		if _, d := ex.solve(); d <= least {
			least, best, ok = d, ex, true
		}
	}
	return best, ok
}
