package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/wire"
	"rainhill/services/beacon"
	"rainhill/services/rainhill/host"
)

// What other people's agents do: MQTT and NATS without our program.

func crossing(boot string, seq int, gate string) string {
	return fmt.Sprintf(`{"kind":"crossing","agent":"shed-1","boot":%q,"seq":%d,"at_us":%d,"gate":%q,"edge":"enter"}`, boot, seq, time.Now().UnixMicro(), gate)
}

func mqttClient(t *testing.T, port int, password string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", port)).SetProtocolVersion(4). // 4 is MQTT 3.1.1
																SetClientID("board").SetUsername("shed-1").SetPassword(password).SetAutoReconnect(false).SetConnectTimeout(patience))
	mqttDone(t, "connecting", c.Connect())
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func mqttDone(t *testing.T, what string, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("%s over MQTT: %v", what, token.Error())
	}
}

func TestMQTT(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	c := mqttClient(t, s.mqtt, pw)
	stored := make(chan []byte, 16)
	mqttDone(t, "subscribing", c.Subscribe("rh/line/stored/shed-1", 1, func(_ mqtt.Client, m mqtt.Message) {
		stored <- m.Payload()
	}))
	mqttDone(t, "publishing", c.Publish("rh/line/crossing/g1", 1, false, crossing("b1", 1, "g1")))
	select {
	case b := <-stored:
		if got := decode[wire.Stored](t, b); got != (wire.Stored{Boot: "b1", Seq: 1}) {
			t.Errorf("stored says %+v", got)
		}
	case <-time.After(patience):
		t.Fatal("no stored mark came")
	}
	if got := s.events(wire.KindCrossing); len(got) != 1 || got[0].Gate != "g1" {
		t.Fatalf("the journal holds %v, want one crossing of g1", got)
	}
	// A client that is not sure sends again: it is counted once.
	mqttDone(t, "publishing", c.Publish("rh/line/crossing/g1", 1, false, crossing("b1", 1, "g1")))
	eventually(t, "the duplicate to be counted", func() bool { return s.health().Duplicates == 1 })
	if n := len(s.events(wire.KindCrossing)); n != 1 {
		t.Errorf("%d crossings after a duplicate, want 1", n)
	}
}

// MQTT acknowledges a publish that is not allowed; the health page tells it.
func TestMQTTDenied(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1", "g2")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	c := mqttClient(t, s.mqtt, pw)
	mqttDone(t, "publishing", c.Publish("rh/line/crossing/g2", 1, false, crossing("b1", 1, "g2")))
	eventually(t, "the denial on the health page", func() bool {
		h := s.health()
		return h.Denied == 1 && len(h.Rejects) == 1 && h.Rejects[0].Agent == "shed-1" && strings.Contains(h.Rejects[0].Reason, "rh.line.crossing.g2")
	})
	if n := len(s.events(wire.KindCrossing)); n != 0 {
		t.Errorf("%d crossings were taken, want none", n)
	}
}

func TestMQTTWrongPassword(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.admit("shed-1", []string{"g1"}, nil)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", s.mqtt)).SetProtocolVersion(4).
		SetClientID("board").SetUsername("shed-1").SetPassword("wrong"))
	token := c.Connect()
	if !token.WaitTimeout(patience) || token.Error() == nil {
		c.Disconnect(0)
		t.Fatal("a wrong password signed in")
	}
}

func TestNATSRequest(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	nc, err := nats.Connect(s.address(), nats.UserInfo("shed-1", pw), nats.Timeout(patience))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	ask := func(body string) wire.Reply {
		t.Helper()
		m, err := nc.Request("rh.line.crossing.g1", []byte(body), patience)
		if err != nil {
			t.Fatal(err)
		}
		return decode[wire.Reply](t, m.Data)
	}
	one := crossing("b1", 1, "g1")
	r := ask(one)
	if !r.OK || r.Duplicate || r.Seq == 0 {
		t.Errorf("the first answer is %+v", r)
	}
	if got := s.events(wire.KindCrossing); len(got) != 1 {
		t.Errorf("%d crossings are on disk after the answer, want 1", len(got))
	}
	if r := ask(one); !r.OK || !r.Duplicate {
		t.Errorf("the same again is answered %+v", r)
	}
	if r := ask(strings.Replace(crossing("b1", 2, "g1"), `"enter"`, `"sideways"`, 1)); r.OK || !strings.Contains(r.Reason, `edge "sideways"`) {
		t.Errorf("a bad edge is answered %+v", r)
	}
}

// An agent with no address finds the service by mDNS. A control socket decides
// whether this machine can multicast at all; where it cannot, what the network
// would carry is still checked in services/beacon and sensors/agent.
func TestFindsTheServiceByMulticast(t *testing.T) {
	t.Parallel()
	if err := multicastWorks(); err != nil {
		t.Logf("multicast does not work on this machine (%v): the network part could not be tried", err)
		return
	}
	own := fmt.Sprintf("t%d", time.Now().UnixNano()%1e12) // another service may be on this network
	h, err := host.Open(host.Config{Data: t.TempDir(), Site: own, Listen: "0.0.0.0", WebPort: -1, NATSPort: -1})
	if err != nil {
		t.Fatal(err)
	}
	s := &service{t: t, site: own, host: h}
	t.Cleanup(s.stop)
	c, err := h.Agents.Add(wire.Credential{Agent: "shed-1", Gates: []string{"g1"}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- beacon.Run(ctx, own, 8137, h.NATSPort(), 0) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the beacon ended with %v", err)
		}
	}()
	p := start(t, "", c.Password, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1", "--site", own)
	p.says("site " + own)
	eventually(t, "the agent's health report", func() bool { return s.agentHealth("shed-1").Version != "" })
	p.signal(os.Interrupt)
	p.mustExit(exitOK)
}

// multicastWorks sends a datagram to a group of its own and waits for it, on
// an interface that mDNS would use.
func multicastWorks() error {
	group := &net.UDPAddr{IP: net.IPv4(239, 255, 41, 37), Port: 41370}
	all, err := net.Interfaces()
	if err != nil {
		return err
	}
	err = fmt.Errorf("no interface is up")
	for _, i := range all {
		if i.Flags&net.FlagUp == 0 || i.Flags&(net.FlagMulticast|net.FlagLoopback) == 0 {
			continue
		}
		if err = multicastOn(&i, group); err == nil {
			return nil
		}
	}
	return err
}

func multicastOn(i *net.Interface, group *net.UDPAddr) error {
	in, err := net.ListenMulticastUDP("udp4", i, group)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := net.DialUDP("udp4", nil, group)
	if err != nil {
		return err
	}
	defer out.Close()
	if _, err := out.Write([]byte("anybody?")); err != nil {
		return err
	}
	if err := in.SetReadDeadline(time.Now().Add(500 * time.Millisecond)); err != nil {
		return err
	}
	_, _, err = in.ReadFromUDP(make([]byte, 64))
	return err
}
