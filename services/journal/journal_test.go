package journal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

func TestWhatIsAcknowledgedIsReadBack(t *testing.T) {
	r := newRig(t)
	r.placeGate()
	first := crossing("a1", "b", 1)
	first.Tag = `quote " and \ <tag>`
	if reply := r.tell(first); reply.Seq != 2 || reply.Duplicate {
		t.Fatalf("reply %+v, want seq 2", reply)
	}
	if reply := r.tell(crossing("a1", "b", 2)); reply.Seq != 3 {
		t.Fatalf("reply %+v, want seq 3", reply)
	}
	got := r.events()
	if len(got) != 3 || got[1].Tag != first.Tag || got[1].JournalSeq != 2 || got[1].BusUs == 0 || got[1].AtUs != first.AtUs {
		t.Fatalf("read back %+v", got)
	}
	r.verify(3)
}

// Only the journal says when and where a fact came.
func TestClientCannotGiveTheJournalsFields(t *testing.T) {
	r := newRig(t)
	r.placeGate()
	m := map[string]any{}
	if err := json.Unmarshal(raw(t, crossing("a1", "b", 1)), &m); err != nil {
		t.Fatal(err)
	}
	m["bus_us"], m["journal_seq"], m["chain"], m["extra"] = 5, 77, "no", "kept"
	if reply := r.ask(bus.Event(site, "crossing", "g1"), raw(t, m)); !reply.OK {
		t.Fatal(reply.Reason)
	}
	e, record := r.events()[1], r.records()[1]
	if e.BusUs < time.Now().Add(-time.Minute).UnixMicro() || e.JournalSeq != 2 {
		t.Fatalf("bus_us %d and journal_seq %d came from the client", e.BusUs, e.JournalSeq)
	}
	if !bytes.Contains(record, []byte(`"extra":"kept"`)) || bytes.Count(record, []byte(`"chain"`)) != 1 {
		t.Fatalf("record %s", record)
	}
	r.verify(2)
}

func TestDuplicatesAreAcknowledgedAndKeptOnce(t *testing.T) {
	r := newRig(t)
	r.placeGate()
	r.tell(crossing("a1", "b", 1))
	if reply := r.tell(crossing("a1", "b", 1)); !reply.Duplicate {
		t.Fatalf("reply %+v, want duplicate", reply)
	}
	if reply := r.tell(crossing("a1", "next-boot", 1)); reply.Duplicate {
		t.Fatal("the same seq of another boot is another event")
	}
	if n := len(r.records()); n != 3 {
		t.Fatalf("%d records, want 3", n)
	}
	if h := r.health(); h.Duplicates != 1 || h.Accepted != 3 {
		t.Fatalf("health: accepted %d, duplicates %d", h.Accepted, h.Duplicates)
	}
}

// Many copies at once come into one batch.
func TestDuplicatesWithinABatch(t *testing.T) {
	r := newRig(t)
	r.placeGate()
	b := raw(t, crossing("a1", "b", 1))
	var inbox = nats.NewInbox()
	sub, err := r.nc.SubscribeSync(inbox)
	if err != nil {
		t.Fatal(err)
	}
	const n = 200
	for range n {
		if err := r.nc.PublishRequest(bus.Event(site, "crossing", "g1"), inbox, b); err != nil {
			t.Fatal(err)
		}
	}
	fresh := 0
	for range n {
		m, err := sub.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatal(err)
		}
		var reply wire.Reply
		if json.Unmarshal(m.Data, &reply); !reply.OK {
			t.Fatalf("reply %s", m.Data)
		}
		if !reply.Duplicate {
			fresh++
		}
	}
	if fresh != 1 || len(r.records()) != 2 {
		t.Fatalf("%d taken as new, %d records; want 1 and 2", fresh, len(r.records()))
	}
}

func TestStoredTellsWhereNothingIsMissing(t *testing.T) {
	r := newRig(t)
	told := r.hears("a1")
	for _, seq := range []uint64{1, 2, 3} {
		r.tell(motor("a1", seq))
	}
	told("b", 3)
	r.tell(motor("a1", 6)) // 4 and 5 are missing
	told("b", 3)
	r.tell(motor("a1", 4))
	told("b", 4)
	r.tell(motor("a1", 5))
	told("b", 6)
	r.tell(motor("a1", 2)) // a duplicate is told too: the agent may have missed it
	told("b", 6)
	e := motor("a1", 7)
	e.Boot = "next"
	r.quiet("a1", func() { r.tell(e) }) // nothing is contiguous yet, and 0 is a seq
	seven := uint64(8)
	r.tell(wire.Event{Kind: wire.KindHealth, Agent: "a1", Boot: "next", Seq: &seven, KeptFromSeq: ptr(uint64(7))})
	told("next", 8) // 1 to 6 were given up by the agent itself
}

func TestAgentMayNumberFromZero(t *testing.T) {
	r := newRig(t)
	told := r.hears("a0")
	r.tell(motor("a0", 0))
	told("b", 0)
	r.tell(motor("a0", 1))
	told("b", 1)
	if reply := r.tell(motor("a0", 0)); !reply.Duplicate {
		t.Fatal("seq 0 was taken twice")
	}
}

// Two boots of one agent that speak at once are both told.
func TestStoredTellsEachBoot(t *testing.T) {
	r := newRig(t)
	old, young := r.hears("a1"), r.hears("a1")
	a, b := motor("a1", 1), motor("a1", 1)
	a.Boot, b.Boot = "old", "young"
	for _, e := range []wire.Event{a, b} {
		if err := r.nc.Publish(bus.Event(site, e.Kind, "m1"), raw(t, e)); err != nil {
			t.Fatal(err)
		}
	}
	old("old", 1)
	young("young", 1)
}

// Writes of up to singly facts go one by one, more as one atomic batch: the
// chain runs through both.
func TestBatchesAndSinglesMakeOneChain(t *testing.T) {
	r := newRig(t, func(c *Config) { c.Tick = -1 })
	_ = r.halt()
	r.openJournal()
	seq, want := uint64(0), 0
	for _, n := range []int{1, singly, singly + 1, 1, 300, 2, maxBatch, singly, 1} {
		var facts []fact
		for range n {
			seq++
			e := motor("a1", seq)
			facts = append(facts, fact{event: e, raw: raw(t, e), busUs: 1})
		}
		stored, err := r.j.append(facts)
		if err != nil || stored != n {
			t.Fatalf("append of %d: %d stored, %v", n, stored, err)
		}
		want += n
	}
	r.verify(want)
	for i, e := range r.events() {
		if *e.Seq != uint64(i+1) {
			t.Fatalf("record %d holds event %d", i+1, *e.Seq)
		}
	}
	r.run()
}

func TestManySendersAtOnceMakeOneChain(t *testing.T) {
	r := newRig(t)
	const agents, each = 8, 150
	done := make(chan error, agents)
	for a := range agents {
		go func() {
			for i := range each {
				e := motor(fmt.Sprintf("a%d", a), uint64(i+1))
				m, err := r.nc.Request(bus.Event(site, e.Kind, "m1"), raw(t, e), 5*time.Second)
				if err != nil || !bytes.Contains(m.Data, []byte(`"ok":true`)) {
					done <- fmt.Errorf("agent %d, event %d: %v", a, i, err)
					return
				}
			}
			done <- nil
		}()
	}
	for range agents {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	r.verify(agents * each)
	r.exactlyOnce(agents * each)
}

func (r *rig) exactlyOnce(want int) {
	r.t.Helper()
	seen := map[string]bool{}
	for _, e := range r.events() {
		if k := keyOf(e); seen[k] {
			r.t.Fatalf("%s is in the journal twice", k)
		} else {
			seen[k] = true
		}
	}
	if len(seen) != want {
		r.t.Fatalf("%d events, want %d", len(seen), want)
	}
}

// A restart goes on with the chain and knows what it has; the checkpoint only
// saves time.
func TestRestartGoesOn(t *testing.T) {
	for _, how := range []string{"with its checkpoint", "without a checkpoint", "with a spoilt checkpoint", "with a checkpoint of another journal"} {
		t.Run(how, func(t *testing.T) {
			r := newRig(t)
			r.placeGate()
			r.tell(crossing("a1", "b", 1))
			r.tell(crossing("a1", "b", 3))
			r.stop()
			path := filepath.Join(r.dir, "journal-agents-"+site+".json")
			switch how {
			case "without a checkpoint":
				if err := os.Remove(path); err != nil {
					t.Fatal(err)
				}
			case "with a spoilt checkpoint":
				spoil(t, path, []byte(`{"seq":3,"seen":`))
			case "with a checkpoint of another journal":
				spoil(t, path, []byte(`{"seq":99,"seen":{"a1":{"boots":{"b":{"next":50}},"order":["b"]}}}`))
			}
			r.start()
			told := r.hears("a1")
			if reply := r.tell(crossing("a1", "b", 3)); !reply.Duplicate {
				t.Fatal("event 3 was taken twice")
			}
			told("b", 1)
			if reply := r.tell(crossing("a1", "b", 2)); reply.Duplicate || reply.Seq != 4 {
				t.Fatalf("reply %+v, want seq 4", reply)
			}
			told("b", 3)
			r.verify(4)
		})
	}
}

func spoil(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// Time passing is recorded while a session is open, and only then.
func TestTicksOnlyWhileASessionIsOpen(t *testing.T) {
	r := newRig(t, func(c *Config) { c.Tick = 5 * time.Millisecond })
	r.placeGate()
	time.Sleep(30 * time.Millisecond)
	if n := len(r.records()); n != 1 {
		t.Fatalf("%d records before a session, want 1", n)
	}
	s := wire.Session{ID: "s1", Name: "S", Circuit: "oval"}
	r.decide("open", 2, wire.WhatSession, s)
	for end := time.Now().Add(time.Minute); len(r.records()) < 6; {
		if time.Now().After(end) {
			t.Fatal("time does not pass in an open session")
		}
		time.Sleep(5 * time.Millisecond)
	}
	s.ClosedUs = time.Now().UnixMicro()
	r.decide("close", 3, wire.WhatSession, s)
	n := len(r.records())
	time.Sleep(30 * time.Millisecond)
	list := r.events()
	if len(list) != n || list[2].Kind != wire.KindTick || list[n-1].Kind != wire.KindDecision {
		t.Fatalf("%d records after the close, want %d", len(list), n)
	}
	r.verify(n)
}

// The journal's permissions are wide: an answer goes to inboxes only, never
// where a sender would like it to appear.
func TestRepliesGoToInboxesOnly(t *testing.T) {
	r := newRig(t)
	victim, err := r.nc.SubscribeSync("rh." + site + ".stored.*")
	if err != nil {
		t.Fatal(err)
	}
	private, err := r.nc.SubscribeSync("private.subject")
	if err != nil {
		t.Fatal(err)
	}
	for _, reply := range []string{"private.subject", bus.Record(site, "crossing", "g1"), bus.Event(site, "decision", "x")} {
		for _, subject := range []string{bus.Event(site, "crossing", "nonsense"), bus.Ask(site, "a1"), bus.Question(site, "health")} {
			if err := r.nc.PublishRequest(subject, reply, []byte(`{"t1_us":1}`)); err != nil {
				t.Fatal(err)
			}
		}
	}
	r.tell(motor("a1", 1))
	if m, err := private.NextMsg(100 * time.Millisecond); err == nil {
		t.Fatalf("a reply went to %s: %s", m.Subject, m.Data)
	}
	if n := len(r.records()); n != 1 {
		t.Fatalf("%d records, want 1: a reply became a record", n)
	}
	if m, err := victim.NextMsg(time.Minute); err != nil || m.Subject != bus.Stored(site, "a1") {
		t.Fatalf("stored mark: %v", err)
	}
}

func TestClockExchange(t *testing.T) {
	r := newRig(t)
	before := time.Now().UnixMicro()
	m, err := r.nc.Request(bus.Ask(site, "a1"), []byte(`{"t1_us":42}`), time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	told, err := r.nc.SubscribeSync(bus.Told(site, "a1"))
	if err != nil {
		t.Fatal(err)
	}
	if err := r.nc.Publish(bus.Ask(site, "a1"), []byte(`{"t1_us":43}`)); err != nil {
		t.Fatal(err)
	}
	plain, err := told.NextMsg(time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	for i, b := range [][]byte{m.Data, plain.Data} {
		var c wire.ClockTold
		if err := json.Unmarshal(b, &c); err != nil || c.T1Us != int64(42+i) || c.T2Us < before || c.T3Us < c.T2Us || c.T3Us > time.Now().UnixMicro() {
			t.Fatalf("told %s (%v)", b, err)
		}
	}
}

// Another writer would break the chain: the journal says so and stops.
func TestAnotherWriterIsNoticed(t *testing.T) {
	r := newRig(t)
	r.tell(motor("a1", 1))
	if _, err := r.js.Publish(context.Background(), bus.Record(site, "motor", "m1"), []byte(`{"kind":"motor","chain":"x"}`)); err != nil {
		t.Fatal(err)
	}
	_ = r.nc.Publish(bus.Event(site, "motor", "m1"), raw(t, motor("a1", 2)))
	ended := make(chan error, 1)
	go func() { ended <- r.wait() }()
	select {
	case err := <-ended:
		if err == nil || !strings.Contains(err.Error(), "writing the journal") {
			t.Fatalf("ended with %v", err)
		}
	case <-time.After(time.Minute):
		t.Fatal("the journal goes on beside another writer")
	}
	if n, _, err := VerifySite(context.Background(), r.nc, site, nil); err == nil || n != 1 {
		t.Fatalf("verify: %d records hold, %v", n, err)
	}
}

func TestAnotherChainedWriterIsNoticed(t *testing.T) {
	r := newRig(t)
	_ = r.halt()
	r.openJournal()
	twin := r.j
	r.openJournal()
	e := motor("a1", 1)
	if n, err := twin.append([]fact{{event: e, raw: raw(t, e), busUs: 1}}); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	e = motor("a1", 2)
	_, err := r.j.append([]fact{{event: e, raw: raw(t, e), busUs: 2}})
	if err == nil || !strings.Contains(err.Error(), "somebody else writes it too") {
		t.Fatalf("append beside another journal: %v", err)
	}
	r.run()
}

// wait is how Run ends by itself.
func (r *rig) wait() error {
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if _, err := r.nc.Request(bus.Question(site, "health"), nil, time.Second); errors.Is(err, nats.ErrNoResponders) {
			return r.halt()
		}
	}
	return nil
}

// A write may fail after part of it got to disk: those are acknowledged, the
// rest is refused, and the chain goes on from what is there.
func TestPartOfAWriteIsOnDisk(t *testing.T) {
	r := newRig(t)
	_ = r.halt()
	r.openJournal()
	inbox := nats.NewInbox()
	answers, err := r.nc.SubscribeSync(inbox)
	if err != nil {
		t.Fatal(err)
	}
	var facts []fact
	for i := range 5 {
		e := motor("a1", uint64(i+1))
		facts = append(facts, fact{e, raw(t, e), 1, &nats.Msg{Subject: "x", Reply: inbox, Sub: answers}})
	}
	msgs, chains, err := r.j.sealAll(facts)
	if err != nil {
		t.Fatal(err)
	}
	// The bus took three of five, and then the answer was lost.
	if err := r.j.publishSingly(msgs[:3]); err != nil {
		t.Fatal(err)
	}
	stored, err := r.j.recover(0, facts, chains, context.DeadlineExceeded)
	if stored != 3 || err != nil || r.j.last != 3 || r.j.chain != chains[2] {
		t.Fatalf("recovered %d (%v), last %d; want 3", stored, err, r.j.last)
	}
	// None of it: the same end as before.
	rest := facts[3:]
	_, chains, err = r.j.sealAll(rest)
	if err != nil {
		t.Fatal(err)
	}
	if stored, err = r.j.recover(3, rest, chains, context.DeadlineExceeded); stored != 0 || err != nil {
		t.Fatalf("recovered %d (%v), want 0", stored, err)
	}
	if n, err := r.j.append(rest); n != 2 || err != nil {
		t.Fatal(n, err)
	}
	r.verify(5)
	r.run()
}

// When the bus refuses a write for a moment (here: the disk limit), nobody is
// told ok, twins included, and the journal goes on afterwards.
func TestRefusedWriteIsNotAcknowledged(t *testing.T) {
	r := newRig(t)
	r.tell(motor("a1", 1))
	r.limit(t, 1)
	e := raw(t, motor("a1", 2))
	inbox := nats.NewInbox()
	sub, err := r.nc.SubscribeSync(inbox)
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if err := r.nc.PublishRequest(bus.Event(site, "motor", "m1"), inbox, e); err != nil {
			t.Fatal(err)
		}
	}
	for range 20 {
		m, err := sub.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(m.Data), `"ok":false`) || !strings.Contains(string(m.Data), "try again") {
			t.Fatalf("a fact that is not on disk was answered %s", m.Data)
		}
	}
	r.limit(t, -1)
	if reply := r.tell(motor("a1", 2)); reply.Duplicate || reply.Seq != 2 {
		t.Fatalf("reply %+v, want seq 2", reply)
	}
	r.verify(2)
}

func (r *rig) limit(t *testing.T, msgs int64) {
	t.Helper()
	st, err := r.js.Stream(context.Background(), bus.Stream(site))
	if err != nil {
		t.Fatal(err)
	}
	cfg := st.CachedInfo().Config
	cfg.MaxMsgs = msgs
	if _, err := r.js.UpdateStream(context.Background(), cfg); err != nil {
		t.Fatal(err)
	}
}

func TestSitesAreListed(t *testing.T) {
	r := newRig(t)
	if err := EnsureStream(context.Background(), r.js, "yard", 1); err != nil {
		t.Fatal(err)
	}
	got, err := Sites(context.Background(), r.nc)
	slices.Sort(got)
	if err != nil || !slices.Equal(got, []string{site, "yard"}) {
		t.Fatalf("sites %v, %v", got, err)
	}
}
