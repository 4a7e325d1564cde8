package stats

import "math"

// EvenT is what Welch's critical values are to be multiplied by with fa and fb degrees of
// freedom, where share of the variance seen is side a's. Welch's t holds between 88 and
// 98 % of the time with one or two degrees of freedom on a side; with this it holds 95 %
// (and 90 %) within about 1 % whatever the true share is. Welch (1947, Biometrika 34, 28)
// put the question, Trickett, Welch and James (1956, Biometrika 43, 203) tables; ours is
// solved for numerically, by TestEvenTable, and kept smooth rather than exact: an exact one
// swings, and would call two sides with like scatter surer than either is.
func EvenT(fa, fb, share float64) Even {
	if !(fa >= 1 && fb >= 1 && share >= 0 && share <= 1) {
		return Even{1, 1}
	}
	ia, wa := evenPlace(fa)
	ib, wb := evenPlace(fb)
	at := func(level int) float64 {
		ln := (1-wa)*(1-wb)*evenLn(ia, ib, level, share) + wa*(1-wb)*evenLn(ia+1, ib, level, share) +
			(1-wa)*wb*evenLn(ia, ib+1, level, share) + wa*wb*evenLn(ia+1, ib+1, level, share)
		return math.Exp(ln)
	}
	return Even{at(0), at(1)}
}

// evenDF are the degrees of freedom that the table is for; the last stands for any more.
var evenDF = [...]float64{1, 2, 3, 4, 6, 10, 30, 300}

// evenPlace finds between which two of evenDF f lies, and how far along in 1/f.
func evenPlace(f float64) (i int, w float64) {
	last := len(evenDF) - 1
	if f >= evenDF[last] {
		return last - 1, 1
	}
	for evenDF[i+1] <= f {
		i++
	}
	return i, (1/evenDF[i] - 1/f) / (1/evenDF[i] - 1/evenDF[i+1])
}

// evenLn is the logarithm of the multiple, linear between knots that lie evenly in the
// arcsine of the root of share; it is 0 at either end, where one side's t holds exactly.
func evenLn(ia, ib, level int, share float64) float64 {
	if ia > ib {
		ia, ib, share = ib, ia, 1-share
	}
	return evenAt(evenTable[[2]int{ia, ib}][level], share)
}

func evenAt(inner []float64, share float64) float64 {
	place := math.Asin(math.Sqrt(share)) / (math.Pi / 2) * float64(len(inner)+1)
	i := int(place)
	value := func(k int) float64 {
		if k < 1 || k > len(inner) {
			return 0
		}
		return inner[k-1]
	}
	return value(i)*(1-(place-float64(i))) + value(i+1)*(place-float64(i))
}
