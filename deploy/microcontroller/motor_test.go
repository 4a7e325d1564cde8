package microcontroller

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

// bridge is what the board's PWM pins have, in permille, forward positive.
type bridge struct {
	t  *testing.T
	mu sync.Mutex
	on map[int]int64
	at time.Time // of the last change
}

func watch(t *testing.T, out io.Reader) *bridge {
	b := &bridge{t: t, on: map[int]int64{}}
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			var pin int
			var on int64
			if n, err := fmt.Sscan(s.Text(), &pin, &on); n != 2 || err != nil {
				t.Errorf("the board said %q", s.Text())
			}
			b.mu.Lock()
			b.on[pin], b.at = on, time.Now()
			b.mu.Unlock()
		}
	}()
	return b
}

func (b *bridge) permille() (int64, time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.on) < 2 {
		return -9999, b.at
	}
	return ((b.on[18]-b.on[19])*1000 + 512*sign(b.on[18]-b.on[19])) / 1023, b.at
}

func sign(x int64) int64 {
	switch {
	case x > 0:
		return 1
	case x < 0:
		return -1
	}
	return 0
}

// line is the whole real service, and somebody who drives m1.
type line struct {
	t    *testing.T
	h    *host.Host
	mu   sync.Mutex
	duty int64
}

func (l *line) ask(a wire.DrivingAsk) (r wire.DrivingReply) {
	b, err := json.Marshal(a)
	if err != nil {
		l.t.Fatal(err)
	}
	m, err := l.h.Bus().Request(bus.Question(site, "driving"), b, 5*time.Second)
	if err == nil {
		err = json.Unmarshal(m.Data, &r)
	}
	if err != nil {
		r.Reason = err.Error()
	}
	return r
}

func (l *line) set(duty int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.duty = duty
}

// drive arms the motor and opens the throttle to what was set, when that changes, until
// over is closed.
func (l *line) drive(over <-chan struct{}) {
	hold, was := "", int64(-1)
	for {
		l.mu.Lock()
		duty := l.duty
		l.mu.Unlock()
		a := wire.DrivingAsk{Do: wire.DriveHold, Hold: hold}
		if duty != was {
			a.Do, a.RampS, a.Duties = wire.DriveThrottle, 0.1, map[string]int64{"m1": duty}
		}
		if r := l.ask(a); r.OK {
			was = duty
		} else {
			hold = l.ask(wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, TakeOver: true, Motors: []string{"m1"}}).Hold
		}
		select {
		case <-over:
			return
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// The motor's board: at rest at its start, driven both ways, its counts and throttle in
// the journal; and at rest within half a second when the network goes, when its own loop
// hangs, and when the service stops.
func TestTheMotorExampleWorks(t *testing.T) {
	h, err := host.Open(host.Config{Data: t.TempDir(), Site: site, WebPort: -1, MQTTPort: -1})
	if err != nil {
		t.Fatal(err)
	}
	stop := sync.OnceFunc(func() {
		if err := h.Stop(); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(stop)
	c, err := h.Agents.Add(wire.Credential{Agent: "loco-1", Motors: []string{"m1"}})
	if err != nil {
		t.Fatal(err)
	}
	k := &book{t: t, nc: h.Bus()}
	l := &line{t: t, h: h}
	value, err := json.Marshal(wire.NamedMotor{ID: "m1", Name: "On the bench"})
	if err != nil {
		t.Fatal(err)
	}
	seq := uint64(1)
	e, err := json.Marshal(wire.Event{Kind: wire.KindDecision, Agent: "book", Boot: "b", Seq: &seq, AtUs: time.Now().UnixMicro(), ID: "motor-m1", By: "test", What: wire.WhatMotor, Value: value})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.Bus().Request(bus.Internal(site, wire.KindDecision, "motor-m1"), e, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	in, out := board(t, "motor.ino", h.MQTTPort(), c.Password)
	b := watch(t, out)
	do := func(letter string) {
		t.Helper()
		if _, err := io.WriteString(in, letter); err != nil {
			t.Fatal(err)
		}
	}
	reaches := func(want int64) time.Time {
		t.Helper()
		k.eventually(fmt.Sprintf("the bridge to have %d", want), func() bool { got, _ := b.permille(); return got == want })
		_, at := b.permille()
		return at
	}
	stops := func(what string, since time.Time) {
		t.Helper()
		took := reaches(0).Sub(since)
		t.Logf("%s: at rest %d ms later", what, took.Milliseconds())
		if took > 500*time.Millisecond {
			t.Errorf("%s: at rest only %s later", what, took)
		}
	}
	reaches(0)
	k.eventually("a reading", func() bool { return len(k.events(wire.KindMotor)) > 0 })
	over, done := make(chan struct{}), make(chan struct{})
	go func() { defer close(done); l.drive(over) }()
	t.Cleanup(func() { close(over); <-done })
	time.Sleep(300 * time.Millisecond)
	again := func(duty int64) {
		t.Helper()
		l.set(0)
		time.Sleep(400 * time.Millisecond)
		l.set(duty)
		reaches(duty)
	}
	again(-300)
	again(400)
	do("bfb")
	k.eventually("counts and throttle in the journal", func() bool {
		all := k.events(wire.KindMotor)
		s := all[len(all)-1].Samples[0]
		return *s.Counts == 3 && *s.DutyPermille == 400
	})
	gone := time.Now()
	do("d")
	stops("network gone", gone)
	do("u")
	time.Sleep(1500 * time.Millisecond)
	if got, _ := b.permille(); got != 0 {
		t.Errorf("the network came back, and the bridge has %d", got)
	}
	again(400)
	hangs := time.Now()
	do("z")
	stops("loop hangs", hangs)
	time.Sleep(time.Second)
	again(400)
	ended := time.Now()
	stop()
	stops("service ended", ended)
}
