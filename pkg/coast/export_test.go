package coast

// BackFromRest is the speed of a train some way before it comes to stand, and how long
// before.
func BackFromRest(p [4]float64, wayM float64) (v, seconds float64) {
	at := last(0)
	if !at.back(p, leg{lengthM: wayM}) {
		return -1, -1
	}
	return at.v, -at.t
}

// Changes are how the time from the first instant to the last changes with a, b, c, curve
// and the speed at the last.
func Changes(p [4]float64, track Track, v float64, places []float64) (t float64, by [5]float64) {
	r := Run{}
	for i, x := range places {
		r.Instants = append(r.Instants, Instant{AtM: x, AtS: float64(i)})
	}
	c := newCourse(r, track, func(Instant) float64 { return 1 })
	c.vEnd = v
	c.roll(p)
	return c.places[0].t, c.places[0].dt
}

// Quadratic fits y = a + b v + c v2 by the fit's own linear least squares.
func Quadratic(v, y []float64) (b []float64, inverse [][]float64, err error) {
	x := make([][]float64, len(v))
	for i := range v {
		x[i] = []float64{1, v[i], v[i] * v[i]}
	}
	l, err := solve(x, y)
	return l.b, l.inverse, err
}

// Unified and Accepted are the interval near 0 and what it turns round.
var (
	Unified  = unified
	Accepted = accepted
)

// Share is the part of the train on arcs with its front at to, running from from.
func (t Track) Share(from, to float64) float64 {
	way := 1.0
	if to < from {
		way = -1
	}
	at, _ := t.share(from, to, way)
	return at
}
