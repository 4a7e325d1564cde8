// Package natsconf holds the configuration of an outside bus. Its test loads it
// into a real server, compares its permissions with those that the service's
// own bus gives, and runs a journal and agents on it.
package natsconf

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
	"rainhill/sensors/gate"
	"rainhill/sensors/motor"
	"rainhill/services/broker"
	"rainhill/services/journal"
)

const site = "line"

// load reads nats.conf with ports, folder and passwords of a test.
func load(t *testing.T) *server.Options {
	t.Helper()
	b, err := os.ReadFile("nats.conf")
	if err != nil {
		t.Fatal(err)
	}
	text := regexp.MustCompile(`\$2a\$11\$REPLACE-\S+"`).ReplaceAllString(string(b), `pw"`)
	text = strings.NewReplacer("port: 4222", "port: -1", "port: 1883", "port: -1", "/var/lib/nats", t.TempDir()).Replace(text)
	path := filepath.Join(t.TempDir(), "nats.conf")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	opts, err := server.ProcessConfigFile(path)
	if err != nil {
		t.Fatalf("nats.conf: %v", err)
	}
	opts.Host, opts.MQTT.Host, opts.NoSigs, opts.NoLog = "127.0.0.1", "127.0.0.1", true, true
	return opts
}

func TestThePermissionsAreTheServicesOwn(t *testing.T) {
	opts := load(t)
	if !opts.SyncAlways || !opts.JetStream || opts.MQTT.Port == 0 {
		t.Errorf("sync always %t, JetStream %t, MQTT port %d; want all", opts.SyncAlways, opts.JetStream, opts.MQTT.Port)
	}
	agents := map[string]wire.Credential{
		"shed-1": {Agent: "shed-1", Gates: []string{"g1", "g2"}},
		"loco-1": {Agent: "loco-1", Motors: []string{"m1", "m2"}},
	}
	for _, u := range opts.Users {
		c, isAgent := agents[u.Username]
		if !isAgent {
			if u.Username != "rainhill-service" || u.Permissions != nil {
				t.Errorf("user %s has permissions %v", u.Username, u.Permissions)
			}
			continue
		}
		delete(agents, u.Username)
		want := broker.Permissions(site, c)
		for what, pair := range map[string][2][]string{
			"publish":   {u.Permissions.Publish.Allow, want.Publish.Allow},
			"subscribe": {u.Permissions.Subscribe.Allow, want.Subscribe.Allow},
		} {
			slices.Sort(pair[0])
			slices.Sort(pair[1])
			if !slices.Equal(pair[0], pair[1]) {
				t.Errorf("%s may %s %v, want %v as in the service's own bus", u.Username, what, pair[0], pair[1])
			}
		}
	}
	if len(agents) > 0 {
		t.Errorf("nats.conf lacks %v", agents)
	}
}

// runJournal runs the journal's part on the outside bus.
func runJournal(t *testing.T, srv *server.Server) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect(srv.ClientURL(), nats.UserInfo("rainhill-service", "pw"), nats.CustomInboxPrefix(bus.InboxPrefix))
	if err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(context.Background(), nc, journal.Config{Site: site, Dir: t.TempDir(), Tick: -1})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- j.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the journal ended with %v", err)
		}
		nc.Close()
	})
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 5000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}}
	value, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	seq := uint64(1)
	b, err := json.Marshal(wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b", Seq: &seq, AtUs: time.Now().UnixMicro(),
		ID: "circuit-oval", By: "test", What: wire.WhatCircuit, Value: value})
	if err != nil {
		t.Fatal(err)
	}
	for range 500 { // until it listens
		m, err := nc.Request(bus.Internal(site, wire.KindDecision, "circuit-oval"), b, 5*time.Second)
		if err == nil && strings.Contains(string(m.Data), `"ok":true`) {
			return nc
		}
		if err == nil || !errors.Is(err, nats.ErrNoResponders) {
			t.Fatalf("placing the gate: %v, %v", m, err)
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatal("the journal does not listen")
	return nil
}

func TestJournalAndAgentsOnTheOutsideBus(t *testing.T) {
	srv, err := server.NewServer(load(t))
	if err != nil {
		t.Fatal(err)
	}
	go srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(10 * time.Second) {
		t.Fatal("the bus did not start")
	}
	nc := runJournal(t, srv)
	for _, a := range []struct {
		name, in string
		sensor   agent.Sensor
	}{
		{"shed-1", "1\n0\n", &gate.Sensor{Gate: "g1"}},
		{"loco-1", "100 400\n", &motor.Sensor{Motor: "m1"}},
	} {
		err := agent.Run(context.Background(), agent.Config{
			Agent: a.name, Site: site, Server: srv.ClientURL(), Password: "pw", SpoolDir: t.TempDir(),
			Source: agent.Stdin{R: strings.NewReader(a.in)}, Sensor: a.sensor,
		})
		if err != nil {
			t.Errorf("%s: %v", a.name, err)
		}
	}
	m, err := nc.Request(bus.Question(site, "health"), nil, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var h wire.Health
	if err := json.Unmarshal(m.Data, &h); err != nil {
		t.Fatal(err)
	}
	// The circuit, two crossings, a batch; and a clock exchange or a report of each may be among them.
	if h.Accepted < 4 || h.Rejected != 0 || len(h.Agents) != 3 {
		t.Errorf("the journal took %d and refused %d of %d senders: %s", h.Accepted, h.Rejected, len(h.Agents), fmt.Sprint(h.Rejects))
	}
}
