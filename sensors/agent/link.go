package agent

import (
	"context"
	"errors"
	"log"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// link is a change of the connection to the bus: joined (nc set), or lost.
type link struct {
	nc    *nats.Conn
	site  string
	inbox string
}

// linker finds the bus, connects, and keeps at it for ever.
type linker struct {
	agent, site, server, password string

	find func(ctx context.Context, site string) (Found, error)
	log  *log.Logger
	out  chan<- link

	replies, stored chan *nats.Msg
	denied          chan string
	driver          *driver // nil drives nothing
	lastTold        string
}

const (
	retryEvery = 2 * time.Second
	// findAgainAfter is how long a bus found by mDNS may be away before it is
	// looked for again: it may have come back at another address.
	findAgainAfter = 15 * time.Second
)

func (l *linker) run(ctx context.Context) {
	for ctx.Err() == nil {
		if err := l.once(ctx); err != nil && ctx.Err() == nil {
			l.tell(err.Error())
		}
		select {
		case <-ctx.Done():
		case <-time.After(retryEvery):
		}
	}
}

// tell logs a message unless it is the last one again.
func (l *linker) tell(s string) {
	if s != l.lastTold {
		l.log.Print(s)
		l.lastTold = s
	}
}

// once finds and joins the bus, and returns when that connection is over.
func (l *linker) once(ctx context.Context) error {
	at := Found{Address: l.server, Site: l.site}
	if l.server == "" {
		var err error
		if at, err = l.find(ctx, l.site); err != nil {
			return err
		}
	}
	poke := make(chan struct{}, 1)
	wake := func() {
		select {
		case poke <- struct{}{}:
		default:
		}
	}
	nc, err := bus.Connect(at.Address, l.agent, l.password, nil, func(connected bool) {
		if !connected {
			l.driver.shut("the bus is lost")
		}
		wake()
	})
	if err != nil {
		return explain(err)
	}
	defer nc.Close()
	nc.SetClosedHandler(func(*nats.Conn) { wake() })
	nc.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { l.hear(err) })
	inbox := nc.NewInbox()
	if _, err := nc.ChanSubscribe(inbox+".*", l.replies); err != nil {
		return err
	}
	if _, err := nc.ChanSubscribe(bus.Stored(at.Site, l.agent), l.stored); err != nil {
		return err
	}
	if err := l.hearThrottles(nc, at.Site); err != nil {
		return err
	}
	defer l.driver.shut("the bus is left")
	return l.watch(ctx, nc, at, inbox, poke)
}

// hearThrottles hands commands to the driver on the bus's goroutine: nothing that the
// agent does with its spool holds them up.
func (l *linker) hearThrottles(nc *nats.Conn, site string) error {
	if l.driver == nil {
		return nil
	}
	for _, id := range l.driver.order {
		_, err := nc.Subscribe(bus.Throttle(site, id), func(m *nats.Msg) {
			t, err := wire.DecodeThrottle(m.Data)
			if err != nil || t.Motor != id {
				l.log.Printf("a command to motor %s is not understood (%v): %.80q", id, err, m.Data)
				return
			}
			l.driver.take(t)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// watch tells each loss and each return of the connection.
func (l *linker) watch(ctx context.Context, nc *nats.Conn, at Found, inbox string, poke <-chan struct{}) error {
	up, returns, lostAt := false, uint64(0), time.Now()
	second := time.NewTicker(time.Second)
	defer second.Stop()
	for {
		now, n := nc.IsConnected(), nc.Stats().Reconnects
		if up && (!now || n != returns) {
			l.tell("connection to the bus lost; events are kept")
			l.post(ctx, link{})
			up, lostAt = false, time.Now()
		}
		// Joined is who hears: the bus has the subscriptions by the time it answers a ping.
		if now && !up && nc.FlushTimeout(time.Second) == nil {
			up, returns = true, n
			l.tell("joined the bus at " + nc.ConnectedUrlRedacted() + " as " + l.agent + ", site " + at.Site)
			l.post(ctx, link{nc: nc, site: at.Site, inbox: inbox})
		}
		if nc.IsClosed() {
			return explain(errors.Join(nc.LastError(), nats.ErrConnectionClosed))
		}
		if !up && l.server == "" && time.Since(lostAt) > findAgainAfter {
			return errors.New("the bus did not come back where it was; looking for it again")
		}
		if !up && time.Since(lostAt) > 3*time.Second {
			l.tell("the bus at " + at.Address + " does not answer; events are kept and it is tried for ever")
		}
		select {
		case <-ctx.Done():
			l.post(ctx, link{})
			return nil
		case <-poke:
		case <-second.C:
		}
	}
}

func (l *linker) post(ctx context.Context, x link) {
	select {
	case l.out <- x:
	case <-ctx.Done():
	}
}

// hear takes an error that the bus reports beside the traffic.
func (l *linker) hear(err error) {
	if m := publishDenied.FindStringSubmatch(err.Error()); m != nil {
		select {
		case l.denied <- m[1]:
		default: // the event is sent again when no answer comes
		}
		return
	}
	l.log.Printf("the bus says: %v", err)
}

// explain adds what to do about a refused sign-in.
func explain(err error) error {
	if errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired) {
		return errors.New("the bus refused the sign-in: check --agent and the password; events are kept and it is tried again")
	}
	return err
}
