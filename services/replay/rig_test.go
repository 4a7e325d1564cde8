package replay

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/broker"
	"rainhill/services/journal"
	"rainhill/services/scoring"
	"rainhill/services/store"
)

const (
	site    = "line"
	startUs = int64(1_700_000_000_000_000)
)

// rig is a broker whose journal holds recorded sessions, and what the scorer's
// store says of them.
type rig struct {
	t     testing.TB
	nc    *nats.Conn
	store *store.Store
}

// recordTo writes a simulated railway's session: its definitions, so many seconds
// of its sensors, pad readings of a load cell, and the session's close.
func recordTo(t testing.TB, w io.Writer, session string, fromUs int64, seconds, pad int) (endUs int64) {
	t.Helper()
	demo, err := sim.Load("demo")
	if err != nil {
		t.Fatal(err)
	}
	r := sim.New(demo, 3, fromUs)
	write(t, w, trial.FromSetup(r.Setup(), session, fromUs))
	end := fromUs
	for range seconds {
		end += 1_000_000
		write(t, w, r.Next(end))
	}
	for i := range pad {
		end += 1000
		v, seq := int64(i), uint64(i+1)
		write(t, w, []wire.Event{{Kind: wire.KindLoad, Agent: "pad", Boot: "b", Seq: &seq, AtUs: end, Cell: "c1", Samples: []wire.Sample{{AtUs: end, ForceMn: &v}}}})
	}
	end += 5_000_000
	first := r.Setup().Trials[0]
	first.ToUs = fromUs + int64(seconds)*500_000
	write(t, w, []wire.Event{decision(t, "half", wire.WhatTrial, first, end-4_000_000)})
	write(t, w, []wire.Event{decision(t, session+"-close", wire.WhatSession, wire.Session{ID: session, Circuit: r.Setup().Circuit.ID, ClosedUs: end}, end)})
	return end
}

func decision(t testing.TB, id, what string, value any, atUs int64) wire.Event {
	t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return wire.Event{Kind: wire.KindDecision, ID: id, By: "test", What: what, AtUs: atUs, Value: b}
}

func write(t testing.TB, w io.Writer, events []wire.Event) {
	t.Helper()
	for _, e := range events {
		e.BusUs = e.AtUs + 300
		line, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(append(line, '\n')); err != nil {
			t.Fatal(err)
		}
	}
}

func newRig(t testing.TB, recording []byte) *rig {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "recording.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(recording); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	b, err := broker.Start(broker.Config{Dir: dir, Site: site, Host: "127.0.0.1"})
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t}
	if r.nc, err = b.Connect(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.nc.Close(); b.Stop() })
	if _, err := journal.Import(context.Background(), r.nc, journal.Config{Site: site, Dir: dir}, f, func(line int, err error) { t.Fatalf("line %d: %v", line, err) }); err != nil {
		t.Fatal(err)
	}
	if r.store, err = store.Open(filepath.Join(dir, "store.db")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.store.Close() })
	return r
}

// score brings the store up to the journal's end and gives its results of a session.
func (r *rig) score(session string) []byte {
	r.t.Helper()
	if err := scoring.CatchUp(context.Background(), r.nc, site, r.store); err != nil {
		r.t.Fatal(err)
	}
	b, err := r.store.Results(session)
	if err != nil || b == nil {
		r.t.Fatalf("results of %s: %v", session, err)
	}
	return b
}

// service gives a service that is not running, to read sessions by itself.
func (r *rig) service() *service {
	r.t.Helper()
	js, err := jetstream.New(r.nc)
	if err != nil {
		r.t.Fatal(err)
	}
	return &service{nc: r.nc, js: js, site: site, limits: standard, shows: map[string]*show{}}
}

// load reads a session and gives its player.
func (r *rig) load(o wire.ReplayOpen) *show {
	r.t.Helper()
	w := newShow(r.service(), o)
	if err := w.readAll(context.Background()); err != nil {
		r.t.Fatal(err)
	}
	return w
}

// begin runs the service until the test ends.
func (r *rig) begin(l limits) {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- run(ctx, r.nc, site, l) }()
	r.t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			r.t.Error(err)
		}
	})
	for range 500 {
		if _, err := r.nc.Request(bus.Question(site, "replay"), nil, time.Second); err == nil {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
	r.t.Fatal("the replay service does not listen")
}

// watcher is a viewer of one replay.
type watcher struct {
	*rig
	id   string
	came chan *nats.Msg
}

// told is any message of a replay.
type told struct {
	Type    string             `json:"type"`
	NowUs   int64              `json:"now_us"`
	Reason  string             `json:"reason"`
	Replay  *wire.ReplayState  `json:"replay"`
	Results []wire.TrialResult `json:"results"`
	Trials  []wire.Trial       `json:"trials"`
	raw     []byte
}

func (r *rig) ask(o wire.ReplayOpen) wire.Reply {
	r.t.Helper()
	b, err := json.Marshal(o)
	if err != nil {
		r.t.Fatal(err)
	}
	m, err := r.nc.Request(bus.Question(site, "replay"), b, 30*time.Second)
	if err != nil {
		r.t.Fatal(err)
	}
	var reply wire.Reply
	if err := json.Unmarshal(m.Data, &reply); err != nil {
		r.t.Fatal(err)
	}
	return reply
}

func (r *rig) watch(o wire.ReplayOpen) *watcher {
	r.t.Helper()
	w := &watcher{rig: r, id: o.ID, came: make(chan *nats.Msg, 4096)}
	sub, err := r.nc.ChanSubscribe(bus.Replay(site, o.ID), w.came)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = sub.Unsubscribe() })
	if reply := r.ask(o); !reply.OK {
		r.t.Fatalf("asking for %+v: %s", o, reply.Reason)
	}
	return w
}

func (w *watcher) say(c wire.ReplayControl) {
	w.t.Helper()
	b, err := json.Marshal(c)
	if err != nil {
		w.t.Fatal(err)
	}
	if err := w.nc.Publish(bus.ReplayControl(site, w.id), b); err != nil {
		w.t.Fatal(err)
	}
}

// until takes messages until one is so.
func (w *watcher) until(what string, so func(told) bool) told {
	w.t.Helper()
	limit := time.After(30 * time.Second)
	for {
		select {
		case m := <-w.came:
			x := told{raw: m.Data}
			if err := json.Unmarshal(m.Data, &x); err != nil {
				w.t.Fatal(err)
			}
			if so(x) {
				return x
			}
			if x.Reason != "" {
				w.t.Fatalf("waiting for %s the replay ended: %s", what, x.Reason)
			}
		case <-limit:
			w.t.Fatalf("waited 30 s for %s", what)
		}
	}
}

func session(t testing.TB, seconds, pad int) []byte {
	t.Helper()
	var b bytes.Buffer
	recordTo(t, &b, "s1", startUs, seconds, pad)
	return b.Bytes()
}
