package compare

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"rainhill/pkg/stats"
)

func (c *comparison) comparePairs() {
	for i := range c.sides {
		for j := i + 1; j < len(c.sides); j++ {
			c.out.Pairs = append(c.out.Pairs, c.pair(i, j))
		}
	}
	c.adjustChecks()
	for _, name := range c.adjust {
		c.out.Adjusted = append(c.out.Adjusted, c.slope(name))
	}
	if len(c.adjust) > 0 {
		c.doubt("adjusted for %s: taken to change laps along a straight line, alike on all sides", list(c.names()))
	}
}

func (c *comparison) pair(i, j int) Pair {
	f, effect, unadjusted := c.find(i, j)
	p := Pair{A: c.sides[i].Level, B: c.sides[j].Level, Unit: f.unit, Method: f.method, EffectSize: effect, Unadjusted: unadjusted, DF: f.df}
	lo, hi := f.interval(0.95)
	p.Difference, p.Ratio = Estimate{f.value, lo, hi}, f.ratio(lo, hi)
	p.P, p.Equivalence, p.Margin = f.p(), math.NaN(), c.margin(f.meanA)
	p.Confounded = c.confounded(i, j)
	low90, high90 := math.NaN(), math.NaN()
	if p.Margin > 0 {
		p.Equivalence = f.equivalence(p.Margin)
		low90, high90 = f.interval(0.90)
	}
	p.Verdict = c.verdict(f, lo, hi, low90, high90, p.Margin)
	if p.Verdict == Unknown {
		p.More, p.MoreWhy = c.more(f, len(c.sides[i].Trials), len(c.sides[j].Trials), p.Margin)
	}
	if f.unit != UnitLap {
		p.Checks = c.checks(i, j)
	}
	p.Says = c.says(p, f)
	return p
}

// ratio is b over a with Fieller's interval. The means are taken as independent but for
// what the difference's own variance says.
func (f finding) ratio(lo, hi float64) Estimate {
	half := (hi - lo) / 2
	out := Estimate{(f.meanA + f.value) / f.meanA, math.NaN(), math.NaN()}
	// Variances in units of the critical value squared: half is the whole difference's.
	c := 1.0
	if !math.IsNaN(f.se) && f.se > 0 {
		c = half / f.se
	}
	va := min(c*c*f.varA, half*half)
	if l, h, ok := stats.Fieller(f.meanA, f.meanA+f.value, va, half*half-va, 0, 1); ok {
		out.Lo, out.Hi = l, h
	}
	return out
}

func (c *comparison) margin(meanA float64) float64 {
	switch {
	case c.q.Margin > 0:
		return c.q.Margin
	case c.q.Percent > 0:
		return math.Abs(meanA) * c.q.Percent / 100
	}
	return math.NaN()
}

// verdict says which of four it is. A difference that is there and too small to matter is
// the same.
func (c *comparison) verdict(f finding, lo, hi, low90, high90, margin float64) string {
	switch {
	case f.cannot != "" || math.IsNaN(lo):
		return Unknown
	case low90 > -margin && high90 < margin:
		return Same
	case lo > 0 == !c.q.Less && (lo > 0 || hi < 0):
		return BFaster
	case lo > 0 || hi < 0:
		return AFaster
	}
	return Unknown
}

// mostTrials is beyond what anybody runs: more than so many a side are not asked for.
const mostTrials = 200

// more is how many more trials a side would settle it with a chance of 80 %, if trials go
// on to scatter and differ as they have: the interval then excludes 0, or lies within the
// margin.
func (c *comparison) more(f finding, na, nb int, margin float64) (int, string) {
	sa, sb := f.sa, f.sb
	if math.IsNaN(sa) {
		sa = sb
	}
	if math.IsNaN(sb) {
		sb = sa
	}
	now := min(na, nb)
	switch {
	case f.unit == UnitLap:
		return 0, "with one trial a side nothing tells how trials scatter: run each again, in turns, and it can be said"
	case f.unit == UnitTrial && !(sa+sb > 0), f.unit == UnitBlock && !(f.se > 0):
		return 0, "the trials show no scatter to reckon with"
	}
	settles := func(n int) bool {
		se, df := f.after(now+n, sa, sb)
		if margin > 0 && stats.EquivalencePower(f.value/se, margin/se, df) >= 0.8 {
			return true
		}
		return stats.Power(math.Abs(f.value)/se, df, 0.05, 2) >= 0.8
	}
	if n := 1 + sort.Search(mostTrials, func(n int) bool { return settles(n + 1) }); n <= mostTrials {
		return n, ""
	}
	why := fmt.Sprintf("the difference seen is so small beside the scatter that %d more trials a side would not settle it", mostTrials)
	if !(margin > 0) {
		why += "; state a margin below which a difference does not matter"
	}
	return 0, why
}

// after is the standard error and its degrees of freedom with n trials a side.
func (f finding) after(n int, sa, sb float64) (se, df float64) {
	m := float64(n)
	if f.unit == UnitBlock {
		return f.se * math.Sqrt((f.df+1)/m), m - 1
	}
	va, vb := sa*sa/m*f.load, sb*sb/m*f.load
	return math.Sqrt(va + vb), stats.WelchDF(va, vb, m-1, m-1)
}

// checks are tests that do not lean on normal scatter: of ranks, and of the splits or
// signs that could have come out. They say nothing of what was adjusted for.
func (c *comparison) checks(i, j int) (all []Check) {
	if len(c.adjust) > 0 {
		return nil
	}
	a, b := c.sides[i], c.sides[j]
	if c.q.Blocks {
		x, y := blockMeans(a), blockMeans(b)
		var d []float64
		for _, k := range sortedKeys(x) {
			if _, ok := y[k]; ok {
				d = append(d, stats.Mean(y[k])-stats.Mean(x[k]))
			}
		}
		all = append(all, Check{"signed rank", stats.SignedRank(d).Exact})
		if beyond, of, ok := stats.PermuteSigns(d); ok {
			all = append(all, Check{"exact permutation", float64(beyond) / float64(of)})
		}
		return all
	}
	x, y := a.means(), b.means()
	r := stats.MannWhitney(x, y)
	p := r.Exact
	if math.IsNaN(p) {
		p = r.Normal
	}
	all = append(all, Check{"rank sum", p})
	if len(x)+len(y) <= 16 {
		if beyond, of, ok := stats.PermuteMeans(x, y); ok {
			all = append(all, Check{"exact permutation", float64(beyond) / float64(of)})
		}
	}
	return all
}

// adjustChecks adjusts the checks for the number of pairs, by Holm, and doubts a verdict
// that ranks do not bear out although they could: with two trials a side their least P is 1/3.
func (c *comparison) adjustChecks() {
	ps := map[string][]float64{}
	for _, p := range c.out.Pairs {
		for _, k := range p.Checks {
			ps[k.Name] = append(ps[k.Name], k.P)
		}
	}
	for name, list := range ps {
		holm, n := stats.Holm(list), 0
		for i := range c.out.Pairs {
			for k := range c.out.Pairs[i].Checks {
				if c.out.Pairs[i].Checks[k].Name == name {
					c.out.Pairs[i].Checks[k].P = holm[n]
					n++
				}
			}
		}
	}
	for _, p := range c.out.Pairs {
		for _, k := range p.Checks {
			if (p.Verdict == AFaster || p.Verdict == BFaster) && k.Name == "rank sum" && k.P > 0.2 && c.leastByRanks(p) < 0.2 {
				c.doubt("%s and %s: by ranks the difference is not told (P %.2g): look at the trials one by one", p.A, p.B, k.P)
			}
		}
	}
}

// leastByRanks is the least P that a rank sum test of a pair can come to: both ways of the
// trials lying wholly apart, of all splits, adjusted for the number of pairs.
func (c *comparison) leastByRanks(p Pair) float64 {
	splits, n := 1., 0
	for _, s := range c.sides {
		if s.Level != p.A && s.Level != p.B {
			continue
		}
		for k := range s.Trials {
			n++
			splits *= float64(n) / float64(k+1)
		}
	}
	return 2 / splits * float64(len(c.out.Pairs))
}

func (c *comparison) slope(name string) Slope {
	out := Slope{Covariate: name, Slope: none(), Why: "the sides differ in it"}
	if name == orderColumn {
		out.Why = "so that a drift of the day is not taken for a difference"
	}
	fit, ok := stats.NewAncova(c.groups(c.adjust, indices(len(c.sides)))...)
	if ok && fit.DF >= 1 {
		k := slices.Index(c.adjust, name)
		half := stats.TQuantile(0.975, fit.DF) * fit.SlopeSE(k)
		out.Slope = Estimate{fit.Slopes[k], fit.Slopes[k] - half, fit.Slopes[k] + half}
	}
	return out
}

// says is the verdict in a sentence.
func (c *comparison) says(p Pair, f finding) string {
	var b strings.Builder
	d := p.Difference
	lo, hi := d.Lo, d.Hi
	if d.Value < 0 {
		lo, hi = -d.Hi, -d.Lo
	}
	amount := c.amount(Estimate{math.Abs(d.Value), lo, hi})
	faster, than := p.B, p.A
	if (d.Value > 0) == c.q.Less {
		faster, than = p.A, p.B
	}
	switch p.Verdict {
	case AFaster, BFaster:
		fmt.Fprintf(&b, "%s is faster than %s by %s", faster, than, amount)
	case Same:
		fmt.Fprintf(&b, "%s and %s are the same within %s %s", p.A, p.B, show(p.Margin), c.q.Unit)
		if d.Lo > 0 || d.Hi < 0 {
			fmt.Fprintf(&b, ": %s is faster, by an amount that does not matter, %s", faster, amount)
		}
	default:
		b.WriteString(c.unknown(p, f))
	}
	if len(p.Confounded) > 0 {
		words := make([]string, len(p.Confounded))
		for i, name := range p.Confounded {
			words[i] = c.word(name)
		}
		but := ", but"
		if p.Verdict == Unknown {
			but = "; whatever comes of that,"
		}
		fmt.Fprintf(&b, "%s %s and %s differed in %s too: which of these it is nothing here tells", but, p.A, p.B, list(words))
	}
	if p.Unit == UnitLap && f.cannot == "" {
		b.WriteString("; this is of these two outings: how trials scatter is not known with one trial a side")
	}
	return b.String()
}

func (c *comparison) unknown(p Pair, f finding) string {
	var b strings.Builder
	fmt.Fprintf(&b, "cannot tell yet whether %s or %s is faster", p.A, p.B)
	if !math.IsNaN(p.Difference.Lo) {
		fmt.Fprintf(&b, ": the difference is %s", c.amount(p.Difference))
	}
	switch {
	case f.cannot != "":
		fmt.Fprintf(&b, "; %s", f.cannot)
		if f.unit == UnitLap {
			fmt.Fprintf(&b, "; %s", p.MoreWhy)
		}
	case p.More == 1:
		b.WriteString("; one more trial of each would probably settle it")
	case p.More > 1:
		fmt.Fprintf(&b, "; %d more trials of each would probably settle it", p.More)
	case p.MoreWhy != "":
		fmt.Fprintf(&b, "; %s", p.MoreWhy)
	}
	if !(p.Margin > 0) && p.More > 0 {
		b.WriteString("; with a margin that matters it can also be said that they are the same")
	}
	return b.String()
}

// amount is an estimate with as many decimals as its interval is worth: two figures of
// its half.
func (c *comparison) amount(e Estimate) string {
	half := (e.Hi - e.Lo) / 2
	decimals := 3
	if half > 0 && !math.IsInf(half, 0) {
		decimals = max(0, min(6, 1-int(math.Floor(math.Log10(half)))))
	}
	at := func(x float64) string {
		return strings.Replace(strconv.FormatFloat(x, 'f', decimals, 64), "-", "\u2212", 1)
	}
	return fmt.Sprintf("%s %s (95 %% interval %s to %s)", at(e.Value), c.q.Unit, at(e.Lo), at(e.Hi))
}

// show is a number with four figures.
func show(x float64) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return fmt.Sprintf("%g", x)
	}
	digits := max(0, 3-int(math.Floor(math.Log10(math.Abs(x)))))
	return fmt.Sprintf("%.*f", min(digits, 6), x)
}

// list joins words: a, b and c.
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
