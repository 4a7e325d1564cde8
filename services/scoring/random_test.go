package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// Whatever officials decide, take back and correct, in whatever session, the store
// keeps of every closed session what its own facts give.
func TestAnyDecisionsGiveWhatTheFactsGive(t *testing.T) {
	for seed := range uint64(12) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { anyDecisions(t, seed) })
	}
}

func anyDecisions(t *testing.T, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	b := &book{t: t}
	live := trial.New(site)
	var ids, sessions []string
	open, trials := "", 0
	decide := func(what, session string, v any) bool {
		id := b.decide(what, session, v)
		e := b.events[len(b.events)-1]
		e.BusUs, e.JournalSeq = e.AtUs+300, uint64(len(b.events))
		if err := live.Check(e); err != nil && !errors.Is(err, trial.ErrElsewhere) {
			b.events = b.events[:len(b.events)-1] // refused: it is not written down
			return false
		}
		live.Step(e)
		ids = append(ids, id)
		return true
	}
	pick := func(list []string) string { return list[rng.IntN(len(list))] }
	locos := []string{"wren", "heron", "crane"}
	for _, id := range locos {
		decide(wire.WhatLocomotive, "", wire.Locomotive{ID: id})
	}
	decide(wire.WhatCircuit, "", oval(8000))
	for range 120 {
		about := "" // a session that is over
		if len(sessions) > 0 && rng.IntN(3) == 0 {
			about = pick(sessions)
		}
		if about == open {
			about = ""
		}
		now := startUs + int64(len(b.events)+1)*1_000_000
		switch rng.IntN(12) {
		case 0:
			decide(wire.WhatCircuit, about, oval(8000+float64(rng.IntN(100))))
		case 1, 2:
			decide(wire.WhatLocomotive, about, wire.Locomotive{ID: pick(locos), LengthMm: float64(100 + rng.IntN(300))})
		case 3:
			if open == "" {
				id := fmt.Sprintf("s%d", len(sessions)+1)
				if decide(wire.WhatSession, "", wire.Session{ID: id, Circuit: "oval"}) {
					sessions = append(sessions, id)
				}
			} else if rng.IntN(2) == 0 {
				decide(wire.WhatSession, "", wire.Session{ID: open, Circuit: "oval", ClosedUs: now})
			}
		case 4, 5:
			trials++
			decide(wire.WhatTrial, "", wire.Trial{ID: fmt.Sprintf("t%d", trials), Locomotive: pick(locos), FromUs: now - 500_000})
		case 6:
			decide(wire.WhatTrial, about, wire.Trial{ID: fmt.Sprintf("t%d", 1+rng.IntN(trials+1)), Locomotive: pick(locos), FromUs: now - 500_000, ToUs: now})
		case 7:
			decide(wire.WhatNote, about, wire.NoteValue{Text: fmt.Sprint("note ", len(b.events))})
		case 8:
			decide(wire.WhatScoring, about, wire.Scoring{LapLengthMm: float64(7000 + rng.IntN(100))})
		default:
			decide(wire.WhatUndo, about, wire.Undo{Decision: pick(ids[max(0, len(ids)-8):])})
		}
		open = ""
		if live.Book != nil && live.Book.Session.ClosedUs == 0 {
			open = live.Book.Session.ID
		}
	}
	b.agree(sessions, open)
}

// agree compares what the store keeps of sessions that are over with what their own
// facts give.
func (b *book) agree(sessions []string, open string) {
	t := b.t
	var rec bytes.Buffer
	write(t, &rec, b.events)
	x := newBench(t, rec.Bytes())
	if _, err := x.catchUp("store.db", plain); err != nil {
		t.Fatal(err)
	}
	s := x.open("store.db")
	defer s.Close()
	js, err := jetstream.New(x.nc)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range sessions {
		kept, err := s.Results(id)
		if err != nil {
			t.Fatal(err)
		}
		if id == open || kept == nil {
			continue
		}
		state := trial.New(site)
		_, err = journal.Session(context.Background(), js, site, id, func(seq uint64, record []byte) error {
			var e wire.Event
			if err := json.Unmarshal(record, &e); err != nil {
				return err
			}
			e.JournalSeq = seq
			state.Step(e)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		own, err := trial.Encode(state.Results())
		if err != nil {
			t.Fatal(err)
		}
		if string(own) != string(kept) {
			for i, e := range b.events {
				t.Logf("%d %s %s %s", i+1, e.What, e.Session, e.Value)
			}
			t.Fatalf("of session %s the store keeps\n%s\nits own facts give\n%s", id, kept, own)
		}
	}
}
