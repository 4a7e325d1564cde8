package pull_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/pull"
)

// Whatever was tried, what is said of it is finite, in order, and the fit comes to rest.
func TestAnyAttempts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var as []pull.Attempt
		for range rapid.IntRange(1, 40).Draw(t, "attempts") {
			as = append(as, pull.Attempt{
				LoadG:   float64(rapid.IntRange(0, 60).Draw(t, "load")) * rapid.SampledFrom([]float64{1, 5, 37.5}).Draw(t, "unit"),
				Outcome: pull.Outcome(rapid.IntRange(0, 2).Draw(t, "outcome")),
			})
		}
		l := pull.Judge(as)
		ts := l.Tallies
		if _, err := pull.Firth(ts); err != nil && len(ts) > 1 {
			t.Fatalf("%v: %v", as, err)
		}
		for _, x := range []pull.Interval{l.Load50, l.Load95} {
			ok := x.Lo <= x.Value && x.Value <= x.Hi && x.Lo >= 0 && !math.IsInf(x.Hi, 0)
			if math.IsNaN(x.Value) && len(l.Doubts) == 0 || !math.IsNaN(x.Value) && !ok {
				t.Fatalf("%v: %+v, %q", as, x, l.Doubts)
			}
		}
		if l.FitOK && !(l.Load95.Value <= l.Load50.Value && l.Load95.Lo <= l.Load50.Lo && l.Load95.Hi <= l.Load50.Hi) {
			t.Fatalf("%v: load95 %+v above load50 %+v", as, l.Load95, l.Load50)
		}
		for i := 1; i < len(l.Steps); i++ {
			if l.Steps[i] > l.Steps[i-1]+1e-12 {
				t.Fatalf("the steps rise: %v", l.Steps)
			}
		}
		if n := pull.Suggest(as, 0, 0); len(ts) > 0 && !(n.LoadG > 0) || math.IsInf(n.LoadG, 0) || n.Why == "" {
			t.Fatalf("%v: next %+v", as, n)
		}
	})
}

// The suggestion brackets a limit that it does not know, in loads that can be laid out, and
// says when it is done.
func TestSuggestionsFindTheLimit(t *testing.T) {
	for _, limit := range []float64{37, 212, 1490} {
		var as []pull.Attempt
		for len(as) < 40 {
			n := pull.Suggest(as, limit*4, 0)
			if n.Done {
				break
			}
			if s := pull.StepOf(n.LoadG, 0); math.Abs(n.LoadG/s-math.Round(n.LoadG/s)) > 1e-6 && len(as) < 6 {
				t.Errorf("%g g is no load of %g g steps", n.LoadG, s)
			}
			o := pull.Moved
			if n.LoadG > limit {
				o = pull.Stalled
			}
			as = append(as, pull.Attempt{LoadG: n.LoadG, Outcome: o})
		}
		l := pull.Judge(as)
		if len(as) >= 40 || !(l.Load50.Lo <= limit && limit <= l.Load50.Hi) || l.Load50.Hi-l.Load50.Lo > 0.11*limit {
			t.Errorf("after %d attempts at a limit of %g: %+v", len(as), limit, l.Load50)
		}
	}
	if n := pull.Suggest(nil, 0, 0); n.LoadG != 0 || n.Done {
		t.Errorf("with nothing known: %+v", n)
	}
	if n := pull.Suggest(nil, 900, 25); n.LoadG != 100 {
		t.Errorf("of 900 g with weights of 25: %+v, want 100 g", n)
	}
}
