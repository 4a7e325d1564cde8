package traction

import (
	"math"
	"slices"

	"rainhill/pkg/gum"
	"rainhill/pkg/stats"
)

// Part is what two sets, or a set and the ground, did in a lap or in a stretch of
// it. The value is Slip of A over Ground or, of a pair, Desync of A and B; U is its
// standard uncertainty by instants and counts alone.
type Part struct {
	Value, U float64
	LengthMm float64
	Seconds  float64
	Lap      int     // which lap of the trial it belongs to
	From, To int     // the gates between which it lies
	Share    float64 // of its locomotive on curves, mean over it, 0 to 1
	Duty     float64 // permille, NaN unknown
}

// SlipOf is the slip of a wheel that turned by wheelMm, uWheelMm uncertain, over
// lengthMm in a time that is uSeconds uncertain: an instant that is wrong by e has
// the wheel turn for v e more.
func SlipOf(wheelMm, uWheelMm, lengthMm, seconds, uSeconds float64) (slip, u float64) {
	return Slip(wheelMm, lengthMm), math.Hypot(wheelMm/seconds*uSeconds, uWheelMm) / lengthMm
}

// DesyncOf is the desync of two wheels over the same time: how long that is does not
// come in.
func DesyncOf(aMm, uAMm, bMm, uBMm float64) (desync, u float64) {
	mean := (aMm + bMm) / 2
	return Desync(aMm, bMm), math.Hypot(uAMm, uBMm) / mean
}

// Mean is the mean of whole laps with its 95 % interval. common is the standard
// uncertainty of what is the same in all laps: wheel diameter, lap length.
//
// Laps are weighted by 1/(s2 + u2), s being their scatter beyond what instants and
// counts explain, so that one with a bridged passage counts for less; u combines the
// scatter of the mean as stats.MeanU has it, at least what the first and the last
// instant leave open (those between cancel), and common (GUM 5.1.2), with degrees of
// freedom after Welch and Satterthwaite.
func Mean(laps []Part, common float64) Estimate {
	laps = slices.DeleteFunc(slices.Clone(laps), func(p Part) bool { return math.IsNaN(p.Value) || math.IsNaN(p.U) })
	if len(laps) == 0 {
		return None()
	}
	var us []float64
	for _, p := range laps {
		us = append(us, p.U)
	}
	typical := stats.Summarise(us).Median
	var good, all, weights []float64
	for _, p := range laps {
		if p.U <= 2*typical {
			good = append(good, p.Value)
		}
		all = append(all, p.Value)
	}
	mean, u, df := stats.MeanU(good)
	if len(good) < 2 {
		mean, u, df = all[0], typical, math.Inf(1)
	}
	if len(good) < len(all) {
		beyond := 0.0
		if sd := stats.Summarise(good).SD; sd > typical {
			beyond = sd*sd - typical*typical
		}
		for _, p := range laps {
			weights = append(weights, 1/(beyond+p.U*p.U))
		}
		more := 0.0
		mean, more = weighed(all, weights)
		u *= math.Sqrt(float64(len(good)) / max(more, 1))
	}
	u = max(u, math.Sqrt2*typical/float64(len(all)))
	return interval(mean, []float64{u, common}, []float64{df, math.Inf(1)})
}

// weighed is the weighted mean, and of how many equal weights it is worth.
func weighed(x, w []float64) (mean, n float64) {
	var sum, squares float64
	for i := range x {
		mean, sum, squares = mean+w[i]*x[i], sum+w[i], squares+w[i]*w[i]
	}
	return mean / sum, sum * sum / squares
}

// interval is a value with the contributions to its uncertainty.
func interval(value float64, u, df []float64) Estimate {
	uc, eff := gum.Combine(u, df)
	if math.IsNaN(uc) {
		return Estimate{value, math.NaN(), math.NaN(), math.NaN()}
	}
	half := stats.TQuantile(0.975, max(eff, 1)) * uc
	return Estimate{value, value - half, value + half, uc}
}
