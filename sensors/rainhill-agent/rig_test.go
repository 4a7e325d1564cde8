package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/rainhill/host"
	"rainhill/testdata/relay"
)

// The test binary is the agent too, so that a real process can be started,
// stopped by signals and killed.
const asAgent = "RAINHILL_AGENT_TEST_MAIN"

func TestMain(m *testing.M) {
	if os.Getenv(asAgent) != "" {
		main()
	}
	if data := os.Getenv(asService); data != "" {
		serveAndDrive(data)
	}
	os.Exit(m.Run())
}

// patience is how long a test waits for what must come.
const patience = time.Minute

const site = "line"

// service is the whole real service on a folder.
type service struct {
	t          *testing.T
	site, data string
	host       *host.Host
	line       *relay.Relay // agents' way to the bus, the same at every start
	mqtt       int
}

func newService(t *testing.T) *service {
	t.Helper()
	s := &service{t: t, site: site, data: t.TempDir(), line: relay.New(t)}
	s.open()
	t.Cleanup(s.stop)
	return s
}

// open starts the service.
func (s *service) open() {
	s.t.Helper()
	var err error
	if s.host, err = host.Open(host.Config{Data: s.data, Site: s.site, WebPort: -1, NATSPort: -1, MQTTPort: -1}); err != nil {
		s.t.Fatal(err)
	}
	s.mqtt = s.host.MQTTPort()
	s.line.To(s.host.NATSPort())
}

func (s *service) stop() {
	s.t.Helper()
	if s.host == nil {
		return
	}
	if s.line != nil {
		s.line.To(0)
	}
	if err := s.host.Stop(); err != nil {
		s.t.Error(err)
	}
	s.host = nil
}

func (s *service) address() string { return fmt.Sprintf("nats://127.0.0.1:%d", s.line.Port) }

// place puts gates on a circuit, as the book does.
func (s *service) place(gates ...string) {
	s.t.Helper()
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 5000}}
	for i, g := range gates {
		v.Gates = append(v.Gates, wire.Gate{ID: g, PositionMm: float64(100 * i), Timing: i == 0})
	}
	value, err := json.Marshal(v)
	if err != nil {
		s.t.Fatal(err)
	}
	seq := uint64(1)
	b, err := json.Marshal(wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b1", Seq: &seq, AtUs: time.Now().UnixMicro(),
		ID: "circuit-oval", By: "test", What: wire.WhatCircuit, Value: value})
	if err != nil {
		s.t.Fatal(err)
	}
	m, err := s.host.Bus().Request(bus.Internal(s.site, wire.KindDecision, "circuit-oval"), b, patience)
	if err != nil {
		s.t.Fatal(err)
	}
	if r := decode[wire.Reply](s.t, m.Data); !r.OK {
		s.t.Fatalf("the circuit was refused: %s", r.Reason)
	}
}

// admit gives an agent a credential.
func (s *service) admit(agent string, gates, motors []string) (password string) {
	s.t.Helper()
	c, err := s.host.Agents.Add(wire.Credential{Agent: agent, Gates: gates, Motors: motors})
	if err != nil {
		s.t.Fatal(err)
	}
	return c.Password
}

// events reads the journal's records of a kind, in order.
func (s *service) events(kind string) []wire.Event {
	s.t.Helper()
	js, err := jetstream.New(s.host.Bus())
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	var out []wire.Event
	err = journal.Read(ctx, js, s.site, 1, 0, func(_ uint64, record []byte) error {
		if e := decode[wire.Event](s.t, record); e.Kind == kind {
			out = append(out, e)
		}
		return nil
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return out
}

// has waits until the journal has n crossings: an agent whose input ends has 10 s to deliver.
func (s *service) has(n int) {
	s.t.Helper()
	eventually(s.t, fmt.Sprintf("the journal to have %d crossings", n), func() bool { return len(s.events(wire.KindCrossing)) >= n })
}

func (s *service) health() wire.Health {
	s.t.Helper()
	m, err := s.host.Bus().Request(bus.Question(s.site, "health"), nil, patience)
	if err != nil {
		s.t.Fatal(err)
	}
	return decode[wire.Health](s.t, m.Data)
}

// agentHealth is the service's line of an agent.
func (s *service) agentHealth(agent string) wire.AgentHealth {
	s.t.Helper()
	for _, a := range s.health().Agents {
		if a.Agent == agent {
			return a
		}
	}
	return wire.AgentHealth{}
}

func decode[T any](t *testing.T, b []byte) (v T) {
	t.Helper()
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%v in %s", err, b)
	}
	return v
}

// eventually waits for what must come.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !ok(); time.Sleep(40 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited %s in vain for %s", patience, what)
		}
	}
}

func tags(events []wire.Event) []string {
	out := make([]string, len(events))
	for i, e := range events {
		out[i] = e.Tag
	}
	return out
}

// numbered are tags from to to-1.
func numbered(from, to int) []string {
	var out []string
	for i := from; i < to; i++ {
		out = append(out, fmt.Sprintf("t%06d", i))
	}
	return out
}

// tagLines are lines of a reader that sees those tags.
func tagLines(tags []string) string {
	var b strings.Builder
	for _, tag := range tags {
		fmt.Fprintf(&b, "{\"edge\":\"pulse\",\"tag\":%q}\n", tag)
	}
	return b.String()
}

// sameOnce fails unless got holds each of want exactly once, in any order.
func sameOnce(t *testing.T, got, want []string) {
	t.Helper()
	got, want = slices.Sorted(slices.Values(got)), slices.Sorted(slices.Values(want))
	if !slices.Equal(got, want) {
		t.Errorf("the journal holds %d crossings, %d of them different; want each of %d once", len(got), len(slices.Compact(got)), len(want))
	}
}

// process is a running agent.
type process struct {
	t     *testing.T
	cmd   *exec.Cmd
	in    io.WriteCloser
	said  *transcript
	spool string
}

type transcript struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (w *transcript) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}

func (w *transcript) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.String()
}

// start runs rainhill-agent with args and, if server is given, that server.
func start(t *testing.T, server, password, spool string, args ...string) *process {
	t.Helper()
	return startInto(t, nil, server, password, spool, args...)
}

// startInto is start with standard output of its own.
func startInto(t *testing.T, out io.Writer, server, password, spool string, args ...string) *process {
	t.Helper()
	args = append(args, "--spool", spool)
	if server != "" {
		args = append(args, "--server", server, "--site", site)
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	p := &process{t: t, cmd: exec.Command(exe, args...), said: &transcript{}, spool: spool}
	p.cmd.Env = append(os.Environ(), asAgent+"=1", "RAINHILL_PASSWORD="+password)
	p.cmd.Stdout, p.cmd.Stderr = p.said, p.said
	if out != nil {
		p.cmd.Stdout = out
	}
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if p.cmd.ProcessState == nil {
			_ = p.cmd.Process.Kill()
			_ = p.cmd.Wait()
		}
		if t.Failed() {
			t.Logf("%s said:\n%s", strings.Join(args, " "), p.said)
		}
	})
	return p
}

func (p *process) write(text string) {
	p.t.Helper()
	if _, err := io.WriteString(p.in, text); err != nil {
		p.t.Fatalf("writing to the agent: %v", err)
	}
}

func (p *process) signal(s os.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil {
		p.t.Fatal(err)
	}
}

// kill ends the process without a chance to tidy up.
func (p *process) kill() {
	p.t.Helper()
	p.signal(syscall.SIGKILL)
	_ = p.cmd.Wait()
}

// exit closes the input and waits for the end of the process.
func (p *process) exit() int {
	p.t.Helper()
	_ = p.in.Close()
	timer := time.AfterFunc(patience, func() { _ = p.cmd.Process.Kill() })
	defer timer.Stop()
	_ = p.cmd.Wait()
	return p.cmd.ProcessState.ExitCode()
}

func (p *process) mustExit(want int) {
	p.t.Helper()
	if got := p.exit(); got != want {
		p.t.Fatalf("exit code %d, want %d", got, want)
	}
}

func (p *process) says(text string) {
	p.t.Helper()
	eventually(p.t, fmt.Sprintf("the agent to say %q", text), func() bool { return strings.Contains(p.said.String(), text) })
}

// spooled are the tags in the spool's segments, delivered or not.
func spooled(t *testing.T, dir string) (tags []string) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.seg"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			continue // delivered and removed just now
		}
		for line := range strings.Lines(string(b)) {
			var e wire.Event
			if len(line) > 9 && json.Unmarshal([]byte(line[9:]), &e) == nil && e.Tag != "" {
				tags = append(tags, e.Tag)
			}
		}
	}
	return tags
}
