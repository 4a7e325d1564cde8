package gum_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/gum"
	"rainhill/pkg/passage"
	"rainhill/pkg/unit"
)

func drawMatrix(t *rapid.T, label string, rows, columns int) [][]float64 {
	m := make([][]float64, rows)
	for i := range m {
		m[i] = rapid.SliceOfN(rapid.Float64Range(-10, 10), columns, columns).Draw(t, label)
	}
	return m
}

func times(a, b [][]float64) [][]float64 {
	m := make([][]float64, len(a))
	for i := range a {
		m[i] = make([]float64, len(b[0]))
		for j := range m[i] {
			for k := range b {
				m[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return m
}

// A model in two stages is as uncertain as the same model in one.
func TestPropagationInStages(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 4).Draw(t, "inputs")
		first, second := drawMatrix(t, "first", 3, n), drawMatrix(t, "second", 2, 3)
		in := gum.Independent(rapid.SliceOfN(rapid.Float64Range(0, 5), n, n).Draw(t, "u")...)
		between, err := gum.Propagate(first, in)
		if err != nil {
			t.Fatal(err)
		}
		staged, err := gum.Propagate(second, between)
		if err != nil {
			t.Fatal(err)
		}
		atOnce, err := gum.Propagate(times(second, first), in)
		if err != nil {
			t.Fatal(err)
		}
		scale := 1 + atOnce[0][0] + atOnce[1][1]
		for k := range staged {
			for l := range staged {
				if !(math.Abs(staged[k][l]-atOnce[k][l]) <= 1e-6*scale) || !(math.Abs(staged[k][l]-staged[l][k]) <= 1e-6*scale) {
					t.Fatalf("entry %d,%d: %g in stages, %g at once", k, l, staged[k][l], atOnce[k][l])
				}
			}
		}
		if r := staged.R(0, 1); math.Abs(r) > 1 { // NaN when one is certain
			t.Fatalf("correlation %g", r)
		}
	})
}

// Central differences of a polynomial of the second degree are exact.
func TestSensitivitiesOfAPolynomial(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SliceOfN(rapid.Float64Range(-10, 10), 4, 4).Draw(t, "coefficients")
		x := rapid.SliceOfN(rapid.Float64Range(-10, 10), 2, 2).Draw(t, "x")
		f := func(x []float64) []float64 {
			return []float64{c[0]*x[0] + c[1]*x[0]*x[0] + c[2]*x[0]*x[1], c[3] * x[1]}
		}
		step := rapid.SampledFrom([]float64{0, 0.1}).Draw(t, "step")
		s, err := gum.Sensitivities(f, x, []float64{0.5, step})
		if err != nil {
			t.Fatal(err)
		}
		want := [][]float64{{c[0] + 2*c[1]*x[0] + c[2]*x[1], c[2] * x[0]}, {0, c[3]}}
		if step == 0 { // certain
			want[0][1], want[1][1] = 0, 0
		}
		for k := range want {
			for i := range want[k] {
				if !(math.Abs(s[k][i]-want[k][i]) <= 1e-9*(1+math.Abs(want[k][i]))) {
					t.Fatalf("dy%d/dx%d = %g, want %g", k, i, s[k][i], want[k][i])
				}
			}
		}
	})
}

// Simulation: correlated inputs drawn at random and put through the model
// scatter as the law says. 3 % is four standard errors of an SD of 10000 draws.
func TestLawAgainstDraws(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	mix := [][]float64{{3, 0, 1}, {1, 2, 0}} // length and time share a cause
	speed := func(x []float64) []float64 { return []float64{(5000 + x[0]) / (20 + x[1]/1000)} }
	in := propagate(t, mix, gum.Independent(1, 1, 1))
	s := sensitivities(t, speed, []float64{0, 0}, []float64{in.U(0), in.U(1)})
	want := propagate(t, s, in).U(0)
	var sum, squares float64
	const n = 10000
	for range n {
		z := [][]float64{{rng.NormFloat64()}, {rng.NormFloat64()}, {rng.NormFloat64()}}
		x := times(mix, z)
		d := speed([]float64{x[0][0], x[1][0]})[0] - 250
		sum, squares = sum+d, squares+d*d
	}
	if sd := math.Sqrt(squares/n - sum*sum/n/n); !(math.Abs(sd/want-1) <= 0.03) {
		t.Errorf("speeds scatter by %g, the law says %g", sd, want)
	}
}

// The length of the circuit is common to all speeds on it: it cancels in their
// ratio, whatever its uncertainty, and all but cancels in a small difference.
func TestCommonLengthCancels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length, uLength := 5000.0, rapid.Float64Range(0, 50).Draw(t, "uLength")
		t1, t2 := rapid.Float64Range(5, 60).Draw(t, "t1"), rapid.Float64Range(5, 60).Draw(t, "t2")
		ut := rapid.Float64Range(0.001, 0.1).Draw(t, "ut")
		v1, v2 := length/t1, length/t2
		speeds, err := gum.Propagate([][]float64{{1 / t1, -v1 / t1, 0}, {1 / t2, 0, -v2 / t2}}, gum.Independent(uLength, ut, ut))
		if err != nil {
			t.Fatal(err)
		}
		got, err := gum.Propagate([][]float64{{1 / v2, -v1 / (v2 * v2)}, {1, -1}}, speeds)
		if err != nil {
			t.Fatal(err)
		}
		ratio := v1 / v2 * math.Hypot(ut/t1, ut/t2)
		if !(math.Abs(got.U(0)/ratio-1) <= 1e-4) {
			t.Fatalf("ratio of speeds is uncertain by %g, want %g", got.U(0), ratio)
		}
		difference := math.Hypot((1/t1-1/t2)*uLength, math.Hypot(v1*ut/t1, v2*ut/t2))
		if !(math.Abs(got.U(1)/difference-1) <= 1e-4) {
			t.Fatalf("difference of speeds is uncertain by %g, want %g", got.U(1), difference)
		}
	})
}

// unit may import nothing of ours, so its special cases are held to the law here.
func TestUnitKeepsTheLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, sec := rapid.Float64Range(100, 1e5).Draw(t, "mm"), rapid.Float64Range(1, 1000).Draw(t, "s")
		ul, us := rapid.Float64Range(0, 50).Draw(t, "umm"), rapid.Float64Range(0, 0.1).Draw(t, "us")
		got, err := gum.Propagate([][]float64{{1 / sec, -l / sec / sec}}, gum.Independent(ul, us))
		if err != nil {
			t.Fatal(err)
		}
		if _, u := unit.SpeedMmS(l, ul, sec, us); !(math.Abs(u-got.U(0)) <= 1e-12+1e-9*got.U(0)) {
			t.Fatalf("u(v) = %g, the law says %g", u, got.U(0))
		}
		if q := unit.QuantisationU(us); !(math.Abs(q-gum.Rectangular(us/2)) <= 1e-12*q) {
			t.Fatalf("u of a tick of %g = %g, want %g", us, q, gum.Rectangular(us/2))
		}
	})
}

// The time between two stamps: an instant is a reading and an offset. Of one
// clock the offset is the same and only its rate is left, of two it is not.
func TestStampsKeepTheLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(1, 5000)
		a := passage.Stamp{Clock: "a", UUs: u.Draw(t, "ua"), UClockUs: u.Draw(t, "uca"), USkew: 20e-6}
		us := rapid.Int64Range(0, 1e9).Draw(t, "us")
		b := passage.Stamp{Clock: "a", AtUs: us, RawUs: us, UUs: u.Draw(t, "ub"), UClockUs: a.UClockUs, USkew: a.USkew}
		between := func(instants [][]float64, in gum.Cov) float64 {
			both, err := gum.Propagate(instants, in)
			if err != nil {
				t.Fatal(err)
			}
			span, err := gum.Propagate([][]float64{{-1, 1}}, both)
			if err != nil {
				t.Fatal(err)
			}
			return span.U(0)
		}
		oneClock := between([][]float64{{1, 0, 1, 0}, {0, 1, 1, float64(us)}}, gum.Independent(a.UUs, b.UUs, a.UClockUs, a.USkew))
		if _, got := b.Since(a); !(math.Abs(got-oneClock) <= 1e-6*oneClock) {
			t.Fatalf("one clock: u = %g us, the law says %g", got, oneClock)
		}
		b.Clock, b.UClockUs = "b", u.Draw(t, "ucb")
		twoClocks := between([][]float64{{1, 0, 1, 0}, {0, 1, 0, 1}}, gum.Independent(a.UUs, b.UUs, a.UClockUs, b.UClockUs))
		if _, got := b.Since(a); !(math.Abs(got-twoClocks) <= 1e-6*twoClocks) {
			t.Fatalf("two clocks: u = %g us, the law says %g", got, twoClocks)
		}
	})
}

func TestWhatCannotBeReckoned(t *testing.T) {
	square := gum.Independent(1, 2)
	for want, call := range map[string]func() error{
		"output 1 has 1 sensitivities": func() error { _, err := gum.Propagate([][]float64{{1, 1}, {1}}, square); return err },
		"row 1 of the covariance":      func() error { _, err := gum.Propagate([][]float64{{1, 1}}, gum.Cov{{1, 0}, {0}}); return err },
		"figure 0 has 1 readings":      func() error { _, _, err := gum.OfMeans([]float64{1}); return err },
		"figure 1 has 3 readings":      func() error { _, _, err := gum.OfMeans([]float64{1, 2}, []float64{1, 2, 3}); return err },
		"2 inputs and 1 steps": func() error {
			_, err := gum.Sensitivities(func(x []float64) []float64 { return x }, []float64{1, 2}, []float64{1})
			return err
		},
	} {
		if err := call(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one that says %q", err, want)
		}
	}
	for _, c := range [][2][]float64{{{1}, {}}, {{1}, {0}}, {{1}, {-3}}, {{1}, {math.NaN()}}, {{math.NaN()}, {5}}} {
		if uc, df := gum.Combine(c[0], c[1]); !math.IsNaN(uc) || !math.IsNaN(df) {
			t.Errorf("Combine(%v, %v) = %g, %g, want NaN", c[0], c[1], uc, df)
		}
	}
	for _, df := range []float64{0, 0.9, -4, math.NaN()} {
		if k := gum.Coverage(0.95, df); !math.IsNaN(k) {
			t.Errorf("coverage factor of %g degrees of freedom: %g, want NaN", df, k)
		}
	}
	if r := gum.Independent(0, 2).R(0, 1); !math.IsNaN(r) {
		t.Errorf("correlation with a certain figure: %g, want NaN", r)
	}
	inf := math.Inf(1)
	if uc, df := gum.Combine([]float64{0, 3, 4}, []float64{2, inf, inf}); uc != 5 || df != inf {
		t.Errorf("Combine of what is well known: %g, %g, want 5, infinite", uc, df)
	}
	if uc, df := gum.Combine(nil, nil); uc != 0 || df != inf {
		t.Errorf("Combine of nothing: %g, %g, want 0, infinite", uc, df)
	}
	if uc, df := gum.Combine([]float64{0}, []float64{5}); uc != 0 || df != inf {
		t.Errorf("Combine of a certain figure: %g, %g, want 0, infinite", uc, df)
	}
	if u := (gum.Cov{{-1e-20}}).U(0); u != 0 {
		t.Errorf("a variance below 0 by rounding: u = %g, want 0", u)
	}
	// Small figures do not lose their degrees of freedom.
	if uc, df := gum.Combine([]float64{3e-100, 4e-100}, []float64{9, inf}); !near(uc, 5e-100) || !near(df, 9*math.Pow(5./3, 4)) {
		t.Errorf("small figures: %g, %g, want 5e-100, %g", uc, df, 9*math.Pow(5./3, 4))
	}
}
