package motor

import "math"

// Pair is how far two driver sets would run apart, each drawing the same load alone.
type Pair struct {
	A, B     int // of the drives given
	At       []Interval
	WorstAbs float64 // the greatest best value of At, either way; NaN when there is none
}

// Pairs is the desync of every two drives at every throttle, (b - a)/mean, b after a
// in the list. Each draws the same share of the train of c, whose own sets do not
// matter beyond their number.
func Pairs(c Config, drives []Drive, o Options) ([]Pair, error) {
	share := max(1, len(c.Sets))
	c.Sets = drives[:min(len(drives), 1)]
	if err := c.check(); err != nil {
		return nil, err
	}
	d, n := newDice(o.Draws, o.Seed), o.Draws
	speeds := make([][]series, len(drives))
	for i, drive := range drives {
		one := c
		one.Sets = []Drive{drive}
		if err := one.check(); err != nil {
			return nil, err
		}
		speeds[i] = make([]series, len(o.Duties))
		for j := range o.Duties {
			speeds[i][j] = newSeries(n)
		}
		for k := -1; k < n; k++ {
			p := one.point(d, k)
			part := 1 / float64(share)
			p.massKg, p.a, p.b, p.c, p.arc = p.massKg*part, p.a*part, p.b*part, p.c*part, p.arc*part
			for j, duty := range o.Duties {
				speeds[i][j].put(k, p.balance(duty, c.Lap.Mean))
			}
		}
	}
	var out []Pair
	for i := range drives {
		for j := i + 1; j < len(drives); j++ {
			out = append(out, pair(i, j, speeds[i], speeds[j]))
		}
	}
	return out, nil
}

func pair(i, j int, a, b []series) Pair {
	p := Pair{A: i, B: j, WorstAbs: math.NaN()}
	for t := range a {
		x := newSeries(len(a[t].draws))
		x.best = desync(a[t].best, b[t].best)
		for k := range x.draws {
			x.draws[k] = desync(a[t].draws[k], b[t].draws[k])
		}
		p.At = append(p.At, x.interval())
		if v := math.Abs(x.best); !(v <= p.WorstAbs) && !math.IsNaN(v) {
			p.WorstAbs = v
		}
	}
	return p
}

// desync of speeds a and b, NaN where one stands.
func desync(a, b float64) float64 {
	if !(a > 0 && b > 0) {
		return math.NaN()
	}
	return (b - a) / ((a + b) / 2)
}
