package passage

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

const (
	leastFit   = 6   // strokes, for a fit to be better than the first of them
	farOut     = 3.8 // standard deviations: such a stroke is another's
	evenTo     = 10  // strokes: fewer do not tell a change of speed from a stroke that is not theirs
	mostOut    = 2   // strokes left out so
	evenRough  = 1.5 // times the jitter: up to here chance, and the pattern's own error, may be all
	leastWhite = 0.5 // share of the scatter that neighbours must show
	mostRough  = 2.0 // beyond, the train did not run evenly
)

// pair is a stroke, in microseconds from the first, and the share of the pattern
// that it is.
type pair struct{ share, us float64 }

// fitted is the front f by all strokes that are known to be the pattern's, the
// front's first. A train may change its speed evenly over the gate, so instants
// are fitted as a quadratic in the shares by least squares; up to two that lie far
// out are left out. The pattern's own error is much the same in successive laps and
// not in the uncertainty. f stays what it is where the strokes are few or do not
// lie as evenly as the jitter says. Fewer than ten strokes are fitted by a line.
func (f Front) fitted(of []pair, jitterUs float64) Front {
	if len(of) < leastFit || !(jitterUs > 0) {
		return f
	}
	out := make([]bool, len(of))
	for n := len(of); ; n-- {
		front, root, raw, rest := polynomial(of, out, n)
		worst, most := -1, farOut*jitterUs
		for i, r := range rest {
			if !out[i] && math.Abs(r) > most {
				worst, most = i, math.Abs(r)
			}
		}
		if worst < 0 {
			ms, _ := scatter(rest, out)
			_, white := scatter(raw, out)
			rough := math.Sqrt(ms) / jitterUs
			u := jitterUs * root
			if rough > evenRough {
				u *= rough
			}
			if rough <= mostRough && white > leastWhite*ms {
				f.Us, f.UUs, f.Fitted, f.Own = front, u, true, !out[0]
			}
			return f
		}
		if n == len(of)-mostOut || n < leastFit {
			return f
		}
		out[worst] = true
	}
}

// scatter is the mean square of what is left of the strokes, and the same by the
// differences of neighbours alone (von Neumann 1941), which is much less where the
// train, and not the gate, was uneven.
func scatter(rest []float64, out []bool) (ms, white float64) {
	var n, steps float64
	last := math.NaN()
	for i, r := range rest {
		if out[i] {
			continue
		}
		n++
		ms += r * r
		if !math.IsNaN(last) {
			steps++
			white += (r - last) * (r - last) / 2
		}
		last = r
	}
	return ms / n, white / steps
}

// terms is the share's powers that an instant is fitted by.
func terms(of []pair, share float64) []float64 {
	if len(of) < evenTo {
		return []float64{1, share}
	}
	return []float64{1, share, share * share}
}

// polynomial fits those n strokes that are not left out: the front, the root of
// its variance factor, and what is left of every stroke, as it is and freed of its
// own weight in the fit.
func polynomial(of []pair, out []bool, n int) (front, root float64, raw, rest []float64) {
	a, b := mat.NewDense(n, len(terms(of, 0)), nil), mat.NewVecDense(n, nil)
	k := 0
	for i, x := range of {
		if !out[i] {
			a.SetRow(k, terms(of, x.share))
			b.SetVec(k, x.us)
			k++
		}
	}
	var normal, inverse mat.Dense
	normal.Mul(a.T(), a)
	if inverse.Inverse(&normal) != nil {
		return math.NaN(), math.NaN(), nil, nil
	}
	var by, x mat.VecDense
	by.MulVec(a.T(), b)
	x.MulVec(&inverse, &by)
	raw, rest = make([]float64, len(of)), make([]float64, len(of))
	for i, one := range of {
		row := mat.NewVecDense(len(terms(of, 0)), terms(of, one.share))
		r := one.us - mat.Dot(row, &x)
		raw[i] = r
		if !out[i] {
			r /= math.Sqrt(max(1-mat.Inner(row, &inverse, row), 0.05))
		}
		rest[i] = r
	}
	return x.AtVec(0), math.Sqrt(inverse.At(0, 0)), raw, rest
}
