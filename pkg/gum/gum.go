// Package gum answers "how uncertain is a figure reckoned from uncertain
// figures?": the law of propagation for correlated inputs and several outputs,
// the degrees of freedom of the result and its coverage factor. Clauses are
// those of JCGM 100:2008, the GUM, numbered from memory unless a reference case
// names them. Where the uncertain figures come from is not in it, nor terms of
// the second order.
package gum

import (
	"fmt"
	"math"

	"rainhill/pkg/stats"
)

// Cov is a covariance matrix of some figures: entry i,j is u(x_i, x_j), entry
// i,i the square of the standard uncertainty of x_i (GUM 5.2.2).
type Cov [][]float64

// Independent is the covariance of figures that have nothing in common, from
// their standard uncertainties.
func Independent(u ...float64) Cov {
	c := square(len(u))
	for i, v := range u {
		c[i][i] = v * v
	}
	return c
}

// OfMeans is the means of figures read together, rows[i] the readings of figure
// i, and the covariance of the means (GUM 4.2.3 and 5.2.3, eq. 17):
//
//	s(q, r) = sum (q_k - q)(r_k - r) / (n(n-1))
func OfMeans(rows ...[]float64) (means []float64, c Cov, err error) {
	for i, r := range rows {
		if len(r) < 2 || len(r) != len(rows[0]) {
			return nil, nil, fmt.Errorf("covariance of means: figure %d has %d readings, want as many as figure 0 and at least 2", i, len(r))
		}
		means = append(means, stats.Mean(r))
	}
	c = square(len(rows))
	for i, q := range rows {
		for j, r := range rows {
			for k := range q {
				c[i][j] += (q[k] - means[i]) * (r[k] - means[j])
			}
			c[i][j] /= float64(len(q)) * float64(len(q)-1)
		}
	}
	return means, c, nil
}

func square(n int) Cov {
	c := make(Cov, n)
	for i := range c {
		c[i] = make([]float64, n)
	}
	return c
}

// U is the standard uncertainty of figure i.
func (c Cov) U(i int) float64 { return math.Sqrt(max(c[i][i], 0)) } // below 0 by rounding only

// R is the correlation of figures i and j (GUM 5.2.2, eq. 14), -1 to 1; NaN when
// one of them is certain.
func (c Cov) R(i, j int) float64 {
	u := c.U(i) * c.U(j)
	if u == 0 {
		return math.NaN()
	}
	return min(max(c[i][j]/u, -1), 1)
}

// Propagate is the covariance of outputs from that of the inputs, s[k][i] being
// the sensitivity of output k to input i, dy_k/dx_i (GUM 5.2.2, eq. 13, for one
// output; H.2.3, eq. H.9, for several):
//
//	u(y_k, y_l) = sum over i, j of s[k][i] s[l][j] u(x_i, x_j)
func Propagate(s [][]float64, c Cov) (Cov, error) {
	for k, row := range s {
		if len(row) != len(c) {
			return nil, fmt.Errorf("propagating: output %d has %d sensitivities, want one for each of %d inputs", k, len(row), len(c))
		}
	}
	for i, row := range c {
		if len(row) != len(c) {
			return nil, fmt.Errorf("propagating: row %d of the covariance has %d entries, want %d", i, len(row), len(c))
		}
	}
	out := square(len(s))
	for k := range s {
		for l := range s {
			for i := range c {
				for j := range c {
					out[k][l] += s[k][i] * s[l][j] * c[i][j]
				}
			}
		}
	}
	return out, nil
}

// Sensitivities is dy/dx at x of each figure that f gives, by central
// differences with a step for each input, most aptly its standard uncertainty
// (GUM 5.1.3, note 2). An input whose step is 0 is certain, and 0 is said of it.
func Sensitivities(f func(x []float64) []float64, x, step []float64) ([][]float64, error) {
	if len(x) != len(step) {
		return nil, fmt.Errorf("sensitivities: %d inputs and %d steps", len(x), len(step))
	}
	s := make([][]float64, len(f(x)))
	for k := range s {
		s[k] = make([]float64, len(x))
	}
	at := append([]float64(nil), x...)
	for i, h := range step {
		if h == 0 {
			continue
		}
		at[i] = x[i] + h
		above := f(at)
		at[i] = x[i] - h
		below := f(at)
		at[i] = x[i]
		for k := range s {
			s[k][i] = (above[k] - below[k]) / (2 * h)
		}
	}
	return s, nil
}

// Combine is the combined standard uncertainty of independent contributions
// u_i = |dy/dx_i| u(x_i) (GUM 5.1.2, eq. 10) and its effective degrees of freedom
// (Welch and Satterthwaite, GUM G.4.1, eq. G.2b), those of the contributions
// being positive or infinite:
//
//	uc^2 = sum u_i^2,  df = uc^4 / sum (u_i^4 / df_i)
//
// df is infinite when no contribution with finite df counts. Both are NaN when
// the lists differ in length, a df is not positive or a u is not a number.
func Combine(u, df []float64) (uc, effective float64) {
	if len(u) != len(df) {
		return math.NaN(), math.NaN()
	}
	var squares, rest float64
	for i, v := range u {
		if !(df[i] > 0) {
			return math.NaN(), math.NaN()
		}
		squares += v * v
	}
	for i, v := range u {
		share := v * v / squares
		rest += share * share / df[i]
	}
	if squares == 0 {
		return 0, math.Inf(1)
	}
	return math.Sqrt(squares), 1 / rest
}

// Coverage is the factor k by which a standard uncertainty with df degrees of
// freedom is multiplied for an interval of level p, 0 to 1: Student's t, df cut
// down to a whole number (GUM G.4.1, note 1, and Table G.2). NaN for df below 1.
func Coverage(p, df float64) float64 {
	return stats.TQuantile(0.5+p/2, math.Floor(df))
}

// Rectangular is the standard uncertainty a/sqrt(3) of a figure that lies
// anywhere within a to either side alike (GUM 4.3.7); a reading of resolution q
// has a = q/2 (F.2.2.1).
func Rectangular(a float64) float64 { return a / math.Sqrt(3) }

// Triangular is the standard uncertainty a/sqrt(6) of a figure that lies within
// a to either side, the middle likeliest (GUM 4.3.9), as does the difference of
// two with resolution a.
func Triangular(a float64) float64 { return a / math.Sqrt(6) }
