package pull_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/gum"
	"rainhill/pkg/pull"
	"rainhill/testdata/reference"
)

func attempts(o pull.Outcome, loads ...float64) (as []pull.Attempt) {
	for _, g := range loads {
		as = append(as, pull.Attempt{LoadG: g, Outcome: o})
	}
	return as
}

// Separated attempts have a finite limit, by symmetry in the middle, whose interval holds
// the bracket; load95 lies below load50.
func TestSeparatedAttemptsHaveALimit(t *testing.T) {
	c := reference.Load(t, "C09") // the made data of the case, told as pulls
	in := numbers(t, c, "load", "n", "slips")
	var as []pull.Attempt
	for i, g := range in[0] {
		o := pull.Moved
		if in[2][i] > 0 {
			o = pull.Stalled
		}
		for range int(in[1][i]) {
			as = append(as, pull.Attempt{LoadG: g, Outcome: o})
		}
	}
	l := pull.Judge(as)
	for _, e := range c.Expected {
		if e.Name != "load at 50%" {
			c.Leave(t, e.Name, "compared in TestFirthSeparatedPulls")
		}
	}
	c.Check(t, "load at 50%", l.Load50.Value)
	if b := l.Bracket; b.MovedG != 200 || b.StalledG != 250 || b.Overlap {
		t.Errorf("the bracket is %+v", b)
	}
	if !(l.Load50.Lo < 207 && l.Load50.Lo > 180 && l.Load50.Hi > 243 && l.Load50.Hi < 270) {
		t.Errorf("load50 is %+v, want an interval about the bracket 200 to 250", l.Load50)
	}
	if !(l.Load95.Value < l.Load50.Value && l.Load95.Lo < l.Load95.Value) {
		t.Errorf("load95 is %+v beside load50 %+v", l.Load95, l.Load50)
	}
	if !slices.ContainsFunc(l.Doubts, func(s string) bool { return strings.Contains(s, "no load failed below one that moved") }) {
		t.Errorf("doubts: %q", l.Doubts)
	}
	if s := l.Share(225); math.Abs(s.Value-0.5) > 1e-6 || s.Lo > 0.2 || s.Hi < 0.8 {
		t.Errorf("the share at 225 g is %+v", s)
	}
}

// What cannot be told is said, and is no number.
func TestLimitsThatCannotBeTold(t *testing.T) {
	for _, c := range []struct {
		name, says string
		as         []pull.Attempt
	}{
		{"nothing", "no attempt", nil},
		{"all moved", "limit lies above", attempts(pull.Moved, 100, 200)},
		{"all stalled", "limit lies below", attempts(pull.Stalled, 100, 200)},
		{"one load", "one load alone", append(attempts(pull.Stalled, 100), attempts(pull.Moved, 100)...)},
		{"upside down", "at least as often", append(attempts(pull.Stalled, 100, 110), attempts(pull.Moved, 200, 210)...)},
		{"no load", "without a load", attempts(pull.Moved, 0, 100)},
	} {
		l := pull.Judge(c.as)
		if !math.IsNaN(l.Load50.Value) || !math.IsNaN(l.Load95.Lo) || !strings.Contains(strings.Join(l.Doubts, "; "), c.says) {
			t.Errorf("%s: %+v, doubts %q, want %q", c.name, l.Load50, l.Doubts, c.says)
		}
	}
}

// A limit in ounces is the limit in grams: nothing in the sum knows a unit.
func TestLimitsScale(t *testing.T) {
	as := append(attempts(pull.Moved, 100, 150, 180, 210), attempts(pull.Stalled, 190, 220, 260)...)
	as = append(as, attempts(pull.Struggled, 205)...)
	big := slices.Clone(as)
	for i := range big {
		big[i].LoadG *= 28.3495
	}
	a, b := pull.Judge(as), pull.Judge(big)
	for _, x := range [][2]pull.Interval{{a.Load50, b.Load50}, {a.Load95, b.Load95}} {
		for k, v := range []float64{x[0].Value / x[1].Value, x[0].Lo / x[1].Lo, x[0].Hi / x[1].Hi} {
			if math.Abs(v*28.3495-1) > 1e-9 {
				t.Errorf("%d: %+v and %+v", k, x[0], x[1])
			}
		}
	}
	if !a.Bracket.Overlap || a.Bracket.MovedG != 180 || a.Bracket.StalledG != 190 {
		t.Errorf("%+v", a.Bracket)
	}
	if !strings.Contains(strings.Join(a.Doubts, "; "), "half a success") {
		t.Errorf("%q", a.Doubts)
	}
}

// B21: Bland and Altman 1986, first readings of two meters, computed with R.
func TestAgreement(t *testing.T) {
	c := reference.Load(t, "B21")
	in := numbers(t, c, "wright1", "mini1")
	var d []float64
	for i := range in[0] {
		d = append(d, in[0][i]-in[1][i])
	}
	a, two := pull.Agree(d, 1.96), pull.Agree(d, 2)
	c.Check(t, "mean difference", a.Bias.Value)
	c.Check(t, "SD of differences", a.SD)
	c.Check(t, "SD", a.SD)
	c.Check(t, "limits (mean +- 2 SD) as printed", two.Lower.Value, two.Upper.Value)
	c.Check(t, "limits 1.96 SD", a.Lower.Value, a.Upper.Value)
	c.Check(t, "limits 2 SD", two.Lower.Value, two.Upper.Value)
	c.Check(t, "ci95 of bias", a.Bias.Lo, a.Bias.Hi)
	c.Check(t, "SE of a limit sqrt(3 s^2/n)", a.LimitSE)
	c.Check(t, "ci95 lower limit (2 SD)", two.Lower.Lo, two.Lower.Hi)
	c.Check(t, "ci95 upper limit (2 SD)", two.Upper.Lo, two.Upper.Hi)
	c.Leave(t, "Pearson r first readings", "out of scope: the paper's point is that correlation is no agreement")
	for _, name := range []string{"wright repeatability 2*sqrt(mean d^2)", "mini repeatability 2*sqrt(mean d^2)", "wright within-subject SD"} {
		c.Leave(t, name, "out of scope: a locomotive's repeated pulls are summed up by their mean with its interval")
	}
	if one := pull.Agree(d[:1], 1.96); one.N != 1 || !math.IsNaN(one.Lower.Value) || !math.IsNaN(one.Bias.Lo) {
		t.Errorf("of one locomotive: %+v", one)
	}
}

// F12: Science of Railways on American practice of the 1890s, and the definition. D05 and D06
// are compared with pkg/gum, whose Combine and Coverage these sums go by.
func TestAdhesion(t *testing.T) {
	c := reference.Load(t, "F12")
	var a struct {
		N  float64 `json:"pull_N"`
		Kg float64 `json:"mass_kg"`
	}
	var b struct {
		Pull   float64 `json:"pull_lb"`
		Weight float64 `json:"weight_lb"`
	}
	c.Input(t, "a", &a)
	c.Input(t, "b", &b)
	nan := math.NaN()
	c.Check(t, "a mu = pull/weight", pull.Adhesion(pull.Interval{Value: a.N / pull.Gravity * 1000, Lo: nan, Hi: nan}, 0, a.Kg*1000, 0).Value)
	c.Check(t, "b factor of adhesion", 1/pull.Adhesion(pull.Interval{Value: b.Pull, Lo: nan, Hi: nan}, 0, b.Weight, 0).Value)
	c.Leave(t, "customary factor: passenger, freight, switch", "what builders aimed at; nothing is reckoned by it")
	c.Leave(t, "dry rail coefficient about", "where the first load to try comes from: a tenth of the weight lies well below")
}

// The uncertainties of pull, scale and mass come together as the GUM has it.
func TestAdhesionUncertainty(t *testing.T) {
	r := pull.Adhesion(pull.Interval{Value: 200, Lo: 190, Hi: 210}, pull.DifferenceResolved(5), 800, pull.Resolved(10))
	uPull := 10 / gum.Coverage(0.95, math.Inf(1)) / 800
	uScale, uMass := 5/math.Sqrt(6)/800, 0.25*10/math.Sqrt(12)/800
	want := math.Sqrt(uPull*uPull + uScale*uScale + uMass*uMass)
	if math.Abs(r.U-want) > 1e-12 || r.Value != 0.25 || math.Abs(r.Hi-r.Value-1.959963984540054*want) > 1e-9 {
		t.Errorf("%+v, want u %g", r, want)
	}
	if x := pull.Adhesion(pull.Interval{Value: 200}, 0, 0, 0); !math.IsNaN(x.Value) {
		t.Errorf("without a mass: %+v", x)
	}
}

// D05: GUM G.4.1, Welch and Satterthwaite, as ten readings of a scale; D06: GUM Table G.2, as
// seventeen.
func TestReadingsByTheGUM(t *testing.T) {
	c, table := reference.Load(t, "D05"), reference.Load(t, "D06")
	for _, e := range append(c.Expected, table.Expected...) {
		of := c
		if !slices.ContainsFunc(c.Expected, func(x reference.Expected) bool { return x.Name == e.Name }) {
			of = table
		}
		if e.Name != "a.uc" && e.Name != "a.nu_eff" {
			of.Leave(t, e.Name, "compared in pkg/gum, by which these sums go")
		}
	}
	scatter := func(n int, u float64) (x []float64) { // n readings whose mean has this standard uncertainty
		for i := range n {
			x = append(x, 200+float64(2*(i%2)-1)*float64(min(1, n-1-i+n%2)))
		}
		sd := pull.Read(x, 0).U
		for i := range x {
			x[i] = 200 + (x[i]-200)*u/sd
		}
		return x
	}
	r := pull.Read(scatter(10, 0.3), 0.4)
	c.Check(t, "a.uc", r.U)
	c.Check(t, "a.nu_eff", r.DF)
	if k := (r.Pull.Hi - r.Pull.Value) / r.U; math.Abs(k-gum.Coverage(0.95, 69)) > 1e-9 {
		t.Errorf("k is %g", k)
	}
	r = pull.Read(scatter(17, 0.3), 0)
	if k := (r.Pull.Hi - r.Pull.Value) / r.U; r.DF != 16 || math.Abs(k-2.12) > 0.005 { // Table G.2, published
		t.Errorf("k of 16 degrees of freedom is %.4f, want 2.12", k)
	}
	mu := r.Adhesion(800, 2)
	if want := math.Hypot(0.3/800, r.Pull.Value/800*2/800); math.Abs(mu.U-want) > 1e-12 || mu.Hi-mu.Value >= 2.12*mu.U {
		t.Errorf("%+v, want u %g and a factor below that of 16", mu, want)
	}
}

// Wheels that turned under a standing train tell of adhesion, wheels that stopped of the motor.
func TestWhatLimits(t *testing.T) {
	for _, c := range []struct {
		turned, stopped int
		want            string
	}{{1, 0, pull.ByAdhesion}, {0, 2, pull.ByMotor}, {0, 0, pull.ByUnknown}, {3, 1, pull.ByUnknown}, {4, 1, pull.ByAdhesion}, {1, 5, pull.ByMotor}} {
		if got := (pull.Wheels{Turned: c.turned, Stopped: c.stopped}).Limit(); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
	if mw := pull.PowerMw(1000/pull.Gravity, 250); math.Abs(mw-250) > 1e-9 { // 1 N at 0.25 m/s is 0.25 W
		t.Errorf("1 N at 250 mm/s is %g mW, want 250", mw)
	}
}

// Readings of a scale: mean with Student's interval, and the pull that 95 of 100 reach,
// held against the tolerance factor of a normal sample of ten, one-sided 95/95: 2.911 (NIST/SEMATECH
// e-Handbook 7.2.6.3 describes the method; the factor is from memory).
func TestReadings(t *testing.T) {
	x := []float64{-1.5, -1, -0.5, -0.2, 0, 0, 0.2, 0.5, 1, 1.5}
	for i := range x {
		x[i] = 200 + 10*x[i]
	}
	r := pull.Read(x, 0)
	half := 2.262157162798205 * r.SD / math.Sqrt(10) // t(0.975, 9)
	if r.Pull.Value != 200 || math.Abs(r.Pull.Hi-200-half) > 1e-6 || r.DF != 9 {
		t.Errorf("%+v, want 200 +- %g", r, half)
	}
	if math.Abs(r.Sure.Value-(200-1.6448536269514722*r.SD)) > 1e-9 || !(r.Sure.Lo < r.Sure.Value && r.Sure.Value < r.Sure.Hi && r.Sure.Hi < r.Pull.Value) {
		t.Errorf("%+v", r.Sure)
	}
	if one := pull.Read(x[:1], 0.3); one.Pull.Value != x[0] || !math.IsNaN(one.Pull.Lo) || one.U != 0.3 {
		t.Errorf("of one reading: %+v", one)
	}
	if k := pull.ToleranceFactor(0.95, 10); math.Abs(k-2.911) > 0.002 {
		t.Errorf("the factor of ten is %.4f, want 2.911", k)
	}
}
