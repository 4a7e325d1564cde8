package trial_test

import (
	"testing"

	"rainhill/pkg/wire"
)

// A closed session's own copy of a definition is corrected and taken back with its
// session named: what all sessions share stays, and what the book knew returns.
func TestOwnCopyOfAClosedSessionIsTakenBack(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 5, 10_000_000)
	d.refused(wire.WhatLocomotive, "s1", wire.Locomotive{ID: "wren", LengthMm: 250}, "open")
	d.close()
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "LATER", LengthMm: 900}) // not this session's
	before := d.bytes()
	id := d.must(wire.WhatLocomotive, "s1", wire.Locomotive{ID: "wren", LengthMm: 250})
	circuit := d.must(wire.WhatCircuit, "s1", wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", LapLengthMm: 8100}, Gates: []wire.Gate{{ID: "g1", Timing: true}, {ID: "g2", PositionMm: 4000}}})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: id}, "names it")
	d.must(wire.WhatUndo, "s1", wire.Undo{Decision: circuit})
	d.must(wire.WhatUndo, "s1", wire.Undo{Decision: id})
	if got := d.bytes(); got != before {
		t.Errorf("taken back:\n%s\nwant\n%s", got, before)
	}
	if got := d.s.Locomotives["wren"]; got.Name != "LATER" || got.LengthMm != 900 {
		t.Errorf("what all sessions share is %+v", got)
	}
}

// A definition that all sessions share is not taken back for one of them, and motors
// and batteries have no copies.
func TestSharedDefinitionsAreOfNoSession(t *testing.T) {
	d := newDay(t)
	id := d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Other"})
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 2, 10_000_000)
	d.close()
	d.refused(wire.WhatUndo, "s1", wire.Undo{Decision: id}, "no session")
	d.refused(wire.WhatBattery, "s1", wire.Battery{ID: "b1"}, "no session")
	d.refused(wire.WhatMargin, "s1", wire.Margin{Circuit: "loop", LapTimeS: 0.1}, "no session")
}

// A motor that was named, or swept, after a session had closed is no part of its results,
// whatever is corrected in it later; that of a locomotive it did not know yet is.
func TestAMotorNamedAfterTheCloseIsNotOfTheSession(t *testing.T) {
	d := newDay(t)
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Wren", DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1"}}})
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 3, 10_000_000)
	d.close()
	d.must(wire.WhatMotor, "", wire.NamedMotor{ID: "m1", Name: "Swept"})
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "robin", Name: "Robin", DriverSets: []wire.DriverSet{{ID: "front", Motor: "m2"}}})
	d.must(wire.WhatMotor, "", wire.NamedMotor{ID: "m2", Name: "Other"})
	t1 := d.s.Book.Trials[0].Trial
	t1.Conditions = map[string]any{"weather": "dry"}
	d.must(wire.WhatTrial, "s1", t1)
	if got := d.s.Book.NamedMotors; len(got) != 0 {
		t.Errorf("the session has learnt of %v", got)
	}
	t1.Locomotive = "robin"
	d.must(wire.WhatTrial, "s1", t1)
	if got := d.s.Book.NamedMotors; len(got) != 1 || got["m2"].Name != "Other" {
		t.Errorf("of a locomotive that came into it it knows %v", got)
	}
}
