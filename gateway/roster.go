package gateway

import (
	"encoding/json"
	"fmt"
	"net/http"

	"rainhill/pkg/wire"
)

const (
	// mostStock is how long a file of stock may be, bytes.
	mostStock = 1 << 20
	// mostCheck is the same as it stands in JSON, with its quotes and line ends
	// written out.
	mostCheck = 4 << 20
)

// stock asks for the stock in the book, and for the place in the journal at
// which it is true.
func (g *Gateway) stock(r *http.Request) (of wire.Roster, rev uint64, err error) {
	b, err := g.question(g.site(r), "view", nil)
	if err != nil {
		return of, 0, err
	}
	var view struct {
		Rev uint64 `json:"rev"`
		wire.Roster
	}
	if err := json.Unmarshal(b, &view); err != nil {
		return of, 0, fmt.Errorf("reading the stock in the book: %w", err)
	}
	return view.Roster, view.Rev, nil
}

func (g *Gateway) rosterJSON(w http.ResponseWriter, r *http.Request) {
	of, _, err := g.stock(r)
	if err != nil {
		g.failed(w, err)
		return
	}
	whole := wire.Roster{Locomotives: []wire.Locomotive{}, Consists: []wire.Consist{}, NamedMotors: []wire.NamedMotor{}, Batteries: []wire.Battery{}}
	whole.Locomotives, whole.Consists = append(whole.Locomotives, of.Locomotives...), append(whole.Consists, of.Consists...)
	whole.NamedMotors, whole.Batteries = append(whole.NamedMotors, of.NamedMotors...), append(whole.Batteries, of.Batteries...)
	b, err := json.MarshalIndent(whole, "", "  ")
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the roster could not be encoded: "+err.Error())
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/json; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="roster.json"`)
	h.Set("Cache-Control", "no-store")
	_, _ = w.Write(append(b, '\n'))
}

// rosterCSV answers with the table of one kind of stock.
func (g *Gateway) rosterCSV(what, name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		of, _, err := g.stock(r)
		if err != nil {
			g.failed(w, err)
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/csv; charset=utf-8")
		h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="roster-%s.csv"`, name))
		h.Set("Cache-Control", "no-store")
		_ = wire.WriteRosterCSV(w, what, of)
	}
}

// checkRoster says what a file of stock holds beside the book. It writes nothing:
// the official's page sends a decision for each item that is wanted.
func (g *Gateway) checkRoster(w http.ResponseWriter, r *http.Request) {
	var in struct{ Name, Text string }
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		refuse(w, http.StatusBadRequest, "want {\"name\": text, \"text\": text}, at most 1 MB: "+err.Error())
		return
	}
	if len(in.Text) > mostStock {
		refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("the file has %d bytes, at most %d are taken", len(in.Text), mostStock))
		return
	}
	of, rev, err := g.stock(r)
	if err != nil {
		g.failed(w, err)
		return
	}
	check := wire.ReadRoster(in.Name, in.Text, of)
	check.Rev = rev
	answer(w, http.StatusOK, check)
}
