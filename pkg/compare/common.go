package compare

import (
	"math"

	"rainhill/pkg/stats"
)

// cutToCommonLaps leaves out laps that only some trials ran, where one side's trials are
// longer than another's as a rule: laps change within a trial as it warms and its battery
// fades, and a longer trial's mean has more of that. It looks at lap numbers only.
func (c *comparison) cutToCommonLaps() {
	from, to := math.Inf(-1), math.Inf(1)
	var centres []stats.Sample
	for _, s := range c.sides {
		var x []float64
		for _, t := range s.Trials {
			last := len(t.Laps) - 1
			from, to = max(from, t.number(0)), min(to, t.number(last))
			x = append(x, (t.number(0)+t.number(last))/2)
		}
		centres = append(centres, stats.SampleOf(x))
	}
	if !unlike(centres) {
		return
	}
	if to-from < 2 {
		c.doubt("trials of one side are longer than those of another and share fewer than three lap numbers: a fade within a trial would look like a difference")
		return
	}
	cut := 0
	for i := range c.sides {
		for k := range c.sides[i].Trials {
			cut += c.sides[i].Trials[k].cut(from, to)
		}
	}
	c.doubt("trials of one side are longer than those of another: only laps %.0f to %.0f, which all have, are compared; %d are left out", from, to, cut)
}

// unlike reports whether some sides' trials are centred more than a lap apart, and by more
// than their own scatter explains.
func unlike(centres []stats.Sample) bool {
	for i, a := range centres {
		for _, b := range centres[:i] {
			apart := math.Abs(a.Mean - b.Mean)
			se := stats.Welch(a, b).SE // NaN with one trial: then any lap counts
			if apart > 1 && !(apart < 2.5*se) {
				return true
			}
		}
	}
	return false
}

func (o *Outing) cut(from, to float64) (cut int) {
	var laps, numbers, order []float64
	for i, y := range o.Laps {
		n := o.number(i)
		if n < from || n > to {
			cut++
			continue
		}
		laps, numbers = append(laps, y), append(numbers, n)
		if len(o.Order) == len(o.Laps) {
			order = append(order, o.Order[i])
		}
	}
	if len(laps) > 0 {
		o.Laps, o.Number, o.Order = laps, numbers, order
		o.Left += cut
	}
	return cut
}
