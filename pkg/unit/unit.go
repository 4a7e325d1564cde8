// Package unit answers "how much is that in other units, and how sure is it?":
// instants, model speed to scale speed, the uncertainty of a tick and of a
// speed. It holds no state and no statistics of many values.
package unit

import "math"

// UsPerS is microseconds in a second. Instants are integer microseconds.
const UsPerS = 1_000_000

// MmPerMile is millimetres in a statute mile, exact by definition.
const MmPerMile = 1_609_344

// Seconds turns a span of microseconds into seconds.
func Seconds(us int64) float64 { return float64(us) / UsPerS }

// ScaleKmH is the speed in km/h of a prototype that a model of scale 1:ratio
// running at mmPerS stands for: prototype speed = model speed x ratio. NaN when
// ratio is not positive: a scale speed without a stated ratio means nothing.
func ScaleKmH(mmPerS, ratio float64) float64 {
	if !(ratio > 0) {
		return math.NaN()
	}
	return mmPerS * ratio * 3600 / 1e6
}

// ScaleMph is the same in miles an hour.
func ScaleMph(mmPerS, ratio float64) float64 {
	if !(ratio > 0) {
		return math.NaN()
	}
	return mmPerS * ratio * 3600 / MmPerMile
}

// QuantisationU is the standard uncertainty q/sqrt(12) of a reading with
// resolution q: rectangular, half a step either way (GUM 4.3.7, F.2.2.1). The
// difference of two independent readings has sqrt(2) times that.
func QuantisationU(q float64) float64 { return q / math.Sqrt(12) }

// SpeedMmS is v = length / time with its standard uncertainty by first-order
// propagation (GUM 5.1.2), length and time independent:
// u/v = sqrt((uL/L)^2 + (ut/t)^2). Both are NaN when time is not positive or
// length is negative.
func SpeedMmS(lengthMm, uLengthMm, timeS, uTimeS float64) (v, u float64) {
	if !(timeS > 0) || !(lengthMm >= 0) {
		return math.NaN(), math.NaN()
	}
	v = lengthMm / timeS
	return v, math.Hypot(uLengthMm/timeS, v*uTimeS/timeS)
}
