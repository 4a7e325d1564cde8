package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
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
	"rainhill/testdata/effort"
)

const site = "line"

const startUs = int64(1_700_000_000_000_000)

// bench is a broker whose journal holds a recording.
type bench struct {
	t   testing.TB
	dir string
	nc  *nats.Conn

	group int // facts in a transaction
}

// record is a simulated railway's facts as JSON Lines with bus times: its
// definitions, a session, and its sensors for so many seconds, then pad
// notes, and the session's close.
func record(t testing.TB, seconds, pad int) []byte {
	t.Helper()
	var b bytes.Buffer
	recordTo(t, &b, seconds, pad)
	return b.Bytes()
}

func recordTo(t testing.TB, w io.Writer, seconds, pad int) {
	t.Helper()
	demo, err := sim.Load("demo")
	if err != nil {
		t.Fatal(err)
	}
	r := sim.New(demo, 3, startUs)
	write(t, w, trial.FromSetup(r.Setup(), "s1", startUs))
	end := startUs
	for range seconds {
		end += 1_000_000
		write(t, w, r.Next(end))
	}
	var events []wire.Event
	for i := range pad {
		end += 1000
		v, seq := int64(i), uint64(i+1)
		events = append(events, wire.Event{Kind: wire.KindLoad, Agent: "pad", Boot: "b", Seq: &seq, AtUs: end, Cell: "c1", Samples: []wire.Sample{{AtUs: end, ForceMn: &v}}})
	}
	end += 5_000_000
	closing, err := json.Marshal(wire.Session{ID: "s1", Name: "S", Circuit: r.Setup().Circuit.ID, ClosedUs: end})
	if err != nil {
		t.Fatal(err)
	}
	events = append(events, wire.Event{Kind: wire.KindDecision, ID: "close", By: "test", What: wire.WhatSession, AtUs: end, Value: closing})
	write(t, w, events)
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

func newBench(t testing.TB, recording []byte) *bench {
	t.Helper()
	return benchOf(t, bytes.NewReader(recording))
}

func benchOf(t testing.TB, recording io.ReadSeeker) *bench {
	t.Helper()
	x := &bench{t: t, dir: t.TempDir(), group: 4096}
	b, err := broker.Start(broker.Config{Dir: x.dir, Site: site, Host: "127.0.0.1"})
	if err != nil {
		t.Fatal(err)
	}
	if x.nc, err = b.Connect(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { x.nc.Close(); b.Stop() })
	_, err = journal.Import(context.Background(), x.nc, journal.Config{Site: site, Dir: x.dir}, recording, func(line int, err error) {
		t.Fatalf("line %d: %v", line, err)
	})
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func (x *bench) open(name string) *store.Store {
	x.t.Helper()
	s, err := store.Open(filepath.Join(x.dir, name))
	if err != nil {
		x.t.Fatal(err)
	}
	return s
}

// catchUp scores with a ledger made of the store of that name, and returns all
// that the store then holds.
func (x *bench) catchUp(name string, ledger func(*store.Store) scoring.Ledger) (string, error) {
	x.t.Helper()
	s := x.open(name)
	err := scoring.CatchUpBy(context.Background(), x.nc, site, ledger(s), x.group)
	var b bytes.Buffer
	if dumpErr := errors.Join(s.Dump(&b), s.Close()); dumpErr != nil {
		x.t.Fatal(dumpErr)
	}
	return b.String(), err
}

func plain(s *store.Store) scoring.Ledger { return s }

// failing fails its n-th Put, before or after the transaction.
type failing struct {
	*store.Store
	n, at int
	after bool
}

var errTorn = errors.New("torn out")

func (f *failing) Put(c store.Commit) error {
	f.n++
	if f.n != f.at {
		return f.Store.Put(c)
	}
	if f.after {
		if err := f.Store.Put(c); err != nil {
			return err
		}
	}
	return errTorn
}

// Whichever write is torn out, before or after it got to disk, the store is
// afterwards what it is without.
func TestFailureAtEveryPut(t *testing.T) {
	for _, c := range []struct {
		name         string
		seconds, pad int
		group, last  int // facts in a transaction; only the last writes are torn out
	}{{"a session", 100, 0, 128, 1000}, {"across a snapshot", 20, int(trial.Rules().SnapshotEvery) + 500, 1024, effort.Cases(4, 1)}} {
		t.Run(c.name, func(t *testing.T) {
			x := newBench(t, record(t, c.seconds, c.pad))
			x.group = c.group
			count := &failing{at: -1}
			whole, err := x.catchUp("whole.db", func(s *store.Store) scoring.Ledger { count.Store = s; return count })
			if err != nil || !strings.Contains(whole, `results "s1"`) || strings.Contains(whole, "snapshot_seq") != (c.pad > 0) {
				t.Fatalf("%v; the store holds %.2000s", err, whole)
			}
			if c.pad == 0 && !strings.Contains(whole, `laps "s1/demo-heron/000004"`) {
				t.Fatalf("there are no laps in %.2000s", whole)
			}
			torn := 0
			// Facts are grouped as they come, so another run may have fewer writes.
			for at := count.n; at >= 1 && torn < 2*c.last; at-- {
				torn += x.tear(at, false, whole)
				torn += x.tear(at, true, whole)
			}
			t.Logf("%d writes, %d torn out", count.n, torn)
			if torn < min(c.last, 10) {
				t.Fatalf("only %d writes were torn out", torn)
			}
		})
	}
}

// tear scores with the at-th write torn out, and again, and wants whole. It
// returns 0 when there was no such write: how facts fall into groups is the
// bus's to say.
func (x *bench) tear(at int, after bool, whole string) int {
	x.t.Helper()
	name := fmt.Sprintf("%d-%v.db", at, after)
	_, torn := x.catchUp(name, func(s *store.Store) scoring.Ledger { return &failing{Store: s, at: at, after: after} })
	if torn != nil && !errors.Is(torn, errTorn) {
		x.t.Fatalf("write %d torn out: %v", at, torn)
	}
	again, err := x.catchUp(name, plain)
	if err != nil || again != whole {
		x.t.Fatalf("write %d torn out (after the transaction: %v): the store is another one (%v)", at, after, err)
	}
	if torn == nil {
		return 0
	}
	return 1
}

// The scorer stops at any fact and goes on from its store: the results are
// those of one going through. Snapshots lie on both sides.
func TestStopAnywhereGoOn(t *testing.T) {
	x := newBench(t, record(t, 120, int(trial.Rules().SnapshotEvery)-1000))
	whole, err := x.catchUp("whole.db", plain)
	if err != nil {
		t.Fatal(err)
	}
	s := x.open("parts.db")
	for i := range 8 {
		ctx, cancel := context.WithTimeout(context.Background(), time.Duration(15*(i+1))*time.Millisecond)
		if err := scoring.Run(ctx, x.nc, site, s); err != nil {
			t.Fatal(err)
		}
		cancel()
		m, err := s.Mark()
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("cursor %d, snapshot %d", m.Cursor, m.SnapshotSeq)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	got, err := x.catchUp("parts.db", plain)
	if err != nil || got != whole {
		t.Fatalf("the store is another one (%v)", err)
	}
}

// The state read back from its JSON goes on exactly as the state itself, from
// wherever it was saved.
func TestSavedStateGoesOnTheSame(t *testing.T) {
	var events []wire.Event
	seq := uint64(0)
	for line := range bytes.Lines(record(t, 100, 20)) {
		e, err := wire.Decode(line)
		if err != nil {
			t.Fatal(err)
		}
		seq++
		e.JournalSeq = seq
		events = append(events, e)
	}
	finish := func(s *trial.State, from int) string {
		for _, e := range events[from:] {
			s.Step(e)
		}
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	whole := finish(trial.New(site), 0)
	for at := 0; at < len(events); at += max(1, len(events)/60) {
		s := trial.New(site)
		for _, e := range events[:at] {
			s.Step(e)
		}
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatalf("saving after fact %d: %v", at, err)
		}
		back := trial.New(site)
		if err := json.Unmarshal(b, back); err != nil {
			t.Fatalf("reading what was saved after fact %d: %v", at, err)
		}
		back.Revive()
		if finish(back, at) != whole {
			t.Fatalf("saved after fact %d of %d, it goes on differently", at, len(events))
		}
	}
}

func TestStoreOfAnotherJournalIsRefused(t *testing.T) {
	x := newBench(t, record(t, 20, 0))
	for _, snapshot := range [][]byte{nil, []byte(`{}`)} {
		s := x.open(fmt.Sprintf("far-%d.db", len(snapshot)))
		if err := s.Put(store.Commit{Cursor: 1_000_000, Saved: trial.Saved{State: snapshot}}); err != nil {
			t.Fatal(err)
		}
		err := scoring.Run(context.Background(), x.nc, site, s)
		if err == nil || !strings.Contains(err.Error(), "they do not belong together; rainhill rebuild makes the store anew") {
			t.Fatalf("%v", err)
		}
		_ = s.Close()
	}
}

func mustJS(t testing.TB, nc *nats.Conn) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

func TestQuestions(t *testing.T) {
	x := newBench(t, record(t, 90, 0))
	s := x.open("q.db")
	defer func() { _ = s.Close() }()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- scoring.Run(ctx, x.nc, site, s) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	ask := func(what, data string) string {
		t.Helper()
		var m *nats.Msg
		var err error
		for range 100 {
			if m, err = x.nc.Request(bus.Question(site, what), []byte(data), 10*time.Second); err == nil {
				return string(m.Data)
			}
			time.Sleep(10 * time.Millisecond)
		}
		t.Fatalf("%s: %v", what, err)
		return ""
	}
	last, _, err := journal.Tip(ctx, mustJS(t, x.nc), site)
	if err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(30 * time.Second); !strings.Contains(ask("scored", ""), fmt.Sprintf(`"seq":%d,`, last)); {
		if time.Now().After(end) {
			t.Fatalf("scored %s, the journal ends at %d", ask("scored", ""), last)
		}
		time.Sleep(5 * time.Millisecond)
	}
	closed, err := s.Results("s1")
	if err != nil || closed == nil {
		t.Fatal(err)
	}
	if ask("results", "") != string(closed) || ask("results", "s1") != string(closed) {
		t.Fatal("the closed session's results are not the stored bytes")
	}
	if got := ask("results", "nope"); !strings.Contains(got, `there is no session \"nope\"`) {
		t.Fatal(got)
	}
	var v wire.View
	if err := json.Unmarshal([]byte(ask("view", "")), &v); err != nil || v.Rev != last || len(v.Results) != 2 || len(v.Motors) == 0 || v.Session.ClosedUs == 0 {
		t.Fatalf("view: %v, rev %d", err, v.Rev)
	}
	for _, c := range []struct{ data, want string }{
		{`nonsense`, "not JSON"},
		{`{"kind":"decision","id":"x","by":"t","at_us":5,"what":"trial","value":{"id":"t9","locomotive":"heron"}}`, "no session is open"},
		{`{"kind":"decision","id":"x","by":"t","at_us":5,"what":"session","value":{"id":"s2","circuit":"long-oval"}}`, `"ok":true`},
		{`{"kind":"decision","id":"x","by":"t","at_us":5,"what":"session","value":{"id":"s1","circuit":"long-oval"}}`, "is closed"},
	} {
		if got := ask("check", c.data); !strings.Contains(got, c.want) {
			t.Errorf("check %s: %s, want %q", c.data, got, c.want)
		}
	}
}

// A snapshot that the laps beside it do not fit is refused, with what to do.
func TestSnapshotWithoutItsLapsIsRefused(t *testing.T) {
	x := newBench(t, record(t, 20, 0))
	s := x.open("torn.db")
	defer s.Close()
	state := []byte(`{"book":{"session":{"id":"s1"},"trials":[{"trial":{"id":"t1"},"elsewhere":2}]}}`)
	if err := s.Put(store.Commit{Cursor: 5, Saved: trial.Saved{State: state, Session: "s1", Kept: []trial.Kept{{Trial: "t1", Laps: [][]byte{[]byte(`{}`)}}}}}); err != nil {
		t.Fatal(err)
	}
	err := scoring.Run(context.Background(), x.nc, site, s)
	if err == nil || !strings.Contains(err.Error(), "laps of trial t1: 1 are kept, 2 were saved; rainhill rebuild makes the store anew") {
		t.Fatalf("%v", err)
	}
}
