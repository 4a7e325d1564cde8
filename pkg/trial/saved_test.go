package trial_test

import (
	"encoding/json"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// A book that is saved and read again after every decision of a day is the same, and
// so is what can be taken back of it.
func TestASavedBookDecidesTheSame(t *testing.T) {
	d := newDay(t)
	b, err := json.Marshal(d.s)
	if err != nil {
		t.Fatal(err)
	}
	d.also = read(t, b)
	check := func(when string) {
		t.Helper()
		b, err := json.Marshal(d.also)
		if err != nil {
			t.Fatal(err)
		}
		d.also = read(t, b)
		saved := &day{t: t, s: d.also}
		if got, want := saved.bytes()+viewOf(t, saved), d.bytes()+viewOf(t, d); got != want {
			t.Fatalf("%s, read again:\n%s\nwant\n%s", when, got, want)
		}
		again, err := json.Marshal(d.s)
		if err != nil {
			t.Fatal(err)
		}
		if b, err = json.Marshal(d.also); err != nil || string(b) != string(again) {
			t.Fatalf("%s (%v), saved again:\n%s\nwant\n%s", when, err, b, again)
		}
	}
	var ids []string
	must := func(what, session string, v any) string {
		t.Helper()
		id := d.must(what, session, v)
		check(what)
		ids = append(ids, id)
		return id
	}
	run := func(v wire.Trial, laps int) wire.Trial {
		v.Tag, v.FromUs = "tag-"+v.ID, d.now
		must(wire.WhatTrial, "", v)
		d.laps(v.Tag, laps, 10_000_000)
		check("laps")
		v.ToUs = d.now
		must(wire.WhatTrial, "", v)
		d.tick(5)
		check("ticks")
		return v
	}
	must(wire.WhatConsist, "", wire.Consist{ID: "coal", Cars: []wire.Car{{LengthMm: 200}}})
	must(wire.WhatMeet, "", wire.Meet{Rank: wire.RankMeanTime, Rounds: 1, Classes: []wire.Class{{ID: "a"}}, Consist: "coal"})
	must(wire.WhatEntry, "", wire.Entry{ID: "e1", Person: "Bo", Locomotive: "wren", Class: "a"})
	must(wire.WhatEntry, "", wire.Entry{ID: "e2", Person: "Cy", Locomotive: "heron", Class: "a"})
	p, err := d.s.DrawOrder(7)
	if err != nil {
		t.Fatal(err)
	}
	must(wire.WhatPlan, "", p)
	r := p.Runs[0]
	loco := map[string]string{"e1": "wren", "e2": "heron"}
	t1 := run(wire.Trial{ID: "t1", Locomotive: loco[r.Entry], Consist: "coal", Run: r.ID, Entry: r.Entry}, 6)
	must(wire.WhatLap, "", wire.LapValue{Trial: "t1", Lap: 2, Void: true})
	must(wire.WhatNote, "", wire.NoteValue{Trial: "t1", Text: "rain"})
	must(wire.WhatPull, "", wire.PullValue{ID: "p1", Locomotive: "wren", LoadG: 200, Outcome: wire.PullMoved})
	must(wire.WhatScoring, "", wire.Scoring{Gates: map[string]float64{"g2": 4050}, MinLapS: 2})
	gone := must(wire.WhatTrial, "", wire.Trial{ID: "t2", Locomotive: "crane", Tag: "tag-t2", FromUs: d.now})
	d.laps("tag-t2", 3, 9_000_000)
	must(wire.WhatUndo, "", wire.Undo{Decision: gone})
	must(wire.WhatUndo, "", wire.Undo{Decision: ids[len(ids)-1]})
	must(wire.WhatTrial, "", wire.Trial{ID: "t3", Locomotive: "stork", Tag: "tag-t3", FromUs: d.now})
	d.laps("tag-t3", 3, 9_000_000)
	must(wire.WhatOrder, "", wire.OrderValue{Trials: []string{"t2", "t3"}})
	shut := must(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: d.now})
	t1.Locomotive = "crane"
	wrong := must(wire.WhatTrial, "s1", t1)
	must(wire.WhatUndo, "s1", wire.Undo{Decision: wrong})
	must(wire.WhatLocomotive, "s1", wire.Locomotive{ID: "wren", LengthMm: 210})
	must(wire.WhatUndo, "s1", wire.Undo{Decision: shut})
	d.laps("tag-t3", 3, 9_000_000)
	check("reopened")
	must(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: d.now})
	digest, err := trial.Digest(d.s.Results())
	if err != nil {
		t.Fatal(err)
	}
	must(wire.WhatSeal, "s1", wire.Seal{Digest: digest})
	must(wire.WhatUndo, "s1", wire.Undo{Decision: ids[len(ids)-1]})
}

func read(t *testing.T, b []byte) *trial.State {
	t.Helper()
	s := new(trial.State)
	if err := json.Unmarshal(b, s); err != nil {
		t.Fatal(err)
	}
	s.Revive()
	return s
}
