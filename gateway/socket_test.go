package gateway_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"rainhill/pkg/wire"
	"rainhill/testdata/stall"
)

func TestSocketChecksOrigin(t *testing.T) {
	d := newDoor(t)
	for _, origin := range []string{"http://evil.example", "http://127.0.0.1:1", "null", "https://" + strings.TrimPrefix(d.URL, "http://") + ".evil.example"} {
		_, res, err := d.dial(func(h http.Header) { h.Set("Origin", origin) })
		if !errors.Is(err, websocket.ErrBadHandshake) || res.StatusCode != http.StatusForbidden {
			t.Errorf("origin %s: %v", origin, err)
		}
	}
	c, _, err := d.dial(func(h http.Header) { h.Set("Origin", d.URL) })
	if err != nil {
		t.Fatal(err)
	}
	_ = c.Close()
}

func TestViewThenFramesAndHeartbeats(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	p := d.page()
	if err := p.next(); err != nil || p.views != 1 {
		t.Fatalf("first message: %v", err)
	}
	stall.Missed(t, func() string {
		for range 12 {
			before := p.lastAt
			if err := p.next(); err != nil {
				t.Fatal(err)
			}
			if gap := p.lastAt.Sub(before); gap > time.Second {
				return fmt.Sprintf("the page heard nothing for %v", gap)
			}
		}
		return ""
	})
}

func TestClockOverTheSocket(t *testing.T) {
	d := newDoor(t)
	c, _, err := d.dial()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	t1 := time.Now().UnixMicro()
	for _, m := range []string{`nonsense`, `{"type":"other"}`, `{"type":"ask","t1_us":` + string(mustJSON(t, t1)) + `}`} {
		if err := c.WriteMessage(websocket.TextMessage, []byte(m)); err != nil {
			t.Fatal(err)
		}
	}
	_ = c.SetReadDeadline(time.Now().Add(30 * time.Second))
	for {
		_, b, err := c.ReadMessage()
		if err != nil {
			t.Fatal(err)
		}
		t4 := time.Now().UnixMicro()
		var told struct {
			Type string
			wire.ClockTold
		}
		if json.Unmarshal(b, &told) == nil && told.Type == "told" {
			if told.T1Us != t1 || told.T2Us < t1 || told.T3Us < told.T2Us || t4 < told.T3Us {
				t.Fatalf("told %s at %d", b, t4)
			}
			return
		}
	}
}

func mustJSON(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Viewers join while the train runs. What each has put together of its view and
// frames is in the end what the results page says: no frame fell between.
func TestNoFrameIsLost(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	for end := time.Now().Add(30 * time.Second); !strings.Contains(d.get("/api/results").body, `"trial": "t1"`); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) { // a definition scored later would bring a second view
			t.Fatal("the book is not open")
		}
	}
	var said atomic.Pointer[wire.Results] // in the end
	type end struct {
		p   *page
		err error
	}
	ends := make(chan end, 8)
	start := time.Now().UnixMicro()
	viewers := 0
	for n := range 400 {
		d.pass(start, n)
		if n%50 == 25 {
			viewers++
			p := d.page()
			go func() {
				for {
					if err := p.next(); err != nil {
						ends <- end{p, err}
						return
					}
					if r := said.Load(); r != nil && p.holds(*r) {
						ends <- end{p, nil}
						return
					}
				}
			}()
		}
	}
	frames, late := 0, time.After(2*time.Minute)
	for viewers > 0 {
		// Asked for here and not by each viewer, who would read on late and be cut for it.
		if r := d.results(); len(r.Trials) == 1 && len(r.Trials[0].Laps) == 199 {
			said.Store(&r)
		}
		var e end
		select {
		case e = <-ends:
			viewers--
		case <-late:
			t.Fatal("a page does not come to hold what the results say")
		case <-time.After(100 * time.Millisecond):
			continue
		}
		if e.err != nil {
			t.Fatal(e.err)
		}
		frames += e.p.frames // one that came late may hold all with its view
		if e.p.views != 1 {
			t.Fatalf("%d views, want 1", e.p.views)
		}
	}
	if frames == 0 {
		t.Fatal("no viewer had a frame: nothing was tested")
	}
	if n := len(d.results().Trials[0].Laps); n != 199 {
		t.Fatalf("%d laps, want 199", n)
	}
}

// A change of definitions brings every page a new view.
func TestChangeOfBookBringsAView(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	p := d.page()
	for p.views == 0 {
		if err := p.next(); err != nil {
			t.Fatal(err)
		}
	}
	b, err := json.Marshal(wire.Locomotive{ID: "heron", Name: "Heron"})
	if err != nil {
		t.Fatal(err)
	}
	d.put(wire.Event{Kind: wire.KindDecision, ID: "x", By: "test", What: wire.WhatLocomotive, AtUs: time.Now().UnixMicro(), Value: b})
	for end := time.Now().Add(30 * time.Second); p.views < 2; {
		if err := p.next(); err != nil || time.Now().After(end) {
			t.Fatalf("%d views, %v", p.views, err)
		}
	}
}

// A viewer that never reads is cut, and the others go on as if it were not there.
func TestStuckViewerIsCut(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	good := d.page()
	if err := good.next(); err != nil {
		t.Fatal(err)
	}
	viewers := func(n int64) {
		for end := time.Now().Add(time.Minute); d.health().Viewers != n; time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("not within a minute: %d viewers", n)
			}
		}
	}
	n := 0
	stall.Missed(t, func() string {
		viewers(1)
		stuck := d.stuck()
		defer func() { _ = stuck.Close() }()
		viewers(2)
		n++
		d.motor(n, wire.MaxSamples) // far more than the way to it holds
		began := time.Now()
		good.lastAt = began
		for d.health().Viewers > 1 {
			before := good.lastAt
			if err := good.next(); err != nil {
				t.Fatal(err)
			}
			if gap := good.lastAt.Sub(before); gap > time.Second {
				return fmt.Sprintf("the other viewer heard nothing for %v", gap)
			}
			if time.Since(began) > 8*time.Second {
				return "the stuck viewer is still there after 8 s"
			}
		}
		t.Logf("cut after %v", time.Since(began))
		return ""
	})
}

// stuck connects with a small buffer and never reads.
func (d *door) stuck() *websocket.Conn {
	d.t.Helper()
	dialer := websocket.Dialer{NetDial: func(network, addr string) (net.Conn, error) {
		c, err := net.Dial(network, addr)
		if err == nil {
			err = c.(*net.TCPConn).SetReadBuffer(4096)
		}
		return c, err
	}}
	c, _, err := dialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+"/ws", nil)
	if err != nil {
		d.t.Fatal(err)
	}
	return c
}
