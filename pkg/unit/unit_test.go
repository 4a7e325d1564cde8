package unit_test

import (
	"math"
	"strconv"
	"testing"

	"rainhill/pkg/unit"
	"rainhill/testdata/reference"
)

// F02: prototype speed = model speed x ratio, by definition.
func TestScaleSpeed(t *testing.T) {
	c := reference.Load(t, "F02")
	var a, b struct {
		ModelMS float64 `json:"model_m_s"`
		Ratio   float64
	}
	var run struct {
		DistanceM float64 `json:"distance_m"`
		TimeS     float64 `json:"time_s"`
		Ratio     float64
	}
	c.Input(t, "a", &a)
	c.Input(t, "b", &b)
	c.Input(t, "c", &run)
	c.Check(t, "a km/h", unit.ScaleKmH(a.ModelMS*1000, a.Ratio))
	c.Check(t, "a mph", unit.ScaleMph(a.ModelMS*1000, a.Ratio))
	c.Check(t, "b km/h", unit.ScaleKmH(b.ModelMS*1000, b.Ratio))
	v, _ := unit.SpeedMmS(run.DistanceM*1000, 0, run.TimeS, 0)
	c.Check(t, "c mph", unit.ScaleMph(v, run.Ratio))
	c.Check(t, "1 scale mph at 1:87 in mm/s", 1/unit.ScaleMph(1, 87))
}

func TestNoScaleSpeedWithoutRatio(t *testing.T) {
	for _, ratio := range []float64{0, -87, math.NaN()} {
		if k, m := unit.ScaleKmH(300, ratio), unit.ScaleMph(300, ratio); !math.IsNaN(k) || !math.IsNaN(m) {
			t.Errorf("ratio %g: %g km/h, %g mph, want NaN", ratio, k, m)
		}
	}
}

// F01: NEM 010 and NMRA S-1.2 as other texts report them.
func TestScales(t *testing.T) {
	c := reference.Load(t, "F01")
	s := map[string]unit.Scale{}
	for _, v := range unit.Scales() {
		s[v.Name] = v
	}
	c.Check(t, "H0 ratio, gauge mm", s["H0"].Ratio, s["H0"].GaugeMm)
	c.Check(t, "HO NMRA: mm per foot", unit.MmPerFoot/s["HO"].Ratio)
	c.Check(t, "HO ratio 304.8/3.5", s["HO"].Ratio)
	c.Check(t, "HO ratio", s["HO"].Ratio)
	c.Check(t, "II 1:22.5 gauge mm", s["II"].GaugeMm)
	c.Check(t, "1 1:32 gauge mm", s["1"].GaugeMm)
	c.Check(t, "Z 1:220 gauge mm", s["Z"].GaugeMm)
	c.Check(t, "N 1:160 gauge inch", inches(s["N"].GaugeMm))
	c.Check(t, "O 1:48 gauge inch", inches(s["O"].GaugeMm))
	c.Check(t, "S 1:64 gauge inch", inches(s["S"].GaugeMm))
	c.Leave(t, "TT narrow rule: H0m gauge = TT gauge, H0e = N gauge, H0i = Z gauge", "the three gauges 12, 9 and 6.5 mm")
	if s["TT"].GaugeMm != 12 || s["N"].GaugeMm != 9 || s["Z"].GaugeMm != 6.5 {
		t.Errorf("gauges of TT, N, Z: %g, %g, %g, want 12, 9, 6.5", s["TT"].GaugeMm, s["N"].GaugeMm, s["Z"].GaugeMm)
	}
}

// inches leaves out the rounding of the division itself.
func inches(mm float64) float64 { return math.Round(mm/25.4*1e9) / 1e9 }

func TestScalesAgreeWithTheTable(t *testing.T) {
	names := map[string]string{"0 (NEM)": "0", "O (NMRA)": "O", "HO (NMRA)": "HO"}
	got := map[string]unit.Scale{}
	for _, s := range unit.Scales() {
		got[s.Name] = s
	}
	table := reference.Table(t, "scales.csv")
	if len(table["name"]) != len(got) {
		t.Errorf("%d scales, the table has %d", len(got), len(table["name"]))
	}
	for i, name := range table["name"] {
		if short, ok := names[name]; ok {
			name = short
		}
		ratio, gauge := number(t, table["ratio_number"][i]), number(t, table["gauge_mm"][i])
		if s := got[name]; math.Abs(s.Ratio-ratio) > 1e-9 || s.GaugeMm != gauge {
			t.Errorf("%s is 1:%g, %g mm, want 1:%g, %g mm", name, s.Ratio, s.GaugeMm, ratio, gauge)
		}
	}
}

// D03: GUM 5.1 applied to a quotient.
func TestSpeedWithUncertainty(t *testing.T) {
	c := reference.Load(t, "D03")
	var l, s [2]float64
	c.Input(t, "L_m", &l)
	c.Input(t, "t_s", &s)
	v, u := unit.SpeedMmS(l[0]*1000, l[1]*1000, s[0], s[1])
	c.Check(t, "v m/s", v/1000)
	c.Check(t, "u(v) m/s", u/1000)
	c.Check(t, "relative u", u/v)
	for _, bad := range [][2]float64{{5000, 0}, {5000, -1}, {-1, 3}, {math.NaN(), 3}, {5000, math.NaN()}} {
		if v, u := unit.SpeedMmS(bad[0], 1, bad[1], 1); !math.IsNaN(v) || !math.IsNaN(u) {
			t.Errorf("%g mm in %g s: %g, %g, want NaN", bad[0], bad[1], v, u)
		}
	}
}

// D04: GUM 4.3.7 and F.2.2.1.
func TestQuantisation(t *testing.T) {
	c := reference.Load(t, "D04")
	var run struct {
		L    [2]float64 `json:"L_m"`
		T    float64    `json:"t_s"`
		Tick float64    `json:"both_stamps_tick_ms"`
	}
	c.Input(t, "speed_case", &run)
	one := unit.QuantisationU(1)
	two := math.Hypot(one, one)
	c.Check(t, "u of one stamp, ms = q/sqrt(12)", one)
	c.Check(t, "u of a difference of two independent stamps, ms = q/sqrt(6)", two)
	c.Check(t, "u of one stamp, tick 10 ms", unit.QuantisationU(10))
	c.Check(t, "mean lap over N laps from first and last stamp: u = q/(N sqrt(6)), N=10, ms", two/10)
	v, u := unit.SpeedMmS(run.L[0]*1000, run.L[1]*1000, run.T, run.Tick*two/1000)
	c.Check(t, "v", v/1000)
	c.Check(t, "u(v)", u/1000)
	c.Check(t, "GUM F.2.2.1 coefficient u = 0.29 times the resolution", one)
}

func TestSeconds(t *testing.T) {
	if got := unit.Seconds(1_234_567); got != 1.234567 {
		t.Errorf("Seconds(1234567) = %g, want 1.234567", got)
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
