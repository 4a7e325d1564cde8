package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"net/http"
	"net/url"

	"rainhill/gateway/tables"
	"rainhill/pkg/wire"
)

// season is what ?session= says for every session.
const season = "all"

// exports registers what can be taken away of results. Each takes ?session=ID (the
// present one without it, "all" for every session), and leaves in what ?trial=
// (once or more), ?locomotive= and ?class= ask for.
func (g *Gateway) exports(mux *routes) {
	mux.HandleFunc("GET /api/results", g.results)
	for _, f := range []tables.Format{tables.CSV, tables.Parquet} {
		mux.HandleFunc("GET /api/laps."+f.Ending, table(g, "laps", f, wire.LapRows))
		mux.HandleFunc("GET /api/sectors."+f.Ending, table(g, "sectors", f, wire.SectorRows))
		mux.HandleFunc("GET /api/trials."+f.Ending, table(g, "trials", f, wire.TrialRows))
		mux.HandleFunc("GET /api/standings."+f.Ending, table(g, "standings", f, wire.StandingRows))
	}
}

func filterOf(q url.Values) wire.Filter {
	f := wire.Filter{Locomotive: q.Get("locomotive"), Class: q.Get("class")}
	for _, id := range q["trial"] {
		if id != "" {
			f.Trials = append(f.Trials, id)
		}
	}
	return f
}

// table answers with a table, session by session as the service gives them.
func table[T any](g *Gateway, name string, f tables.Format, rows func(wire.Results) iter.Seq[T]) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		file := name
		if id := q.Get("session"); wire.ValidID(id) {
			file += "-" + id
		}
		out := &lateHeader{w: w, kind: f.Kind, name: file + "." + f.Ending}
		err := writeTable(r.Context(), g, f, q.Get("session"), g.site(r), filterOf(q), rows, out)
		out.end(g, err)
	}
}

func writeTable[T any](ctx context.Context, g *Gateway, f tables.Format, session, site string, only wire.Filter, rows func(wire.Results) iter.Seq[T], out *lateHeader) error {
	var t tables.Writer[T]
	err := g.each(ctx, site, session, func(b []byte) error {
		var res wire.Results
		if err := json.Unmarshal(b, &res); err != nil {
			return fmt.Errorf("reading the results: %w", err)
		}
		if t == nil {
			var err error
			if t, err = tables.New[T](f, out); err != nil {
				return err
			}
		}
		return t.Put(rows(res.Only(only)))
	})
	if err == nil && t == nil { // a season without a session: the head alone
		t, err = tables.New[T](f, out)
	}
	if err != nil {
		return err
	}
	return t.Close()
}

// each hands on the results of a session, or one after the other those of all
// sessions. It ends with fn's error, or when the reader has gone.
func (g *Gateway) each(ctx context.Context, site, session string, fn func([]byte) error) error {
	if session != season {
		b, err := g.question(site, "results", []byte(session))
		if err != nil {
			return err
		}
		return fn(b)
	}
	b, err := g.question(site, "view", nil)
	if err != nil {
		return err
	}
	var v struct {
		Sessions []wire.Session `json:"sessions"`
	}
	if err := json.Unmarshal(b, &v); err != nil {
		return fmt.Errorf("reading the list of sessions: %w", err)
	}
	for _, s := range v.Sessions {
		if err := ctx.Err(); err != nil {
			return err
		}
		b, err := g.question(site, "results", []byte(s.ID))
		if errors.Is(err, errRefused) {
			continue // opened and taken back, or closed by a program that kept none
		}
		if err == nil {
			err = fn(b)
		}
		if err != nil {
			return fmt.Errorf("session %s: %w", s.ID, err)
		}
	}
	return nil
}

// results answers with a session's results as they were scored, or with what is
// asked for of them; of all sessions as {"sessions": [...]}.
func (g *Gateway) results(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	only := filterOf(q)
	if q.Get("session") != season && only.All() {
		g.ask("results")(w, r)
		return
	}
	out := &lateHeader{w: w, kind: "application/json; charset=utf-8"}
	before, after := "", "\n"
	if q.Get("session") == season {
		before, after = `{"sessions": [`, "]}\n"
	}
	err := g.each(r.Context(), g.site(r), q.Get("session"), func(b []byte) error {
		var res wire.Results
		if err := json.Unmarshal(b, &res); err != nil {
			return fmt.Errorf("reading the results: %w", err)
		}
		b, err := json.Marshal(res.Only(only))
		if err == nil {
			_, err = out.Write(append([]byte(before), b...))
		}
		before = ",\n"
		return err
	})
	if err == nil {
		if !out.began && q.Get("session") == season {
			after = before + after
		}
		_, err = io.WriteString(out, after)
	}
	out.end(g, err)
}
