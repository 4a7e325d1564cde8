package coast

import "math"

// order is that of the series in time by which a train is followed.
const order = 14

// tail is what the last terms of a series may amount to, as a part of the speed.
const tail = 1e-13

// variables are the terms and the speed at the last instant, by which instants change.
const variables = terms + 1

// place is a train at a place: its speed, the seconds from the last instant (none or less)
// and how both change, at that place, with each variable.
type place struct {
	v, t float64
	dv   [variables]float64
	dt   [variables]float64
}

// last is a train at its last instant.
func last(v float64) place {
	p := place{v: v}
	p.dv[terms] = 1
	return p
}

// Trains are followed backwards from the last instant, since no resistance stops them on
// that way: they only get faster. Between two places v' = -(A + B v + C v2 + Curve (share
// + slope x)), x' = v is analytic in time, also where the train stands at its end; v and
// x, and their changes y and z with each variable at the same time, are power series whose
// terms follow from the ones before (Taylor's method; Hairer, Norsett and Wanner,
// Solving Ordinary Differential Equations I, I.8, from memory).
type series struct {
	v, x [order + 1]float64
	y, z [variables][order + 1]float64
}

func (s *series) make(p [terms]float64, l leg, at place) {
	*s = series{}
	s.v[0] = at.v
	for j := range variables {
		s.y[j][0] = at.dv[j]
	}
	for n := range order {
		square := convolve(&s.v, &s.v, n)
		share := l.slope * s.x[n]
		if n == 0 {
			share += l.share
		}
		force := [variables]float64{0, s.v[n], square, share, 0}
		if n == 0 {
			force[A] = 1
		}
		d := float64(n + 1)
		sum := 0.0
		for j := range terms {
			sum += p[j] * force[j]
		}
		s.x[n+1], s.v[n+1] = s.v[n]/d, -sum/d
		for j := range variables {
			s.z[j][n+1] = s.y[j][n] / d
			s.y[j][n+1] = -(force[j] + p[Curve]*l.slope*s.z[j][n] + p[B]*s.y[j][n] + 2*p[C]*convolve(&s.v, &s.y[j], n)) / d
		}
	}
}

func convolve(a, b *[order + 1]float64, n int) (sum float64) {
	for i := range n + 1 {
		sum += a[i] * b[n-i]
	}
	return sum
}

// value is a series' value and slope at t.
func value(c *[order + 1]float64, t float64) (at, slope float64) {
	for n := order; n >= 0; n-- {
		slope = slope*t + at
		at = at*t + c[n]
	}
	return at, slope
}

// reach is how far from 0 the series tells the speed.
func (s *series) reach(scale float64) float64 {
	h := math.Inf(1)
	for _, n := range []int{order - 1, order} {
		if s.v[n] != 0 {
			h = min(h, math.Pow(tail*scale/math.Abs(s.v[n]), 1/float64(n)))
		}
	}
	return h
}

// back takes a train to the start of the leg at whose end it is; ok is false when it
// would have had to begin there from rest.
func (at *place) back(p [terms]float64, l leg) (ok bool) {
	var s series
	left := l.lengthM
	for range 500 {
		s.make(p, l, *at)
		h := s.reach(math.Sqrt(at.v*at.v + 2*math.Abs(s.v[1])*left))
		t, there := s.when(-left, -h)
		if !at.move(&s, t) {
			return false
		}
		if there {
			return true
		}
		x, _ := value(&s.x, t)
		left, l.share = left+x, l.share+l.slope*x
	}
	return false
}

// when is the time at which the train was at x, which lies behind it; -h and false where
// the series does not reach that far.
func (s *series) when(x, least float64) (t float64, there bool) {
	v, slow := s.v[0], max(-s.v[1], 0)
	guess := 2 * x / (v + math.Sqrt(v*v-2*slow*x))
	if !math.IsInf(least, -1) {
		if far, _ := value(&s.x, least); far > x {
			return least, false
		}
		guess = max(guess, least)
	}
	lo, hi := least, 0.0
	for range 60 {
		at, speed := value(&s.x, guess)
		if at < x {
			lo = guess
		} else {
			hi = guess
		}
		next := guess - (at-x)/speed
		if !(next >= lo && next <= hi) {
			next = (max(lo, 2*guess-1) + hi) / 2
		}
		if math.Abs(next-guess) <= 1e-15*math.Abs(next) {
			return next, true
		}
		guess = next
	}
	return guess, true
}

// move takes the train to the time t of a series and puts its changes from the same time
// to the same place: an instant is later by -dx/v.
func (at *place) move(s *series, t float64) bool {
	v, slope := value(&s.v, t)
	if !(v > 0) {
		return false
	}
	at.v, at.t = v, at.t+t
	for j := range variables {
		z, _ := value(&s.z[j], t)
		y, _ := value(&s.y[j], t)
		at.dt[j] -= z / v
		at.dv[j] = y - slope*z/v
	}
	return !math.IsNaN(at.t)
}
