package scoring_test

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/scoring"
	"rainhill/services/store"
)

// slow takes its time over results.
type slow struct {
	*store.Store
	asked, release chan struct{}
}

func (s slow) Results(session string) ([]byte, error) {
	s.asked <- struct{}{}
	<-s.release
	return s.Store.Results(session)
}

// A history reads every session there was; facts are scored meanwhile, and other
// questions answered.
func TestAHistoryHoldsUpNothing(t *testing.T) {
	b := &book{t: t}
	b.decide(wire.WhatCircuit, "", oval(8000))
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: startUs + 9_000_000})
	var rec bytes.Buffer
	write(t, &rec, b.events)
	x := newBench(t, rec.Bytes())
	s := x.open("store.db")
	defer s.Close()
	ledger := slow{s, make(chan struct{}, 8), make(chan struct{})}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- scoring.Run(ctx, x.nc, site, ledger) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	last, _, err := journal.Tip(ctx, mustJS(t, x.nc), site)
	if err != nil {
		t.Fatal(err)
	}
	scored := func() bool { // of a session that is not scored yet there is no history
		m, err := x.nc.Request(bus.Question(site, "scored"), nil, time.Second)
		return err == nil && strings.Contains(string(m.Data), fmt.Sprintf(`"seq":%d,`, last))
	}
	for end := time.Now().Add(30 * time.Second); !scored(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the session is not scored")
		}
	}
	got := make(chan error, 1)
	go func() {
		_, err := x.nc.Request(bus.Question(site, "history"), []byte("wren"), 30*time.Second)
		got <- err
	}()
	select {
	case <-ledger.asked:
	case err := <-got:
		t.Fatalf("answered without the sessions: %v", err)
	}
	if _, err := x.nc.Request(bus.Question(site, "scored"), nil, 10*time.Second); err != nil {
		t.Errorf("while a history is read: %v", err)
	}
	close(ledger.release)
	if err := <-got; err != nil {
		t.Error(err)
	}
}
