package trial

import (
	"cmp"
	"math"
	"slices"

	"rainhill/pkg/laps"
	"rainhill/pkg/passage"
	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
)

// settleLap reckons what only a settled lap has: evenness, and what the wheels
// did. The profile is of the settled laps so far; finishTrial does it again with
// that of the whole trial.
func (s *State) settleLap(t *Entry, i int) {
	if i >= len(t.Laps) {
		return
	}
	rec := &t.Laps[i]
	rec.Evenness = s.evenness(t, i, i+1)
	if old, ok := t.before(rec.Lap); ok {
		rec.Wheels, rec.WheelCV = old.Wheels, old.WheelCV
		return
	}
	sets := s.Book.Locomotives[t.Trial.Locomotive].DriverSets
	rec.Wheels, rec.WheelCV = nil, nil
	cv, n := 0.0, 0
	for _, d := range sets {
		mm := -1.0
		if m := s.Book.Motors[d.Motor]; m != nil && mmPerCountOf(d) > 0 {
			counts, ripple, ok := m.lapOf(rec.Lap.From.AtUs, rec.Lap.To.AtUs)
			if ok {
				mm = math.Abs(counts) * mmPerCountOf(d)
			}
			if ok && !math.IsNaN(ripple) {
				cv, n = cv+math.Abs(ripple), n+1
			}
		}
		rec.Wheels = append(rec.Wheels, mm)
	}
	if n > 0 {
		rec.WheelCV = num(cv / float64(n))
	}
}

// before is what was reckoned of the same lap when it first settled: the
// readings it was reckoned from may be gone.
func (t *Entry) before(lap laps.Lap) (LapRecord, bool) {
	i, ok := slices.BinarySearchFunc(t.past, lap.To.AtUs, func(r LapRecord, us int64) int { return cmp.Compare(r.Lap.To.AtUs, us) })
	if !ok || t.past[i].Wheels == nil || t.past[i].Lap.From.AtUs != lap.From.AtUs {
		return LapRecord{}, false
	}
	return t.past[i], true
}

// finishTrial makes a trial's laps final against the whole trial's profile.
func (s *State) finishTrial(t *Entry, c *Changes) {
	if t.Closed {
		return
	}
	t.Closed = true
	line := s.lineOf()
	line.End(s.Book.Core, t.Trial.ID)
	s.Book.take(line.End(s.Book.live, t.Trial.ID), passage.Crossing{}, c)
	for t.Settled < len(t.Laps) { // of a train that never became sure
		s.settleLap(t, t.Settled)
		t.Settled++
	}
	t.SettledPoints, t.SettledFalse = len(t.Points), t.False
	for i := range t.Laps {
		t.Laps[i].Evenness = s.evenness(t, i, len(t.Laps))
	}
	c.touch(t.Trial.ID, 0, math.MaxInt64)
}

// evenness is the coefficient of variation, within lap i, of sector speed over
// the mean speed of that sector in the counting laps before index n. It is null
// with fewer than two sectors, with an inferred one, or before two laps count.
func (s *State) evenness(t *Entry, i, n int) *float64 {
	lap := t.Laps[i].Lap
	k := len(lap.Sectors)
	if k < 2 || lap.Inferred {
		return nil
	}
	sum, used := make([]float64, k), 0
	for j := range n {
		other := t.Laps[j].Lap
		if len(other.Sectors) != k || other.Inferred || t.counts(j) != wire.CountsYes && j != i {
			continue
		}
		used++
		for q := range k {
			sum[q] += sectorSpeed(other.Sectors[q])
		}
	}
	if used < 2 {
		return nil
	}
	ratio := make([]float64, k)
	for q := range k {
		ratio[q] = sectorSpeed(lap.Sectors[q]) / (sum[q] / float64(used))
	}
	return num(stats.Summarise(ratio).CV)
}

// counts says whether lap index i goes into the statistics, and if not why.
func (t *Entry) counts(i int) string {
	n := t.Laps[i].Lap.N
	if _, void := t.Void[n]; void {
		return wire.CountsVoid
	}
	if n <= t.Trial.WarmupLaps {
		return wire.CountsWarmup
	}
	return wire.CountsYes
}

func sectorSpeed(x laps.Sector) float64 {
	us, _ := x.To.Since(x.From.Stamp)
	return x.LengthMm / float64(us) * 1e6
}
