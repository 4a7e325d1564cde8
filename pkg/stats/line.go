package stats

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Trend is the least-squares slope of the values against their index 1, 2, ...
// with its standard error, 95 % interval (Student's t, DF = n-2) and the
// two-sided P of "no trend". Two values have a slope and nothing else. A
// constant series has slope 0, SE 0 and no T or P. The interval takes the
// residuals as independent.
type Trend struct {
	Slope, SE, Lo, Hi, T, P, DF float64
}

func noTrend() Trend {
	nan := math.NaN()
	return Trend{Slope: nan, SE: nan, Lo: nan, Hi: nan, T: nan, P: nan, DF: nan}
}

func trend(y []float64) Trend {
	t := noTrend()
	index := make([]float64, len(y))
	for i := range index {
		index[i] = float64(i + 1)
	}
	t.Slope, t.SE = Slope(index, y)
	if len(y) < 3 {
		return t
	}
	t.DF = float64(len(y) - 2)
	half := TQuantile(0.975, t.DF) * t.SE
	t.Lo, t.Hi = t.Slope-half, t.Slope+half
	t.T = t.Slope / t.SE // 0/0, a constant series, is NaN
	if !math.IsNaN(t.T) {
		t.P = 2 * TBelow(-math.Abs(t.T), t.DF)
	}
	return t
}

// Slope is the ordinary least-squares slope of y against t and its standard
// error: slope = Sty/Stt, se = sqrt(sum of squared residuals/(n-2)/Stt), in
// units of y per unit of t. Both are NaN when the lists differ in length, a value is
// not finite, there are fewer than two points or all stand at one t; se is NaN
// with two points.
func Slope(t, y []float64) (slope, se float64) {
	if len(t) != len(y) || len(t) < 2 || !finite(t) || !finite(y) {
		return math.NaN(), math.NaN()
	}
	mt, my := Mean(t), Mean(y)
	var stt float64
	for _, v := range t {
		stt += (v - mt) * (v - mt)
	}
	if stt == 0 {
		return math.NaN(), math.NaN()
	}
	_, slope = stat.LinearRegression(t, y, nil, false)
	if constant(y) {
		slope = 0
	}
	if len(t) == 2 {
		return slope, math.NaN()
	}
	var rss float64
	for i, v := range t {
		r := (y[i] - my) - slope*(v-mt)
		rss += r * r
	}
	return slope, math.Sqrt(rss / float64(len(t)-2) / stt)
}

func constant(x []float64) bool {
	for _, v := range x {
		if v != x[0] {
			return false
		}
	}
	return true
}

// TBelow is the probability that Student's t with df degrees of freedom is below x.
func TBelow(x, df float64) float64 { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(x) }

// TQuantile is the value that Student's t with df degrees of freedom (any
// positive number, or infinity) stays below with probability p. NaN when df is
// not positive or p is not within 0..1.
func TQuantile(p, df float64) float64 {
	switch {
	case !(p >= 0 && p <= 1) || !(df > 0):
		return math.NaN()
	case p == 0 || p == 1:
		return math.Inf(2*int(p) - 1)
	case math.IsInf(df, 1):
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
}

// MeanInterval is the mean of values that may follow one another, its 95 %
// interval and its standard uncertainty u. Lo, hi and u are NaN with fewer than
// two values; of a constant series u is 0, and the caller adds what the
// resolution hides.
//
//	u^2 = s^2 (n-1) / (n (n'-1)),  interval = mean ± t(0.975, n'-1) u
//
// The factor beside s^2/n' takes back that the sample SD of autocorrelated
// values is too small (Zieba 2010, Metrology and Measurement Systems 17, 3); without
// autocorrelation u = s/sqrt(n). n' is EffectiveN, at least 3 (or n), of
// r1 + (1+4 r1)/n: a short series shows too little of its autocorrelation
// (Marriott and Pope 1954, Biometrika 41, 390). The interval of independent values
// covers 95 to 97 %; at a true autocorrelation of 0.3 some 93, at 0.6 from 85 (six
// values) to 93 (fifty).
func MeanInterval(x []float64) (mean, lo, hi, u float64) {
	mean, u, df := MeanU(x)
	switch {
	case math.IsNaN(u):
		return mean, math.NaN(), math.NaN(), math.NaN()
	case u == 0:
		return mean, mean, mean, 0
	}
	half := TQuantile(0.975, df) * u
	return mean, mean - half, mean + half, u
}

// MeanU is the mean of values that may follow one another and its standard
// uncertainty, as in MeanInterval, with the degrees of freedom n'-1 of the latter;
// u and df are NaN with fewer than two values.
func MeanU(x []float64) (mean, u, df float64) {
	nan := math.NaN()
	mean = Mean(x)
	if len(x) < 2 || !finite(x) {
		return mean, nan, nan
	}
	sd, lag1 := scatter(x, mean)
	if sd == 0 {
		return mean, 0, float64(len(x) - 1)
	}
	n := float64(len(x))
	r := min(lag1+(1+4*lag1)/n, 0.99)
	ne := max(EffectiveN(len(x), r), min(n, 3))
	return mean, sd * math.Sqrt((n-1)/(n*(ne-1))), ne - 1
}

// Lag1 is the lag-1 autocorrelation of values about their mean, as in Summary; NaN of
// fewer than two, or of a constant series.
func Lag1(x []float64) float64 {
	if len(x) < 2 || !finite(x) {
		return math.NaN()
	}
	_, r := scatter(x, Mean(x))
	return r
}
