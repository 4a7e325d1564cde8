package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// openDemo writes the simulated railway's definitions into the book, and opens
// a session and its trials, or a meet with its entries, closing what an earlier
// demo left open.
func openDemo(ctx context.Context, nc *nats.Conn, site string, s sim.Scenario, meet bool) error {
	now := time.Now().UnixMicro()
	setup := s.Setup(now)
	session := fmt.Sprintf("demo-%d", now/1000)
	b, err := bus.Enquire(ctx, nc, bus.Question(site, "view"), nil)
	if err != nil {
		return ended(ctx, fmt.Errorf("asking for the book: %w", err))
	}
	var v wire.View
	if err := json.Unmarshal(b, &v); err != nil {
		return fmt.Errorf("reading the book: %w", err)
	}
	var list []wire.Event
	if v.Session != nil && v.Session.ClosedUs == 0 {
		old := *v.Session
		old.ClosedUs = now
		b, err := json.Marshal(old)
		if err != nil {
			return err
		}
		list = append(list, wire.Event{Kind: wire.KindDecision, ID: "close-" + old.ID, By: "demo", What: wire.WhatSession, AtUs: now, Value: b})
	}
	if meet {
		setup.Trials = nil
	}
	list = append(list, trial.FromSetup(setup, session, now)...)
	if meet {
		list = append(list, demoMeet(setup, now)...)
	}
	for i, e := range list {
		seq := uint64(i + 1)
		e.Agent, e.Boot, e.Seq, e.By = "demo", session, &seq, "demo"
		if err := tell(ctx, nc, site, e); err != nil {
			return ended(ctx, err)
		}
	}
	return nil
}

// zerosOver is how long no motor has been told anything when the driving service has
// begun.
const zerosOver = time.Second

// afterZeros waits until the driving service has told every motor of the roster to stop,
// as it does when it begins. The trains of the demo are run by hand, by a controller that
// is opened after that: from a command on, whichever, they obey the service alone.
func afterZeros(ctx context.Context, nc *nats.Conn, site string) error {
	said := make(chan *nats.Msg, 64)
	sub, err := nc.ChanSubscribe(bus.Throttle(site, "*"), said)
	if err != nil {
		return fmt.Errorf("listening for throttles: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-said:
		case <-time.After(zerosOver):
			return nil
		}
	}
}

// demoMeet is the decisions that make the demo's session a meet: each locomotive
// is entered by an invented person, and nothing has run.
func demoMeet(setup wire.Setup, now int64) []wire.Event {
	var out []wire.Event
	add := func(what, id string, v any) {
		b, err := json.Marshal(v)
		if err == nil { // our own types, of finite numbers
			out = append(out, wire.Event{Kind: wire.KindDecision, ID: "demo-" + what + "-" + id, What: what, AtUs: now, Value: b})
		}
	}
	add(wire.WhatMeet, "1", wire.Meet{
		Classes: []wire.Class{{ID: "two-sets", Name: "Two driver sets"}, {ID: "one-set", Name: "One driver set"}},
		Rank:    wire.RankMeanTime, Rounds: 4, Laps: 4, WarmupLaps: 1, Consist: setup.Consists[0].ID, SwapEvery: 2,
	})
	people := []string{"Mistral Vane", "Juniper Lock", "Sorrel Beck", "Linden Weir"}
	for i, l := range setup.Locomotives {
		class := "two-sets"
		if len(l.DriverSets) == 1 {
			class = "one-set"
		}
		add(wire.WhatEntry, l.ID, wire.Entry{ID: "entry-" + l.ID, Person: people[i%len(people)], Locomotive: l.ID, Class: class})
	}
	return out
}

func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// tell puts one decision into the journal.
func tell(ctx context.Context, nc *nats.Conn, site string, e wire.Event) error {
	b, err := json.Marshal(e)
	if err != nil {
		return err
	}
	m, err := nc.RequestWithContext(ctx, bus.Internal(site, e.Kind, e.Source()), b)
	if err != nil {
		return fmt.Errorf("writing decision %s: %w", e.ID, err)
	}
	var r wire.Reply
	if err := json.Unmarshal(m.Data, &r); err != nil || !r.OK {
		return fmt.Errorf("writing decision %s: the journal answered %s", e.ID, m.Data)
	}
	return nil
}
