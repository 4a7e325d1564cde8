package trial

import (
	"math"
	"sort"

	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
)

// Motor is the recent readings of one motor: bus instants and counts, thinned
// to 20 a second.
type Motor struct {
	AtUs   []int64 `json:"at"`
	Counts []int64 `json:"counts"`
}

const (
	motorKeep    = 4096
	motorSparse  = int64(45_000) // us between readings kept
	speedPoints  = 7             // readings a wheel speed is fitted to
	speedSpanUs  = int64(1_000_000)
	rippleBinUs  = int64(400_000)
	rippleLeastN = 4
)

// motor takes a message of readings, and tells the roll of each.
func (s *State) motor(e wire.Event, c *Changes) {
	if !s.open() {
		return
	}
	b := s.Book
	m := b.Motors[e.Motor]
	if m == nil {
		m = &Motor{}
		b.Motors[e.Motor] = m
	}
	loco, set, perCount := s.setOf(e.Motor)
	for _, x := range e.Samples {
		at := s.stamp(e, x.AtUs).AtUs
		if x.Counts != nil {
			m.add(at, *x.Counts)
		}
		v := wire.MotorVerdict{
			Motor: e.Motor, Locomotive: loco, Set: set, AtUs: at,
			DutyPermille: x.DutyPermille, CurrentMa: x.CurrentMa, VoltageMv: x.VoltageMv,
		}
		if x.Counts != nil && perCount > 0 {
			v.WheelSpeedMmS = num(m.speed(perCount))
		}
		c.Motors = append(c.Motors, v)
	}
}

// setOf finds which locomotive and driver set a motor turns, and the surface
// distance of one count in mm (0 unknown).
func (s *State) setOf(motor string) (loco, set string, mmPerCount float64) {
	for _, t := range s.Book.Trials {
		for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
			if d.Motor == motor && t.Trial.ToUs == 0 {
				return t.Trial.Locomotive, d.ID, mmPerCountOf(d)
			}
		}
	}
	for _, id := range sorted(s.Locomotives) {
		for _, d := range s.Locomotives[id].DriverSets {
			if d.Motor == motor {
				return id, d.ID, mmPerCountOf(d)
			}
		}
	}
	return "", "", 0
}

// mmPerCountOf is pi D / (gear ratio x counts per motor turn).
func mmPerCountOf(d wire.DriverSet) float64 {
	if d.CountsPerRev <= 0 || d.GearRatio <= 0 {
		return 0
	}
	return math.Pi * d.WheelDiameterMm / d.GearRatio / d.CountsPerRev
}

// add keeps a reading that is later than the last. A counter that jumps back
// towards zero was reset: what was kept belongs to another count.
func (m *Motor) add(atUs, counts int64) {
	n := len(m.AtUs)
	if n > 0 && atUs <= m.AtUs[n-1] {
		return
	}
	if n > 1 && reset(m.Counts[n-2], m.Counts[n-1], counts) {
		m.AtUs, m.Counts, n = nil, nil, 0
	}
	if n > 1 && m.AtUs[n-1]-m.AtUs[n-2] < motorSparse {
		m.AtUs[n-1], m.Counts[n-1] = atUs, counts
		return
	}
	m.AtUs, m.Counts = append(m.AtUs, atUs), append(m.Counts, counts)
	if len(m.AtUs) > motorKeep {
		m.AtUs, m.Counts = lastOf(m.AtUs, motorKeep/2), lastOf(m.Counts, motorKeep/2)
	}
}

func reset(before, last, now int64) bool {
	jump, step := abs(now-last), abs(last-before)
	return abs(now) < abs(last)/2 && jump > 1000 && jump > 20*step
}

func abs(x int64) int64 { return max(x, -x) }

// speed is the surface speed in mm/s over the last readings, by least squares;
// NaN when there are too few.
func (m *Motor) speed(mmPerCount float64) float64 {
	n := len(m.AtUs)
	from := max(0, n-speedPoints)
	for from < n && m.AtUs[n-1]-m.AtUs[from] > speedSpanUs {
		from++
	}
	if n-from < 3 {
		return math.NaN()
	}
	return m.slope(from, n) * mmPerCount
}

// slope is counts a second over readings from to n.
func (m *Motor) slope(from, n int) float64 {
	t, y := make([]float64, n-from), make([]float64, n-from)
	for i := range t {
		t[i], y[i] = float64(m.AtUs[from+i]-m.AtUs[from])/1e6, float64(m.Counts[from+i]-m.Counts[from])
	}
	v, _ := stats.Slope(t, y)
	return v
}

// at is the count at an instant, between readings by proportion; ok is false
// outside them and across a silence of more than a second.
func (m *Motor) at(us int64) (counts float64, ok bool) {
	i := sort.Search(len(m.AtUs), func(i int) bool { return m.AtUs[i] >= us })
	if i == len(m.AtUs) || i == 0 && m.AtUs[0] != us {
		return 0, false
	}
	if m.AtUs[i] == us {
		return float64(m.Counts[i]), true
	}
	gap := m.AtUs[i] - m.AtUs[i-1]
	if gap > speedSpanUs {
		return 0, false
	}
	f := float64(us-m.AtUs[i-1]) / float64(gap)
	return float64(m.Counts[i-1]) + f*float64(m.Counts[i]-m.Counts[i-1]), true
}

// lapOf is the surface distance in counts between two instants, and the
// coefficient of variation of the speed in bins of 0.4 s (NaN when too few).
func (m *Motor) lapOf(fromUs, toUs int64) (counts, cv float64, ok bool) {
	a, okA := m.at(fromUs)
	b, okB := m.at(toUs)
	if !okA || !okB {
		return 0, math.NaN(), false
	}
	var speeds []float64
	last, lastUs := a, fromUs
	for us := fromUs + rippleBinUs; us <= toUs; us += rippleBinUs {
		if x, ok := m.at(us); ok {
			speeds = append(speeds, (x-last)/float64(us-lastUs)*1e6)
			last, lastUs = x, us
		}
	}
	if len(speeds) < rippleLeastN {
		return b - a, math.NaN(), true
	}
	return b - a, stats.Summarise(speeds).CV, true
}

// num is x, or null when it is not a number.
func num(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
