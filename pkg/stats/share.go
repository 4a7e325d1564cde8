package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Wilson is the 95 % interval of a share of k in n by the score test (Wilson 1927,
// Journal of the American Statistical Association 22, 209). Half successes may count.
// NaN of none.
//
//	(k + z^2/2 -+ z sqrt(k(n-k)/n + z^2/4)) / (n + z^2)
func Wilson(k, n float64) (lo, hi float64) {
	z := TQuantile(0.975, math.Inf(1))
	mid, d := k+z*z/2, n+z*z
	half := z * math.Sqrt(max(k*(n-k)/n, 0)+z*z/4)
	return max(0, (mid-half)/d), min(1, (mid+half)/d)
}

// ClopperPearson is the interval of a share of k in n that holds it at least as often
// as level says (Clopper and Pearson 1934, Biometrika 26, 404).
func ClopperPearson(k, n, level float64) (lo, hi float64) {
	tail := (1 - level) / 2
	hi = 1
	if k > 0 {
		lo = distuv.Beta{Alpha: k, Beta: n - k + 1}.Quantile(tail)
	}
	if k < n {
		hi = distuv.Beta{Alpha: k + 1, Beta: n - k}.Quantile(1 - tail)
	}
	return lo, hi
}

// AtLeast is what a share of k in n is at least, with 95 % on that one side.
func AtLeast(k, n float64) float64 {
	lo, _ := ClopperPearson(k, n, 0.9)
	return lo
}
