package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/stats"
)

// States of a condition.
const (
	FairSame      = "same"
	FairDiffers   = "differs"
	FairVaries    = "varies"
	FairAdjusted  = "adjusted"
	FairUnwritten = "unwritten"
)

// Fair is what each side has of one condition. Pair by pair, Confounds says whether the
// sides differ in it.
type Fair struct {
	Condition, State string
	Values           []string // one a side
}

// fairness lists every condition. It looks at conditions only, never at laps.
func (c *comparison) fairness() (rows []Fair) {
	for _, name := range c.q.Conditions {
		row := Fair{Condition: name}
		for i := range c.sides {
			row.Values = append(row.Values, c.written(name, i))
		}
		row.State = c.state(name, indices(len(c.sides)))
		rows = append(rows, row)
	}
	return rows
}

func indices(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// state is that of a condition over some sides. What is written down tells that sides
// differ even where it is not in every trial; that they do not, only where it is.
func (c *comparison) state(name string, sides []int) string {
	first, same, all := "", true, true
	for _, i := range sides {
		written := c.conditions(name, i)
		all = all && len(written) == len(c.sides[i].Trials)
		for _, w := range written {
			if first == "" {
				first = w.Text
			}
			same = same && w.Text == first
		}
	}
	switch {
	case same && all:
		return FairSame
	case same:
		return FairUnwritten
	case all && slices.Contains(c.adjust, name):
		return FairAdjusted
	case !c.everySide(name, sides):
		return FairUnwritten
	case !c.alike(name, sides):
		return FairDiffers
	case !all:
		return FairUnwritten
	}
	return FairVaries
}

// conditions are what a side's trials have written down of one condition.
func (c *comparison) conditions(name string, side int) (all []Condition) {
	for _, t := range c.sides[side].Trials {
		if w := t.Conditions[name]; w.Text != "" {
			all = append(all, w)
		}
	}
	return all
}

// everySide reports whether each side has a condition written down in some trial.
func (c *comparison) everySide(name string, sides []int) bool {
	return !slices.ContainsFunc(sides, func(i int) bool { return len(c.conditions(name, i)) == 0 })
}

// doubtUnwritten names the conditions that some trials have written down and some have not.
func (c *comparison) doubtUnwritten() {
	if len(c.q.Conditions) == 0 {
		c.doubt("no condition is written down: what differed between the sides besides the %s nothing here tells", c.word(c.q.Factor))
	}
	var missing []string
	for _, name := range c.q.Conditions {
		var where []string
		for i, s := range c.sides {
			switch n := len(c.conditions(name, i)); {
			case n == 0:
				where = append(where, s.Level)
			case n < len(s.Trials):
				where = append(where, fmt.Sprintf("%d of %d trials of %s", len(s.Trials)-n, len(s.Trials), s.Level))
			}
		}
		if len(where) > 0 && len(where) <= len(c.sides) && c.anySide(name) {
			missing = append(missing, fmt.Sprintf("%s for %s", c.word(name), list(where)))
		}
	}
	if len(missing) > 0 {
		c.doubt("not written down: %s; whether the sides differ in it there nothing here tells", strings.Join(missing, "; "))
	}
}

func (c *comparison) anySide(name string) bool {
	return slices.ContainsFunc(indices(len(c.sides)), func(i int) bool { return len(c.conditions(name, i)) > 0 })
}

// word is what a column is called in sentences.
func (c *comparison) word(name string) string { return cmp.Or(c.q.Words[name], name) }

// alike reports whether several values are spread alike over the sides: numbers whose
// means lie no farther apart than chance puts them, or words each of which every side has
// about as often. What varies within sides by chance is in their scatter. Words that are
// others in every trial name trials rather than conditions.
func (c *comparison) alike(name string, sides []int) bool {
	if far, chance, ok := c.apart(name, sides); ok {
		return far <= max(0.5, 2*chance)
	}
	counts, total := make([]map[string]float64, len(sides)), 0
	every := map[string]bool{}
	least := math.Inf(1)
	for n, i := range sides {
		counts[n] = map[string]float64{}
		written := c.conditions(name, i)
		least = min(least, float64(len(written)))
		for _, w := range written {
			counts[n][w.Text] += 1 / float64(len(written))
			every[w.Text] = true
			total++
		}
	}
	if len(every) == total && total > len(sides) && !c.number(name, sides) {
		return true
	}
	for v := range every {
		lo, hi := 1., 0.
		for n := range sides {
			lo, hi = min(lo, counts[n][v]), max(hi, counts[n][v])
		}
		if lo == 0 || hi-lo > 1/least+1e-9 {
			return false
		}
	}
	return true
}

// apart is how far the sides' means of a number lie apart at most, in SDs within sides, and
// the SD that chance gives that; ok is false where what is written down is no number, or
// does not vary within a side.
func (c *comparison) apart(name string, sides []int) (far, chance float64, ok bool) {
	samples := make([]stats.Sample, len(sides))
	for n, i := range sides {
		var x []float64
		for _, w := range c.conditions(name, i) {
			x = append(x, w.Value)
		}
		samples[n] = stats.SampleOf(x)
	}
	sd := stats.PooledSD(samples...)
	for _, a := range samples {
		for _, b := range samples {
			if d := math.Abs(a.Mean-b.Mean) / sd; !(d <= far) {
				far, chance = d, math.Sqrt(1/float64(a.N)+1/float64(b.N))
			}
		}
	}
	return far, chance, !math.IsNaN(far)
}

func (c *comparison) number(name string, sides []int) bool {
	for _, i := range sides {
		for _, w := range c.conditions(name, i) {
			if math.IsNaN(w.Value) {
				return false
			}
		}
	}
	return true
}

// confounded names the conditions in which two sides differ; those adjusted for are not
// among them.
func (c *comparison) confounded(i, j int) (names []string) {
	for _, name := range c.q.Conditions {
		if c.state(name, []int{i, j}) == FairDiffers {
			names = append(names, name)
		}
	}
	return names
}

// written is what a side has of a condition, in words: each value, with how many trials
// have it where some share one, or the range of many numbers.
func (c *comparison) written(name string, side int) string {
	var values []string
	counts, none := map[string]int{}, 0
	lo, hi, number := math.Inf(1), math.Inf(-1), true
	for _, t := range c.sides[side].Trials {
		v, ok := t.Conditions[name]
		if !ok || v.Text == "" {
			none++
			continue
		}
		if counts[v.Text]++; counts[v.Text] == 1 {
			values = append(values, v.Text)
		}
		number = number && !math.IsNaN(v.Value)
		lo, hi = min(lo, v.Value), max(hi, v.Value)
	}
	kinds := len(values)
	if kinds > 3 && number {
		values = []string{fmt.Sprintf("%.6g to %.6g", lo, hi)}
	} else if kinds+min(none, 1) > 1 && kinds < len(c.sides[side].Trials)-none {
		values = counted(values, counts, number)
	}
	if len(values) > 3 {
		values = append(values[:3], fmt.Sprintf("and %d more", kinds-3))
	}
	switch {
	case none > 0 && kinds == 0:
		return "not written down"
	case none > 0:
		values = append(values, fmt.Sprintf("%d not written down", none))
	}
	return strings.Join(values, ", ")
}

// counted puts behind each value in how many trials it stands, behind numbers in brackets.
func counted(values []string, counts map[string]int, number bool) (all []string) {
	form := "%s %d"
	if number {
		form = "%s (%d)"
	}
	for _, v := range values {
		all = append(all, fmt.Sprintf(form, v, counts[v]))
	}
	return all
}

// choose says what is adjusted for: the place in the day wherever it is known, and
// numbers in which the sides differ. It looks at the design alone, so that intervals hold
// what they say.
func (c *comparison) choose() {
	least := math.MaxInt
	for _, s := range c.sides {
		least = min(least, len(s.Trials))
	}
	if c.q.Blocks || least < 2 {
		return
	}
	for _, name := range c.q.Conditions {
		if slices.Contains(c.q.Covariates, name) {
			c.adjustFor(name, least)
		}
	}
	switch {
	case !c.canTell(orderColumn) || least < 3:
	case len(c.adjust) == 0 || least >= len(c.adjust)+3 && c.tellTogether(orderColumn):
		c.adjust = append(c.adjust, orderColumn)
	default:
		c.doubt("a drift of the day is not taken out: beside %s, which was asked for, these trials cannot tell it", list(c.names()))
	}
	for _, name := range c.q.Conditions {
		if far, _, ok := c.apart(name, indices(len(c.sides))); ok && far > 0.5 && c.canTell(name) && !slices.Contains(c.q.Covariates, name) {
			c.adjustFor(name, least)
		}
	}
}

// adjustFor adjusts for a condition if the trials can tell what it does, and else says why not.
func (c *comparison) adjustFor(name string, least int) {
	switch {
	case !c.canTell(name):
		c.doubt("%s cannot be adjusted for: it is not a number in every trial, or does not vary within sides", c.word(name))
	case least < len(c.adjust)+3:
		c.doubt("%s is not adjusted for: with %d trials a side there are too few to tell how laps go with it", c.word(name), least)
	case len(c.adjust) > 0 && !c.tellTogether(name):
		c.doubt("%s is not adjusted for: it goes with what is adjusted for already", c.word(name))
	default:
		c.adjust = append(c.adjust, name)
	}
}

// canTell reports whether a column is a number in every trial and varies within every side.
func (c *comparison) canTell(name string) bool {
	for _, s := range c.sides {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, t := range s.Trials {
			v := t.covariate(name)
			if math.IsNaN(v) {
				return false
			}
			lo, hi = min(lo, v), max(hi, v)
		}
		if lo == hi {
			return false
		}
	}
	return true
}

func (c *comparison) tellTogether(name string) bool {
	_, ok := stats.NewAncova(c.groups(append(slices.Clone(c.adjust), name), indices(len(c.sides)))...)
	return ok
}

// groups are the sides' trial means with the covariates beside them.
func (c *comparison) groups(names []string, sides []int) (groups []stats.Group) {
	for _, i := range sides {
		g := stats.Group{Y: c.sides[i].means()}
		for _, t := range c.sides[i].Trials {
			var row []float64
			for _, n := range names {
				row = append(row, t.covariate(n))
			}
			g.X = append(g.X, row)
		}
		groups = append(groups, g)
	}
	return groups
}
