package gateway

import (
	"encoding/json"
	"net/http"
	"strconv"

	"rainhill/pkg/wire"
)

// coast answers the resistance of a session's consists from its trials that coasted. It
// changes nothing: keeping it is a decision on the consist like any other.
func (g *Gateway) coast(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	ask := wire.CoastAsk{Session: q.Get("session"), Consist: q.Get("consist"), Trials: q["trial"]}
	var err error
	if text := q.Get("rotating"); text != "" {
		if ask.Rotating, err = strconv.ParseFloat(text, 64); err != nil || !(ask.Rotating >= 1 && ask.Rotating <= 10) {
			refuse(w, http.StatusBadRequest, "want ?rotating= the effective mass over the mass, 1 to 10, or none")
			return
		}
	}
	b, err := json.Marshal(ask)
	if err == nil {
		b, err = g.patiently(r.Context(), g.site(r), "coast", b)
	}
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}
