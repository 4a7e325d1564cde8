package scoring_test

import (
	"slices"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/scoring"
)

// ranIn is a session with two trials, run-1 of one locomotive and run-2 of another.
func ranIn(id string) wire.Results {
	r := wire.Results{Session: &wire.Session{ID: id, Circuit: "oval"}}
	for i, train := range []string{"alder", "birch"} {
		t := wire.TrialResult{Trial: []string{"run-1", "run-2"}[i], Train: train, State: "closed", About: &wire.Trial{}}
		for lap := range 5 {
			t.Laps = append(t.Laps, wire.Lap{Lap: lap, LapTimeS: 20 + float64(i) + 0.01*float64(lap*3%5), Counts: wire.CountsYes, Final: true})
		}
		r.Trials = append(r.Trials, t)
	}
	return r
}

// Two sessions have a run-1 each: either can be left out or taken alone, by session and id.
func TestTrialsAreNamedWithTheirSession(t *testing.T) {
	for _, c := range []struct {
		name        string
		leave, only []string
		want        []string
	}{
		{"all", nil, nil, []string{"evening/run-1", "evening/run-2", "morning/run-1", "morning/run-2"}},
		{"one left out", []string{"evening/run-1"}, nil, []string{"evening/run-2", "morning/run-1", "morning/run-2"}},
		{"an id leaves both out", []string{"run-1"}, nil, []string{"evening/run-2", "morning/run-2"}},
		{"some taken", nil, []string{"evening/run-1", "run-2"}, []string{"evening/run-1", "evening/run-2", "morning/run-2"}},
		{"taken and left out", []string{"morning/run-2"}, []string{"morning/run-1", "run-2"}, []string{"evening/run-2", "morning/run-1"}},
	} {
		ask := wire.CompareAsk{Factor: wire.ByDirection, Leave: c.leave, Trials: c.only}
		sessions := []wire.Results{ranIn("morning"), ranIn("evening")}
		for i := range sessions {
			for k := range sessions[i].Trials {
				sessions[i].Trials[k].About.Direction = []string{"forward", "reverse"}[k]
			}
		}
		out, err := scoring.HeldAgainst(ask, sessions, nil)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for i, s := range sessions {
			for _, trial := range s.Trials {
				got = append(got, out.Sessions[i].ID+"/"+trial.Trial)
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	out, err := scoring.HeldAgainst(wire.CompareAsk{Factor: wire.ByLocomotive, Leave: []string{"evening/run-1"}}, []wire.Results{ranIn("morning"), ranIn("evening")}, nil)
	if err != nil || len(out.Result.Trials) != 3 {
		t.Fatalf("%v %+v", err, out.Result.Trials)
	}
	for _, trial := range out.Result.Trials {
		if trial.Trial != trial.Session+" run-1" && trial.Trial != trial.Session+" run-2" || trial.Trial == "evening run-1" {
			t.Errorf("%+v", trial)
		}
	}
}
