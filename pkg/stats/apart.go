package stats

import "math"

// Grubbs finds the value that lies farthest from the mean in SDs, g, and the critical
// value that g of one of n normal values exceeds with probability alpha (Grubbs 1969,
// Technometrics 11, 1), for an outlier on either side. index is -1 and all is NaN with
// fewer than three values or no scatter.
func Grubbs(x []float64, alpha float64) (index int, g, critical float64) {
	s := SampleOf(x)
	if len(x) < 3 || !(s.SD > 0) {
		return -1, math.NaN(), math.NaN()
	}
	for i, v := range x {
		if d := math.Abs(v-s.Mean) / s.SD; d > g {
			index, g = i, d
		}
	}
	return index, g, GrubbsCritical(len(x), alpha, 2)
}

// GrubbsCritical is (n-1)/sqrt(n) sqrt(t^2/(n-2+t^2)) with t exceeded with probability
// alpha/(sides n) at n-2 degrees of freedom.
func GrubbsCritical(n int, alpha float64, sides int) float64 {
	if n < 3 {
		return math.NaN()
	}
	m := float64(n)
	t := TQuantile(1-alpha/(float64(sides)*m), m-2)
	return (m - 1) / math.Sqrt(m) * math.Sqrt(t*t/(m-2+t*t))
}

// Agreement is how far two ways of measuring the same things agree: mean and SD of the
// differences, and the limits within which 95 % of them lie, Mean ± 1.96 SD, each with the
// half of its own 95 % interval (Bland and Altman 1986, Lancet 327, 307).
type Agreement struct {
	Paired
	Lower, Upper       float64
	LimitSE, LimitHalf float64
}

// Agree is of the differences b - a.
func Agree(a, b []float64) Agreement {
	p := PairedMean(a, b)
	se := p.SD * math.Sqrt(3/float64(p.N))
	return Agreement{p, p.Mean - 1.96*p.SD, p.Mean + 1.96*p.SD, se, TQuantile(0.975, p.DF) * se}
}
