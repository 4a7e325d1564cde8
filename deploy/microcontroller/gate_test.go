// Package microcontroller holds worked examples of a gate and of a motor on a board of
// one's own. Its tests build them for a computer, with a small stand-in for the board
// under testdata/host, and let them speak MQTT to the real service.
package microcontroller

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
	"rainhill/services/journal"
	"rainhill/testdata/relay"
)

const site = "line"

// book is a broker and a journal that a board can join.
type book struct {
	t       *testing.T
	dir     string
	way     *relay.Relay // the board's way to the bus, the same at every start
	agents  *broker.Agents
	b       *broker.Broker
	nc      *nats.Conn
	stopped chan error
	halt    context.CancelFunc
}

func (k *book) open() {
	k.t.Helper()
	var err error
	if k.b, err = broker.Start(broker.Config{Dir: k.dir, Site: site, Host: "127.0.0.1", MQTTPort: -1, Agents: k.agents}); err != nil {
		k.t.Fatal(err)
	}
	k.way.To(k.b.MQTTPort())
	if k.nc, err = k.b.Connect(); err != nil {
		k.t.Fatal(err)
	}
	j, err := journal.Open(context.Background(), k.nc, journal.Config{Site: site, Dir: k.dir, Tick: -1, Allow: k.agents.Allows})
	if err != nil {
		k.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	k.halt, k.stopped = cancel, make(chan error, 1)
	go func() { k.stopped <- j.Run(ctx) }()
	k.eventually("the journal to listen", func() bool {
		_, err := k.nc.Request(bus.Question(site, "health"), nil, time.Second)
		return err == nil
	})
}

func (k *book) close() {
	if k.b == nil {
		return
	}
	k.way.To(0)
	k.halt()
	if err := <-k.stopped; err != nil {
		k.t.Errorf("the journal ended with %v", err)
	}
	k.nc.Close()
	k.b.Stop()
	k.b = nil
}

// place puts gate g1 on a circuit.
func (k *book) place() {
	k.t.Helper()
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 5000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}}
	value, err := json.Marshal(v)
	if err != nil {
		k.t.Fatal(err)
	}
	seq := uint64(1)
	b, err := json.Marshal(wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b", Seq: &seq, AtUs: time.Now().UnixMicro(),
		ID: "circuit-oval", By: "test", What: wire.WhatCircuit, Value: value})
	if err != nil {
		k.t.Fatal(err)
	}
	if m, err := k.nc.Request(bus.Internal(site, wire.KindDecision, "circuit-oval"), b, 5*time.Second); err != nil || !strings.Contains(string(m.Data), `"ok":true`) {
		k.t.Fatalf("placing the gate: %v, %v", m, err)
	}
}

func (k *book) events(kind string) (out []wire.Event) {
	k.t.Helper()
	js, err := jetstream.New(k.nc)
	if err != nil {
		k.t.Fatal(err)
	}
	err = journal.Read(context.Background(), js, site, 1, 0, func(_ uint64, record []byte) error {
		var e wire.Event
		if err := json.Unmarshal(record, &e); err != nil {
			return err
		}
		if e.Kind == kind {
			out = append(out, e)
		}
		return nil
	})
	if err != nil {
		k.t.Fatal(err)
	}
	return out
}

func (k *book) agent() (a wire.AgentHealth) {
	k.t.Helper()
	m, err := k.nc.Request(bus.Question(site, "health"), nil, 5*time.Second)
	if err != nil {
		k.t.Fatal(err)
	}
	var h wire.Health
	if err := json.Unmarshal(m.Data, &h); err != nil {
		k.t.Fatal(err)
	}
	for _, x := range h.Agents {
		if x.Agent == "shed-1" {
			a = x
		}
	}
	return a
}

func (k *book) eventually(what string, is func() bool) {
	k.t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if is() {
			return
		}
	}
	k.t.Fatalf("not within a minute: %s", what)
}

// board builds an example with its own lines of configuration changed, as a user
// changes them, and starts it.
func board(t *testing.T, example string, port int, password string) (in io.Writer, out *os.File) {
	t.Helper()
	source, err := os.ReadFile(example)
	if err != nil {
		t.Fatal(err)
	}
	text := string(source)
	for _, change := range [][2]string{
		{`BUS = "192.168.1.10"`, `BUS = "127.0.0.1"`},
		{`BUS_PORT = 1883`, fmt.Sprintf(`BUS_PORT = %d`, port)},
		{`*PASSWORD = "..."`, fmt.Sprintf(`*PASSWORD = %q`, password)},
	} {
		if strings.Count(text, change[0]) != 1 {
			t.Fatalf("%s does not hold %q once", example, change[0])
		}
		text = strings.Replace(text, change[0], change[1], 1)
	}
	dir := t.TempDir()
	program, exe := filepath.Join(dir, "board.cpp"), filepath.Join(dir, "board")
	if err := os.WriteFile(program, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	compiler, err := exec.LookPath("c++")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the example cannot be built: %v", err)
		}
		t.Skipf("no C++ compiler on this machine, so the example is not built here: %v", err)
	}
	if out, err := exec.Command(compiler, "-std=c++17", "-Wall", "-Wextra", "-Werror", "-pthread", "-I", "testdata/host", "-o", exe, program, "testdata/host/host.cpp").CombinedOutput(); err != nil {
		t.Fatalf("building %s: %v\n%s", example, err, out)
	}
	cmd := exec.Command(exe)
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, writer, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout = writer
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = stdin.Close() // ends it
		if err := cmd.Wait(); err != nil {
			t.Errorf("the board ended with %v", err)
		}
	})
	return stdin, out
}

// The board starts without a service, loses its network, and sees the service
// restart: each crossing is in the journal once, at the instant it happened,
// though the board has no clock of its own.
func TestTheExampleWorks(t *testing.T) {
	agents, err := broker.OpenAgents(filepath.Join(t.TempDir(), "agents.json"))
	if err != nil {
		t.Fatal(err)
	}
	c, err := agents.Add(wire.Credential{Agent: "shed-1", Gates: []string{"g1"}})
	if err != nil {
		t.Fatal(err)
	}
	k := &book{t: t, dir: t.TempDir(), way: relay.New(t), agents: agents}
	k.open()
	t.Cleanup(k.close)
	k.place()
	k.close()
	in, out := board(t, "gate.ino", k.way.Port, c.Password)
	type span struct{ from, to int64 }
	var when []span
	do := func(letters string) {
		t.Helper()
		for _, l := range letters {
			from := time.Now().UnixMicro()
			if _, err := io.WriteString(in, string(l)); err != nil {
				t.Fatal(err)
			}
			if l != 'b' && l != 'f' {
				continue
			}
			if err := out.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
			var pin, level int
			if _, err := fmt.Fscanln(out, &pin, &level); err != nil || pin != -1 {
				t.Fatalf("the board told of pin %d, %v", pin, err)
			}
			when = append(when, span{from, time.Now().UnixMicro()})
		}
	}
	arrived := func(n int) {
		t.Helper()
		k.eventually(fmt.Sprintf("crossing %d", n), func() bool { return len(k.events(wire.KindCrossing)) >= n })
	}
	do("bf") // without a service
	k.open()
	arrived(2)
	do("dbfbfu") // without a network
	arrived(6)
	k.close()
	do("bf")
	k.open()
	arrived(8)
	k.eventually("a sync, a health report, and nothing missing", func() bool {
		a := k.agent()
		return a.Version == "gate.ino 1" && a.OffsetUs != nil && a.Missing == 0 && a.StoredSeq > 8
	})

	got := k.events(wire.KindCrossing)
	if len(got) != len(when) {
		t.Fatalf("%d crossings in the journal, want %d", len(got), len(when))
	}
	// The first exchange, which set the board's clock, may have left it off: the later
	// ones tell between what.
	least, most := int64(math.MinInt64), int64(math.MaxInt64)
	for _, e := range k.events(wire.KindSync) {
		least, most = max(least, *e.T3Us-*e.T4Us-1000), min(most, *e.T2Us-*e.T1Us+1000)
	}
	for i, e := range got {
		if want := []string{wire.EdgeEnter, wire.EdgeLeave}[i%2]; e.Edge != want || e.Boot != got[0].Boot {
			t.Errorf("crossing %d is %s of boot %s, want %s of %s", i, e.Edge, e.Boot, want, got[0].Boot)
		}
		if e.AtUs+most < when[i].from || e.AtUs+least > when[i].to {
			t.Errorf("crossing %d is told at %d, its board's clock being off by %d to %d us; it happened from %d to %d", i, e.AtUs, least, most, when[i].from, when[i].to)
		}
	}
	// The board takes an exchange of a second at most, which half of it may be wrong by.
	if least > 500_000 || most < -500_000 {
		t.Errorf("the board's clock is %d to %d us off after its first exchange", least, most)
	}
}
