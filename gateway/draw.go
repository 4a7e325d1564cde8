package gateway

import (
	"io"
	"net/http"
)

// draw answers how a circuit would lie, for whoever draws one up: readers too,
// as it changes nothing. The body is a wire.CircuitValue, the answer a
// wire.CircuitView; values that no circuit has are refused with the reason.
func (g *Gateway) draw(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		refuse(w, http.StatusRequestEntityTooLarge, "reading the circuit to draw: "+err.Error())
		return
	}
	b, err := g.question(g.site(r), "draw", body)
	if err != nil {
		g.failed(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b)
}
