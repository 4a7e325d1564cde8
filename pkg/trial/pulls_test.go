package trial_test

import (
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// Attempts to pull are taken down, corrected, voided and taken back like everything
// else that is decided, also in a session that is closed, and the signed results hold them.
func TestPullsInTheBook(t *testing.T) {
	d := newDay(t)
	pull := func(id, loco string, g float64, outcome string) wire.PullValue {
		return wire.PullValue{ID: id, Locomotive: loco, LoadG: g, Outcome: outcome}
	}
	stands := func(want ...string) {
		t.Helper()
		var got []string
		for _, p := range d.s.Results().Pulls {
			got = append(got, p.ID+" "+p.Outcome)
		}
		if strings.Join(got, ", ") != strings.Join(want, ", ") {
			t.Errorf("the book has %q, want %q", got, want)
		}
	}
	d.must(wire.WhatPull, "", pull("p1", "wren", 200, wire.PullMoved))
	second := d.must(wire.WhatPull, "", pull("p2", "wren", 300, wire.PullStalled))
	d.must(wire.WhatPull, "", pull("p3", "heron", 250, wire.PullMoved))
	fixed := d.must(wire.WhatPull, "", pull("p1", "wren", 200, wire.PullStruggled))
	stands("p1 struggled", "p2 stalled", "p3 moved")
	if p := d.s.Results().Pulls[0]; p.Decision != fixed || p.By != "Ada" || p.AtUs == 0 {
		t.Errorf("%+v", p)
	}
	d.must(wire.WhatUndo, "", wire.Undo{Decision: fixed})
	gone := d.must(wire.WhatUndo, "", wire.Undo{Decision: second})
	stands("p1 moved", "p3 moved")
	d.must(wire.WhatUndo, "", wire.Undo{Decision: gone})
	stands("p1 moved", "p2 stalled", "p3 moved")
	d.refused(wire.WhatPull, "", pull("p4", "never", 100, wire.PullMoved), `no locomotive "never"`)
	d.refused(wire.WhatPull, "s9", pull("p4", "wren", 100, wire.PullMoved), "another session")
	if v := d.s.View(); len(v.Pulls) != 3 {
		t.Errorf("the view has %d pulls", len(v.Pulls))
	}
	if r := d.s.Results(); len(r.Locomotives) != 2 {
		t.Errorf("the results know %d locomotives, want the two that pulled", len(r.Locomotives))
	}
	d.close()
	d.refused(wire.WhatPull, "", pull("p4", "wren", 100, wire.PullMoved), "no session is open")
	d.must(wire.WhatPull, "s1", wire.PullValue{ID: "p2", Locomotive: "wren", LoadG: 300, Outcome: wire.PullStalled, Void: true})
	if p := d.s.Results().Pulls[1]; !p.Void || p.Why != "because" {
		t.Errorf("%+v", p)
	}
	digest, err := trial.Digest(d.s.Results())
	if err != nil {
		t.Fatal(err)
	}
	d.must(wire.WhatSeal, "s1", wire.Seal{Digest: digest})
	d.refused(wire.WhatPull, "s1", pull("p1", "wren", 900, wire.PullMoved), "signed")
}

// A definition that an attempt uses cannot be taken away.
func TestPulledLocomotiveStays(t *testing.T) {
	d := newDay(t)
	id := d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "tern", MassG: 700})
	d.must(wire.WhatPull, "", wire.PullValue{ID: "p1", Locomotive: "tern", LoadG: 200, Outcome: wire.PullMoved})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: id}, "used by pull p1")
}
