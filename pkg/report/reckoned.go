package report

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"rainhill/pkg/wire"
)

// times is how much wider one pair's intervals are than another's by the same method.
var times = regexp.MustCompile(`\d[\d.]* times`)

// reckoned says by which method differences were had, and how far their intervals hold
// together.
func reckoned(r wire.CompareResult) (lines []string) {
	var methods shared
	factors := map[string][]string{}
	for _, p := range r.Pairs {
		if p.Method != "" {
			method := times.ReplaceAllString(p.Method, "N times")
			methods.add(p.B+" less "+p.A, method)
			factors[method] = append(factors[method], strings.TrimSuffix(times.FindString(p.Method), " times"))
		}
	}
	for i, m := range methods.texts {
		of := strings.Join(methods.of[i][:min(len(methods.of[i]), mostNamed)], "; ")
		switch more := len(methods.of[i]) - mostNamed; {
		case len(methods.texts) == 1:
			of = "Each difference"
			if len(r.Pairs) == 1 {
				of = "The difference"
			}
		case more > 0:
			of += fmt.Sprintf(" and %d more", more)
		}
		n := factors[m]
		from, to := slices.Min(n), slices.Max(n)
		if from != to {
			from += " to " + to
		}
		lines = append(lines, of+": "+strings.Replace(m, "N times", from+" times", 1)+".")
	}
	if len(r.Pairs) > 1 {
		lines = append(lines, fmt.Sprintf("The 95 %% intervals, ratios and p of the %d differences hold together (family-wise): that all of them are right at once has a chance of 95 %%, %s. Those of sides' means and of effect sizes hold each by itself.", len(r.Pairs), listed(together(r), "and")))
	}
	if marginOf(r) > 0 {
		lines = append(lines, "Two are called the same where the 90 % interval lies within what does not matter (two one-sided tests at 5 %).")
	}
	return lines
}

// together is by which sums the intervals of several pairs hold together: pkg/compare takes
// the studentised range where both sides have trials to tell their scatter by, and shares
// the error out elsewhere.
func together(r wire.CompareResult) (ways []string) {
	trials := map[string]int{}
	for _, s := range r.Sides {
		trials[s.Level] = s.Trials
	}
	ranged, shared := 0, 0
	for _, p := range r.Pairs {
		if p.Unit == wire.UnitTrial && trials[p.A] > 1 && trials[p.B] > 1 {
			ranged++
		} else {
			shared++
		}
	}
	if ranged > 0 {
		ways = append(ways, "by the studentised range (Games and Howell)")
	}
	if shared > 0 {
		ways = append(ways, ifAny(ranged > 0, "where a side has one trial ")+"by the error shared out alike over the pairs (Bonferroni)")
	}
	return ways
}
