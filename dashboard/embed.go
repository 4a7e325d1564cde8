// Package dashboard is the page: what a browser is given to see the line. It
// answers "which bytes, and which version of them?". It serves nothing itself,
// speaks to no bus and holds no state; the gateway hands these bytes out. The
// page has no build step: what stands in page/ is what the browser runs, line
// for line, with the comments left out.
package dashboard

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"strings"
	"sync"
	"testing/fstest"
)

//go:embed page/index.html page/mark.svg page/css/*.css page/js/*.js page/lib/*.js page/lib/*.css page/lib/*.txt
var files embed.FS

// Prefix begins the address of every asset: Prefix + build + "/" + name. The
// build stands in the address, so an asset may be kept by a browser for ever,
// and an address with another build is not found.
const Prefix = "/a/"

// buildLength is how many hexadecimal digits of the hash make a build.
const buildLength = 16

type page struct {
	assets fs.FS
	build  string
	html   []byte
	replay []byte
	err    error
}

var made = sync.OnceValue(assemble)

// Assets returns every file of the page by name ("js/main.js", "css/paper.css"
// and so on; not index.html, which is Page), and the build: a hash over all
// names and contents. The same files always give the same build.
func Assets() (assets fs.FS, build string, err error) {
	p := made()
	return p.assets, p.build, p.err
}

// Page is the HTML to serve at / and /health, with the build in its meta tag
// and in the address of every asset. It is nil only if Assets gives an error.
func Page() []byte { return made().html }

// ReplayPage is the HTML to serve at /replay: the same sheet on other paper, with
// modules of its own, so that nothing of the live line is even loaded there.
func ReplayPage() []byte { return made().replay }

func assemble() page {
	out := fstest.MapFS{}
	h := sha256.New()
	err := fs.WalkDir(files, "page", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		name = strings.TrimPrefix(name, "page/")
		if strings.HasPrefix(name, "js/") {
			b = lean(b)
		}
		fmt.Fprintf(h, "%s %d\n", name, len(b))
		h.Write(b)
		out[name] = &fstest.MapFile{Data: b, Mode: 0o444}
		return nil
	})
	if err != nil {
		return page{err: fmt.Errorf("reading the page's embedded files: %w", err)}
	}
	p := page{assets: out, build: hex.EncodeToString(h.Sum(nil))[:buildLength]}
	html := string(out["index.html"].Data)
	delete(out, "index.html")
	if p.html, err = p.fill(html, "js/main.js"); err == nil {
		p.replay, err = p.fill(forReplay.Replace(html), "js/replay.js")
	}
	if err != nil {
		return page{err: fmt.Errorf("finding the modules of the page: %w", err)}
	}
	return p
}

// forReplay makes the HTML of a replay of that of the line.
var forReplay = strings.NewReplacer("js/main.js", "js/replay.js", "css/book.css", "css/replay.css", "<title>Rainhill", "<title>Replay")

// fill puts the build, the addresses and the modules to begin with into the HTML.
func (p page) fill(html, module string) ([]byte, error) {
	modules, err := first(p.assets.(fs.ReadFileFS).ReadFile, module)
	fill := strings.NewReplacer("{{BUILD}}", p.build, "{{ASSETS}}", Prefix+p.build, "<!--MODULES-->", preload(Prefix+p.build, modules))
	return []byte(fill.Replace(html)), err
}

// preload names every module that the page begins with in its HTML, so that a
// browser asks for all at once and not one import after the other.
func preload(prefix string, modules []string) string {
	var b strings.Builder
	for _, m := range modules {
		fmt.Fprintf(&b, "<link rel=\"modulepreload\" href=\"%s/%s\">\n", prefix, m)
	}
	return b.String()
}
