package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"strings"
	"sync"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/testdata/stall"
)

// hand is a driver whose time a test moves.
func hand(motors ...string) (d *driver, at *time.Duration) {
	at = new(time.Duration)
	d = newDriver(Lines{io.Discard}, motors, log.New(io.Discard, "", 0))
	d.steady = func() time.Duration { return *at }
	return d, at
}

// What is put out, as time goes: s is milliseconds, cmd a command, want the lines.
func TestDriverStopsByItself(t *testing.T) {
	d, at := hand("m1")
	seq := uint64(0)
	for i, c := range []struct {
		ms   int64
		cmd  int64 // -1: none
		want string
	}{
		{0, -1, "m1 0\n"},      // at the start
		{10, 500, ""},          // commanded by somebody who does not know that it starts
		{90, -1, "m1 0\n"},     // said again
		{100, 0, ""},           // known to be closed
		{110, 500, "m1 500\n"}, // at once
		{150, -1, ""},
		{200, -1, "m1 500\n"}, // again within 100 ms
		{210, 510, "m1 510\n"},
		{300, -1, "m1 510\n"}, {400, -1, "m1 510\n"}, {500, -1, "m1 510\n"}, {600, -1, "m1 510\n"},
		{611, -1, "m1 0\n"},  // 401 ms without a command
		{620, 520, ""},       // commands have come back, and nobody knows of the stop yet
		{700, 520, "m1 0\n"}, //
		{710, 0, ""},
		{720, 300, "m1 300\n"},
	} {
		*at = time.Duration(c.ms) * time.Millisecond
		if c.cmd >= 0 {
			seq++
			d.take(wire.Throttle{Motor: "m1", DutyPermille: c.cmd, Boot: "b", Seq: seq})
		}
		if got := d.due(); got != c.want {
			t.Errorf("step %d, at %d ms: %q, want %q", i, c.ms, got, c.want)
		}
	}
	d.shut("the bus is lost")
	if got := d.due(); got != "m1 0\n" {
		t.Errorf("the bus is lost: %q", got)
	}
}

// A board may count on a line every 100 ms, whether its motor is driven or not.
func TestDriverSaysAgainInTime(t *testing.T) {
	d, at := hand("m1")
	last, seq := time.Duration(0), uint64(0)
	for ; *at < 2*time.Second; *at += driveTick {
		if *at%(100*time.Millisecond) == 0 {
			seq++
			d.take(wire.Throttle{Motor: "m1", DutyPermille: 400 * int64(*at/time.Second), Boot: "b", Seq: seq})
		}
		if d.due() != "" {
			last = *at
		}
		if *at-last >= 100*time.Millisecond {
			t.Fatalf("nothing is said from %s to %s", last, *at)
		}
	}
	if duty := d.motors["m1"].duty; duty != 400 {
		t.Errorf("it is driven with %d at the end", duty)
	}
}

// A motor that stood while no commands came is driven only after a 0 as well: what comes
// first after a silence may have been on its way for as long.
func TestDriverIsShutAfterASilence(t *testing.T) {
	d, at := hand("m1")
	d.take(wire.Throttle{Motor: "m1", Boot: "b", Seq: 1})
	*at = deadman
	d.due()
	d.take(wire.Throttle{Motor: "m1", DutyPermille: 600, Boot: "b", Seq: 2})
	if got := d.motors["m1"].duty; got != 0 {
		t.Errorf("driven with %d", got)
	}
	d.take(wire.Throttle{Motor: "m1", Boot: "b", Seq: 3})
	d.take(wire.Throttle{Motor: "m1", DutyPermille: 600, Boot: "b", Seq: 4})
	if got := d.motors["m1"].duty; got != 600 {
		t.Errorf("after a 0 it has %d", got)
	}
}

// A process that was halted while it drove hears what has piled up before it has looked at
// the time: the motor is shut all the same.
func TestDriverIsShutThatWasHalted(t *testing.T) {
	d, at := hand("m1")
	d.take(wire.Throttle{Motor: "m1", Boot: "b", Seq: 1})
	d.take(wire.Throttle{Motor: "m1", DutyPermille: 400, Boot: "b", Seq: 2})
	if got := d.due(); got != "m1 400\n" {
		t.Fatalf("driven with %q", got)
	}
	*at = time.Second
	d.take(wire.Throttle{Motor: "m1", DutyPermille: 400, Boot: "b", Seq: 3})
	if got := d.due(); got != "m1 0\n" {
		t.Errorf("after a second in which it was halted: %q", got)
	}
}

// Old and foreign commands are left; a service that began anew counts from 1.
func TestDriverTakesTheNewestOnly(t *testing.T) {
	d, _ := hand("m1", "m2")
	for _, c := range []struct {
		cmd  wire.Throttle
		want int64
	}{
		{wire.Throttle{Motor: "m1", Boot: "b", Seq: 5}, 0},
		{wire.Throttle{Motor: "m1", DutyPermille: 300, Boot: "b", Seq: 6}, 300},
		{wire.Throttle{Motor: "m1", DutyPermille: 900, Boot: "b", Seq: 6}, 300},
		{wire.Throttle{Motor: "m1", DutyPermille: 900, Boot: "b", Seq: 2}, 300},
		{wire.Throttle{Motor: "m9", DutyPermille: 900, Boot: "b", Seq: 9}, 300},
		{wire.Throttle{Motor: "m1", DutyPermille: -200, Boot: "c", Seq: 1}, -200},
	} {
		d.take(c.cmd)
		if got := d.motors["m1"].duty; got != c.want {
			t.Errorf("%+v: %d, want %d", c.cmd, got, c.want)
		}
	}
	if d.motors["m2"].duty != 0 {
		t.Error("m2 was never commanded")
	}
}

// slate is a Sink that keeps what is written, with when.
type slate struct {
	mu    sync.Mutex
	lines []string
	at    []time.Time
	block chan struct{} // not nil: takes nothing until it is closed
}

func (s *slate) Put(lines string) error {
	if s.block != nil {
		<-s.block
		return errors.New("too late")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for l := range strings.Lines(lines) {
		s.lines, s.at = append(s.lines, strings.TrimSpace(l)), append(s.at, time.Now())
	}
	return nil
}

func (s *slate) Describe() string { return "a slate" }

func (s *slate) last() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.lines) == 0 {
		return ""
	}
	return s.lines[len(s.lines)-1]
}

// stood is since when there have been zeros only.
func (s *slate) stood() (at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := len(s.lines) - 1; i >= 0 && s.lines[i] == "m1 0"; i-- {
		at = s.at[i]
	}
	return at
}

// commanded starts an agent that drives m1 onto a slate, and commands it ten times a
// second until stop is called, which tells when the last command went. Where a hold-up
// of the machine has stopped the motor, it closes the throttle and opens it again.
func commanded(t *testing.T) (a *started, k *taker, s *slate, stop func() time.Time) {
	t.Helper()
	srv := startBus(t, anyPort())
	k = listen(t, srv, "j", 0, ok)
	s = &slate{}
	a = start(t, srv.ClientURL(), func(c *Config) { c.Drive, c.DriveMotors = s, []string{"m1"} })
	eventually(t, "the agent to join", func() bool { return strings.Contains(a.out.String(), "joined the bus") })
	over, done := make(chan struct{}), make(chan struct{})
	var said time.Time
	stop = sync.OnceValue(func() time.Time {
		close(over)
		<-done
		return said
	})
	t.Cleanup(func() { stop() })
	go func() {
		defer close(done)
		closed := uint64(10)
		for n := uint64(1); ; n++ {
			select {
			case <-over:
				return
			case <-time.After(100 * time.Millisecond):
			}
			if n > closed+10 && s.last() == "m1 0" {
				closed = n + 10
			}
			duty := int64(0)
			if n > closed {
				duty = 400
			}
			b, _ := json.Marshal(wire.Throttle{Motor: "m1", DutyPermille: duty, Boot: "b", Seq: n})
			said = time.Now()
			_ = k.nc.Publish(bus.Throttle(site, "m1"), b)
		}
	}()
	eventually(t, "the motor to be driven", func() bool { return s.last() == "m1 400" })
	return a, k, s, stop
}

// The agent's clock and the bus's part by an hour, back and forth, while it drives: the
// exchange notices, and the throttle does not.
func TestDrivingBearsClockSteps(t *testing.T) {
	t.Parallel()
	stall.Within(t, "stopped after the last command", 500*time.Millisecond, func() time.Duration {
		a, k, s, stop := commanded(t)
		for _, off := range []int64{3_600_000_000, -3_600_000_000, 0} {
			k.mu.Lock()
			k.off = off
			k.mu.Unlock()
			n := len(k.took(wire.KindSync))
			eventually(t, "a clock exchange", func() bool { return len(k.took(wire.KindSync)) > n })
			eventually(t, fmt.Sprintf("the motor to be driven with the clocks %d us apart", off), func() bool { return s.last() == "m1 400" })
		}
		ceased := stop()
		eventually(t, "the motor to stop", func() bool { return s.last() == "m1 0" })
		took := s.stood().Sub(ceased)
		if err := a.end(); err != nil {
			t.Error(err)
		}
		return took
	})
}

// Zero is the first line and the last.
func TestDriverBeginsAndEndsWithZero(t *testing.T) {
	t.Parallel()
	a, _, s, _ := commanded(t)
	if err := a.end(); err != nil {
		t.Error(err)
	}
	if s.lines[0] != "m1 0" || s.last() != "m1 0" {
		t.Errorf("began with %q and ended with %q", s.lines[0], s.last())
	}
	n := len(s.lines)
	time.Sleep(200 * time.Millisecond)
	if len(s.lines) != n {
		t.Error("lines after the end")
	}
}

// A board that takes no lines holds up neither the end nor what else the agent does.
func TestABlockedBoardHoldsNothingUp(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 0, ok)
	s := &slate{block: make(chan struct{})}
	defer close(s.block)
	a := start(t, srv.ClientURL(), func(c *Config) { c.Drive, c.DriveMotors = s, []string{"m1"} })
	a.cross("g1")
	eventually(t, "the crossing", func() bool { return len(k.took(wire.KindCrossing)) == 1 })
	if err := a.end(); err != nil {
		t.Error(err)
	}
	if !strings.Contains(a.out.String(), "its own watchdog") {
		t.Error("nothing is said of it")
	}
}

func TestParseSink(t *testing.T) {
	source, err := ParseSource("serial:/dev/ttyX@9600", nil)
	if err != nil {
		t.Fatal(err)
	}
	if s, err := ParseSink("serial:/dev/ttyX@9600", source, nil); err != nil || s != source.(Sink) {
		t.Errorf("the source's line: %v, %v", s, err)
	}
	if s, err := ParseSink("serial:/dev/ttyY", source, nil); err != nil || s == source.(Sink) {
		t.Errorf("another line: %v, %v", s, err)
	}
	for _, bad := range []string{"serial:/dev/ttyX@115200", "serial:", "tcp:x", ""} {
		if _, err := ParseSink(bad, source, nil); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
