package clock

// LeastSquares is the fit without wander, with equal noise and no belief about the
// skew: intercept at t = 0 and slope. Seconds.
func LeastSquares(t, z []float64) (intercept, slope float64, varSlope float64) {
	pts := make([]point, len(t))
	for i := range t {
		pts[i] = point{t: t[i], z: z[i]}
	}
	e := model{least: 1, prior: 1e6}.track(pts)
	return e.x - e.y*t[len(t)-1], e.y, e.yy
}

// Most is how many exchanges are kept.
const Most = most
