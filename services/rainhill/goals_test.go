package main

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/testdata/effort"
)

var goalSeeds = flag.Int("goals", 0, "score every scenario at its full length with so many `seeds`, and print the table of DEVELOPERS.md")

// goal is what must be reached on a scenario: the share of laps on the right
// train, the greatest median and error of measured laps in ms, and whether
// incidents are looked for. In none may a lap be false, strange or bridged without
// saying so.
type goal struct {
	scenario         string
	right            float64
	medianMs, mostMs float64
	incidents        bool
	wrong            float64 // share of laps that may be on a wrong train
}

var goals = []goal{
	{scenario: "clean", right: 1, medianMs: 0.001, mostMs: 0.001},
	{scenario: "decent", right: 1, medianMs: 1, mostMs: math.Inf(1)},
	{scenario: "hostile", right: 0.999, medianMs: math.Inf(1), mostMs: 5},
	{scenario: "lone-gate", right: 1, medianMs: 1, mostMs: math.Inf(1)},
	{scenario: "three-decent", right: 0.999, medianMs: 1, mostMs: math.Inf(1), wrong: 0.001},
	{scenario: "three-hostile", right: 0.995, medianMs: math.Inf(1), mostMs: math.Inf(1), wrong: 0.005},
	{scenario: "eight-tagged", right: 0.995, medianMs: 1, mostMs: math.Inf(1), wrong: 0.005},
	{scenario: "stall", right: 0.999, medianMs: 1, mostMs: math.Inf(1), incidents: true},
	{scenario: "reversal", right: 0.99, medianMs: 1, mostMs: math.Inf(1), incidents: true},
	{scenario: "derailment", right: 0.99, medianMs: 1, mostMs: math.Inf(1), incidents: true},
	{scenario: "lift-off", right: 0.99, medianMs: 1, mostMs: math.Inf(1), incidents: true},
}

// scoreRun simulates a scenario and scores it with the code of the service.
func scoreRun(t *testing.T, name string, seed int64, minutes float64) truth.Report {
	t.Helper()
	s, err := sim.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	if minutes > 0 {
		s.Minutes = minutes
	}
	var events []wire.Event
	setup, run, err := sim.Simulate(s, seed, simulatedFromUs, func(e wire.Event) error {
		events = append(events, e)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	state := trial.New("goals")
	for _, e := range append(trial.FromSetup(setup, "run", simulatedFromUs), events...) {
		state.Step(e)
	}
	state.Finish()
	return truth.Compare(run, scoredOf(state.Results()))
}

// The project's own simulator, scored against what it knows to be true. Without
// -goals a smaller run: two seeds, eight minutes each, and under the race detector
// the first scenarios alone.
func TestGoals(t *testing.T) {
	t.Parallel()
	asked, seeds, minutes := goals[:effort.Cases(len(goals), 3)], 2, 8.0
	if *goalSeeds > 0 {
		asked, seeds, minutes = goals, *goalSeeds, 0
	}
	table := []string{"| situation | laps | right | wrong, false, strange | bridged, unmarked | error of measured laps, ms: median, 95 %, most | 95 % intervals hold: measured, all | incidents: found, of, too late to be found, false |", "| --- | --- | --- | --- | --- | --- | --- | --- |"}
	for _, g := range asked {
		t.Run(g.scenario, func(t *testing.T) {
			var all []truth.Report
			for seed := range seeds {
				all = append(all, scoreRun(t, g.scenario, int64(seed+1), minutes))
			}
			total := truth.Total(all)
			table = append(table, goalRow(g, total))
			g.check(t, total, *goalSeeds > 0)
		})
	}
	if *goalSeeds > 0 {
		fmt.Fprintln(os.Stderr, strings.Join(table, "\n"))
	}
}

func kinds(r truth.Report) (all truth.KindCount) {
	for _, k := range r.Incidents {
		all.True, all.Right, all.Other, all.Missed, all.Late, all.False = all.True+k.True, all.Right+k.Right, all.Other+k.Other, all.Missed+k.Missed, all.Late+k.Late, all.False+k.False
	}
	return all
}

func goalRow(g goal, r truth.Report) string {
	k := kinds(r)
	incidents := ""
	if k.True+k.False > 0 {
		incidents = fmt.Sprintf("%d (%d of the right kind), %d, %d, %d", k.Right+k.Other, k.Right, k.True, k.Late, k.False)
	}
	return fmt.Sprintf("| %s | %d | %.2f %% | %d, %d, %d | %d, %d | %.3g, %.3g, %.3g | %.1f %%, %.1f %% | %s |", g.scenario, r.Laps.True,
		100*float64(r.Laps.Matched)/float64(r.Laps.True), r.Wrong, r.False, r.Strange, r.Bridged, r.Unmarked,
		float64(r.Measured.MedianMs), float64(r.Measured.P95Ms), float64(r.Measured.MaxMs),
		100*float64(r.Measured.Coverage.Value), 100*float64(r.All.Coverage.Value), incidents)
}

// check holds a report against the goals. The small run is too few laps to say
// more of the intervals than that they are not far off.
func (g goal) check(t *testing.T, r truth.Report, whole bool) {
	t.Helper()
	if r.Laps.True < 50 {
		t.Fatalf("only %d true laps", r.Laps.True)
	}
	if float64(r.Laps.Matched) < g.right*float64(r.Laps.True) {
		t.Errorf("%d of %d laps are right, want %.1f %%", r.Laps.Matched, r.Laps.True, 100*g.right)
	}
	if float64(r.Wrong) > g.wrong*float64(r.Laps.True) || r.False > 0 && !g.incidents || r.Strange > 0 || r.Unmarked > 0 {
		t.Errorf("laps: %d wrong, %d false, %d strange, %d bridged and not marked", r.Wrong, r.False, r.Strange, r.Unmarked)
	}
	if m := r.Measured; float64(m.MedianMs) > g.medianMs || float64(m.MaxMs) > g.mostMs {
		t.Errorf("measured laps are %.4f ms off at the median, %.4f at most; want %g and %g", m.MedianMs, m.MaxMs, g.medianMs, g.mostMs)
	}
	room := 0.02
	if !whole { // three standard deviations of a binomial on top
		room += 3 * math.Sqrt(0.95*0.05/float64(r.All.N))
	}
	if c := float64(r.All.Coverage.Value); g.scenario != "clean" && math.Abs(c-0.95) > room {
		t.Errorf("the 95 %% intervals hold the truth of %.1f %% of %d laps", 100*c, r.All.N)
	}
	k := kinds(r)
	if !g.incidents && k.False > 0 {
		t.Errorf("%d incidents are reported, and none was", k.False)
	}
	if g.incidents && (k.True < 2 || float64(k.Right+k.Other) < 0.9*float64(k.True-k.Late)) {
		t.Errorf("incidents: %d of %d reported", k.Right+k.Other, k.True-k.Late)
	}
}
