// Package compare answers "which of these is faster, by how much, and how sure is
// that?" for locomotives, variants or conditions. The unit is the trial: laps of one
// trial are not independent. Fairness comes first: what differs between the sides besides
// the factor stands in the verdict itself. It reads no files, knows no words of the wire
// and judges no lap: which laps count is decided before. A number that cannot be had is
// NaN, never 0.
package compare

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"rainhill/pkg/stats"
)

// Verdicts on a pair. Faster is of the train: less time for a lap, or more speed.
const (
	AFaster = "a_faster"
	BFaster = "b_faster"
	Same    = "same"
	Unknown = "unknown"
)

// What a comparison counts as one observation.
const (
	UnitTrial = "trial"
	UnitBlock = "block"
	UnitLap   = "lap"
)

// Trial is one timed outing: the laps of it that count, in order.
type Trial struct {
	Name, Level string
	Session     string    // it was run in, where that is known; it is handed on alone
	Block       string    // round or pair it was drawn in, where that is asked for
	Laps        []float64 // the measure
	Number      []float64 // of each lap within the trial; nil when 1, 2, ...
	Order       []float64 // place of each lap in the whole day; nil where not known
	Conditions  map[string]Condition
	Left        int // laps that do not count
}

// Condition is one thing written down about a trial: the Text, and what it is worth
// where it is a number (else NaN).
type Condition struct {
	Text  string
	Value float64
}

// Question is what is asked of trials.
type Question struct {
	Factor     string
	Less       bool    // less of the measure is faster
	Unit       string  // of the measure, for sentences: s or mm/s
	Margin     float64 // a difference below it does not matter; NaN or 0 when not stated
	Percent    float64 // the same in percent of side a's mean, where Margin is not stated
	Blocks     bool    // the design was drawn in blocks
	Conditions []string
	Covariates []string          // to be adjusted for in any case
	A, B       string            // the only levels to compare, where stated
	Words      map[string]string // what columns are called in sentences, where not as they are
}

// Estimate is a number with its 95 % interval; NaN where it cannot be had.
type Estimate struct{ Value, Lo, Hi float64 }

func none() Estimate { nan := math.NaN(); return Estimate{nan, nan, nan} }

// Side is one level of the factor. Mean has the interval that its own trials give it,
// or, with one trial, its laps. SD is of trial means.
type Side struct {
	Level   string
	Trials  []Outing
	Laps    int
	Mean    Estimate
	SD      float64
	Letters string
}

// Outing is a trial as it entered: Mean over the laps used, U its standard uncertainty
// from them.
type Outing struct {
	Trial
	Mean, U, Lag1, Effective float64
	place                    float64 // mean order; NaN where not known
	row                      int     // place among the trials handed in
}

// Pair is b held against a; Difference is b - a, Ratio b / a. Intervals and P hold for
// all pairs together where there are more than two sides.
type Pair struct {
	A, B                          string
	Difference, Ratio, EffectSize Estimate
	Unadjusted                    Estimate // the difference without covariates, where it has some
	P, DF, Equivalence, Margin    float64
	Verdict, Says, Unit, Method   string
	Confounded                    []string
	More                          int // trials a side beyond those run; 0 where it cannot be said
	MoreWhy                       string
	Checks                        []Check
}

// Check is another test of "no difference", which does not lean on normal scatter.
type Check struct {
	Name string
	P    float64
}

// Overall is whether any of more than two sides differs.
type Overall struct {
	stats.OneWay
	Method       string
	KruskalP     float64
	LikeScatterP float64 // Brown and Forsythe: that the sides scatter alike
}

// Slope is how the measure goes with what it was adjusted for.
type Slope struct {
	Covariate string
	Slope     Estimate
	Why       string
}

// Result is what a comparison shows.
type Result struct {
	Fairness []Fair
	Sides    []Side
	Pairs    []Pair
	Overall  *Overall
	Adjusted []Slope
	Doubts   []string
}

// ErrTooFew is returned where there are not two sides to compare.
var ErrTooFew = errors.New("fewer than two sides to compare")

// comparison is a comparison under way.
type comparison struct {
	q      Question
	sides  []Side
	adjust []string      // columns adjusted for; orderColumn is the place in the day
	ranges *stats.Ranges // of as many as there are sides, once it is needed
	out    *Result
}

// rounding is what part of a mean a scatter must be to be more than the sums' own rounding.
const rounding = 1e-12

// orderColumn stands for the mean place of a trial's laps in the whole day.
const orderColumn = "order"

// Compare compares the levels of a factor.
func Compare(q Question, trials []Trial) (Result, error) {
	var out Result
	c := &comparison{q: q, out: &out}
	if err := c.gather(trials); err != nil {
		return out, err
	}
	c.doubtNames()
	c.doubtStrays()
	c.cutToCommonLaps()
	c.summarise()
	c.choose()
	out.Fairness = c.fairness()
	c.doubtUnwritten()
	c.doubtTurns()
	out.Sides = c.sides
	c.comparePairs()
	c.overall()
	c.letters()
	return out, nil
}

func (c *comparison) doubt(format string, a ...any) {
	text := fmt.Sprintf(format, a...)
	if !slices.Contains(c.out.Doubts, text) {
		c.out.Doubts = append(c.out.Doubts, text)
	}
}

// gather sorts trials into sides; levels in the order of numbers, then of names.
func (c *comparison) gather(trials []Trial) error {
	levels := map[string][]Outing{}
	for row, t := range trials {
		if c.q.A != "" && c.q.B != "" && t.Level != c.q.A && t.Level != c.q.B {
			continue
		}
		if len(t.Laps) == 0 {
			c.doubt("trial %s has no lap that counts, and is left out", t.Name)
			continue
		}
		if t.Level == "" {
			c.doubt("trial %s has no %s written down, and is left out", t.Name, c.word(c.q.Factor))
			continue
		}
		levels[t.Level] = append(levels[t.Level], Outing{Trial: t, row: row})
	}
	for level, ts := range levels {
		c.sides = append(c.sides, Side{Level: level, Trials: ts})
	}
	slices.SortFunc(c.sides, func(a, b Side) int { return c.before(a.Level, b.Level) })
	if len(c.sides) < 2 {
		return fmt.Errorf("%w: %s has %d value(s) in trials with laps that count", ErrTooFew, c.q.Factor, len(c.sides))
	}
	return nil
}

func (c *comparison) before(a, b string) int {
	if a == c.q.A || b == c.q.B {
		return -1
	}
	if b == c.q.A || a == c.q.B {
		return 1
	}
	x, errA := strconv.ParseFloat(a, 64)
	y, errB := strconv.ParseFloat(b, 64)
	if errA == nil && errB == nil && x != y {
		return cmp.Compare(x, y)
	}
	return cmp.Compare(a, b)
}

func (c *comparison) summarise() {
	for i := range c.sides {
		s := &c.sides[i]
		for k := range s.Trials {
			s.Trials[k].summarise()
			s.Laps += len(s.Trials[k].Laps)
		}
		sample := stats.SampleOf(s.means())
		if sample.SD < rounding*math.Abs(sample.Mean) {
			sample.SD = 0
		}
		s.Mean, s.SD = Estimate{sample.Mean, math.NaN(), math.NaN()}, sample.SD
		switch {
		case len(s.Trials) == 1:
			_, s.Mean.Lo, s.Mean.Hi, _ = stats.MeanInterval(s.Trials[0].Laps)
			c.doubt("%s has one trial: its interval is of this outing, and how trials scatter is not in it", s.Level)
		case sample.SD > 0: // else all read the same: how far they scatter was not seen
			half := stats.TQuantile(0.975, float64(sample.N-1)) * sample.SD / math.Sqrt(float64(sample.N))
			s.Mean.Lo, s.Mean.Hi = sample.Mean-half, sample.Mean+half
		}
		if len(s.Trials) < 5 {
			continue
		}
		if k, g, critical := stats.Grubbs(s.means(), 0.05); g > critical {
			c.doubt("trial %s stands apart from the others of %s (Grubbs, 5 %%): is something about it written down?", s.Trials[k].Name, s.Level)
		}
	}
}

func (o *Outing) summarise() {
	o.Mean, o.U, _ = stats.MeanU(o.Laps)
	o.Lag1 = stats.Lag1(o.Laps)
	o.Effective = stats.EffectiveN(len(o.Laps), o.Lag1)
	o.place = math.NaN()
	if len(o.Order) == len(o.Laps) {
		o.place = stats.Mean(o.Order)
	}
}

func (s Side) means() []float64 {
	m := make([]float64, len(s.Trials))
	for i, t := range s.Trials {
		m[i] = t.Mean
	}
	return m
}

// covariate is what a trial has of a column that is adjusted for.
func (o Outing) covariate(name string) float64 {
	if name == orderColumn {
		return o.place
	}
	if v, ok := o.Conditions[name]; ok {
		return v.Value
	}
	return math.NaN()
}

// number is the place of lap i within its trial.
func (t Trial) number(i int) float64 {
	if len(t.Number) == len(t.Laps) {
		return t.Number[i]
	}
	return float64(i + 1)
}
