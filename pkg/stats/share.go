package stats

import "math"

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
