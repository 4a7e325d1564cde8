package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"regexp"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/rainhill/host"
)

// killRounds is how often the program is killed. A round costs about half a
// second.
const killRounds = 25

// sender keeps publishing one agent's events, each again and again until it is
// acknowledged, and notes which were.
type sender struct {
	t    *testing.T
	cred wire.Credential
	nc   *nats.Conn

	mu    sync.Mutex
	acked []uint64
	again int // acknowledged as a duplicate: the first acknowledgement was lost
}

func (s *sender) run(ctx context.Context) {
	for seq := uint64(1); ctx.Err() == nil; seq++ {
		e := s.event(seq)
		b, err := json.Marshal(e)
		if err != nil {
			s.t.Error(err)
			return
		}
		for ctx.Err() == nil {
			m, err := s.nc.Request(bus.Event("demo", e.Kind, e.Source()), b, 300*time.Millisecond)
			var r wire.Reply
			if err == nil && json.Unmarshal(m.Data, &r) == nil && r.OK {
				s.note(seq, r.Duplicate)
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
	}
}

func (s *sender) note(seq uint64, duplicate bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.acked = append(s.acked, seq)
	if duplicate {
		s.again++
	}
}

// event is a crossing of the demo's first gate, or a motor's reading.
func (s *sender) event(seq uint64) wire.Event {
	e := wire.Event{Agent: s.cred.Agent, Boot: "one", Seq: &seq, AtUs: time.Now().UnixMicro()}
	if len(s.cred.Gates) > 0 {
		e.Kind, e.Gate, e.Edge, e.Tag = wire.KindCrossing, s.cred.Gates[0], wire.EdgePulse, "tag-heron"
		return e
	}
	counts := int64(seq) * 10
	e.Kind, e.Motor, e.Samples = wire.KindMotor, s.cred.Motors[0], []wire.Sample{{AtUs: e.AtUs, Counts: &counts}}
	return e
}

// The demo is killed again and again at random moments while agents send. What
// was acknowledged is in the journal once, the chain holds, and the store is
// what a rebuild makes.
func TestKilledAtRandomMoments(t *testing.T) {
	data, port := t.TempDir(), freePort(t)
	senders := startSenders(t, data, port)
	ctx, cancel := context.WithCancel(context.Background())
	var busy sync.WaitGroup
	for _, s := range senders {
		busy.Go(func() { s.run(ctx) })
	}
	args := []string{"demo", "--data", data, "--port", "-1", "--nats-port", fmt.Sprint(port), "--mqtt-port", "-1"}
	up := 0
	for round := range killRounds {
		p := start(t, args...)
		// Most rounds run for a while; some are killed while they start.
		if round%5 != 4 {
			if _, ok := answers(data, 30*time.Second); ok {
				up++
			}
			time.Sleep(time.Duration(rand.IntN(500)) * time.Millisecond)
		} else {
			time.Sleep(time.Duration(rand.IntN(150)) * time.Millisecond)
		}
		if err := p.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		p.exit(t)
	}
	cancel()
	busy.Wait()
	if up < killRounds/2 {
		t.Fatalf("it was up in %d rounds only", up)
	}
	afterKills(t, data, senders)
}

func startSenders(t *testing.T, data string, port int) []*sender {
	t.Helper()
	var out []*sender
	for _, c := range []wire.Credential{{Agent: "k1", Gates: []string{"g1"}}, {Agent: "k2", Motors: []string{"k2-m"}}, {Agent: "k3", Motors: []string{"k3-m"}}, {Agent: "k4", Gates: []string{"g3"}}} {
		flag, id := "--motor", ""
		if len(c.Gates) > 0 {
			flag, id = "--gate", c.Gates[0]
		} else {
			id = c.Motors[0]
		}
		said := mustRun(t, "agent", "add", "--data", data, "--agent", c.Agent, flag, id)
		c.Password = regexp.MustCompile(`: ([0-9a-f]+)\n`).FindStringSubmatch(said)[1]
		nc, err := nats.Connect(fmt.Sprintf("nats://127.0.0.1:%d", port), nats.UserInfo(c.Agent, c.Password), nats.RetryOnFailedConnect(true),
			nats.MaxReconnects(-1), nats.ReconnectWait(20*time.Millisecond), nats.ReconnectJitter(0, 0), nats.ReconnectBufSize(-1), nats.Timeout(time.Second), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		out = append(out, &sender{t: t, cred: c, nc: nc})
	}
	return out
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().(*net.TCPAddr).Port
}

func afterKills(t *testing.T, data string, senders []*sender) {
	t.Helper()
	times, total := countRecords(t, data)
	acked, again := 0, 0
	for _, s := range senders {
		for _, seq := range s.acked {
			if n := times[fmt.Sprintf("%s/%d", s.cred.Agent, seq)]; n != 1 {
				t.Errorf("event %d of %s was acknowledged and is in the journal %d times", seq, s.cred.Agent, n)
			}
		}
		if len(s.acked) == 0 {
			t.Errorf("nothing of %s was acknowledged", s.cred.Agent)
		}
		acked, again = acked+len(s.acked), again+s.again
	}
	for id, n := range times {
		if n != 1 {
			t.Errorf("%s is in the journal %d times", id, n)
		}
	}
	t.Logf("%d events acknowledged (%d of them on a second try), %d facts in the journal, none lost, none twice", acked, again, total)
	mustRun(t, "verify", "--data", data, "--site", "demo")
	wantRebuilt(t, data, "demo")
}

// countRecords counts each event of the senders in the journal.
func countRecords(t *testing.T, data string) (times map[string]int, total int) {
	t.Helper()
	h, err := host.Offline(data, "demo")
	if err != nil {
		t.Fatal(err)
	}
	defer stopHost(t, h)
	js, err := jetstream.New(h.Bus())
	if err != nil {
		t.Fatal(err)
	}
	times = map[string]int{}
	err = journal.Read(context.Background(), js, "demo", 1, 0, func(_ uint64, record []byte) error {
		var e wire.Event
		if err := json.Unmarshal(record, &e); err != nil {
			return err
		}
		total++
		if e.Seq != nil && e.Boot == "one" {
			times[fmt.Sprintf("%s/%d", e.Agent, *e.Seq)]++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return times, total
}
