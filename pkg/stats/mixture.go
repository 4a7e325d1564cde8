package stats

import "math"

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

func (m Mixture) quantile(p float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, c := range m.Of {
		if m.Weight[i] > 1e-9 {
			q := c.Value + TQuantile(p, c.DF)*c.SE
			lo, hi = min(lo, q), max(hi, q)
		}
	}
	for range 50 {
		mid := (lo + hi) / 2
		if m.Below(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
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
