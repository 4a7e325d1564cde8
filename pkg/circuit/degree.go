package circuit

import "math"

// Degree of curve, the surveyor's measure: the angle in degrees that a stretch of
// stated length (100 ft, say) turns through. Lengths are in any one unit.

// RadiusByArc is the radius when the stretch is an arc: R = arc x 180/(pi D).
func RadiusByArc(degrees, arc float64) float64 { return arc * 180 / (math.Pi * degrees) }

// RadiusByChord is the radius when it is a chord: R = chord / (2 sin(D/2)).
func RadiusByChord(degrees, chord float64) float64 {
	return chord / (2 * math.Sin(degrees*math.Pi/360))
}

// DegreeByArc is the inverse of RadiusByArc.
func DegreeByArc(radius, arc float64) float64 { return arc * 180 / (math.Pi * radius) }

// DegreeByChord is the inverse of RadiusByChord; NaN for a chord longer than
// twice the radius.
func DegreeByChord(radius, chord float64) float64 {
	return math.Asin(chord/(2*radius)) * 360 / math.Pi
}
