package report_test

import (
	"strings"
	"testing"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// A sheet that was given no question makes one from its choices, and keeps one that it was given.
func TestSheetsAsk(t *testing.T) {
	of := func(factor, words string, levels ...string) wire.CompareResult {
		r := wire.CompareResult{Factor: factor, Words: map[string]string{factor: words}, Fairness: []wire.FairnessRow{{Condition: "locomotive", State: wire.FairSame, Values: []string{"Grey Heron", "Grey Heron"}}}}
		for _, l := range levels {
			r.Sides = append(r.Sides, wire.ComparedSide{Level: l, Trials: 3})
		}
		return r
	}
	for want, r := range map[string]wire.CompareResult{
		"Is Grey Heron with new tyres faster than with old?":            of("tyres", "tyres", "new", "old"),
		"Is Grey Heron with load 200 g faster than with 300 g?":         of("load_g", "load in g", "200", "300"),
		"Is Grey Heron with trim on faster than with off?":              of("trim", "trim", "on", "off"),
		"Is Wren faster than Otter?":                                    of("locomotive", "locomotive", "Wren", "Otter"),
		"Which of Wren, Otter and Swift is fastest?":                    of("locomotive", "locomotive", "Wren", "Otter", "Swift"),
		"With which load is Grey Heron fastest: 200 g, 300 g or 400 g?": of("load_g", "load in g", "200", "300", "400"),
		"With which of 7 values of tyres is Grey Heron fastest?":        of("tyres", "tyres", "a", "b", "c", "d", "e", "f", "g"),
		"": of("tyres", "tyres", "new"),
		"Is Grey Heron with battery pack-a faster than with pack-b?": of("battery", "battery", "pack-a", "pack-b"),
	} {
		if s, err := report.OfComparison(r, report.About{}); err != nil || s.Question != want {
			t.Errorf("asks %q, want %q (%v)", s.Question, want, err)
		}
		if s, err := report.OfComparison(r, report.About{Question: "Do tyres pay?"}); err != nil || s.Question != "Do tyres pay?" {
			t.Errorf("was given a question and asks %q (%v)", s.Question, err)
		}
	}
	if s, err := report.OfPulls(pulls(), report.About{}); err != nil || s.Question != "How much does heron pull?" {
		t.Errorf("asks %q (%v)", s.Question, err)
	}
	if s, err := report.OfCoasting(coasting(), report.About{}); err != nil || s.Question != "What slows six-vans down, rolling freely?" {
		t.Errorf("asks %q (%v)", s.Question, err)
	}
}

// A sheet says by which method each difference was had, and how intervals hold together.
func TestSheetsSayHowIntervalsHold(t *testing.T) {
	r := comparison()
	r.Pairs[0].Method, r.Pairs[0].Unit = "difference of trial means (Welch)", wire.UnitTrial
	said := func() string {
		s, err := report.OfComparison(r, report.About{})
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(s.Reckoned, "\n")
	}
	if got := said(); !strings.Contains(got, "The difference: difference of trial means (Welch).") || strings.Contains(got, "hold together") || !strings.Contains(got, "two one-sided tests") {
		t.Errorf("of one pair: %s", got)
	}
	r.Pairs[0].Method = "difference (Welch with 1.03 times its critical value)"
	r.Pairs = append(r.Pairs, r.Pairs[0])
	r.Pairs[1].Method = "difference (Welch with 1.10 times its critical value)"
	if got := said(); !strings.Contains(got, "Each difference: difference (Welch with 1.03 to 1.10 times its critical value).") {
		t.Errorf("of two widths: %s", got)
	}
	r.Pairs = r.Pairs[:1]
	r.Sides = append(r.Sides, wire.ComparedSide{Level: "oiled", Trials: 1})
	r.Pairs = append(r.Pairs, wire.ComparedPair{A: "plain", B: "oiled", Unit: wire.UnitTrial, Method: "the lone trial (Student)"})
	if got := said(); !strings.Contains(got, "oiled less plain: the lone trial (Student).") || !strings.Contains(got, "the 2 differences hold together") ||
		!strings.Contains(got, "studentised range (Games and Howell) and where a side has one trial by the error shared out alike over the pairs (Bonferroni)") {
		t.Errorf("of two pairs: %s", got)
	}
}
