package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"sort"
	"strconv"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// rescore answers with JSON Lines: {"done": n} while the session is read, and at
// the end {"results": ...} or {"reason": why not}. Who goes away cancels it.
func (g *Gateway) rescore(w http.ResponseWriter, r *http.Request) {
	var ask wire.RescoreAsk
	if err := json.NewDecoder(r.Body).Decode(&ask); err != nil {
		refuse(w, http.StatusBadRequest, "want {\"session\": id, \"scoring\": {min_lap_s, lap_length_mm, lap_length_u_mm, gates}}")
		return
	}
	site := g.site(r)
	ask.Job = fmt.Sprintf("j%s-%d", g.boot, g.jobs.Add(1))
	lines := make(chan []byte, 16)
	sub, err := g.nc.Subscribe(bus.Progress(site, ask.Job), func(m *nats.Msg) {
		select {
		case lines <- m.Data:
		default: // the next says more
		}
	})
	if err != nil {
		g.failed(w, err)
		return
	}
	defer func() { _ = sub.Unsubscribe() }()
	b, err := json.Marshal(ask)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	type end struct {
		b   []byte
		err error
	}
	done := make(chan end, 1)
	go func() {
		b, err := g.patiently(r.Context(), site, "rescore", b)
		done <- end{b, err}
	}()
	w.Header().Set("Content-Type", "application/jsonl; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	say := func(b []byte) {
		_, _ = w.Write(append(b, '\n'))
		_ = http.NewResponseController(w).Flush()
	}
	for {
		select {
		case b := <-lines:
			say(b)
		case e := <-done:
			if e.err != nil {
				why, _ := json.Marshal(wire.Reply{Reason: plain(e.err)})
				say(why)
				return
			}
			var results json.RawMessage = e.b
			whole, err := json.Marshal(map[string]json.RawMessage{"results": results})
			if err == nil {
				say(whole)
			}
			return
		case <-r.Context().Done():
			_ = g.nc.Publish(bus.Cancel(site, ask.Job), nil)
			return
		}
	}
}

func (g *Gateway) history(w http.ResponseWriter, r *http.Request) {
	id := r.URL.Query().Get("locomotive")
	if !wire.ValidID(id) {
		refuse(w, http.StatusBadRequest, "which locomotive? ?locomotive=ID")
		return
	}
	b, err := g.question(g.site(r), "history", []byte(id))
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}

// RawCrossing is a crossing as the journal has it. AboutUs is its instant in bus
// time as far as arrivals tell: the agent's own reading plus its quickest arrival.
type RawCrossing struct {
	JournalSeq uint64   `json:"journal_seq"`
	Gate       string   `json:"gate"`
	Edge       string   `json:"edge"`
	Beam       *int64   `json:"beam,omitempty"`
	Tag        string   `json:"tag,omitempty"`
	Agent      string   `json:"agent,omitempty"`
	Boot       string   `json:"boot,omitempty"`
	Seq        *uint64  `json:"seq,omitempty"`
	AtUs       int64    `json:"at_us"`
	UUs        *float64 `json:"u_us,omitempty"`
	BusUs      int64    `json:"bus_us"`
	AboutUs    int64    `json:"about_us"`
}

const (
	aroundUs    = int64(2_000_000)   // shown before and after what is asked for
	lateUs      = int64(600_000_000) // how much later a crossing may have arrived
	rawMost     = 5000
	rawLongest  = int64(6 * 3600 * 1_000_000)
	rawReadMost = 200_000
)

// crossings lists what the gates reported between two instants: the raw facts
// behind a lap.
func (g *Gateway) crossings(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	from, err1 := strconv.ParseInt(q.Get("from_us"), 10, 64)
	to, err2 := strconv.ParseInt(q.Get("to_us"), 10, 64)
	if err := errors.Join(err1, err2); err != nil || to < from || to-from > rawLongest {
		refuse(w, http.StatusBadRequest, "want ?from_us=&to_us=, instants in bus time at most six hours apart")
		return
	}
	js, err := jetstream.New(g.nc)
	if err != nil {
		g.failed(w, err)
		return
	}
	list, err := rawCrossings(r.Context(), js, g.site(r), from, to)
	if err != nil {
		g.failed(w, err)
		return
	}
	more := len(list) > rawMost
	answer(w, http.StatusOK, struct {
		Crossings []RawCrossing `json:"crossings"`
		More      bool          `json:"more"`
	}{list[:min(len(list), rawMost)], more})
}

var errEnough = errors.New("enough")

func rawCrossings(ctx context.Context, js jetstream.JetStream, site string, from, to int64) ([]RawCrossing, error) {
	first, last, err := journal.Between(ctx, js, site, from-aroundUs, to+aroundUs+lateUs)
	if err != nil {
		return nil, err
	}
	list, quickest := []RawCrossing{}, map[string]int64{}
	err = journal.ReadOnly(ctx, js, site, first, last, wire.KindCrossing, func(seq uint64, record []byte) error {
		var e wire.Event
		if json.Unmarshal(record, &e) != nil {
			return nil
		}
		id := e.Agent + "/" + e.Boot
		if d, ok := quickest[id]; !ok || e.BusUs-e.AtUs < d {
			quickest[id] = e.BusUs - e.AtUs
		}
		list = append(list, RawCrossing{
			JournalSeq: seq, Gate: e.Gate, Edge: e.Edge, Beam: e.Beam, Tag: e.Tag, Agent: e.Agent, Boot: e.Boot, Seq: e.Seq, AtUs: e.AtUs, UUs: e.UUs, BusUs: e.BusUs,
		})
		if len(list) >= rawReadMost {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	kept := []RawCrossing{}
	for _, x := range list {
		x.AboutUs = x.AtUs + quickest[x.Agent+"/"+x.Boot]
		if x.Agent == "" {
			x.AboutUs = x.AtUs
		}
		if x.AboutUs >= from-aroundUs && x.AboutUs <= to+aroundUs {
			kept = append(kept, x)
		}
	}
	sort.SliceStable(kept, func(i, j int) bool { return kept[i].AboutUs < kept[j].AboutUs })
	return kept, nil
}
