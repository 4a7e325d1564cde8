// Package comparison joins words and pkg/compare: it answers "what is compared with what?"
// for a table of laps and for the results of a session, for the service and the offline
// command alike. What the laps say is reckoned in pkg/compare alone.
package comparison

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/compare"
	"rainhill/pkg/wire"
)

// Ask is what is to be compared, and how.
type Ask struct {
	Factor     string   // column or condition whose values are the sides
	Pairs      string   // column whose values part one table into comparisons
	Block      string   // column with the round or pair a trial was drawn in
	Measure    string   // MeasureTime or MeasureSpeed; empty: what the table has
	A, B       string   // the only levels to compare
	Margin     float64  // in the measure's unit; 0 when not stated
	Percent    float64  // of side a's mean
	Covariates []string // to be adjusted for in any case
	Called     Called
}

// Called is what things of a roster are called where people read of them: by the condition
// that names them by id, and then by the id. No two of a condition are called alike.
type Called map[string]map[string]string

// name is what a level or value of a condition is called: itself where no roster has it.
func (c Called) name(condition, id string) string { return cmp.Or(c[condition][id], id) }

// id is the other way round; none of what is no thing of a roster.
func (c Called) id(condition, name string) string {
	for id, called := range c[condition] {
		if called == name {
			return id
		}
	}
	if c[condition] == nil {
		return ""
	}
	return name
}

// What may be compared.
const (
	MeasureTime  = "lap_time_s"
	MeasureSpeed = "speed_mm_s"
)

// Set is the trials of one comparison.
type Set struct {
	Pair       string
	Measure    string
	Conditions []string
	Trials     []compare.Trial
	Doubts     []string
}

// Coasted says how many trials are left out as a train rolled by itself in them.
func Coasted(trials int) []string {
	if trials == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%d coasting trial(s) left out: what rolled by itself (condition %s) ran no laps of the locomotive", trials, wire.CondCoast)}
}

// Compare compares the levels of the factor in a set.
func Compare(ask Ask, s Set) (wire.CompareResult, error) {
	q := compare.Question{
		Factor: ask.Factor, Less: s.Measure == MeasureTime, Unit: map[string]string{MeasureTime: "s", MeasureSpeed: "mm/s"}[s.Measure],
		Margin: ask.Margin, Percent: ask.Percent, Blocks: ask.Block != "", Conditions: s.Conditions, Covariates: ask.Covariates,
		A: ask.Called.name(ask.Factor, ask.A), B: ask.Called.name(ask.Factor, ask.B), Words: wordsOf(ask, s),
	}
	if err := asksForNone(q, s.Trials); err != nil {
		return answer(ask, s, compare.Result{}), err
	}
	r, err := compare.Compare(q, s.Trials)
	out := answer(ask, s, r)
	if err == nil {
		out.Doubts = append(out.Doubts, unadjusted(ask, s, out)...)
	}
	return out, err
}

// asksForNone reports a level that is asked for by a name that no trial has.
func asksForNone(q compare.Question, trials []compare.Trial) error {
	if q.A == "" || q.B == "" {
		return nil
	}
	there := map[string]bool{}
	for _, t := range trials {
		if t.Level != "" && len(t.Laps) > 0 {
			there[t.Level] = true
		}
	}
	for _, level := range []string{q.A, q.B} {
		if len(there) > 0 && !there[level] {
			return fmt.Errorf("there is no %s called %s among the trials with laps that count; there are %s", q.Factor, level, named(slices.Sorted(maps.Keys(there)), 12))
		}
	}
	return nil
}

// unadjusted says of each covariate that was asked for why it is not adjusted for, where
// nothing says it yet.
func unadjusted(ask Ask, s Set, r wire.CompareResult) (doubts []string) {
	lone := slices.IndexFunc(r.Sides, func(x wire.ComparedSide) bool { return x.Trials < 2 })
	for _, c := range ask.Covariates {
		used := slices.ContainsFunc(r.Adjusted, func(a wire.AdjustedFor) bool { return a.Covariate == c })
		said := slices.ContainsFunc(r.Doubts, func(d string) bool {
			return strings.HasPrefix(d, Words(c)+" is not adjusted for") || strings.HasPrefix(d, Words(c)+" cannot be adjusted for")
		})
		if used || said {
			continue
		}
		why := "the sides do not differ in it in a way that could be taken off"
		switch {
		case c == ask.Factor:
			why = "it is what is compared"
		case c == ask.Block:
			why = "the trials are compared within its rounds already"
		case ask.Block != "":
			why = "trials are compared within rounds, and nothing is adjusted for beside them"
		case lone >= 0:
			why = r.Sides[lone].Level + " has one trial, and how laps go with it takes several on each side"
		case c == "order":
			why = "that takes three trials a side, and the place in the day of every lap"
		case !slices.Contains(s.Conditions, c):
			why = "of these trials nothing of that name is written down"
		}
		doubts = append(doubts, Words(c)+" is not adjusted for: "+why)
	}
	return doubts
}

func answer(ask Ask, s Set, r compare.Result) wire.CompareResult {
	out := wire.CompareResult{
		Factor: ask.Factor, Measure: s.Measure, Words: wordsOf(ask, s), Pair: s.Pair, Fairness: []wire.FairnessRow{}, Sides: []wire.ComparedSide{},
		Pairs: []wire.ComparedPair{}, Trials: []wire.ComparedTrial{}, Doubts: append(append([]string{}, s.Doubts...), r.Doubts...),
	}
	for _, f := range r.Fairness {
		out.Fairness = append(out.Fairness, wire.FairnessRow{Condition: f.Condition, State: f.State, Values: f.Values})
	}
	for _, side := range r.Sides {
		out.Sides = append(out.Sides, wire.ComparedSide{
			Level: side.Level, ID: ask.Called.id(ask.Factor, side.Level), Trials: len(side.Trials), Laps: side.Laps, Mean: estimate(side.Mean), SD: num(side.SD), Letters: side.Letters,
		})
		for _, t := range side.Trials {
			out.Trials = append(out.Trials, wire.ComparedTrial{
				Trial: t.Name, Session: t.Session, Level: t.Level, Block: t.Block, Mean: t.Mean, U: num(t.U), Laps: t.Laps, Lag1: num(t.Lag1),
				EffectiveLaps: num(t.Effective), Left: t.Left,
			})
		}
	}
	for _, p := range r.Pairs {
		out.Pairs = append(out.Pairs, pair(p))
	}
	for _, a := range r.Adjusted {
		out.Adjusted = append(out.Adjusted, wire.AdjustedFor{Covariate: a.Covariate, Slope: estimate(a.Slope), Why: a.Why})
	}
	if o := r.Overall; o != nil {
		out.Overall = &wire.OverallTest{
			Method: o.Method, F: num(o.F), DF1: num(o.DF1), DF2: num(o.DF2), P: num(o.P), RanksP: num(o.KruskalP), LikeScatterP: num(o.LikeScatterP),
		}
	}
	return out
}

func pair(p compare.Pair) wire.ComparedPair {
	out := wire.ComparedPair{
		A: p.A, B: p.B, Difference: estimate(p.Difference), Ratio: estimate(p.Ratio), EffectSize: estimate(p.EffectSize),
		P: num(p.P), DF: num(p.DF), Verdict: p.Verdict, Says: p.Says, Margin: num(p.Margin), Equivalence: num(p.Equivalence),
		ConfoundedBy: append([]string{}, p.Confounded...), MoreWhy: p.MoreWhy, Unit: p.Unit, Method: p.Method,
	}
	if p.More > 0 {
		out.MoreTrials = &p.More
	}
	if !math.IsNaN(p.Unadjusted.Value) {
		e := estimate(p.Unadjusted)
		out.Unadjusted = &e
	}
	for _, c := range p.Checks {
		out.Checks = append(out.Checks, wire.ComparedTest{Test: c.Name, P: num(c.P)})
	}
	return out
}

func estimate(e compare.Estimate) wire.Estimate {
	return wire.Estimate{Value: num(e.Value), Lo: num(e.Lo), Hi: num(e.Hi)}
}

// num is null where a number cannot be had.
func num(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
