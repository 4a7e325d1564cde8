package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// benchMotor is a motor of 3 ohm, 0.009 V s and 60 mA with a load that grows with speed, and
// its agent: it has the throttle that a hand or the bus gives it, and reports.
type benchMotor struct {
	mu       sync.Mutex
	permille float64
	loadMnm  float64 // at 500 rad/s
	turns    float64
	heard    int
}

const boardOhm, boardKVS, boardFreeA, boardSupplyV, boardCounts = 3, 0.009, 0.06, 8, 400

func (b *benchMotor) set(permille, loadMnm float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.permille, b.loadMnm = permille, loadMnm
}

func (b *benchMotor) throttle(m *nats.Msg) {
	if t, err := wire.DecodeThrottle(m.Data); err == nil {
		b.mu.Lock()
		b.permille, b.heard = float64(t.DutyPermille), b.heard+1
		b.mu.Unlock()
	}
}

// reading moves the motor on by dt and reports. With torque T = g w, the balance
// U = R (I0 + g w / k) + k w gives its speed.
func (b *benchMotor) reading(dt float64, atUs int64) wire.Sample {
	b.mu.Lock()
	defer b.mu.Unlock()
	u, g := boardSupplyV*b.permille/1000, b.loadMnm/1000/500
	w := max(0, (u-boardOhm*boardFreeA)/(boardKVS+boardOhm*g/boardKVS))
	amps := boardFreeA + g*w/boardKVS
	if w == 0 {
		amps = u / boardOhm
	}
	b.turns += w * dt / (2 * math.Pi)
	counts, ma, mv, duty := int64(b.turns*boardCounts), int64(math.Round(1000*amps)), int64(1000*boardSupplyV), int64(b.permille)
	return wire.Sample{AtUs: atUs, Counts: &counts, CurrentMa: &ma, VoltageMv: &mv, DutyPermille: &duty}
}

// run reports 20 times a second until ctx is done.
func (b *benchMotor) run(ctx context.Context, nc *nats.Conn) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	last := time.Now()
	for seq := uint64(1); ; seq++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		now := time.Now()
		s := b.reading(now.Sub(last).Seconds(), now.UnixMicro())
		last = now
		e := wire.Event{Kind: wire.KindMotor, Agent: "board", Boot: "b", Seq: &seq, AtUs: s.AtUs, Motor: "m1", Samples: []wire.Sample{s}}
		msg, err := json.Marshal(e)
		if err == nil {
			_ = nc.Publish(bus.Internal("line", e.Kind, e.Source()), msg) // one that is lost is as on a bus
		}
	}
}

// TestSweepIsGuided runs a sweep from the page at two loads: the first by a hand that
// follows what the page calls out, the second driven by the service; and keeps the curve.
func TestSweepIsGuided(t *testing.T) {
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	s := &shed{t: t, h: h, w: &writer{t: t, nc: h.Bus(), site: "line"}}
	s.w.decide(wire.WhatCircuit, "", wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 8000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}})
	s.w.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Wren", MassG: 900, DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: boardCounts}}})
	s.w.decide(wire.WhatSession, "", wire.Session{ID: "s1", Name: "Bench evening", Circuit: "oval"})
	b := &benchMotor{}
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { b.run(ctx, h.Bus()) })
	t.Cleanup(func() { stop(); wg.Wait() })
	sub, err := h.Bus().Subscribe(bus.Throttle("line", "m1"), b.throttle)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sub.Unsubscribe() })
	s.office("/motors")
	for name, v := range map[string]string{"sweep-from_permille": "30", "sweep-to_permille": "80", "sweep-steps": "3", "sweep-hold_s": "3"} {
		s.put(name, v)
	}
	s.byHand(b)
	s.byService(b)
	s.press(".guide-steps", "Fit the curves")
	s.wait(`document.querySelector('[data-fitted=m1] [data-plot=current] .sign') || document.querySelector('.guide-steps .refusal')`)
	if why := s.text(".guide-steps .refusal"); why != "" {
		t.Fatal(why)
	}
	s.press("[data-fitted=m1]", "Keep with the motor")
	s.shows("[data-fitted=m1]", "Kept with the motor")
	m := s.book().NamedMotors // it had no name in the roster: it is made
	if len(m) != 1 || m[0].ID != "m1" || m[0].Curve == nil || len(m[0].Curve.Trials) != 2 {
		t.Fatalf("the book has %+v", m)
	}
	c := m[0].Curve
	if math.Abs(*c.ResistanceOhm.Value-boardOhm) > 0.15 || math.Abs(*c.KVS.Value/boardKVS-1) > 0.02 || len(c.Steps) < 8 {
		t.Errorf("R = %g ohm of %g, k = %g of %g V s, from %d steps", *c.ResistanceOhm.Value, float64(boardOhm), *c.KVS.Value, boardKVS, len(c.Steps))
	}
	s.audited(len(c.Steps))
}

// audited reads the curve's decision in the audit: constants one by one, steps folded.
func (s *shed) audited(steps int) {
	s.t.Helper()
	chrome.Eval[bool](s.t, s.ctx, `(location.hash = 'audit', true)`)
	s.wait(`document.querySelector('.deeds li button')`)
	chrome.Eval[bool](s.t, s.ctx, `(document.querySelector('.deeds li button').click(), true)`)
	s.wait(`document.querySelector('.deeds table.value')`)
	shown := chrome.Eval[string](s.t, s.ctx, `document.querySelector('.deeds li').innerText`)
	for _, want := range []string{"curve, R in Ω, value", "curve, trial 1", "curve, trial 2", "curve, steps: ", "curve, covariance: ", "curve, doubt 1"} {
		if !strings.Contains(shown, want) {
			s.t.Errorf("the audit does not say %q: %s", want, shown)
		}
	}
	if strings.Contains(shown, "train") || strings.Contains(shown, "curve, step 1") {
		s.t.Errorf("the audit says %s", shown)
	}
	chrome.Eval[bool](s.t, s.ctx, `([...document.querySelectorAll('.deeds details')].forEach(d => d.open = true), true)`)
	s.wait(fmt.Sprintf(`document.querySelector('.deeds li').innerText.includes('curve, step %d, speed in rad/s')`, steps))
}

// byHand follows the page's calls with the wheels free.
func (s *shed) byHand(b *benchMotor) {
	s.t.Helper()
	s.press("[data-load=free]", "Open its trial")
	s.wait(`document.querySelector('[data-load=light] .note a')`)
	chrome.Do(s.t, s.ctx, "going to the trial that is in the way", chrome.Click("[data-load=light] .note a"))
	s.wait(`rainhill.view === 'book' && (b => b && b.top >= 0 && b.bottom <= innerHeight)(document.querySelector('[data-line^=wren]')?.getBoundingClientRect())`)
	chrome.Eval[bool](s.t, s.ctx, `(location.hash = 'motors', true)`)
	// The page itself keeps what it calls out, and whether the readings follow: a look may come too late.
	chrome.Eval[bool](s.t, s.ctx, `(window.called = [], window.seen = false, new MutationObserver(() => {
		const now = document.querySelector('.call-now'), v = now?.dataset.permille ?? (now?.innerText.includes('Close the throttle') ? 'close' : '');
		if (v && v !== called.at(-1)) called.push(v);
		seen ||= /80 %.*mm\/s.*mA.*8\.00 V/s.test(document.querySelector('.readings')?.innerText);
	}).observe(document.body, {subtree: true, childList: true, characterData: true, attributes: true}), true)`)
	s.press("[data-load=free]", "Call out the steps")
	last := ""
	for end := time.Now().Add(time.Minute); last != "close" && time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		last = chrome.Eval[string](s.t, s.ctx, `called.at(-1) ?? ''`)
		if v, err := strconv.ParseFloat(last, 64); err == nil {
			b.set(v, 0.4)
		}
	}
	if got := chrome.Eval[string](s.t, s.ctx, `called.join(' ')`); got != "300 550 800 550 300 close" {
		s.t.Fatalf("the page called out %s", got)
	}
	if !chrome.Eval[bool](s.t, s.ctx, `seen`) {
		s.t.Error("the readings at 80 % were not shown")
	}
	b.set(0, 0.4)
	s.press("[data-load=free]", "Close its trial")
	s.wait(`document.querySelector('[data-load=free]').innerText.includes('Run it again')`)
	var v wire.View
	if err := json.Unmarshal(get(s.t, s.h.URL+"/api/view"), &v); err != nil || len(v.Trials) != 1 || v.Trials[0].Conditions["wheels"] != "free" {
		s.t.Errorf("the trials are %+v, %v", v.Trials, err)
	}
}

// byService takes authority and has the service drive the sweep, light.
func (s *shed) byService(b *benchMotor) {
	s.t.Helper()
	b.set(0, 3)
	s.press("[data-load=light]", "Open its trial")
	s.wait(`document.querySelector('[data-load=light] a[href="#drive"]')`)
	x := &desk{&track{t: s.t, h: s.h, ctx: s.ctx}, ""}
	x.anew(func() bool {
		x.to("drive")
		x.shows(`document.querySelector('#desk, #arm-form')`)
		if chrome.Eval[bool](s.t, s.ctx, `!document.querySelector('#desk')`) {
			x.arm()
		}
		chrome.Eval[bool](s.t, s.ctx, `(called.length = 0, location.hash = 'motors', true)`)
		return x.sees(`(b => b && (b.click(), true))([...document.querySelectorAll('[data-load=light] button:enabled')].find(b => b.innerText === 'Let the service drive the sweep'))`) &&
			x.sees(`called.includes('800')`) && x.sees(`document.querySelector('[data-load=light]').innerText.includes('driven it to its end')`)
	})
	s.press("[data-load=light]", "Close its trial")
	s.wait(`document.querySelector('[data-load=light]').innerText.includes('Run it again')`)
}
