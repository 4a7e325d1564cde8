package driving_test

import (
	"context"
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
	"rainhill/services/driving"
	"rainhill/services/journal"
)

const site = "line"

// line is a real bus with a real journal, the driving service, and a stand-in for the
// scorer that knows one locomotive of two driver sets.
type line struct {
	t      *testing.T
	b      *broker.Broker
	agents *broker.Agents
	nc     *nats.Conn

	haltJournal, haltDriving func()
	part                     func(context.Context) error // the driving service
	holdMs                   int64
	offUs                    atomic.Int64         // the journal's clock minus this machine's
	held                     atomic.Pointer[held] // the scorer's next answer
	late                     atomic.Int64         // motors that have come into the roster, of lateMotors

	mu       sync.Mutex
	commands []command
}

type command struct {
	wire.Throttle
	at time.Time
}

// held is an answer that waits to be released; asked is closed when the question came.
type held struct{ asked, release chan struct{} }

// holdRoster holds the next answer about the roster.
func (l *line) holdRoster() *held {
	h := &held{make(chan struct{}), make(chan struct{})}
	l.held.Store(h)
	return h
}

var lateMotors = []wire.NamedMotor{{ID: "late"}, {ID: "later"}}

var wren = wire.Locomotive{ID: "wren", Name: "Wren", DriverSets: []wire.DriverSet{
	{ID: "front", Motor: "m1", WheelDiameterMm: 36, GearRatio: 18.5, CountsPerRev: 48},
	{ID: "rear", Motor: "m2", WheelDiameterMm: 36, GearRatio: 18.5, CountsPerRev: 48},
}}

// newLine has a driving service that bears a slow machine.
func newLine(t *testing.T) *line {
	t.Helper()
	l := &line{t: t, holdMs: 60_000}
	l.part = func(ctx context.Context) error { return driving.RunPatient(ctx, l.nc, site, false) }
	return l.open()
}

// newLineOfBoards is newLine for what boards say, and do not.
func newLineOfBoards(t *testing.T) *line {
	t.Helper()
	l := &line{t: t, holdMs: 60_000}
	l.part = func(ctx context.Context) error { return driving.RunPatient(ctx, l.nc, site, true) }
	return l.open()
}

// newStrictLine has the driving service as it is.
func newStrictLine(t *testing.T) *line {
	t.Helper()
	l := &line{t: t, holdMs: 2000}
	l.part = func(ctx context.Context) error { return driving.Run(ctx, l.nc, site) }
	return l.open()
}

func (l *line) open() *line {
	t := l.t
	t.Helper()
	dir := t.TempDir()
	var err error
	if l.agents, err = broker.OpenAgents(filepath.Join(dir, "agents.json")); err != nil {
		t.Fatal(err)
	}
	if l.b, err = broker.Start(broker.Config{Dir: dir, Site: site, Host: "127.0.0.1", NATSPort: -1, Agents: l.agents}); err != nil {
		t.Fatal(err)
	}
	if l.nc, err = l.b.Connect(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.nc.Close(); l.b.Stop() })
	j, err := journal.Open(context.Background(), l.nc, journal.Config{Site: site, Dir: dir, Tick: -1, Allow: l.agents.Allows, Now: func() int64 { return time.Now().UnixMicro() + l.offUs.Load() }})
	if err != nil {
		t.Fatal(err)
	}
	l.haltJournal = l.run(j.Run)
	_, err = l.nc.Subscribe(bus.Question(site, "view"), func(m *nats.Msg) {
		v := wire.View{Type: "view", Locomotives: []wire.Locomotive{wren}, NamedMotors: append([]wire.NamedMotor{{ID: "bench"}}, lateMotors[:l.late.Load()]...)}
		b, _ := json.Marshal(v)
		go func() {
			if h := l.held.Swap(nil); h != nil {
				close(h.asked)
				<-h.release
			}
			_ = m.Respond(b)
		}()
	})
	if err != nil {
		t.Fatal(err)
	}
	_, err = l.nc.Subscribe("rh.line.throttle.*", func(m *nats.Msg) {
		c, err := wire.DecodeThrottle(m.Data)
		if err != nil {
			t.Errorf("%s: %v", m.Data, err)
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		l.commands = append(l.commands, command{c, time.Now()})
	})
	if err != nil || l.nc.Flush() != nil {
		t.Fatal(err)
	}
	l.drive()
	return l
}

// dial connects as an agent. A bus that is slow to look at the password pings meanwhile,
// which the library takes for no answer.
func (l *line) dial(c wire.Credential) *nats.Conn {
	l.t.Helper()
	for {
		nc, err := nats.Connect(l.b.Address(), nats.UserInfo(c.Agent, c.Password), nats.Timeout(time.Minute))
		if err == nil {
			return nc
		}
		if !strings.Contains(err.Error(), "expected 'PONG', got 'PING'") {
			l.t.Fatal(err)
		}
	}
}

// run runs a part until what it gives is called, or the test ends.
func (l *line) run(part func(context.Context) error) (halt func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- part(ctx) }()
	halt = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			l.t.Errorf("a part ended with %v", err)
		}
	})
	l.t.Cleanup(halt)
	return halt
}

// drive starts the driving service and waits until it answers.
func (l *line) drive() {
	l.t.Helper()
	l.haltDriving = l.run(l.part)
	l.eventually("the driving service to answer", func() bool {
		_, err := l.nc.Request(bus.Question(site, "driving"), []byte(`{"do":"look"}`), time.Second)
		return err == nil
	})
}

func (l *line) eventually(what string, ok func() bool) {
	l.t.Helper()
	for end := time.Now().Add(time.Minute); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			l.t.Fatalf("not within a minute: %s", what)
		}
	}
}

func (l *line) ask(a wire.DrivingAsk) wire.DrivingReply {
	l.t.Helper()
	b, err := json.Marshal(a)
	if err != nil {
		l.t.Fatal(err)
	}
	m, err := l.nc.Request(bus.Question(site, "driving"), b, time.Minute)
	if err != nil {
		l.t.Fatal(err)
	}
	var r wire.DrivingReply
	if err := json.Unmarshal(m.Data, &r); err != nil {
		l.t.Fatalf("%s: %v", m.Data, err)
	}
	return r
}

// must is ask that has to be granted.
func (l *line) must(a wire.DrivingAsk) wire.DrivingReply {
	l.t.Helper()
	r := l.ask(a)
	if !r.OK {
		l.t.Fatalf("%s: %s", a.Do, r.Reason)
	}
	return r
}

// arm gives a token, which is held until the test ends or quiet is called.
func (l *line) arm(motors ...string) (token string, quiet func()) {
	l.t.Helper()
	r := l.must(wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, Motors: motors})
	if r.Hold == "" || r.HoldMs != l.holdMs || r.Driving.Holder != "Ada" || len(r.Driving.Motors) != len(motors) {
		l.t.Fatalf("armed: %+v", r)
	}
	over := make(chan struct{})
	quiet = sync.OnceFunc(func() { close(over) })
	l.t.Cleanup(quiet)
	go func() {
		for {
			select {
			case <-over:
				return
			case <-time.After(500 * time.Millisecond):
				b, _ := json.Marshal(wire.DrivingAsk{Do: wire.DriveHold, Hold: r.Hold})
				_, _ = l.nc.Request(bus.Question(site, "driving"), b, time.Second)
			}
		}
	}()
	return r.Hold, quiet
}

func (l *line) throttle(token string, rampS float64, duties map[string]int64) {
	l.t.Helper()
	l.must(wire.DrivingAsk{Do: wire.DriveThrottle, Hold: token, Duties: duties, RampS: rampS})
}

// said are the commands to a motor so far.
func (l *line) said(motor string) (out []command) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range l.commands {
		if c.Motor == motor {
			out = append(out, c)
		}
	}
	return out
}

// duty is the last command to a motor, -9999 none.
func (l *line) duty(motor string) int64 {
	if s := l.said(motor); len(s) > 0 {
		return s[len(s)-1].DutyPermille
	}
	return -9999
}

func (l *line) reaches(motor string, duty int64) {
	l.t.Helper()
	l.eventually("the throttle to be reached", func() bool { return l.duty(motor) == duty })
}

// facts are the drive facts of a motor in the journal, in order.
func (l *line) facts(motor string) (out []wire.Event) {
	l.t.Helper()
	js, err := jetstream.New(l.nc)
	if err != nil {
		l.t.Fatal(err)
	}
	err = journal.Read(context.Background(), js, site, 1, 0, func(_ uint64, record []byte) error {
		var e wire.Event
		if err := json.Unmarshal(record, &e); err != nil {
			return err
		}
		if e.Kind == wire.KindDrive && e.Motor == motor {
			out = append(out, e)
		}
		return nil
	})
	if err != nil {
		l.t.Fatal(err)
	}
	return out
}

// since is how long after an instant the first command of so much among these came.
func since(at time.Time, all []command, duty int64) time.Duration {
	i := slices.IndexFunc(all, func(c command) bool { return c.DutyPermille == duty && c.at.After(at) })
	if i < 0 {
		return time.Hour
	}
	return all[i].at.Sub(at)
}

// changes are commands without those that say the last again.
func changes(all []command) (duties []int64) {
	for _, c := range all {
		duties = append(duties, c.DutyPermille)
	}
	return slices.Compact(duties)
}

func duties(facts []wire.Event) (out []int64) {
	for _, e := range facts {
		out = append(out, *e.DutyPermille)
	}
	return out
}
