package wire_test

import (
	"testing"

	"rainhill/pkg/wire"
)

func TestHistoryIsOfTheLocomotivesOwnTrials(t *testing.T) {
	about := func(id string, conditions map[string]any) *wire.Trial {
		return &wire.Trial{ID: id, Locomotive: "heron", Conditions: conditions}
	}
	h := wire.History{Locomotive: "heron"}
	h.Add(wire.Session{ID: "s1"}, wire.Results{Trials: []wire.TrialResult{
		{Trial: "t1", Train: "heron", About: about("t1", nil)},
		{Trial: "t2", Train: "swift", About: &wire.Trial{ID: "t2", Locomotive: "swift"}},
		{Trial: "t3", Train: "heron", About: about("t3", map[string]any{wire.CondCoast: "yes"})},
		{Trial: "t4", Train: "heron"}, // of rules that did not say more
		{Trial: "t5", Train: "heron", About: about("t5", map[string]any{wire.CondCoast: "no"})},
	}})
	var ids string
	for _, p := range h.Trials {
		ids += p.About.ID + " "
	}
	if ids != "t1 t4 t5 " {
		t.Errorf("history of %q, want t1 t4 t5: neither another's nor cars that coasted", ids)
	}
}
