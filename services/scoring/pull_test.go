package scoring_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// Pulls are answered of the session that is open, of one that has left the book, and of a
// locomotive's season; a mass that nobody wrote down is the roster's.
func TestPullsOfSessionsAndSeason(t *testing.T) {
	b := &book{t: t}
	b.decide(wire.WhatCircuit, "", oval(8000))
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Old Wren", MassG: 1000})
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "heron", MassG: 900})
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "otter", MassG: 730})
	b.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "stoat"})
	n := 0
	pull := func(locomotive string, g float64, outcome string) {
		n++
		b.decide(wire.WhatPull, "", wire.PullValue{ID: fmt.Sprintf("p%d", n), Locomotive: locomotive, LoadG: g, Outcome: outcome, Wheels: wire.WheelsTurned})
	}
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	for range 3 {
		pull("wren", 200, wire.PullMoved)
		pull("wren", 300, wire.PullStalled)
	}
	pull("heron", 200, wire.PullMoved)
	b.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: startUs + 300_000_000})
	b.events[len(b.events)-1].AtUs = startUs + 300_000_000
	b.decide(wire.WhatSession, "", wire.Session{ID: "s2", Circuit: "oval"})
	b.events[len(b.events)-1].AtUs = startUs + 310_000_000
	pull("wren", 260, wire.PullMoved)
	b.events[len(b.events)-1].AtUs = startUs + 311_000_000
	var rec bytes.Buffer
	write(t, &rec, b.events)
	x := scoredBench(t, rec.Bytes(), len(b.events))
	for _, c := range []struct {
		ask      wire.PullAsk
		attempts map[string]int
		refused  string
	}{
		{wire.PullAsk{}, map[string]int{"wren": 1}, ""},
		{wire.PullAsk{Session: "s2"}, map[string]int{"wren": 1}, ""},
		{wire.PullAsk{Session: "s1"}, map[string]int{"wren": 6, "heron": 1}, ""},
		{wire.PullAsk{Session: "s1", Locomotive: "heron"}, map[string]int{"heron": 1}, ""},
		{wire.PullAsk{Season: true, Locomotive: "wren"}, map[string]int{"wren": 7}, ""},
		{wire.PullAsk{Sessions: []string{"s1", "s2"}}, map[string]int{"wren": 7, "heron": 1}, ""},
		{wire.PullAsk{Session: "s1", Sessions: []string{"", "s2", "s1"}}, map[string]int{"wren": 7, "heron": 1}, ""},
		{wire.PullAsk{Sessions: []string{"s1"}, Locomotive: "heron"}, map[string]int{"heron": 1}, ""},
		{wire.PullAsk{Sessions: []string{"s1", "s9"}}, nil, `no session "s9"`},
		{wire.PullAsk{Season: true, Locomotive: "wren", Sessions: []string{"s1"}}, nil, "season"},
		{wire.PullAsk{Session: "s9"}, nil, `no session "s9"`},
		{wire.PullAsk{Season: true}, nil, "season"},
	} {
		r, refused := pullsOf(t, x, c.ask)
		got := map[string]int{}
		for _, l := range r.Locomotives {
			got[l.Locomotive] = len(l.Attempts)
		}
		if fmt.Sprint(got) != fmt.Sprint(c.attempts) && c.refused == "" || !strings.Contains(refused, c.refused) || c.refused == "" && refused != "" {
			t.Errorf("%+v: %v, %q; want %v, %q", c.ask, got, refused, c.attempts, c.refused)
		}
	}
	for _, c := range []struct {
		ask  wire.PullAsk
		want string
	}{
		{wire.PullAsk{Locomotive: "otter"}, "otter 73"}, {wire.PullAsk{Locomotive: "otter", StepG: 50}, "otter 50"}, {wire.PullAsk{Locomotive: "stoat"}, "stoat 0"},
		{wire.PullAsk{}, "heron 90, otter 73, stoat 0, wren 100"}, {wire.PullAsk{Locomotive: "never"}, ""},
	} {
		r, refused := pullsOf(t, x, c.ask)
		var got []string
		for _, f := range r.First {
			got = append(got, fmt.Sprintf("%s %g", f.Locomotive, f.LoadG))
			if f.Why == "" || f.Done {
				t.Errorf("%+v: %+v", c.ask, f)
			}
		}
		if strings.Join(got, ", ") != c.want || refused != "" {
			t.Errorf("%+v: begin with %q, %s; want %s", c.ask, got, refused, c.want)
		}
	}
	in, cut := context.WithTimeout(t.Context(), time.Minute)
	defer cut()
	a, err := bus.Enquire(in, x.nc, bus.Question(site, "pull-seen"), []byte(fmt.Sprintf(`{"locomotive":"wren","from_us":%d}`, startUs)))
	if want := `"Neither wheels nor train were read: say what you saw."`; err != nil || !strings.Contains(string(a), want) {
		t.Errorf("sensors say %s, %v; want %s", a, err, want)
	}
	r, _ := pullsOf(t, x, wire.PullAsk{Season: true, Locomotive: "wren"})
	l := r.Locomotives[0]
	if l.MassG == nil || *l.MassG != 1000 || l.Load50G.Value == nil || l.Adhesion.Value == nil || l.Limit != wire.LimitAdhesion || l.Attempts[6].Session != "s2" || l.Attempts[0].Decision == "" || l.Name != "Old Wren, moving" {
		t.Errorf("%+v", l)
	}
}

func pullsOf(t *testing.T, x *bench, ask wire.PullAsk) (r wire.PullResult, refused string) {
	t.Helper()
	q, err := json.Marshal(ask)
	if err != nil {
		t.Fatal(err)
	}
	in, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	a, err := bus.Enquire(in, x.nc, bus.Question(site, "pull"), q)
	if err != nil {
		t.Fatal(err)
	}
	var no wire.Reply
	if err := json.Unmarshal(a, &no); err == nil && no.Reason != "" {
		return r, no.Reason
	}
	if err := json.Unmarshal(a, &r); err != nil {
		t.Fatal(err)
	}
	return r, ""
}
