package broker

import (
	"crypto/subtle"
	"fmt"
	"regexp"
	"strings"
	"sync"

	"github.com/nats-io/nats-server/v2/server"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// door signs clients in and hears the server's log, which is the only place
// where a publish that permissions deny can be noticed for MQTT.
type door struct {
	broker *Broker
	site   string
	agents *Agents
	denied func(who, reason string)

	mu    sync.Mutex
	names map[string]string // remote address -> agent
}

// Check implements server.Authentication.
func (d *door) Check(c server.ClientAuthentication) bool {
	o := c.GetOpts()
	b := d.broker
	if o.Username == b.user {
		// The service's own parts come in process, never by a socket.
		from := c.RemoteAddress()
		ok := from != nil && from.Network() == "pipe" && subtle.ConstantTimeCompare([]byte(o.Password), []byte(b.pw)) == 1
		if ok {
			c.RegisterUser(&server.User{Username: o.Username})
		} else {
			d.tell(o.Username, "sign-in refused: that name is the service's own")
		}
		return ok
	}
	cred, ok := wire.Credential{}, false
	if d.agents != nil {
		cred, ok = d.agents.Check(o.Username, o.Password)
	}
	if !ok {
		d.tell(o.Username, "sign-in refused: unknown agent or wrong password")
		return false
	}
	if a := c.RemoteAddress(); a != nil {
		d.remember(a.String(), o.Username)
	}
	c.RegisterUser(&server.User{Username: o.Username, Permissions: Permissions(d.site, cred)})
	return true
}

func (d *door) remember(addr, name string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.names == nil || len(d.names) > 10000 {
		d.names = map[string]string{}
	}
	d.names[addr] = name
}

// Permissions are what an agent may do on the bus: publish its own sources,
// hear what is meant for it and for its motors.
func Permissions(site string, c wire.Credential) *server.Permissions {
	pub := []string{bus.Event(site, wire.KindSync, c.Agent), bus.Event(site, wire.KindHealth, c.Agent), bus.Ask(site, c.Agent)}
	for kind, ids := range sources(c) {
		for _, id := range ids {
			pub = append(pub, bus.Event(site, kind, id))
		}
	}
	sub := []string{"_INBOX.>", bus.Stored(site, c.Agent), bus.Told(site, c.Agent), "$MQTT.sub.>"}
	for _, id := range c.Motors {
		sub = append(sub, bus.Throttle(site, id))
	}
	return &server.Permissions{Publish: &server.SubjectPermission{Allow: pub}, Subscribe: &server.SubjectPermission{Allow: sub}}
}

func sources(c wire.Credential) map[string][]string {
	return map[string][]string{wire.KindCrossing: c.Gates, wire.KindMotor: c.Motors, wire.KindLoad: c.Cells}
}

func (d *door) tell(who, reason string) {
	if d.denied != nil {
		d.denied(who, reason)
	}
}

var violation = regexp.MustCompile(`(\S+) - [a-z_]+:\d+.*?(Publish|Subscription) Violation - (?:Subject|Reply) "([^"]*)"`)

// heard looks for denials in a line of the server's log.
func (d *door) heard(line string) {
	m := violation.FindStringSubmatch(line)
	if m == nil {
		return
	}
	d.mu.Lock()
	who := d.names[m[1]]
	d.mu.Unlock()
	if who == "" {
		who = m[1]
	}
	d.tell(who, fmt.Sprintf("not allowed: %s of %s", strings.ToLower(m[2]), m[3]))
}

// The server's log: only warnings and worse can hold a denial.
func (d *door) Noticef(string, ...any)         {}
func (d *door) Debugf(string, ...any)          {}
func (d *door) Tracef(string, ...any)          {}
func (d *door) Warnf(format string, v ...any)  { d.heard(fmt.Sprintf(format, v...)) }
func (d *door) Errorf(format string, v ...any) { d.heard(fmt.Sprintf(format, v...)) }
func (d *door) Fatalf(format string, v ...any) { d.tell("broker", fmt.Sprintf(format, v...)) }
