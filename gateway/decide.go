package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// errConflict marks a decision on what somebody else has decided on meanwhile.
var errConflict = errors.New("conflict")

// scoredWithin is how long a decision on the line waits for the scorer in all. A page
// waits 8 s for its answer, and must not take for lost what is written down.
const scoredWithin = 5 * time.Second

// decision checks a decision against the book, signs it and writes it down. Two
// officials' decisions are taken one after the other, so that each is checked
// against a book that holds the one before; those about a session that is over are
// apart, and the line does not wait for them.
func (g *Gateway) decision(w http.ResponseWriter, r *http.Request) {
	var in struct {
		What    string          `json:"what"`
		Value   json.RawMessage `json:"value"`
		Why     string          `json:"why"`
		Session string          `json:"session"`
		BaseSeq *uint64         `json:"base_seq"`
	}
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		refuse(w, http.StatusBadRequest, "want {\"what\": text, \"value\": object, \"why\": text, \"session\": id, \"base_seq\": number}")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), scoredWithin)
	defer cancel()
	turn := &g.deciding
	if in.Session != "" { // its check alone may take minutes
		turn, ctx = &g.amending, r.Context()
	}
	turn.Lock()
	defer turn.Unlock()
	seq := g.seq.Add(1)
	e := wire.Event{
		Kind: wire.KindDecision, Agent: agentName, Boot: g.boot, Seq: &seq, AtUs: time.Now().UnixMicro(),
		ID: fmt.Sprintf("d%d-%d", time.Now().UnixMicro(), seq), By: nameOf(r), What: in.What, Why: in.Why, Value: in.Value,
		Session: in.Session, BaseSeq: in.BaseSeq,
	}
	b, err := json.Marshal(e)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	site := g.site(r)
	if !g.awaitScored(ctx, site, g.written.last(site)) {
		refuse(w, http.StatusServiceUnavailable, "the scorer has not come to the decision before this one yet: try again")
		return
	}
	if _, err := g.patiently(ctx, site, "check", b); err != nil {
		g.failed(w, fmt.Errorf("%w", err))
		return
	}
	reply, err := g.write(site, e)
	if err != nil {
		g.failed(w, err)
		return
	}
	g.written.note(site, reply.Seq)
	reply.ID = e.ID
	ctx, done := context.WithTimeout(ctx, scoredWithin)
	defer done()
	if reply.OK && g.awaitScored(ctx, site, reply.Seq) && e.Session == "" && !g.hadEffect(ctx, site, e.ID) {
		reply = wire.Reply{Reason: "somebody else decided on this at the same moment; look at what stands there now and decide again", Conflict: true, ID: e.ID}
	}
	answerReply(w, reply)
}

// written is the sequence of the last decision that was written here, by site.
type written struct {
	mu   sync.Mutex
	seqs map[string]uint64
}

func (w *written) last(site string) uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.seqs[site]
}

func (w *written) note(site string, seq uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.seqs == nil {
		w.seqs = map[string]uint64{}
	}
	w.seqs[site] = max(w.seqs[site], seq)
}

// awaitScored waits until the scorer has come to a sequence, and reports whether it has.
func (g *Gateway) awaitScored(ctx context.Context, site string, seq uint64) bool {
	for seq > 0 {
		b, err := g.patiently(ctx, site, "scored", nil)
		var at struct {
			Seq uint64 `json:"seq"`
		}
		if err != nil {
			return false
		}
		if json.Unmarshal(b, &at) == nil && at.Seq >= seq {
			break
		}
		time.Sleep(time.Millisecond)
	}
	return true
}

// hadEffect asks the scorer whether a decision did something: another gateway's
// may have come between the check and the writing.
func (g *Gateway) hadEffect(ctx context.Context, site, id string) bool {
	b, err := g.patiently(ctx, site, "decided", []byte(id))
	var reply wire.Reply
	return err != nil || json.Unmarshal(b, &reply) != nil || reply.OK
}

// patiently is question for what reads the journal: it waits for minutes, as long as
// the asker does.
func (g *Gateway) patiently(ctx context.Context, site, what string, data []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
	defer cancel()
	b, err := bus.Enquire(ctx, g.nc, bus.Question(site, what), data)
	if err != nil {
		return nil, fmt.Errorf("asking for %s of site %s: %w", what, site, err)
	}
	return understood(b)
}

// understood is an answer's data, or its refusal.
func understood(b []byte) ([]byte, error) {
	var r wire.Reply
	if len(b) < 4096 && json.Unmarshal(b, &r) == nil && r.Reason != "" && !r.OK {
		if r.Conflict {
			return nil, fmt.Errorf("%w: %s", errConflict, r.Reason)
		}
		return nil, fmt.Errorf("%w: %s", errRefused, r.Reason)
	}
	return b, nil
}

// runningOrder proposes a running order; the official decides on it by a decision.
func (g *Gateway) runningOrder(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Seed *uint64 `json:"seed"`
	}
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		refuse(w, http.StatusBadRequest, "want {\"seed\": a whole number of 0 or more, or nothing}")
		return
	}
	if in.Seed == nil {
		fresh := uint64(time.Now().UnixNano()) % 1_000_000
		in.Seed = &fresh
	}
	b, err := g.question(g.site(r), "running-order", strconv.AppendUint(nil, *in.Seed, 10))
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}

// pass hands a service's JSON on.
func pass(w http.ResponseWriter, b []byte) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b)
}
