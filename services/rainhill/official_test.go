package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// official is signed in to a service and decides over its API.
type official struct {
	t      testing.TB
	h      *host.Host
	cookie *http.Cookie
}

func signedIn(t testing.TB, h *host.Host) *official {
	t.Helper()
	o := &official{t: t, h: h}
	res, _ := o.post("/api/sign-in", map[string]string{"key": h.StartKey, "name": "Signal box"})
	for _, c := range res.Cookies() {
		o.cookie = c
	}
	if o.cookie == nil {
		t.Fatal("not signed in")
	}
	return o
}

func (o *official) post(path string, body any) (*http.Response, []byte) {
	o.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		o.t.Fatal(err)
	}
	req, err := http.NewRequest(http.MethodPost, o.h.URL+path, bytes.NewReader(b))
	if err != nil {
		o.t.Fatal(err)
	}
	req.Header.Set("X-Rainhill", "1")
	req.Header.Set("Content-Type", "application/json")
	if o.cookie != nil {
		req.AddCookie(o.cookie)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		o.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	got, err := io.ReadAll(res.Body)
	if err != nil {
		o.t.Fatal(err)
	}
	return res, got
}

// tries to decide, and gives what was answered.
func (o *official) tries(what, why, session string, value any) (int, wire.Reply) {
	o.t.Helper()
	res, b := o.post("/api/decision", map[string]any{"what": what, "why": why, "session": session, "value": value})
	var r wire.Reply
	if err := json.Unmarshal(b, &r); err != nil {
		o.t.Fatalf("%s: %v", b, err)
	}
	return res.StatusCode, r
}

// decide decides, and gives the decision's id.
func (o *official) decide(what, why, session string, value any) string {
	o.t.Helper()
	status, r := o.tries(what, why, session, value)
	if status != http.StatusOK {
		o.t.Fatalf("%s %+v: %d %s", what, value, status, r.Reason)
	}
	return r.ID
}

// seal signs a session's results as they are.
func (o *official) seal(session string) string {
	o.t.Helper()
	var v wire.Seal
	if err := json.Unmarshal(get(o.t, o.h.URL+"/api/digest?session="+session), &v); err != nil {
		o.t.Fatal(err)
	}
	return o.decide(wire.WhatSeal, "", session, v)
}

func (o *official) results(session string) []byte {
	o.t.Helper()
	return get(o.t, o.h.URL+"/api/results?session="+session)
}

// exported writes a session's facts to a file.
func (o *official) exported(session, file string) {
	o.t.Helper()
	mustRun(o.t, "export", "--url", o.h.URL, "--session", session, "-o", file)
}

// openOval writes the circuit and two locomotives of a scenario of one train down, and
// opens a session.
func (o *official) openOval(s sim.Scenario, session string) {
	o.t.Helper()
	setup := s.Setup(1)
	o.decide(wire.WhatCircuit, "", "", wire.CircuitValue{Circuit: setup.Circuit, Gates: setup.Gates})
	loco := setup.Locomotives[0]
	for i, id := range []string{"wren", "dipper", "heron"} {
		loco.ID, loco.Name = id, id
		loco.LengthMm += float64(i)
		o.decide(wire.WhatLocomotive, "", "", loco)
	}
	o.decide(wire.WhatSession, "", "", wire.Session{ID: session, Name: "Open day", Circuit: setup.Circuit.ID})
}

// run opens a trial in the past, tells what the sensors of a simulated railway say of
// it as fast as the journal takes it, and closes it.
func (o *official) run(s sim.Scenario, seed, fromUs int64, v wire.Trial) wire.Trial {
	o.t.Helper()
	v.FromUs, v.WarmupLaps, v.ToUs = fromUs, 1, 0
	o.decide(wire.WhatTrial, "", "", v)
	_, _, err := sim.Simulate(s, seed, fromUs, func(e wire.Event) error {
		if e.Kind == wire.KindHealth || e.Kind == wire.KindMotor && seed > 1 { // the motors of one run are enough
			return nil
		}
		b, err := json.Marshal(e)
		if err != nil {
			return err
		}
		m, err := o.h.Bus().Request(bus.Internal("line", e.Kind, e.Source()), b, 30*time.Second)
		if err != nil {
			return err
		}
		var r wire.Reply
		if err := json.Unmarshal(m.Data, &r); err != nil || !r.OK {
			return fmt.Errorf("%s: the journal answered %s", b, m.Data)
		}
		return nil
	})
	if err != nil {
		o.t.Fatal(err)
	}
	v.ToUs = fromUs + int64(s.Minutes*60e6)
	o.decide(wire.WhatTrial, "", "", v)
	return v
}

// oneTrain is a decent railway with one train, for so many minutes.
func oneTrain(t testing.TB, minutes float64) sim.Scenario {
	t.Helper()
	s, err := sim.Load("decent")
	if err != nil {
		t.Fatal(err)
	}
	s.Trains, s.Minutes = s.Trains[:1], minutes
	return s
}
