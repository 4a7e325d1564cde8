package gateway

import (
	"cmp"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// findings registers comparisons: as figures, as a drawing and as a sheet to hand round.
func (g *Gateway) findings(mux *routes) {
	mux.HandleFunc("GET /api/compare", func(w http.ResponseWriter, r *http.Request) {
		if b, ok := g.comparison(w, r); ok {
			pass(w, b)
		}
	})
	mux.HandleFunc("GET /api/compare.svg", func(w http.ResponseWriter, r *http.Request) {
		if answer, ok := read[wire.CompareAnswer](g, w, r, g.comparison); ok {
			b, err := report.Compare(answer.Result, paperOf(r))
			g.drawing(w, b, err)
		}
	})
	mux.HandleFunc("GET /api/compare.html", func(w http.ResponseWriter, r *http.Request) {
		if answer, ok := read[wire.CompareAnswer](g, w, r, g.comparison); ok {
			sheet, err := report.OfComparison(answer.Result, g.aboutComparison(r, answer))
			g.sheet(w, r, "compare-"+answer.Result.Factor, sheet, err)
		}
	})
}

// comparison asks for one; what is wrong with the question is answered here.
func (g *Gateway) comparison(w http.ResponseWriter, r *http.Request) ([]byte, bool) {
	ask, err := compareAsk(r.URL.Query())
	if err != nil {
		refuse(w, http.StatusBadRequest, strings.TrimPrefix(err.Error(), wire.ErrMalformed.Error()+": "))
		return nil, false
	}
	b, err := json.Marshal(ask)
	if err == nil {
		b, err = g.patiently(r.Context(), g.site(r), "compare", b)
	}
	if err != nil {
		g.failed(w, err)
		return nil, false
	}
	return b, true
}

// read reads what was answered to ask; where that was refused, it has been said.
func read[T any](g *Gateway, w http.ResponseWriter, r *http.Request, ask func(http.ResponseWriter, *http.Request) ([]byte, bool)) (answer T, ok bool) {
	b, ok := ask(w, r)
	if !ok {
		return answer, false
	}
	if err := json.Unmarshal(b, &answer); err != nil {
		g.failed(w, err)
		return answer, false
	}
	return answer, true
}

// compareAsk reads the question of an address: factor, and session, trial, leave and
// covariate as often as needed, a, b, block, measure, margin_s.
func compareAsk(q url.Values) (wire.CompareAsk, error) {
	ask := wire.CompareAsk{
		Sessions: q["session"], Factor: q.Get("factor"), Measure: q.Get("measure"), Trials: q["trial"], Leave: q["leave"],
		A: q.Get("a"), B: q.Get("b"), Block: q.Get("block"), Covariates: q["covariate"],
	}
	if text := q.Get("margin_s"); text != "" {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			x = -1 // its check says what is wanted
		}
		ask.MarginS = &x
	}
	return ask, ask.Check()
}

// paperOf is the paper that ?paper=dark and &narrow ask for.
func paperOf(r *http.Request) report.Paper {
	p := report.Light
	if r.URL.Query().Get("paper") == "dark" {
		p = report.Dark
	}
	if r.URL.Query().Has("narrow") {
		p = p.Narrow()
	}
	return p
}

func (g *Gateway) drawing(w http.ResponseWriter, svg []byte, err error) {
	if err != nil {
		g.failed(w, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "image/svg+xml")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
	_, _ = w.Write(svg) // the viewer may be gone
}

// sheet answers with a page that opens alone; with ?download it is kept as a file.
func (g *Gateway) sheet(w http.ResponseWriter, r *http.Request, name string, s report.Sheet, err error) {
	var b []byte
	if err == nil {
		b, err = s.HTML()
	}
	if err != nil {
		g.failed(w, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'")
	if r.URL.Query().Has("download") {
		h.Set("Content-Disposition", `attachment; filename="`+fileName(name)+`.html"`)
	}
	_, _ = w.Write(b) // the viewer may be gone
}

// fileName leaves of a name what every file system takes.
func fileName(name string) string {
	return strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-' {
			return c
		}
		return '-'
	}, strings.ToLower(name))
}

// aboutOf is the title and question that an address gives a sheet.
func (g *Gateway) aboutOf(r *http.Request, title string) report.About {
	q := r.URL.Query()
	return report.About{
		Title: cmp.Or(q.Get("title"), title), Question: q.Get("question"),
		Lines: []report.Line{{Name: "written", Says: time.Now().Format("2 January 2006, 15:04")}, {Name: "site", Says: g.site(r)}},
	}
}

// aboutSessions says as well which sessions an address names, none the one in the book, by
// their names.
func (g *Gateway) aboutSessions(r *http.Request, title string) report.About {
	about := g.aboutOf(r, title)
	ids := r.URL.Query()["session"]
	if slices.Contains(ids, "all") {
		about.Lines = append(about.Lines, report.Line{Name: "sessions", Says: "all"})
		return about
	}
	var view struct {
		Session  *wire.Session  `json:"session"`
		Sessions []wire.Session `json:"sessions"`
	}
	if b, err := g.question(g.site(r), "view", nil); err != nil || json.Unmarshal(b, &view) != nil {
		view.Session, view.Sessions = nil, nil // ids have to do
	}
	if now := view.Session; now != nil {
		view.Sessions = append(view.Sessions, *now)
		if len(ids) == 0 {
			ids = []string{now.ID}
		}
	}
	var says []string
	for _, id := range ids {
		i := slices.IndexFunc(view.Sessions, func(s wire.Session) bool { return s.ID == id })
		if i < 0 {
			says = append(says, id)
			continue
		}
		says = append(says, dated(view.Sessions[i].Name, id, view.Sessions[i].OpenedUs))
	}
	if len(says) > 0 {
		about.Lines = append(about.Lines, report.Line{Name: "sessions", Says: strings.Join(says, ", ")})
	}
	return about
}

// dated is a session's name, its id where it has none, with the day on which it was opened.
func dated(name, id string, openedUs int64) string {
	name = cmp.Or(name, id)
	if openedUs > 0 {
		name += time.UnixMicro(openedUs).Format(" (2 January 2006)")
	}
	return name
}

func (g *Gateway) aboutComparison(r *http.Request, a wire.CompareAnswer) report.About {
	about := g.aboutOf(r, "Comparison by "+cmp.Or(a.Result.Words[a.Result.Factor], a.Result.Factor))
	var sessions []string
	for _, s := range a.Sessions {
		sessions = append(sessions, dated(s.Name, s.ID, s.OpenedUs))
	}
	about.Lines = append(about.Lines, report.Line{Name: "circuit", Says: strings.Join(a.Circuits, ", ")}, report.Line{Name: "sessions", Says: strings.Join(sessions, ", ")})
	return about
}
