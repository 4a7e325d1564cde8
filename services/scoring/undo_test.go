package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// book is a recording of decisions alone, one a second.
type book struct {
	t      *testing.T
	events []wire.Event
}

func (b *book) decide(what, session string, v any) string {
	b.t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		b.t.Fatal(err)
	}
	n := len(b.events) + 1
	e := wire.Event{Kind: wire.KindDecision, ID: fmt.Sprintf("d%d", n), By: "Ada", Why: "because", AtUs: startUs + int64(n)*1_000_000, What: what, Session: session, Value: raw}
	b.events = append(b.events, e)
	return e.ID
}

// kept are the results that the store keeps of a session, and those that the
// session's own facts give: they are the same bytes.
func (b *book) kept(session string) (stored, own string) {
	b.t.Helper()
	var rec bytes.Buffer
	write(b.t, &rec, b.events)
	x := newBench(b.t, rec.Bytes())
	if _, err := x.catchUp("store.db", plain); err != nil {
		b.t.Fatal(err)
	}
	s := x.open("store.db")
	defer s.Close()
	kept, err := s.Results(session)
	if err != nil {
		b.t.Fatal(err)
	}
	js, err := jetstream.New(x.nc)
	if err != nil {
		b.t.Fatal(err)
	}
	state := trial.New(site)
	_, err = journal.Session(context.Background(), js, site, session, func(seq uint64, record []byte) error {
		var e wire.Event
		if err := json.Unmarshal(record, &e); err != nil {
			return err
		}
		e.JournalSeq = seq
		state.Step(e)
		return nil
	})
	if err != nil {
		b.t.Fatal(err)
	}
	again, err := trial.Encode(state.Results())
	if err != nil {
		b.t.Fatal(err)
	}
	return string(kept), string(again)
}

func oval(lapMm float64) wire.CircuitValue {
	return wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", LapLengthMm: lapMm}, Gates: []wire.Gate{{ID: "g1", Timing: true}}}
}

// What a session's own facts say holds the taking back of definitions: before it
// opened, and before a decision about it after its close.
func TestASessionsFactsHoldWhatWasTakenBack(t *testing.T) {
	b := &book{t: t}
	b.decide(wire.WhatCircuit, "", oval(8000))
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", LengthMm: 200})
	wrong := b.decide(wire.WhatCircuit, "", oval(9000))
	b.decide(wire.WhatUndo, "", wire.Undo{Decision: wrong})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s0", Circuit: "oval"})
	note := b.decide(wire.WhatNote, "", wire.NoteValue{Text: "of another session"})
	b.decide(wire.WhatUndo, "", wire.Undo{Decision: note})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s0", Circuit: "oval", ClosedUs: startUs + 10_000_000})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	b.decide(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren"})
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "heron", LengthMm: 300})
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "heron", LengthMm: 310})
	late := b.events[len(b.events)-1].ID
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: startUs + 20_000_000})
	b.decide(wire.WhatUndo, "", wire.Undo{Decision: late})
	b.decide(wire.WhatTrial, "s1", wire.Trial{ID: "t1", Locomotive: "heron", FromUs: startUs + 9_000_000, ToUs: startUs + 12_000_000})
	stored, own := b.kept("s1")
	if stored != own {
		t.Errorf("the store keeps\n%s\nthe session's own facts give\n%s", stored, own)
	}
	var r wire.Results
	if err := json.Unmarshal([]byte(own), &r); err != nil {
		t.Fatal(err)
	}
	if r.Circuit.Circuit.LapLengthMm != 8000 || len(r.Doubts) != 0 {
		t.Errorf("lap %g mm, doubts %q", r.Circuit.Circuit.LapLengthMm, r.Doubts)
	}
}

// A trial whose opening is taken back in a session that is over leaves the store.
func TestATrialTakenBackLaterLeavesTheStore(t *testing.T) {
	b := &book{t: t}
	b.decide(wire.WhatCircuit, "", oval(8000))
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren"})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	opened := b.decide(wire.WhatTrial, "", wire.Trial{ID: "mistaken", Locomotive: "wren"})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: startUs + 9_000_000})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s2", Circuit: "oval"})
	b.decide(wire.WhatUndo, "s1", wire.Undo{Decision: opened})
	var rec bytes.Buffer
	write(t, &rec, b.events)
	held, err := newBench(t, rec.Bytes()).catchUp("store.db", plain)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(held, "mistaken") {
		t.Errorf("the store still holds it:\n%s", held)
	}
}
