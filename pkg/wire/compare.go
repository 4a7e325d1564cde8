package wire

// Verdicts of a comparison of a and b. Faster is of the train: less time for a lap.
const (
	VerdictAFaster = "a_faster"
	VerdictBFaster = "b_faster"
	VerdictSame    = "same"    // the 90 % interval lies within the margin that matters
	VerdictUnknown = "unknown" // cannot tell yet
)

// CompareResult is what a comparison of the levels of a factor shows.
type CompareResult struct {
	Factor  string `json:"factor"`
	Measure string `json:"measure"` // lap_time_s or speed_mm_s: what the differences are of
	// Words are the columns, the factor's too, as people read them: load_g is load in g.
	Words map[string]string `json:"words"`
	// Pair is the value of the column that parted one table into comparisons.
	Pair     string          `json:"pair,omitempty"`
	Fairness []FairnessRow   `json:"fairness"`
	Sides    []ComparedSide  `json:"sides"`
	Pairs    []ComparedPair  `json:"pairs"`
	Overall  *OverallTest    `json:"overall,omitempty"` // of more than two sides
	Adjusted []AdjustedFor   `json:"adjusted_for,omitempty"`
	Trials   []ComparedTrial `json:"trials"`
	Doubts   []string        `json:"doubts"`
}

// FairnessRow is one condition: what each side has of it.
type FairnessRow struct {
	Condition string   `json:"condition"`
	State     string   `json:"state"`  // FairSame, FairDiffers, FairVaries, FairUnwritten
	Values    []string `json:"values"` // one a side, as written
}

// States of a condition.
const (
	FairSame      = "same"      // one value, on every side
	FairDiffers   = "differs"   // the sides differ in it: the comparison is confounded by it
	FairVaries    = "varies"    // several values, spread alike over the sides
	FairAdjusted  = "adjusted"  // the sides differ in it, and the difference is adjusted for it
	FairUnwritten = "unwritten" // of some trials or of all nothing was written down
)

// ComparedSide is one level of the factor; of things in a roster what it is called there, and
// ID is its own. Letters join levels between which no
// difference is shown: two that share a letter may be alike.
type ComparedSide struct {
	Level   string   `json:"level"`
	ID      string   `json:"id,omitempty"`
	Trials  int      `json:"trials"`
	Laps    int      `json:"laps"`
	Mean    Estimate `json:"mean"`
	SD      *float64 `json:"sd"` // of trial means; null with one
	Letters string   `json:"letters,omitempty"`
}

// ComparedPair is b held against a. Difference is b - a, Ratio b / a. Interval and P
// are adjusted for the number of pairs where there are more than two sides.
type ComparedPair struct {
	A            string   `json:"a"`
	B            string   `json:"b"`
	Difference   Estimate `json:"difference"`
	Ratio        Estimate `json:"ratio"`
	EffectSize   Estimate `json:"effect_size"` // Hedges' g of the unit compared
	P            *float64 `json:"p"`
	DF           *float64 `json:"df"`
	Verdict      string   `json:"verdict"`
	Says         string   `json:"says"` // the verdict in a sentence
	Margin       *float64 `json:"margin"`
	Equivalence  *float64 `json:"equivalence_p"` // of the two one-sided tests
	ConfoundedBy []string `json:"confounded_by"`
	// MoreTrials is how many more trials a side would settle it with a chance of 80 %, if
	// they scatter and differ as those so far; null with MoreWhy where that cannot be said.
	MoreTrials *int   `json:"more_trials"`
	MoreWhy    string `json:"more_why,omitempty"`
	// Unadjusted is the difference without what it was adjusted for.
	Unadjusted *Estimate      `json:"unadjusted,omitempty"`
	Checks     []ComparedTest `json:"checks,omitempty"`
	Unit       string         `json:"unit"` // UnitTrial, UnitBlock or UnitLap
	Method     string         `json:"method"`
}

// ComparedTest is a test beside the verdict that does not lean on normal scatter; P is
// adjusted for the number of pairs.
type ComparedTest struct {
	Test string   `json:"test"`
	P    *float64 `json:"p"`
}

// What a comparison counts as one observation.
const (
	UnitTrial = "trial"
	UnitBlock = "block"
	UnitLap   = "lap" // one trial a side: how trials scatter is not known
)

// OverallTest is whether any of more than two sides differs; Method says by which
// analysis. RanksP is the same by ranks, LikeScatterP that the sides scatter alike.
type OverallTest struct {
	Method       string   `json:"method"`
	F            *float64 `json:"f"`
	DF1          *float64 `json:"df1"`
	DF2          *float64 `json:"df2"`
	P            *float64 `json:"p"`
	RanksP       *float64 `json:"ranks_p"`
	LikeScatterP *float64 `json:"like_scatter_p"`
}

// AdjustedFor is a covariate that the difference is adjusted for, and how the measure
// goes with it.
type AdjustedFor struct {
	Covariate string   `json:"covariate"`
	Slope     Estimate `json:"slope"` // of the measure, for one of the covariate
	Why       string   `json:"why"`
}

// ComparedTrial is one trial as it entered: a point of the plot.
type ComparedTrial struct {
	Trial   string    `json:"trial"` // its id, behind its session's name where there are several
	Session string    `json:"session,omitempty"`
	Level   string    `json:"level"`
	Block   string    `json:"block,omitempty"`
	Mean    float64   `json:"mean"`
	U       *float64  `json:"u"` // of the mean, from its laps
	Laps    []float64 `json:"laps"`
	Lag1    *float64  `json:"lag1"`
	// EffectiveLaps is how many independent laps would tell as much.
	EffectiveLaps *float64 `json:"effective_laps"`
	Left          int      `json:"left"` // laps of it that do not count
}
