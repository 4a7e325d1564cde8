package report_test

import (
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// Rows of a drawing are told apart however long and alike the names are: without what all
// share, in two lines, or by letters whose key has the whole names.
func TestLabelsStayDistinguishable(t *testing.T) {
	const swift = "Swift of the Northern Light Railway"
	for name, c := range map[string]struct {
		levels []string
		want   []string // lines of the drawing
	}{
		"short":              {[]string{"old", "new"}, []string{"old", "new", "new less old"}},
		"two lines":          {[]string{"Grey Heron", "Swift of the Line"}, []string{"Swift of the Line", "less Grey Heron"}},
		"what is not shared": {[]string{"Grey Heron with ball bearings, old", "Grey Heron with ball bearings, new"}, []string{"old", "new", "new less old", "old: Grey Heron with ball bearings, old   new: Grey Heron with ball bearings, new"}},
		"letters":            {[]string{swift, "Grey Heron, ball bearings large", "Grey Heron, ball bearings small"}, []string{"B less A", "C less A", "C less B"}},
	} {
		r := wire.CompareResult{Factor: "locomotive", Measure: "lap_time_s"}
		for i, l := range c.levels {
			r.Sides = append(r.Sides, wire.ComparedSide{Level: l, Trials: 1, Mean: estimate(20, 19, 21)})
			r.Trials = append(r.Trials, wire.ComparedTrial{Trial: "Tuesday evening at the hall " + []string{"1 t9", "1 t10", "2 t9"}[i], Level: l, Mean: 20, Laps: []float64{20}})
			for _, a := range c.levels[:i] {
				r.Pairs = append(r.Pairs, wire.ComparedPair{A: a, B: l, Difference: estimate(0.1, -0.1, 0.3)})
			}
		}
		for paper, on := range map[string]report.Paper{"wide": report.Light, "narrow": report.Light.Narrow()} {
			b, err := report.Compare(r, on)
			if err != nil {
				t.Fatal(err)
			}
			_, text := drawn(t, b)
			lines := strings.Split(text, "\n")
			for _, want := range append(c.want, "t9", "t10") {
				if len(c.levels) == 2 && paper == "wide" && !slices.Contains(lines, want) {
					t.Errorf("%s, %s: there is no line %q:\n%s", name, paper, want, text)
				}
			}
			if name == "letters" && !(slices.Contains(lines, "C less B") && strings.Contains(strings.Join(lines, " "), "C: Grey Heron, ball bearings small")) {
				t.Errorf("%s: pairs have no letters with a key:\n%s", paper, text)
			}
			for _, line := range lines {
				if strings.HasSuffix(line, "…") && !strings.HasPrefix(line, "A ") && !strings.HasPrefix(line, "B ") && !strings.HasPrefix(line, "C ") {
					t.Errorf("%s, %s: %q is cut", name, paper, line)
				}
			}
		}
	}
}

// Trials of several sessions, told apart by long names of these, have letters for sessions.
func TestOutingsOfLongSessions(t *testing.T) {
	r := wire.CompareResult{Factor: "tyres", Measure: "lap_time_s", Sides: []wire.ComparedSide{{Level: "old"}, {Level: "new"}}}
	for _, name := range []string{"Autumn evening with the junior section t9", "Winter morning with the other members t9"} {
		r.Trials = append(r.Trials, wire.ComparedTrial{Trial: name, Level: "old", Mean: 20, Laps: []float64{20}}, wire.ComparedTrial{Trial: name + "1", Level: "new", Mean: 20, Laps: []float64{20}})
	}
	b, err := report.Compare(r, report.Light)
	if err != nil {
		t.Fatal(err)
	}
	_, text := drawn(t, b)
	for _, want := range []string{"\na t9\n", "\nb t9\n", "\na t91\n", "a: Autumn evening with the junior section", "b: Winter morning with the other members"} {
		if !strings.Contains(strings.ReplaceAll(text, "   ", "\n"), want) {
			t.Errorf("nowhere %q:\n%s", want, text)
		}
	}
}
