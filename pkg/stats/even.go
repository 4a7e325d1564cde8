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
	ia, wa := placeIn(evenDF[:], fa, inverse)
	ib, wb := placeIn(evenDF[:], fb, inverse)
	at := func(level int) float64 {
		ln := (1-wa)*(1-wb)*evenLn(ia, ib, level, share) + wa*(1-wb)*evenLn(ia+1, ib, level, share) +
			(1-wa)*wb*evenLn(ia, ib+1, level, share) + wa*wb*evenLn(ia+1, ib+1, level, share)
		return math.Exp(ln)
	}
	return Even{at(0), at(1)}
}

// evenDF are the degrees of freedom that the table is for; the last stands for any more.
var evenDF = [...]float64{1, 2, 3, 4, 6, 10, 30, 300}

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

// EvenLine is EvenT of a difference at a like covariate, of two sides of about as many
// values each: what the parallel lines leave over in one side is then not independent of
// what they leave in the other. df are the degrees of freedom of the lines; load is how
// much more the difference varies than one of plain means, as a multiple less 1; split is
// what part of the covariate's scatter is within side a, and share what part of the
// variance seen is. TestEvenLine solves for it.
func EvenLine(df, load, split, share float64) Even {
	if !(df >= evenLineDF[0] && load >= 0 && split >= 0 && split <= 1 && share >= 0 && share <= 1) {
		return Even{1, 1}
	}
	if split > 0.5 {
		split, share = 1-split, 1-share
	}
	in, wn := placeIn(evenLineDF[:], df, inverse)
	il, wl := placeIn(evenLineLoad[:], load, func(x float64) float64 { return x / (1 + x) })
	is, ws := placeIn(evenLineSplit[:], max(split, evenLineSplit[0]), func(x float64) float64 { return x })
	at := func(level int) float64 {
		ln := 0.0
		for i, w := range []float64{1 - wn, wn} {
			for j, v := range []float64{1 - wl, wl} {
				for k, u := range []float64{1 - ws, ws} {
					ln += w * v * u * evenLineAt(evenLineTable[in+i][il+j][is+k][level][:], share)
				}
			}
		}
		return math.Exp(ln)
	}
	return Even{at(0), at(1)}
}

// The degrees of freedom, loads and splits that the table is for. From the last degrees of freedom
// on, EvenT holds as well.
var (
	evenLineDF    = [...]float64{3, 5, 7, 11}
	evenLineLoad  = [...]float64{0, 0.3, 1, 2, 4}
	evenLineSplit = [...]float64{0.1, 0.3, 0.5}
)

const evenLineKnots = 9

func inverse(x float64) float64 { return 1 / x }

// placeIn finds between which two knots x lies, and how far along on a scale; x beyond the
// last knot stands there.
func placeIn(knots []float64, x float64, scale func(float64) float64) (i int, w float64) {
	last := len(knots) - 1
	if x >= knots[last] {
		return last - 1, 1
	}
	for knots[i+1] <= x {
		i++
	}
	return i, (scale(x) - scale(knots[i])) / (scale(knots[i+1]) - scale(knots[i]))
}

// evenLineAt is linear between knots from a share of 0 to one of 1 that lie evenly in the
// arcsine of its root.
func evenLineAt(h []float64, share float64) float64 {
	place := math.Asin(math.Sqrt(share)) / (math.Pi / 2) * float64(len(h)-1)
	i := min(int(place), len(h)-2)
	return h[i]*(1-(place-float64(i))) + h[i+1]*(place-float64(i))
}
