package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// said is what a command wrote, and its exit code.
type said struct {
	code     int
	out, err string
}

// command runs a command line as main does.
func runCommand(t testing.TB, args ...string) said {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	var out, errs bytes.Buffer
	code := run(ctx, args, stdio{strings.NewReader(""), &out, &errs})
	return said{code, out.String(), errs.String()}
}

func mustRun(t testing.TB, args ...string) string {
	t.Helper()
	s := runCommand(t, args...)
	if s.code != exitOK {
		t.Fatalf("rainhill %s: exit %d\n%s%s", strings.Join(args, " "), s.code, s.out, s.err)
	}
	return s.out
}

// openHost starts the whole service in this process.
func openHost(t testing.TB, data, site string) *host.Host {
	t.Helper()
	h, err := host.Open(host.Config{Data: data, Site: site, WebPort: -1, NATSPort: -1, Tick: 100 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func stopHost(t testing.TB, h *host.Host) {
	t.Helper()
	if err := h.Stop(); err != nil {
		t.Fatal(err)
	}
}

func get(t testing.TB, url string) []byte {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %.300s %v", url, res.Status, b, err)
	}
	return b
}

// writer puts events into the journal as the service's own parts do.
type writer struct {
	t     testing.TB
	nc    *nats.Conn
	site  string
	agent string // "script" when not said
	seq   uint64
}

func (w *writer) put(e wire.Event) {
	w.t.Helper()
	w.seq++
	seq := w.seq
	e.Agent, e.Boot, e.Seq = cmp.Or(w.agent, "script"), "b", &seq
	if e.AtUs == 0 {
		e.AtUs = time.Now().UnixMicro()
	}
	b, err := json.Marshal(e)
	if err != nil {
		w.t.Fatal(err)
	}
	m, err := w.nc.Request(bus.Internal(w.site, e.Kind, e.Source()), b, 30*time.Second)
	if err != nil {
		w.t.Fatal(err)
	}
	var r wire.Reply
	if err := json.Unmarshal(m.Data, &r); err != nil || !r.OK {
		w.t.Fatalf("%s: the journal answered %s", b, m.Data)
	}
}

func (w *writer) decide(what, why string, value any) {
	w.t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		w.t.Fatal(err)
	}
	w.put(wire.Event{Kind: wire.KindDecision, ID: fmt.Sprintf("x%d", w.seq), By: "test", What: what, Why: why, Value: b})
}

func demoScenario(t testing.TB) sim.Scenario {
	t.Helper()
	s, err := sim.Load("demo")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// openBook defines the simulated railway, opens session s1, its two trials and
// a third, of a train that the test runs itself from an hour ago on.
func (w *writer) openBook() {
	w.t.Helper()
	now := time.Now().UnixMicro()
	s := demoScenario(w.t)
	setup := s.Setup(now)
	setup.Locomotives = append(setup.Locomotives, wire.Locomotive{ID: "wren", Name: "Wren", LengthMm: 200})
	setup.Trials = append(setup.Trials, wire.Trial{ID: "scripted", Locomotive: "wren", Tag: "tag-wren", FromUs: now - 3_600_000_000, WarmupLaps: 1})
	for _, e := range trial.FromSetup(setup, "s1", now) {
		w.put(e)
	}
	w.sync(now)
}

// sync says that the script's clock is the bus's.
func (w *writer) sync(now int64) {
	w.t.Helper()
	t1, t2, t3, t4 := now, now+100, now+120, now+220
	w.put(wire.Event{Kind: wire.KindSync, AtUs: t4, T1Us: &t1, T2Us: &t2, T3Us: &t3, T4Us: &t4})
}

// lapUs is a lap of the scripted train; no two are quite the same.
func lapUs(n int) int64 { return 20_000_000 + int64(n%5)*37_003 }

// run has the scripted train go round laps times from startUs on.
func (w *writer) run(startUs int64, laps int) (endUs int64) {
	w.t.Helper()
	u := 1500.0
	for n := range laps {
		for k, gate := range []string{"g1", "g2", "g3", "g4"} {
			w.put(wire.Event{Kind: wire.KindCrossing, AtUs: startUs + int64(k)*lapUs(n)/4, Gate: gate, Edge: wire.EdgePulse, Tag: "tag-wren", UUs: &u})
		}
		startUs += lapUs(n)
	}
	w.put(wire.Event{Kind: wire.KindCrossing, AtUs: startUs, Gate: "g1", Edge: wire.EdgePulse, Tag: "tag-wren", UUs: &u})
	return startUs
}

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func writeFile(t testing.TB, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}
