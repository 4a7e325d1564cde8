package gateway

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// pulls registers what pull tests show: figures, drawings, a sheet, and what was seen of
// an attempt.
func (g *Gateway) pulls(mux *routes) {
	mux.HandleFunc("GET /api/pull", func(w http.ResponseWriter, r *http.Request) {
		if b, ok := g.pullResult(w, r); ok {
			pass(w, b)
		}
	})
	mux.HandleFunc("GET /api/pull-seen", g.pullSeen)
	mux.HandleFunc("GET /api/pull.svg", func(w http.ResponseWriter, r *http.Request) {
		if res, ok := read[wire.PullResult](g, w, r, g.pullResult); ok {
			g.pullDrawing(w, r, res)
		}
	})
	mux.HandleFunc("GET /api/pull.html", func(w http.ResponseWriter, r *http.Request) {
		if res, ok := read[wire.PullResult](g, w, r, g.pullResult); ok {
			sheet, err := report.OfPulls(res, g.aboutSessions(r, "Pull tests"))
			g.sheet(w, r, "pull", sheet, err)
		}
	})
}

// pullResult asks what pull tests show: of sessions, or of a locomotive over all of them.
func (g *Gateway) pullResult(w http.ResponseWriter, r *http.Request) ([]byte, bool) {
	ask, bad := pullAsk(r.URL.Query())
	if bad != "" {
		refuse(w, http.StatusBadRequest, bad)
		return nil, false
	}
	b, err := json.Marshal(ask)
	if err == nil {
		b, err = g.question(g.site(r), "pull", b)
	}
	if err != nil {
		g.failed(w, err)
		return nil, false
	}
	return b, true
}

// pullDrawing draws one limit, the first unless ?limit= counts on, or with
// ?limit=agreement static beside moving.
func (g *Gateway) pullDrawing(w http.ResponseWriter, r *http.Request, res wire.PullResult) {
	which := r.URL.Query().Get("limit")
	if which == "agreement" && res.Agreement != nil {
		b, err := report.Agreement(*res.Agreement, paperOf(r))
		g.drawing(w, b, err)
		return
	}
	i, err := strconv.Atoi(cmp.Or(which, "0"))
	if err != nil || i < 0 || i >= len(res.Locomotives) {
		refuse(w, http.StatusBadRequest, fmt.Sprintf("limit=%s: there are %d, counted from 0, and agreement where both methods were used", which, len(res.Locomotives)))
		return
	}
	b, err := report.Pull(res.Locomotives[i], paperOf(r))
	g.drawing(w, b, err)
}

// pullSeen answers what encoders, gates and load cell say of an attempt. It changes
// nothing: an official takes it down by a decision.
func (g *Gateway) pullSeen(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	ask := wire.PullSeenAsk{Locomotive: q.Get("locomotive"), Direction: q.Get("direction")}
	var err error
	if ask.FromUs, err = strconv.ParseInt(q.Get("from_us"), 10, 64); err == nil && q.Has("until_us") {
		ask.UntilUs, err = strconv.ParseInt(q.Get("until_us"), 10, 64)
	}
	if err == nil {
		err = ask.Check()
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, "want ?locomotive=ID&from_us=INSTANT, and until_us= and direction= or neither: "+err.Error())
		return
	}
	g.pullAnswer(w, r, "pull-seen", ask)
}

func (g *Gateway) pullAnswer(w http.ResponseWriter, r *http.Request, what string, ask any) {
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

// pullAsk reads the question from an address; bad says what is wrong with it.
func pullAsk(q url.Values) (ask wire.PullAsk, bad string) {
	ask = wire.PullAsk{Sessions: q["session"], Locomotive: q.Get("locomotive")}
	if slices.Equal(ask.Sessions, []string{"all"}) {
		ask.Sessions, ask.Season = nil, true
	}
	for name, to := range map[string]*float64{
		"scale_resolution_g": &ask.ScaleG, "mass_u_g": &ask.MassUG, "step_g": &ask.StepG, "rolling_permille": &ask.RollingPermille, "rolling_u_permille": &ask.RollingUPermille,
	} {
		x, err := strconv.ParseFloat(q.Get(name), 64)
		if q.Has(name) && err != nil {
			return ask, name + " is not a number"
		}
		*to = x
	}
	if err := ask.Check(); err != nil {
		return ask, "want ?session=ID as often as needed, or none for the one in the book, and locomotive=ID, or both with session=all; and numbers of 0 or more: " + err.Error()
	}
	return ask, ""
}
