package gateway

import (
	"encoding/json"
	"net/http"

	"rainhill/pkg/wire"
)

// wheels answers what light, slow trials say of a locomotive's wheel diameters, one
// wire.WheelCheck a driver set. It changes nothing: they are adopted by a decision on
// the locomotive.
func (g *Gateway) wheels(w http.ResponseWriter, r *http.Request) {
	trials, session := r.URL.Query()["trial"], r.URL.Query().Get("session")
	for _, id := range trials {
		if !wire.ValidID(id) {
			refuse(w, http.StatusBadRequest, "trial "+id+" is not an id")
			return
		}
	}
	if len(trials) == 0 || len(trials) > 100 || session != "" && !wire.ValidID(session) {
		refuse(w, http.StatusBadRequest, "which trials? ?session=ID&trial=ID&trial=ID, at most 100")
		return
	}
	q, err := json.Marshal(map[string]any{"session": session, "trials": trials})
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	b, err := g.question(g.site(r), "wheels", q)
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}
