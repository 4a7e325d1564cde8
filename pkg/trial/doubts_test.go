package trial_test

import (
	"testing"

	"rainhill/pkg/wire"
)

// What is refused after a session has closed, and does not name it, is none of its
// facts: its results stay as they were signed and as its export gives them.
func TestWhatComesAfterTheCloseIsNoDoubtOfTheSession(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 3, 10_000_000)
	d.close()
	before := d.bytes()
	d.step(d.event(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", ToUs: d.now, FromUs: d.now - 1})) // its own rule, a moment too late
	if got := d.bytes(); got != before {
		t.Errorf("doubts %q", d.s.Doubts)
	}
}

// Who decides on what another has decided on is told so; it is no doubt of results.
func TestAConflictIsNoDoubtOfResults(t *testing.T) {
	d := newDay(t)
	seen := d.seq
	mine, theirs := d.event(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", MassG: 900}), d.event(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", MassG: 950})
	mine.BaseSeq, theirs.BaseSeq = &seen, &seen
	d.step(mine)
	d.step(theirs)
	if d.s.HadEffect(theirs.ID) || len(d.s.Doubts) != 0 {
		t.Errorf("had effect: %v; doubts %q", d.s.HadEffect(theirs.ID), d.s.Doubts)
	}
}
