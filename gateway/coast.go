package gateway

import (
	"encoding/json"
	"math"
	"net/http"
	"strconv"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// coastings registers what coasting shows: figures, a drawing and a sheet.
func (g *Gateway) coastings(mux *routes) {
	mux.HandleFunc("GET /api/coast", func(w http.ResponseWriter, r *http.Request) {
		if b, ok := g.coast(w, r); ok {
			pass(w, b)
		}
	})
	mux.HandleFunc("GET /api/coast.svg", func(w http.ResponseWriter, r *http.Request) {
		if res, ok := read[wire.CoastResult](g, w, r, g.coast); ok {
			b, err := report.Coast(res, paperOf(r))
			g.drawing(w, b, err)
		}
	})
	mux.HandleFunc("GET /api/coast.html", func(w http.ResponseWriter, r *http.Request) {
		if res, ok := read[wire.CoastResult](g, w, r, g.coast); ok {
			sheet, err := report.OfCoasting(res, g.aboutSessions(r, "Coasting"))
			g.sheet(w, r, "coast", sheet, err)
		}
	})
}

// coast asks the resistance of consists from the trials of sessions that coasted. It
// changes nothing: keeping it is a decision on the consist like any other.
func (g *Gateway) coast(w http.ResponseWriter, r *http.Request) ([]byte, bool) {
	q := r.URL.Query()
	ask := wire.CoastAsk{Sessions: q["session"], Consist: q.Get("consist"), Trials: q["trial"]}
	for name, into := range map[string]*float64{"rotating": &ask.Rotating, "place_u_mm": &ask.PlaceUMm} {
		text := q.Get(name)
		if text == "" {
			continue
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			refuse(w, http.StatusBadRequest, name+" is not a number")
			return nil, false
		}
		*into = x
	}
	b, err := json.Marshal(ask)
	if err == nil {
		b, err = g.patiently(r.Context(), g.site(r), "coast", b)
	}
	if err != nil {
		g.failed(w, err)
		return nil, false
	}
	return b, true
}
