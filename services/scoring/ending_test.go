package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/scoring"
)

// What the service decides by a trial's own rule says up to which fact it has looked:
// an official's decision that comes between is not written over.
func TestATrialsOwnRuleWritesOverNobodysDecision(t *testing.T) {
	b := &book{t: t}
	b.decide(wire.WhatCircuit, "", oval(8000))
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren"})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	b.decide(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", EndsAfterS: 1})
	var rec bytes.Buffer
	write(t, &rec, b.events)
	tick := wire.Event{Kind: wire.KindTick, AtUs: startUs + 60_000_000}
	write(t, &rec, []wire.Event{tick})
	x := newBench(t, rec.Bytes())
	got := make(chan wire.Event, 1)
	_, err := x.nc.Subscribe(bus.Internal(site, wire.KindDecision, "*"), func(m *nats.Msg) {
		var e wire.Event
		if json.Unmarshal(m.Data, &e) == nil {
			select {
			case got <- e:
			default:
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	s := x.open("store.db")
	defer s.Close()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- scoring.Run(ctx, x.nc, site, s) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	select {
	case e := <-got:
		if e.BaseSeq == nil || *e.BaseSeq < 4 {
			t.Errorf("base_seq is %v: %s", e.BaseSeq, e.Value)
		}
	case <-time.After(30 * time.Second):
		t.Fatal("the trial's own rule does not close it")
	}
}
