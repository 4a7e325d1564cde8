package dashboard_test

import (
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"rainhill/dashboard"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// policy is the content policy that the gateway serves the page under.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types lit-html"

// sent is one POST of the page, as it came.
type sent struct {
	Path string
	Body map[string]any
	AtUs int64
}

// stage stands in for the gateway: it serves the page, speaks a script over
// the websocket and writes down what the page posts.
type stage struct {
	t    testing.TB
	addr string
	srv  *http.Server
	end  chan struct{}

	mu       sync.Mutex
	view     wire.View
	health   wire.Health
	official string
	demo     bool
	muted    bool          // the line is up, but nothing is said
	withheld string        // how the names of files end that are not served
	held     chan struct{} // when there is one: they are served when it is closed
	news     func() any    // what is said at every beat, as what is said once is lost on a page that is calling
	asks     int           // how often the clocks were compared
	refuse   string
	driving  wire.Driving
	driven   uint64         // revision of what was said last of it
	told     []wire.Driving // the last that was said of it, when something was
	lines    map[*websocket.Conn]bool
	posts    []sent
}

func newStage(t testing.TB) *stage {
	s := &stage{t: t, addr: "127.0.0.1:0", lines: map[*websocket.Conn]bool{}}
	s.open()
	t.Cleanup(s.shut)
	return s
}

// open begins to listen; after a shut on the same address again.
func (s *stage) open() {
	s.t.Helper()
	l, err := net.Listen("tcp", s.addr)
	if err != nil {
		s.t.Fatal(err)
	}
	s.addr = l.Addr().String()
	s.srv, s.end = &http.Server{Handler: s.handler()}, make(chan struct{})
	go s.srv.Serve(l)
	go s.beat(s.end)
}

// shut closes the door and every line, once.
func (s *stage) shut() {
	if s.end == nil {
		return
	}
	s.srv.Close()
	close(s.end)
	s.end = nil
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.lines {
		c.Close()
	}
	clear(s.lines)
}

func (s *stage) url(rest string) string { return "http://" + s.addr + "/" + rest }

// beat says a frame every 100 ms to every line, until the end: an empty one, or the news.
func (s *stage) beat(end chan struct{}) {
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-end:
			return
		case <-tick.C:
		}
		s.mu.Lock()
		quiet, news := s.muted, s.news
		s.mu.Unlock()
		switch {
		case quiet:
		case news != nil:
			s.say(news())
		default:
			s.say(wire.Frame{})
		}
	}
}

// say sends a view or a frame with the present instant to every line; of what is driven the
// last is told to who calls later too.
func (s *stage) say(message any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if d, is := message.(wire.Driving); is {
		s.told = append(s.told[:0], s.revised(d))
		message = s.told[0]
	}
	for c := range s.lines {
		s.write(c, message)
	}
}

func (s *stage) write(c *websocket.Conn, message any) {
	switch m := message.(type) {
	case wire.Frame:
		m.Type, m.NowUs, m.Rev = "frame", time.Now().UnixMicro(), max(m.Rev, s.view.Rev)
		message = m
	case wire.View:
		m.Type, m.NowUs = "view", time.Now().UnixMicro()
		message = m
	}
	c.SetWriteDeadline(time.Now().Add(time.Second))
	if c.WriteJSON(message) != nil {
		c.Close()
		delete(s.lines, c)
	}
}

// revised numbers what is said of what is driven, unless it has a number.
func (s *stage) revised(d wire.Driving) wire.Driving {
	if d.Revision == 0 {
		s.driven++
		d.Revision = s.driven
	}
	if d.Type = "driving"; d.Boot == "" {
		d.Boot = "stage"
	}
	return d
}

// setup changes the view and sends it whole.
func (s *stage) setup(change func(v *wire.View)) {
	s.mu.Lock()
	change(&s.view)
	s.view.Rev++
	v := s.view
	s.mu.Unlock()
	s.say(v)
}

// change changes the stage itself.
func (s *stage) change(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
}

// posted gives what came to a path.
func (s *stage) posted(path string) []sent {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []sent
	for _, p := range s.posts {
		if p.Path == path {
			out = append(out, p)
		}
	}
	return out
}

// await waits until n posts came to a path.
func (s *stage) await(path string, n int) []sent {
	s.t.Helper()
	s.until(fmt.Sprintf("%d posts to %s", n, path), func() bool { return len(s.posted(path)) >= n })
	return s.posted(path)
}

// until waits for what is promised to nobody within a time: a minute, to end what is in vain.
func (s *stage) until(what string, done func() bool) {
	s.t.Helper()
	for range 2400 {
		if done() {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.t.Fatalf("waited a minute for %s; posted were %v", what, s.posts)
}

func (s *stage) handler() http.Handler {
	assets, build, err := dashboard.Assets()
	if err != nil {
		s.t.Fatal(err)
	}
	mux := http.NewServeMux()
	prefix := dashboard.Prefix + build + "/"
	files := http.StripPrefix(prefix, http.FileServerFS(assets))
	mux.HandleFunc("GET "+prefix, func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		withheld, held := s.withheld != "" && strings.HasSuffix(r.URL.Path, s.withheld), s.held
		s.mu.Unlock()
		if withheld && held == nil {
			http.Error(w, "withheld", http.StatusServiceUnavailable)
			return
		}
		if withheld {
			select {
			case <-held:
			case <-r.Context().Done():
			}
		}
		files.ServeHTTP(w, r)
	})
	page := func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Security-Policy", policy)
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Write(dashboard.Page())
	}
	mux.HandleFunc("GET /{$}", page)
	mux.HandleFunc("GET /health", page)
	mux.HandleFunc("GET /ws", s.line)
	mux.HandleFunc("GET /api/me", func(w http.ResponseWriter, _ *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		var who any
		if s.official != "" {
			who = s.official
		}
		answer(w, http.StatusOK, map[string]any{"official": who, "demo": s.demo, "bus": map[string]any{"nats_port": 4237}})
	})
	mux.HandleFunc("GET /api/health", func(w http.ResponseWriter, _ *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		answer(w, http.StatusOK, s.health)
	})
	mux.HandleFunc("GET /api/agents", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, http.StatusOK, map[string]any{"agents": []wire.Credential{{Agent: "north-beam", Gates: []string{"g1"}}}})
	})
	mux.HandleFunc("POST /api/draw", func(w http.ResponseWriter, r *http.Request) {
		var v wire.CircuitValue
		if err := json.NewDecoder(r.Body).Decode(&v); err != nil || v.Check() != nil {
			answer(w, http.StatusBadRequest, wire.Reply{Reason: "not a circuit"})
			return
		}
		answer(w, http.StatusOK, trial.Draw(v))
	})
	mux.HandleFunc("GET /api/photos", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, http.StatusOK, map[string]any{"kept": true, "photos": map[string]string{"kestrel": "1"}})
	})
	mux.HandleFunc("GET /api/photo", func(w http.ResponseWriter, _ *http.Request) {
		_ = png.Encode(w, image.NewGray(image.Rect(0, 0, 320, 120)))
	})
	mux.HandleFunc("POST /api/stop", s.drive)
	mux.HandleFunc("POST /api/driving", s.drive)
	mux.HandleFunc("POST /api/", s.post)
	return mux
}

func answer(w http.ResponseWriter, code int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	json.NewEncoder(w).Encode(v)
}

func (s *stage) line(w http.ResponseWriter, r *http.Request) {
	up := websocket.Upgrader{}
	c, err := up.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	s.mu.Lock()
	s.write(c, s.view)
	for _, d := range s.told {
		s.write(c, d)
	}
	s.lines[c] = true
	s.mu.Unlock()
	for {
		var ask struct {
			Type string `json:"type"`
			T1Us int64  `json:"t1_us"`
		}
		if c.ReadJSON(&ask) != nil {
			return
		}
		now := time.Now().UnixMicro()
		s.mu.Lock()
		if ask.Type == "ask" {
			s.asks++
			s.write(c, map[string]any{"type": "told", "t1_us": ask.T1Us, "t2_us": now, "t3_us": now})
		}
		s.mu.Unlock()
	}
}

// drive writes down what came and answers as the driving service does: who arms holds
// authority, until a stop.
func (s *stage) drive(w http.ResponseWriter, r *http.Request) {
	var ask wire.DrivingAsk
	raw, _ := io.ReadAll(r.Body)
	if r.Header.Get("X-Rainhill") != "1" || json.Unmarshal(raw, &ask) != nil {
		answer(w, http.StatusForbidden, wire.Reply{Reason: "header or JSON is missing"})
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now().UnixMicro()
	s.posts = append(s.posts, sent{r.URL.Path, map[string]any{"do": ask.Do, "why": ask.Why}, now})
	reply := wire.DrivingReply{OK: true, Driving: s.driving}
	switch {
	case s.refuse != "":
		answer(w, http.StatusServiceUnavailable, wire.Reply{Reason: s.refuse})
		return
	case r.URL.Path == "/api/stop":
		s.driving = wire.Driving{Type: "driving", Motors: []wire.DrivenMotor{}, StoppedUs: now, StoppedBy: "somebody who is not signed in", Why: ask.Why}
	case ask.Do == wire.DriveArm:
		s.driving = wire.Driving{Type: "driving", Holder: s.official, SinceUs: now, Motors: []wire.DrivenMotor{}}
		for _, m := range ask.Motors {
			s.driving.Motors = append(s.driving.Motors, wire.DrivenMotor{Motor: m, HeardUs: now})
		}
		reply.Hold, reply.HoldMs = "hold-4711", 2000
	}
	reply.Driving = s.revised(s.driving)
	answer(w, http.StatusOK, reply)
}

// post writes down what came and answers as the gateway does.
func (s *stage) post(w http.ResponseWriter, r *http.Request) {
	raw, _ := io.ReadAll(r.Body)
	var body map[string]any
	if r.Header.Get("X-Rainhill") != "1" || !strings.HasPrefix(r.Header.Get("Content-Type"), "application/json") || json.Unmarshal(raw, &body) != nil {
		answer(w, http.StatusForbidden, wire.Reply{Reason: "header or JSON is missing"})
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if r.URL.Path == "/api/sign-in" {
		if body["key"] != "right-key" {
			answer(w, http.StatusUnauthorized, wire.Reply{Reason: "That is not the official's key."})
			return
		}
		s.official, _ = body["name"].(string)
	}
	if s.official == "" {
		answer(w, http.StatusUnauthorized, wire.Reply{Reason: "You are not signed in."})
		return
	}
	if s.refuse != "" {
		answer(w, http.StatusServiceUnavailable, wire.Reply{Reason: s.refuse})
		return
	}
	s.posts = append(s.posts, sent{r.URL.Path, body, time.Now().UnixMicro()})
	if r.URL.Path == "/api/roster/check" {
		v := s.view
		answer(w, http.StatusOK, wire.ReadRoster(body["name"].(string), body["text"].(string), wire.Roster{Locomotives: v.Locomotives, Consists: v.Consists, NamedMotors: v.NamedMotors, Batteries: v.Batteries}))
		return
	}
	if r.URL.Path == "/api/agents" {
		answer(w, http.StatusOK, wire.Credential{Agent: body["agent"].(string), Password: "pass-once", Gates: []string{"g1"}})
		return
	}
	answer(w, http.StatusOK, wire.Reply{OK: true, Seq: uint64(len(s.posts))})
}
