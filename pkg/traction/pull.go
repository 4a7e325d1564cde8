package traction

import (
	"cmp"
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// Pull is a lap of a locomotive against a load cell: the mean surface speed of its sets,
// the throttles told of all of them together in permille, and the force in newtons.
type Pull struct{ SpeedMmS, Duty, N float64 }

// PullDroop is how much speed is lost per newton of pull at one throttle, in mm/s per N,
// by a line through laps whose throttles are the same, the supply's sag in it. ok is
// false where the force hardly varied at any one throttle, or laps are too few.
func PullDroop(laps []Pull) (droop Estimate, n int, ok bool) {
	laps = slices.Clone(laps)
	slices.SortStableFunc(laps, func(a, b Pull) int { return cmp.Compare(a.Duty, b.Duty) })
	var force, speed []float64
	classes, mean := 0, 0.0
	for from, to := 0, 0; from < len(laps); from = to {
		for to = from; to < len(laps) && laps[to].Duty <= laps[from].Duty+1000*sameDuty; to++ {
		}
		var f, v []float64
		for _, x := range laps[from:to] {
			f, v, mean = append(f, x.N), append(v, x.SpeedMmS), mean+x.N/float64(len(laps))
		}
		mf, mv := stats.Mean(f), stats.Mean(v)
		for i := range f {
			force, speed = append(force, f[i]-mf), append(speed, v[i]-mv)
		}
		classes++
	}
	df := float64(len(laps) - classes - 1)
	if df < fewFree || stats.Summarise(force).SD < 0.1*math.Abs(mean) {
		return None(), 0, false
	}
	slope, se := stats.Slope(force, speed)
	se *= math.Sqrt(float64(len(laps)-2) / df) // a mean for each class of throttles was taken
	return interval(-slope, []float64{se}, []float64{df}), len(laps), true
}
