package scoring_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/scoring"
)

func ptr[T any](v T) *T { return &v }

// tried is a closed trial of an experiment, whose laps had this mean and its sets this
// desync.
func tried(pair, place int, trim string, meanS, desync float64) wire.TrialResult {
	about := wire.Trial{ID: fmt.Sprintf("t%d-%d", pair, place), Locomotive: "heron", ToUs: 2, EndsAfterLaps: 3, Conditions: map[string]any{
		wire.CondExperiment: "x1", wire.CondPair: float64(pair), wire.CondPlace: float64(place), wire.CondTrim: trim, wire.CondSetA: "front", wire.CondSetB: "rear", "throttle_permille": 500.0}}
	return wire.TrialResult{Trial: about.ID, State: "closed", About: &about, Consistency: wire.Consistency{N: 3, MeanS: ptr(meanS)},
		SpeedMmS: wire.Estimate{Value: ptr(8000 / meanS)}, Desync: []wire.Desync{{A: "front", B: "middle", Value: ptr(0.5)}, {A: "front", B: "rear", Value: ptr(desync)}}}
}

// The pairs are Student's ten patients (1908, Biometrika 6, 1): the second drug less the
// first is 1.58 with the interval 0.70 to 2.46, as R's t.test gives it.
func TestPairsAreCompared(t *testing.T) {
	off := []float64{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0, 2}
	on := []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
	var r wire.Results
	for i := range off {
		r.Trials = append(r.Trials, tried(i+1, 1, wire.TrimOff, 20+off[i], -0.02), tried(i+1, 2, wire.TrimOn, 20+on[i], 0.01))
	}
	x, err := scoring.ComparePairs(r, "x1")
	if err != nil {
		t.Fatal(err)
	}
	d := x.LapTimeS.Difference
	if x.LapTimeS.N != 10 || math.Abs(*d.Value-1.58) > 1e-9 || math.Abs(*d.Lo-0.7001142) > 1e-6 || math.Abs(*d.Hi-2.4598858) > 1e-6 || math.Abs(*x.LapTimeS.Off-20.75) > 1e-9 {
		t.Errorf("%+v of %g, %g to %g", x.LapTimeS, *d.Value, *d.Lo, *d.Hi)
	}
	if d := x.Desync.Difference; math.Abs(*d.Value+0.01) > 1e-12 || len(x.Doubts) > 0 {
		t.Errorf("desync %g, doubts %v: its size counts, not its sign", *d.Value, x.Doubts)
	}
}

// Trim holds what is measured: where the wheels leave the desync of every run as uncertain
// as it is large, the difference between runs says nothing of the true one, and that is told.
func TestWhatTrimCannotTakeOff(t *testing.T) {
	for _, c := range []struct {
		half  float64
		grown bool
	}{{0.0077, true}, {0.0004, false}} {
		var r wire.Results
		for i := range 3 {
			for place, trim := range []string{wire.TrimOff, wire.TrimOn} {
				x := tried(i+1, place+1, trim, 20, []float64{0.0011, 0.0001}[place])
				d := &x.Desync[1]
				d.Lo, d.Hi = ptr(*d.Value-c.half), ptr(*d.Value+c.half)
				x.Desync[0].Lo, x.Desync[0].Hi = ptr(-0.9), ptr(0.9) // of another pair of sets
				r.Trials = append(r.Trials, x)
			}
		}
		x, err := scoring.ComparePairs(r, "x1")
		if err != nil || len(x.Doubts) != 1 {
			t.Fatal(err, x.Doubts)
		}
		if d := x.Doubts[0]; !strings.Contains(d, fmt.Sprintf("+/- %.2f %%", 100*c.half)) || strings.Contains(d, "may even have grown") != c.grown {
			t.Errorf("half an interval of %g: %q", c.half, d)
		}
	}
}

func TestWhatIsNotCompared(t *testing.T) {
	void, fell, open, short, again := tried(1, 1, wire.TrimOff, 99, 0), tried(2, 1, wire.TrimOn, 99, 0), tried(3, 2, wire.TrimOn, 99, 0), tried(4, 1, wire.TrimOff, 99, 0), tried(1, 1, wire.TrimOff, 20, 0.02)
	void.About.Void, fell.About.Outcome, open.State, short.Consistency.N = true, wire.Derailed, "open", 2
	other := tried(1, 2, wire.TrimOn, 99, 0)
	other.About.Conditions[wire.CondExperiment] = "x2"
	strange := tried(1, 2, wire.TrimOn, 99, 0)
	strange.About.Conditions[wire.CondPair] = "one"
	on := tried(1, 2, wire.TrimOn, 21, 0.01)
	on.About.Battery = "pack-b"
	on.Desync = nil
	r := wire.Results{Trials: []wire.TrialResult{void, again, on, fell, tried(2, 2, wire.TrimOff, 99, 0), open, tried(3, 1, wire.TrimOff, 99, 0), short, tried(4, 2, wire.TrimOn, 99, 0), other, strange, {Trial: "older"}}}
	x, err := scoring.ComparePairs(r, "x1")
	if err != nil {
		t.Fatal(err)
	}
	var left []string
	for _, p := range x.Runs {
		left = append(left, p.Left)
	}
	if want := []string{"void", "", "", "derailed", "", "not over yet", "", "2 of 3 laps count", ""}; !slices.Equal(left, want) {
		t.Errorf("left %q, want %q", left, want)
	}
	if d := x.LapTimeS; d.N != 1 || *d.Difference.Value != 1 || d.Difference.Lo != nil || d.Difference.Hi != nil {
		t.Errorf("of one pair: %+v", d)
	}
	if d := x.Desync; d.N != 0 || d.Difference.Value != nil {
		t.Errorf("without desync of either: %+v", d)
	}
	if !slices.Contains(x.Doubts, "the battery was not the same in all runs") {
		t.Errorf("doubts %q", x.Doubts)
	}
	rows := slices.Collect(wire.PairedRows("x1")(r))
	if len(rows) != 0 {
		t.Errorf("%d rows of trials without laps", len(rows))
	}
	if _, err := scoring.ComparePairs(r, "nothing"); err == nil {
		t.Error("an experiment that there is not was compared")
	}
}
