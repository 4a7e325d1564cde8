package gateway

import (
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"rainhill/gateway/tables"
	"rainhill/pkg/wire"
)

// paired registers what an experiment with and without trim asks for.
func (g *Gateway) paired(mux *routes) {
	mux.HandleFunc("GET /api/paired-order", g.pairedOrder)
	mux.HandleFunc("GET /api/paired", g.pairedResult)
	mux.HandleFunc("GET /api/paired-laps.csv", func(w http.ResponseWriter, r *http.Request) {
		id := r.URL.Query().Get("experiment")
		if !wire.ValidID(id) {
			refuse(w, http.StatusBadRequest, "want ?experiment=ID")
			return
		}
		table(g, "paired-"+id, tables.CSV, wire.PairedRows(id))(w, r)
	})
}

// pairedOrder answers with the order of paired trials, from a seed or a fresh one.
func (g *Gateway) pairedOrder(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	pairs, err := strconv.Atoi(q.Get("pairs"))
	seed := uint64(time.Now().UnixNano()) % 1_000_000
	if text := q.Get("seed"); err == nil && text != "" {
		seed, err = strconv.ParseUint(text, 10, 53)
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, "want ?pairs=NUMBER, and &seed= a whole number of 0 or more, or none")
		return
	}
	g.pairedAsk(w, r, "paired-order", wire.PairedAsk{Pairs: pairs, Seed: seed})
}

// pairedResult answers with what an experiment showed.
func (g *Gateway) pairedResult(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	g.pairedAsk(w, r, "paired", wire.PairedAsk{Session: q.Get("session"), Experiment: q.Get("experiment")})
}

func (g *Gateway) pairedAsk(w http.ResponseWriter, r *http.Request, what string, ask wire.PairedAsk) {
	b, err := json.Marshal(ask)
	if err == nil {
		b, err = g.question(g.site(r), what, b)
	}
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}
