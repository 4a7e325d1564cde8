package gateway

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"

	"rainhill/pkg/wire"
)

// pull answers what pull tests show: of a session, or of a locomotive over all of them.
func (g *Gateway) pull(w http.ResponseWriter, r *http.Request) {
	ask, bad := pullAsk(r.URL.Query())
	if bad != "" {
		refuse(w, http.StatusBadRequest, bad)
		return
	}
	q, err := json.Marshal(ask)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	b, err := g.question(g.site(r), "pull", q)
	if err != nil {
		g.failed(w, err)
		return
	}
	pass(w, b)
}

// pullAsk reads the question from an address; bad says what is wrong with it.
func pullAsk(q url.Values) (ask wire.PullAsk, bad string) {
	ask = wire.PullAsk{Session: q.Get("session"), Locomotive: q.Get("locomotive")}
	if ask.Session == "all" {
		ask.Session, ask.Season = "", true
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
		return ask, "want ?session=ID, or none for the one in the book, and locomotive=ID, or both with session=all; and numbers of 0 or more: " + err.Error()
	}
	return ask, ""
}
