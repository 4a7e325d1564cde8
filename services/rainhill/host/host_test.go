package host

import (
	"bytes"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

const site = "line"

func open(t *testing.T, c Config) *Host {
	t.Helper()
	c.Data, c.Site, c.WebPort = t.TempDir(), site, -1
	h, err := Open(c)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func stop(t *testing.T, h *Host) {
	t.Helper()
	if err := h.Stop(); err != nil {
		t.Error(err)
	}
}

// A host that is open answers, whichever parts it runs.
func TestOpenPartsAnswer(t *testing.T) {
	for part, what := range map[string]string{"journal": "health", "replay": "replay", "driving": "driving"} {
		for range 3 {
			h := open(t, Config{Parts: []string{part}})
			if _, err := h.Bus().Request(bus.Question(site, what), nil, time.Minute); err != nil {
				t.Errorf("%s is open: %v", part, err)
			}
			stop(t, h)
		}
	}
}

// heard is what clients of an outside bus have said to it.
type heard struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (h *heard) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.Write(b)
}

func (h *heard) text() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.String()
}

// outside is a bus of somebody else, and what was said to it.
func outside(t *testing.T) (url string, said *heard) {
	t.Helper()
	srv, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	go srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(time.Minute) {
		t.Fatal("the bus does not come up")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	said = &heard{}
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", srv.Addr().String())
			if err != nil {
				_ = in.Close()
				return
			}
			go func() { _, _ = io.Copy(in, out); _ = in.Close() }()
			go func() { _, _ = io.Copy(io.MultiWriter(out, said), in); _ = out.Close() }()
		}
	}()
	return "nats://" + l.Addr().String(), said
}

// A part takes the question by which others know that it is there after all else.
func TestPartsListenBeforeTheyAnswer(t *testing.T) {
	for range 5 { // an order may be right by chance
		url, said := outside(t)
		stop(t, open(t, Config{Bus: url}))
		at := func(subject string) int {
			i := strings.Index(said.text(), "SUB "+subject+" ")
			if i < 0 {
				t.Fatalf("nobody listens on %s", subject)
			}
			return i
		}
		for question, before := range map[string][]string{
			"health":  {bus.Events(site), bus.Internals(site)},
			"replay":  {bus.ReplayControl(site, "*")},
			"driving": {bus.Event(site, wire.KindMotor, "*"), bus.Internal(site, wire.KindMotor, "*")},
		} {
			for _, x := range before {
				if at(bus.Question(site, question)) < at(x) {
					t.Errorf("%s is answered before %s is listened to", question, x)
				}
			}
		}
	}
}
