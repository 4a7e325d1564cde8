package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// Coasting is told of the session that is open and of one that has left the book, and
// goes by the consist as that session knew it.
func TestCoastingOfSessionsOpenAndPast(t *testing.T) {
	b := &book{t: t}
	circuit := oval(8000)
	circuit.Gates = []wire.Gate{{ID: "g1"}, {ID: "g2", PositionMm: 2000}, {ID: "g3", PositionMm: 5000}}
	b.decide(wire.WhatCircuit, "", circuit)
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", MassG: 900})
	b.decide(wire.WhatConsist, "", wire.Consist{ID: "coal", Cars: []wire.Car{{MassG: 250}}})
	at := startUs + 10_000_000
	for i, slowing := range []float64{0.04, 0.06} {
		session := fmt.Sprint("s", i+1)
		decided := func(what string, v any) {
			b.decide(what, "", v)
			b.events[len(b.events)-1].AtUs = at
		}
		decided(wire.WhatSession, wire.Session{ID: session, Circuit: "oval"})
		for k, v := range []float64{0.8, 0.9, 1, 1.1} {
			coasts := map[string]any{"coast": "yes"}
			if k == 3 {
				coasts = nil
			}
			trial := wire.Trial{ID: fmt.Sprint(session, "-", k), Locomotive: "wren", Consist: "coal", FromUs: at, Conditions: coasts}
			decided(wire.WhatTrial, trial)
			for n, s := range []float64{0, 2, 5, 8} {
				if left := v*v - 2*slowing*s; left > 0 {
					b.events = append(b.events, wire.Event{Kind: wire.KindCrossing, Gate: []string{"g1", "g2", "g3", "g1"}[n], Edge: wire.EdgePulse, AtUs: at + 1_000_000 + int64(1e6*(v-math.Sqrt(left))/slowing) + int64(n*k%3)*500})
				}
			}
			at += 40_000_000
			trial.ToUs = at - 1_000_000
			decided(wire.WhatTrial, trial)
		}
		if i == 0 {
			decided(wire.WhatSession, wire.Session{ID: session, Circuit: "oval", ClosedUs: at})
			at += 10_000_000
			decided(wire.WhatConsist, wire.Consist{ID: "coal", Name: "Coal", Cars: []wire.Car{{MassG: 400}}})
		}
	}
	b.events = append(b.events, wire.Event{Kind: wire.KindCrossing, Gate: "g2", Edge: wire.EdgePulse, AtUs: at + 30_000_000}) // so late is it
	var rec bytes.Buffer
	write(t, &rec, b.events)
	x := scoredBench(t, rec.Bytes(), len(b.events))
	ask := func(q wire.CoastAsk) (r wire.CoastResult, refused string) {
		t.Helper()
		text, err := json.Marshal(q)
		if err != nil {
			t.Fatal(err)
		}
		in, stop := context.WithTimeout(context.Background(), time.Minute)
		defer stop()
		a, err := bus.Enquire(in, x.nc, bus.Question(site, "coast"), text)
		if err != nil {
			t.Fatal(err)
		}
		var no wire.Reply
		_ = json.Unmarshal(a, &no)
		if err := json.Unmarshal(a, &r); err != nil {
			t.Fatalf("%s: %v", a, err)
		}
		return r, no.Reason
	}
	for _, c := range []struct {
		session       string
		slowing, mass float64
	}{{"", 0.06, 400}, {"s2", 0.06, 400}, {"s1", 0.04, 250}} {
		r, no := ask(wire.CoastAsk{Session: c.session})
		if len(r.Consists) != 1 || r.Runs != 3 || *r.Consists[0].MassG != c.mass || r.Consists[0].Consist != "coal" || r.Consists[0].Name != "Coal" {
			t.Errorf("session %q: %s %+v", c.session, no, r)
			continue
		}
		for _, f := range r.Consists[0].Forces[3:6] {
			if math.Abs(*f.DecMS2.Value-c.slowing) > 0.004 {
				t.Errorf("session %q: at %.0f mm/s it slows by %g, want %g", c.session, f.SpeedMmS, *f.DecMS2.Value, c.slowing)
			}
		}
	}
	// The cars were weighed anew between the sessions: each has terms of its own.
	r, no := ask(wire.CoastAsk{Sessions: []string{"s1", "s2", ""}})
	if len(r.Consists) != 2 || r.Runs != 6 || r.A.Value != nil || len(r.Against) != 3 || r.Against[0].NameB != "Coal, session s2" || !strings.Contains(strings.Join(r.Doubts, "; "), "not the same in every session") {
		t.Errorf("both sessions: %s %+v", no, r)
	}
	for i, c := range r.Consists {
		s := fmt.Sprint("s", i+1)
		if c.Consist != "coal" || c.Name != "Coal, session "+s || c.RunList[0].Run != fmt.Sprintf("%s %s-0", s, s) || !strings.HasSuffix(c.Resistance.Source, ", session "+s) {
			t.Errorf("of %s: %+v", s, c)
		}
	}
	if r, no := ask(wire.CoastAsk{Sessions: []string{"s1", "s2"}, Trials: []string{"s1-0", "s1-1"}}); len(r.Consists) != 1 || r.Runs != 2 {
		t.Errorf("trials of one of two sessions: %s %+v", no, r)
	}
	for words, q := range map[string]wire.CoastAsk{
		`"t8" in sessions s1, s2`: {Sessions: []string{"s1", "s2"}, Trials: []string{"s1-0", "t8"}}, `no session "s8"`: {Sessions: []string{"s1", "s8"}},
		`no trial "t9"`: {Trials: []string{"t9"}}, "condition coast: yes": {Trials: []string{"s2-3"}}, "s9": {Session: "s9"}, "not an id": {Session: "S 1"}, "rotating": {Rotating: 0.2},
	} {
		if r, no := ask(q); r.Consists != nil || !strings.Contains(no, words) {
			t.Errorf("%v: %+v, %q, want %q", q, r, no, words)
		}
	}
}
