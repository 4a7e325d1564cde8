package compare

import (
	"cmp"
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// overall tests whether any of more than two sides differs.
func (c *comparison) overall() {
	if len(c.sides) < 3 || c.q.Blocks {
		return
	}
	groups, least, most := make([][]float64, len(c.sides)), math.MaxInt, 0
	for i, s := range c.sides {
		groups[i] = s.means()
		least, most = min(least, len(groups[i])), max(most, len(groups[i]))
	}
	if most < 2 {
		return
	}
	_, p := stats.KruskalWallis(groups...)
	o := Overall{OneWay: stats.WelchAnova(groups...), Method: "one-way, each side with its own scatter (Welch)", KruskalP: p, LikeScatterP: math.NaN()}
	if least < 2 {
		o.OneWay, o.Method = stats.Anova(groups...), "one-way, sides taken to scatter alike (Fisher): some have one trial"
	}
	if least >= 3 {
		o.LikeScatterP = stats.Levene(stats.Median, groups...).P
	}
	if len(c.adjust) > 0 {
		g := c.groups(c.adjust, indices(len(c.sides)))
		if fit, ok := stats.NewAncova(g...); ok {
			o.OneWay, _ = fit.Effects(g...)
			o.Method = "analysis of covariance on trial means, sides taken to scatter alike"
		}
	}
	c.out.Overall = &o
}

// letters gives sides letters so that two share one exactly when no difference between
// them is shown: insert and absorb (Piepho 2004, Journal of Computational and Graphical
// Statistics 13, 456). The letter a is of the fastest.
func (c *comparison) letters() {
	if len(c.sides) < 3 {
		return
	}
	place := map[string]int{}
	for i, s := range c.sides {
		place[s.Level] = i
	}
	differ := map[[2]int]bool{}
	for _, p := range c.out.Pairs {
		if p.Difference.Lo > 0 || p.Difference.Hi < 0 {
			differ[[2]int{place[p.A], place[p.B]}] = true
		}
	}
	columns := insertAbsorb(len(c.sides), differ)
	fastest := func(col []bool) float64 {
		best := math.Inf(1)
		for i, in := range col {
			v := c.sides[i].Mean.Value
			if !c.q.Less {
				v = -v
			}
			if in {
				best = min(best, v)
			}
		}
		return best
	}
	slices.SortStableFunc(columns, func(a, b []bool) int { return cmp.Compare(fastest(a), fastest(b)) })
	for k, col := range columns {
		for i, in := range col {
			if in {
				c.sides[i].Letters += letter(k)
			}
		}
	}
}

// letter is a, b, ... z, and beyond that a2, b2, ...
func letter(k int) string {
	name := string(rune('a' + k%26))
	if k >= 26 {
		name += string(rune('1' + k/26))
	}
	return name
}

// insertAbsorb begins with one column that holds all sides, splits it for each pair that
// differs, and takes away columns that another holds.
func insertAbsorb(n int, differ map[[2]int]bool) [][]bool {
	all := make([]bool, n)
	for i := range all {
		all[i] = true
	}
	columns := [][]bool{all}
	for i := range n {
		for j := i + 1; j < n; j++ {
			if !differ[[2]int{i, j}] {
				continue
			}
			var next [][]bool
			for _, col := range columns {
				if !(col[i] && col[j]) {
					next = append(next, col)
					continue
				}
				one, other := slices.Clone(col), slices.Clone(col)
				one[i], other[j] = false, false
				next = append(next, one, other)
			}
			columns = absorb(next)
		}
	}
	return columns
}

func absorb(columns [][]bool) (kept [][]bool) {
	for k, col := range columns {
		held := slices.ContainsFunc(columns[:k], func(o []bool) bool { return within(col, o) }) ||
			slices.ContainsFunc(columns[k+1:], func(o []bool) bool { return within(col, o) && !within(o, col) })
		if !held {
			kept = append(kept, col)
		}
	}
	return kept
}

func within(a, b []bool) bool {
	for i := range a {
		if a[i] && !b[i] {
			return false
		}
	}
	return true
}
