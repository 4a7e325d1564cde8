// Package agent answers "how does a reading reach the journal, whatever happens
// on the way?". It is the body that all agents share: it reads lines from
// standard input, a serial line or a GPIO line and stamps them, numbers the
// events that a Sensor makes of them, keeps them in a spool on disk, sends them
// over the bus in order, and lets each go when the journal answers that it has
// it. It also exchanges clock readings and sends health.
//
// What a line means is not in it (see sensors/gate and sensors/motor), nor is
// any correction of clocks: instants are the agent's own clock, and the clock
// exchanges travel as events. There is one exception, because a small computer
// without a battery clock may start weeks off and the journal refuses instants
// that are over a day from its own: when the first exchange of a start finds
// the clock more than a minute off, all instants of that start are shifted by
// that one amount, for good.
package agent

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log"
	"strings"
	"time"

	"rainhill/pkg/wire"
)

// Sensor turns lines of input into events of one kind. It does no input or
// output and reads no clock. Kind, source and own fields are the Sensor's
// business; Run fills agent, boot and seq.
type Sensor interface {
	// Take gives the events that a line completes; the error says why the line
	// was not understood.
	Take(Line) ([]wire.Event, error)
	// Due gives the events that should wait no longer at nowUs.
	Due(nowUs int64) []wire.Event
	// Names gives the gates and motors it speaks of, for health.
	Names() (gates, motors []string)
}

// Config is what an agent must know. Server may be empty: then the service is
// looked for by mDNS, and with it the site if Site is empty too.
type Config struct {
	Agent    string
	Site     string
	Server   string
	Password string

	SpoolDir   string
	SpoolBytes int64

	Source  Source
	Sensor  Sensor
	Version string
	Log     io.Writer

	// DrainFor is how long the end of the input waits for delivery (0: 10 s),
	// StopFor how long a requested stop does (0: 2 s).
	DrainFor, StopFor time.Duration
	// HealthEvery is the time between health reports (0: 5 s).
	HealthEvery time.Duration
	// Find looks for the service when Server is empty (nil: Browse).
	Find func(ctx context.Context, site string) (Found, error)
}

// ErrUndelivered is returned when the input ended and the spool could not be
// delivered in time. Nothing is lost: the next start delivers it.
var ErrUndelivered = errors.New("not everything could be delivered")

func (c *Config) check() error {
	switch {
	case !wire.ValidID(c.Agent):
		return fmt.Errorf("agent %q is not an id ([a-z0-9][a-z0-9-]{0,31})", c.Agent)
	case c.Site != "" && !wire.ValidID(c.Site):
		return fmt.Errorf("site %q is not an id ([a-z0-9][a-z0-9-]{0,31})", c.Site)
	case c.Server != "" && c.Site == "":
		return fmt.Errorf("a server is named but no site; only mDNS can tell the site by itself")
	case c.Source == nil || c.Sensor == nil:
		return fmt.Errorf("agent %s has no source or no sensor", c.Agent)
	}
	set := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	set(&c.DrainFor, 10*time.Second)
	set(&c.StopFor, 2*time.Second)
	set(&c.HealthEvery, 5*time.Second)
	if c.Find == nil {
		c.Find = Browse
	}
	if c.Log == nil {
		c.Log = io.Discard
	}
	return nil
}

// Run reads the source to its end, or until ctx is done, and delivers. It
// returns nil when stopped or when all was delivered, ErrUndelivered when the
// input ended and something is still in the spool, and any other error when
// the source or the spool could not be opened or broke.
func Run(ctx context.Context, c Config) error {
	if err := c.check(); err != nil {
		return err
	}
	spool, err := OpenSpool(c.SpoolDir, c.SpoolBytes)
	if err != nil {
		return err
	}
	b := newBody(c, spool)
	err = b.run(ctx)
	return errors.Join(err, spool.Close())
}

// body is one running agent. Its loop is the only user of everything in it.
type body struct {
	Config
	log   *log.Logger
	clock Clock
	boot  string
	seq   uint64
	spool *Spool

	lines chan Line
	ended chan error    // the source's end
	gone  chan struct{} // closed when nobody takes lines any more

	*delivery
	exchange  *exchange
	healthDue time.Time

	unread    uint64 // lines not understood
	unreadWhy string
}

// tick is how often the loop looks at what is due; half the time a batch of
// samples may wait.
const tick = 50 * time.Millisecond

func newBody(c Config, spool *Spool) *body {
	b := &body{
		Config: c, log: log.New(c.Log, "", log.Ltime), clock: NewClock(), boot: newBoot(), spool: spool,
		lines: make(chan Line, 1024), ended: make(chan error, 1),
		gone: make(chan struct{}),
	}
	b.delivery = newDelivery(c.Agent, spool, b.log)
	b.exchange = &exchange{agent: c.Agent, clock: b.clock, done: make(chan exchanged, 1)}
	return b
}

// newBoot gives a name that no other start has.
func newBoot() string { return strings.ToLower(rand.Text()[:12]) }

func (b *body) run(ctx context.Context) error {
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer close(b.gone)
	reading, stopReading := context.WithCancel(ctx)
	defer stopReading()
	go func() { b.ended <- b.Source.Read(reading, Out{b.clock, b.take, b.log.Printf}) }()
	links := make(chan link, 16)
	joined := make(chan struct{})
	go func() { defer close(joined); b.linker(links).run(inner) }()
	defer func() { cancel(); <-joined }()

	if n := b.spool.Pending(); n > 0 {
		b.log.Printf("%d events kept from an earlier start will be sent first", n)
	}
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	end, err := b.read(ctx, links, ticker.C)
	if err != nil {
		return err
	}
	return b.drain(end, links, ticker.C)
}

func (b *body) linker(out chan<- link) *linker {
	return &linker{agent: b.Agent, site: b.Site, server: b.Server, password: b.Password, find: b.Find, log: b.log, out: out,
		replies: b.replies, stored: b.stored, denied: b.denied}
}

// take hands a line from the source's goroutine to the loop.
func (b *body) take(l Line) {
	select {
	case b.lines <- l:
	case <-b.gone:
	}
}

// read runs until the source ends or ctx is done, and says which it was by the
// time that delivery may still take.
func (b *body) read(ctx context.Context, links <-chan link, ticks <-chan time.Time) (time.Duration, error) {
	for {
		select {
		case l := <-b.lines:
			if err := b.line(l); err != nil {
				return 0, err
			}
		case err := <-b.ended:
			if err != nil && ctx.Err() == nil {
				return 0, err
			}
			if ctx.Err() != nil {
				return b.StopFor, b.flush()
			}
			return b.DrainFor, b.flush()
		case <-ctx.Done():
			return b.StopFor, b.flush()
		case l := <-links:
			b.joined(l)
		case <-ticks:
			if err := b.tick(); err != nil {
				return 0, err
			}
		case m := <-b.replies:
			b.answered(m)
		case m := <-b.stored:
			b.told(m)
		case s := <-b.denied:
			b.deny(s)
		case x := <-b.exchange.done:
			if err := b.exchanged(x); err != nil {
				return 0, err
			}
		}
		b.send()
	}
}

// drain delivers what is kept, for at most limit. A stop (short limit) is
// never an error.
func (b *body) drain(limit time.Duration, links <-chan link, ticks <-chan time.Time) error {
	over := time.NewTimer(limit)
	defer over.Stop()
	for b.send(); b.spool.Pending() > 0; b.send() {
		if b.nc == nil && limit == b.StopFor {
			return b.undelivered(limit)
		}
		select {
		case <-over.C:
			return b.undelivered(limit)
		case l := <-links:
			b.joined(l)
		case <-ticks:
			b.exchange.step(b.nc, time.Now())
			b.expire(time.Now())
			if err := b.spool.Maintain(time.Now()); err != nil {
				return err
			}
		case m := <-b.replies:
			b.answered(m)
		case m := <-b.stored:
			b.told(m)
		case s := <-b.denied:
			b.deny(s)
		case x := <-b.exchange.done:
			b.settleClock(x)
		}
	}
	return nil
}

func (b *body) undelivered(limit time.Duration) error {
	n := b.spool.Pending()
	if limit == b.StopFor {
		b.log.Printf("stopped; %d events are kept in %s and go out at the next start", n, b.SpoolDir)
		return nil
	}
	return fmt.Errorf("%w within %s: %d events are kept in %s and go out at the next start", ErrUndelivered, limit, n, b.SpoolDir)
}

// line turns one line into events in the spool.
func (b *body) line(l Line) error {
	events, err := b.Sensor.Take(l)
	if err != nil {
		b.unread++
		b.unreadWhy = err.Error()
		if b.unread <= 10 || b.unread%1000 == 0 {
			b.log.Printf("line not understood (%d so far): %v: %.80q", b.unread, err, l.Text)
		}
	}
	return b.keep(events...)
}

// flush takes the lines that had arrived and the batches that were waiting.
func (b *body) flush() error {
	for len(b.lines) > 0 {
		if err := b.line(<-b.lines); err != nil {
			return err
		}
	}
	return b.keep(b.Sensor.Due(1 << 62)...)
}

// keep numbers events and writes them to the spool.
func (b *body) keep(events ...wire.Event) error {
	for _, e := range events {
		b.seq++
		seq := b.seq
		e.Agent, e.Boot, e.Seq = b.Agent, b.boot, &seq
		if err := b.spool.Append(e); err != nil {
			return err
		}
	}
	b.forgetDropped()
	return nil
}

func (b *body) tick() error {
	now := time.Now()
	if err := b.keep(b.Sensor.Due(b.clock.Now())...); err != nil {
		return err
	}
	b.exchange.step(b.nc, now)
	b.expire(now)
	if b.ready && !now.Before(b.healthDue) {
		b.healthDue = now.Add(b.HealthEvery)
		if err := b.keep(b.health()); err != nil {
			return err
		}
	}
	return b.spool.Maintain(now)
}

// joined takes a change of the connection.
func (b *body) joined(l link) {
	b.delivery.joined(l)
	b.exchange.restart(l)
	b.healthDue = time.Time{}
}

// settleClock decides, at the first exchange of this start, whether the clock
// was ever set. Until then nothing of this start is sent.
func (b *body) settleClock(x exchanged) {
	b.exchange.busy = false
	if b.ready || x.err != nil && !b.exchange.failed(x.err) {
		return
	}
	shift := x.shift()
	if shift != 0 {
		b.log.Printf("this machine's clock is %s off the bus's; instants of this start are shifted by that", time.Duration(shift)*time.Microsecond)
	}
	if x.err != nil {
		b.log.Printf("no clock exchange with the bus (%v); events are sent with this machine's clock", x.err)
	}
	if err := b.spool.SetShift(b.boot, shift); err != nil {
		b.log.Printf("%v", err)
	}
	b.ready = true
}

func (b *body) exchanged(x exchanged) error {
	b.settleClock(x)
	if x.err != nil {
		return nil
	}
	return b.keep(x.event())
}
