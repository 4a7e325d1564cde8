// Package traction answers "what do the driver sets do?": how fast their wheels
// turn by the counts of their motors' encoders, how far they slip on the rails and
// run apart from each other, how large their wheels are by a light, slow run, and
// whether a motor holds its speed by itself. Every answer has its uncertainty. When
// a train passed which gate is told to it; laps, trials and words are not in it.
//
// Forward is positive. Slip is (wheel surface speed - ground speed)/ground speed;
// desync of a and b is (v_b - v_a) over their mean.
package traction

import "math"

// Estimate is a number with its 95 % interval and standard uncertainty. What
// cannot be had is NaN.
type Estimate struct{ Value, Lo, Hi, U float64 }

// None is an estimate that cannot be had.
func None() Estimate {
	nan := math.NaN()
	return Estimate{nan, nan, nan, nan}
}

// Told reports whether the interval leaves 0 out.
func (e Estimate) Told() bool { return e.Lo > 0 || e.Hi < 0 }

// scaled is e in other units.
func (e Estimate) scaled(k float64) Estimate {
	if k < 0 {
		e.Lo, e.Hi = e.Hi, e.Lo
	}
	return Estimate{k * e.Value, k * e.Lo, k * e.Hi, math.Abs(k) * e.U}
}

// MmPerCount is the surface distance of one count: pi D/(gear x counts per motor
// turn), gear being motor turns per wheel turn; 0 when one of them is not known.
func MmPerCount(diameterMm, gear, countsPerRev float64) float64 {
	if !(diameterMm > 0) || !(gear > 0) || !(countsPerRev > 0) {
		return 0
	}
	return math.Pi * diameterMm / gear / countsPerRev
}

// Slip is (wheel - ground)/ground, NaN without motion. Driving is positive.
func Slip(wheel, ground float64) float64 {
	if !(ground > 0) {
		return math.NaN()
	}
	return (wheel - ground) / ground
}

// Desync is 2(b - a)/(a + b), NaN without motion.
func Desync(a, b float64) float64 {
	if !(a+b > 0) {
		return math.NaN()
	}
	return 2 * (b - a) / (a + b)
}
