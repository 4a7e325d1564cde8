package journal

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/clock"
	"rainhill/pkg/wire"
)

// edited is a crossing of g1 with one field replaced, or taken away (nil).
func edited(t *testing.T, field string, value any) []byte {
	m := map[string]any{}
	if err := json.Unmarshal(raw(t, crossing("a1", "b", 1)), &m); err != nil {
		t.Fatal(err)
	}
	if m[field] = value; value == nil {
		delete(m, field)
	}
	return raw(t, m)
}

func TestBadInputIsRefusedAndTheJournalGoesOn(t *testing.T) {
	r := newRig(t, func(c *Config) {
		c.Allow = func(agent, kind, source string) error {
			if agent == "stranger" {
				return fmt.Errorf("%w: agent %q has no credential", wire.ErrMalformed, agent)
			}
			return nil
		}
	})
	r.placeGate()
	g1 := bus.Event(site, "crossing", "g1")
	day := 25 * time.Hour.Microseconds()
	now := time.Now().UnixMicro()
	cases := []struct {
		name, subject string
		data          []byte
		want          string
	}{
		{"malformed JSON", g1, []byte(`{"kind":"crossing",`), "not JSON"},
		{"nothing", g1, nil, "not JSON"},
		{"not text", g1, bytes.Repeat([]byte{0xff, 0x00}, 300), "not JSON"},
		{"not an object", g1, []byte(`[1,2]`), "want an object"},
		{"wrong type of at_us", g1, edited(t, "at_us", "noon"), "field at_us is a JSON string, want an integer"},
		{"a fraction of a microsecond", g1, edited(t, "at_us", 1.5), "want an integer"},
		{"wrong type of gate", g1, edited(t, "gate", 7), "field gate is a JSON number, want a string"},
		{"negative seq", g1, edited(t, "seq", -1), "field seq"},
		{"agent's id out of form", g1, edited(t, "agent", "Träger 1"), "is not an id"},
		{"gate's id out of form", "rh." + site + ".crossing.G1", edited(t, "gate", "G1"), "is not an id"},
		{"agent missing", g1, edited(t, "agent", nil), "agent is missing"},
		{"boot missing", g1, edited(t, "boot", nil), "boot is missing"},
		{"seq missing", g1, edited(t, "seq", nil), "seq is missing"},
		{"edge missing", g1, edited(t, "edge", nil), "edge is missing"},
		{"edge unknown", g1, edited(t, "edge", "sideways"), "is not enter, leave or pulse"},
		{"instant missing", g1, edited(t, "at_us", nil), "at_us is missing"},
		{"a day late", g1, edited(t, "at_us", now-day), "over a day from bus time"},
		{"a day early", g1, edited(t, "at_us", now+day), "over a day from bus time"},
		{"1 MiB", g1, edited(t, "tag", strings.Repeat("x", 1<<20)), "at most 262144 are taken"},
		{"unknown kind", "rh." + site + ".whistle.g1", edited(t, "kind", "whistle"), `kind "whistle" is not known`},
		{"kind against subject", bus.Event(site, "motor", "g1"), edited(t, "tag", "x"), "the subject says"},
		{"source against subject", bus.Event(site, "crossing", "g2"), edited(t, "tag", "x"), "the subject says"},
		{"unknown gate", bus.Event(site, "crossing", "g9"), edited(t, "gate", "g9"), "stands on no circuit"},
		{"tick of an agent", bus.Event(site, "tick", "tick"), []byte(fmt.Sprintf(`{"kind":"tick","agent":"a1","boot":"b","seq":1,"at_us":%d}`, now)), "tick is written by the journal alone"},
		{"agent without a credential", g1, edited(t, "agent", "stranger"), "has no credential"},
		{"motor without samples", bus.Event(site, "motor", "m1"), []byte(fmt.Sprintf(`{"kind":"motor","agent":"a1","boot":"b","seq":1,"at_us":%d,"motor":"m1"}`, now)), "samples is missing"},
		{"clock exchange", bus.Ask(site, "a1"), []byte(`{"t1_us":"x"}`), "a clock exchange is"},
	}
	for i, c := range cases {
		reply := r.ask(c.subject, c.data)
		if reply.OK || !strings.Contains(reply.Reason, c.want) {
			t.Errorf("%s: reply %+v, want a refusal with %q", c.name, reply, c.want)
		}
		h := r.health()
		if h.Rejected != uint64(i+1) || len(h.Rejects) != min(i+1, 50) {
			t.Fatalf("%s: health counts %d refusals and shows %d, want %d", c.name, h.Rejected, len(h.Rejects), i+1)
		}
		newest := h.Rejects[0]
		if newest.Subject != c.subject || newest.Reason != reply.Reason || newest.Bytes != len(c.data) || newest.First != first(c.data, 200) {
			t.Errorf("%s: the health page shows %+v", c.name, newest)
		}
	}
	if reply := r.tell(crossing("a1", "b", 1)); reply.Seq != 2 {
		t.Fatalf("after all that: %+v, want seq 2", reply)
	}
	r.verify(2)
	r.logHolds(t, len(cases), func(i int, x wire.Reject) {
		if x.Bytes != len(cases[i].data) || len(x.First) > 3*200 || !strings.Contains(x.Reason, cases[i].want) {
			t.Errorf("reject log, line %d: %+v", i+1, x)
		}
	})
}

func (r *rig) logHolds(t *testing.T, want int, look func(int, wire.Reject)) {
	t.Helper()
	f, err := os.Open(filepath.Join(r.dir, "rejects-"+site+".jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	n := 0
	for in := bufio.NewScanner(f); in.Scan(); n++ {
		var x wire.Reject
		if err := json.Unmarshal(in.Bytes(), &x); err != nil {
			t.Fatalf("reject log, line %d: %v", n+1, err)
		}
		look(n, x)
	}
	if n != want {
		t.Fatalf("the reject log holds %d lines, want %d", n, want)
	}
}

// A flood of nonsense cannot fill the disk.
func TestRejectLogIsTurnedOver(t *testing.T) {
	var l rejectLog
	path := filepath.Join(t.TempDir(), "rejects.jsonl")
	if err := l.open(path); err != nil {
		t.Fatal(err)
	}
	x := wire.Reject{Reason: "nonsense", First: strings.Repeat("x", 200)}
	for range 3 * rejectFileBytes / 250 {
		l.add(x)
	}
	l.close()
	total := int64(0)
	for _, p := range []string{path, path + ".old"} {
		st, err := os.Stat(p)
		if err != nil {
			t.Fatal(err)
		}
		total += st.Size()
	}
	if total > 2*rejectFileBytes+1000 || total < rejectFileBytes {
		t.Fatalf("the logs hold %d bytes", total)
	}
	if got := l.newest(50); len(got) != 50 || len(l.ring) != rejectRing {
		t.Fatalf("%d shown, %d kept", len(got), len(l.ring))
	}
}

func TestDenialsAreCountedAndShown(t *testing.T) {
	r := newRig(t)
	r.j.Denied("a1", "not allowed: publish of rh.line.crossing.g2")
	h := r.health()
	if h.Denied != 1 || len(h.Rejects) != 1 || h.Rejects[0].Agent != "a1" {
		t.Fatalf("health %+v", h)
	}
}

func TestHealthTellsOfEachAgent(t *testing.T) {
	r := newRig(t)
	r.tell(motor("a2", 1))
	r.tell(motor("a2", 3))
	now := time.Now().UnixMicro()
	r.tell(wire.Event{Kind: wire.KindSync, Agent: "a1", Boot: "b", Seq: ptr(uint64(1)), AtUs: now,
		T1Us: ptr(int64(1000)), T2Us: ptr(int64(5100)), T3Us: ptr(int64(5150)), T4Us: ptr(int64(1250))})
	r.tell(wire.Event{Kind: wire.KindHealth, Agent: "a1", Boot: "b", Seq: ptr(uint64(2)), AtUs: now, Version: "1.2", BatteryMv: ptr(int64(3700)), Gates: []string{"g1"}})
	h := r.health()
	if len(h.Agents) != 2 || h.Agents[0].Agent != "a1" || h.Agents[1].Agent != "a2" {
		t.Fatalf("agents %+v", h.Agents)
	}
	a1, a2 := h.Agents[0], h.Agents[1]
	// RFC 5905, section 8: offset = ((t2-t1)+(t3-t4))/2, delay = (t4-t1)-(t3-t2).
	if *a1.OffsetUs != 4000 || *a1.DelayUs != 200 || a1.Version != "1.2" || *a1.BatteryMv != 3700 || a1.StoredSeq != 2 {
		t.Errorf("a1 %+v", a1)
	}
	if a1.Clock != wire.ClockSynced || len(a1.ClockPoints) != 1 || a1.ClockPoints[0] != (wire.ClockPoint{AtUs: 5100, OffsetUs: 4000, DelayUs: 200, Used: true}) {
		t.Errorf("the clock of a1 %+v", a1)
	}
	if a2.Clock != wire.ClockByArrival || a2.OffsetUs != nil || a2.UOffsetUs == nil || *a2.UOffsetUs != clock.ArrivalUUs || a2.DriftPpm != nil || a2.ClockPoints != nil {
		t.Errorf("the clock of a2, which never exchanged: %+v", a2)
	}
	if a2.StoredSeq != 1 || a2.Missing != 1 || a2.Events != 2 {
		t.Errorf("a2 %+v", a2)
	}
}

// An agent 38 ppm fast exchanges every 5 s; then its clock is set by a minute, and
// then it starts again.
func TestHealthTellsOfAClock(t *testing.T) {
	r := newRig(t)
	start := time.Now().UnixMicro() - 400_000_000
	seq, by := uint64(0), int64(0)
	exchange := func(boot string, bus int64) wire.AgentHealth {
		seq++
		offset := by - 12_000 - 38*(bus-start)/1_000_000
		t1 := bus - offset - 300
		r.tell(wire.Event{Kind: wire.KindSync, Agent: "a1", Boot: boot, Seq: &seq, AtUs: t1 + 700, T1Us: &t1, T2Us: &bus, T3Us: ptr(bus + 100), T4Us: ptr(t1 + 700)})
		return r.health().Agents[0]
	}
	var a wire.AgentHealth
	for i := range int64(80) {
		a = exchange("b", start+5_000_000*i)
	}
	want := -12_000 - 38*float64(time.Now().UnixMicro()-start)/1e6
	if math.Abs(*a.DriftPpm-38) > 0.5 || *a.UDriftPpm > 1 || math.Abs(float64(*a.OffsetUs)-want) > 100 || *a.UOffsetUs > 300 || a.Epochs != 0 {
		t.Errorf("drift %g +/- %g ppm, offset %d +/- %g us (want 38 and %g), %d epochs", *a.DriftPpm, *a.UDriftPpm, *a.OffsetUs, *a.UOffsetUs, want, a.Epochs)
	}
	used := 0
	for _, p := range a.ClockPoints {
		if p.Used {
			used++
		}
	}
	if len(a.ClockPoints) != 60 || used != 40 {
		t.Errorf("%d exchanges told, %d of them used; want 60 and 40", len(a.ClockPoints), used)
	}
	by = 60_000_000
	if a = exchange("b", start+400_000_000); a.Epochs != 1 || *a.OffsetUs < 59_000_000 {
		t.Errorf("after its clock was set: %d epochs, offset %d us", a.Epochs, *a.OffsetUs)
	}
	seq = 0
	if a = exchange("c", start+401_000_000); a.Epochs != 0 || len(a.ClockPoints) != 1 {
		t.Errorf("after it started again: %d epochs, %d exchanges", a.Epochs, len(a.ClockPoints))
	}
}

// Ten times more than the disk takes: each sender is told, nothing is dropped
// in silence, and what was acknowledged is there once.
func TestOverloadAnswersEverybody(t *testing.T) {
	r := newRig(t)
	const sent = 3 * maxWaiting
	inbox := nats.NewInbox()
	sub, err := r.nc.SubscribeSync(inbox)
	if err != nil {
		t.Fatal(err)
	}
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		t.Fatal(err)
	}
	for i := range sent {
		if err := r.nc.PublishRequest(bus.Event(site, "motor", "m1"), inbox, raw(t, motor("a1", uint64(i+1)))); err != nil {
			t.Fatal(err)
		}
	}
	answered, refused := 0, 0
	for range sent {
		m, err := sub.NextMsg(10 * time.Second)
		if err != nil {
			t.Fatalf("after %d answers and %d refusals of %d: %v", answered, refused, sent, err)
		}
		var reply wire.Reply
		if err := json.Unmarshal(m.Data, &reply); err != nil {
			t.Fatal(err)
		}
		switch {
		case reply.OK:
			answered++
		case reply.Reason == "too much at once: try again":
			refused++
		default:
			t.Fatalf("answer %s", m.Data)
		}
	}
	h := r.health()
	t.Logf("%d answered, %d refused of %d", answered, refused, sent)
	if answered+refused != sent || refused == 0 || h.Overloaded != uint64(refused) || h.Accepted != uint64(answered) {
		t.Fatalf("%d answered and %d refused of %d; health counts %d and %d", answered, refused, sent, h.Accepted, h.Overloaded)
	}
	r.exactlyOnce(answered)
	r.verify(answered)
	if left := r.j.waitingBytes.Load(); left != 0 {
		t.Fatalf("%d bytes are counted as waiting when nothing waits", left)
	}
}

// What was taken before a stop is written before the stop.
func TestStopWritesWhatWaits(t *testing.T) {
	r := newRig(t)
	inbox := nats.NewInbox()
	sub, err := r.nc.SubscribeSync(inbox)
	if err != nil {
		t.Fatal(err)
	}
	const n = 3000
	for i := range n {
		if err := r.nc.PublishRequest(bus.Event(site, "motor", "m1"), inbox, raw(t, motor("a1", uint64(i+1)))); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := r.nc.Request(bus.Question(site, "health"), nil, time.Minute); err != nil {
		t.Fatal(err)
	}
	if err := r.halt(); err != nil {
		t.Fatal(err)
	}
	taken := 0
	for {
		m, err := sub.NextMsg(100 * time.Millisecond)
		if errors.Is(err, nats.ErrTimeout) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(m.Data, []byte(`"ok":true`)) {
			taken++
		}
	}
	if got := len(r.records()); got != taken || taken == 0 {
		t.Fatalf("%d were acknowledged, %d are in the journal", taken, got)
	}
}

func TestAgentThatWasRefusedLeavesNothingBehind(t *testing.T) {
	r := newRig(t, func(c *Config) {
		c.Allow = func(agent, _, _ string) error { return errors.New("no") }
	})
	for i := range 200 {
		e := motor(fmt.Sprintf("a%d", i), 1)
		if reply := r.ask(bus.Event(site, "motor", "m1"), raw(t, e)); reply.OK {
			t.Fatal("it was taken")
		}
	}
	if err := r.halt(); err != nil {
		t.Fatal(err)
	}
	if n := len(r.j.seen); n != 0 {
		t.Fatalf("%d agents are remembered", n)
	}
	if _, last, err := end(context.Background(), r.js, site); last != 0 || err != nil {
		t.Fatal(last, err)
	}
}
