// Package control answers "what throttle does each motor get now, given what was
// asked?": ramps, throttle sweeps, and the trim that holds two driver sets at one
// surface speed. Everything is stepped by its caller with the time given; nothing
// in it knows motors by name, sends anything, or decides who may drive. Throttles
// are permille of full, forward positive.
package control

import "math"

// Ramp limits how fast a throttle changes.
type Ramp struct {
	FullS float64 // from 0 to full; 0 is at once
}

// Step is where the throttle is dtS seconds on from from, on the way to to.
func (r Ramp) Step(from, to, dtS float64) float64 {
	if r.FullS <= 0 {
		return to
	}
	most := 1000 / r.FullS * math.Max(0, dtS)
	return from + math.Max(-most, math.Min(most, to-from))
}

// Sweep is equal steps from From up to To and down again: Steps levels, of which the
// top one comes once. Each is held HoldS after a ramp of RampS from 0 to full.
type Sweep struct {
	From, To     float64
	Steps        int
	HoldS, RampS float64
}

// Count is how many steps there are.
func (s Sweep) Count() int { return 2*s.Steps - 1 }

// Level is the throttle of step n, counted from 1.
func (s Sweep) Level(n int) float64 {
	i := n - 1
	if i >= s.Steps {
		i = s.Count() - n
	}
	return s.From + (s.To-s.From)*float64(i)/float64(s.Steps-1)
}

// rise is how long the ramp to step n takes; the first begins at a stand.
func (s Sweep) rise(n int) float64 {
	before := 0.0
	if n > 1 {
		before = s.Level(n - 1)
	}
	return math.Abs(s.Level(n)-before) / 1000 * s.RampS
}

// At is the step and its throttle sinceS seconds after the sweep began; over says
// that it has ended, and the throttle is 0.
func (s Sweep) At(sinceS float64) (step int, permille float64, over bool) {
	for n := 1; n <= s.Count(); n++ {
		sinceS -= s.rise(n) + s.HoldS
		if sinceS < 0 {
			return n, s.Level(n), false
		}
	}
	return s.Count(), 0, true
}

// TotalS is how long the sweep takes.
func (s Sweep) TotalS() float64 {
	total := 0.0
	for n := 1; n <= s.Count(); n++ {
		total += s.rise(n) + s.HoldS
	}
	return total
}
