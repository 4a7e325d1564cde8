package traction

import (
	"math"
	"slices"
	"sort"
)

// Reading is one reading of a motor at an instant of bus time; what the board did
// not tell is nil.
type Reading struct {
	AtUs                            int64
	Counts                          int64
	DutyPermille, CurrentMa, VoltMv *int64
}

// Track is the recent readings of one motor, thinned to some 20 a second. Counts
// go on over wraps and resets of the counter: they are its own plus Offset. A
// column that was never told is empty. It is saved as JSON; what was saved with
// instants and counts alone is read as well.
type Track struct {
	AtUs   []int64 `json:"at"`
	Counts []int64 `json:"counts"`
	Duty   []int32 `json:"duty,omitempty"` // permille
	Ma     []int32 `json:"ma,omitempty"`
	Mv     []int32 `json:"mv,omitempty"`
	Offset int64   `json:"offset,omitempty"`
	Breaks []Break `json:"breaks,omitempty"`
	// Back is set when counts fall while the train runs its way.
	Back bool `json:"back,omitempty"`
}

// Break is where a counter began anew and was bridged by the speed it had: the
// counts meanwhile are as uncertain as U says.
type Break struct {
	AtUs int64   `json:"at"`
	U    float64 `json:"u"`
}

const (
	keepMost = 4096
	sparseUs = int64(45_000)    // between readings kept
	gapUs    = int64(1_000_000) // a silence longer than this is a gap: no speed
	unknown  = math.MinInt32    // a meter that was not told
	breaks   = 32               // kept
	// leastReset is the least jump, in counts, that is taken for a reset: what is lost
	// when a smaller one is not seen is no more than that.
	leastReset = 1000
)

// Add takes a reading that is later than the last.
func (m *Track) Add(r Reading) {
	n := len(m.AtUs)
	if n > 0 && r.AtUs <= m.AtUs[n-1] {
		return
	}
	counts := m.follow(r)
	if n > 1 && m.AtUs[n-1]-m.AtUs[n-2] < sparseUs {
		n--
		m.AtUs, m.Counts = m.AtUs[:n], m.Counts[:n]
	}
	m.AtUs, m.Counts = append(m.AtUs, r.AtUs), append(m.Counts, counts)
	m.Duty, m.Ma, m.Mv = tell(m.Duty, n, r.DutyPermille), tell(m.Ma, n, r.CurrentMa), tell(m.Mv, n, r.VoltMv)
	if n >= keepMost {
		m.shed(n + 1 - keepMost/2)
	}
}

// LastUs is the instant of the last reading, the least of all without one.
func (m *Track) LastUs() int64 {
	if n := len(m.AtUs); n > 0 {
		return m.AtUs[n-1]
	}
	return math.MinInt64
}

// SettledBy is from when on later readings do not change the count at an instant.
func SettledBy(us int64) int64 { return us + halfSpanUs }

// tell puts a meter's value at place n of its column, which begins when it is
// first told.
func tell(column []int32, n int, v *int64) []int32 {
	if v == nil && len(column) == 0 {
		return nil
	}
	column = column[:min(n, len(column))]
	for len(column) < n {
		column = append(column, unknown)
	}
	if v == nil || *v <= unknown || *v > math.MaxInt32 {
		return append(column, unknown)
	}
	return append(column, int32(*v))
}

// shed lets go of the n oldest readings.
func (m *Track) shed(n int) {
	m.AtUs, m.Counts = slices.Clone(m.AtUs[n:]), slices.Clone(m.Counts[n:])
	for _, c := range []*[]int32{&m.Duty, &m.Ma, &m.Mv} {
		if len(*c) > 0 {
			*c = slices.Clone((*c)[n:])
		}
	}
	m.Breaks = slices.DeleteFunc(m.Breaks, func(b Break) bool { return b.AtUs < m.AtUs[0] })
}

// follow is a reading's count on the scale of those before it. A step that is far
// from what the speed so far leads to is
//
//   - a wrap, when the counter is one of 16 or 32 bits (signed or not) and the step
//     with one wrap added or taken is ten times nearer;
//   - a reset, when the counter has jumped at least half way towards 0, by more than
//     it passes through when a motor sets off: the speed so far bridges it.
func (m *Track) follow(r Reading) int64 {
	n := len(m.AtUs)
	if n == 0 {
		return r.Counts
	}
	last := m.Counts[n-1] - m.Offset
	step, want := r.Counts-last, m.expected(r.AtUs)
	off := math.Abs(float64(step) - want)
	if off > 100+3*math.Abs(want) {
		if w := wrapped(last, r.Counts, step, want, off); w != 0 {
			m.Offset += w
		} else if n > 1 && abs(step) > leastReset && abs(r.Counts) < abs(last)/2 {
			bridge := int64(math.Round(want))
			m.Offset += bridge - step
			m.Breaks = append(m.Breaks, Break{r.AtUs, 2 + 0.3*math.Abs(want)})
			m.Breaks = m.Breaks[max(0, len(m.Breaks)-breaks):]
		}
	}
	return r.Counts + m.Offset
}

// expected is the step that the last readings' speed leads to.
func (m *Track) expected(us int64) float64 {
	n := len(m.AtUs)
	k := max(0, n-5)
	if k == n-1 {
		return 0
	}
	rate := float64(m.Counts[n-1]-m.Counts[k]) / float64(m.AtUs[n-1]-m.AtUs[k])
	return rate * float64(us-m.AtUs[n-1])
}

// wrapped is what a wrap between two counts is worth, 0 when it was none.
func wrapped(last, now, step int64, want, off float64) int64 {
	for _, bits := range []int{16, 32} {
		size := int64(1) << bits
		signed := within(last, -size/2, size/2) && within(now, -size/2, size/2)
		if !signed && !(within(last, 0, size) && within(now, 0, size)) {
			continue
		}
		for _, w := range []int64{size, -size} {
			if math.Abs(float64(step+w)-want) < off/10 {
				return w
			}
		}
	}
	return 0
}

func within(x, from, below int64) bool { return x >= from && x < below }

func abs(x int64) int64 { return max(x, -x) }

// after is the index of the first reading at or after an instant.
func (m *Track) after(us int64) int {
	return sort.Search(len(m.AtUs), func(i int) bool { return m.AtUs[i] >= us })
}

// At is the count at an instant, between readings by proportion; ok is false
// outside them and across a gap.
func (m *Track) At(us int64) (counts float64, ok bool) {
	i := m.after(us)
	if i == len(m.AtUs) || i == 0 && m.AtUs[0] != us {
		return 0, false
	}
	if m.AtUs[i] == us {
		return float64(m.Counts[i]), true
	}
	gap := m.AtUs[i] - m.AtUs[i-1]
	if gap > gapUs {
		return 0, false
	}
	f := float64(us-m.AtUs[i-1]) / float64(gap)
	return float64(m.Counts[i-1]) + f*float64(m.Counts[i]-m.Counts[i-1]), true
}

// bridged is the uncertainty of the counts between two instants from bridged resets.
func (m *Track) bridged(fromUs, toUs int64) float64 {
	var u2 float64
	for _, b := range m.Breaks {
		if b.AtUs > fromUs && b.AtUs <= toUs {
			u2 += b.U * b.U
		}
	}
	return math.Sqrt(u2)
}
