// Package agent answers "how does a reading reach the journal, whatever happens
// on the way?". It is the body that all agents share: it reads lines from
// standard input, a serial line or a GPIO line and stamps them, numbers the
// events that a Sensor makes of them, keeps them in a spool on disk, sends them
// over the bus in order, and lets each go when the journal answers that it has
// it. It also exchanges clock readings and sends health, and puts the throttles of
// motors out to a board, which it stops by itself when commands cease.
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

	Source Source
	Sensor Sensor
	// Drive is where throttles of DriveMotors go; nil drives nothing.
	Drive       Sink
	DriveMotors []string
	Version     string
	Log         io.Writer

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
	case c.Drive != nil && len(c.DriveMotors) == 0:
		return fmt.Errorf("agent %s is to drive, and no motor is named", c.Agent)
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
	exchange *exchange
	driver   *driver   // nil drives nothing
	healthAt time.Time // of the last report
	lostTold uint64    // events given up or refused that a report has told of

	unread    uint64 // lines not understood
	unreadWhy string
}

// tick is how often the loop looks at what is due; half the time a batch of
// samples may wait.
const tick = 50 * time.Millisecond

func newBody(c Config, spool *Spool) *body {
	b := &body{
		Config: c, log: log.New(c.Log, "", log.Ltime), clock: NewClock(), boot: newBoot(), spool: spool,
		lines: make(chan Line, 1024), ended: make(chan error, 2),
		gone: make(chan struct{}),
	}
	b.delivery = newDelivery(c.Agent, spool, b.log)
	b.exchange = &exchange{agent: c.Agent, clock: b.clock, done: make(chan exchanged, 1)}
	if c.Drive != nil {
		b.driver = newDriver(c.Drive, c.DriveMotors, b.log)
	}
	return b
}

// newBoot gives a name that no other start has.
func newBoot() string { return strings.ToLower(rand.Text()[:12]) }

func (b *body) run(ctx context.Context) error {
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer close(b.gone)
	// The last zeros go out while the line to the board is still open.
	reading, stopReading := context.WithCancel(inner)
	defer stopReading()
	defer context.AfterFunc(ctx, func() { b.driver.stop(); stopReading() })()
	defer b.driver.stop()
	b.drive(reading)
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
	if err := b.read(ctx, links, ticker.C); err != nil {
		return err
	}
	return b.drain(ctx, links, ticker.C)
}

// drive begins to put out throttles, on a line of its own if it is not the source's.
func (b *body) drive(ctx context.Context) {
	if b.driver == nil {
		return
	}
	go b.driver.run()
	source, _ := b.Source.(*Serial)
	if own, ok := b.Drive.(*Serial); ok && own != source {
		go func() {
			if err := own.Read(ctx, Out{b.clock, func(Line) {}, b.log.Printf}); err != nil {
				b.ended <- err
			}
		}()
	}
}

func (b *body) linker(out chan<- link) *linker {
	return &linker{agent: b.Agent, site: b.Site, server: b.Server, password: b.Password, find: b.Find, log: b.log, out: out,
		replies: b.replies, stored: b.stored, denied: b.denied, driver: b.driver}
}

// take hands a line from the source's goroutine to the loop.
func (b *body) take(l Line) {
	select {
	case b.lines <- l:
	case <-b.gone:
	}
}

// read runs until the source ends or ctx is done.
func (b *body) read(ctx context.Context, links <-chan link, ticks <-chan time.Time) error {
	for {
		select {
		case l := <-b.lines:
			if err := b.line(l); err != nil {
				return err
			}
		case err := <-b.ended:
			b.driver.stop()
			if ctx.Err() != nil {
				err = nil // a stopped source may complain
			}
			return errors.Join(err, b.flush())
		case <-ctx.Done():
			return b.last()
		case l := <-links:
			b.joined(l)
		case <-ticks:
			if err := b.tick(); err != nil {
				return err
			}
		case m := <-b.replies:
			b.answered(m)
		case m := <-b.stored:
			b.told(m)
		case s := <-b.denied:
			b.deny(s)
		case x := <-b.exchange.done:
			if err := b.exchanged(x); err != nil {
				return err
			}
		}
		b.send()
	}
}

// drain delivers what is kept: for DrainFor after the end of the input, for
// StopFor after a request to stop, which may come meanwhile. What a stop leaves
// is no error.
func (b *body) drain(ctx context.Context, links <-chan link, ticks <-chan time.Time) error {
	over, stop := time.NewTimer(b.DrainFor), ctx.Done()
	defer over.Stop()
	for b.send(); b.spool.Pending() > 0 || b.owes(); b.send() {
		if b.spool.Pending() == 0 {
			if err := b.report(); err != nil {
				return err
			}
			continue
		}
		if ctx.Err() != nil && b.nc == nil {
			return b.stopped()
		}
		select {
		case <-stop:
			stop = nil
			over.Reset(b.StopFor)
		case <-over.C:
			if ctx.Err() != nil {
				return b.stopped()
			}
			return fmt.Errorf("%w within %s: %d events are kept in %s and go out at the next start", ErrUndelivered, b.DrainFor, b.spool.Pending(), b.SpoolDir)
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

func (b *body) stopped() error {
	if n := b.spool.Pending(); n > 0 {
		b.log.Printf("stopped; %d events are kept in %s and go out at the next start", n, b.SpoolDir)
	}
	return nil
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

// endWithin is how long a source may take to end when a stop is asked for. A
// read of standard input cannot be broken off and is left behind.
const endWithin = 200 * time.Millisecond

// last takes what the source was just reading when a stop was asked for.
func (b *body) last() error {
	over := time.After(endWithin)
	for {
		select {
		case l := <-b.lines:
			if err := b.line(l); err != nil {
				return err
			}
		case <-b.ended:
			return b.flush()
		case <-over:
			return b.flush()
		}
	}
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
	if since := now.Sub(b.healthAt); b.ready && b.nc != nil && (since >= b.HealthEvery || b.owes() && since >= owedWithin) {
		if err := b.report(); err != nil {
			return err
		}
	}
	return b.spool.Maintain(now)
}

// owedWithin is how soon the journal hears that an event will never come.
const owedWithin = time.Second

// lost is how many events will never reach the journal.
func (b *body) lost() uint64 { return b.spool.dropped + b.spool.refused }

// owes reports whether the journal waits for events that will never come, and
// has not been told so.
func (b *body) owes() bool { return b.lost() != b.lostTold }

// report puts a health report into the spool, behind what it speaks of.
func (b *body) report() error {
	b.healthAt, b.lostTold = time.Now(), b.lost()
	return b.keep(b.health())
}

// joined takes a change of the connection.
func (b *body) joined(l link) {
	b.delivery.joined(l)
	b.exchange.restart(l)
	b.healthAt = time.Time{}
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
