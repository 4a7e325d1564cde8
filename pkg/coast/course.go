package coast

import (
	"math"
	"slices"
)

// course is a run on its way to being fitted: its legs, the last first, and by instant the
// seconds since the first and the weight of a residual.
type course struct {
	run    Run
	legs   []leg
	t, w   []float64
	vEnd   float64
	places []place
}

func newCourse(r Run, track Track, weight func(Instant) float64) *course {
	c := &course{run: r, legs: track.legs(r.Instants), places: make([]place, len(r.Instants))}
	for _, i := range r.Instants {
		c.t, c.w = append(c.t, i.AtS-r.Instants[0].AtS), append(c.w, weight(i))
	}
	return c
}

// count is how many instants enter.
func (c *course) count() (n int) {
	for _, w := range c.w {
		if w > 0 {
			n++
		}
	}
	return n
}

// left are the instants less those of the course, in seconds, those that do not enter too.
func (c *course) left() []float64 {
	out := make([]float64, len(c.t))
	var sum, weights float64
	for i := range out {
		out[i] = c.t[i] - c.places[i].t
		sum, weights = sum+c.w[i]*c.w[i]*out[i], weights+c.w[i]*c.w[i]
	}
	for i := range out {
		out[i] -= sum / weights
	}
	return out
}

// wayM is the distance from the first instant to the last.
func (c *course) wayM() float64 {
	x := c.run.Instants
	return math.Abs(x[len(x)-1].AtM - x[0].AtM)
}

// parabola is a run's place over time, as a first look: its slowing, by how much a
// second of scatter puts that off, and the squares of what it leaves, in seconds.
type parabola struct {
	slowing, bySecond float64
	squares           float64
	df                int
}

// begin puts the speed at the last instant at a first guess.
func (c *course) begin() (p parabola) {
	n := len(c.t)
	way := func(i int) float64 { return math.Abs(c.run.Instants[i].AtM - c.run.Instants[0].AtM) }
	whole := c.t[n-1]
	mean := way(n-1) / whole
	x, y := make([][]float64, n), make([]float64, n)
	for i := range n {
		part := c.t[i] / whole
		x[i], y[i] = []float64{1, part, part * part}, way(i)
	}
	c.vEnd = mean
	fit, err := solve(x, y)
	if err != nil {
		return p
	}
	for i := range n {
		off := (y[i] - dot(x[i], fit.b)) / mean
		p.squares += off * off
	}
	p.df = n - 3
	p.slowing, p.bySecond = -2*fit.b[2]/whole/whole, 2*mean*math.Sqrt(fit.inverse[2][2])/whole/whole
	c.vEnd = max((fit.b[1]+2*fit.b[2])/whole, 0.1*mean)
	return p
}

// roll works out the course from its last instant back.
func (c *course) roll(p [terms]float64) bool {
	at := last(c.vEnd)
	c.places[len(c.places)-1] = at
	for _, l := range c.legs {
		if !at.back(p, l) {
			return false
		}
		if l.instant >= 0 {
			c.places[l.instant] = at
		}
	}
	return true
}

// residuals are the instants less those of the course, weighted, with its start instant
// where it makes their squares least.
func (c *course) residuals() (r []float64, squares float64) {
	r = c.left()
	for i := range r {
		r[i] *= c.w[i]
	}
	return r, dot(r, r)
}

// centre takes the weighted mean away and weights what is left.
func (c *course) centre(x []float64) {
	var sum, weights float64
	for i := range x {
		sum, weights = sum+c.w[i]*c.w[i]*x[i], weights+c.w[i]*c.w[i]
	}
	for i := range x {
		x[i] = c.w[i] * (x[i] - sum/weights)
	}
}

// column is how the instants change with a variable, centred and weighted.
func (c *course) column(j int) []float64 {
	x := make([]float64, len(c.t))
	for i := range x {
		x[i] = c.places[i].dt[j]
	}
	c.centre(x)
	return x
}

// settle seeks the speed at the last instant that explains the run best with the given
// terms; ok is false when there is none.
func (c *course) settle(p [terms]float64) (squares float64, ok bool) {
	if !c.roll(p) {
		return 0, false
	}
	r, squares := c.residuals()
	for range 40 {
		g := c.column(terms)
		step := dot(r, g) / dot(g, g)
		from, places := c.vEnd, slices.Clone(c.places)
		if math.IsNaN(step) || math.Abs(step) < 1e-12*from {
			break
		}
		better := false
		for range 20 {
			c.vEnd = max(from+step, from/4)
			if c.roll(p) {
				next, less := c.residuals()
				if less <= squares {
					better = squares-less > 1e-14*squares
					r, squares = next, less
					break
				}
			}
			step /= 4
			c.vEnd = from
		}
		if !better {
			if c.vEnd == from {
				copy(c.places, places)
			}
			break
		}
	}
	return squares, true
}

// shift is what is left of the residuals, and of how they change with the terms, when the
// run's own speed and instant have been fitted.
func (c *course) shift() (r []float64, rows [][]float64) {
	r, _ = c.residuals()
	c.withoutSpeed(r)
	rows = make([][]float64, len(r))
	for i := range rows {
		rows[i] = make([]float64, terms)
	}
	for j := range terms {
		x := c.column(j)
		c.withoutSpeed(x)
		for i := range x {
			rows[i][j] = x[i]
		}
	}
	return r, rows
}

// withoutSpeed takes from x what another speed at the last instant would do as well.
func (c *course) withoutSpeed(x []float64) {
	g := c.column(terms)
	part := dot(x, g) / dot(g, g)
	for i := range x {
		x[i] -= part * g[i]
	}
}

func dot(a, b []float64) (sum float64) {
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}
