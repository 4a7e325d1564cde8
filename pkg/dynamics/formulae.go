package dynamics

import "math"

// Slip is (wheel surface speed - ground speed)/ground speed, NaN for a standing
// train. Driving is positive.
func Slip(wheelMS, trainMS float64) float64 {
	if trainMS == 0 {
		return math.NaN()
	}
	return (wheelMS - trainMS) / trainMS
}

// CountsPerM is encoder counts per metre of wheel surface: counts per motor turn
// x gear/(pi x diameter).
func CountsPerM(countsPerRev, gear, wheelDiameterM float64) float64 {
	return countsPerRev * gear / (math.Pi * wheelDiameterM)
}

// OverturningMmS is the speed at which a train tips over the outer rail of a
// curve: v2 = g R (q + tan cant)/(1 - q tan cant) with q = rail spacing/(2 x height
// of the centre of gravity). Rigid-body statics. A positive cant leans inwards.
// +Inf on a straight, for a train without height, or where cant alone holds it.
func OverturningMmS(radiusMm, railSpacingMm, heightMm, cantDeg float64) float64 {
	if !(radiusMm > 0) || !(heightMm > 0) || !(railSpacingMm > 0) {
		return math.Inf(1)
	}
	q, tilt := railSpacingMm/(2*heightMm), math.Tan(cantDeg*math.Pi/180)
	if q*tilt >= 1 {
		return math.Inf(1)
	}
	return 1000 * math.Sqrt(Gravity*radiusMm/1000*(q+tilt)/(1-q*tilt))
}

// CurveMS2 is curve resistance per mass, in inverse proportion to the radius. That
// is the shape of the AREMA rule (0.0004 of the weight per degree of curve); the
// figure for a model is its own and measured, full-scale ones do not hold.
func CurveMS2(curveM2S2, radiusM float64) float64 { return curveM2S2 / radiusM }

// Coast is how long and how far a train rolls that slows from speedMS by dv/dt =
// -(a + b v + c v2): the integrals of dv/(a + b v + c v2) and of v dv/(...), in
// closed form. All of a, b and c are 0 or more and a is more than 0; NaN otherwise.
func Coast(a, b, c, speedMS float64) (seconds, metres float64) {
	if !(a > 0) || !(b >= 0) || !(c >= 0) || !(speedMS >= 0) {
		return math.NaN(), math.NaN()
	}
	v := speedMS
	switch {
	case b == 0 && c == 0:
		return v / a, v * v / (2 * a)
	case c == 0:
		seconds = math.Log1p(b*v/a) / b
		return seconds, (v - a*seconds) / b
	}
	seconds = coastTime(a, b, c, v)
	return seconds, (math.Log1p((b*v+c*v*v)/a) - b*seconds) / (2 * c)
}

// coastTime is the integral of dv/(a + b v + c v2) from 0 to v, by the sign of
// the discriminant.
func coastTime(a, b, c, v float64) float64 {
	switch d := 4*a*c - b*b; {
	case d > 0:
		q := math.Sqrt(d)
		return 2 / q * math.Atan2(q*v, 2*a+b*v)
	case d < 0:
		q := math.Sqrt(-d)
		return 2 / q * math.Atanh(q*v/(2*a+b*v))
	}
	return 2 * v / (2*a + b*v)
}

// At is the instant within the span, in seconds from its start, at which the
// front is at x; ok is false when it does not come there. The place within a
// step is the cubic through both ends with their speeds (Hermite): its error is
// that of the fourth order.
func (s Span) At(x float64) (seconds float64, ok bool) {
	lo, hi := 0.0, 1.0
	from, to := s.FromM-x, s.ToM-x
	if from == 0 {
		return 0, true
	}
	if from*to > 0 {
		return 0, false
	}
	p := from / (from - to)
	for range 60 {
		at, slope := s.cubic(p)
		at -= x
		if at*from > 0 {
			lo = p
		} else {
			hi = p
		}
		next := p - at/slope
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-p) < 1e-13 {
			return next * s.Seconds, true
		}
		p = next
	}
	return p * s.Seconds, true
}

// Place is where the front is so many seconds after the span's start, by the
// same cubic.
func (s Span) Place(seconds float64) float64 {
	at, _ := s.cubic(seconds / s.Seconds)
	return at
}

// cubic is the place at part p of the span, and its change with p.
func (s Span) cubic(p float64) (at, slope float64) {
	d, a, b := s.ToM-s.FromM, s.FromMS*s.Seconds, s.ToMS*s.Seconds
	q, r := 3*d-2*a-b, a+b-2*d
	return s.FromM + p*(a+p*(q+p*r)), a + p*(2*q+3*p*r)
}
