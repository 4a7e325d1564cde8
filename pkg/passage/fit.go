package passage

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

const (
	leastFit  = 6   // strokes, for a fit to be better than the first of them
	farOut    = 4.5 // standard deviations: such a stroke is another's
	mostOut   = 2   // strokes left out so
	evenRough = 1.5 // times the jitter: up to here chance, and the pattern's own error, may be all
	mostRough = 2.0 // beyond, the train did not run evenly
)

// Fit is the front of a passage by all its strokes.
type Fit struct {
	Us, UUs float64 // instant from the first stroke, and its standard uncertainty
	// Own means that the front's own stroke agrees.
	Own bool
}

// Fit places the front of a whole passage by the instants of all its strokes, in
// microseconds from the first. A train may change its speed evenly over the gate,
// so instants are fitted as a quadratic in the pattern's shares by least squares;
// up to two that lie far out are left out. The pattern's own error is much the
// same in successive laps and not in the uncertainty. ok is false where the strokes are not
// those of the pattern, or do not lie as evenly as the jitter says.
func (p Pattern) Fit(us []float64, jitterUs float64) (f Fit, ok bool) {
	if !p.Known() || len(us) != len(p.Share) || len(us) < leastFit || !(jitterUs > 0) {
		return f, false
	}
	out := make([]bool, len(us))
	for n := len(us); ; n-- {
		front, root, rest := p.quadratic(us, out, n)
		worst, most := -1, farOut*jitterUs
		for i, r := range rest {
			if !out[i] && math.Abs(r) > most {
				worst, most = i, math.Abs(r)
			}
		}
		if worst < 0 {
			var sum float64
			for i, r := range rest {
				if !out[i] {
					sum += r * r
				}
			}
			rough := math.Sqrt(sum/float64(n)) / jitterUs
			u := jitterUs * root
			if rough > evenRough {
				u *= rough
			}
			return Fit{front, u, !out[0]}, rough <= mostRough
		}
		if n == len(us)-mostOut || n == leastFit {
			return f, false
		}
		out[worst] = true
	}
}

// quadratic fits those n strokes that are not left out: the front, the root of
// its variance factor, and what is left of every stroke, freed of its own weight
// in the fit.
func (p Pattern) quadratic(us []float64, out []bool, n int) (front, root float64, rest []float64) {
	a, b := mat.NewDense(n, 3, nil), mat.NewVecDense(n, nil)
	k := 0
	for i, s := range p.Share {
		if !out[i] {
			a.SetRow(k, []float64{1, s, s * s})
			b.SetVec(k, us[i])
			k++
		}
	}
	var normal, inverse mat.Dense
	normal.Mul(a.T(), a)
	if inverse.Inverse(&normal) != nil {
		return math.NaN(), math.NaN(), nil
	}
	var by, x mat.VecDense
	by.MulVec(a.T(), b)
	x.MulVec(&inverse, &by)
	rest = make([]float64, len(us))
	for i, s := range p.Share {
		row := mat.NewVecDense(3, []float64{1, s, s * s})
		r := us[i] - mat.Dot(row, &x)
		if !out[i] {
			r /= math.Sqrt(max(1-mat.Inner(row, &inverse, row), 0.05))
		}
		rest[i] = r
	}
	return x.AtVec(0), math.Sqrt(inverse.At(0, 0)), rest
}
