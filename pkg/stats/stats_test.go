package stats_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/stats"
	"rainhill/testdata/reference"
)

// numAcc is the series of NIST StRD NumAcc2 to NumAcc4 by their rule: one base
// .2, then 500 times the pair .1, .3.
func numAcc(first, low, high float64) []float64 {
	x := []float64{first}
	for range 500 {
		x = append(x, low, high)
	}
	return x
}

// The sources of the cases stand beside them in testdata/reference/cases:
// NIST Statistical Reference Datasets, univariate summary statistics.
func TestSummariseAgreesWithNIST(t *testing.T) {
	column := func(file string) func(testing.TB, *reference.Case) []float64 {
		return func(t testing.TB, _ *reference.Case) []float64 { return reference.Column(t, file, "y") }
	}
	for id, series := range map[string]func(testing.TB, *reference.Case) []float64{
		"A01": func(t testing.TB, c *reference.Case) (y []float64) { c.Input(t, "y", &y); return y },
		"A02": func(testing.TB, *reference.Case) []float64 { return numAcc(1.2, 1.1, 1.3) },
		"A03": func(testing.TB, *reference.Case) []float64 { return numAcc(1000000.2, 1000000.1, 1000000.3) },
		"A04": column("Mavro.csv"),
		"A05": column("Michelso.csv"),
		"A06": column("Lottery.csv"),
		"A07": column("PiDigits.csv"),
	} {
		t.Run(id, func(t *testing.T) {
			c := reference.Load(t, id)
			x := series(t, c)
			var n int
			if c.Input(t, "n", &n); n != len(x) {
				t.Fatalf("the series has %d values, want %d", len(x), n)
			}
			checkSummary(t, c, stats.Summarise(x))
		})
	}
}

func checkSummary(t *testing.T, c *reference.Case, s stats.Summary) {
	got := map[string]float64{
		"mean": s.Mean, "sd (n-1)": s.SD, "lag-1 autocorrelation": s.Lag1, "cv = sd/mean": s.CV, "median": s.Median,
		"mad_raw = median|y-median|": s.MAD, "min": s.Min, "max": s.Max, "range": s.Range,
		"q25 (type 7, linear between order statistics)": s.Q25, "q75 (type 7)": s.Q75,
		"trend.slope (y on index 1..n)": s.Trend.Slope, "trend.se_slope": s.Trend.SE, "trend.t": s.Trend.T,
		"trend.df": s.Trend.DF, "trend.p two-sided": s.Trend.P,
	}
	for _, e := range c.Expected {
		v, ok := got[e.Name]
		if !ok {
			t.Fatalf("nothing here gives %q", e.Name)
		}
		c.Check(t, e.Name, v)
	}
}

// NIST StRD NumAcc4, from memory and exact by its rule: mean 10000000.2, SD 0.1,
// lag-1 -0.999. The tolerance of the SD is what the rounding of the values
// themselves to a double allows.
func TestSummariseKeepsScatterAtTenMillion(t *testing.T) {
	s := stats.Summarise(numAcc(10000000.2, 10000000.1, 10000000.3))
	for _, c := range []struct {
		name, tol string
		got, want float64
	}{
		{"mean", "rel 1e-14", s.Mean, 10000000.2},
		{"sd", "rel 2e-8", s.SD, 0.1},
		{"lag1", "abs 1e-6", s.Lag1, -0.999},
	} {
		if !reference.Within(t, c.tol, c.got, c.want) {
			t.Errorf("NumAcc4 %s: got %.17g, want %.17g (%s)", c.name, c.got, c.want, c.tol)
		}
	}
}

// A23: one value, two values, a constant series; undefined is not 0.
func TestSummariseOfTooLittle(t *testing.T) {
	c := reference.Load(t, "A23")
	sum := func(name string) stats.Summary {
		var x []float64
		c.Input(t, name, &x)
		return stats.Summarise(x)
	}
	one, two, constant := sum("one"), sum("two"), sum("constant")
	c.Check(t, "one.mean", one.Mean)
	c.Check(t, "two.mean", two.Mean)
	c.Check(t, "two.sd", two.SD)
	c.Check(t, "two.cv", two.CV)
	c.Check(t, "constant.sd", constant.SD)
	c.Check(t, "constant.trend slope", constant.Trend.Slope)
	for name, v := range map[string]float64{"one.sd": one.SD, "constant.r1": constant.Lag1, "constant.trend t": constant.Trend.T} {
		c.Leave(t, name, "must be NaN")
		if !math.IsNaN(v) {
			t.Errorf("%s: got %g, want NaN", name, v)
		}
	}
	for name, v := range map[string]float64{
		"one.CV": one.CV, "one.Lag1": one.Lag1, "one.NEffective": one.NEffective, "one.Slope": one.Trend.Slope,
		"two.SE": two.Trend.SE, "two.Lo": two.Trend.Lo, "two.P": two.Trend.P, "two.DF": two.Trend.DF,
		"constant.NEffective": constant.NEffective, "constant.P": constant.Trend.P,
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s: got %g, want NaN", name, v)
		}
	}
	if two.Trend.Slope < 0.2-1e-12 || two.Trend.Slope > 0.2+1e-12 {
		t.Errorf("two.Slope: got %g, want 0.2", two.Trend.Slope)
	}
}

func TestSummariseOfNothingAndNonsense(t *testing.T) {
	for name, x := range map[string][]float64{"none": nil, "NaN": {1, math.NaN(), 2}, "infinite": {1, math.Inf(1)}} {
		s := stats.Summarise(x)
		if s.N != len(x) || !math.IsNaN(s.Mean) || !math.IsNaN(s.Min) || !math.IsNaN(s.Trend.Slope) || s.BestIndex != -1 {
			t.Errorf("%s: got %+v, want all NaN and BestIndex -1", name, s)
		}
	}
	if s := stats.Summarise([]float64{3, 1, 2, 1}); s.BestIndex != 1 {
		t.Errorf("BestIndex = %d, want 1, the first of equals", s.BestIndex)
	}
}

// A08, NIST StRD linear least squares, dataset Norris.
func TestSlopeAgreesWithNIST(t *testing.T) {
	c := reference.Load(t, "A08")
	x, y := reference.Column(t, "Norris.csv", "x"), reference.Column(t, "Norris.csv", "y")
	slope, se := stats.Slope(x, y)
	c.Check(t, "B1", slope)
	c.Check(t, "se(B1)", se)
	c.Check(t, "residual df", float64(len(x)-2))
	for _, name := range []string{"B0", "se(B0)", "residual SD", "R2", "residual SS", "F", "t of each coefficient"} {
		c.Leave(t, name, "Slope gives the slope alone")
	}
}

func TestSlopeHasNoneToGive(t *testing.T) {
	for name, in := range map[string][2][]float64{
		"unlike lengths": {{1, 2}, {1}}, "one point": {{1}, {1}}, "one instant": {{2, 2, 2}, {1, 2, 3}},
		"not finite": {{1, 2, math.NaN()}, {1, 2, 3}},
	} {
		if slope, se := stats.Slope(in[0], in[1]); !math.IsNaN(slope) || !math.IsNaN(se) {
			t.Errorf("%s: got %g, %g, want NaN", name, slope, se)
		}
	}
	// An hour of instants in seconds since 1970 must not spoil a slope.
	tt := []float64{1.7e9, 1.7e9 + 0.125, 1.7e9 + 0.25, 1.7e9 + 0.375}
	if slope, se := stats.Slope(tt, []float64{0, 50, 100, 150}); math.Abs(slope-400) > 1e-9 || se > 1e-6 {
		t.Errorf("slope %.12g, se %g, want 400, 0", slope, se)
	}
}

// D06: GUM Table G.2, and the wider table computed with scipy.
func TestTQuantileAgreesWithGUM(t *testing.T) {
	c := reference.Load(t, "D06")
	k := func(coverage, df float64) float64 { return stats.TQuantile(0.5+coverage/2, df) }
	c.Check(t, "nu=16: k95, k95.45, k99", k(0.95, 16), k(0.9545, 16), k(0.99, 16))
	c.Check(t, "nu=inf: k95.45", k(0.9545, math.Inf(1)))
	c.Leave(t, "table file", "compared row by row here")
	rows := 0
	for name, cells := range reference.Table(t, "coverage_t.csv") {
		percent, ok := strings.CutPrefix(name, "p")
		if !ok {
			continue
		}
		coverage := parse(t, percent) / 100
		for i, cell := range cells {
			nu := parse(t, reference.Table(t, "coverage_t.csv")["nu"][i])
			want := parse(t, cell)
			rows++
			// The table prints nine decimals.
			if got := k(coverage, nu); math.Abs(got-want) > 1e-8*max(1, want) {
				t.Errorf("k%s of nu=%g: got %.9f, want %.9f", percent, nu, got, want)
			}
		}
	}
	if rows == 0 {
		t.Error("the table is empty")
	}
}

func TestTQuantileEdges(t *testing.T) {
	for _, in := range [][2]float64{{0.5, 0}, {0.5, -1}, {-0.1, 5}, {1.1, 5}, {math.NaN(), 5}, {0.5, math.NaN()}} {
		if got := stats.TQuantile(in[0], in[1]); !math.IsNaN(got) {
			t.Errorf("TQuantile(%g, %g) = %g, want NaN", in[0], in[1], got)
		}
	}
	if lo, hi := stats.TQuantile(0, 5), stats.TQuantile(1, 5); !math.IsInf(lo, -1) || !math.IsInf(hi, 1) {
		t.Errorf("ends are %g and %g, want -Inf and +Inf", lo, hi)
	}
}

func TestMeanIntervalOfTooLittle(t *testing.T) {
	if m, lo, _, u := stats.MeanInterval([]float64{4}); m != 4 || !math.IsNaN(lo) || !math.IsNaN(u) {
		t.Errorf("one value: mean %g, lo %g, u %g, want 4, NaN, NaN", m, lo, u)
	}
	if m, lo, hi, u := stats.MeanInterval([]float64{9.81, 9.81, 9.81}); m != 9.81 || lo != m || hi != m || u != 0 {
		t.Errorf("constant: %g %g %g %g, want 9.81 with no width", m, lo, hi, u)
	}
}

// Simulation: how often the interval holds the true mean, for series that
// follow themselves with autocorrelation rho. The least coverage is what the
// doc comment promises, less three standard errors of 1000 repeats.
func TestMeanIntervalCovers(t *testing.T) {
	for _, c := range []struct {
		rho   float64
		n     int
		least float64
	}{{0, 6, 0.95}, {0, 20, 0.95}, {0.3, 10, 0.92}, {0.3, 50, 0.93}, {0.6, 20, 0.91}} {
		rng, hits := rand.New(rand.NewPCG(1, uint64(c.n))), 0
		for range 1000 {
			_, lo, hi, _ := stats.MeanInterval(autoregression(rng, c.n, c.rho))
			if lo <= 0 && 0 <= hi {
				hits++
			}
		}
		share := float64(hits) / 1000
		if slack := 3 * math.Sqrt(c.least*(1-c.least)/1000); share < c.least-slack || share > 0.99 {
			t.Errorf("rho %g, n %d: covers %.3f, want about %.2f", c.rho, c.n, share, c.least)
		}
	}
}

func autoregression(rng *rand.Rand, n int, rho float64) []float64 {
	x := make([]float64, n)
	at := rng.NormFloat64()
	for i := range x {
		x[i] = at
		at = rho*at + math.Sqrt(1-rho*rho)*rng.NormFloat64()
	}
	return x
}

func TestSummaryProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 60).Draw(t, "x")
		before := slices.Clone(x)
		s := stats.Summarise(x)
		if !slices.Equal(x, before) {
			t.Fatal("Summarise changed its input")
		}
		ordered := []float64{s.Min, s.Q25, s.Median, s.Q75, s.Max}
		if !slices.IsSorted(ordered) || s.Mean < s.Min || s.Mean > s.Max {
			t.Fatalf("out of order: %v, mean %g", ordered, s.Mean)
		}
		if s.NEffective > float64(s.N) {
			t.Fatalf("n effective %g of %d", s.NEffective, s.N)
		}
		if x[s.BestIndex] != s.Min {
			t.Fatalf("best is %g, least is %g", x[s.BestIndex], s.Min)
		}
	})
}

func TestEffectiveN(t *testing.T) {
	// n(1-r)/(1+r) by hand.
	for _, c := range []struct {
		n       int
		r, want float64
	}{{10, 0, 10}, {10, -0.4, 10}, {30, 0.5, 10}, {12, 0.2, 8}} {
		if got := stats.EffectiveN(c.n, c.r); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("EffectiveN(%d, %g) = %g, want %g", c.n, c.r, got, c.want)
		}
	}
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
