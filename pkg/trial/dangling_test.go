package trial_test

import (
	"testing"

	"rainhill/pkg/wire"
)

// Nothing that a meet stands on is taken away from under it: classes with entries in
// them, entries that are to run or have run, a running order of which runs were made.
func TestNothingOfAMeetIsLeftWithoutWhatItNames(t *testing.T) {
	d := newDay(t)
	two := wire.Meet{Rank: wire.RankMeanTime, Rounds: 1, Classes: []wire.Class{{ID: "a"}, {ID: "b"}}}
	d.must(wire.WhatMeet, "", wire.Meet{Rank: wire.RankMeanTime, Rounds: 1, Classes: []wire.Class{{ID: "a"}}})
	more := d.must(wire.WhatMeet, "", two)
	e1 := d.must(wire.WhatEntry, "", wire.Entry{ID: "e1", Person: "Bo", Locomotive: "wren", Class: "b"})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: more}, "entry e1")
	d.refused(wire.WhatMeet, "", wire.Meet{Rank: wire.RankMeanTime, Rounds: 1}, "entry e1")
	e2 := d.must(wire.WhatEntry, "", wire.Entry{ID: "e2", Person: "Cy", Locomotive: "heron", Class: "a"})
	plan := d.must(wire.WhatPlan, "", wire.Plan{Design: "blocks", Rounds: 1, Runs: []wire.Run{{ID: "run-1", Round: 1, Place: 1, Entry: "e1"}}})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: e1}, "running order")
	d.refused(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", Run: "run-1", Entry: "e2"}, "entry")
	d.refused(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", Run: "run-1"}, "entry")
	d.refused(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", Entry: "nobody"}, "entry")
	opened := d.must(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", Run: "run-1", Entry: "e1"})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: plan}, "trial t1")
	own := d.must(wire.WhatTrial, "", wire.Trial{ID: "t2", Locomotive: "heron", Entry: "e2"})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: e2}, "trial t2")
	for _, id := range []string{own, e2, opened, plan, e1, more} { // the other way round it goes
		d.must(wire.WhatUndo, "", wire.Undo{Decision: id})
	}
}

// A meet of which there are entries in classes, or a running order, stays one.
func TestAMeetWithEntriesStaysOne(t *testing.T) {
	d := newDay(t)
	meet := d.must(wire.WhatMeet, "", wire.Meet{Rank: wire.RankMeanTime, Rounds: 1, Classes: []wire.Class{{ID: "a"}}})
	e1 := d.must(wire.WhatEntry, "", wire.Entry{ID: "e1", Person: "Bo", Locomotive: "wren", Class: "a"})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: meet}, "entry e1")
	d.must(wire.WhatUndo, "", wire.Undo{Decision: e1})
	plan := d.must(wire.WhatPlan, "", wire.Plan{Design: "blocks", Rounds: 1})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: meet}, "running order")
	d.must(wire.WhatUndo, "", wire.Undo{Decision: plan})
	d.must(wire.WhatUndo, "", wire.Undo{Decision: meet})
}

// The circuit of a session that closed last is not taken away: its close may be taken
// back.
func TestCircuitOfTheBookStays(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 3, 10_000_000)
	shut := d.close()
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: "d1"}, "session s1")
	d.must(wire.WhatUndo, "s1", wire.Undo{Decision: shut})
	if got := d.trial("t1"); got.LapCount == 0 {
		t.Errorf("%+v", got)
	}
}

// A meet's consist is not taken away from under it.
func TestConsistOfAMeetStays(t *testing.T) {
	d := newDay(t)
	coal := d.must(wire.WhatConsist, "", wire.Consist{ID: "coal"})
	d.must(wire.WhatMeet, "", wire.Meet{Rank: wire.RankMeanTime, Rounds: 1, Consist: "coal"})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: coal}, "meet")
}
