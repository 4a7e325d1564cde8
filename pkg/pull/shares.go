package pull

import "math"

// Rising is the non-decreasing values closest to y, weighed by w: the algorithm of
// pooling adjacent violators (Ayer and others 1955, Annals of Mathematical Statistics 26, 641).
func Rising(y, w []float64) []float64 {
	type block struct {
		mean, weight float64
		n            int
	}
	var bs []block
	for i, v := range y {
		bs = append(bs, block{v, w[i], 1})
		for k := len(bs) - 1; k > 0 && bs[k-1].mean > bs[k].mean; k-- {
			a, b := bs[k-1], bs[k]
			s := a.weight + b.weight
			bs = append(bs[:k-1], block{(a.mean*a.weight + b.mean*b.weight) / s, s, a.n + b.n})
		}
	}
	out := make([]float64, 0, len(y))
	for _, b := range bs {
		for range b.n {
			out = append(out, b.mean)
		}
	}
	return out
}

// Steps is the share of successes at each load, taken only to fall with load.
func Steps(ts []Tally) []float64 {
	y, w := make([]float64, len(ts)), make([]float64, len(ts))
	for i, t := range ts {
		y[i], w[i] = -t.Moves/t.N, t.N
	}
	out := Rising(y, w)
	for i := range out {
		out[i] = 0 - out[i]
	}
	return out
}

// SpearmanKarber is the mean limit from shares that fall from 1 to 0 over the loads, no
// shape taken (Spearman 1908, Kärber 1931): sum (p_i - p_i+1)(x_i + x_i+1)/2. Not
// ok where the ends were not reached.
func SpearmanKarber(x, share []float64) (mean float64, ok bool) {
	n := len(x)
	if n < 2 || share[0] != 1 || share[n-1] != 0 {
		return math.NaN(), false
	}
	for i := range n - 1 {
		mean += (share[i] - share[i+1]) * (x[i] + x[i+1]) / 2
	}
	return mean, true
}

// Crossing is where shares that fall over the loads pass p, by interpolation along
// log load between two neighbours. Not ok where they do not.
func Crossing(x, share []float64, p float64) (at float64, ok bool) {
	for i := 1; i < len(x); i++ {
		a, b := share[i-1], share[i]
		if a >= p && b <= p && a > b && x[i-1] > 0 {
			return math.Exp((math.Log(x[i-1])*(p-b) + math.Log(x[i])*(a-p)) / (a - b)), true
		}
	}
	return math.NaN(), false
}
