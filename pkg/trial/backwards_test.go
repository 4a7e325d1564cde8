package trial_test

import (
	"testing"

	"rainhill/pkg/wire"
)

// A trial that states its end and no beginning begins with its decision: an end before
// that is refused, for it would hold nothing and could not be put back.
func TestATrialDoesNotEndBeforeItsDecision(t *testing.T) {
	d := newDay(t)
	d.refused(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", ToUs: d.now - 5_000_000}, "before it begins")
	id := d.must(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", ToUs: d.now + 60_000_000})
	back := d.must(wire.WhatUndo, "", wire.Undo{Decision: id})
	d.must(wire.WhatUndo, "", wire.Undo{Decision: back})
}

// A trial of a session that is over, moved to begin after its close, does not end
// before it begins.
func TestATrialMovedPastTheCloseIsRefused(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 3, 10_000_000)
	d.close()
	d.refused(wire.WhatTrial, "s1", wire.Trial{ID: "t1", Locomotive: "wren", FromUs: d.now + 60_000_000}, "before it begins")
}
