package coast

import (
	"gonum.org/v1/gonum/stat/distuv"
)

// Unlike runs: bearings warm up, a hand's push tilts a bogie, a draught blows. If runs
// are then fitted by one set of terms, the instants' own scatter is not all that makes
// these uncertain.

// unlikely is below what chance runs are taken to differ from each other.
const unlikely = 0.01

// differ reports whether the runs want each an a of its own, beyond what instants scatter:
// by the F test of the fit in which each has, or the chi-squared one where the
// uncertainty of instants is stated.
func (f *fit) differ(r []float64, rows [][]float64, df float64) bool {
	n, more := len(f.courses), float64(len(f.courses)-1)
	if n < 3 || df <= more && !f.stated {
		return false
	}
	wide := make([][]float64, len(rows))
	row := 0
	for k, c := range f.courses {
		for range c.t {
			for j := range terms {
				if f.used[j] {
					wide[row] = append(wide[row], rows[row][j])
				}
			}
			own := make([]float64, n-1)
			if k > 0 {
				own[k-1] = rows[row][A]
			}
			wide[row] = append(wide[row], own...)
			row++
		}
	}
	l, err := solve(wide, r)
	if err != nil {
		return false
	}
	less := 0.0
	for i := range wide {
		off := r[i] - dot(wide[i], l.b)
		less += off * off
	}
	gain := dot(r, r) - less
	if f.stated {
		return distuv.ChiSquared{K: more}.Survival(gain) < unlikely
	}
	return distuv.F{D1: more, D2: df - more}.Survival(gain/more/(less/(df-more))) < unlikely
}

// jackknife is the covariance of the terms from how they change when a run is left out
// (Tukey 1958, as in Efron and Tibshirani, An Introduction to the Bootstrap, chapter 11,
// from memory); ok is false where they cannot be told without one of the runs.
func (f *fit) jackknife(r []float64, rows [][]float64) (out [terms][terms]float64, ok bool) {
	n := float64(len(f.courses))
	var without [][terms]float64
	var mean [terms]float64
	from := 0
	for _, c := range f.courses {
		to := from + len(c.t)
		x, y := append(append([][]float64{}, rows[:from]...), rows[to:]...), append(append([]float64{}, r[:from]...), r[to:]...)
		from = to
		b, err := bounded(x, y, f.used, anything())
		if err != nil {
			return out, false
		}
		without = append(without, b)
		for j := range b {
			mean[j] += b[j] / n
		}
	}
	for _, b := range without {
		for j := range b {
			for k := range b {
				out[j][k] += (n - 1) / n * (b[j] - mean[j]) * (b[k] - mean[k])
			}
		}
	}
	return out, true
}
