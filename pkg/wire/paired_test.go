package wire_test

import (
	"bytes"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// A lap of an experiment has the columns of any lap, and then those of its turn.
func TestPairedLapsHaveTheColumnsOfLaps(t *testing.T) {
	about := func(trim string, void bool) *wire.Trial {
		return &wire.Trial{Locomotive: "wren", Consist: "coal", Battery: "pack-a", Void: void, Conditions: map[string]any{
			wire.CondExperiment: "x1", wire.CondPair: 1.0, wire.CondPlace: 1.0, wire.CondTrim: trim, "throttle_permille": 500.0,
		}}
	}
	laps := []wire.Lap{{Lap: 1, LapTimeS: 20.08, Source: "measured", Counts: "yes"}}
	r := wire.Results{Session: &wire.Session{ID: "s1", Circuit: "oval"}, Trials: []wire.TrialResult{
		{Trial: "t1", Train: "wren", About: about(wire.TrimOn, false), Laps: laps},
		{Trial: "t2", Train: "wren", About: about(wire.TrimOff, true), Laps: laps}, // void
		{Trial: "t3", Train: "wren", About: &wire.Trial{Locomotive: "wren"}, Laps: laps},
	}}
	var all, paired bytes.Buffer
	if err := wire.WriteCSV(&all, wire.LapRows(r)); err != nil {
		t.Fatal(err)
	}
	if err := wire.WriteCSV(&paired, wire.PairedRows("x1")(r)); err != nil {
		t.Fatal(err)
	}
	want := strings.Split(all.String(), "\n")
	got := strings.Split(strings.TrimSpace(paired.String()), "\n")
	if len(got) != 2 || got[0] != want[0]+",trim,pair,place,order,throttle_permille,battery" || got[1] != want[1]+",on,1,1,1,500,pack-a" {
		t.Errorf("laps:\n%s\npaired:\n%s", all.String(), paired.String())
	}
}
