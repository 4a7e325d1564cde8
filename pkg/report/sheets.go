package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"rainhill/pkg/wire"
)

// About is what a sheet says of itself that the results do not know. Where no question was
// given one is made from the choices.
type About struct {
	Title, Question string
	Lines           []Line
}

// OfComparison is a comparison's sheet.
func OfComparison(r wire.CompareResult, about About) (Sheet, error) {
	svg, err := Compare(r, Light)
	if err != nil {
		return Sheet{}, err
	}
	name, _ := measureOf(r.Measure)
	s := Sheet{
		Title: about.Title, Question: cmp.Or(about.Question, compareAsked(r)), About: about.Lines, Doubts: r.Doubts, Reckoned: reckoned(r),
		Tables: []Table{sides(r, name), pairs(r, name)},
		Figures: []Figure{{svg, "Each lap a dot, each trial a lane with its mean; the square is a side's mean with its 95 % interval. Below, each difference with its 95 % interval beside no difference" +
			ifAny(marginOf(r) > 0, ", and shaded what would not matter") + "."}},
	}
	if len(r.Fairness) > 0 {
		t := fairness(r)
		s.Conditions = &t
	} else {
		s.Doubts = append(s.Doubts, "no condition was written down: whether the sides had the same is not known")
	}
	for _, a := range r.Adjusted {
		s.Doubts = append(s.Doubts, fmt.Sprintf("adjusted for %s: one more of it goes with %s %s; %s", said(r, a.Covariate), between(a.Slope, 4), unitOf(r.Measure), a.Why))
	}
	for _, p := range r.Pairs[:min(len(r.Pairs), mostPairs)] {
		s.Verdicts = append(s.Verdicts, p.Says)
	}
	return s, nil
}

// said is a column as people read it.
func said(r wire.CompareResult, column string) string { return cmp.Or(r.Words[column], column) }

func ifAny(yes bool, says string) string {
	if yes {
		return says
	}
	return ""
}

func marginOf(r wire.CompareResult) float64 { return (&differences{pairs: r.Pairs}).margin() }

// fairness is what the sides had alike and what not.
func fairness(r wire.CompareResult) Table {
	t := Table{Caption: "Conditions", Head: []string{"condition", "is"}}
	says := map[string]string{wire.FairSame: "the same", wire.FairDiffers: "different", wire.FairVaries: "varied on every side", wire.FairAdjusted: "different, adjusted for", wire.FairUnwritten: "not written down"}
	for _, side := range r.Sides {
		t.Head = append(t.Head, side.Level)
	}
	for _, row := range r.Fairness {
		t.Rows = append(t.Rows, append([]string{said(r, row.Condition), says[row.State]}, row.Values...))
	}
	return t
}

func sides(r wire.CompareResult, name string) Table {
	t := Table{Caption: "Sides: " + name, Head: []string{said(r, r.Factor), "trials", "laps", "mean (95 %)", "scatter of trials"}, Figures: []bool{false, true, true, true, true}}
	letters := len(r.Sides) > 2
	if letters {
		t.Head = append(t.Head, "may be alike")
		t.Caption += "; sides that share a letter may be alike"
	}
	for _, s := range r.Sides {
		row := []string{s.Level, fmt.Sprint(s.Trials), fmt.Sprint(s.Laps), between(s.Mean, decimalsOf(r.Measure)), value(s.SD, decimalsOf(r.Measure))}
		if letters {
			row = append(row, s.Letters)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func pairs(r wire.CompareResult, name string) Table {
	t := Table{Caption: "Differences of " + name, Head: []string{"pair", "difference (95 %)", "ratio (95 %)", "effect size (95 %)", "p"}, Figures: []bool{false, true, true, true, true, true}}
	adjusted := slices.ContainsFunc(r.Pairs, func(p wire.ComparedPair) bool { return p.Unadjusted != nil })
	if adjusted {
		t.Head = append(t.Head, "not adjusted (95 %)")
	}
	if len(r.Pairs) > mostPairs {
		t.More = fmt.Sprintf("%d pairs more stand in the figures.", len(r.Pairs)-mostPairs)
	}
	for _, p := range r.Pairs[:min(len(r.Pairs), mostPairs)] {
		row := []string{p.B + " less " + p.A, between(p.Difference, decimalsOf(r.Measure)), between(p.Ratio, 4), between(p.EffectSize, 2), probability(p.P)}
		if adjusted {
			row = append(row, none)
			if p.Unadjusted != nil {
				row[len(row)-1] = between(*p.Unadjusted, decimalsOf(r.Measure))
			}
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func unitOf(measure string) string {
	if measure == "speed_mm_s" {
		return "mm/s"
	}
	return "s"
}

func decimalsOf(measure string) int {
	if measure == "speed_mm_s" {
		return 1
	}
	return 3
}

// probability is shown to two figures, and never as 0.
func probability(p *float64) string {
	switch {
	case p == nil:
		return none
	case *p < 0.0001:
		return "below 0.0001"
	}
	return written(*p, 4)
}

// drawnFrom is how many attempts a limit has when a drawing of it tells more than a row;
// readings of a scale are drawn where there are fewer limits than that.
const drawnFrom = 3

// isDrawn reports whether a sheet has a drawing of a limit.
func isDrawn(l wire.PullLimit, r wire.PullResult) bool {
	return len(l.Attempts) >= drawnFrom && (l.Method != wire.PullStatic || len(r.Locomotives) < drawnFrom)
}

// drawings is how many a sheet of pull tests has.
func drawings(r wire.PullResult) (n int) {
	for _, l := range r.Locomotives {
		if isDrawn(l, r) {
			n++
		}
	}
	if r.Agreement != nil {
		n++
	}
	return n
}

// LimitSays is what limits a pull, in words.
func LimitSays(l wire.PullLimit) string {
	switch {
	case l.Limit == wire.LimitAdhesion:
		return "adhesion"
	case l.Limit == wire.LimitMotor:
		return "the motor"
	case l.Turned > 0 && l.Stopped > 0:
		return fmt.Sprintf("both seen: wheels turned %d times, stood %d", l.Turned, l.Stopped)
	case l.Method == wire.PullStatic:
		return "not looked at"
	}
	return "not written down"
}

// OfPulls is the sheet of pull tests.
func OfPulls(r wire.PullResult, about About) (Sheet, error) {
	s := Sheet{Title: about.Title, Question: cmp.Or(about.Question, pullAsked(r)), About: about.Lines, Doubts: r.Doubts}
	t := Table{
		Caption: "Limits; adhesion is the pull over the locomotive's own weight", Figures: []bool{false, true, false, true, true, true, false},
		Head: []string{"locomotive", "attempts", "seen, g", "95 in 100, g", "half, g", "net adhesion", "limited by"},
	}
	var doubts shared
	figures := drawings(r)
	for _, l := range r.Locomotives {
		if isDrawn(l, r) {
			svg, err := Pull(l, Light.beside(figures))
			if err != nil {
				return Sheet{}, err
			}
			s.Figures = append(s.Figures, Figure{svg, named(l) + "."})
		}
		s.Verdicts = append(s.Verdicts, pullSays(l))
		t.Rows = append(t.Rows, []string{named(l), fmt.Sprint(len(l.Attempts)), bracket(l), sure(l), between(l.Load50G, 0), between(l.Adhesion, 3), LimitSays(l)})
		doubts.add(named(l), l.Doubts...)
	}
	s.Doubts = append(s.Doubts, doubts.lines()...)
	if len(s.Figures) > 0 {
		s.Legend = "Discs moved, rings struggled, crosses stalled; the line is the share that moves with its 95 % band, the dashes take no shape for granted; the squares are the loads moved in 95 of 100 and in half."
	}
	s.Tables = []Table{t, pulled(r)}
	if r.Agreement != nil {
		svg, err := Agreement(*r.Agreement, Light.beside(figures))
		if err != nil {
			return Sheet{}, err
		}
		s.Figures = append(s.Figures, Figure{svg, agreementCaption})
		s.Verdicts = append(s.Verdicts, "Static against moving: "+r.Agreement.Says+". "+agreementSays(*r.Agreement))
	}
	return s, nil
}

// named is a locomotive with what parts its tests.
func named(l wire.PullLimit) string {
	if l.Name != "" {
		return l.Name
	}
	parts := []string{l.Locomotive, l.Method}
	for _, p := range []string{l.Direction, l.Set, ifAny(l.LoadIs == wire.LoadTrain, "a train"), ifAny(l.MassG != nil, value(l.MassG, 0)+" g")} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, ", ")
}

func bracket(l wire.PullLimit) string {
	if l.Method == wire.PullStatic {
		return "read off a scale"
	}
	says := "moved " + value(l.Bracket.MovedG, 0) + ", stalled " + value(l.Bracket.StalledG, 0)
	if most := mostMoved(l); l.Bracket.Overlap {
		says += ", overlapping: " + written(most, 0) + " moved too"
	}
	return says
}

// OfCoasting is the sheet of coasting runs.
func OfCoasting(r wire.CoastResult, about About) (Sheet, error) {
	svg, err := Coast(r, Light)
	if err != nil {
		return Sheet{}, err
	}
	s := Sheet{
		Title: about.Title, Question: cmp.Or(about.Question, coastAsked(r)), About: about.Lines, Doubts: r.Doubts,
		Figures: []Figure{{svg, "Resistance as slowing over speed on the straight with its 95 % band; below, each instant less what the fit gives for its place."}},
	}
	t := Table{
		Caption: "Slowing = a + b v + c v² + curve, v in m/s", Figures: []bool{false, true, true, true, true, true},
		Head: []string{"consist", "runs", "a, m/s²", "b, 1/s", "c, 1/m", "on curves, m/s²"},
	}
	var doubts shared
	for _, c := range r.Consists {
		t.Rows = append(t.Rows, []string{cmp.Or(c.Name, "the cars"), fmt.Sprint(c.Runs), between(c.A, 4), between(c.B, 4), between(c.C, 4), between(c.Curve, 4)})
		doubts.add(c.Name, slices.DeleteFunc(slices.Concat(c.Held, c.Doubts), func(d string) bool { return slices.Contains(r.Doubts, d) })...)
	}
	s.Doubts = append(slices.Clone(s.Doubts), doubts.lines()...)
	s.Tables = []Table{t}
	if len(r.Consists) > 0 {
		s.About = append(slices.Clone(s.About), Line{Name: "places of the gates", Says: placesSay(r.Consists[0].PlaceUMm)})
	}
	for _, a := range r.Against {
		s.Verdicts = append(s.Verdicts, againstSays(a))
	}
	return s, nil
}

func placesSay(uMm float64) string {
	if uMm == 0 {
		return "taken as exact"
	}
	return "each taken as known to " + written(uMm, 1) + " mm, standard uncertainty"
}

func againstSays(a wire.CoastAgainst) string {
	at := fmt.Sprintf("at %s mm/s, %s less %s: %s m/s² of slowing", written(a.SpeedMmS, 0), a.NameB, a.NameA, between(a.Difference, 4))
	switch a.Verdict {
	case "a_rolls":
		return a.NameA + " rolls more easily: " + at + "."
	case "b_rolls":
		return a.NameB + " rolls more easily: " + at + "."
	}
	return "Which of " + a.NameA + " and " + a.NameB + " rolls more easily cannot be told yet: " + at + "."
}
