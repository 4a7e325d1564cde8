package coast

import (
	"math"

	"rainhill/pkg/stats"
)

// Stray instants, a false crossing or another axle's, are left one after the other as long
// as the worst lies where the worst of so many would in one of a hundred such sets: by the
// scatter of all the others (Student's t of externally studentised residuals, the limit by
// Bonferroni; Cook and Weisberg, Residuals and Influence in Regression, 2.2, from memory,
// leverage left out of it, which only makes it slower to leave one).

// sparedDF is how many degrees of freedom are not given away for that.
const sparedDF = 4

// leaveStray leaves the worst instant; false when there is none to leave.
func (f *fit) leaveStray() bool {
	df, n := f.freedom()
	if df < sparedDF || f.strays >= 1+n/10 {
		return false
	}
	r, _ := f.rows()
	chi, worst, at, of := dot(r, r), 0.0, -1, (*course)(nil)
	for _, c := range f.courses {
		off, _ := c.residuals()
		for i, x := range off {
			if math.Abs(x) > worst && c.count() > leastInstants {
				worst, at, of = math.Abs(x), i, c
			}
		}
	}
	rest := (chi - worst*worst) / (df - 1)
	if of == nil || worst <= stats.TQuantile(1-0.005/float64(n), df-1)*math.Sqrt(max(rest, 0)) {
		return false
	}
	of.w[at] = 0
	f.strays++
	return true
}

// freedom is the degrees of freedom of n instants.
func (f *fit) freedom() (df float64, n int) {
	for _, c := range f.courses {
		n += c.count()
	}
	df = float64(n - 2*len(f.courses))
	for _, u := range f.used {
		if u {
			df--
		}
	}
	return df, n
}
