package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// NoncentralT is the probability that (Z + delta)/sqrt(X/df) is below t, with Z a
// standard normal and X chi-squared with df degrees of freedom: Lenth 1989, Applied
// Statistics 38, 185 (AS 243). NaN where an argument is, or df is not positive.
func NoncentralT(t, df, delta float64) float64 {
	switch {
	case math.IsNaN(t+df+delta) || !(df > 0):
		return math.NaN()
	case t < 0:
		return 1 - NoncentralT(-t, df, -delta)
	case math.Abs(delta) > 37: // the terms below would vanish; nothing here asks so far
		return distuv.UnitNormal.CDF((t*(1-1/(4*df)) - delta) / math.Sqrt(1+t*t/(2*df)))
	}
	return distuv.UnitNormal.CDF(-delta) + noncentralTerms(t*t/(t*t+df), df/2, delta)
}

// noncentralTerms sums AS 243's series until what is left is below 1e-13. Of the
// incomplete beta functions the first two are reckoned, the others follow from them.
func noncentralTerms(x, b, delta float64) (sum float64) {
	if x <= 0 {
		return 0
	}
	half := delta * delta / 2
	p := math.Exp(-half) / 2
	q := math.Sqrt(2/math.Pi) * p * delta
	odd, even := mathext.RegIncBeta(0.5, b, x), mathext.RegIncBeta(1, b, x)
	stepOdd, stepEven := betaStep(0.5, b, x), betaStep(1, b, x)
	left := 0.5 - p
	for j := 0.0; j < 5000; j++ {
		sum += p*odd + q*even
		if left < 1e-13 && j > half {
			break
		}
		odd, even = odd-stepOdd, even-stepEven
		stepOdd *= x * (j + 0.5 + b) / (j + 1.5)
		stepEven *= x * (j + 1 + b) / (j + 2)
		p *= half / (j + 1)
		q *= half / (j + 1.5)
		left -= p
	}
	return sum
}

// betaStep is what the incomplete beta function loses from a to a+1: x^a (1-x)^b / (a B(a,b)).
func betaStep(a, b, x float64) float64 {
	return math.Exp(a*math.Log(x)+b*math.Log1p(-x)-mathext.Lbeta(a, b)) / a
}

// NoncentralInterval is the interval of the noncentrality that a seen t speaks for.
func NoncentralInterval(t, df, confidence float64) (lo, hi float64) {
	if math.IsNaN(t) || math.IsInf(t, 0) {
		return math.NaN(), math.NaN()
	}
	reach := 3 * (1 + math.Abs(t)/math.Sqrt(2*df)) // three SDs of delta about t
	at := func(p float64) float64 {
		f := func(delta float64) float64 { return p - NoncentralT(t, df, delta) }
		from, to := t-reach, t+reach
		for range 6 {
			if f(from) < 0 && f(to) > 0 {
				break
			}
			from, to = from-reach, to+reach
		}
		return bisect(from, to, f)
	}
	return at(0.5 + confidence/2), at(0.5 - confidence/2)
}

// bisect finds where f, which rises, is 0, by the Illinois rule of false position.
func bisect(lo, hi float64, f func(float64) float64) float64 {
	flo, fhi, last := f(lo), f(hi), 0
	if math.IsNaN(flo) || math.IsNaN(fhi) {
		return math.NaN()
	}
	for range 200 {
		x := (lo*fhi - hi*flo) / (fhi - flo)
		if !(x > lo && x < hi) {
			x = (lo + hi) / 2
		}
		v := f(x)
		switch {
		case math.IsNaN(v):
			return v
		case math.Abs(v) < 1e-13 || hi-lo <= 1e-12*math.Abs(hi+lo):
			return x
		case v < 0:
			lo, flo = x, v
			if last < 0 {
				fhi /= 2
			}
			last = -1
		default:
			hi, fhi = x, v
			if last > 0 {
				flo /= 2
			}
			last = 1
		}
	}
	return (lo + hi) / 2
}

// Power is the probability that a t test finds a standardised effect: delta is the
// noncentrality, alpha the level, sides 2 or 1. With two, both tails count.
func Power(delta, df, alpha float64, sides int) float64 {
	t := TQuantile(1-alpha/float64(sides), df)
	power := 1 - NoncentralT(t, df, delta)
	if sides == 2 {
		power += NoncentralT(-t, df, delta)
	}
	return power
}

// SampleSize is how many values a side (not rounded) let a two-sample t test find a
// difference of d SDs with the power; with pairs, how many pairs.
func SampleSize(d, power, alpha float64, sides int, pairs bool) float64 {
	return bisect(2, 1e5, func(n float64) float64 {
		if pairs {
			return Power(math.Abs(d)*math.Sqrt(n), n-1, alpha, sides) - power
		}
		return Power(math.Abs(d)*math.Sqrt(n/2), 2*n-2, alpha, sides) - power
	})
}

// EquivalencePower is the probability that two one-sided tests at 5 % find that a
// difference which is d SEs lies within margin SEs, with df degrees of freedom. It
// integrates over what the SE may come out as.
func EquivalencePower(d, margin, df float64) float64 {
	c := TQuantile(0.95, df)
	return math.Max(0, overChi(df, func(s float64) float64 {
		reach := margin - c*s
		if reach <= 0 {
			return 0
		}
		return distuv.UnitNormal.CDF(reach-d) - distuv.UnitNormal.CDF(-reach-d)
	}))
}

// overChi is the expectation of f(S) with S the square root of chi-squared over its df
// degrees of freedom.
func overChi(df float64, f func(float64) float64) float64 {
	if math.IsInf(df, 1) || df > 25000 {
		return f(1)
	}
	ln, _ := math.Lgamma(df / 2)
	ln = df/2*math.Log(df) - (df/2-1)*math.Ln2 - ln
	weighed := func(s float64) float64 { return math.Exp(ln+(df-1)*math.Log(s)-df*s*s/2) * f(s) }
	var sum float64
	edges := chiEdges(df)
	for k := range len(edges) - 1 {
		sum += gauss(weighed, edges[k], edges[k+1])
	}
	return sum
}

// chiEdges parts what S may be, closer where few degrees of freedom let it come near 0.
func chiEdges(df float64) []float64 {
	if df < 8 {
		return []float64{0, 0.02, 0.06, 0.15, 0.4, 1, 2, 1 + 14/math.Sqrt(2*df)}
	}
	w := 1 / math.Sqrt(2*df)
	return []float64{math.Max(0, 1-9*w), 1 - 2*w, 1 + 2*w, 1 + 9*w}
}

// gauss integrates f by Gauss and Legendre with 16 places.
func gauss(f func(float64) float64, a, b float64) (sum float64) {
	mid, half := (a+b)/2, (b-a)/2
	for i, x := range legendreAt {
		sum += legendreWeight[i] * f(mid+half*x)
	}
	return sum * half
}

var legendreAt, legendreWeight = func() (x, w []float64) {
	x, w = make([]float64, 16), make([]float64, 16)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)
	return x, w
}()

// sortedBy is the indices of x from its least value to its greatest; NaN last.
func sortedBy(x []float64) []int {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case x[a] < x[b] || math.IsNaN(x[b]) && !math.IsNaN(x[a]):
			return -1
		case x[b] < x[a] || math.IsNaN(x[a]) && !math.IsNaN(x[b]):
			return 1
		}
		return 0
	})
	return order
}
