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
	"rainhill/testdata/relay"
	"rainhill/testdata/stall"
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
			if pin < 0 {
				continue
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

// line is the whole real service, and an official who drives m1.
type line struct {
	t    *testing.T
	h    *host.Host
	mu   sync.Mutex
	hold string
}

func (l *line) ask(a wire.DrivingAsk) (r wire.DrivingReply) {
	l.mu.Lock()
	a.Hold = l.hold
	l.mu.Unlock()
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

// stay says that the official is there until over is closed.
func (l *line) stay(over <-chan struct{}) {
	for {
		l.ask(wire.DrivingAsk{Do: wire.DriveHold})
		select {
		case <-over:
			return
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// commands is whether the service commands duty by now, which is asked of it. Authority
// that is not there, or was lost, is taken.
func (l *line) commands(duty int64) bool {
	r := l.ask(wire.DrivingAsk{Do: wire.DriveThrottle, RampS: 0.1, Duties: map[string]int64{"m1": duty}})
	if r.OK {
		return r.Driving.Motors[0].DutyPermille == duty
	}
	r = l.ask(wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, TakeOver: true, Motors: []string{"m1"}})
	l.mu.Lock()
	defer l.mu.Unlock()
	l.hold = r.Hold
	return false
}

// The motor's board: at rest at its start, driven both ways, its counts and throttle in
// the journal; and at rest within half a second when the network goes, when its own loop
// hangs, and when the service stops.
func TestTheMotorExampleWorks(t *testing.T) {
	data, way := t.TempDir(), relay.New(t)
	k, l := &book{t: t}, &line{t: t}
	stop := func() {}
	t.Cleanup(func() { stop() })
	open := func() {
		t.Helper()
		h, err := host.Open(host.Config{Data: data, Site: site, WebPort: -1, MQTTPort: -1})
		if err != nil {
			t.Fatal(err)
		}
		k.nc, l.h = h.Bus(), h
		way.To(h.MQTTPort())
		over, done := make(chan struct{}), make(chan struct{})
		go func() { defer close(done); l.stay(over) }()
		stop = sync.OnceFunc(func() {
			way.To(0)
			if err := h.Stop(); err != nil {
				t.Error(err)
			}
			close(over)
			<-done
		})
	}
	open()
	h := l.h
	c, err := h.Agents.Add(wire.Credential{Agent: "loco-1", Motors: []string{"m1"}})
	if err != nil {
		t.Fatal(err)
	}
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
	in, out := board(t, "motor.ino", way.Port, c.Password)
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
	reaches(0)
	k.eventually("a reading", func() bool { return len(k.events(wire.KindMotor)) > 0 })
	// driven goes on as an official does who sees the motor stand: where a hold-up of the
	// machine has stopped it, the throttle is closed and opened again.
	driven := func(duty int64) {
		t.Helper()
		k.eventually(fmt.Sprintf("the bridge to have %d", duty), func() bool {
			for _, d := range []int64{0, duty} {
				k.eventually(fmt.Sprintf("the service to command %d", d), func() bool { return l.commands(d) })
			}
			for soon := time.Now().Add(2 * time.Second); time.Now().Before(soon); time.Sleep(5 * time.Millisecond) {
				if got, _ := b.permille(); got == duty {
					return true
				}
			}
			return false
		})
	}
	driven(-300)
	driven(400)
	do("bfb")
	k.eventually("counts and throttle in the journal", func() bool {
		all, had := k.events(wire.KindMotor), false
		for _, e := range all {
			had = had || *e.Samples[0].DutyPermille == 400
		}
		return had && *all[len(all)-1].Samples[0].Counts == 3
	})
	const atRest = 500 * time.Millisecond
	stall.Within(t, "from the network's going to the motor's rest", atRest, func() time.Duration {
		driven(400)
		gone := time.Now()
		do("d")
		took, told := reaches(0).Sub(gone), len(k.events(wire.KindMotor))
		do("u")
		k.eventually("the board to be back", func() bool { return len(k.events(wire.KindMotor)) > told })
		return took
	})
	time.Sleep(time.Second)
	if got, _ := b.permille(); got != 0 {
		t.Errorf("the network came back, and the bridge has %d", got)
	}
	stall.Within(t, "from the loop's hang to the motor's rest", atRest, func() time.Duration {
		driven(400)
		hangs := time.Now()
		do("z")
		return reaches(0).Sub(hangs)
	})
	stall.Within(t, "from the service's end to the motor's rest", atRest, func() time.Duration {
		if k.nc.IsClosed() { // the try before has ended it
			open()
		}
		driven(400)
		ended := time.Now()
		stop()
		return reaches(0).Sub(ended)
	})
}
