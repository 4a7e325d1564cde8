package stats

import (
	"math"
	"strings"
	"testing"

	"rainhill/testdata/reference"
)

// TestPairedAgainstStudent holds the paired mean to Student's ten patients (1908,
// Biometrika 6), as R's t.test reckons them. The case's difference is the first drug
// less the second.
func TestPairedAgainstStudent(t *testing.T) {
	c := reference.Load(t, "B01")
	var first, second []float64
	c.Input(t, "drug1", &first)
	c.Input(t, "drug2", &second)
	p := PairedMean(second, first)
	c.Check(t, "paired.t", p.T)
	c.Check(t, "paired.df", p.DF)
	c.Check(t, "paired.p two-sided", p.P)
	c.Check(t, "paired.ci95 of difference", p.Lo, p.Hi)
	c.Check(t, "paired.se", p.SE)
	for _, e := range c.Expected {
		if !strings.HasPrefix(e.Name, "paired.") {
			c.Leave(t, e.Name, "another test than the paired t")
		}
	}
}

func TestPairedEdges(t *testing.T) {
	for _, x := range []struct {
		name   string
		a, b   []float64
		mean   float64
		lo, hi float64
	}{
		{"no pair", nil, nil, math.NaN(), math.NaN(), math.NaN()},
		{"one pair has no interval", []float64{3}, []float64{5}, 2, math.NaN(), math.NaN()},
		{"the same difference", []float64{1, 2, 3}, []float64{2, 3, 4}, 1, 1, 1},
		{"lists of unlike length", []float64{1, 2}, []float64{1}, math.NaN(), math.NaN(), math.NaN()},
		{"not finite", []float64{1, math.Inf(1)}, []float64{1, 2}, math.NaN(), math.NaN(), math.NaN()},
		// 12.706 is t(0.975, 1) of the tables: mean 2, SE 1.
		{"two pairs", []float64{0, 0}, []float64{1, 3}, 2, 2 - 12.706, 2 + 12.706},
	} {
		p := PairedMean(x.a, x.b)
		for _, v := range [][2]float64{{p.Mean, x.mean}, {p.Lo, x.lo}, {p.Hi, x.hi}} {
			if math.IsNaN(v[0]) != math.IsNaN(v[1]) || math.Abs(v[0]-v[1]) > 1e-3 {
				t.Errorf("%s: %+v", x.name, p)
			}
		}
	}
}
