package compare_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/compare"
	"rainhill/pkg/stats"
)

func written(text string) compare.Condition {
	v := math.NaN()
	var x float64
	if n, _ := fmt.Sscan(text, &x); n == 1 {
		v = x
	}
	return compare.Condition{Text: text, Value: v}
}

// outings makes trials a side with means about 20 and 21 and five laps each.
func outings(r *rand.Rand, n int, conditions func(side, k int) map[string]compare.Condition) (trials []compare.Trial) {
	for k := range n {
		for side := range 2 {
			t := compare.Trial{Name: fmt.Sprint(side, k), Level: string(rune('a' + side))}
			if conditions != nil {
				t.Conditions = conditions(side, k)
			}
			for range 5 {
				t.Laps = append(t.Laps, 20+float64(side)+0.1*r.NormFloat64())
			}
			trials = append(trials, t)
		}
	}
	return trials
}

func ask(conditions ...string) compare.Question {
	return compare.Question{Factor: "motor", Less: true, Unit: "s", Conditions: conditions}
}

func run(t *testing.T, q compare.Question, trials []compare.Trial) compare.Result {
	t.Helper()
	res, err := compare.Compare(q, trials)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func TestConditions(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name  string
		value func(side, k int) string
		n     int
		state string
	}{
		{"one value", func(int, int) string { return "oval" }, 3, compare.FairSame},
		{"one a side", func(side, _ int) string { return []string{"wet", "dry"}[side] }, 3, compare.FairDiffers},
		{"numbers, one a side", func(side, _ int) string { return []string{"500", "600"}[side] }, 3, compare.FairDiffers},
		{"words spread alike", func(_, k int) string { return []string{"wet", "dry"}[k%2] }, 4, compare.FairVaries},
		{"words by chance", func(side, k int) string { return []string{"wet", "dry"}[(k+side*k/3)%2] }, 4, compare.FairVaries},
		{"a name a trial", func(side, k int) string { return fmt.Sprint("note ", side, k) }, 4, compare.FairVaries},
		{"missing once", func(side, k int) string { return []string{"", "12"}[min(1, side+k)] }, 3, compare.FairUnwritten},
		{"missing, and others where written", func(side, k int) string { return [][]string{{"200", "200", "200"}, {"300", "", "300"}}[side][k] }, 3, compare.FairDiffers},
		{"words missing, and others where written", func(side, k int) string { return [][]string{{"new", "new", "new"}, {"worn", "", "worn"}}[side][k] }, 3, compare.FairDiffers},
		{"missing on one side", func(side, _ int) string { return []string{"200", ""}[side] }, 3, compare.FairUnwritten},
		{"missing once, spread alike", func(side, k int) string {
			return [][]string{{"20.1", "20.4", "20.2", ""}, {"20.4", "20.1", "20.2", "20.3"}}[side][k]
		}, 4, compare.FairUnwritten},
		{"numbers by chance", func(side, k int) string { return []string{"20.1", "20.4", "20.2", "20.3"}[(k+side)%4] }, 4, compare.FairVaries},
		{"numbers far apart, few", func(side, k int) string { return []string{"12.4", "12.5", "11.0", "11.1"}[2*side+k] }, 2, compare.FairDiffers},
		{"numbers apart, enough to adjust", func(side, k int) string { return fmt.Sprint(12 + float64(k%3)/10 + float64(side)/10) }, 6, compare.FairAdjusted},
		{"numbers, one trial a side", func(side, _ int) string { return []string{"20.1", "20.4"}[side] }, 1, compare.FairDiffers},
	} {
		res := run(t, ask("x"), outings(r, c.n, func(side, k int) map[string]compare.Condition {
			return map[string]compare.Condition{"x": written(c.value(side, k))}
		}))
		if got := res.Fairness[0].State; got != c.state {
			t.Errorf("%s: %s (%v), want %s", c.name, got, res.Fairness[0].Values, c.state)
		}
		told := strings.Contains(strings.Join(res.Doubts, "; "), "not written down: x for")
		if missing := strings.Contains(c.name, "missing"); told != missing {
			t.Errorf("%s: doubts %q", c.name, res.Doubts)
		}
		named := slices.Contains(res.Pairs[0].Confounded, "x")
		if want := c.state == compare.FairDiffers; named != want || strings.Contains(res.Pairs[0].Says, "differed in x") != want {
			t.Errorf("%s: confounded %v: %s", c.name, res.Pairs[0].Confounded, res.Pairs[0].Says)
		}
	}
}

// A battery that is fuller on one side makes the difference; adjusted for it there is none.
func TestAdjustsForTheBattery(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	var trials []compare.Trial
	for k := range 12 {
		side := k % 2
		volts := 12 + 0.2*float64(side) + 0.1*r.NormFloat64()
		tr := compare.Trial{Name: fmt.Sprint(k), Level: string(rune('a' + side)), Conditions: map[string]compare.Condition{"battery_v": written(fmt.Sprint(volts))}}
		for range 6 {
			tr.Laps = append(tr.Laps, 80-5*volts+0.05*r.NormFloat64())
		}
		trials = append(trials, tr)
	}
	res := run(t, ask("battery_v"), trials)
	p := res.Pairs[0]
	if math.Abs(p.Difference.Value) > 0.1 || p.Difference.Lo > 0.05 || p.Difference.Hi < -0.05 || p.Unadjusted.Hi > -0.3 {
		t.Errorf("adjusted %+v, unadjusted %+v", p.Difference, p.Unadjusted)
	}
	if len(res.Adjusted) != 1 || math.Abs(res.Adjusted[0].Slope.Value+5) > 0.4 {
		t.Errorf("adjusted for %+v", res.Adjusted)
	}
}

// A fade within trials is no difference where one side's trials are only longer.
func TestLongerTrialsAreCut(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	var trials []compare.Trial
	for k := range 8 {
		tr := compare.Trial{Name: fmt.Sprint(k), Level: string(rune('a' + k%2))}
		for lap := range []int{8, 16}[k%2] {
			tr.Laps = append(tr.Laps, 20+0.2*float64(lap)+0.02*r.NormFloat64())
		}
		trials = append(trials, tr)
	}
	res := run(t, ask(), trials)
	if d := res.Pairs[0].Difference; math.Abs(d.Value) > 0.05 || res.Sides[1].Laps != 32 || res.Sides[1].Trials[0].Left != 8 {
		t.Errorf("difference %+v, laps %d, left out %d", d, res.Sides[1].Laps, res.Sides[1].Trials[0].Left)
	}
}

func TestLettersFollowPiepho(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	var trials []compare.Trial
	for side, mean := range []float64{22, 20, 21, 21} { // b is the fastest
		for k := range 6 {
			tr := compare.Trial{Name: fmt.Sprint(side, k), Level: string(rune('a' + side))}
			for range 4 {
				tr.Laps = append(tr.Laps, mean+0.05*r.NormFloat64())
			}
			trials = append(trials, tr)
		}
	}
	res := run(t, ask(), trials)
	var got []string
	for _, s := range res.Sides {
		got = append(got, s.Level+" "+s.Letters)
	}
	// Each verdict says which is faster than which.
	for _, p := range res.Pairs {
		one, other := p.A, p.B
		if p.Verdict == compare.BFaster {
			one, other = p.B, p.A
		}
		if p.Verdict != compare.Unknown && !strings.HasPrefix(p.Says, one+" is faster than "+other+" by ") {
			t.Errorf("%s and %s: %s", p.A, p.B, p.Says)
		}
	}
	if want := "[a c b a c b d b]"; fmt.Sprint(got) != want {
		t.Errorf("letters %v, want %s", got, want)
	}
	if res.Overall == nil || res.Overall.P > 1e-6 || res.Overall.KruskalP > 0.01 {
		t.Errorf("overall %+v", res.Overall)
	}
}

// What cannot be told is not told: too few laps, no scatter, one lap.
func TestCannotTell(t *testing.T) {
	one := func(level string, laps ...float64) compare.Trial {
		return compare.Trial{Name: level, Level: level, Laps: laps}
	}
	for name, trials := range map[string][]compare.Trial{
		"one lap":      {one("a", 20), one("b", 30)},
		"three laps":   {one("a", 20, 20.1, 20.2), one("b", 30, 30.1, 30.2)},
		"no scatter":   {one("a", 20, 20, 20, 20, 20, 20), one("b", 30, 30, 30, 30, 30, 30)},
		"like trials":  {one("a", 20), one("a", 20), one("b", 21), one("b", 21)},
		"like and not": {one("a", 20, 20), one("b", 21, 22), one("b", 21)},
	} {
		p := run(t, ask(), trials).Pairs[0]
		if p.Verdict != compare.Unknown && name != "like and not" {
			t.Errorf("%s: %s", name, p.Says)
		}
		if math.IsNaN(p.Difference.Value) || p.Says == "" {
			t.Errorf("%s: %+v", name, p)
		}
	}
	if _, err := compare.Compare(ask(), []compare.Trial{one("a", 20), one("", 21), one("b")}); !errors.Is(err, compare.ErrTooFew) {
		t.Errorf("one side: %v", err)
	}
}

// The order of trials and the names of levels change nothing but the signs.
func TestSidesAreAlike(t *testing.T) {
	trials := outings(rand.New(rand.NewPCG(8, 8)), 4, nil)
	p := run(t, ask(), trials).Pairs[0]
	slices.Reverse(trials)
	for i := range trials {
		trials[i].Level = map[string]string{"a": "z", "b": "y"}[trials[i].Level]
	}
	q := run(t, ask(), trials).Pairs[0]
	if math.Abs(p.Difference.Value+q.Difference.Value) > 1e-9 || math.Abs(p.Difference.Lo+q.Difference.Hi) > 1e-9 || math.Abs(p.P-q.P) > 1e-12 {
		t.Errorf("%+v and %+v", p.Difference, q.Difference)
	}
	if math.Abs(p.Ratio.Value*q.Ratio.Value-1) > 1e-9 || math.Abs(p.Ratio.Lo*q.Ratio.Hi-1) > 1e-9 {
		t.Errorf("ratios %+v and %+v", p.Ratio, q.Ratio)
	}
}

// Blocks that differ far from each other do not hide a difference within them.
func TestBlocks(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	var trials []compare.Trial
	for block := range 6 {
		for side := range 2 {
			tr := compare.Trial{Name: fmt.Sprint(block, side), Level: string(rune('a' + side)), Block: fmt.Sprint(block)}
			for range 5 {
				tr.Laps = append(tr.Laps, 20+3*float64(block)+0.3*float64(side)+0.05*r.NormFloat64())
			}
			trials = append(trials, tr)
		}
	}
	q := ask()
	if p := run(t, q, trials).Pairs[0]; p.Verdict != compare.Unknown {
		t.Errorf("without blocks: %s", p.Says)
	}
	q.Blocks = true
	p := run(t, q, trials).Pairs[0]
	if p.Verdict != compare.AFaster || p.Unit != compare.UnitBlock || len(p.Checks) != 2 || p.Checks[1].P != 2./64 {
		t.Errorf("%+v", p)
	}
}

// What stands for a side shows why it differs: counts of words, and no number for a trial
// of which nothing was written down.
func TestFairnessShowsWhatWasWritten(t *testing.T) {
	for _, c := range []struct{ values, want string }{
		{"Ann Ann Ann Bo", "Ann 3, Bo 1"},
		{"Ann Ann Ann Ann", "Ann"},
		{"Ann Bo Cy Di", "Ann, Bo, Cy, and 1 more"},
		{"500 500 600 600", "500 (2), 600 (2)"},
		{"8.2 8.1 8.0 7.9 -", "7.9 to 8.2, 1 not written down"},
		{"8.2 8.2 - -", "8.2 (2), 2 not written down"},
		{"- -", "not written down"},
	} {
		var trials []compare.Trial
		for side := range 2 {
			for k, v := range strings.Fields(c.values) {
				tr := compare.Trial{Name: fmt.Sprint(side, k), Level: string(rune('a' + side)), Laps: []float64{20, 20.1 + 0.1*float64(k), 20.2}}
				if v != "-" {
					tr.Conditions = map[string]compare.Condition{"x": written(v)}
				}
				trials = append(trials, tr)
			}
		}
		for _, got := range run(t, ask("x"), trials).Fairness[0].Values {
			if got != c.want {
				t.Errorf("%s: %q, want %q", c.values, got, c.want)
			}
		}
	}
}

// Where turns were taken it is the battery that goes with the sides, where they were not it
// is the day; the doubt names which.
func TestWhatGoesWithTheSides(t *testing.T) {
	for _, c := range []struct{ name, day, has, hasNot string }{
		{"turns, batteries unlike", "abbaabba", "battery_v goes so closely", "turns"},
		{"no turns, batteries alike", "aaaabbbb", "place in the day goes so closely", "battery"},
	} {
		r := rand.New(rand.NewPCG(2, 9))
		var trials []compare.Trial
		for k, level := range c.day {
			volts := 12 + 0.02*float64(k%4)
			if c.has[0] == 'b' && level == 'b' {
				volts -= 0.5
			}
			tr := compare.Trial{Name: fmt.Sprint(k), Level: string(level), Conditions: map[string]compare.Condition{"battery_v": written(fmt.Sprint(volts))}}
			for lap := range 4 {
				tr.Laps, tr.Order = append(tr.Laps, 30-volts+0.05*r.NormFloat64()), append(tr.Order, float64(4*k+lap))
			}
			trials = append(trials, tr)
		}
		says := strings.Join(slices.DeleteFunc(run(t, ask("battery_v"), trials).Doubts, func(d string) bool { return !strings.Contains(d, "closely") }), "; ")
		if !strings.Contains(says, c.has) || strings.Contains(says, c.hasNot) {
			t.Errorf("%s: %q", c.name, says)
		}
	}
}

// The method names what interval and P are of: with two trials a side they are not Welch's
// own, with many they are.
func TestMethodSaysWhatItIs(t *testing.T) {
	for n, want := range map[int]bool{2: true, 40: false} {
		trials := outings(rand.New(rand.NewPCG(3, 3)), n, nil)
		p := run(t, ask(), trials).Pairs[0]
		half := (p.Difference.Hi - p.Difference.Lo) / 2
		var x, y []float64
		for _, tr := range trials {
			m := stats.Mean(tr.Laps)
			if tr.Level == "a" {
				x = append(x, m)
			} else {
				y = append(y, m)
			}
		}
		times := half / (stats.TQuantile(0.975, p.DF) * stats.Welch(stats.SampleOf(x), stats.SampleOf(y)).SE)
		if said := strings.Contains(p.Method, fmt.Sprintf("with %.2f times", times)); said != want || !strings.Contains(p.Method, "Welch") {
			t.Errorf("%d a side, %.4f times Welch's: %s", n, times, p.Method)
		}
	}
}

// Ranks that could not tell raise no doubt: with two trials a side their P is 1/3 at least.
func TestRanksThatCannotTell(t *testing.T) {
	far := func(means ...float64) (trials []compare.Trial) {
		for k, m := range means {
			trials = append(trials, compare.Trial{Name: fmt.Sprint(k), Level: string(rune('a' + k%2)), Laps: []float64{m - 0.01, m, m + 0.01}})
		}
		return trials
	}
	var skew []float64
	for k := range 20 {
		skew = append(skew, 20+0.001*float64(k), []float64{19.9, 19.9, 21, 19.9, 21}[k%5]+0.001*float64(k))
	}
	for _, c := range []struct {
		name   string
		trials []compare.Trial
		doubt  bool
	}{
		{"two a side, wholly apart", far(20, 30, 20.01, 30.01), false},
		{"five a side, one across", far(20, 21, 20.01, 21.01, 20.02, 21.02, 20.03, 21.03, 20.04, 21.04), false},
		{"twenty a side, most of b below a and the rest far above", far(skew...), true},
	} {
		res := run(t, ask(), c.trials)
		got := slices.ContainsFunc(res.Doubts, func(d string) bool { return strings.Contains(d, "by ranks") })
		if got != c.doubt || c.name[:3] == "two" && res.Pairs[0].Verdict != compare.AFaster {
			t.Errorf("%s: %s, doubts %q", c.name, res.Pairs[0].Says, res.Doubts)
		}
	}
}

// Laps far off, and sides that may be one, are told of; nothing is left out.
func TestStraysAreToldOf(t *testing.T) {
	trials := outings(rand.New(rand.NewPCG(5, 7)), 3, func(int, int) map[string]compare.Condition {
		return map[string]compare.Condition{"rail": written("dry")}
	})
	if res := run(t, ask("rail"), trials); len(res.Doubts) > 0 {
		t.Errorf("doubts without cause: %q", res.Doubts)
	}
	trials[2].Laps[3] = 20100
	trials[4].Laps[0] = 1.9
	for i := range trials {
		trials[i].Level = map[string]string{"a": "A", "b": "a"}[trials[i].Level]
	}
	res := run(t, ask(), trials)
	says := strings.Join(res.Doubts, "; ")
	if !strings.Contains(says, "2 lap(s) of A lie more than 10 times") || !strings.Contains(says, "lap 4 of trial 0 1, 20100 s") || !strings.Contains(says, `"A" and "a" are taken for two`) {
		t.Errorf("doubts %s", says)
	}
	if res.Sides[0].Laps != 15 || res.Sides[1].Laps != 15 {
		t.Errorf("laps %d and %d", res.Sides[0].Laps, res.Sides[1].Laps)
	}
}

// Trials that all read the same have no interval of width 0: how far they scatter was not
// seen.
func TestScatterThatWasNotSeen(t *testing.T) {
	var trials []compare.Trial
	for k := range 6 {
		trials = append(trials, compare.Trial{Name: fmt.Sprint(k), Level: string(rune('a' + k%2)), Laps: []float64{12, 12, 12}})
	}
	r, err := compare.Compare(compare.Question{Factor: "tyre", Less: true, Unit: "s", Margin: 1}, trials)
	if err != nil {
		t.Fatal(err)
	}
	p := r.Pairs[0]
	if p.Verdict != compare.Unknown || !strings.Contains(p.Says, "hides the scatter") || p.Difference.Value != 0 {
		t.Errorf("%+v", p)
	}
	for name, x := range map[string]float64{"lo": p.Difference.Lo, "hi": p.Difference.Hi, "ratio": p.Ratio.Lo, "p": p.P, "equivalence": p.Equivalence, "mean": r.Sides[0].Mean.Lo} {
		if !math.IsNaN(x) {
			t.Errorf("%s is %g, as if the scatter were known to be nothing", name, x)
		}
	}
}

// Trials that read alike but for the rounding of sums have no interval and no effect size.
func TestRoundingIsNoScatter(t *testing.T) {
	var trials []compare.Trial
	for k, laps := range [][]float64{{12.5, 12.4, 12.4}, {12.8, 12.9, 12.9}, {12.4, 12.5, 12.4}, {12.9, 12.8, 12.9}} {
		trials = append(trials, compare.Trial{Name: fmt.Sprint(k), Level: string(rune('a' + k%2)), Laps: laps})
	}
	res := run(t, ask(), trials)
	p := res.Pairs[0]
	if p.Verdict != compare.Unknown || !math.IsNaN(p.Difference.Lo) || !math.IsNaN(p.EffectSize.Value) || res.Sides[0].SD != 0 || !strings.Contains(p.Says, "resolution") {
		t.Errorf("%+v, %s", p, p.Says)
	}
}

// One side wholly before the other in a table without places is told of, turns are not.
func TestTurnsAreAskedFor(t *testing.T) {
	for _, c := range []struct {
		sides string
		doubt bool
	}{{"aabb", true}, {"abba", false}, {"bbaa", true}, {"ab", false}} {
		var trials []compare.Trial
		for k, level := range c.sides {
			trials = append(trials, compare.Trial{Name: fmt.Sprint(k), Level: string(level), Laps: []float64{20, 20.1, 20.3, 20.2, 20.15 + 0.01*float64(k)}})
		}
		for _, placed := range []bool{false, true} {
			if placed {
				for k := range trials {
					for i := range trials[k].Laps {
						trials[k].Order = append(trials[k].Order, float64(5*k+i))
					}
				}
			}
			res := run(t, ask(), trials)
			got := slices.ContainsFunc(res.Doubts, func(d string) bool { return strings.Contains(d, "stand together") })
			if got != (c.doubt && !placed) {
				t.Errorf("%s, places known %t: doubts %q", c.sides, placed, res.Doubts)
			}
		}
	}
}

// What is asked to be adjusted for goes before the place in the day.
func TestAskedForGoesFirst(t *testing.T) {
	var trials []compare.Trial
	for k := range 8 {
		volts := 8.4 - 0.02*float64(k)
		tr := compare.Trial{Name: fmt.Sprint(k), Level: string("abba"[k%4]), Conditions: map[string]compare.Condition{"battery_v": written(fmt.Sprint(volts))}}
		for i := range 5 {
			tr.Laps = append(tr.Laps, 20-volts+0.01*float64((i*7+k*3)%5))
			tr.Order = append(tr.Order, float64(5*k+i))
		}
		trials = append(trials, tr)
	}
	q := ask("battery_v")
	q.Words = map[string]string{"battery_v": "battery in V"}
	if res := run(t, q, trials); len(res.Adjusted) != 1 || res.Adjusted[0].Covariate != "order" {
		t.Errorf("not asked for: adjusted for %+v", res.Adjusted)
	}
	q.Covariates = []string{"battery_v"}
	res := run(t, q, trials)
	if len(res.Adjusted) != 1 || res.Adjusted[0].Covariate != "battery_v" || !strings.Contains(strings.Join(res.Doubts, "; "), "a drift of the day is not taken out: beside battery in V") {
		t.Errorf("asked for: adjusted for %+v, doubts %q", res.Adjusted, res.Doubts)
	}
}

// Sentences have as many figures as the interval is worth, and no minus before nothing.
func TestFiguresGoByTheInterval(t *testing.T) {
	var trials []compare.Trial
	for k, m := range []float64{20, 20.3, 20.9, 20.2, 20.5, 20.8} {
		trials = append(trials, compare.Trial{Name: fmt.Sprint(k), Level: string("abbaab"[k]), Laps: []float64{m, m + 0.01}, Block: fmt.Sprint(k / 2)})
	}
	res := run(t, ask(), trials)
	if !regexp.MustCompile(`the difference is −?\d\.\d\d s \(95 % interval −\d\.\d\d to \d\.\d\d\)`).MatchString(res.Pairs[0].Says) {
		t.Error(res.Pairs[0].Says)
	}
}
