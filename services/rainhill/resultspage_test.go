package main

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// recorded is a service that has a meet of the simulated railway behind it, session s1 of four
// trials, and an evening after it, s2, that is still open.
type recorded struct {
	*host.Host
	w *writer
}

// recordMeet writes two and a half minutes of two simulated trains into the journal, and two trials of a
// third train that the test runs itself, one of them void.
func recordMeet(t *testing.T) *recorded {
	t.Helper()
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	now := time.Now().UnixMicro()
	start := now - 150_000_000
	s := demoScenario(t)
	setup := s.Setup(start)
	setup.Circuit.LapLengthMm, setup.Circuit.LapLengthUMm = lapOf(setup), 2
	setup.Locomotives = append(setup.Locomotives, wire.Locomotive{ID: "wren", Name: "Wren", LengthMm: 200})
	trials := setup.Trials
	setup.Trials = nil
	for _, e := range trial.FromSetup(setup, "s1", start) {
		w.put(e)
	}
	w.sync(start)
	w.decide(wire.WhatSession, "", wire.Session{ID: "s1", Name: "Spring meet, “long” loop", Circuit: setup.Circuit.ID, OpenedUs: start})
	w.decide(wire.WhatMeet, "", wire.Meet{Classes: []wire.Class{{ID: "heavy", Name: "Heavy goods"}, {ID: "light", Name: "Light"}}, Rank: wire.RankMeanTime, Rounds: 1, Laps: 8, WarmupLaps: 1})
	for i, id := range []string{"heron", "otter", "wren"} {
		w.decide(wire.WhatEntry, "", wire.Entry{ID: "e-" + id, Person: fmt.Sprintf("Driver %d", i+1), Locomotive: id, Class: []string{"heavy", "heavy", "light"}[i]})
	}
	for i, tr := range trials {
		tr.Entry = []string{"e-heron", "e-otter"}[i]
		w.decide(wire.WhatTrial, "", tr)
		trials[i] = tr
	}
	for i, id := range []string{"wren-first", "wren-second"} {
		from := start + int64(i)*72_000_000
		tr := wire.Trial{ID: id, Locomotive: "wren", Tag: "tag-wren", FromUs: from, WarmupLaps: 1, Entry: "e-wren", Conditions: map[string]any{"battery": "2 cells, full"}}
		w.decide(wire.WhatTrial, "", tr)
		tr.ToUs = w.run(from+1_000_000, 3) + 1_000_000
		w.decide(wire.WhatTrial, "", tr)
		if i == 1 {
			tr.Void = true
			w.decide(wire.WhatTrial, "a wagon lay on the track", tr)
		}
	}
	for _, e := range sim.New(s, 5, start).Next(now) {
		w.say(e)
	}
	w.decide(wire.WhatNote, "", wire.NoteValue{Text: "Rails wiped before the first run."})
	w.decide(wire.WhatNote, "", wire.NoteValue{Trial: "wren-second", Text: "Wagon lifted off after the run."})
	for _, tr := range trials {
		tr.ToUs = now
		w.decide(wire.WhatTrial, "", tr)
	}
	w.decide(wire.WhatSession, "", wire.Session{ID: "s1", Name: "Spring meet, “long” loop", Circuit: setup.Circuit.ID, OpenedUs: start, ClosedUs: now + 1})
	w.decide(wire.WhatSession, "", wire.Session{ID: "s2", Name: "Evening running", Circuit: setup.Circuit.ID, OpenedUs: now + 2})
	w.sync(time.Now().UnixMicro())
	w.decide(wire.WhatTrial, "", wire.Trial{ID: "evening", Locomotive: "wren", Tag: "tag-wren", FromUs: now - 70_000_000})
	w.run(time.Now().UnixMicro()-60_100_000, 3) // its last crossing arrives as it happens
	r := &recorded{h, w}
	r.scored(t)
	return r
}

// lapOf is the length of the lap as its pieces make it.
func lapOf(s wire.Setup) float64 {
	mm := s.Circuit.LapLengthMm
	if mm > 0 {
		return mm
	}
	for _, p := range s.Circuit.Pieces {
		mm += p.StraightMm + p.RadiusMm*p.AngleDeg*3.141592653589793/180
	}
	return mm
}

// say sends an event as it is, of whichever agent.
func (w *writer) say(e wire.Event) {
	w.t.Helper()
	e.BusUs = 0
	b, err := json.Marshal(e)
	if err != nil {
		w.t.Fatal(err)
	}
	m, err := w.nc.Request(bus.Internal(w.site, e.Kind, e.Source()), b, 30*time.Second)
	if err != nil {
		w.t.Fatal(err)
	}
	var r wire.Reply
	if err := json.Unmarshal(m.Data, &r); err != nil || !r.OK {
		w.t.Fatalf("%s: the journal answered %s", b, m.Data)
	}
}

func (r *recorded) scored(t *testing.T) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		var h wire.Health
		if err := json.Unmarshal(get(t, r.URL+"/api/health"), &h); err == nil && h.ScoredSeq >= h.JournalSeq {
			return
		}
	}
	t.Fatal("the scorer is behind by more than 30 s")
}
