package main

import (
	"bufio"
	"encoding/json"
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
)

// asService has the test binary be the whole service, on that folder, as a process that
// can be killed.
const asService = "RAINHILL_SERVICE_TEST_MAIN"

// serveAndDrive runs the service, tells its port and the password of loco-1, and from a
// line of input on drives motor m1 with 400 permille as long as it lives.
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
	_, err = bufio.NewReader(os.Stdin).ReadString('\n') // until the agent is there
	fail(err)
	fail(arm(h))
	for {
		fail(drive(h, 400))
		time.Sleep(200 * time.Millisecond)
	}
}

var holds sync.Map // tokens by host

// arm puts motor m1 into the roster and takes authority over it.
func arm(h *host.Host) error {
	value, err := json.Marshal(wire.NamedMotor{ID: "m1", Name: "On the bench"})
	if err != nil {
		return err
	}
	seq := uint64(1)
	e, err := json.Marshal(wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b1", Seq: &seq, AtUs: time.Now().UnixMicro(), ID: "motor-m1", By: "test", What: wire.WhatMotor, Value: value})
	if err != nil {
		return err
	}
	if _, err := h.Bus().Request(bus.Internal(site, wire.KindDecision, "motor-m1"), e, patience); err != nil {
		return err
	}
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) { // until the roster has it
		r, err := ask(h, wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, TakeOver: true, Motors: []string{"m1"}})
		if err == nil && r.OK {
			holds.Store(h, r.Hold)
			return nil
		}
		if time.Now().After(end) {
			return fmt.Errorf("arming: %w %s", err, r.Reason)
		}
	}
}

func drive(h *host.Host, duty int64) error {
	hold, _ := holds.Load(h)
	r, err := ask(h, wire.DrivingAsk{Do: wire.DriveThrottle, Hold: hold.(string), RampS: 0.2, Duties: map[string]int64{"m1": duty}})
	if err == nil && !r.OK {
		err = fmt.Errorf("driving: %s", r.Reason)
	}
	return err
}

func ask(h *host.Host, a wire.DrivingAsk) (r wire.DrivingReply, err error) {
	b, err := json.Marshal(a)
	if err != nil {
		return r, err
	}
	m, err := h.Bus().Request(bus.Question(site, "driving"), b, 2*time.Second)
	if err != nil {
		return r, err
	}
	return r, json.Unmarshal(m.Data, &r)
}

// driven arms m1 in a service of this process and drives it until the test ends; set
// changes the throttle.
func (s *service) driven(permille int64) (set func(int64)) {
	s.t.Helper()
	if err := arm(s.host); err != nil {
		s.t.Fatal(err)
	}
	over, done := make(chan struct{}), make(chan struct{})
	h := s.host
	var duty atomic.Int64
	duty.Store(permille)
	go func() {
		defer close(done)
		for {
			_ = drive(h, duty.Load())
			select {
			case <-over:
				return
			case <-time.After(200 * time.Millisecond):
			}
		}
	}()
	s.t.Cleanup(func() { close(over); <-done })
	return duty.Store
}

// board is what stands behind the agent's standard output: it takes lines, and stops
// its motor when none came for 400 ms.
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
	watchdog := time.NewTimer(400 * time.Millisecond)
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
			b.set(duty, l)
			watchdog.Reset(400 * time.Millisecond)
		case <-watchdog.C:
			b.set(0, "watchdog")
			if lines == nil {
				return
			}
		}
	}
}

func (b *board) set(duty int64, why string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.log) == 0 || duty != b.duty {
		b.duty, b.at = duty, time.Now()
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

// stops wants the motor at rest within half a second of an event.
func (b *board) stops(what string, since time.Time) {
	b.t.Helper()
	took := b.reaches(0).Sub(since)
	b.t.Logf("%s: the motor had its zero %d ms later", what, took.Milliseconds())
	if took > 500*time.Millisecond {
		b.t.Errorf("%s: the motor had its zero only %s later", what, took)
	}
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
	b, p := agentOf(t, s.address(), s.admit("loco-1", nil, []string{"m1"}))
	s.driven(400)
	b.reaches(400)
	killed := time.Now()
	p.kill()
	b.stops("agent killed", killed)
}

// The service's process is killed while it drives.
func TestMotorStopsWhenTheServiceIsKilled(t *testing.T) {
	t.Parallel()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), asService+"="+t.TempDir())
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
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
	if _, err := io.WriteString(in, "drive\n"); err != nil {
		t.Fatal(err)
	}
	b.reaches(400)
	killed := time.Now()
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	b.stops("service killed", killed)
	p.says("the bus is lost")
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
	c := newCable(t, s.address(), 150*time.Millisecond)
	b, _ := agentOf(t, "nats://"+c.l.Addr().String(), s.admit("loco-1", nil, []string{"m1"}))
	s.driven(400)
	b.reaches(400)
}

// The bus is lost: the cable goes dead without a word; the connection breaks.
func TestMotorStopsWhenTheBusIsLost(t *testing.T) {
	t.Parallel()
	for name, lose := range map[string]func(*cable){"cable cut": func(c *cable) { c.cut.Store(true) }, "connection broken": (*cable).close} {
		t.Run(name, func(t *testing.T) {
			s := newService(t)
			c := newCable(t, s.address(), 0)
			b, _ := agentOf(t, "nats://"+c.l.Addr().String(), s.admit("loco-1", nil, []string{"m1"}))
			s.driven(400)
			b.reaches(400)
			lost := time.Now()
			lose(c)
			b.stops(name, lost)
			if name == "connection broken" { // it comes back by itself, the motor does not
				time.Sleep(1500 * time.Millisecond)
				if d, _ := b.has(); d != 0 {
					t.Errorf("the bus came back, and the board has %d", d)
				}
			}
		})
	}
}

// The driving service's stop and the host's end reach the board at once.
func TestMotorStopsWithTheService(t *testing.T) {
	t.Parallel()
	s := newService(t)
	b, _ := agentOf(t, s.address(), s.admit("loco-1", nil, []string{"m1"}))
	s.driven(400)
	b.reaches(400)
	stopped := time.Now()
	if r, err := ask(s.host, wire.DrivingAsk{Do: wire.DriveStop}); err != nil || !r.OK {
		t.Fatalf("%+v, %v", r, err)
	}
	b.stops("stop all", stopped)
	if err := arm(s.host); err != nil {
		t.Fatal(err)
	}
	b.reaches(400)
	ended := time.Now()
	s.stop()
	b.stops("service ended", ended)
}
