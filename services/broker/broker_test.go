package broker_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
	"rainhill/services/journal"
)

const site = "line"

// station is a broker with a journal, and what it was told of denials.
type station struct {
	t      *testing.T
	dir    string
	agents *broker.Agents
	b      *broker.Broker
	nc     *nats.Conn

	mu     sync.Mutex
	denied []string
}

func newStation(t *testing.T) *station {
	t.Helper()
	s := &station{t: t, dir: t.TempDir()}
	var err error
	if s.agents, err = broker.OpenAgents(filepath.Join(s.dir, "agents.json")); err != nil {
		t.Fatal(err)
	}
	s.b, err = broker.Start(broker.Config{
		Dir: s.dir, Site: site, Host: "127.0.0.1", NATSPort: -1, MQTTPort: -1, Agents: s.agents,
		Denied: func(who, why string) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.denied = append(s.denied, who+": "+why)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if s.nc, err = s.b.Connect(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	j, err := journal.Open(ctx, s.nc, journal.Config{Site: site, Dir: s.dir, Tick: -1, Allow: s.agents.Allows})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- j.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		s.nc.Close()
		s.b.Stop()
	})
	for end := time.Now().Add(time.Minute); ; time.Sleep(2 * time.Millisecond) {
		if _, err := s.nc.Request(bus.Question(site, "health"), nil, time.Second); err == nil {
			return s
		}
		if time.Now().After(end) {
			t.Fatal("the journal does not listen")
		}
	}
}

func (s *station) agent(name string, motors ...string) wire.Credential {
	s.t.Helper()
	c, err := s.agents.Add(wire.Credential{Agent: name, Motors: motors})
	if err != nil {
		s.t.Fatal(err)
	}
	return c
}

// hears waits for a denial that holds every part.
func (s *station) hears(parts ...string) {
	s.t.Helper()
	var all []string
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		s.mu.Lock()
		all = append([]string(nil), s.denied...)
		s.mu.Unlock()
		for _, d := range all {
			if has(d, parts) {
				return
			}
		}
	}
	s.t.Fatalf("nothing was told of %q; told: %q", parts, all)
}

func has(s string, parts []string) bool {
	for _, p := range parts {
		if !strings.Contains(s, p) {
			return false
		}
	}
	return true
}

func motor(agent, id string, seq uint64) []byte {
	now, counts := time.Now().UnixMicro(), int64(seq)
	b, _ := json.Marshal(wire.Event{Kind: wire.KindMotor, Agent: agent, Boot: "b", Seq: &seq, AtUs: now, Motor: id, Samples: []wire.Sample{{AtUs: now, Counts: &counts}}})
	return b
}

// dial has a sign-in take as long as its password takes to be checked. The bus pings
// meanwhile, which the library takes for no answer.
func (s *station) dial(opts ...nats.Option) (*nats.Conn, error) {
	for {
		nc, err := nats.Connect(s.b.Address(), append(opts, nats.Timeout(time.Minute))...)
		if err == nil || !strings.Contains(err.Error(), "expected 'PONG', got 'PING'") {
			return nc, err
		}
	}
}

func (s *station) nats(c wire.Credential) *nats.Conn {
	s.t.Helper()
	nc, err := s.dial(nats.UserInfo(c.Agent, c.Password), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(nc.Close)
	return nc
}

func (s *station) mqtt(c wire.Credential) (mqtt.Client, error) {
	o := mqtt.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", s.b.MQTTPort())).
		SetClientID(c.Agent).SetUsername(c.Agent).SetPassword(c.Password).SetConnectRetry(false).SetAutoReconnect(false)
	client := mqtt.NewClient(o)
	token := client.Connect()
	if !token.WaitTimeout(time.Minute) {
		return nil, errors.New("no answer")
	}
	if token.Error() == nil {
		s.t.Cleanup(func() { client.Disconnect(50) })
	}
	return client, token.Error()
}

func wait(t *testing.T, what string, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(time.Minute) || token.Error() != nil {
		t.Fatalf("%s: %v", what, token.Error())
	}
}

func TestAgentPublishesOnlyItsOwnOverNATS(t *testing.T) {
	s := newStation(t)
	nc := s.nats(s.agent("bench", "m1"))
	m, err := nc.Request(bus.Event(site, "motor", "m1"), motor("bench", "m1", 1), time.Minute)
	if err != nil || !strings.Contains(string(m.Data), `"ok":true`) {
		t.Fatalf("its own motor: %v %v", m, err)
	}
	for _, subject := range []string{
		bus.Event(site, "motor", "m2"), bus.Event(site, "crossing", "m1"), bus.Event(site, "decision", "d1"), bus.Event(site, "sync", "other"),
		bus.Internal(site, "motor", "m1"), bus.Record(site, "motor", "m1"), bus.Frames(site), bus.Question(site, "health"),
		bus.Stored(site, "bench"), bus.Told(site, "bench"), bus.Throttle(site, "m1"), bus.Driving(site), "$JS.API.STREAM.LIST", "_INBOX.x", "_RHS.x",
	} {
		if err := nc.Publish(subject, motor("bench", "m2", 2)); err != nil {
			t.Fatal(err)
		}
		s.hears("bench: not allowed: publish of " + subject)
	}
	for _, subject := range []string{">", "rh.>", bus.Stored(site, "other"), bus.Throttle(site, "m2"), "rh.line.throttle.*", bus.Driving(site), bus.Records(site), "_RHS.>", "$SYS.>"} {
		if _, err := nc.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		s.hears("bench: not allowed: subscription of " + subject)
	}
	if n, _, err := journal.VerifySite(context.Background(), s.nc, site, nil); n != 1 || err != nil {
		t.Fatalf("the journal holds %d records (%v), want 1", n, err)
	}
}

// A subject that is allowed does not let an agent speak in another's name.
func TestAgentCannotTakeAnothersName(t *testing.T) {
	s := newStation(t)
	s.agent("other", "m9")
	nc := s.nats(s.agent("bench", "m1"))
	for _, name := range []string{"other", "nobody"} {
		m, err := nc.Request(bus.Event(site, "motor", "m1"), motor(name, "m1", 1), time.Minute)
		if err != nil || !strings.Contains(string(m.Data), `"ok":false`) {
			t.Fatalf("as %s: %s %v", name, m.Data, err)
		}
	}
}

func TestAgentPublishesOnlyItsOwnOverMQTT(t *testing.T) {
	s := newStation(t)
	c, err := s.mqtt(s.agent("bench", "m1"))
	if err != nil {
		t.Fatal(err)
	}
	wait(t, "publish", c.Publish("rh/line/motor/m2", 1, false, motor("bench", "m2", 1)))
	s.hears("bench: not allowed: publish of rh.line.motor.m2")
	if n, _, err := journal.VerifySite(context.Background(), s.nc, site, nil); n != 0 || err != nil {
		t.Fatalf("the journal holds %d records (%v), want none", n, err)
	}
}

func TestMQTTRoundTrip(t *testing.T) {
	s := newStation(t)
	c, err := s.mqtt(s.agent("bench", "m1"))
	if err != nil {
		t.Fatal(err)
	}
	heard := make(chan mqtt.Message, 16)
	for _, topic := range []string{"rh/line/stored/bench", "rh/line/told/bench"} {
		wait(t, topic, c.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m }))
	}
	next := func(topic string, into any) {
		t.Helper()
		select {
		case m := <-heard:
			if m.Topic() != topic || json.Unmarshal(m.Payload(), into) != nil {
				t.Fatalf("heard %s: %s, want %s", m.Topic(), m.Payload(), topic)
			}
		case <-time.After(time.Minute):
			t.Fatalf("nothing came on %s", topic)
		}
	}
	before := time.Now().UnixMicro()
	wait(t, "ask", c.Publish("rh/line/ask/bench", 0, false, `{"t1_us":7}`))
	var told wire.ClockTold
	if next("rh/line/told/bench", &told); told.T1Us != 7 || told.T2Us < before || told.T3Us < told.T2Us {
		t.Fatalf("told %+v", told)
	}
	wait(t, "motor", c.Publish("rh/line/motor/m1", 1, false, motor("bench", "m1", 1)))
	var stored wire.Stored
	if next("rh/line/stored/bench", &stored); stored != (wire.Stored{Boot: "b", Seq: 1}) {
		t.Fatalf("stored %+v", stored)
	}
	var got wire.Event
	err = journal.Read(context.Background(), mustJS(t, s.nc), site, 1, 0, func(_ uint64, record []byte) error { return json.Unmarshal(record, &got) })
	if err != nil || got.Motor != "m1" || *got.Seq != 1 {
		t.Fatalf("journal holds %+v, %v", got, err)
	}
}

func mustJS(t *testing.T, nc *nats.Conn) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

func TestWrongPasswordIsRefusedAndTold(t *testing.T) {
	s := newStation(t)
	c := s.agent("bench", "m1")
	c.Password = "wrong"
	if _, err := s.dial(nats.UserInfo(c.Agent, c.Password)); !errors.Is(err, nats.ErrAuthorization) {
		t.Fatalf("NATS: %v", err)
	}
	s.hears("bench: sign-in refused")
	if _, err := s.mqtt(wire.Credential{Agent: "nobody", Password: "x"}); err == nil {
		t.Fatal("MQTT let nobody in")
	}
	s.hears("nobody: sign-in refused")
	if _, err := s.dial(); !errors.Is(err, nats.ErrAuthorization) {
		t.Fatalf("without a name: %v", err)
	}
}

// The service's own name opens nothing from a socket, not even with its password.
func TestServiceNameIsNoUseOverASocket(t *testing.T) {
	s := newStation(t)
	user, pw := servicePassword(s.b)
	if len(pw) < 32 {
		t.Fatalf("the password of the service is only %d characters long", len(pw))
	}
	for _, p := range []string{"", "rainhill", pw} {
		if _, err := s.dial(nats.UserInfo(user, p)); !errors.Is(err, nats.ErrAuthorization) {
			t.Fatalf("password %q: %v", p, err)
		}
	}
	s.hears(user + ": sign-in refused")
}

// servicePassword looks into the broker, as nobody outside can.
func servicePassword(b *broker.Broker) (user, pw string) {
	v := reflect.ValueOf(b).Elem()
	return v.FieldByName("user").String(), v.FieldByName("pw").String()
}

// Another process may add an agent while the service runs; both lists hold it.
func TestAgentAddedByAnotherProcess(t *testing.T) {
	s := newStation(t)
	first := s.agent("bench", "m1")
	other, err := broker.OpenAgents(filepath.Join(s.dir, "agents.json"))
	if err != nil {
		t.Fatal(err)
	}
	c, err := other.Add(wire.Credential{Agent: "second", Motors: []string{"m2"}})
	if err != nil {
		t.Fatal(err)
	}
	nc := s.nats(c)
	if m, err := nc.Request(bus.Event(site, "motor", "m2"), motor("second", "m2", 1), time.Minute); err != nil || !strings.Contains(string(m.Data), `"ok":true`) {
		t.Fatalf("%v %v", m, err)
	}
	s.nats(first)
	if got := s.agents.List(); len(got) != 2 || got[0].Agent != "bench" || got[1].Agent != "second" || got[0].Password != "" {
		t.Fatalf("the list holds %+v", got)
	}
	b, err := os.ReadFile(filepath.Join(s.dir, "agents.json"))
	if err != nil || strings.Contains(string(b), c.Password) {
		t.Fatalf("the file tells a password (%v)", err)
	}
	if again := s.agent("bench", "m3"); again.Password == first.Password {
		t.Fatal("a new credential has the old password")
	}
	if _, err := s.dial(nats.UserInfo("bench", first.Password)); err == nil {
		t.Fatal("the old password still opens")
	}
}

func TestAgentIDsAreChecked(t *testing.T) {
	a, err := broker.OpenAgents(filepath.Join(t.TempDir(), "agents.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []wire.Credential{{Agent: ""}, {Agent: "a.b"}, {Agent: "a", Gates: []string{">"}}, {Agent: "a", Motors: []string{"*"}}} {
		if _, err := a.Add(c); !errors.Is(err, wire.ErrMalformed) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

func TestTakenPortIsASentence(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	port := l.Addr().(*net.TCPAddr).Port
	for _, c := range []broker.Config{{NATSPort: port}, {MQTTPort: port}} {
		c.Dir, c.Site, c.Host = t.TempDir(), site, "127.0.0.1"
		_, err := broker.Start(c)
		if want := fmt.Sprintf("cannot listen on 127.0.0.1 port %d", port); err == nil || !strings.Contains(err.Error(), want) {
			t.Fatalf("%v, want %q", err, want)
		}
	}
}

// Commands to a motor reach the agent that has it, over NATS and MQTT, and no other;
// and the journal does not take them for facts.
func TestThrottleReachesTheMotorsOwnAgent(t *testing.T) {
	s := newStation(t)
	nc := s.nats(s.agent("bench", "m1"))
	mine, err := nc.SubscribeSync(bus.Throttle(site, "m1"))
	if err != nil || nc.Flush() != nil {
		t.Fatal(err)
	}
	c, err := s.mqtt(s.agent("board", "m2"))
	if err != nil {
		t.Fatal(err)
	}
	heard := make(chan mqtt.Message, 4)
	wait(t, "subscribe", c.Subscribe("rh/line/throttle/m2", 0, func(_ mqtt.Client, m mqtt.Message) { heard <- m }))
	other := c.Subscribe("rh/line/throttle/m1", 0, nil)
	other.WaitTimeout(time.Second)
	s.hears("board: not allowed: subscription of rh.line.throttle.m1")
	for i, motor := range []string{"m1", "m2"} {
		b, _ := json.Marshal(wire.Throttle{Motor: motor, DutyPermille: int64(i), Boot: "d", Seq: uint64(i)})
		if err := s.nc.Publish(bus.Throttle(site, motor), b); err != nil {
			t.Fatal(err)
		}
	}
	m, err := mine.NextMsg(time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := wire.DecodeThrottle(m.Data); err != nil || got.Motor != "m1" {
		t.Errorf("%s: %v", m.Data, err)
	}
	select {
	case m := <-heard:
		if got, err := wire.DecodeThrottle(m.Payload()); err != nil || got.Motor != "m2" {
			t.Errorf("%s: %v", m.Payload(), err)
		}
	case <-time.After(time.Minute):
		t.Error("the board over MQTT heard nothing")
	}
	h, err := s.nc.Request(bus.Question(site, "health"), nil, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	var health wire.Health
	if err := json.Unmarshal(h.Data, &health); err != nil || health.Rejected != 0 || health.Accepted != 0 {
		t.Errorf("the journal took %d and refused %d (%v)", health.Accepted, health.Rejected, err)
	}
}
