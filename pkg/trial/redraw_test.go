package trial_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// club is a meet of four entries over three rounds, drawn and adopted.
type club struct {
	t *testing.T
	s *trial.State
	n int64
}

func (c *club) decide(what string, v any) {
	c.t.Helper()
	c.n++
	b, err := json.Marshal(v)
	if err != nil {
		c.t.Fatal(err)
	}
	e := wire.Event{Kind: wire.KindDecision, ID: fmt.Sprintf("d%d", c.n), By: "test", What: what, Why: "so", Value: b, AtUs: t0 + c.n*1e6, BusUs: t0 + c.n*1e6, JournalSeq: uint64(c.n)}
	if err := c.s.Check(e); err != nil {
		c.t.Fatalf("%s %s: %v", what, b, err)
	}
	c.s.Step(e)
}

func newClub(t *testing.T) *club {
	c := &club{t: t, s: trial.New("line")}
	c.decide(wire.WhatCircuit, wire.CircuitValue{Circuit: wire.Circuit{ID: "loop", LapLengthMm: 4000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}})
	c.decide(wire.WhatSession, wire.Session{ID: "evening", Circuit: "loop"})
	c.decide(wire.WhatLocomotive, wire.Locomotive{ID: "kestrel", Name: "Kestrel"})
	c.decide(wire.WhatMeet, wire.Meet{Rank: wire.RankMeanTime, Rounds: 3})
	for _, id := range []string{"a", "b", "c", "d"} {
		c.decide(wire.WhatEntry, wire.Entry{ID: id, Person: strings.ToUpper(id), Locomotive: "kestrel"})
	}
	c.adopt(1)
	return c
}

func (c *club) adopt(seed uint64) {
	c.t.Helper()
	p, err := c.s.DrawOrder(seed)
	if err != nil {
		c.t.Fatal(err)
	}
	c.decide(wire.WhatPlan, p)
}

func (c *club) trial(i int, void bool) {
	c.t.Helper()
	r := c.s.Book.Plan.Runs[i]
	id := "t-" + r.ID
	for !void && slices.ContainsFunc(c.s.Book.Trials, func(e *trial.Entry) bool { return e.Trial.ID == id }) {
		id += "x"
	}
	c.decide(wire.WhatTrial, wire.Trial{ID: id, Locomotive: "kestrel", Run: r.ID, Entry: r.Entry, FromUs: t0 + (c.n+1)*1e6, ToUs: t0 + (c.n+1)*1e6 + 5, Void: void})
}

// often is how often each entry is in the running order.
func (c *club) often() map[string]int {
	out := map[string]int{}
	for _, r := range c.s.Book.Plan.Runs {
		out[r.Entry]++
	}
	return out
}

// One skipped in a round that is over still runs in the rounds to come.
func TestOneSkippedRunsInLaterRounds(t *testing.T) {
	c := newClub(t)
	p := *c.s.Book.Plan
	p.Runs = slices.Clone(p.Runs)
	p.Runs[1].Skipped = true
	c.decide(wire.WhatPlan, p)
	for _, i := range []int{0, 2, 3, 4} {
		c.trial(i, false)
	}
	before := c.s.Book.Plan.Runs[:5]
	c.adopt(2)
	if got := c.s.Book.Plan.Runs[:5]; !slices.Equal(got, before) {
		t.Errorf("what ran was %v and is %v", before, got)
	}
	for id, n := range c.often() {
		if n != 3 {
			t.Errorf("%s is in the order %d times, want 3: %v", id, n, c.s.Book.Plan.Runs)
		}
	}
}

// A run that is due again, as its trial was voided in a later round, stays due when the order
// is drawn again, before it is run and after.
func TestARunOwedStaysDue(t *testing.T) {
	c := newClub(t)
	for i := range 6 {
		c.trial(i, false)
	}
	owed := c.s.Book.Plan.Runs[1]
	c.trial(1, true)
	c.adopt(2)
	if got := c.s.Book.Plan.Runs[5]; got != owed {
		t.Errorf("after the five runs made comes %v, want %v", got, owed)
	}
	c.trial(5, false)
	c.adopt(3)
	for id, n := range c.often() {
		if n != 3 {
			t.Errorf("%s is in the order %d times, want 3: %v", id, n, c.s.Book.Plan.Runs)
		}
	}
	c.decide(wire.WhatEntry, wire.Entry{ID: owed.Entry, Person: "gone", Locomotive: "kestrel", Withdrawn: true})
	c.adopt(4)
	for i, r := range c.s.Book.Plan.Runs {
		if i > 5 && r.Entry == owed.Entry {
			t.Errorf("%s has withdrawn and is to run: %v", r.Entry, r)
		}
	}
}
