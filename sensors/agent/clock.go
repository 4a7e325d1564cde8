package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// Clock is the agent's own clock: the machine's time of day when the agent
// started, carried on by the machine's steady clock. It never jumps, whatever
// sets the machine's clock meanwhile.
type Clock struct {
	start  time.Time
	wallUs int64
}

// NewClock starts a clock at the machine's time of day.
func NewClock() Clock {
	now := time.Now()
	return Clock{start: now, wallUs: now.UnixMicro()}
}

// Now is the clock's reading in microseconds.
func (c Clock) Now() int64 { return c.At(time.Now()) }

// At is the clock's reading at t, which must come from time.Now.
func (c Clock) At(t time.Time) int64 { return c.wallUs + t.Sub(c.start).Microseconds() }

const (
	quickSyncs = 10 // exchanges at the start of a connection, quickEvery apart
	quickEvery = 2 * time.Second
	slowEvery  = 10 * time.Second
	askTimeout = time.Second
	// giveUpAsks is after how many unanswered questions in a row the agent
	// sends with its own clock as it is.
	giveUpAsks = 5
	// maxOffUs is how far off a clock may be that somebody has set.
	maxOffUs = int64(60_000_000)
)

// exchange asks the bus for its time, one question at a time.
type exchange struct {
	agent string
	clock Clock
	site  string
	done  chan exchanged

	busy  bool
	n     int // asked on this connection
	lost  int // unanswered in a row
	next  time.Time
	nobus bool
}

// exchanged is one exchange: four instants, or why there are none.
type exchanged struct {
	t1, t2, t3, t4 int64
	err            error
}

func (x *exchange) restart(l link) {
	x.site, x.n, x.next, x.nobus = l.site, 0, time.Time{}, l.nc == nil
}

// step asks when it is time to.
func (x *exchange) step(nc *nats.Conn, now time.Time) {
	if nc == nil || x.nobus || x.busy || now.Before(x.next) {
		return
	}
	x.busy, x.n = true, x.n+1
	x.next = now.Add(slowEvery)
	if x.n <= quickSyncs {
		x.next = now.Add(quickEvery)
	}
	subject := bus.Ask(x.site, x.agent)
	go func() { x.done <- ask(nc, subject, x.clock) }()
}

// ask does one exchange over the bus.
func ask(nc *nats.Conn, subject string, clock Clock) exchanged {
	t1 := clock.Now()
	q, err := json.Marshal(wire.ClockAsk{T1Us: t1})
	if err != nil {
		return exchanged{err: err}
	}
	m, err := nc.Request(subject, q, askTimeout)
	t4 := clock.Now()
	if err != nil {
		return exchanged{err: fmt.Errorf("asking the bus for its time: %w", err)}
	}
	var told wire.ClockTold
	if err := json.Unmarshal(m.Data, &told); err != nil || told.T1Us != t1 || told.T2Us <= 0 || told.T3Us < told.T2Us {
		return exchanged{err: fmt.Errorf("asking the bus for its time: answer %.80q is not of this question", m.Data)}
	}
	return exchanged{t1: t1, t2: told.T2Us, t3: told.T3Us, t4: t4}
}

// failed takes a failed first exchange: it asks again soon, and reports when to
// stop waiting for an answer. That nobody listens yet is no reason to: then
// nobody takes events either.
func (x *exchange) failed(err error) (giveUp bool) {
	x.next = time.Now().Add(250 * time.Millisecond)
	if errors.Is(err, nats.ErrNoResponders) || errors.Is(err, nats.ErrConnectionClosed) || errors.Is(err, nats.ErrDisconnected) {
		return false
	}
	x.lost++
	return x.lost >= giveUpAsks
}

// shift is what to add to this start's instants: nothing for a clock that was
// set, the offset ((t2-t1)+(t3-t4))/2 of RFC 5905 section 8 for one that was not.
func (x exchanged) shift() int64 {
	if x.err != nil {
		return 0
	}
	off := (x.t2 - x.t1 + x.t3 - x.t4) / 2
	if off > maxOffUs || off < -maxOffUs {
		return off
	}
	return 0
}

func (x exchanged) event() wire.Event {
	return wire.Event{Kind: wire.KindSync, AtUs: x.t4, T1Us: &x.t1, T2Us: &x.t2, T3Us: &x.t3, T4Us: &x.t4}
}

// shifted moves every instant of the agent's own clock in e by us.
func shifted(e wire.Event, us int64) wire.Event {
	move := func(p *int64) *int64 {
		if p == nil {
			return nil
		}
		v := *p + us
		return &v
	}
	e.AtUs += us
	e.ClearUs, e.T1Us, e.T4Us = move(e.ClearUs), move(e.T1Us), move(e.T4Us)
	samples := append([]wire.Sample(nil), e.Samples...)
	for i := range samples {
		samples[i].AtUs += us
	}
	e.Samples = samples
	return e
}

// Counter places a sensor's own microsecond counter on the agent's clock. A
// line can only arrive late, never early, so the smallest difference between
// arrival and counter seen lately belongs to the line that was least delayed;
// all lines are placed by it. The difference may creep up by 200 parts in a
// million, so that a slow counter is followed. A counter that wraps at 2^32 is
// carried on; one that starts again is met afresh.
type Counter struct {
	known   bool
	last    uint64 // as read
	total   uint64 // with wraps carried on
	offset  float64
	updated int64
}

const creepPerUs = 200e-6

// Place returns the instant of counter reading count, whose line arrived at
// arrivalUs.
func (c *Counter) Place(count uint64, arrivalUs int64) int64 {
	c.carry(count)
	d := float64(arrivalUs) - float64(c.total)
	if c.known {
		d = math.Min(d, c.offset+creepPerUs*math.Max(0, float64(arrivalUs-c.updated)))
	}
	c.known, c.offset, c.updated = true, d, arrivalUs
	return int64(c.total) + int64(math.Round(d))
}

// carry adds the step since the last reading, over a wrap if need be.
func (c *Counter) carry(count uint64) {
	const wrap = 1 << 32
	switch step := count - c.last; {
	case !c.known:
		c.total = count
	case count >= c.last:
		c.total += step
	case c.last < wrap && c.last-count > wrap/2:
		c.total += step + wrap
	default:
		*c = Counter{total: count}
	}
	c.last = count
}
