package main

import (
	"context"
	"encoding/json"
	"os"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// shortDay is a locomotive that runs twice, and one that runs all the while.
const shortDay = `# Two trials of one locomotive, and one that stays open
like = "clean"
minutes = 1

[[train]]
trial = "early"
to_s = 12
start_mm = 300
throttle = [[0.5, 600]]
[train.locomotive]
id = "heron"
mass_g = 2840
length_mm = 430
set = [{ id = "front", motor = "heron-front", weight_g = 2600 }]

[[train]]
trial = "late"
same_as = "early"
from_s = 14
to_s = 50
start_mm = 300
throttle = [[0.5, 600]]

[[train]]
trial = "other"
start_mm = 4000
throttle = [[0.5, 600]]
[train.locomotive]
id = "otter"
mass_g = 2310
length_mm = 360
set = [{ id = "front", motor = "otter-front", weight_g = 2100 }]
`

// Trials of a demo are open while their trains run: one that is to come is not in the book
// yet, one that is over has its end, and what an official changed of it stays.
func TestDemoOfficiates(t *testing.T) {
	s, err := sim.Read("short.toml", []byte(shortDay))
	if err != nil {
		t.Fatal(err)
	}
	h := openHost(t, t.TempDir(), "demo")
	defer stopHost(t, h)
	h.Start("simulated railway", func(ctx context.Context, nc *nats.Conn) error { return playDemo(ctx, nc, "demo", s, 1, false) })
	view := func() (v wire.View, at map[string]wire.Trial) {
		if err := json.Unmarshal(get(t, h.URL+"/api/view"), &v); err != nil {
			t.Fatal(err)
		}
		at = map[string]wire.Trial{}
		for _, x := range v.Trials {
			at[x.ID] = x
		}
		return v, at
	}
	until := func(what string, ok func(map[string]wire.Trial) bool) map[string]wire.Trial {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
			if _, at := view(); ok(at) {
				return at
			}
		}
		_, at := view()
		t.Fatalf("%s: %+v", what, at)
		return nil
	}
	at := until("two trials open", func(at map[string]wire.Trial) bool { return len(at) == 2 })
	if at["early"].ToUs != 0 || at["other"].ToUs != 0 || at["late"].ID != "" {
		t.Errorf("at the beginning: %+v", at)
	}
	begun := at["early"].FromUs
	w := &writer{t: t, nc: h.Bus(), site: "demo"}
	changed := at["early"]
	changed.Entrant = "The other bench"
	w.decide(wire.WhatTrial, "", changed)
	at = until("the first closed", func(at map[string]wire.Trial) bool { return at["early"].ToUs != 0 })
	if now := time.Now().UnixMicro(); at["early"].ToUs != begun+12_000_000 || now < begun+12_000_000 || at["early"].Entrant != "The other bench" {
		t.Errorf("closed %+v at %d", at["early"], now)
	}
	at = until("the second open", func(at map[string]wire.Trial) bool { return at["late"].ID != "" })
	if now := time.Now().UnixMicro(); at["late"].ToUs != 0 || at["late"].FromUs != begun+14_000_000 || now < begun+14_000_000 || at["other"].ToUs != 0 {
		t.Errorf("at %d: %+v", now, at)
	}
	until("passages of the second", func(map[string]wire.Trial) bool {
		v, _ := view()
		for _, p := range v.Passages {
			if p.Trial == "late" {
				return true
			}
		}
		return false
	})
}

// A demo that is started again on the same data runs as the first one did: that the service
// tells all motors to stop when it begins is no reason for its trains to stand.
func TestDemoStartsAgain(t *testing.T) {
	data := t.TempDir()
	for n := range 2 {
		p := start(t, "demo", "--data", data, "--port", "-1", "--nats-port", "-1", "--mqtt-port", "-1")
		h, ok := answers(data, 30*time.Second)
		if !ok {
			t.Fatal(p.said())
		}
		begun := time.Now().UnixMicro()
		running := map[string]bool{}
		for end := time.Now().Add(30 * time.Second); len(running) < 4; time.Sleep(100 * time.Millisecond) {
			var v wire.View
			if err := json.Unmarshal(get(t, h.URL+"/api/view"), &v); err != nil {
				t.Fatal(err)
			}
			for _, m := range v.Motors { // the zeros of a start are said for 2 s
				if m.AtUs > begun+4_000_000 && m.DutyPermille != nil && *m.DutyPermille > 500 && m.WheelSpeedMmS != nil && *m.WheelSpeedMmS > 200 {
					running[m.Motor] = true
				}
			}
			if time.Now().After(end) {
				t.Fatalf("start %d: of four motors %v run", n+1, running)
			}
		}
		_ = p.Process.Signal(os.Interrupt)
		if code := p.exit(t); code != exitOK {
			t.Fatalf("exit %d: %s", code, p.said())
		}
	}
}
