package stats

import "math"

// Paired is the mean of differences that come in pairs, with its 95 % interval by
// Student's t with N-1 degrees of freedom. The pairs are taken as independent of each
// other. With one pair there is a Mean and nothing else; with none, nothing. Differences
// that are all the same have SD and SE 0 and an interval without width: the caller adds
// what the resolution hides.
type Paired struct {
	N                              int
	Mean, SD, SE, Lo, Hi, T, P, DF float64
}

// PairedMean is of b[i] - a[i], with T and the two-sided P of "no difference"
// (Student 1908, Biometrika 6, 1). All is NaN but N when the lists differ in length or a
// value is not finite.
func PairedMean(a, b []float64) Paired {
	nan := math.NaN()
	p := Paired{N: min(len(a), len(b)), Mean: nan, SD: nan, SE: nan, Lo: nan, Hi: nan, T: nan, P: nan, DF: nan}
	if len(a) != len(b) || !finite(a) || !finite(b) {
		return p
	}
	d := make([]float64, p.N)
	for i := range d {
		d[i] = b[i] - a[i]
	}
	p.Mean = Mean(d)
	if p.N < 2 {
		return p
	}
	p.SD, _ = scatter(d, p.Mean)
	p.DF = float64(p.N - 1)
	p.SE = p.SD / math.Sqrt(float64(p.N))
	half := TQuantile(0.975, p.DF) * p.SE
	p.Lo, p.Hi = p.Mean-half, p.Mean+half
	if p.SE > 0 {
		p.T = p.Mean / p.SE
		p.P = 2 * TBelow(-math.Abs(p.T), p.DF)
	}
	return p
}
