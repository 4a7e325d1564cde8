package gateway

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// publish puts an event into the journal and answers with what it said.
func (g *Gateway) publish(w http.ResponseWriter, site string, e wire.Event) {
	reply, err := g.write(site, e)
	if err != nil {
		g.failed(w, err)
		return
	}
	answerReply(w, reply)
}

// write puts an event into the journal.
func (g *Gateway) write(site string, e wire.Event) (wire.Reply, error) {
	var reply wire.Reply
	b, err := json.Marshal(e)
	if err != nil {
		return reply, fmt.Errorf("%w: %w", errRefused, err)
	}
	m, err := g.nc.Request(bus.Internal(site, e.Kind, e.Source()), b, 10*time.Second)
	if err != nil {
		return reply, fmt.Errorf("writing to the journal: %w", err)
	}
	if err := json.Unmarshal(m.Data, &reply); err != nil {
		return reply, fmt.Errorf("the journal's answer could not be read: %w", err)
	}
	return reply, nil
}

func answerReply(w http.ResponseWriter, reply wire.Reply) {
	status := http.StatusOK
	switch {
	case reply.OK:
	case reply.Conflict:
		status = http.StatusConflict
	case strings.HasSuffix(reply.Reason, "try again"):
		status = http.StatusServiceUnavailable
	default:
		status = http.StatusBadRequest
	}
	answer(w, status, reply)
}

// tap takes a human's passage of a gate as a crossing like any other.
func (g *Gateway) tap(w http.ResponseWriter, r *http.Request) {
	e, ok := readEvent(w, r)
	if !ok {
		return
	}
	e.Kind, e.Edge = wire.KindCrossing, wire.EdgePulse
	g.fromPage(w, r, e)
}

// sync takes the page's clock exchange, so that its taps are put right.
func (g *Gateway) sync(w http.ResponseWriter, r *http.Request) {
	e, ok := readEvent(w, r)
	if !ok {
		return
	}
	e.Kind = wire.KindSync
	g.fromPage(w, r, e)
}

func readEvent(w http.ResponseWriter, r *http.Request) (wire.Event, bool) {
	var e wire.Event
	if err := json.NewDecoder(r.Body).Decode(&e); err != nil {
		refuse(w, http.StatusBadRequest, "not an event: "+err.Error())
		return e, false
	}
	e.BusUs, e.JournalSeq = 0, 0
	return e, true
}

// fromPage lets a page speak as a tapping hand, and as nobody else.
func (g *Gateway) fromPage(w http.ResponseWriter, r *http.Request, e wire.Event) {
	if !strings.HasPrefix(e.Agent, "tap-") {
		refuse(w, http.StatusBadRequest, "a page's agent id begins with tap-")
		return
	}
	g.publish(w, g.site(r), e)
}

// journal sends a session's facts as JSON Lines; with follow=1 it goes on with
// what comes, until the session closes or the reader goes.
func (g *Gateway) journal(w http.ResponseWriter, r *http.Request) {
	js, err := jetstream.New(g.nc)
	if err != nil {
		g.failed(w, err)
		return
	}
	q := r.URL.Query()
	out := &lateHeader{w: w, kind: "application/jsonl; charset=utf-8", name: "session.jsonl"}
	err = journal.Export(r.Context(), js, g.site(r), q.Get("session"), q.Get("follow") == "1", out)
	if err != nil {
		err = fmt.Errorf("%w: %w", errRefused, err)
	}
	out.end(g, err)
}

// lateHeader sends the headers with the first bytes, so that an error before
// them can still be told, and passes each write on at once.
type lateHeader struct {
	w          http.ResponseWriter
	kind, name string // of the content; of the file, when it is one
	began      bool
}

// end tells an error, or cuts the line if it is too late for that: half an
// export must not look like a whole one.
func (l *lateHeader) end(g *Gateway, err error) {
	switch {
	case err != nil && !l.began:
		g.failed(l.w, err)
	case err != nil:
		panic(http.ErrAbortHandler)
	}
}

func (l *lateHeader) Write(b []byte) (int, error) {
	if !l.began {
		l.began = true
		l.w.Header().Set("Content-Type", l.kind)
		l.w.Header().Set("Cache-Control", "no-store")
		if l.name != "" {
			l.w.Header().Set("Content-Disposition", `attachment; filename="`+l.name+`"`)
		}
	}
	n, err := l.w.Write(b)
	if err == nil {
		_ = http.NewResponseController(l.w).Flush()
	}
	return n, err
}

// health joins what the journal and the scorer know of themselves.
func (g *Gateway) health(w http.ResponseWriter, r *http.Request) {
	site := g.site(r)
	b, err := g.question(site, "health", nil)
	if err != nil {
		g.failed(w, err)
		return
	}
	var h wire.Health
	if err := json.Unmarshal(b, &h); err != nil {
		refuse(w, http.StatusBadGateway, "the journal's health could not be read")
		return
	}
	var scored struct {
		Seq     uint64   `json:"seq"`
		Unknown []string `json:"unknown_gates"`
		Doubts  []string `json:"doubts"`
	}
	if b, err := g.question(site, "scored", nil); err != nil {
		h.Doubts = append(h.Doubts, "the scorer does not answer: "+err.Error())
	} else if json.Unmarshal(b, &scored) == nil {
		h.ScoredSeq, h.UnknownGates = scored.Seq, scored.Unknown
		h.Doubts = append(h.Doubts, scored.Doubts...)
	}
	h.Viewers = g.viewers.Load()
	answer(w, http.StatusOK, h)
}

func (g *Gateway) listAgents(w http.ResponseWriter, _ *http.Request) {
	list := []wire.Credential{}
	if g.cfg.Agents != nil {
		list = g.cfg.Agents.List()
	}
	answer(w, http.StatusOK, map[string]any{"agents": list, "bus": g.cfg.Bus})
}

func (g *Gateway) addAgent(w http.ResponseWriter, r *http.Request) {
	var c wire.Credential
	if err := json.NewDecoder(r.Body).Decode(&c); err != nil {
		refuse(w, http.StatusBadRequest, "want {\"agent\": id, \"gates\": [], \"motors\": [], \"cells\": []}")
		return
	}
	if g.cfg.Agents == nil {
		refuse(w, http.StatusBadRequest, "agents are signed in by the outside bus; add them there")
		return
	}
	made, err := g.cfg.Agents.Add(c)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	answer(w, http.StatusOK, made)
}
