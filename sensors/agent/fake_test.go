package agent

import (
	"context"
	"encoding/json"
	"io"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

const site = "line"

// patience is how long a test waits for what must come.
const patience = time.Minute

// startBus runs a bare NATS server; port -1 takes any free one.
func startBus(t *testing.T, opts server.Options) *server.Server {
	t.Helper()
	opts.Host, opts.NoSigs, opts.NoLog = "127.0.0.1", true, true
	srv, err := server.NewServer(&opts)
	if err != nil {
		t.Fatal(err)
	}
	go srv.Start()
	if !srv.ReadyForConnections(patience) {
		t.Fatal("the bus did not start")
	}
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	return srv
}

// taker stands for the journal: it takes events as its rule says, and tells
// the time.
type taker struct {
	t   *testing.T
	nc  *nats.Conn
	off int64 // its clock minus this machine's

	mu     sync.Mutex
	rule   func(e wire.Event, nth int) *wire.Reply // nil reply: silence
	nth    int
	events []wire.Event // those answered ok, and those met with silence
}

func ok(wire.Event, int) *wire.Reply { return &wire.Reply{OK: true} }

// listen joins the bus and takes events from then on.
func listen(t *testing.T, srv *server.Server, user string, off int64, rule func(wire.Event, int) *wire.Reply) *taker {
	t.Helper()
	nc, err := nats.Connect(srv.ClientURL(), nats.UserInfo(user, "pw"), nats.Timeout(patience))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	k := &taker{t: t, nc: nc, off: off, rule: rule}
	if _, err := nc.Subscribe(bus.Events(site), k.arrive); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	return k
}

func (k *taker) arrive(m *nats.Msg) {
	_, kind, _, err := bus.Split(m.Subject)
	if err != nil {
		k.t.Errorf("%v", err)
	}
	switch kind {
	case "stored", "told", "throttle":
	case "ask":
		var q wire.ClockAsk
		if err := json.Unmarshal(m.Data, &q); err != nil {
			k.t.Errorf("clock exchange %s: %v", m.Data, err)
		}
		k.mu.Lock()
		now := time.Now().UnixMicro() + k.off
		k.mu.Unlock()
		k.reply(m, wire.ClockTold{T1Us: q.T1Us, T2Us: now, T3Us: now})
	default:
		k.event(m)
	}
}

func (k *taker) event(m *nats.Msg) {
	e, err := wire.Decode(m.Data)
	if err != nil {
		k.t.Errorf("an agent sent %s: %v", m.Data, err)
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.nth++
	r := k.rule(e, k.nth)
	if r == nil || r.OK {
		k.events = append(k.events, e)
	}
	if r != nil {
		k.reply(m, r)
	}
}

func (k *taker) reply(m *nats.Msg, v any) {
	b, err := json.Marshal(v)
	if err == nil {
		err = m.Respond(b)
	}
	if err != nil {
		k.t.Errorf("answering %s: %v", m.Subject, err)
	}
}

// took gives what was taken of a kind.
func (k *taker) took(kind string) (out []wire.Event) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, e := range k.events {
		if e.Kind == kind {
			out = append(out, e)
		}
	}
	return out
}

// lines is a Source that a test feeds.
type lines chan string

func (l lines) Read(ctx context.Context, out Out) error {
	for {
		select {
		case text, more := <-l:
			if !more {
				return nil
			}
			out.Take(Line{text, out.Clock.Now(), 5})
		case <-ctx.Done():
			return nil
		}
	}
}

func (l lines) Describe() string { return "a test" }

// taps is a Sensor whose every line is a crossing of the gate it names.
type taps struct{}

func (taps) Take(l Line) ([]wire.Event, error) {
	e := wire.Event{Kind: wire.KindCrossing, Gate: l.Text, Edge: wire.EdgePulse, AtUs: l.AtUs, UUs: &l.UUs}
	if err := e.Check(); err != nil {
		return nil, err
	}
	return []wire.Event{e}, nil
}

func (taps) Due(int64) []wire.Event          { return nil }
func (taps) Names() (gates, motors []string) { return []string{"g1"}, nil }

// started is an agent under test.
type started struct {
	t     *testing.T
	in    lines
	stop  context.CancelFunc
	ended chan error
	out   *logBuffer
}

// logBuffer keeps what an agent says.
type logBuffer struct {
	mu sync.Mutex
	b  []byte
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.b = append(l.b, p...)
	return len(p), nil
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return string(l.b)
}

var _ io.Writer = (*logBuffer)(nil)

// start runs an agent on a server's address; change alters its configuration.
func start(t *testing.T, address string, change ...func(*Config)) *started {
	t.Helper()
	a := &started{t: t, in: make(lines), ended: make(chan error, 1), out: &logBuffer{}}
	c := Config{
		Agent: "gate-a", Site: site, Server: address, Password: "pw", SpoolDir: t.TempDir(), Source: a.in, Sensor: taps{},
		Version: "test", Log: a.out, DrainFor: patience, HealthEvery: 100 * time.Millisecond,
	}
	for _, f := range change {
		f(&c)
	}
	ctx, cancel := context.WithCancel(context.Background())
	a.stop = cancel
	go func() { a.ended <- Run(ctx, c) }()
	t.Cleanup(func() {
		cancel()
		if t.Failed() {
			t.Logf("the agent said:\n%s", a.out)
		}
	})
	return a
}

func (a *started) cross(gates ...string) {
	a.t.Helper()
	for _, g := range gates {
		select {
		case a.in <- g:
		case <-time.After(patience):
			a.t.Fatal("the agent does not read")
		}
	}
}

// end closes the input and gives what Run returned.
func (a *started) end() error {
	a.t.Helper()
	close(a.in)
	select {
	case err := <-a.ended:
		return err
	case <-time.After(2 * patience): // beyond what it may take to deliver
		a.t.Fatal("the agent did not end")
		return nil
	}
}

// eventually waits for something to become true.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if is() {
			return
		}
	}
	t.Fatalf("not within %s: %s", patience, what)
}
