package gateway_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"rainhill/pkg/wire"
)

// rerun is a replay's socket and what has come on it: it is read all the time, or it
// would be taken for dead.
type rerun struct {
	t    *testing.T
	conn *websocket.Conn
	came chan []byte
}

type shown struct {
	Type    string
	Rev     uint64
	NowUs   int64 `json:"now_us"`
	Reason  string
	Replay  *wire.ReplayState
	Session *wire.Session
}

func (d *door) rerun(t *testing.T, query string) rerun {
	t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+"/ws/replay?"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	came := make(chan []byte, 4096)
	go func() {
		defer close(came)
		for {
			_, b, err := c.ReadMessage()
			if err != nil {
				return
			}
			came <- b
		}
	}()
	return rerun{t, c, came}
}

func (r rerun) until(what string, so func(shown) bool) shown {
	r.t.Helper()
	limit := time.After(time.Minute)
	for {
		select {
		case b, open := <-r.came:
			if !open {
				r.t.Fatalf("waiting for %s: the socket is closed", what)
			}
			var x shown
			if err := json.Unmarshal(b, &x); err != nil {
				r.t.Fatal(err)
			}
			if so(x) {
				return x
			}
		case <-limit:
			r.t.Fatalf("waited a minute for %s", what)
		}
	}
}

func (r rerun) say(c any) {
	r.t.Helper()
	if err := r.conn.WriteJSON(c); err != nil {
		r.t.Fatal(err)
	}
}

func isView(x shown) bool { return x.Type == "view" }

// A reader may replay while the line runs: what the one socket is shown never comes
// on the other, and controls of one replay move no other.
func TestReplayBesideTheLine(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	begin := time.Now().UnixMicro() - 50_000_000
	for n := range 6 {
		d.pass(begin, n)
	}
	live, said, shows := d.page(), atomic.Pointer[wire.Results]{}, make(chan error, 1)
	go func() {
		for {
			if err := live.next(); err != nil {
				shows <- err
				return
			}
			if r := said.Load(); r != nil && live.holds(*r) {
				shows <- nil
				return
			}
		}
	}()
	a, b := d.rerun(t, "session=s1"), d.rerun(t, "session=s1&trial=t1")
	x, y := a.until("a view", isView), b.until("a view", isView)
	if x.Replay.Session != "s1" || !x.Replay.Running || y.Replay.Trial != "t1" || x.Replay.Crossings != 6 || x.NowUs != x.Replay.FromUs {
		t.Errorf("shown: %+v and %+v", x.Replay, y.Replay)
	}
	a.say(wire.ReplayControl{Do: wire.ReplayStep, By: 3})
	if x = a.until("the third crossing", func(x shown) bool { return x.Replay != nil && x.Replay.Index == 3 }); x.Replay.Crossing.Gate != "g1" {
		t.Errorf("the third crossing is %+v", x.Replay.Crossing)
	}
	a.say(map[string]any{"do": "drive"}) // nonsense is passed over
	for range 3 {
		if y = b.until("a heartbeat", func(x shown) bool { return x.Replay != nil }); y.Replay.Index != 0 || y.NowUs != y.Replay.FromUs {
			t.Fatalf("the other moved too: %+v", y.Replay)
		}
	}
	d.pass(begin, 6)
	for end := time.Now().Add(time.Minute); len(shows) == 0; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the page of the line does not show what is live")
		}
		r := d.results()
		said.Store(&r)
	}
	if err := <-shows; err != nil {
		t.Fatal(err)
	}
	again := d.rerun(t, "session=s1&at_us="+string(mustJSON(t, x.NowUs)))
	if x := again.until("a view", isView); x.Replay.Index < 3 || x.Replay.Crossings != 7 {
		t.Errorf("asked for at an instant, it is at %+v", x.Replay)
	}
}

// What is refused is told on the socket; closing one makes room.
func TestReplayIsRefused(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	for query, why := range map[string]string{"session=none": `no session "none"`, "session=s1&trial=t9": `no trial "t9"`, "session=A%20B": "malformed"} {
		if x := d.rerun(t, query).until("a refusal", func(x shown) bool { return x.Reason != "" }); !strings.Contains(x.Reason, why) {
			t.Errorf("%s: %q, want %q", query, x.Reason, why)
		}
	}
	var all []rerun
	for range 8 {
		r := d.rerun(t, "session=s1")
		r.until("a view", isView)
		all = append(all, r)
	}
	if x := d.rerun(t, "session=s1").until("a refusal", func(x shown) bool { return x.Reason != "" }); !strings.Contains(x.Reason, "8 replays run already") {
		t.Errorf("a ninth: %q", x.Reason)
	}
	_ = all[0].conn.Close()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if x := d.rerun(t, "session=s1").until("a word", func(x shown) bool { return x.Reason != "" || isView(x) }); x.Reason == "" {
			return
		}
		if time.Now().After(end) {
			t.Fatal("a closed replay keeps its place")
		}
	}
}

// The page of a replay is served, and a foreign page cannot open its socket.
func TestReplayPage(t *testing.T) {
	d := newDoor(t)
	a := d.get("/replay?session=s1")
	if a.status != http.StatusOK || !strings.Contains(a.body, "js/replay.js") || strings.Contains(a.body, "js/main.js") || !strings.Contains(a.body, "<title>Replay") {
		t.Errorf("%d %s", a.status, a.body)
	}
	h := http.Header{"Origin": {"http://evil.example"}}
	if _, res, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+"/ws/replay", h); err == nil || res.StatusCode != http.StatusForbidden {
		t.Errorf("a foreign page: %v", err)
	}
}
