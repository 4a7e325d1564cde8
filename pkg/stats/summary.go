package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// Summary sums up values in the order they came. With no value, or when any
// value is not finite, all is NaN but N. One value has no SD, CV, Lag1,
// NEffective or Trend; a constant series has SD 0 and no Lag1 or NEffective.
type Summary struct {
	N      int
	Mean   float64
	SD     float64 // of the sample, divisor N-1
	CV     float64 // SD over Mean; NaN when Mean is 0
	Median float64
	MAD    float64 // raw median of |x - Median|, not scaled to a normal SD
	Min    float64
	Max    float64
	Range  float64
	Q25    float64 // quartiles by linear interpolation, see Quantile
	Q75    float64
	// Lag1 is r1 = sum (x_i-m)(x_i+1-m) / sum (x_i-m)^2, as NIST StRD has it.
	Lag1 float64
	// NEffective is how many independent values would tell the mean as well,
	// see EffectiveN.
	NEffective float64
	BestIndex  int // where the first least value stands, from 0; -1 if none
	Trend      Trend
}

// Summarise sums up x. The mean is a compensated sum corrected by the mean of
// its residuals, the SD two-pass from it, so that values that differ only in
// their last figures (NIST StRD NumAcc1 to NumAcc4) keep their scatter.
func Summarise(x []float64) Summary {
	nan := math.NaN()
	s := Summary{
		N: len(x), Mean: nan, SD: nan, CV: nan, Median: nan, MAD: nan, Min: nan, Max: nan, Range: nan,
		Q25: nan, Q75: nan, Lag1: nan, NEffective: nan, BestIndex: -1, Trend: noTrend(),
	}
	if len(x) == 0 || !finite(x) {
		return s
	}
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	s.Min, s.Max = sorted[0], sorted[len(x)-1]
	s.Range = s.Max - s.Min
	s.Median, s.Q25, s.Q75 = Quantile(sorted, 0.5), Quantile(sorted, 0.25), Quantile(sorted, 0.75)
	s.MAD = mad(x, s.Median)
	s.BestIndex = floats.MinIdx(x)
	s.Mean = Mean(x)
	s.SD, s.Lag1 = scatter(x, s.Mean)
	if s.Mean != 0 {
		s.CV = s.SD / s.Mean
	}
	s.NEffective = EffectiveN(s.N, s.Lag1)
	s.Trend = trend(x)
	return s
}

// Mean is the arithmetic mean of x; NaN of none.
func Mean(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	n := float64(len(x))
	m := floats.SumCompensated(x) / n
	rest := slices.Clone(x)
	floats.AddConst(-m, rest)
	m += floats.SumCompensated(rest) / n
	return min(max(m, floats.Min(x)), floats.Max(x))
}

// Quantile of sorted values by linear interpolation between order statistics:
// h = (n-1)p, the seventh definition of Hyndman and Fan (1996), R's default.
// gonum has the fourth only. NaN without values or with p outside 0..1.
func Quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	h := float64(len(sorted)-1) * p
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	f := h - float64(i)
	return sorted[i] + f*(sorted[i+1]-sorted[i])
}

// EffectiveN is n' = n(1-r)/(1+r), the number of independent values whose mean
// is as uncertain as that of n values following a first-order autoregression
// with lag-1 autocorrelation r (Bayley and Hammersley 1946, for large n; Wilks,
// Statistical Methods in the Atmospheric Sciences, has it in this form). r below
// 0 is taken as 0, so that n' never exceeds n; r of 1 or more, or NaN, has none.
func EffectiveN(n int, r float64) float64 {
	if n < 2 || math.IsNaN(r) || r >= 1 {
		return math.NaN()
	}
	r = max(r, 0)
	return float64(n) * (1 - r) / (1 + r)
}

func finite(x []float64) bool {
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func mad(x []float64, median float64) float64 {
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - median)
	}
	slices.Sort(d)
	return Quantile(d, 0.5)
}

// scatter is the sample SD and the lag-1 autocorrelation about the mean m. The
// second term of the variance takes back what the rounding of m put in (Chan,
// Golub and LeVeque 1983).
func scatter(x []float64, m float64) (sd, lag1 float64) {
	if len(x) < 2 {
		return math.NaN(), math.NaN()
	}
	var squares, products, rest float64
	for i, v := range x {
		d := v - m
		squares += d * d
		rest += d
		if i > 0 {
			products += d * (x[i-1] - m)
		}
	}
	n := float64(len(x))
	sd = math.Sqrt(max(squares-rest*rest/n, 0) / (n - 1))
	if squares == 0 {
		return sd, math.NaN()
	}
	return sd, products / squares
}
