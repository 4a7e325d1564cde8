package truth_test

import (
	"math"
	"testing"

	"rainhill/pkg/truth"
)

// setRun is two laps of 10 s by a train with two sets: front turns 1 and 3 % more
// than the ground, rear 2 % less and as much, so together 2 and -1 %; a third lap
// does not count. By hand: desync = 2 (0.99 - 1.02)/(0.99 + 1.02).
func setRun() (truth.Run, truth.Scored) {
	lap := func(n int, front, rear float64) truth.Lap {
		return truth.Lap{Lap: n, StartUs: float64(n) * 1e7, LapTimeS: 10, Slip: []truth.SetSlip{{Set: "front", Slip: front}, {Set: "rear", Slip: rear}}}
	}
	run := truth.Run{ToUs: 1e8, Trials: []truth.Trial{{Trial: "t", Train: "l", Laps: []truth.Lap{lap(1, 0.01, -0.02), lap(2, 0.03, 0), lap(3, 0.5, 0.5)},
		Sets: []truth.Set{
			{Set: "front", Motor: "m1", ResistanceOhm: 3, KVS: 0.008, NoLoadMa: 60, DroopMmSPerN: 50},
			{Set: "rear", Motor: "m2", Regulated: true},
		}}}}
	scored := truth.Scored{Trials: []truth.ScoredTrial{{Trial: "t"}}}
	for n, counts := range []string{"yes", "yes", "warmup"} {
		scored.Trials[0].Laps = append(scored.Trials[0].Laps, truth.ScoredLap{Lap: n + 1, StartUs: int64(n+1) * 1e7, LapTimeS: 10, US: 1e-3, Counts: counts})
	}
	return run, scored
}

func TestSetsAgainstTheTruth(t *testing.T) {
	nan := truth.Interval{Value: math.NaN(), Lo: math.NaN(), Hi: math.NaN()}
	run, scored := setRun()
	scored.Trials[0].Sets = []truth.ScoredSet{
		{Set: "front", Slip: truth.Interval{Value: 0.021, Lo: 0.0195, Hi: 0.0225}, Droop: truth.Interval{Value: 45, Lo: 42, Hi: 48}, Regulated: "unregulated"},
		{Set: "rear", Slip: truth.Interval{Value: -0.014, Lo: -0.015, Hi: -0.013}, Droop: nan, Regulated: "unregulated"},
	}
	desync := 2 * (0.99 - 1.02) / (0.99 + 1.02)
	scored.Trials[0].Desync = []truth.ScoredDesync{{A: "front", B: "rear", Desync: truth.Interval{Value: desync + 0.001, Lo: desync - 0.001, Hi: desync + 0.003}}}
	scored.Motors = []truth.ScoredMotor{{Motor: "m1", ResistanceOhm: truth.Interval{Value: 3.3, Lo: 2.9, Hi: 3.7}, KVS: truth.Interval{Value: 0.0079, Lo: 0.0078, Hi: 0.00795}, NoLoadMa: nan}}
	r := truth.Compare(run, scored).Sets
	near := func(name string, got truth.Number, want float64) {
		if !(math.Abs(float64(got)-want) < 1e-12) {
			t.Errorf("%s is %g, want %g", name, float64(got), want)
		}
	}
	near("the bias of slip", r.Slip.Bias, (0.001-0.004)/2)
	near("the greatest error of slip", r.Slip.Max, 0.004)
	near("how often slip holds", r.Slip.Coverage.Value, 0.5)
	near("the error of desync", r.Desync.Max, 0.001)
	near("how often desync holds", r.Desync.Coverage.Value, 1)
	near("the error of droop", r.Droop.Bias, -5)
	near("the error of resistance", r.ResistanceOhm.Bias, 0.1)
	near("the error of k", r.KVS.Bias, -0.0125)
	near("how often k holds", r.KVS.Coverage.Value, 0)
	if r.Droop.N != 1 || r.Droop.Untold != 1 || r.NoLoadMa.N != 0 || r.NoLoadMa.Untold != 1 || r.Regulated != (truth.Verdicts{Right: 1, Wrong: 1}) {
		t.Errorf("got %+v", r)
	}
	all := truth.Compare(run, scored)
	if two := truth.Total([]truth.Report{all, all}).Sets; two.Slip.N != 4 || two.Regulated.Wrong != 2 || two.Desync.N != 2 {
		t.Errorf("two runs together: %+v", two)
	}
}

// What was not said counts as unknown or untold, and a trial none of whose laps
// counts has no true slip.
func TestSetsNotTold(t *testing.T) {
	run, scored := setRun()
	scored.Trials[0].Sets = []truth.ScoredSet{{Set: "front", Slip: truth.Interval{Value: math.NaN()}, Regulated: "unknown"}, {Set: "elsewhere"}}
	scored.Motors = []truth.ScoredMotor{{Motor: "another"}}
	if r := truth.Compare(run, scored).Sets; r.Slip.N != 0 || r.Slip.Untold != 1 || r.Regulated != (truth.Verdicts{Unknown: 1}) || r.KVS.N+r.KVS.Untold != 0 {
		t.Errorf("got %+v", r)
	}
	for i := range scored.Trials[0].Laps {
		scored.Trials[0].Laps[i].Counts = "incident"
	}
	if r := truth.Compare(run, scored).Sets; r.Slip.N+r.Slip.Untold != 0 {
		t.Errorf("no lap counts, and slip is judged: %+v", r.Slip)
	}
}
