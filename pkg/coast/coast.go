// Package coast answers "what holds these cars back, and how sure is that?" from the
// instants at which the front of an unpowered train was at known places: the terms of
// dv/dt = -(a + b v + c v2 + curve x the part of the train on arcs). It holds no gates
// and no words, does not tell which outing was a coasting, and knows forces only as
// decelerations: mass times these, and what turns with the wheels besides, is the
// caller's.
package coast

import (
	"errors"
	"math"
)

// The terms, in the order of vectors and covariances.
const (
	A     = iota // m/s2
	B            // 1/s
	C            // 1/m
	Curve        // m/s2 more on arcs
	terms        // how many there are
)

// Names of the terms.
var Names = [terms]string{"a", "b", "c", "curve"}

// Instant is when the front was AtM along the track. US is its standard uncertainty; 0:
// not stated.
type Instant struct{ AtM, AtS, US float64 }

// Run is one coasting: instants in the order of time, at places that only rise, or only
// fall where it ran against the track's own direction (see Unwrap).
type Run struct {
	ID       string
	Instants []Instant
}

// leastInstants is how few say anything: two tell no more than a speed.
const leastInstants = 3

// Interval is a value with its 95 % interval and its standard uncertainty U; what cannot
// be had is NaN.
type Interval struct{ Value, Lo, Hi, U float64 }

// None is an interval of which nothing can be said.
func None() Interval { return Interval{math.NaN(), math.NaN(), math.NaN(), math.NaN()} }

// Resistance is what runs of one train show. Terms are the likeliest of which none is
// negative; their intervals hold the truth in 95 of 100 cases whether it is 0 or not. One
// that is NaN cannot be told by these runs at all and was Held at 0.
type Resistance struct {
	Terms    [terms]Interval
	Held     [terms]bool
	Runs     []Course
	N        int     // instants
	ChiDF    float64 // squared residuals over their variance, per degree of freedom; NaN where u_s was not stated
	ScatterS float64 // standard deviation of an instant about the fit, s; NaN where it was stated
	DF       float64 // degrees of freedom of the intervals; +Inf where the instants' uncertainty was stated and their scatter bears it out
	Doubts   []string

	best       [terms]float64 // as in Terms
	free       [terms]float64 // the same, negative ones allowed
	covariance [terms][terms]float64
	scale      float64 // standard deviation of a weighted residual
}

// Course is how one run went. StartMS is the speed at its first instant, EndMS that at
// the last; Left the instants less those of the fit, in seconds, of which those that are
// Stray did not enter. Why says why none did.
type Course struct {
	ID      string
	StartMS Interval
	EndMS   float64
	WayM    float64
	Left    []float64
	Stray   []bool
	Why     string
}

// Why nothing can be said.
var (
	ErrNoRuns = errors.New("no run can be used")
	ErrFit    = errors.New("no resistance that slows explains the instants")
	ErrSpedUp = errors.New("it sped up")
)

// at is a + b v + c v2.
func at(p [terms]float64, v float64) float64 { return p[A] + v*(p[B]+v*p[C]) }
