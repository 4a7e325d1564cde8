package truth_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/truth"
	"rainhill/testdata/reference"
)

// G08: linear assignment, 3x3 from the scipy documentation, 5x5 made.
func TestAssignmentAgreesWithScipy(t *testing.T) {
	c := reference.Load(t, "G08")
	for _, size := range []string{"3x3", "5x5"} {
		var cost [][]float64
		c.Input(t, "cost_"+size, &cost)
		total, columns := 0.0, truth.Assign(cost)
		for row, col := range columns {
			total += cost[row][col]
		}
		c.CheckSame(t, size+" columns, total", []any{columns, total})
	}
}

const s = 1_000_000

// laps10 is a trial with n laps of 10 s from fromUs on, and passages at a half-way gate.
func laps10(trial string, fromUs float64, n int) truth.Trial {
	t := truth.Trial{Trial: trial, Passages: []truth.Passage{{Gate: "A", AtUs: fromUs}}}
	for k := range n {
		at := fromUs + float64(k)*10*s
		t.Laps = append(t.Laps, truth.Lap{Lap: k + 1, StartUs: at, LapTimeS: 10})
		t.Passages = append(t.Passages, truth.Passage{Gate: "B", AtUs: at + 5*s}, truth.Passage{Gate: "A", AtUs: at + 10*s})
	}
	return t
}

func measured(lap int, startUs int64, timeS float64) truth.ScoredLap {
	return truth.ScoredLap{Lap: lap, StartUs: startUs, LapTimeS: timeS, US: 0.001, Counts: "yes"}
}

// exact is a trial scored as it was.
func exact(t truth.Trial) truth.ScoredTrial {
	out := truth.ScoredTrial{Trial: t.Trial}
	for _, l := range t.Laps {
		out.Laps = append(out.Laps, measured(l.Lap, int64(l.StartUs), l.LapTimeS))
	}
	return out
}

func run(trials ...truth.Trial) truth.Run { return truth.Run{ToUs: 1000 * s, Trials: trials} }

func told(trials ...truth.ScoredTrial) truth.Scored { return truth.Scored{Trials: trials} }

// verdicts is the lines of a report, such as "a:matched a:missed".
func verdicts(r truth.Report) string {
	var out []string
	for _, l := range r.Lines {
		v := l.Trial + ":" + l.Verdict
		if l.TrueTrial != "" {
			v += ">" + l.TrueTrial
		}
		out = append(out, v)
	}
	return strings.Join(out, " ")
}

func TestVerdictsOnLaps(t *testing.T) {
	a, b := laps10("a", 0, 3), laps10("b", 3*s, 3)
	derailed := run(laps10("a", 0, 1))
	derailed.Incidents = []truth.Incident{{Trial: "a", Kind: truth.Derailment, AtUs: 12 * s, UntilUs: 17 * s}}
	aside := measured(2, 10*s, 15)
	aside.Counts = truth.CountsIncident
	for _, c := range []struct {
		name   string
		run    truth.Run
		scored truth.Scored
		want   string
	}{
		{"as it was", run(a), told(exact(a)), "a:matched a:matched a:matched"},
		{"nothing scored", run(laps10("a", 0, 1)), told(), "a:missed"},
		{"nothing true", run(), told(exact(laps10("a", 0, 1))), "a:false"},
		{"nothing at all", truth.Run{}, told(), ""},
		{"one lap missed", run(a), told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 10), measured(2, 20*s, 10)}}), "a:matched a:missed a:matched"},
		{"a lap scored twice", run(laps10("a", 0, 1)), told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 1000, 10), measured(2, 0, 10)}}), "a:matched a:false"},
		{"two laps taken for one", run(laps10("a", 0, 2)), told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 20)}}), "a:false a:missed a:missed"},
		{"one lap taken for two", run(laps10("a", 0, 1)), told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 4), measured(2, 4*s, 6)}}), "a:false a:matched"},
		{"trains mistaken for each other", run(laps10("a", 0, 1), laps10("b", 3*s, 1)),
			told(truth.ScoredTrial{Trial: "a", Laps: exact(b).Laps[:1]}, truth.ScoredTrial{Trial: "b", Laps: exact(a).Laps[:1]}), "a:wrong>b b:wrong>a"},
		{"another's lap too", run(laps10("a", 0, 1), laps10("b", 23*s, 1)),
			told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 10), measured(2, 23*s, 10)}}, exact(laps10("b", 23*s, 1))), "a:matched a:wrong>b b:matched"},
		{"a lap over a derailment", derailed, told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 10), measured(2, 10*s, 15)}}), "a:matched a:strange"},
		{"the same, set aside", derailed, told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 10), aside}}), "a:matched a:set aside"},
		{"a lap stretched over a derailment", derailed, told(truth.ScoredTrial{Trial: "a", Laps: []truth.ScoredLap{measured(1, 0, 14)}}), "a:strange a:missed"},
	} {
		r := truth.Compare(c.run, c.scored)
		if got := verdicts(r); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		sum := r.Laps.Matched + r.IncidentLaps.Matched + r.Wrong + r.False + r.Strange + r.SetAside
		if r.Scored != sum || r.Laps.True != r.Laps.Matched+r.Laps.Elsewhere+r.Laps.Missed {
			t.Errorf("%s: the counts do not add up: %+v", c.name, r)
		}
	}
}

// The first lap ends 4 ms late and says 1 ms, the second is bridged and marked,
// the third bridged, 200 ms off and not marked.
func TestErrorsBridgesAndCalibration(t *testing.T) {
	x := exact(laps10("a", 0, 4))
	x.Laps[0].LapTimeS += 0.004
	x.Laps[1].StartUs += 4000
	x.Laps[1].LapTimeS, x.Laps[1].US, x.Laps[1].Inferred = 10.296, 0.2, true
	x.Laps[2].StartUs += 300_000
	x.Laps[2].LapTimeS = 9.5
	x.Laps[3].StartUs -= 200_000
	x.Laps[3].LapTimeS = 10.2
	r := truth.Compare(run(laps10("a", 0, 4)), told(x))
	if r.Laps.Matched != 4 || r.Bridged != 1 || r.Unmarked != 2 || !r.Lines[2].Unmarked || r.Lines[0].Unmarked {
		t.Errorf("%d matched, %d bridged, %d unmarked, want 4, 1 and 2: %s", r.Laps.Matched, r.Bridged, r.Unmarked, verdicts(r))
	}
	near := func(name string, got truth.Number, want float64) {
		if math.Abs(float64(got)-want) > 1e-6 {
			t.Errorf("%s: %g, want %g", name, got, want)
		}
	}
	near("measured median", r.Measured.MedianMs, 200)
	near("measured max", r.Measured.MaxMs, 500)
	near("measured p95", r.Measured.P95Ms, 200+0.9*300) // h = 2 x 0.95
	near("inferred max", r.Inferred.MaxMs, 296)
	near("start of the third", r.Lines[2].StartMs, 300)
	near("end of the third", r.Lines[2].EndMs, -200)
	if r.Measured.Coverage.Within != 0 || r.Inferred.Coverage.Within != 1 || r.All.N != 4 {
		t.Errorf("coverage %+v, %+v, want 0 of 3 and 1 of 1", r.Measured, r.Inferred)
	}
	near("share of all", r.All.Coverage.Value, 0.25)
}

// What is not defined is null.
func TestNothingIsNotZero(t *testing.T) {
	r := truth.Compare(truth.Run{}, truth.Scored{})
	if !math.IsNaN(float64(r.All.MedianMs)) || !math.IsNaN(float64(r.All.Coverage.Lo)) {
		t.Errorf("no laps have median %g and coverage from %g, want NaN", r.All.MedianMs, r.All.Coverage.Lo)
	}
	if b, err := r.All.MaxMs.MarshalJSON(); err != nil || string(b) != "null" {
		t.Errorf("written as %s (%v), want null", b, err)
	}
}

func TestLapsAtTheEndAreNotSettled(t *testing.T) {
	r := truth.Compare(run(laps10("a", 0, 3)), told())
	if r.Laps.Missed != 3 || r.Laps.Unsettled != 1 || !r.Lines[2].Unsettled {
		t.Errorf("%+v, want 3 missed, the last of them not settled", r.Laps)
	}
}

func TestLapsWithIncidentsStandApart(t *testing.T) {
	a := laps10("a", 0, 3)
	a.Laps[1].Incident = true
	x := exact(a)
	x.Laps[1].Counts = truth.CountsIncident
	r := truth.Compare(run(a), told(x))
	if r.Laps.True != 2 || r.IncidentLaps != (truth.LapCount{True: 1, Matched: 1, Marked: 1}) || r.All.N != 2 || r.Incident.N != 1 {
		t.Errorf("%+v and %+v, want 2 laps and one with an incident", r.Laps, r.IncidentLaps)
	}
}

func TestIncidents(t *testing.T) {
	what := run(laps10("a", 0, 10), laps10("b", 3*s, 10))
	what.Incidents = []truth.Incident{
		{Trial: "a", Kind: truth.Stall, AtUs: 20 * s, UntilUs: 30 * s},
		{Trial: "a", Kind: truth.Derailment, AtUs: 25 * s},
		{Trial: "a", Kind: truth.Derailment, AtUs: 60 * s},
		{Trial: "b", Kind: truth.Reversal, AtUs: 50 * s},
	}
	scored := told(
		truth.ScoredTrial{Trial: "a", Incidents: []truth.ScoredIncident{
			{Kind: truth.Derailment, AtUs: 21 * s}, {Kind: truth.Stall, AtUs: 26 * s}, // each nearer to the other kind
			{Kind: truth.Stall, AtUs: 70 * s}, {Kind: truth.LiftOff, AtUs: 52 * s}, // the nearer is the derailment
		}},
		truth.ScoredTrial{Trial: "b", Incidents: []truth.ScoredIncident{{Kind: truth.Reversal, AtUs: 66 * s}}}) // 16 s late
	want := []truth.KindCount{
		{Kind: truth.Stall, True: 1, Right: 1, False: 1},
		{Kind: truth.Reversal, True: 1, Missed: 1, False: 1},
		{Kind: truth.Derailment, True: 2, Right: 1, Other: 1},
		{Kind: truth.LiftOff},
	}
	if got := truth.Compare(what, scored).Incidents; !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestTotalIsAllRunsTogether(t *testing.T) {
	one := truth.Compare(run(laps10("a", 0, 3)), told(exact(laps10("a", 0, 3))))
	two := truth.Compare(run(laps10("a", 0, 3)), told())
	r := truth.Total([]truth.Report{one, two})
	if r.Laps.True != 6 || r.Laps.Matched != 3 || r.Laps.Missed != 3 || r.Measured.N != 3 || r.Lines != nil {
		t.Errorf("%+v, want 6 laps, 3 of them matched", r.Laps)
	}
}
