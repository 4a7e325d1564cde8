package stats_test

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"testing"

	"rainhill/pkg/stats"
	"rainhill/testdata/reference"
)

// B07: Dobson (1983), R dataset PlantGrowth.
func TestPlantGrowthAgreesWithR(t *testing.T) {
	c := reference.Load(t, "B07")
	names := []string{"ctrl", "trt1", "trt2"}
	groups := inputs(t, c, names...)
	got := family(groups, names)
	s := []stats.Sample{stats.SampleOf(groups[0]), stats.SampleOf(groups[1]), stats.SampleOf(groups[2])}
	sd, df := stats.PooledSD(s...), 27.
	var pooled, welch []float64
	for _, k := range [][2]int{{0, 1}, {0, 2}, {1, 2}} {
		a, b := s[k[0]], s[k[1]]
		all := stats.Contrast{Value: b.Mean - a.Mean, SE: sd * math.Sqrt(1/float64(a.N)+1/float64(b.N)), DF: df}
		pooled, welch = append(pooled, all.P()), append(welch, stats.Welch(a, b).P())
	}
	got["pairwise pooled-SD t, Holm p: trt1-ctrl, trt2-ctrl, trt2-trt1"] = stats.Holm(pooled)
	got["pairwise Welch raw p (same order)"], got["pairwise Welch Holm p"] = welch, stats.Holm(welch)
	beyond, every, _ := stats.PermuteMeans(groups[0], groups[2])
	got["permutation ctrl/trt2 count"] = []float64{float64(beyond), float64(every)}
	got["permutation ctrl/trt2 exact p (|mean diff|>=obs)"] = []float64{float64(beyond) / float64(every)}
	beyond, every, _ = stats.PermuteMeans(groups[0], groups[1])
	got["permutation ctrl/trt1 exact p"] = []float64{float64(beyond) / float64(every)}
	two := stats.Pooled(s[0], s[2])
	g, lo, hi := stats.Hedges(two.T(), math.Sqrt(5), two.DF)
	d := two.Value / stats.PooledSD(s[0], s[2])
	got["hedges_g trt2-ctrl (exact gamma J)"], got["hedges_g ci95 noncentral t"] = []float64{g}, []float64{lo, hi}
	got["cohen_d trt2-ctrl"] = []float64{d}
	w := stats.Welch(s[1], s[0])
	got["tost_welch ctrl-trt1 bounds +-1: p"], got["tost_welch ci90"] = []float64{w.Equivalence(1)}, interval(w, 0.90)
	checkAll(t, c, got, map[string]string{
		"hedges_g approx J=1-3/(4df-1)":                    "ours is the exact J; the approximation is held against it below",
		"NIST-Dataplot style uncorrected g, SE, normal CI": "an uncorrected d with a normal interval: ours is corrected, its interval from noncentral t",
		"means": "compared below",
	})
	if approx := (1 - 3/(4*two.DF-1)) * d; !reference.Within(t, "rel 1e-9", approx, 0.91403776423127) || math.Abs(approx-g) > 2e-4 {
		t.Errorf("approximate g %g, exact %g", approx, g)
	}
}

// B10 and B11: SAS PROC ANOVA MEANS/TUKEY CLDIFF, recorded in scipy 1.10.1's tests.
func TestTukeyAgreesWithSAS(t *testing.T) {
	for id, pairs := range map[string][]string{"B10": {"2-3", "2-1", "3-1"}, "B11": {"2-1", "2-3", "1-3"}} {
		c := reference.Load(t, id)
		groups := inputs(t, c, "1", "2", "3")
		for _, p := range pairs {
			d := stats.TukeyKramer(int(p[2]-'1'), int(p[0]-'1'), groups...)
			lo, hi := d.Interval(0.95)
			c.Check(t, p+".diff", d.Value)
			c.Check(t, p+".ci95", lo, hi)
		}
	}
}

// B12: Hollander and Wolfe (1973), depression scale. B13: by enumeration.
func TestRankTestsAgree(t *testing.T) {
	c := reference.Load(t, "B12")
	in := inputs(t, c, "x", "y")
	d := make([]float64, len(in[0]))
	for i := range d {
		d[i] = in[0][i] - in[1][i]
	}
	r := stats.SignedRank(d)
	c.Check(t, "V", r.Statistic)
	c.Check(t, "p two-sided exact", r.Exact)
	c.Check(t, "p one-sided greater, exact", r.Exact/2) // the distribution is symmetric
	c.Check(t, "p two-sided normal with continuity", r.Normal)
	c.Check(t, "p two-sided normal without continuity", r.Plain)

	c = reference.Load(t, "B13")
	in = inputs(t, c, "x", "y")
	r = stats.MannWhitney(in[0], in[1])
	beyond, all, _ := stats.PermuteMeans(in[0], in[1])
	c.Check(t, "U (x over y)", r.Statistic)
	c.Check(t, "p two-sided exact", r.Exact)
	c.Check(t, "permutation of means exact p", float64(beyond)/float64(all))
	c.Check(t, "permutation.count", float64(beyond), float64(all))
}

// B14: Hollander and Wolfe (1973), mucociliary. B15: R dataset airquality.
func TestKruskalAgreesWithR(t *testing.T) {
	c := reference.Load(t, "B14")
	h, p := stats.KruskalWallis(inputs(t, c, "a", "b", "c")...)
	c.Check(t, "H", h)
	c.Check(t, "df", 2)
	c.Check(t, "p", p)

	c = reference.Load(t, "B15")
	groups, names := grouped(t, "airquality_ozone.csv", "Month", "Ozone")
	h, p = stats.KruskalWallis(groups...)
	c.Check(t, "H", h)
	c.Check(t, "p", p)
	u := stats.MannWhitney(groups[slices.Index(names, "5")], groups[slices.Index(names, "8")])
	c.Check(t, "mann_whitney May/Aug W", u.Statistic)
	c.Check(t, "mann_whitney p normal cc ties", u.Normal)
}

// B16: Holm's own definition (1979).
func TestHolmAgrees(t *testing.T) {
	c := reference.Load(t, "B16")
	for _, n := range []string{"p1", "p2"} {
		c.Check(t, "holm("+n+")", stats.Holm(inputs(t, c, n)[0])...)
	}
	if got := stats.Holm([]float64{0.04, math.NaN(), 0.01}); !math.IsNaN(got[1]) || got[2] != 0.03 || got[0] != 0.08 {
		t.Errorf("with a P that cannot be had: %v", got)
	}
}

// B17: the approximate J and a normal interval, from the lrstat documentation. Ours is the
// exact J with noncentral t; it must lie within what the approximations differ by.
func TestHedgesAgainstApproximation(t *testing.T) {
	c := reference.Load(t, "B17")
	one := func(name string) (x float64) { c.Input(t, name, &x); return x }
	n1, n2, m := one("n1"), one("n2"), one("n1")+one("n2")-2
	scale := math.Sqrt(n1 * n2 / (n1 + n2))
	tt := one("mean_diff") / one("pooled_sd") * scale
	c.Check(t, "t", tt)
	g, lo, hi := stats.Hedges(tt, scale, m)
	near := (1 - 3/(4*m-1)) * tt / scale
	c.Check(t, "g = (1-3/(4m-1)) d", near)
	c.Check(t, "var(g) = 1/n~ + g^2/(2m)", 1/(scale*scale)+near*near/(2*m))
	c.Leave(t, "ci95 normal", "ours is from noncentral t; within 0.08 of it, see below")
	if math.Abs(g-near) > 2e-4 || math.Abs(lo+0.675211289528568) > 0.08 || math.Abs(hi-1.37110196886442) > 0.08 {
		t.Errorf("g %g (%g to %g), approximately %g (-0.675 to 1.371)", g, lo, hi, near)
	}
}

// B18: R package equivalence::tost, recorded in statsmodels 0.13.5's tests.
func TestEquivalenceAgrees(t *testing.T) {
	c := reference.Load(t, "B18")
	in := inputs(t, c, "x", "y")
	w, s, p := less(in[0], in[1]), pooledLess(in[0], in[1]), stats.PairedMean(in[1], in[0])
	paired := stats.Contrast{Value: p.Mean, SE: p.SE, DF: p.DF}
	c.Check(t, "mean difference", w.Value)
	c.Check(t, "welch.df", w.DF)
	for name, x := range map[string]stats.Contrast{"welch": w, "pooled": s, "paired": paired} {
		c.Check(t, name+".tost_p", x.Equivalence(0.6))
		c.Check(t, name+".ci90", interval(x, 0.90)...)
		if x.Equivalence(0.6) >= 0.05 {
			t.Errorf("%s: not equivalent", name)
		}
	}
	c.Check(t, "paired.t against 0", paired.T())
	c.Leave(t, "verdict", "held above")
}

// B19: Snedecor and Cochran's leprosy trial, by R; as printed by SAS, from memory.
func TestAncovaAgreesWithR(t *testing.T) {
	c := reference.Load(t, "B19")
	pre, names := grouped(t, "leprosy.csv", "trt", "pre")
	post, _ := grouped(t, "leprosy.csv", "trt", "post")
	groups := make([]stats.Group, len(pre))
	for g := range pre {
		groups[g].Y = post[g]
		for _, x := range pre[g] {
			groups[g].X = append(groups[g].X, []float64{x})
		}
	}
	a, ok := stats.NewAncova(groups...)
	if !ok || fmt.Sprint(names) != "[A D F]" {
		t.Fatal(ok, names)
	}
	between, parallel := a.Effects(groups...)
	within := stats.Anova(post...).Within
	f := (within - a.RSS) / (a.RSS / a.DF)
	all := []float64{stats.Mean(slices.Concat(pre...))}
	means := []float64{a.Adjusted(0, all), a.Adjusted(1, all), a.Adjusted(2, all)}
	checkAll(t, c, map[string][]float64{
		"SS pre": {within - a.RSS}, "SS trt": {between.Between}, "SS residual": {a.RSS}, "F pre": {f}, "F trt": {between.F},
		"p trt": {between.P}, "p pre": {stats.FAbove(f, 1, a.DF)}, "common slope": a.Slopes, "se slope": {a.SlopeSE(0)},
		"adjusted means A,D,F": means, "residual SD": {math.Sqrt(a.RSS / a.DF)}, "slopes homogeneity F": {parallel.F},
		"slopes homogeneity p": {parallel.P}, "adjusted means as printed in SAS documentation": means,
		"F and p for drug as printed in SAS documentation": {between.F, between.P},
	}, nil)
}

// B20: R power.t.test, package pwr, Cohen (1988).
func TestPowerAgrees(t *testing.T) {
	c := reference.Load(t, "B20")
	n := func(d, power float64, sides int) []float64 {
		return []float64{stats.SampleSize(d, power, 0.05, sides, false)}
	}
	checkAll(t, c, map[string][]float64{
		"n per group, d=0.5, power 0.80": n(0.5, 0.8, 2), "n per group, d=0.5, power 0.80 (more digits)": n(0.5, 0.8, 2),
		"power, d=0.5, n=64":             {stats.Power(0.5*math.Sqrt(32), 126, 0.05, 2)},
		"n per group, d=0.8, power 0.80": n(0.8, 0.8, 2), "power, n=20 per group, delta=1, sd=1": {stats.Power(math.Sqrt(10), 38, 0.05, 2)},
		"n per group, delta=1, sd=1, power 0.90": n(1, 0.9, 2), "n per group, delta=1, sd=1, power 0.90, one-sided": n(1, 0.9, 1),
		"pairs, d=0.5, power 0.80": {stats.SampleSize(0.5, 0.8, 0.05, 2, true)},
	}, nil)
}

// B21: Bland and Altman (1986), Lancet 327, 307, Table 1.
func TestAgreementAgreesWithLancet(t *testing.T) {
	c := reference.Load(t, "B21")
	in := inputs(t, c, "wright1", "mini1", "wright2", "mini2")
	a := stats.Agree(in[1], in[0])
	lower, upper := a.Mean-2*a.SD, a.Mean+2*a.SD
	within := func(x, y []float64) float64 {
		var sum float64
		for i := range x {
			sum += (x[i] - y[i]) * (x[i] - y[i])
		}
		return math.Sqrt(sum / float64(len(x)))
	}
	checkAll(t, c, map[string][]float64{
		"mean difference": {a.Mean}, "SD of differences": {a.SD}, "SD": {a.SD}, "limits (mean +- 2 SD) as printed": {lower, upper},
		"limits 1.96 SD": {a.Lower, a.Upper}, "limits 2 SD": {lower, upper}, "ci95 of bias": {a.Lo, a.Hi},
		"SE of a limit sqrt(3 s^2/n)": {a.LimitSE}, "ci95 lower limit (2 SD)": {lower - a.LimitHalf, lower + a.LimitHalf},
		"ci95 upper limit (2 SD)":               {upper - a.LimitHalf, upper + a.LimitHalf},
		"wright repeatability 2*sqrt(mean d^2)": {2 * within(in[0], in[2])}, "mini repeatability 2*sqrt(mean d^2)": {2 * within(in[1], in[3])},
		"wright within-subject SD": {within(in[0], in[2]) / math.Sqrt2},
	}, map[string]string{"Pearson r first readings": "a correlation says nothing of agreement, as the paper shows; nothing here gives it"})
}

// B22 and B23: NIST/SEMATECH e-Handbook 1.3.5.17.1; Grubbs (1969).
func TestGrubbsAgrees(t *testing.T) {
	c := reference.Load(t, "B22")
	x := inputs(t, c, "x")[0]
	i, g, critical := stats.Grubbs(x, 0.05)
	one := stats.GrubbsCritical(len(x), 0.05, 1)
	checkAll(t, c, map[string][]float64{
		"G": {g}, "critical value one-sided": {one}, "critical value two-sided": {critical}, "critical one-sided": {one},
		"critical two-sided": {critical}, "outlier": {x[i]},
	}, nil)

	c = reference.Load(t, "B23")
	c.Leave(t, "table file", "compared row by row here")
	var table []float64
	for n := 3; n <= 20; n++ {
		table = append(table, stats.GrubbsCritical(n, 0.05, 1))
	}
	c.Check(t, "one-sided 0.05 for n = 3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20", table...)
	for i, n := range reference.Column(t, "grubbs_critical.csv", "n") {
		for col, a := range map[string]struct {
			alpha float64
			sides int
		}{"one_sided_0.05": {0.05, 1}, "two_sided_0.05": {0.05, 2}, "one_sided_0.01": {0.01, 1}, "two_sided_0.01": {0.01, 2}} {
			want := reference.Column(t, "grubbs_critical.csv", col)[i]
			if got := stats.GrubbsCritical(int(n), a.alpha, a.sides); !reference.Within(t, "rel 1e-9", got, want) {
				t.Errorf("n %g %s: %.12g, want %.12g", n, col, got, want)
			}
		}
	}
	for i, few := range [][]float64{nil, {1, 2}, {3, 3, 3}} {
		if at, _, _ := stats.Grubbs(few, 0.05); at != -1 {
			t.Errorf("case %d: an outlier at %d", i, at)
		}
	}
}

// B24: the studentised range by R's qtukey; and q(k=2) = sqrt(2) t.
func TestStudentisedRangeAgrees(t *testing.T) {
	c := reference.Load(t, "B24")
	c.Leave(t, "table file", "compared row by row here")
	for i, df := range reference.Column(t, "studentized_range_q.csv", "df") {
		for _, col := range []string{"k2_95", "k3_95", "k4_95", "k5_95", "k6_95", "k3_99"} {
			k, _ := strconv.Atoi(col[1:2])
			alpha := map[string]float64{"95": 0.05, "99": 0.01}[col[3:]]
			want := reference.Column(t, "studentized_range_q.csv", col)[i]
			if got := stats.RangeQuantile(alpha, k, df); !reference.Within(t, "rel 1e-5", got, want) {
				t.Errorf("df %g %s: %.9g, want %.9g", df, col, got, want)
			}
		}
	}
	for _, k := range []int{2, 3, 7} {
		tabled := stats.NewRanges(k)
		for _, df := range []float64{1, 2.3, 7, 40} {
			for _, q := range []float64{0.3, 1, 3, 6, 15} {
				if got, want := tabled.Above(q, df), stats.StudentisedRange(q, k, df); !reference.Within(t, "abs 2e-6", got, want) {
					t.Errorf("tabled: k %d, df %g, q %g: %.9g, want %.9g", k, df, q, got, want)
				}
			}
			if got, want := tabled.Quantile(0.05, df), stats.RangeQuantile(0.05, k, df); !reference.Within(t, "rel 1e-5", got, want) {
				t.Errorf("tabled: k %d, df %g: %.9g, want %.9g", k, df, got, want)
			}
		}
	}
	for _, df := range []float64{1, 2, 3.5, 30, math.Inf(1)} {
		got, want := stats.RangeQuantile(0.05, 2, df), math.Sqrt2*stats.TQuantile(0.975, df)
		if !reference.Within(t, "rel 1e-6", got, want) {
			t.Errorf("k 2, df %g: %.9g, want %.9g", df, got, want)
		}
	}
}
