// Package gateway is the door for browsers: it answers "how do people see and
// change the book over HTTP?". It serves the page, an API and a websocket, signs
// officials in, and asks the services over the bus. It scores nothing and never
// opens the store.
package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/dashboard"
	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// AgentList is what the gateway needs of the broker's list of agents.
type AgentList interface {
	List() []wire.Credential
	Add(wire.Credential) (wire.Credential, error)
}

// Config says what a gateway serves.
type Config struct {
	Site   string
	Key    *Key
	Agents AgentList // nil when agents are signed in by a bus of somebody else
	Bus    BusInfo   // how agents reach the bus, for the page to say
	Demo   bool
	Photos string // folder for photos of locomotives; "" keeps none
}

// BusInfo is where agents connect.
type BusInfo struct {
	NATSPort int `json:"nats_port"`
	MQTTPort int `json:"mqtt_port"`
}

// Gateway serves one site.
type Gateway struct {
	cfg     Config
	nc      *nats.Conn
	hub     *hub
	seq     atomic.Uint64
	jobs    atomic.Uint64 // long questions asked so far
	boot    string
	viewers atomic.Int64

	patterns []string // that it serves

	// A decision is checked and written down under one of these: one that names a
	// session under amending, for its check may read all of an old session.
	deciding, amending sync.Mutex
	written            written
}

// agentName is by what name the gateway signs what it puts into the journal.
const agentName = "gateway"

// Run serves on l until ctx is done, and then returns nil.
func Run(ctx context.Context, nc *nats.Conn, l net.Listener, cfg Config) error {
	_, build, err := dashboard.Assets()
	if err != nil {
		return fmt.Errorf("reading the page: %w", err)
	}
	g := &Gateway{cfg: cfg, nc: nc, boot: fmt.Sprintf("g%d", time.Now().UnixMicro())}
	g.hub = newHub(nc, cfg.Site, build)
	h, err := g.handler()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	hubDone := make(chan error, 1)
	go func() { hubDone <- g.hub.run(ctx) }()
	srv := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10, BaseContext: func(net.Listener) context.Context { return ctx }}
	served := make(chan error, 1)
	go func() { served <- srv.Serve(l) }()
	select {
	case <-ctx.Done():
	case err = <-served:
	case err = <-hubDone:
	}
	cancel()
	// Sockets that were taken over are the hub's and close with ctx; requests
	// under way get a moment.
	stop, done := context.WithTimeout(context.Background(), 2*time.Second)
	defer done()
	if srv.Shutdown(stop) != nil {
		_ = srv.Close()
	}
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

func (g *Gateway) handler() (http.Handler, error) {
	pages, err := newPages()
	if err != nil {
		return nil, err
	}
	document, err := newDocument()
	if err != nil {
		return nil, err
	}
	mux := &routes{ServeMux: http.NewServeMux()}
	pages.register(mux)
	document.register(mux)
	mux.HandleFunc("GET /ws", g.socket)
	mux.HandleFunc("GET /ws/replay", g.replay)
	mux.HandleFunc("GET /api/view", g.ask("view"))
	g.exports(mux)
	g.paired(mux)
	g.findings(mux)
	mux.HandleFunc("GET /api/journal", g.journal)
	mux.HandleFunc("GET /api/health", g.health)
	mux.HandleFunc("GET /api/audit", g.audit)
	mux.HandleFunc("GET /api/crossings", g.crossings)
	mux.HandleFunc("GET /api/history", g.history)
	mux.HandleFunc("GET /api/wheels", g.wheels)
	g.pulls(mux)
	mux.HandleFunc("GET /api/digest", g.ask("digest"))
	mux.HandleFunc("POST /api/rescore", g.rescore)
	mux.HandleFunc("POST /api/running-order", g.official(g.runningOrder))
	mux.HandleFunc("GET /api/me", g.me)
	mux.HandleFunc("POST /api/draw", g.draw)
	mux.HandleFunc("GET /api/curve", g.curve)
	g.coastings(mux)
	mux.HandleFunc("POST /api/predict", g.reckoned("predict"))
	mux.HandleFunc("POST /api/pairing", g.reckoned("pairing"))
	mux.HandleFunc("POST /api/sign-in", g.signIn)
	mux.HandleFunc("POST /api/sign-out", g.signOut)
	mux.HandleFunc("POST /api/decision", g.official(g.decision))
	mux.HandleFunc("POST /api/driving", g.driving)
	mux.HandleFunc("POST /api/stop", g.stopAll)
	mux.HandleFunc("POST /api/tap", g.official(g.tap))
	mux.HandleFunc("POST /api/sync", g.official(g.sync))
	mux.HandleFunc("GET /api/agents", g.official(g.listAgents))
	mux.HandleFunc("POST /api/agents", g.official(g.addAgent))
	mux.HandleFunc("GET /api/roster.json", g.rosterJSON)
	mux.HandleFunc("GET /api/roster-locomotives.csv", g.rosterCSV(wire.WhatLocomotive, "locomotives"))
	mux.HandleFunc("GET /api/roster-consists.csv", g.rosterCSV(wire.WhatConsist, "consists"))
	mux.HandleFunc("GET /api/roster-motors.csv", g.rosterCSV(wire.WhatMotor, "motors"))
	mux.HandleFunc("GET /api/roster-batteries.csv", g.rosterCSV(wire.WhatBattery, "batteries"))
	mux.HandleFunc("POST /api/roster/check", g.official(g.checkRoster))
	mux.HandleFunc("GET /api/photos", g.photos)
	mux.HandleFunc("GET /api/photo", g.photo)
	mux.HandleFunc("POST /api/photo", g.official(g.putPhoto))
	mux.HandleFunc("DELETE /api/photo", g.official(g.dropPhoto))
	g.patterns = mux.patterns
	return guard(mux), nil
}

// routes remembers what it serves, so that the API's document can be held against it.
type routes struct {
	*http.ServeMux
	patterns []string
}

// HandleFunc is that of the mux.
func (m *routes) HandleFunc(pattern string, f func(http.ResponseWriter, *http.Request)) {
	m.patterns = append(m.patterns, pattern)
	m.ServeMux.HandleFunc(pattern, f)
}

// Handle is that of the mux.
func (m *routes) Handle(pattern string, h http.Handler) { m.HandleFunc(pattern, h.ServeHTTP) }

// policy lets the page use what comes from here, and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; manifest-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types lit-html"

// guard holds for every request: headers, the name we are called by, and that a
// change comes from our own page.
func guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !ourName(r.Host) {
			refuse(w, http.StatusMisdirectedRequest, "this service is not called "+r.Host+": use its address, its host name, or a name ending in .local")
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			if err := cross.Check(r); err != nil || r.Header.Get("X-Rainhill") != "1" || !carries(r) {
				refuse(w, http.StatusForbidden, "changes come from the page itself, as JSON with the header X-Rainhill: 1")
				return
			}
			r.Body = http.MaxBytesReader(w, r.Body, most(r))
		}
		next.ServeHTTP(w, r)
	})
}

// carries reports whether the body is of a kind that a form of a foreign page
// cannot send: JSON, and a picture where one is asked for.
func carries(r *http.Request) bool {
	kind := r.Header.Get("Content-Type")
	switch {
	case r.Method == http.MethodDelete:
		return true
	case r.URL.Path == "/api/photo":
		return kind == "image/jpeg" || kind == "image/png"
	}
	return strings.HasPrefix(kind, "application/json")
}

// most is how long the body of a request may be, bytes.
func most(r *http.Request) int64 {
	switch r.URL.Path {
	case "/api/photo":
		return mostPhoto
	case "/api/roster/check":
		return mostCheck
	}
	return wire.MaxEventBytes
}

// ourName keeps a foreign site from reaching us by a name of its own that it
// points at our address.
func ourName(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.Trim(name, "[]"))
	own, _ := os.Hostname()
	return net.ParseIP(name) != nil || name == "localhost" || strings.HasSuffix(name, ".local") ||
		name == strings.ToLower(own) || !strings.Contains(name, ".")
}

func refuse(w http.ResponseWriter, status int, why string) {
	answer(w, status, wire.Reply{Reason: why})
}

func answer(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		status, b = http.StatusInternalServerError, []byte(`{"ok":false,"reason":"the answer could not be encoded"}`)
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n'))
}

// site is the site a request is about.
func (g *Gateway) site(r *http.Request) string {
	if s := r.URL.Query().Get("site"); wire.ValidID(s) {
		return s
	}
	return g.cfg.Site
}

// question asks a service over the bus.
func (g *Gateway) question(site, what string, data []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	b, err := bus.Enquire(ctx, g.nc, bus.Question(site, what), data)
	if err != nil {
		return nil, fmt.Errorf("asking for %s of site %s: %w", what, site, err)
	}
	return understood(b)
}

var errRefused = errors.New("refused")

func (g *Gateway) ask(what string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		b, err := g.question(g.site(r), what, []byte(r.URL.Query().Get("session")))
		if err != nil {
			g.failed(w, err)
			return
		}
		pass(w, b)
	}
}

func (g *Gateway) failed(w http.ResponseWriter, err error) {
	switch {
	case errors.Is(err, errConflict):
		answer(w, http.StatusConflict, wire.Reply{Reason: plain(err), Conflict: true})
	case errors.Is(err, errRefused):
		refuse(w, http.StatusBadRequest, plain(err))
	case errors.Is(err, nats.ErrNoResponders):
		refuse(w, http.StatusServiceUnavailable, "the service that answers this is not running")
	default:
		refuse(w, http.StatusServiceUnavailable, err.Error())
	}
}

// plain is an error in words for a person: without the mark it was branched on by.
func plain(err error) string {
	text := err.Error()
	for _, mark := range []string{"refused: ", "conflict: "} {
		text = strings.TrimPrefix(text, mark)
	}
	return text
}
