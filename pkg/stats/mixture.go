package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Mixture is an estimate that goes by something not known, such as how far laps follow
// one another: contrasts, each with how much speaks for it. Weights add up to 1.
type Mixture struct {
	Of     []Contrast
	Weight []float64
}

// Below is the probability that the truth lies below x.
func (m Mixture) Below(x float64) (p float64) {
	for i, c := range m.Of {
		if m.Weight[i] > 1e-9 {
			p += m.Weight[i] * TBelow((x-c.Value)/c.SE, c.DF)
		}
	}
	return p
}

// Interval is the interval with as much of the truth on either side, at a confidence such
// as 0.95; NaN where some contrast has no scatter.
func (m Mixture) Interval(confidence float64) (lo, hi float64) {
	return m.quantile(0.5 - confidence/2), m.quantile(0.5 + confidence/2)
}

// quantile goes by Newton's steps, kept between bounds.
func (m Mixture) quantile(p float64) float64 {
	lo, hi, x := math.Inf(1), math.Inf(-1), 0.
	z := distuv.UnitNormal.Quantile(p)
	for i, c := range m.Of {
		if m.Weight[i] > 1e-9 {
			reach := (c.SE + 1e-300) * (1 + math.Abs(z)) * 1e4 / min(1, c.DF)
			lo, hi = min(lo, c.Value-reach), max(hi, c.Value+reach)
			x += m.Weight[i] * (c.Value + 1.2*z*c.SE)
		}
	}
	for range 100 {
		miss := m.Below(x) - p
		switch {
		case math.Abs(miss) < 1e-9:
			return x
		case miss < 0:
			lo = x
		default:
			hi = x
		}
		next := x - miss/m.density(x)
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		x = next
	}
	return x
}

func (m Mixture) density(x float64) (d float64) {
	for i, c := range m.Of {
		if m.Weight[i] > 1e-9 {
			d += m.Weight[i] * distuv.StudentsT{Mu: c.Value, Sigma: c.SE, Nu: c.DF}.Prob(x)
		}
	}
	return d
}

// Value is the mean of what the contrasts say.
func (m Mixture) Value() (value float64) {
	for i, c := range m.Of {
		value += m.Weight[i] * c.Value
	}
	return value
}

// P is the two-sided P of "the truth is 0".
func (m Mixture) P() float64 {
	b := m.Below(0)
	return min(1, 2*min(b, 1-b))
}

// Equivalence is the P of "the truth lies outside -margin..margin".
func (m Mixture) Equivalence(margin float64) float64 {
	return max(m.Below(-margin), 1-m.Below(margin))
}
