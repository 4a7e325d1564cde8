package pull_test

import (
	"fmt"
	"math"
	"testing"

	"rainhill/pkg/pull"
	"rainhill/testdata/reference"
)

func tallies(x, n, k []float64) (out []pull.Tally) {
	for i := range x {
		out = append(out, pull.Tally{X: x[i], N: n[i], Moves: k[i]})
	}
	return out
}

func numbers(t *testing.T, c *reference.Case, names ...string) (out [][]float64) {
	for _, name := range names {
		var x []float64
		c.Input(t, name, &x)
		out = append(out, x)
	}
	return out
}

func fit(t *testing.T, link pull.Link, ts []pull.Tally) pull.Fit {
	t.Helper()
	f, err := pull.MaximumLikelihood(link, ts)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// C01: Bliss 1935, logistic, published by glmlab's manual and computed with R's glm.
func TestBeetlesLogit(t *testing.T) {
	c := reference.Load(t, "C01")
	in := numbers(t, c, "x_log10_dose", "n", "killed")
	ts := tallies(in[0], in[1], in[2])
	f := fit(t, pull.Logit, ts)
	c.Check(t, "intercept", f.A)
	c.Check(t, "slope", f.B)
	c.Check(t, "se(intercept)", math.Sqrt(f.VarA))
	c.Check(t, "se(slope)", math.Sqrt(f.VarB))
	c.Check(t, "deviance", f.Deviance)
	c.Check(t, "df", float64(len(ts)-2))
	c.Check(t, "LD50", f.At(0))
	c.Check(t, "se(LD50) delta", f.UAt(0))
	c.Check(t, "LD90", f.At(math.Log(9)))
	c.Check(t, "se(LD90)", f.UAt(math.Log(9)))
	lo, hi, ok := f.Fieller(0)
	if !ok {
		t.Fatal("no Fieller interval")
	}
	c.Check(t, "Fieller 95% for LD50", lo, hi)
}

// C02, C03: the same beetles with the other two shapes, computed with R's glm.
func TestBeetlesOtherShapes(t *testing.T) {
	for id, link := range map[string]pull.Link{"C02": pull.Probit, "C03": pull.CLogLog} {
		c := reference.Load(t, id)
		in := numbers(t, c, "x_log10_dose", "n", "killed")
		f := fit(t, link, tallies(in[0], in[1], in[2]))
		c.Check(t, "intercept", f.A)
		c.Check(t, "slope", f.B)
		c.Check(t, "se(intercept)", math.Sqrt(f.VarA))
		c.Check(t, "se(slope)", math.Sqrt(f.VarB))
		c.Check(t, "deviance", f.Deviance)
		c.Check(t, "coefficients and deviance in Dobson", f.A, f.B, f.Deviance)
		c.Check(t, "df", float64(len(in[0])-2))
		if id == "C02" {
			c.Check(t, "LD50", f.At(0))
			c.Check(t, "se(LD50)", f.UAt(0))
		} else {
			c.Check(t, "LD50", f.At(math.Log(math.Ln2)))
		}
	}
}

// C04: an up-and-down sequence of 25, Hamada, Mang and Hoff 2019, Quality Engineering, Table 1.
func TestUpAndDownProbit(t *testing.T) {
	c := reference.Load(t, "C04")
	in := numbers(t, c, "h", "y")
	var ts []pull.Tally
	for i, h := range in[0] {
		ts = append(ts, pull.Tally{X: math.Log10(h), N: 1, Moves: in[1][i]})
	}
	f := fit(t, pull.Probit, ts)
	c.Leave(t, "b0", "printed from a fit that had not come to rest (2e-6 off): the converged one is compared")
	c.Leave(t, "b1", "the same")
	if math.Abs(f.A+20.77376) > 1e-4 || math.Abs(f.B-13.56263) > 1e-4 {
		t.Errorf("b0 %v, b1 %v, printed -20.77376 and 13.56263", f.A, f.B)
	}
	c.Check(t, "mu = -b0/b1", f.At(0))
	c.Check(t, "sigma = 1/b1", 1/f.B)
	c.Check(t, "H50 = 10^mu", math.Pow(10, f.At(0)))
	c.Check(t, "b0 fully converged", f.A)
	c.Check(t, "b1 fully converged", f.B)
	c.Check(t, "se(b0)", math.Sqrt(f.VarA))
	c.Check(t, "se(b1)", math.Sqrt(f.VarB))
	c.Check(t, "H50", math.Pow(10, f.At(0)))
	c.Check(t, "se(mu) delta", f.UAt(0))
	c.Check(t, "deviance", f.Deviance)
	c.Check(t, "logit mu", fit(t, pull.Logit, ts).At(0))
}

// C05: Dixon and Mood's moments of the same sequence. They want equal steps and a normal
// shape, and the product has maximum likelihood for the same data: out of scope. What they
// give is used from outside: the fit lies within half a standard uncertainty of them.
func TestDixonMoodAgrees(t *testing.T) {
	c, seq := reference.Load(t, "C05"), reference.Load(t, "C04")
	in := numbers(t, seq, "h", "y")
	for _, e := range seq.Expected {
		seq.Leave(t, e.Name, "compared in TestUpAndDownProbit")
	}
	var ts []pull.Tally
	for i, h := range in[0] {
		ts = append(ts, pull.Tally{X: math.Log10(h), N: 1, Moves: in[1][i]})
	}
	f := fit(t, pull.Probit, ts)
	for _, e := range c.Expected {
		c.Leave(t, e.Name, "out of scope: moments of equal steps; maximum likelihood is held against the two means")
		var mean float64
		if e.Name != "go: mean log10" && e.Name != "no-go: mean log10" {
			continue
		}
		if _, err := fmt.Sscan(string(e.Value), &mean); err != nil {
			t.Fatal(err)
		}
		if math.Abs(f.At(0)-mean) > f.UAt(0) {
			t.Errorf("%s is %v, the fit has %v, more than %v away", e.Name, mean, f.At(0), f.UAt(0))
		}
	}
}

// C06: skrmdb's documentation, USDA Center for Veterinary Biologics Statistics. The first
// set rises: its shares of failures fall.
func TestSpearmanKarber(t *testing.T) {
	c := reference.Load(t, "C06")
	for name, key := range map[string]string{"a.ed50": "a", "b.ed50": "b_decreasing"} {
		var in struct{ X, N, Y []float64 }
		c.Input(t, key, &in)
		share := make([]float64, len(in.Y))
		for i := range share {
			if share[i] = in.Y[i] / in.N[i]; key == "a" {
				share[i] = 1 - share[i]
			}
		}
		got, ok := pull.SpearmanKarber(in.X, share)
		if !ok {
			t.Fatal("the ends are 1 and 0")
		}
		c.Check(t, name, got)
	}
	if _, ok := pull.SpearmanKarber([]float64{1, 2}, []float64{0.9, 0}); ok {
		t.Error("shares that do not begin with 1 have no mean limit")
	}
}

// C07: USEPA and US Army Corps of Engineers, dredged-material testing manual, Appendix L.
func TestCrossingByInterpolation(t *testing.T) {
	c := reference.Load(t, "C07")
	var cl, ml, cu, mu float64
	c.Input(t, "CL", &cl)
	c.Input(t, "CU", &cu)
	c.Input(t, "ML_percent", &ml)
	c.Input(t, "MU_percent", &mu)
	got, ok := pull.Crossing([]float64{cl, cu}, []float64{1 - ml/100, 1 - mu/100}, 0.5)
	if !ok {
		t.Fatal("50 lies between")
	}
	c.Check(t, "LC50", got)
}

// C08: Firth 1993, by hand: a penalised saturated fit adds half to each cell.
func TestFirthSeparatedByHand(t *testing.T) {
	c := reference.Load(t, "C08")
	in := numbers(t, c, "x", "y")
	var ts []pull.Tally
	for i, x := range in[0] {
		ts = append(ts, pull.Tally{X: x, N: 1, Moves: in[1][i]})
	}
	f, err := pull.Firth(ts)
	if err != nil {
		t.Fatal(err)
	}
	c.Check(t, "intercept = log(0.5/5.5)", f.A)
	c.Check(t, "slope = 2 log 11", f.B)
	c.Check(t, "se(slope) from information at the estimate", math.Sqrt(f.VarB))
	c.Check(t, "se(intercept)", math.Sqrt(f.VarA))
	c.Leave(t, "ordinary ML", "must be told, not a number")
	if _, err := pull.MaximumLikelihood(pull.Logit, ts); err == nil {
		t.Error("a separated fit by maximum likelihood must be refused")
	}
}

// C09: made data, brglm2 0.9, checked there with scipy. Slips are failures.
func TestFirthSeparatedPulls(t *testing.T) {
	c := reference.Load(t, "C09")
	in := numbers(t, c, "load", "n", "slips")
	f, err := pull.Firth(tallies(in[0], in[1], in[2]))
	if err != nil {
		t.Fatal(err)
	}
	c.Check(t, "intercept", f.A)
	c.Check(t, "slope", f.B)
	c.Check(t, "se(intercept)", math.Sqrt(f.VarA))
	c.Check(t, "se(slope)", math.Sqrt(f.VarB))
	c.Check(t, "load at 50%", f.At(0))
}

// C10: made data, R's glm and brglm2.
func TestFirthAgainstMaximumLikelihood(t *testing.T) {
	c := reference.Load(t, "C10")
	in := numbers(t, c, "load", "n", "slips")
	ts := tallies(in[0], in[1], in[2])
	f := fit(t, pull.Logit, ts)
	c.Check(t, "ML intercept", f.A)
	c.Check(t, "ML slope", f.B)
	c.Check(t, "ML 50% load", f.At(0))
	c.Check(t, "ML se(50% load) delta", f.UAt(0))
	g, err := pull.Firth(ts)
	if err != nil {
		t.Fatal(err)
	}
	c.Check(t, "Firth intercept", g.A)
	c.Check(t, "Firth slope", g.B)
}

// C11: R's help of isoreg, and Iso::pava.
func TestRising(t *testing.T) {
	c := reference.Load(t, "C11")
	y := numbers(t, c, "y1")[0]
	ones := make([]float64, len(y))
	for i := range ones {
		ones[i] = 1
	}
	c.Check(t, "fit(y1)", pull.Rising(y, ones)...)
	var in struct{ K, N []float64 }
	c.Input(t, "weighted", &in)
	ts := make([]pull.Tally, len(in.K))
	for i := range ts { // failures rise, so successes fall
		ts[i] = pull.Tally{X: float64(i), N: in.N[i], Moves: in.N[i] - in.K[i]}
	}
	steps := pull.Steps(ts)
	for i := range steps {
		steps[i] = 1 - steps[i]
	}
	c.Check(t, "fit of k/n with weights n", steps...)
}
