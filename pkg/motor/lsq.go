package motor

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Linear is a weighted least-squares fit y = X b: Inverse is (X'WX)^-1, which times
// the variance of a value of weight 1 is the covariance of B; RSS the weighted sum of
// squared residuals, DF the rows less the columns.
type Linear struct {
	B       []float64
	Inverse [][]float64
	RSS     float64
	DF      int
}

// LeastSquares fits y to the columns of x, a row each, by weights w (nil: all 1),
// by Householder QR of the columns brought to length 1, with one refinement of the
// result. It fails with fewer rows than columns, or when a column tells nothing that
// the others do not.
func LeastSquares(x [][]float64, y, w []float64) (Linear, error) {
	n := len(y)
	if n == 0 || len(x) != n || len(x[0]) == 0 || n < len(x[0]) {
		return Linear{}, fmt.Errorf("least squares: %d values and %d rows are too few or do not belong together", n, len(x))
	}
	p := len(x[0])
	a, b, scale := mat.NewDense(n, p, nil), mat.NewDense(n, 1, nil), make([]float64, p)
	for i := range n {
		root := 1.0
		if w != nil {
			root = math.Sqrt(w[i])
		}
		for j, v := range x[i] {
			a.Set(i, j, root*v)
			scale[j] = math.Hypot(scale[j], root*v)
		}
		b.Set(i, 0, root*y[i])
	}
	for j := range p {
		if scale[j] == 0 {
			return Linear{}, fmt.Errorf("least squares: column %d is 0 throughout", j)
		}
		for i := range n {
			a.Set(i, j, a.At(i, j)/scale[j])
		}
	}
	return solve(a, b, scale)
}

func solve(a, b *mat.Dense, scale []float64) (Linear, error) {
	n, p := a.Dims()
	var qr mat.QR
	qr.Factorize(a)
	if !(qr.Cond() < 1e15) {
		return Linear{}, fmt.Errorf("least squares: a column tells nothing that the others do not (condition %.1g)", qr.Cond())
	}
	var z, rest, more mat.Dense
	_ = qr.SolveTo(&z, false, b) // nearly singular is what Cond above is asked about
	rest.Mul(a, &z)
	rest.Sub(b, &rest)
	_ = qr.SolveTo(&more, false, &rest)
	z.Add(&z, &more)
	rest.Mul(a, &z)
	rest.Sub(b, &rest)
	out := Linear{B: make([]float64, p), Inverse: make([][]float64, p), DF: n - p}
	for i := range n {
		out.RSS += rest.At(i, 0) * rest.At(i, 0)
	}
	var r, inv mat.Dense
	qr.RTo(&r)
	square := mat.DenseCopyOf(r.Slice(0, p, 0, p))
	one := mat.NewDense(p, p, nil)
	for j := range p {
		one.Set(j, j, 1)
	}
	_ = inv.Solve(square, one)
	for j := range p {
		out.B[j] = z.At(j, 0) / scale[j]
		out.Inverse[j] = make([]float64, p)
		for k := range p {
			for l := range p {
				out.Inverse[j][k] += inv.At(j, l) * inv.At(k, l)
			}
			out.Inverse[j][k] /= scale[j] * scale[k]
		}
	}
	return out, nil
}

// U is the standard uncertainty of B[j] when the scatter of the values is taken from
// their residuals.
func (l Linear) U(j int) float64 { return math.Sqrt(l.Inverse[j][j] * l.RSS / float64(l.DF)) }
