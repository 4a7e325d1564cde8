package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
	"rainhill/testdata/stall"
)

// asService has the test binary be the whole service, on that folder, as a process that
// can be killed.
const asService = "RAINHILL_SERVICE_TEST_MAIN"

// serveAndDrive runs the service and tells its port and the password of loco-1. Each line
// of input is a throttle for motor m1, told again when it is commanded.
func serveAndDrive(data string) {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	h, err := host.Open(host.Config{Data: data, Site: site, WebPort: -1, NATSPort: -1})
	fail(err)
	c, err := h.Agents.Add(wire.Credential{Agent: "loco-1", Motors: []string{"m1"}})
	fail(err)
	fmt.Println(h.NATSPort(), c.Password)
	d := &desk{h: h}
	go d.stay(nil)
	for {
		var duty int64
		_, err := fmt.Scan(&duty)
		fail(err)
		fail(d.set(duty))
		fmt.Println(duty)
	}
}

// desk is an official at a service, who drives m1.
type desk struct {
	h    *host.Host
	mu   sync.Mutex
	hold string
}

// desk is there until the test ends.
func (s *service) desk() *desk {
	d := &desk{h: s.host}
	over, done := make(chan struct{}), make(chan struct{})
	go func() { defer close(done); d.stay(over) }()
	s.t.Cleanup(func() { close(over); <-done })
	return d
}

func (d *desk) token() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.hold
}

// stay says that the official is there until over is closed.
func (d *desk) stay(over <-chan struct{}) {
	for {
		_, _ = ask(d.h, wire.DrivingAsk{Do: wire.DriveHold, Hold: d.token()})
		select {
		case <-over:
			return
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// set returns when the service commands duty. Authority that is not there, or was lost,
// is taken.
func (d *desk) set(duty int64) error {
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		r, err := ask(d.h, wire.DrivingAsk{Do: wire.DriveThrottle, Hold: d.token(), RampS: 0.2, Duties: map[string]int64{"m1": duty}})
		if err == nil && r.OK && r.Driving.Motors[0].DutyPermille == duty {
			return nil
		}
		if err != nil || !r.OK {
			r, err = d.arm()
		}
		if time.Now().After(end) {
			return fmt.Errorf("driving with %d: %v %s", duty, err, r.Reason)
		}
	}
}

// arm puts motor m1 into the roster and asks for authority over it.
func (d *desk) arm() (r wire.DrivingReply, err error) {
	value, err := json.Marshal(wire.NamedMotor{ID: "m1", Name: "On the bench"})
	if err != nil {
		return r, err
	}
	seq := uint64(1)
	e, err := json.Marshal(wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b1", Seq: &seq, AtUs: time.Now().UnixMicro(), ID: "motor-m1", By: "test", What: wire.WhatMotor, Value: value})
	if err != nil {
		return r, err
	}
	if _, err := d.h.Bus().Request(bus.Internal(site, wire.KindDecision, "motor-m1"), e, patience); err != nil {
		return r, err
	}
	r, err = ask(d.h, wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, TakeOver: true, Motors: []string{"m1"}})
	d.mu.Lock()
	defer d.mu.Unlock()
	d.hold = r.Hold
	return r, err
}

// opens has a motor driven with duty, as an official does who sees it stand: where a
// hold-up of the machine has stopped it, the throttle is closed and opened again.
func opens(t *testing.T, set func(int64) error, duty int64, driven func() bool) {
	t.Helper()
	must := func(duty int64) {
		if err := set(duty); err != nil {
			t.Fatal(err)
		}
	}
	for end := time.Now().Add(patience); time.Now().Before(end); must(0) {
		must(duty)
		for soon := time.Now().Add(2 * time.Second); time.Now().Before(soon); time.Sleep(5 * time.Millisecond) {
			if driven() {
				return
			}
		}
	}
	t.Fatalf("waited %s in vain for the motor to be driven with %d", patience, duty)
}

func ask(h *host.Host, a wire.DrivingAsk) (r wire.DrivingReply, err error) {
	b, err := json.Marshal(a)
	if err != nil {
		return r, err
	}
	m, err := h.Bus().Request(bus.Question(site, "driving"), b, patience)
	if err != nil {
		return r, err
	}
	return r, json.Unmarshal(m.Data, &r)
}

// atRest is how soon after an event the motor is promised to have its zero.
const atRest = 500 * time.Millisecond

// lapse is how long a board drives on without a line.
const lapse = 400 * time.Millisecond

// board is what stands behind the agent's standard output: it takes lines, and stops
// its motor by itself.
type board struct {
	t    *testing.T
	mu   sync.Mutex
	duty int64
	at   time.Time // of the last change
	log  []string
}

func newBoard(t *testing.T) (b *board, pipe io.Writer) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	b = &board{t: t}
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- s.Text()
		}
	}()
	go b.run(lines)
	t.Cleanup(func() { _ = w.Close(); _ = r.Close() })
	return b, w
}

func (b *board) run(lines <-chan string) {
	watchdog, last := time.NewTimer(lapse), time.Now()
	for {
		select {
		case l, more := <-lines:
			if !more {
				lines = nil // a pipe that breaks says nothing: the watchdog acts
				continue
			}
			var id string
			var duty int64
			if n, err := fmt.Sscan(l, &id, &duty); n != 2 || err != nil || id != "m1" {
				b.t.Errorf("the board got %q", l)
			}
			last = time.Now()
			b.set(duty, l, last)
			watchdog.Reset(lapse)
		case <-watchdog.C:
			b.set(0, "watchdog", last.Add(lapse)) // a board's is hardware, and not late
			if lines == nil {
				return
			}
		}
	}
}

func (b *board) set(duty int64, why string, at time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.log) == 0 || duty != b.duty {
		b.duty, b.at = duty, at
		b.log = append(b.log, why)
	}
}

func (b *board) has() (duty int64, at time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.duty, b.at
}

func (b *board) reaches(duty int64) time.Time {
	b.t.Helper()
	eventually(b.t, fmt.Sprintf("the board to have %d", duty), func() bool { d, _ := b.has(); return d == duty })
	_, at := b.has()
	return at
}

// driven has an official drive the motor with 400 permille.
func (b *board) driven(set func(int64) error) {
	b.t.Helper()
	opens(b.t, set, 400, func() bool { d, _ := b.has(); return d == 400 })
}

// agentOf starts an agent that drives the board.
func agentOf(t *testing.T, server, password string) (*board, *process) {
	t.Helper()
	b, out := newBoard(t)
	p := startInto(t, out, server, password, t.TempDir(), "motor", "--agent", "loco-1", "--motor", "m1", "--drive", "-")
	p.says("joined the bus") // who comes later waits for a throttle of 0
	b.reaches(0)
	return b, p
}

// The agent is killed, and cannot tidy up: the board stops by its own watchdog.
func TestMotorStopsWhenItsAgentIsKilled(t *testing.T) {
	t.Parallel()
	s := newService(t)
	pw, d := s.admit("loco-1", nil, []string{"m1"}), s.desk()
	stall.Within(t, "from the agent's death to the motor's zero", atRest, func() time.Duration {
		b, p := agentOf(t, s.address(), pw)
		b.driven(d.set)
		killed := time.Now()
		p.kill()
		return b.reaches(0).Sub(killed)
	})
}

// The service's process is killed while it drives.
func TestMotorStopsWhenTheServiceIsKilled(t *testing.T) {
	t.Parallel()
	stall.Within(t, "from the service's death to the motor's zero", atRest, func() time.Duration {
		exe, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), asService+"="+t.TempDir())
		cmd.Stderr = os.Stderr
		pipe, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		out := bufio.NewReader(pipe)
		in, err := cmd.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
		var port int
		var password string
		if _, err := fmt.Fscan(out, &port, &password); err != nil {
			t.Fatal(err)
		}
		b, p := agentOf(t, fmt.Sprintf("nats://127.0.0.1:%d", port), password)
		defer p.kill()
		b.driven(func(duty int64) error {
			_, err := fmt.Fprintln(in, duty)
			if err == nil {
				_, err = fmt.Fscan(out, &duty)
			}
			return err
		})
		killed := time.Now()
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		took := b.reaches(0).Sub(killed)
		p.says("connection to the bus lost")
		return took
	})
}

// cable lies between agent and bus: cut, it says nothing and closes nothing. What the
// agent says is slow to arrive.
type cable struct {
	l    net.Listener
	slow time.Duration
	cut  atomic.Bool
	mu   sync.Mutex
	all  []net.Conn
}

func newCable(t *testing.T, to string, slow time.Duration) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{l: l, slow: slow}
	t.Cleanup(func() { _ = l.Close(); c.close() })
	go func() {
		for {
			a, err := l.Accept()
			if err != nil {
				return
			}
			b, err := net.Dial("tcp", strings.TrimPrefix(to, "nats://"))
			if err != nil {
				_ = a.Close()
				continue
			}
			c.mu.Lock()
			c.all = append(c.all, a, b)
			c.mu.Unlock()
			go c.carry(a, b, c.slow)
			go c.carry(b, a, 0)
		}
	}()
	return c
}

func (c *cable) carry(from, to net.Conn, slow time.Duration) {
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		if err != nil {
			_ = to.Close()
			return
		}
		time.Sleep(slow)
		if !c.cut.Load() {
			_, _ = to.Write(buf[:n])
		}
	}
}

func (c *cable) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, x := range c.all {
		_ = x.Close()
	}
}

// Joined means that throttles are heard, though the bus hears of that later than the agent
// says it: who drives from then on drives.
func TestDrivesFromTheMomentItJoins(t *testing.T) {
	t.Parallel()
	s := newService(t)
	pw, d := s.admit("loco-1", nil, []string{"m1"}), s.desk()
	stall.Judge(t, func() error {
		c := newCable(t, s.address(), 150*time.Millisecond)
		b, p := agentOf(t, "nats://"+c.l.Addr().String(), pw)
		defer p.kill()
		deaf := func() bool { return strings.Contains(p.said.String(), "stays at 0") }
		eventually(t, "the motor to be driven, or not", func() bool {
			if err := d.set(400); err != nil {
				t.Fatal(err)
			}
			duty, _ := b.has()
			return duty == 400 || deaf()
		})
		if deaf() {
			return errors.New("it said that it had joined, and had not heard the first throttle of 0")
		}
		return nil
	})
}

// The bus is lost: the cable goes dead without a word; the connection breaks.
func TestMotorStopsWhenTheBusIsLost(t *testing.T) {
	t.Parallel()
	for name, lose := range map[string]func(*cable){"cable cut": func(c *cable) { c.cut.Store(true) }, "connection broken": (*cable).close} {
		t.Run(name, func(t *testing.T) {
			s := newService(t)
			pw, d := s.admit("loco-1", nil, []string{"m1"}), s.desk()
			stall.Within(t, "from the loss to the motor's zero", atRest, func() time.Duration {
				c := newCable(t, s.address(), 0)
				b, p := agentOf(t, "nats://"+c.l.Addr().String(), pw)
				defer p.kill()
				b.driven(d.set)
				lost := time.Now()
				lose(c)
				took := b.reaches(0).Sub(lost)
				if name == "connection broken" { // it comes back by itself, the motor does not
					eventually(t, "the agent to be back", func() bool { return strings.Count(p.said.String(), "joined the bus") == 2 })
					time.Sleep(500 * time.Millisecond)
					if d, _ := b.has(); d != 0 {
						t.Errorf("the bus came back, and the board has %d", d)
					}
				}
				return took
			})
		})
	}
}

// The driving service's stop and the host's end reach the board at once.
func TestMotorStopsWithTheService(t *testing.T) {
	t.Parallel()
	s := newService(t)
	b, _ := agentOf(t, s.address(), s.admit("loco-1", nil, []string{"m1"}))
	d := s.desk()
	stall.Within(t, "from stop all to the motor's zero", atRest, func() time.Duration {
		b.driven(d.set)
		stopped := time.Now()
		if r, err := ask(s.host, wire.DrivingAsk{Do: wire.DriveStop}); err != nil || !r.OK {
			t.Fatalf("%+v, %v", r, err)
		}
		return b.reaches(0).Sub(stopped)
	})
	stall.Within(t, "from the service's end to the motor's zero", atRest, func() time.Duration {
		if s.host == nil { // the try before has ended it
			s.open()
			d = s.desk()
		}
		b.driven(d.set)
		ended := time.Now()
		s.stop()
		return b.reaches(0).Sub(ended)
	})
}
