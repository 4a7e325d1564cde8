package gum_test

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"rainhill/pkg/gum"
	"rainhill/testdata/reference"
)

// numbers reads a list in which "inf" may stand.
type numbers []float64

func (n *numbers) UnmarshalJSON(b []byte) error {
	var cells []json.RawMessage
	if err := json.Unmarshal(b, &cells); err != nil {
		return err
	}
	for _, c := range cells {
		v, err := strconv.ParseFloat(strings.Trim(string(c), `"`), 64)
		if err != nil {
			return err
		}
		*n = append(*n, v)
	}
	return nil
}

func diagonal(c gum.Cov) (u []float64) {
	for i := range c {
		u = append(u, c.U(i))
	}
	return u
}

func correlations(c gum.Cov) []float64 { return []float64{c.R(0, 1), c.R(0, 2), c.R(1, 2)} }

func sensitivities(t *testing.T, f func([]float64) []float64, x, step []float64) [][]float64 {
	t.Helper()
	s, err := gum.Sensitivities(f, x, step)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func propagate(t *testing.T, s [][]float64, c gum.Cov) gum.Cov {
	t.Helper()
	out, err := gum.Propagate(s, c)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// D01: JCGM 100:2008 (GUM), Annex H.1, calibration of an end gauge.
func TestEndGauge(t *testing.T) {
	c := reference.Load(t, "D01")
	var x, u, df []float64
	for _, name := range []string{"ls_mm", "d_mm", "alphas_per_C", "theta_C", "dalpha_per_C", "dtheta_C"} {
		var in numbers
		c.Input(t, name, &in)
		x, u, df = append(x, in[0]), append(u, in[1]), append(df, in[2])
	}
	length := func(x []float64) []float64 { // in mm
		ls, d, alphas, theta, dalpha, dtheta := x[0], x[1], x[2], x[3], x[4], x[5]
		return []float64{ls + d - ls*(dalpha*theta+alphas*dtheta)}
	}
	s := sensitivities(t, length, x, u)
	var nm []float64 // contributions
	for i := range u {
		nm = append(nm, math.Abs(s[0][i])*u[i]*1e6)
	}
	uc, effective := gum.Combine(nm, df)
	k := gum.Coverage(0.99, effective)
	c.Check(t, "l mm", length(x)[0])
	c.Check(t, "contributions nm: ls, d, dalpha, dtheta", nm[0], nm[1], nm[4], nm[5])
	c.Check(t, "uc nm", uc)
	c.Check(t, "uc nm unrounded", uc)
	c.Check(t, "effective df unrounded", effective)
	c.Check(t, "effective df (truncated)", math.Floor(effective))
	c.Check(t, "k99", k)
	c.Check(t, "U99 nm", k*uc)
	c.Check(t, "U99 nm unrounded", k*uc)
	if got := propagate(t, s, gum.Independent(u...)).U(0) * 1e6; !near(got, uc) {
		t.Errorf("propagated %g nm, combined %g nm", got, uc)
	}
	// H.1.7: of a product of two figures the second order adds u(x)^2 u(y)^2.
	products := []float64{x[0] * u[4] * u[3] * 1e6, x[0] * u[2] * u[5] * 1e6}
	inf := math.Inf(1)
	second, _ := gum.Combine(append(slices.Clone(nm), products...), append(slices.Clone(df), inf, inf))
	c.Check(t, "uc with second-order terms nm", second)
}

// D02: JCGM 100:2008 (GUM), Annex H.2, resistance, reactance and impedance read
// together.
func TestResistanceReactanceImpedance(t *testing.T) {
	c := reference.Load(t, "D02")
	var volt, mA, phi []float64
	c.Input(t, "V", &volt)
	c.Input(t, "I_mA", &mA)
	c.Input(t, "phi_rad", &phi)
	ampere := make([]float64, len(mA))
	for i, v := range mA {
		ampere[i] = v / 1000
	}
	x, in, err := gum.OfMeans(volt, ampere, phi)
	if err != nil {
		t.Fatal(err)
	}
	c.Check(t, "means", x...)
	c.Check(t, "u of means", diagonal(in)...)
	c.Check(t, "r(V,I), r(V,phi), r(I,phi)", correlations(in)...)
	z := x[0] / x[1]
	r, reactance := z*math.Cos(x[2]), z*math.Sin(x[2])
	c.Check(t, "R,X,Z", r, reactance, z)
	out := propagate(t, [][]float64{
		{r / x[0], -r / x[1], -reactance},
		{reactance / x[0], -reactance / x[1], r},
		{z / x[0], -z / x[1], 0},
	}, in)
	c.Check(t, "u(R),u(X),u(Z)", diagonal(out)...)
	c.Check(t, "r(R,X),r(R,Z),r(X,Z)", correlations(out)...)
}

// D03: GUM 5.1 applied to a quotient.
func TestSpeed(t *testing.T) {
	c := reference.Load(t, "D03")
	var l, s [2]float64
	c.Input(t, "L_m", &l)
	c.Input(t, "t_s", &s)
	v := l[0] / s[0]
	u := propagate(t, [][]float64{{1 / s[0], -v / s[0]}}, gum.Independent(l[1], s[1])).U(0)
	c.Check(t, "v m/s", v)
	c.Check(t, "u(v) m/s", u)
	c.Check(t, "relative u", u/v)
}

// D04: GUM 4.3.7 and F.2.2.1.
func TestTicks(t *testing.T) {
	c := reference.Load(t, "D04")
	var tick float64
	var run struct {
		L    [2]float64 `json:"L_m"`
		T    float64    `json:"t_s"`
		Tick float64    `json:"both_stamps_tick_ms"`
	}
	c.Input(t, "tick_ms", &tick)
	c.Input(t, "speed_case", &run)
	one := gum.Rectangular(tick / 2)
	stamps := gum.Independent(one, one, one)
	laps := propagate(t, [][]float64{{-1, 1, 0}, {0, -1, 1}}, stamps)
	c.Check(t, "u of one stamp, ms = q/sqrt(12)", one)
	c.Check(t, "u of one stamp, tick 10 ms", gum.Rectangular(5))
	c.Check(t, "u of a difference of two independent stamps, ms = q/sqrt(6)", laps.U(0))
	c.Check(t, "u of a difference of two independent stamps, ms = q/sqrt(6)", gum.Triangular(tick))
	c.Check(t, "mean lap over N laps from first and last stamp: u = q/(N sqrt(6)), N=10, ms", gum.Triangular(tick)/10)
	c.Check(t, "GUM F.2.2.1 coefficient u = 0.29 times the resolution", gum.Rectangular(0.5))
	v, uT := run.L[0]/run.T, gum.Triangular(run.Tick)/1000
	c.Check(t, "v", v)
	c.Check(t, "u(v)", propagate(t, [][]float64{{1 / run.T, -v / run.T}}, gum.Independent(run.L[1], uT)).U(0))
	// The case's note: single-lap errors of consecutive laps are anticorrelated.
	if r := laps.R(0, 1); !near(r, -0.5) {
		t.Errorf("consecutive laps correlate by %g, want -0.5", r)
	}
}

// D05: GUM G.4.1.
func TestEffectiveDegreesOfFreedom(t *testing.T) {
	c := reference.Load(t, "D05")
	for _, name := range []string{"a", "b"} {
		var in struct{ U, Nu numbers }
		c.Input(t, name, &in)
		uc, df := gum.Combine(in.U, in.Nu)
		c.Check(t, name+".uc", uc)
		c.Check(t, name+".nu_eff", df)
		if name == "b" {
			c.Check(t, "b.k95 with truncated nu 8", gum.Coverage(0.95, df))
		}
	}
}

// D06: GUM Table G.2, and the wider table computed with scipy.
func TestCoverage(t *testing.T) {
	c := reference.Load(t, "D06")
	c.Check(t, "nu=16: k95, k95.45, k99", gum.Coverage(0.95, 16), gum.Coverage(0.9545, 16), gum.Coverage(0.99, 16))
	c.Check(t, "nu=inf: k95.45", gum.Coverage(0.9545, math.Inf(1)))
	c.Leave(t, "table file", "compared row by row here")
	df := reference.Column(t, "coverage_t.csv", "nu")
	for _, percent := range []string{"68.27", "90", "95", "95.45", "99", "99.73"} {
		p, err := strconv.ParseFloat(percent, 64)
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range reference.Column(t, "coverage_t.csv", "p"+percent) {
			// The table prints nine decimals.
			if got := gum.Coverage(p/100, df[i]); !(math.Abs(got-want) <= 1e-8*max(1, want)) {
				t.Errorf("k%s of %g degrees of freedom: %.9f, want %.9f", percent, df[i], got, want)
			}
		}
	}
}

func near(got, want float64) bool { return math.Abs(got-want) <= 1e-9*math.Abs(want) }
