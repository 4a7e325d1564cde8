package gateway

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"

	"rainhill/dashboard"
)

// pages are the page's files, each compressed once at start.
type pages struct {
	build string
	html  file
	again file // the page of a replay
	files map[string]file
}

type file struct {
	kind      string
	raw, zip  []byte
	immutable bool
}

func newPages() (*pages, error) {
	assets, build, err := dashboard.Assets()
	if err != nil {
		return nil, err
	}
	p := &pages{build: build, files: map[string]file{}}
	if p.html, err = compress("text/html; charset=utf-8", dashboard.Page(), false); err != nil {
		return nil, err
	}
	if p.again, err = compress("text/html; charset=utf-8", dashboard.ReplayPage(), false); err != nil {
		return nil, err
	}
	err = fs.WalkDir(assets, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(assets, name)
		if err != nil {
			return err
		}
		p.files[name], err = compress(kindOf(name), b, true)
		return err
	})
	return p, err
}

func kindOf(name string) string {
	switch path.Ext(name) {
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".txt":
		return "text/plain; charset=utf-8"
	}
	if k := mime.TypeByExtension(path.Ext(name)); k != "" {
		return k
	}
	return "application/octet-stream"
}

func compress(kind string, raw []byte, immutable bool) (file, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return file{}, err
	}
	if _, err := z.Write(raw); err != nil {
		return file{}, fmt.Errorf("compressing the page: %w", err)
	}
	if err := z.Close(); err != nil {
		return file{}, fmt.Errorf("compressing the page: %w", err)
	}
	return file{kind, raw, b.Bytes(), immutable}, nil
}

func (p *pages) register(mux *routes) {
	page := func(w http.ResponseWriter, r *http.Request) { p.html.serve(w, r, p.build) }
	mux.HandleFunc("GET /{$}", page)
	mux.HandleFunc("GET /health", page)
	mux.HandleFunc("GET /book", page)
	mux.HandleFunc("GET /audit", page)
	mux.HandleFunc("GET /roster", page)
	mux.HandleFunc("GET /replay", func(w http.ResponseWriter, r *http.Request) { p.again.serve(w, r, p.build) })
	mux.HandleFunc("GET /meet", page)
	mux.HandleFunc("GET /call", page)
	mux.HandleFunc("GET /results", page)
	for _, view := range []string{"sets", "motors", "predict", "drive", "compare", "pull", "coast"} {
		mux.HandleFunc("GET /"+view, page)
	}
	mux.HandleFunc("GET "+dashboard.Prefix+"{build}/{name...}", func(w http.ResponseWriter, r *http.Request) {
		f, ok := p.files[r.PathValue("name")]
		if !ok || r.PathValue("build") != p.build {
			refuse(w, http.StatusNotFound, "no such file in this build of the page")
			return
		}
		f.serve(w, r, p.build)
	})
}

func (f file) serve(w http.ResponseWriter, r *http.Request, build string) {
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", `"`+build+`"`)
	h.Set("Cache-Control", "no-cache")
	if f.immutable {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	if r.Header.Get("If-None-Match") == `"`+build+`"` {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := f.raw
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") && len(f.zip) > 0 {
		h.Set("Content-Encoding", "gzip")
		body = f.zip
	}
	h.Set("Content-Length", fmt.Sprint(len(body)))
	_, _ = w.Write(body)
}
