package trial_test

import (
	"fmt"
	"slices"
	"testing"

	"rainhill/pkg/wire"
)

// meet opens a meet of four entries in two classes.
func (d *day) meet(rounds int) {
	d.t.Helper()
	d.must(wire.WhatMeet, "", wire.Meet{Rank: wire.RankMeanTime, Rounds: rounds, SwapEvery: 2, Classes: []wire.Class{{ID: "small", Name: "Small"}, {ID: "large", Name: "Large"}}})
	for i, loco := range []string{"wren", "heron", "crane", "stork"} {
		d.must(wire.WhatEntry, "", wire.Entry{ID: fmt.Sprintf("e%d", i+1), Person: fmt.Sprintf("Person %d", i+1), Locomotive: loco, Class: []string{"small", "small", "small", "large"}[i]})
	}
}

func (d *day) draw(seed uint64) wire.Plan {
	d.t.Helper()
	p, err := d.s.DrawOrder(seed)
	if err != nil {
		d.t.Fatal(err)
	}
	d.must(wire.WhatPlan, "", p)
	return p
}

// make makes a run of the running order in laps of so many microseconds.
func (d *day) make(r wire.Run, lapUs int64) {
	d.t.Helper()
	entry := d.s.Book.Entries[slices.IndexFunc(d.s.Book.Entries, func(e wire.Entry) bool { return e.ID == r.Entry })]
	d.run(wire.Trial{ID: "t-" + r.ID, Locomotive: entry.Locomotive, Run: r.ID, Entry: r.Entry, Entrant: entry.Person}, 3, lapUs)
}

func TestRunningOrderFitsAWilliamsSquare(t *testing.T) {
	d := newDay(t)
	d.meet(4)
	p := d.draw(7)
	if p.Design != "williams" || len(p.Runs) != 16 || p.Seed != 7 {
		t.Fatalf("%+v", p)
	}
	again, err := d.s.DrawOrder(7)
	if err != nil || !slices.EqualFunc(again.Runs, p.Runs, func(a, b wire.Run) bool { return a.Entry == b.Entry && a.Round == b.Round && a.Place == b.Place }) {
		t.Fatalf("the same seed drew %+v, %v", again, err)
	}
}

// One withdraws and one comes late, after runs were made: those stay as they are.
func TestOnlyWhatHasNotRunIsDrawnAgain(t *testing.T) {
	d := newDay(t)
	d.meet(3)
	p := d.draw(1)
	d.make(p.Runs[0], 10_000_000)
	d.make(p.Runs[2], 10_000_000) // before its turn
	gone := p.Runs[1].Entry
	i := slices.IndexFunc(d.s.Book.Entries, func(e wire.Entry) bool { return e.ID == gone })
	e := d.s.Book.Entries[i]
	e.Withdrawn = true
	d.must(wire.WhatEntry, "", e)
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "ibis"})
	d.must(wire.WhatEntry, "", wire.Entry{ID: "e9", Person: "Late", Locomotive: "ibis", Class: "large"})
	q := d.draw(2)
	if !slices.Equal(q.Runs[:2], []wire.Run{p.Runs[0], p.Runs[2]}) {
		t.Fatalf("what ran was changed: %+v", q.Runs[:2])
	}
	n := map[string]int{}
	for _, r := range q.Runs[2:] {
		n[r.Entry]++
		if r.Entry == gone {
			t.Errorf("%s has withdrawn and is to run: %+v", gone, r)
		}
	}
	if n["e9"] != 3 {
		t.Errorf("the late entry runs %d times, want 3", n["e9"])
	}
	left := p
	left.Runs = p.Runs[1:2]
	d.refused(wire.WhatPlan, "", left, "must stay in the running order")
	d.refused(wire.WhatEntry, "", wire.Entry{ID: "e10", Person: "Late", Locomotive: "ibis", Class: "large"}, "already, as e9")
	d.refused(wire.WhatEntry, "", wire.Entry{ID: "e11", Person: "X", Locomotive: "ibis", Class: "none"}, "no class")
}

// Equal figures share a place and the next is left out; who has no figure is last
// and has none; a void trial counts for nothing and its run is due again.
func TestStandingsOfAClass(t *testing.T) {
	d := newDay(t)
	d.meet(1)
	p := d.draw(3)
	lapUs := map[string]int64{"e1": 9_000_000, "e2": 9_000_000, "e3": 8_000_000, "e4": 7_000_000}
	for _, r := range p.Runs {
		d.make(r, lapUs[r.Entry])
	}
	small := d.s.Results().Meet.Classes[0].Standings
	got := ""
	for _, x := range small {
		got += fmt.Sprintf("%d %s %v, ", x.Place, x.Entry, x.Tied)
	}
	if got != "1 e3 false, 2 e1 true, 2 e2 true, " {
		t.Fatalf("small: %s", got)
	}
	m := d.s.Results().Meet
	if m.Done != 4 || m.Runs != 4 {
		t.Fatalf("%d of %d runs", m.Done, m.Runs)
	}
	for _, r := range d.s.Results().Trials {
		if r.About.Entry == "e3" {
			v := *r.About
			v.Void = true
			d.must(wire.WhatTrial, "", v)
		}
	}
	m = d.s.Results().Meet
	last := m.Classes[0].Standings[2]
	if m.Done != 3 || last.Entry != "e3" || last.Place != 0 || last.Value.Value != nil {
		t.Fatalf("%d done, last %+v", m.Done, last)
	}
}

// A meet without entries, or without classes, is a meet.
func TestEmptyMeet(t *testing.T) {
	d := newDay(t)
	if _, err := d.s.DrawOrder(1); err == nil {
		t.Fatal("a running order without a meet")
	}
	d.must(wire.WhatMeet, "", wire.Meet{Rank: wire.RankBestTime, Rounds: 3})
	p := d.draw(1)
	if len(p.Runs) != 0 {
		t.Fatalf("%+v", p)
	}
	d.close()
	if m := d.s.Results().Meet; m == nil || m.Runs != 0 {
		t.Fatalf("%+v", m)
	}
}
