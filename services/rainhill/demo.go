package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// demoDay is the demo's session and who officiates at it: trials are opened and closed
// when their trains come and go, as an official would.
type demoDay struct {
	nc            *nats.Conn
	site, session string
	seq           uint64
	trials        []wire.Trial // as planned, with to_us
}

// playDemo opens the demo's day and runs its railway until ctx is done.
func playDemo(ctx context.Context, nc *nats.Conn, site string, s sim.Scenario, seed int64, meet bool) error {
	d, err := openDemo(ctx, nc, site, s, meet)
	if err != nil {
		return ended(ctx, err)
	}
	if meet {
		return sim.RunCalled(ctx, nc, site, s, seed)
	}
	ctx, cancel := context.WithCancel(ctx)
	day := make(chan error, 1)
	go func() {
		err := d.officiate(ctx)
		if err != nil {
			cancel()
		}
		day <- err
	}()
	err = sim.Run(ctx, nc, site, s, seed, 1)
	cancel()
	return errors.Join(err, <-day)
}

// openDemo writes the simulated railway's definitions into the book, and opens
// a session and the trials that begin with it, or a meet with its entries, closing what
// an earlier demo left open.
func openDemo(ctx context.Context, nc *nats.Conn, site string, s sim.Scenario, meet bool) (*demoDay, error) {
	now := time.Now().UnixMicro()
	setup := s.Setup(now)
	d := &demoDay{nc: nc, site: site, session: fmt.Sprintf("demo-%d", now/1000)}
	v, err := d.book(ctx)
	if err != nil {
		return d, err
	}
	var list []wire.Event
	if v.Session != nil && v.Session.ClosedUs == 0 {
		old := *v.Session
		old.ClosedUs = now
		b, err := json.Marshal(old)
		if err != nil {
			return d, err
		}
		list = append(list, wire.Event{Kind: wire.KindDecision, ID: "close-" + old.ID, What: wire.WhatSession, AtUs: now, Value: b})
	}
	if !meet {
		d.trials = setup.Trials
	}
	setup.Trials = nil
	list = append(list, trial.FromSetup(setup, d.session, now)...)
	if meet {
		list = append(list, demoMeet(setup, now)...)
	}
	for _, e := range list {
		if err := d.tell(ctx, e); err != nil {
			return d, err
		}
	}
	for _, t := range d.trials {
		if t.FromUs <= now {
			if err := d.open(ctx, t); err != nil {
				return d, err
			}
		}
	}
	return d, nil
}

// officiate opens and closes what is still to come, until ctx is done or the demo's
// session is no longer open.
func (d *demoDay) officiate(ctx context.Context) error {
	now := time.Now().UnixMicro()
	for _, x := range d.coming(now) {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Duration(x.atUs-time.Now().UnixMicro()) * time.Microsecond):
		}
		v, err := d.book(ctx)
		if err != nil || v.Session == nil || v.Session.ID != d.session || v.Session.ClosedUs != 0 {
			return ended(ctx, err)
		}
		i := slices.IndexFunc(v.Trials, func(t wire.Trial) bool { return t.ID == x.trial.ID })
		switch {
		case !x.closes && i < 0:
			err = d.open(ctx, x.trial)
		case x.closes && i >= 0 && v.Trials[i].ToUs == 0: // what an official changed of it stays
			t := v.Trials[i]
			t.ToUs = x.atUs
			err = d.decide(ctx, "close-"+t.ID, t, x.atUs)
		}
		if err != nil {
			return ended(ctx, err)
		}
	}
	return nil
}

// coming is the openings and closings after an instant, in order.
func (d *demoDay) coming(afterUs int64) (list []turn) {
	for _, t := range d.trials {
		if t.FromUs > afterUs {
			list = append(list, turn{t.FromUs, t, false})
		}
		if t.ToUs > 0 {
			list = append(list, turn{t.ToUs, t, true})
		}
	}
	slices.SortStableFunc(list, func(a, b turn) int { return cmp.Compare(a.atUs, b.atUs) })
	return list
}

// turn is when a trial opens or closes.
type turn struct {
	atUs   int64
	trial  wire.Trial
	closes bool
}

func (d *demoDay) open(ctx context.Context, t wire.Trial) error {
	t.ToUs = 0
	return d.decide(ctx, "trial-"+t.ID, t, t.FromUs)
}

func (d *demoDay) decide(ctx context.Context, id string, t wire.Trial, atUs int64) error {
	b, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("writing trial %s: %w", t.ID, err)
	}
	return d.tell(ctx, wire.Event{Kind: wire.KindDecision, ID: id, What: wire.WhatTrial, AtUs: atUs, Value: b})
}

func (d *demoDay) book(ctx context.Context) (v wire.View, err error) {
	b, err := bus.Enquire(ctx, d.nc, bus.Question(d.site, "view"), nil)
	if err != nil {
		return v, fmt.Errorf("asking for the book: %w", err)
	}
	if err := json.Unmarshal(b, &v); err != nil {
		return v, fmt.Errorf("reading the book: %w", err)
	}
	return v, nil
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
func (d *demoDay) tell(ctx context.Context, e wire.Event) error {
	d.seq++
	seq := d.seq
	e.Agent, e.Boot, e.Seq, e.By = "demo", d.session, &seq, "demo"
	b, err := json.Marshal(e)
	if err != nil {
		return err
	}
	m, err := d.nc.RequestWithContext(ctx, bus.Internal(d.site, e.Kind, e.Source()), b)
	if err != nil {
		return fmt.Errorf("writing decision %s: %w", e.ID, err)
	}
	var r wire.Reply
	if err := json.Unmarshal(m.Data, &r); err != nil || !r.OK {
		return fmt.Errorf("writing decision %s: the journal answered %s", e.ID, m.Data)
	}
	return nil
}
