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
	g.pullAnswer(w, r, "pull", ask)
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
