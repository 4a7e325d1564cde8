// Package bus answers "by what subject does a message travel?" and connects to
// the bus. It is the only package in pkg that does input or output; it holds
// no sums and no storage.
//
//	rh.<site>.<kind>.<source>   events, from agents and officials
//	rh.<site>.stored.<agent>    what the journal has of an agent
//	rh.<site>.ask.<agent>       clock exchange, the agent's half
//	rh.<site>.told.<agent>      clock exchange, the bus's half
//	rh.<site>.throttle.<motor>  commands to a motor, from the driving service
//	rhi.<site>.<kind>.<source>  events of the service's own parts
//	rhj.<site>.<kind>.<source>  journal records; written by the journal alone
//	rhv.<site>                  frames of new verdicts
//	rhq.<site>.<what>           questions to the services, with a reply
//	rhv.<site>.driving          what is driven now, and by whom
//	rhv.<site>.replay.<id>      what one replay shows; never part of rhv.<site>
//	rhq.<site>.replay.<id>      how that replay is to go on
//	replay.<site>.<kind>.<source>  records said again, on another bus or under another prefix
package bus

import (
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
)

// Event is the subject of an event.
func Event(site, kind, source string) string { return "rh." + site + "." + kind + "." + source }

// Events matches every event of a site.
func Events(site string) string { return "rh." + site + ".*.*" }

// Stored is where the journal tells an agent what it has.
func Stored(site, agent string) string { return "rh." + site + ".stored." + agent }

// Ask and Told carry a clock exchange.
func Ask(site, agent string) string { return "rh." + site + ".ask." + agent }

// Told is the bus's answer to Ask.
func Told(site, agent string) string { return "rh." + site + ".told." + agent }

// Throttle carries commands to one motor.
func Throttle(site, motor string) string { return "rh." + site + ".throttle." + motor }

// Driving is where the driving service tells what it does.
func Driving(site string) string { return "rhv." + site + ".driving" }

// Record is the subject of a journal record.
func Record(site, kind, source string) string { return "rhj." + site + "." + kind + "." + source }

// Records matches every journal record of a site.
func Records(site string) string { return "rhj." + site + ".>" }

// Stream is the name of a site's journal stream.
func Stream(site string) string { return "rhj-" + site }

// Frames is where the scorer publishes what is new.
func Frames(site string) string { return "rhv." + site }

// Replay is where one replay tells its viewer what it shows: never where the
// live line is told.
func Replay(site, id string) string { return "rhv." + site + ".replay." + id }

// ReplayControl is where a viewer tells a replay how to go on.
func ReplayControl(site, id string) string { return Question(site, "replay") + "." + id }

// Question is where a service answers: view, results, health, check, replay.
func Question(site, what string) string { return "rhq." + site + "." + what }

// Progress is where a long question's answerer says how far it is, and Cancel where
// it hears that nobody waits any more. job is an id of the asker's.
func Progress(site, job string) string { return "rhv." + site + ".job." + job }

// Cancel ends the long question of that id.
func Cancel(site, job string) string { return "rhq." + site + ".cancel." + job }

// Split takes rh.<site>.<kind>.<source> apart.
func Split(subject string) (site, kind, source string, err error) {
	p := strings.Split(subject, ".")
	if len(p) != 4 || p[0] != "rh" && p[0] != "rhi" {
		return "", "", "", fmt.Errorf("subject %q is not rh.<site>.<kind>.<source>", subject)
	}
	return p[1], p[2], p[3], nil
}

// Connect joins the bus at address, or in process when inProcess is given. The
// connection keeps trying for ever; status hears of each loss and return.
func Connect(address, user, password string, inProcess nats.InProcessConnProvider, status func(connected bool)) (*nats.Conn, error) {
	opts := []nats.Option{
		nats.Name(user), nats.UserInfo(user, password), nats.MaxReconnects(-1),
		nats.ReconnectWait(250 * time.Millisecond), nats.ReconnectJitter(100*time.Millisecond, 100*time.Millisecond),
		nats.RetryOnFailedConnect(inProcess == nil), nats.PingInterval(5 * time.Second), nats.MaxPingsOutstanding(2),
		nats.ReconnectBufSize(-1), nats.Timeout(3 * time.Second),
	}
	if inProcess != nil {
		opts = append(opts, nats.InProcessServer(inProcess), nats.CustomInboxPrefix(InboxPrefix))
	}
	if status != nil {
		opts = append(opts,
			nats.ConnectHandler(func(*nats.Conn) { status(true) }),
			nats.ReconnectHandler(func(*nats.Conn) { status(true) }),
			nats.DisconnectErrHandler(func(*nats.Conn, error) { status(false) }))
	}
	nc, err := nats.Connect(address, opts...)
	if err != nil {
		return nil, fmt.Errorf("connecting to the bus at %s as %s: %w", address, user, err)
	}
	return nc, nil
}

// Internal is the subject of an event that the service's own parts publish:
// decisions, taps, the simulated railway. Agents may not publish there.
func Internal(site, kind, source string) string { return "rhi." + site + "." + kind + "." + source }

// Internals matches every internal event of a site.
func Internals(site string) string { return "rhi." + site + ".*.*" }

// InboxPrefix is where the service's own requests are answered; agents cannot
// listen there.
const InboxPrefix = "_RHS"

// Again is the subject of a record that is said again, under a prefix that Prefix
// has let pass.
func Again(prefix, site, kind, source string) string {
	return prefix + "." + site + "." + kind + "." + source
}

// Prefix reports why subjects of records said again may not begin with p: what is
// said again must never be taken for what happens.
func Prefix(p string) error {
	own, _, _ := strings.Cut(p, ".")
	if strings.HasPrefix(own, "rh") || strings.HasPrefix(own, "_") || strings.HasPrefix(own, "$") {
		return fmt.Errorf("the prefix %q is kept for what really happens: take another, such as replay", p)
	}
	for token := range strings.SplitSeq(p, ".") {
		if token == "" || strings.ContainsFunc(token, func(c rune) bool {
			return (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_'
		}) {
			return fmt.Errorf("the prefix %q is not made of letters, digits, - and _ with single dots between", p)
		}
	}
	return nil
}
