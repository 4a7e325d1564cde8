package gateway

import (
	"encoding/json"
	"io"
	"net/http"

	"rainhill/pkg/wire"
)

// reckoned answers what follows from the roster and the question in the body alone: a
// wire.PredictAsk for predict, a wire.PairingAsk for pairing. It changes nothing, so readers
// may ask too.
func (g *Gateway) reckoned(what string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			refuse(w, http.StatusRequestEntityTooLarge, "reading the question: "+err.Error())
			return
		}
		b, err := g.patiently(r.Context(), g.site(r), what, body)
		if err != nil {
			g.failed(w, err)
			return
		}
		pass(w, b)
	}
}

// curve answers a motor's curve, fitted to the readings of trials. Storing it is a
// decision on the motor like any other.
func (g *Gateway) curve(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	b, err := json.Marshal(wire.CurveAsk{Motor: q.Get("motor"), Session: q.Get("session"), Trials: q["trial"]})
	if err == nil {
		b, err = g.patiently(r.Context(), g.site(r), "curve", b)
	}
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}
