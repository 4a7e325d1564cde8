package dashboard

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"testing"
)

func asset(t *testing.T, name string) []byte {
	t.Helper()
	assets, _, err := Assets()
	if err != nil {
		t.Fatal(err)
	}
	b, err := fs.ReadFile(assets, name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func zipped(t *testing.T, b []byte) int {
	t.Helper()
	var buf bytes.Buffer
	z, err := gzip.NewWriterLevel(&buf, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := z.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return buf.Len()
}

// TestWeight holds the page to its limits: 60 kB of script and 80 kB in all,
// compressed, cold, with the roll on it.
func TestWeight(t *testing.T) {
	assets, _, err := Assets()
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) ([]byte, error) { return fs.ReadFile(assets, name) }
	weigh := func(begin ...string) int {
		sum, seen := 0, map[string]bool{}
		for _, b := range begin {
			modules, err := first(read, b)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range modules {
				if !seen[m] {
					sum += zipped(t, asset(t, m))
				}
				seen[m] = true
			}
		}
		return sum
	}
	line := weigh("js/main.js", "js/roll.js")
	book := weigh("js/main.js", "js/book.js")
	roster := weigh("js/main.js", "js/roster.js")
	trouble := weigh("js/main.js", "js/incident.js", "js/tip.js", "js/order.js")
	replay := weigh("js/replay.js", "js/roll.js")
	rest := zipped(t, Page()) + zipped(t, asset(t, "mark.svg"))
	for _, link := range regexp.MustCompile(`stylesheet" href="/a/[0-9a-f]+/([^"]+)`).FindAllSubmatch(Page(), -1) {
		rest += zipped(t, asset(t, string(link[1])))
	}
	t.Logf("script: line without roll %d, line with roll %d, with incidents and remarks %d (with all of it %d), book %d, roster %d; HTML, CSS and picture %d bytes", weigh("js/main.js"), line, trouble, weigh("js/main.js", "js/roll.js", "js/incident.js", "js/tip.js", "js/order.js"), book, roster, rest)
	if max(line, book, roster, trouble) > 60_000 {
		t.Errorf("script of the line is %d, with trouble %d, of the book %d, of the roster %d bytes compressed, want at most 60000", line, trouble, book, roster)
	}
	t.Logf("script of a replay with roll: %d bytes", replay)
	if replay > 70_000 {
		t.Errorf("script of a replay is %d bytes compressed, want at most 70000", replay)
	}
	if line+rest > 80_000 {
		t.Errorf("the line weighs %d bytes compressed and cold, want at most 80000", line+rest)
	}
}

// TestHTML checks that the HTML names only files that are there, and that no
// file of ours names another machine.
func TestHTML(t *testing.T) {
	_, build, err := Assets()
	if err != nil {
		t.Fatal(err)
	}
	html := string(Page())
	if strings.Contains(html, "{{") || !strings.Contains(html, `<meta name="build" content="`+build+`">`) {
		t.Errorf("the build was not filled in:\n%s", html)
	}
	links := regexp.MustCompile(`(?:href|src)="([^"#]+)"`).FindAllStringSubmatch(html, -1)
	if len(links) < 10 {
		t.Fatalf("found %d links in the HTML", len(links))
	}
	for _, l := range links {
		name, ok := strings.CutPrefix(l[1], Prefix+build+"/")
		if !ok {
			t.Errorf("%q is no asset of this build", l[1])
			continue
		}
		asset(t, name)
	}
	if regexp.MustCompile(`<script[^>]*>[^<]|\sstyle=|\son[a-z]+=`).MatchString(html) {
		t.Error("the HTML holds script or style of its own, which the content policy forbids")
	}
}

func TestNothingFromElsewhere(t *testing.T) {
	assets, _, err := Assets()
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := regexp.MustCompile(`(?i)(https?:)?//[a-z0-9-]+\.[a-z]`)
	err = fs.WalkDir(assets, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(name, "lib/") {
			return err
		}
		for _, hit := range elsewhere.FindAllString(strings.ReplaceAll(string(asset(t, name)), "http://www.w3.org/2000/svg", ""), -1) {
			t.Errorf("%s names another machine: %s", name, hit)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestVendored checks every file from elsewhere against the manifest, and that
// the manifest misses none.
func TestVendored(t *testing.T) {
	raw, err := os.ReadFile("vendored.json")
	if err != nil {
		t.Fatal(err)
	}
	var manifest struct {
		Packages []struct {
			Package, Version, Integrity, Licence string
			Files                                map[string]string `json:"files"`
		} `json:"packages"`
	}
	if err := json.Unmarshal(raw, &manifest); err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, p := range manifest.Packages {
		if p.Version == "" || !strings.HasPrefix(p.Integrity, "sha512-") || p.Licence == "" || len(p.Files) < 2 {
			t.Errorf("%s: version, integrity, licence or files is missing", p.Package)
		}
		for name, want := range p.Files {
			listed[name] = true
			b, err := os.ReadFile(name)
			if err != nil {
				t.Error(err)
				continue
			}
			if sum := sha256.Sum256(b); hex.EncodeToString(sum[:]) != want {
				t.Errorf("%s has sha256 %x, the manifest says %s", name, sum, want)
			}
			if !strings.Contains(name, p.Version) {
				t.Errorf("%s does not name version %s", name, p.Version)
			}
		}
	}
	for _, dir := range []string{"page/lib", "chrome/axe"} {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if !listed[dir+"/"+e.Name()] {
				t.Errorf("%s/%s is not in vendored.json", dir, e.Name())
			}
		}
	}
}

func TestLean(t *testing.T) {
	in := "// who\n/** a\n * b\n */\nconst a = 1; // stays\n/** @type {T} */ const b = 2;\n  // in\n/** one */\n/* x */ f();\nf(/** @type {U<V>} */ (g));\nreturn `\n  a//b\n`;\n"
	want := "\n\n\n\nconst a = 1; // stays\nconst b = 2;\n\n\n/* x */ f();\nf((g));\nreturn `\na//b\n`;\n"
	if got := string(lean([]byte(in))); got != want {
		t.Errorf("lean gave\n%q, want\n%q", got, want)
	}
}

func TestFirst(t *testing.T) {
	of := map[string]string{
		"js/a.js":  "import { b } from './b.js';\nimport './d.js';\nconst later = () => import('./e.js');\n",
		"js/b.js":  "import {\n  c,\n} from '../lib/c.js';\n",
		"lib/c.js": "export {};", "js/d.js": "import { a } from './a.js';",
	}
	got, err := first(func(n string) ([]byte, error) { return []byte(of[n]), nil }, "js/a.js")
	if want := "js/a.js js/b.js js/d.js lib/c.js"; err != nil || strings.Join(got, " ") != want {
		t.Errorf("got %v, %v, want %s", got, err, want)
	}
}
