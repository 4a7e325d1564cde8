package motor_test

import (
	"math"
	"testing"

	"rainhill/pkg/motor"
	"rainhill/testdata/reference"
)

// A08 to A13: NIST StRD, linear least squares (Norris, NoInt1, Wampler1, Wampler3,
// Longley, Filip); the sources stand beside the cases.
func TestLeastSquaresAgreesWithNIST(t *testing.T) {
	powers := func(from, to int) func(testing.TB, string) [][]float64 {
		return func(t testing.TB, file string) (rows [][]float64) {
			for _, v := range reference.Column(t, file, "x") {
				var row []float64
				for p := from; p <= to; p++ {
					row = append(row, math.Pow(v, float64(p)))
				}
				rows = append(rows, row)
			}
			return rows
		}
	}
	for _, c := range []struct {
		id, file, y string
		from        int
		rows        func(testing.TB, string) [][]float64
	}{
		{"A08", "Norris.csv", "y", 0, powers(0, 1)}, {"A09", "NoInt1.csv", "y", 1, powers(1, 1)},
		{"A10", "Wampler1.csv", "y", 0, powers(0, 5)}, {"A11", "Wampler3.csv", "y", 0, powers(0, 5)},
		{"A12", "Longley.csv", "y_TOTEMP", 0, longley}, {"A13", "Filip.csv", "y", 0, powers(0, 10)},
	} {
		t.Run(c.id, func(t *testing.T) {
			ref, y := reference.Load(t, c.id), reference.Column(t, c.file, c.y)
			x := c.rows(t, c.file)
			fit, err := motor.LeastSquares(x, y, nil)
			if err != nil {
				t.Fatal(err)
			}
			checkLinear(t, ref, fit, y, c.from)
		})
	}
}

func longley(t testing.TB, file string) (rows [][]float64) {
	for range reference.Column(t, file, "y_TOTEMP") {
		rows = append(rows, []float64{1})
	}
	for _, name := range []string{"x1_GNPDEFL", "x2_GNP", "x3_UNEMP", "x4_ARMED", "x5_POP", "x6_YEAR"} {
		for i, v := range reference.Column(t, file, name) {
			rows[i] = append(rows[i], v)
		}
	}
	return rows
}

// checkLinear holds a fit to all that a case says of it. from is the number of its
// first coefficient: a fit without intercept begins at B1.
func checkLinear(t *testing.T, c *reference.Case, fit motor.Linear, y []float64, from int) {
	got := map[string][]float64{"residual df": {float64(fit.DF)}, "residual SS": {fit.RSS}, "residual SD": {math.Sqrt(fit.RSS / float64(fit.DF))}}
	var mean, total, ts float64
	for _, v := range y {
		mean += v / float64(len(y))
	}
	if from == 1 {
		mean = 0
	}
	for _, v := range y {
		total += (v - mean) * (v - mean)
	}
	got["R2"] = []float64{1 - fit.RSS/total}
	regressors := float64(len(y) - fit.DF - 1 + from)
	got["F"] = []float64{(total - fit.RSS) / regressors / (fit.RSS / float64(fit.DF))}
	for j, b := range fit.B {
		name := "B" + string(rune('0'+j+from))
		if j+from == 10 {
			name = "B10"
		}
		got[name], got["se("+name+")"] = []float64{b}, []float64{fit.U(j)}
		ts = b / fit.U(j)
		got["t of each coefficient"] = append(got["t of each coefficient"], ts)
	}
	for _, e := range c.Expected {
		c.Check(t, e.Name, got[e.Name]...)
	}
}

func TestLeastSquaresRefuses(t *testing.T) {
	for name, x := range map[string][][]float64{
		"twice the same": {{1, 1}, {2, 2}, {3, 3}}, "nothing in a column": {{1, 0}, {2, 0}, {3, 0}}, "too few rows": {{1, 2, 3, 4}}, "none": nil,
	} {
		y := make([]float64, len(x))
		if _, err := motor.LeastSquares(x, y, nil); err == nil {
			t.Errorf("%s was fitted", name)
		}
	}
}
