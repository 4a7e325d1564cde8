// Package broker answers "what carries the messages, and who may send which?".
// It runs a NATS server inside the process, with JetStream synced before each
// acknowledgement and an MQTT 3.1.1 listener, and signs agents in. What the
// messages mean is not in it.
package broker

import (
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
)

// Config says where the broker keeps its files and listens. A port of -1 takes
// any free one; 0 does not listen.
type Config struct {
	Dir      string
	Site     string
	Host     string
	NATSPort int
	MQTTPort int
	Agents   *Agents
	// Denied hears of each message that permissions refused and of each failed
	// sign-in; it must not block.
	Denied func(who, reason string)
}

// Broker is a running server.
type Broker struct {
	srv      *server.Server
	user, pw string
}

// maxPayload leaves room for a message that is too large to be an event, so
// that it can be refused with a reason and not by cutting the line.
const maxPayload = 2 << 20

// Start runs the server and waits until it takes connections.
func Start(c Config) (*Broker, error) {
	b := &Broker{user: "rainhill-service", pw: secret(24)}
	opts := &server.Options{
		ServerName: "rainhill-" + c.Site, Host: c.Host, Port: c.NATSPort, DontListen: c.NATSPort == 0,
		JetStream: true, StoreDir: filepath.Join(c.Dir, "journal"), SyncAlways: true,
		MaxPayload: maxPayload, NoSigs: true, NoSystemAccount: false,
		PingInterval: 10 * time.Second, MaxPingsOut: 2, WriteDeadline: 5 * time.Second,
		JetStreamMaxMemory: 64 << 20, JetStreamMaxStore: 1 << 40,
	}
	if c.MQTTPort != 0 {
		opts.MQTT = server.MQTTOpts{Host: c.Host, Port: c.MQTTPort}
	}
	door := &door{broker: b, site: c.Site, agents: c.Agents, denied: c.Denied}
	opts.CustomClientAuthentication = door
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("starting the broker in %s: %w", opts.StoreDir, err)
	}
	srv.SetLoggerV2(door, false, false, false)
	b.srv = srv
	if err := portFree(c.Host, c.NATSPort); err != nil {
		return nil, err
	}
	if err := portFree(c.Host, c.MQTTPort); err != nil {
		return nil, err
	}
	go srv.Start()
	if !srv.ReadyForConnections(10 * time.Second) {
		srv.Shutdown()
		return nil, fmt.Errorf("starting the broker: not ready after 10 s (is %s writable?)", opts.StoreDir)
	}
	return b, nil
}

// portFree turns a taken port into a sentence before the server would exit.
func portFree(host string, port int) error {
	if port <= 0 {
		return nil
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(port)))
	if err != nil {
		return fmt.Errorf("cannot listen on %s port %d: %w", host, port, err)
	}
	return l.Close()
}

// Connect gives one of the service's own parts an in-process connection with
// every permission.
func (b *Broker) Connect() (*nats.Conn, error) {
	return bus.Connect("", b.user, b.pw, b.srv, nil)
}

// Address is where agents connect, "" when the broker does not listen.
func (b *Broker) Address() string {
	if a, ok := b.srv.Addr().(*net.TCPAddr); ok {
		return "nats://" + net.JoinHostPort(hostFor(a.IP), strconv.Itoa(a.Port))
	}
	return ""
}

// NATSPort is the port agents connect to, 0 when the broker does not listen.
func (b *Broker) NATSPort() int {
	if a, ok := b.srv.Addr().(*net.TCPAddr); ok {
		return a.Port
	}
	return 0
}

func hostFor(ip net.IP) string {
	if ip.IsUnspecified() {
		return "127.0.0.1"
	}
	return ip.String()
}

// MQTTPort is the port of the MQTT listener, 0 when there is none.
func (b *Broker) MQTTPort() int {
	if v, err := b.srv.Varz(nil); err == nil {
		return v.MQTT.Port
	}
	return 0
}

// Stop shuts the server down and waits for its files to be closed.
func (b *Broker) Stop() {
	b.srv.Shutdown()
	b.srv.WaitForShutdown()
}

func secret(n int) string {
	b := make([]byte, n)
	if _, err := rand.Read(b); err != nil {
		panic(err) // the system has no randomness: nothing safe can be done
	}
	return hex.EncodeToString(b)
}
