// Package motor answers "what are this motor's constants, and what would a train
// with such motors do?": resistance, speed constant and no-load current fitted to
// throttle sweeps, and from them the speed at which tractive effort meets
// resistance, the standing pull and what limits it, and how far two driver sets
// would run apart, each with its uncertainty. Motion from instant to instant
// (pkg/dynamics), slip as measured and the words of the bus are not in it. All is in
// SI units: V, A, ohm, m, m/s, kg, N, rad/s, s; instants are microseconds.
package motor

import (
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// Gravity is standard gravity in m/s2 (3rd CGPM, 1901).
const Gravity = 9.80665

// Interval is a figure with its 95 % interval and standard uncertainty; NaN where
// it cannot be had.
type Interval struct{ Value, Lo, Hi, U float64 }

func unknown() Interval {
	nan := math.NaN()
	return Interval{nan, nan, nan, nan}
}

// studentised is value ± t(df) u.
func studentised(value, u, df float64) Interval {
	half := stats.TQuantile(0.975, df) * u
	return Interval{value, value - half, value + half, u}
}

// Constants are those of a brushed motor: U = R I + K w and torque = K (I - I0), K in
// volts per radian a second, which is newton metres per ampere.
type Constants struct{ ROhm, KVS, I0A float64 }

// StallA is the current U/R of a standing motor.
func (c Constants) StallA(volt float64) float64 { return volt / c.ROhm }

// StallNm is the torque K U/R of a standing motor, as data sheets have it.
func (c Constants) StallNm(volt float64) float64 { return c.KVS * c.StallA(volt) }

// FreeRadS is the speed (U - I0 R)/K of a motor without load.
func (c Constants) FreeRadS(volt float64) float64 { return (volt - c.I0A*c.ROhm) / c.KVS }

// GradientRadSNm is how much speed falls per torque, R/K2.
func (c Constants) GradientRadSNm() float64 { return c.ROhm / (c.KVS * c.KVS) }

// quantiles are the 95 % interval and the scatter of draws, the value being the
// caller's own; draws that came to nothing (NaN) leave an end open when there are
// too many of them.
func quantiles(value float64, draws []float64) Interval {
	kept := slices.DeleteFunc(slices.Clone(draws), math.IsNaN)
	if len(kept) < len(draws)-len(draws)/40 || len(kept) < 2 {
		return Interval{value, math.NaN(), math.NaN(), math.NaN()}
	}
	slices.Sort(kept)
	_, u := meanSD(kept)
	return Interval{value, stats.Quantile(kept, 0.025), stats.Quantile(kept, 0.975), u}
}

func meanSD(x []float64) (mean, sd float64) {
	mean = stats.Mean(x)
	var squares float64
	for _, v := range x {
		squares += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(squares / float64(len(x)-1))
}
