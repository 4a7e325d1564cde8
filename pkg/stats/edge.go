package stats

// Edge is where holds, false at lo and true at hi, becomes true, by halving.
func Edge(lo, hi float64, holds func(float64) bool) float64 {
	for range 60 {
		if mid := (lo + hi) / 2; holds(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}
