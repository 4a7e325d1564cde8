package sim_test

import (
	"context"
	"encoding/json"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

func demo(t testing.TB) sim.Scenario {
	t.Helper()
	s, err := sim.Load("demo")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func connect(t *testing.T) *nats.Conn {
	t.Helper()
	srv, err := server.NewServer(&server.Options{DontListen: true, NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	go srv.Start()
	t.Cleanup(srv.Shutdown)
	if !srv.ReadyForConnections(5 * time.Second) {
		t.Fatal("the broker is not ready")
	}
	nc, err := bus.Connect("", "sim", "", srv, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

// eventually waits for what must come.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// book takes events as the journal does: it answers each, and notes the order.
type book struct {
	mu     sync.Mutex
	asked  int
	seqs   map[string]uint64
	faults []string
	answer func(asked int) *wire.Reply // nil: stay silent
}

func (b *book) take(m *nats.Msg) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.asked++
	reply := b.answer(b.asked)
	if reply == nil {
		return
	}
	e, err := wire.Decode(m.Data)
	if err != nil {
		b.faults = append(b.faults, err.Error())
	} else if reply.OK {
		if b.seqs[e.Agent]++; b.seqs[e.Agent] != *e.Seq {
			b.faults = append(b.faults, e.Agent+" skips or repeats an event")
		}
	}
	answer, _ := json.Marshal(reply)
	_ = m.Respond(answer)
}

func open(t *testing.T, nc *nats.Conn, answer func(asked int) *wire.Reply) *book {
	t.Helper()
	b := &book{seqs: map[string]uint64{}, answer: answer}
	if _, err := nc.Subscribe(bus.Internals("home"), b.take); err != nil {
		t.Fatal(err)
	}
	return b
}

// The journal stays silent once and is busy twice; every event still comes,
// once and in order, and the end of ctx is an ordinary end.
func TestRunSendsUntilAnswered(t *testing.T) {
	nc := connect(t)
	b := open(t, nc, func(asked int) *wire.Reply {
		switch asked {
		case 3:
			return nil
		case 5, 6:
			return &wire.Reply{Reason: "too much at once: try again"}
		}
		return &wire.Reply{OK: true}
	})
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- sim.Run(ctx, nc, "home", demo(t), 4, 10) }()
	eventually(t, "50 events, of six agents", func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return len(b.seqs) == 6 && b.asked >= 50
	})
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.faults) > 0 || len(b.seqs) != 6 {
		t.Errorf("%d asked by %v, faults %v", b.asked, b.seqs, b.faults)
	}
}

func TestRunSaysWhyTheJournalRefuses(t *testing.T) {
	nc := connect(t)
	open(t, nc, func(int) *wire.Reply { return &wire.Reply{Reason: "no such gate"} })
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := sim.Run(ctx, nc, "home", demo(t), 4, 10); err == nil || !strings.Contains(err.Error(), "no such gate") {
		t.Errorf("got %v, want the journal's reason", err)
	}
	if err := sim.Run(ctx, nc, "home", demo(t), 4, 0); err == nil {
		t.Error("a speedup of 0 was taken")
	}
}
