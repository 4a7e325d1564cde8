package report

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
)

// mostNamed is how many things a question names; of more it says what they are.
const mostNamed = 6

// compareAsked is what a comparison answers as a question, made from its choices; empty where
// there are not two sides.
func compareAsked(r wire.CompareResult) string {
	var levels []string
	for _, s := range r.Sides {
		levels = append(levels, s.Level)
	}
	if len(levels) < 2 {
		return ""
	}
	name, unit, _ := strings.Cut(said(r, r.Factor), " in ")
	train := subject(r)
	many := len(levels) > mostNamed
	switch {
	case r.Factor == wire.ByLocomotive && len(levels) == 2:
		return "Is " + levels[0] + " faster than " + levels[1] + "?"
	case r.Factor == wire.ByLocomotive && many:
		return "Which of " + strconv.Itoa(len(levels)) + " locomotives is fastest?"
	case r.Factor == wire.ByLocomotive:
		return "Which of " + listed(levels, "and") + " is fastest?"
	case many:
		return "With which of " + strconv.Itoa(len(levels)) + " values of " + name + " is " + train + " fastest?"
	case len(levels) == 2:
		return "Is " + train + " with " + having(name, unit, levels[0]) + " faster than with " + worth(levels[1], unit) + "?"
	}
	for i := range levels {
		levels[i] = worth(levels[i], unit)
	}
	return "With which " + name + " is " + train + " fastest: " + listed(levels, "or") + "?"
}

// subject is the locomotive that ran on every side, where it is written down.
func subject(r wire.CompareResult) string {
	for _, f := range r.Fairness {
		if f.Condition == wire.ByLocomotive && f.State == wire.FairSame && len(f.Values) > 0 {
			return f.Values[0]
		}
	}
	return "the train"
}

// worth is a level with its unit.
func worth(level, unit string) string { return strings.TrimSpace(level + " " + unit) }

// having is a condition with a level: new tyres, load 200 g, trim on, battery pack-a.
func having(name, unit, level string) string {
	_, err := strconv.ParseFloat(level, 64)
	thing := slices.Contains([]string{wire.ByConsist, wire.ByBattery, wire.ByCircuit, wire.ByDirection, wire.BySession}, name)
	if err == nil || thing || slices.Contains([]string{"yes", "no", "on", "off"}, level) {
		return name + " " + worth(level, unit)
	}
	return level + " " + name
}

// pullAsked is what pull tests answer as a question.
func pullAsked(r wire.PullResult) string {
	var names []string
	for _, l := range r.Locomotives {
		name, _, _ := strings.Cut(cmp.Or(l.Name, l.Locomotive), ", "+l.Method)
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	switch {
	case len(names) == 0:
		return ""
	case len(names) == 1:
		return "How much does " + names[0] + " pull?"
	case len(names) > mostNamed:
		return "How much do " + strconv.Itoa(len(names)) + " locomotives pull?"
	}
	return "How much do " + listed(names, "and") + " pull?"
}

// coastAsked is what coasting answers as a question.
func coastAsked(r wire.CoastResult) string {
	var names []string
	for _, c := range r.Consists {
		names = append(names, cmp.Or(c.Name, "the cars"))
	}
	switch {
	case len(names) == 0:
		return ""
	case len(names) == 1:
		return "What slows " + names[0] + " down, rolling freely?"
	case len(names) == 2:
		return "Which rolls more easily, " + listed(names, "or") + "?"
	case len(names) > mostNamed:
		return "Which of " + strconv.Itoa(len(names)) + " consists rolls most easily?"
	}
	return "Which rolls most easily: " + listed(names, "or") + "?"
}

// listed joins names: a, b and c.
func listed(names []string, and string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " " + and + " " + names[len(names)-1]
}
