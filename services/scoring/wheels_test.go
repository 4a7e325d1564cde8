package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/scoring"
)

// Wheels are measured in the session that is open and in one that has left the book.
func TestWheelsOfSessionsOpenAndPast(t *testing.T) {
	b := &book{t: t}
	b.decide(wire.WhatCircuit, "", oval(8000))
	loco := wire.Locomotive{ID: "wren", MassG: 2000, DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12, WeightG: 1800}}}
	b.decide(wire.WhatLocomotive, "", loco)
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	b.decide(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren"})
	from := startUs + 10_000_000
	b.outing(from, 30.2)
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: from + 300_000_000})
	b.events[len(b.events)-1].AtUs = from + 300_000_000
	b.decide(wire.WhatSession, "", wire.Session{ID: "s2", Circuit: "oval"})
	b.events[len(b.events)-1].AtUs = from + 310_000_000
	b.decide(wire.WhatTrial, "", wire.Trial{ID: "t2", Locomotive: "wren"})
	b.events[len(b.events)-1].AtUs = from + 311_000_000
	b.outing(from+320_000_000, 29.9)
	b.decide(wire.WhatTrial, "", wire.Trial{ID: "t2", Locomotive: "wren", FromUs: from + 311_000_000, ToUs: from + 545_000_000})
	b.events[len(b.events)-1].AtUs = from + 546_000_000
	b.events = append(b.events, wire.Event{Kind: wire.KindCrossing, Gate: "g1", Edge: wire.EdgePulse, AtUs: from + 560_000_000}) // so late is it
	var rec bytes.Buffer
	write(t, &rec, b.events)
	x := newBench(t, rec.Bytes())
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
	ask := func(session string, trials ...string) (checks []wire.WheelCheck, refused string) {
		t.Helper()
		q, err := json.Marshal(scoring.WheelsAsk{Session: session, Trials: trials})
		if err != nil {
			t.Fatal(err)
		}
		in, stop := context.WithTimeout(context.Background(), time.Minute)
		defer stop()
		a, err := bus.Enquire(in, x.nc, bus.Question(site, "wheels"), q)
		if err != nil {
			t.Fatal(err)
		}
		var no wire.Reply
		if json.Unmarshal(a, &checks) != nil {
			_ = json.Unmarshal(a, &no)
		}
		return checks, no.Reason
	}
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if a, err := x.nc.Request(bus.Question(site, "scored"), nil, time.Second); err == nil {
			var at scoring.Scored
			if json.Unmarshal(a.Data, &at) == nil && at.Seq >= uint64(len(b.events)) {
				break
			}
		}
	}
	for _, c := range []struct {
		session, trial string
		want           float64
	}{{"", "t2", 29.9}, {"s2", "t2", 29.9}, {"s1", "t1", 30.2}} {
		checks, no := ask(c.session, c.trial)
		if len(checks) != 1 || checks[0].DiameterMm.Value == nil || math.Abs(*checks[0].DiameterMm.Value-c.want) > 0.06 {
			t.Errorf("session %q: %+v %s, want %g mm", c.session, checks, no, c.want)
		}
	}
	for words, q := range map[string][2]string{"no trial": {"s1", "t2"}, "s9": {"s9", "t1"}, "not an id": {"S 1", "t1"}} {
		if checks, no := ask(q[0], q[1]); checks != nil || !strings.Contains(no, words) {
			t.Errorf("%v: %+v, %q, want %q", q, checks, no, words)
		}
	}
	if _, no := ask(""); !strings.Contains(no, "which trials") {
		t.Errorf("no trials: %q", no)
	}
}

// outing is ten laps of 20 s by a wheel of so many mm that hardly slips.
func (b *book) outing(from int64, diameterMm float64) {
	for i := range int64(2200) {
		at := from + i*100_000
		counts := int64(8000 * float64(i) / 200 / (math.Pi * diameterMm / 120))
		b.events = append(b.events, wire.Event{Kind: wire.KindMotor, Motor: "m1", AtUs: at, Samples: []wire.Sample{{AtUs: at, Counts: &counts}}})
		if i%200 == 10 {
			b.events = append(b.events, wire.Event{Kind: wire.KindCrossing, Gate: "g1", Edge: wire.EdgePulse, AtUs: at})
		}
	}
}
