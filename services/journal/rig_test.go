package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
)

const site = "line"

// rig is a real broker on a folder with a journal on it.
type rig struct {
	t    testing.TB
	dir  string
	b    *broker.Broker
	nc   *nats.Conn
	js   jetstream.JetStream
	j    *Journal
	halt func() error // stops the journal and returns what Run did
}

// newRig starts a broker and a journal; both stop with the test.
func newRig(t testing.TB, change ...func(*Config)) *rig {
	t.Helper()
	r := &rig{t: t, dir: t.TempDir()}
	r.start(change...)
	t.Cleanup(func() { r.stop() })
	return r
}

func (r *rig) start(change ...func(*Config)) {
	r.t.Helper()
	r.startBroker()
	r.startJournal(change...)
}

func (r *rig) startBroker() {
	r.t.Helper()
	var err error
	if r.b, err = broker.Start(broker.Config{Dir: r.dir, Site: site, Host: "127.0.0.1"}); err != nil {
		r.t.Fatal(err)
	}
	if r.nc, err = r.b.Connect(); err != nil {
		r.t.Fatal(err)
	}
	if r.js, err = jetstream.New(r.nc); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) startJournal(change ...func(*Config)) {
	r.t.Helper()
	r.openJournal(change...)
	r.run()
}

func (r *rig) openJournal(change ...func(*Config)) {
	r.t.Helper()
	cfg := Config{Site: site, Dir: r.dir, Tick: -1}
	for _, f := range change {
		f(&cfg)
	}
	var err error
	if r.j, err = Open(context.Background(), r.nc, cfg); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) run() {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.j.Run(ctx) }()
	r.halt = func() error {
		cancel()
		err := <-ended
		ended <- err
		return err
	}
	// It listens once it answers for its health.
	for range 500 {
		if _, err := r.nc.Request(bus.Question(site, "health"), nil, time.Second); err == nil {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
	r.t.Fatal("the journal does not listen")
}

func (r *rig) stop() {
	if r.halt != nil {
		if err := r.halt(); err != nil && !r.t.Failed() {
			r.t.Logf("the journal ended with: %v", err)
		}
		r.halt = nil
	}
	if r.b != nil {
		r.nc.Close()
		r.b.Stop()
		r.b = nil
	}
}

func ptr[T any](x T) *T { return &x }

// crossing is event seq of an agent at gate g1.
func crossing(agent, boot string, seq uint64) wire.Event {
	return wire.Event{Kind: wire.KindCrossing, Agent: agent, Boot: boot, Seq: &seq, AtUs: time.Now().UnixMicro(), Gate: "g1", Edge: wire.EdgePulse}
}

func motor(agent string, seq uint64) wire.Event {
	now := time.Now().UnixMicro()
	return wire.Event{Kind: wire.KindMotor, Agent: agent, Boot: "b", Seq: &seq, AtUs: now, Motor: "m1",
		Samples: []wire.Sample{{AtUs: now, Counts: ptr(int64(seq))}}}
}

func raw(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// ask sends bytes on a subject and returns the journal's reply.
func (r *rig) ask(subject string, b []byte) wire.Reply {
	r.t.Helper()
	m, err := r.nc.Request(subject, b, time.Minute)
	if err != nil {
		r.t.Fatalf("%s: %v", subject, err)
	}
	var reply wire.Reply
	if err := json.Unmarshal(m.Data, &reply); err != nil {
		r.t.Fatalf("reply %q: %v", m.Data, err)
	}
	return reply
}

// tell puts an event in and wants it taken.
func (r *rig) tell(e wire.Event) wire.Reply {
	r.t.Helper()
	reply := r.ask(bus.Event(site, e.Kind, e.Source()), raw(r.t, e))
	if !reply.OK {
		r.t.Fatalf("%s %d was refused: %s", e.Kind, *e.Seq, reply.Reason)
	}
	return reply
}

// placeGate puts gate g1 on a circuit, so that crossings of it are taken.
func (r *rig) placeGate() {
	r.t.Helper()
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 5000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}}
	r.decide("circuit-oval", 1, wire.WhatCircuit, v)
}

func (r *rig) decide(id string, seq uint64, what string, value any) {
	r.t.Helper()
	e := wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b", Seq: &seq, AtUs: time.Now().UnixMicro(), ID: id, By: "test", What: what, Value: raw(r.t, value)}
	if reply := r.ask(bus.Internal(site, e.Kind, e.ID), raw(r.t, e)); !reply.OK {
		r.t.Fatalf("decision %s was refused: %s", id, reply.Reason)
	}
}

// records reads the whole journal back.
func (r *rig) records() [][]byte {
	r.t.Helper()
	var out [][]byte
	err := Read(context.Background(), r.js, site, 1, 0, func(_ uint64, record []byte) error {
		out = append(out, append([]byte(nil), record...))
		return nil
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return out
}

func (r *rig) events() []wire.Event {
	r.t.Helper()
	var out []wire.Event
	for i, b := range r.records() {
		var e wire.Event
		if err := json.Unmarshal(b, &e); err != nil {
			r.t.Fatalf("record %d: %v", i+1, err)
		}
		out = append(out, e)
	}
	return out
}

func (r *rig) verify(want int) {
	r.t.Helper()
	n, _, err := VerifySite(context.Background(), r.nc, site, nil)
	if err != nil || n != want {
		r.t.Fatalf("verify: %d records, %v; want %d and no error", n, err, want)
	}
}

func (r *rig) health() wire.Health {
	r.t.Helper()
	m, err := r.nc.Request(bus.Question(site, "health"), nil, time.Minute)
	if err != nil {
		r.t.Fatal(err)
	}
	var h wire.Health
	if err := json.Unmarshal(m.Data, &h); err != nil {
		r.t.Fatal(err)
	}
	return h
}

// hears listens for what the journal tells an agent that it has.
func (r *rig) hears(agent string) func(boot string, seq uint64) {
	r.t.Helper()
	sub, err := r.nc.SubscribeSync(bus.Stored(site, agent))
	if err != nil {
		r.t.Fatal(err)
	}
	var last []string
	return func(boot string, seq uint64) {
		r.t.Helper()
		end := time.Now().Add(time.Minute)
		for time.Now().Before(end) {
			m, err := sub.NextMsg(time.Until(end))
			if err != nil {
				break
			}
			var s wire.Stored
			if json.Unmarshal(m.Data, &s) == nil && s.Boot == boot && s.Seq == seq {
				return
			}
			last = append(last, string(m.Data))
		}
		r.t.Fatalf("agent %s was not told that boot %s is stored up to %d; it heard %s", agent, boot, seq, strings.Join(last, " "))
	}
}

func (r *rig) quiet(agent string, during func()) {
	r.t.Helper()
	sub, err := r.nc.SubscribeSync(bus.Stored(site, agent))
	if err != nil {
		r.t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	during()
	if m, err := sub.NextMsg(200 * time.Millisecond); err == nil {
		r.t.Fatalf("agent %s was told %s", agent, m.Data)
	}
}

func keyOf(e wire.Event) string {
	if e.Seq == nil {
		return e.Kind
	}
	return fmt.Sprintf("%s/%s/%d", e.Agent, e.Boot, *e.Seq)
}
