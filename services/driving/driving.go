// Package driving answers "who drives, and what throttle does each motor get?". It
// holds the authority of one official at a time, ramps and sweeps throttles, trims
// pairs of driver sets, sends commands to motors ten times a second, and has every
// change of a throttle put into the journal. How a throttle is reckoned is in
// pkg/control; what a motor makes of it is its agent's business, which stops it by
// itself when commands cease.
//
// To stop is to command 0 at once, without a ramp: the bridge opens and the train rolls
// out. A ramp would go on driving what nobody watches. It waits for nothing: not for the
// journal, not for the roster.
package driving

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// limits are the times that it goes by.
type limits struct {
	tick     time.Duration // ramps, sweeps and trims go on in such steps
	say      time.Duration // commands are said again
	tell     time.Duration // the state is told again while somebody drives
	hold     time.Duration // authority lapses after the holder's last word
	zeros    time.Duration // for so long after a stop, motors hear of it
	unkept   time.Duration // a fact may wait for the journal before motors are stopped
	stall    time.Duration // between two ticks: more, and authority ends; agents have stopped their motors long before
	deaf     time.Duration // a board may report no throttle while one is commanded
	silent   time.Duration // a board that reported may be silent while its motor is driven
	trimFact time.Duration // between facts of what trim alone does to a motor
	rampS    float64       // from 0 to full when none is asked for
}

var standard = limits{
	tick: 50 * time.Millisecond, say: 100 * time.Millisecond, tell: 250 * time.Millisecond, hold: 2 * time.Second, zeros: 2 * time.Second,
	unkept: time.Second, stall: time.Second, deaf: time.Second, silent: 2 * time.Second, trimFact: 100 * time.Millisecond, rampS: 2,
}

// agentName is by what name it signs what it puts into the journal.
const agentName = "driving"

// service is the running part. Its loop is the only user of everything in it but lists.
type service struct {
	nc     *nats.Conn
	site   string
	limits limits
	start  time.Time
	boot   string
	seq    uint64 // of commands
	rev    uint64 // of what was said of the state
	asks   chan asked
	heard  chan reading
	known  chan roster // whose motors are told to stop, unless they are armed
	facts  *facts

	holder  authority
	lost    map[string]string // tokens that hold no more, and why
	motors  map[string]*motor
	order   []string
	trims   []*trim
	sweep   *sweep
	stopped stop
	dirty   bool
	toldAt  time.Time
	tickAt  time.Time
	stepAt  time.Time // up to then every throttle has moved
}

// authority is who drives; nobody when token is empty.
type authority struct {
	token, by string
	sinceUs   int64
	heardAt   time.Time
}

// stop is the last stop of all motors; there was none when at is zero.
type stop struct {
	at      time.Time
	by, why string
	pressed bool // by somebody, not by the service or who gave authority back
}

// asked is a request on its way to the loop, with the roster where it needs one.
type asked struct {
	wire.DrivingAsk
	at      time.Time // when it came
	roster  roster
	rosterE error
	reply   func(wire.DrivingReply)
}

// Run drives the motors of a site until ctx is done; then it stops them and returns
// nil. It begins with no authority, and tells every motor of the roster to stop.
func Run(ctx context.Context, nc *nats.Conn, site string) error {
	return run(ctx, nc, site, standard)
}

func run(ctx context.Context, nc *nats.Conn, site string, l limits) error {
	boot := strings.ToLower(rand.Text()[:12])
	s := &service{
		nc: nc, site: site, limits: l, start: time.Now(), boot: boot, asks: make(chan asked, 64), heard: make(chan reading, 256), known: make(chan roster, 1),
		facts: newFacts(nc, site, boot), lost: map[string]string{}, motors: map[string]*motor{}, tickAt: time.Now(),
	}
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	unsubscribe, err := s.listen(inner)
	if err != nil {
		return err
	}
	defer unsubscribe()
	kept := make(chan struct{})
	go func() { defer close(kept); s.facts.run(inner) }()
	go s.firstRoster(inner, s.known)
	s.tell()
	s.loop(ctx)
	s.halt("the service", "the driving service was stopped")
	s.say(time.Now(), true)
	_ = s.nc.FlushTimeout(200 * time.Millisecond)
	s.tell()
	s.facts.finish(500 * time.Millisecond)
	cancel()
	<-kept
	return nil
}

// listen takes questions, and the readings of motors.
func (s *service) listen(ctx context.Context) (unsubscribe func(), err error) {
	var subs []*nats.Subscription
	unsubscribe = func() {
		for _, x := range subs {
			_ = x.Unsubscribe()
		}
	}
	for _, on := range []struct {
		subject string
		f       nats.MsgHandler
	}{
		{bus.Event(s.site, wire.KindMotor, "*"), s.hear},
		{bus.Internal(s.site, wire.KindMotor, "*"), s.hear},
		{bus.Question(s.site, "driving"), func(m *nats.Msg) { s.question(ctx, m) }}, // last: who has an answer is heard
	} {
		x, err := s.nc.Subscribe(on.subject, on.f)
		if err != nil {
			unsubscribe()
			return nil, fmt.Errorf("listening on %s: %w", on.subject, err)
		}
		subs = append(subs, x)
	}
	return unsubscribe, s.nc.Flush()
}

// question hands a request to the loop. What needs the roster asks for it beside, so
// that nothing else waits: a stop least of all.
func (s *service) question(ctx context.Context, m *nats.Msg) {
	a := asked{at: time.Now(), reply: func(r wire.DrivingReply) {
		if b, err := json.Marshal(r); err == nil {
			_ = m.Respond(b)
		}
	}}
	var err error
	if a.DrivingAsk, err = wire.DecodeDrivingAsk(m.Data); err != nil {
		a.reply(wire.DrivingReply{Reason: strings.TrimPrefix(err.Error(), wire.ErrMalformed.Error()+": "), Driving: wire.Driving{Boot: s.boot, Motors: []wire.DrivenMotor{}}})
		return
	}
	hand := func() {
		select {
		case s.asks <- a:
		case <-ctx.Done():
		}
	}
	if a.Do == wire.DriveArm || a.Do == wire.DriveTrim {
		go func() {
			a.roster, a.rosterE = s.fetchRoster(ctx)
			hand()
		}()
		return
	}
	hand()
	if a.Do == wire.DriveStop {
		go s.stopRest(ctx)
	}
}

// stopRest has the motors stop, too, that came into the roster since the service began and
// were never armed. The others wait for none of it.
func (s *service) stopRest(ctx context.Context) {
	r, err := s.fetchRoster(ctx)
	if err != nil {
		return // and nothing was commanded to them
	}
	select {
	case s.known <- r:
	case <-ctx.Done():
	}
}

// loop goes on until ctx is done.
func (s *service) loop(ctx context.Context) {
	ticker := time.NewTicker(s.limits.tick)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case a := <-s.asks:
			a.reply(s.do(a, time.Now()))
		case r := <-s.heard:
			s.read(r)
			continue
		case r := <-s.known:
			s.quieten(r)
		case <-ticker.C:
			s.tick(time.Now())
		}
		if s.dirty {
			s.tell()
		}
	}
}

// tick lets authority lapse, moves throttles, and says and tells what is due.
func (s *service) tick(now time.Time) {
	since := now.Sub(s.tickAt)
	slept := stood(since, now.UnixMicro()-s.tickAt.UnixMicro())
	s.tickAt = now
	refused := s.facts.refused()
	if s.holder.token != "" {
		switch {
		case refused != "":
			s.halt("the service", "the journal refuses what was driven: "+refused)
		case slept > s.limits.stall:
			s.halt("the service", fmt.Sprintf("the driving service stood still for %d ms", slept.Milliseconds()))
		case now.Sub(s.holder.heardAt) > s.limits.hold:
			s.halt("the service", fmt.Sprintf("nothing was heard of %s for %g s", s.holder.by, s.limits.hold.Seconds()))
		case s.facts.waiting() > s.limits.unkept:
			s.halt("the service", "the journal has not taken what was driven for over a second")
		case !s.nc.IsConnected():
			s.halt("the service", "the connection to the bus was lost")
		}
	}
	if s.holder.token != "" {
		s.step(now)
	}
	s.say(now, false)
	if s.holder.token != "" && now.Sub(s.toldAt) >= s.limits.tell {
		s.dirty = true
	}
}

// sleptLeast is how far the wall clock has to run ahead of the steady one before the
// machine is taken to have slept: a clock that is being set goes by less.
const sleptLeast = 2 * time.Second

// stood is how long the service did nothing between two ticks, by the steady clock or,
// where that one stops while a machine sleeps, by the wall clock.
func stood(steady time.Duration, wallUs int64) time.Duration {
	if wall := time.Duration(wallUs) * time.Microsecond; wall-steady > sleptLeast {
		return wall
	}
	return steady
}

// us is an instant on the service's steady clock, microseconds since its start.
func (s *service) us(t time.Time) int64 { return t.Sub(s.start).Microseconds() + 1 }

// tell says what is driven.
func (s *service) tell() {
	s.dirty, s.toldAt = false, time.Now()
	if b, err := json.Marshal(s.state()); err == nil {
		_ = s.nc.Publish(bus.Driving(s.site), b)
	}
}

// state is what is driven now.
func (s *service) state() wire.Driving {
	s.rev++
	d := wire.Driving{Boot: s.boot, Revision: s.rev, Holder: s.holder.by, SinceUs: s.holder.sinceUs, Motors: []wire.DrivenMotor{}, StoppedBy: s.stopped.by, Why: s.stopped.why}
	if !s.stopped.at.IsZero() {
		d.StoppedUs, d.Pressed = s.stopped.at.UnixMicro(), s.stopped.pressed
	}
	for _, id := range s.order {
		if m := s.motors[id]; m.armed {
			d.Motors = append(d.Motors, m.state(s.us(time.Now())))
		}
	}
	for _, t := range s.trims {
		d.Trims = append(d.Trims, t.state())
	}
	if s.sweep != nil {
		state := s.sweep.SweepState
		d.Sweep = &state
	}
	return d
}
