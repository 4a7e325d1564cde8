package pkg_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The rules of the folders, as ordinary tests. Test files are free of them:
// a test may read files, wait and join what it likes.

const module = "rainhill"

// tree is the packages of the project without their test files, by import path
// below the module ("pkg/laps").
type tree map[string]*folder

type folder struct {
	files   []*ast.File
	imports map[string]bool // of ours, below the module
}

func readTree(t *testing.T) (tree, *token.FileSet) {
	t.Helper()
	fset, all := token.NewFileSet(), tree{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != ".." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "node_modules") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		all.add(filepath.ToSlash(strings.TrimPrefix(filepath.Dir(path), ".."+string(filepath.Separator))), f)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 5 {
		t.Fatalf("found only %d packages: is the test run in its own folder?", len(all))
	}
	return all, fset
}

func (a tree) add(dir string, f *ast.File) {
	p := a[dir]
	if p == nil {
		p = &folder{imports: map[string]bool{}}
		a[dir] = p
	}
	p.files = append(p.files, f)
	for _, i := range f.Imports {
		if ours, ok := strings.CutPrefix(importPath(i), module+"/"); ok {
			p.imports[ours] = true
		}
	}
}

func importPath(i *ast.ImportSpec) string {
	path, err := strconv.Unquote(i.Path.Value)
	if err != nil {
		return i.Path.Value
	}
	return path
}

// Who may import what of ours.
var (
	programs = []string{"services/rainhill", "sensors/rainhill-agent"}
	bottom   = []string{"pkg/wire", "pkg/unit", "pkg/stats"}
	host     = "services/rainhill/host"
	joiner   = "pkg/trial"
	io       = "pkg/bus"
	paper    = "pkg/report"
)

// mayNot says why the package from may not import the package to, or nothing.
func mayNot(from, to string) string {
	in := func(path, dir string) bool { return path == dir || strings.HasPrefix(path, dir+"/") }
	switch {
	case in(to, "testdata"):
		return "testdata is for tests"
	case slices.Contains(programs, to):
		return "nothing imports a program"
	case slices.Contains(programs, from), from == host:
		return "" // the programs join everything, and so does the host of all parts
	case slices.Contains(bottom, from):
		return "wire, unit and stats import nothing of ours, so that everything can import them"
	case from == "pkg/beam":
		return "pkg/beam seeks the best history of any hidden state and knows none of ours"
	case from == "pkg/gum" && to != "pkg/stats":
		return "pkg/gum reckons with figures of any kind and knows none of ours"
	case in(from, "pkg") && !in(to, "pkg"):
		return "pkg is below services, sensors and gateway, and is useful without them"
	case in(from, "pkg") && from != io && to == io:
		return "pkg is pure but for pkg/bus, which does input and output"
	case from == io && to != "pkg/wire":
		return "pkg/bus carries messages and knows of nothing but words"
	case from == paper && to != "pkg/wire":
		return "pkg/report puts on paper what the words say and reckons nothing"
	case in(from, "pkg") && from != joiner && from != io && from != paper && to == "pkg/wire":
		return "the sums never import wire: pkg/trial joins words and sums"
	case in(from, "pkg") && to == paper:
		return "no sum draws"
	case in(from, "pkg") && to == joiner:
		return "pkg/trial joins the sums; none of them knows it"
	case in(from, "gateway") && (in(to, "services/store") || to == joiner):
		return "the gateway carries and never judges: it asks over the bus, and the store has one owner"
	case in(from, "services") && (in(to, "gateway") || in(to, "dashboard")):
		return "services know nothing of who looks at them"
	case in(from, "sensors") && (in(to, "services") || in(to, "gateway") || in(to, "dashboard")):
		return "sensors run on another machine and speak over the bus alone"
	case in(from, "dashboard"):
		return "the dashboard is a page; it imports nothing of ours"
	}
	return ""
}

func TestImports(t *testing.T) {
	all, _ := readTree(t)
	for from, p := range all {
		for to := range p.imports {
			if why := mayNot(from, to); why != "" {
				t.Errorf("%s imports %s: %s", from, to, why)
			}
		}
	}
}

// The gateway must not reach the store by a detour either.
func TestGatewayNeverReachesTheStore(t *testing.T) {
	all, _ := readTree(t)
	for from := range all {
		if from != "gateway" && !strings.HasPrefix(from, "gateway/") {
			continue
		}
		reached := map[string]bool{}
		all.reach(from, reached)
		for _, to := range []string{"services/store", joiner} {
			if reached[to] {
				t.Errorf("%s reaches %s through other packages: the gateway asks over the bus", from, to)
			}
		}
	}
}

func (a tree) reach(from string, reached map[string]bool) {
	if a[from] == nil {
		return
	}
	for to := range a[from].imports {
		if !reached[to] {
			reached[to] = true
			a.reach(to, reached)
		}
	}
}

func TestImportTable(t *testing.T) {
	for _, c := range []struct {
		from, to string
		ok       bool
	}{
		{"pkg/report", "pkg/wire", true}, {"pkg/report", "pkg/stats", false}, {"pkg/trial", "pkg/report", false}, {"gateway", "pkg/report", true},
		{"pkg/trial", "pkg/wire", true}, {"pkg/trial", "pkg/laps", true}, {"pkg/laps", "pkg/stats", true},
		{"services/scoring", "pkg/trial", true}, {"services/rainhill", "gateway", true}, {"gateway", "pkg/bus", true},
		{"sensors/sim", "pkg/circuit", true}, {"pkg/bus", "pkg/wire", true},
		{"pkg/gum", "pkg/stats", true}, {"pkg/gum", "pkg/unit", false}, {"pkg/beam", "pkg/stats", false},
		{"pkg/stats", "pkg/unit", false}, {"pkg/laps", "pkg/wire", false}, {"pkg/circuit", "pkg/trial", false},
		{"pkg/trial", "pkg/bus", false}, {"pkg/trial", "services/store", false}, {"gateway", "services/store", false},
		{"gateway", "pkg/trial", false}, {"services/journal", "gateway", false}, {"sensors/gate", "services/journal", false},
		{"gateway", "services/rainhill", false}, {"services/store", "testdata/reference", false},
	} {
		if why := mayNot(c.from, c.to); (why == "") != c.ok {
			t.Errorf("%s -> %s: allowed %v, want %v (%s)", c.from, c.to, why == "", c.ok, why)
		}
	}
}

// Each package says what question it answers and what is not in it; a program
// begins with "Command".
func TestPackageComments(t *testing.T) {
	all, fset := readTree(t)
	for dir, p := range all {
		if why := badComment(p.files); why != "" {
			t.Errorf("%s (%s): %s", dir, fset.Position(p.files[0].Package), why)
		}
	}
}

func badComment(files []*ast.File) string {
	var docs []string
	for _, f := range files {
		if f.Doc != nil {
			docs = append(docs, f.Doc.Text())
		}
	}
	name := files[0].Name.Name
	want := "Package " + name + " "
	if name == "main" {
		want = "Command "
	}
	switch {
	case len(docs) == 0:
		return "no package comment; say what question it answers and what is not in it"
	case len(docs) > 1:
		return "the package comment stands in more than one file"
	case !strings.HasPrefix(docs[0], want):
		return fmt.Sprintf("the package comment does not begin with %q", want)
	case len(strings.Fields(docs[0])) < 15:
		return "the package comment is too short to say what question it answers and what is not in it"
	}
	return ""
}

// What pure code does not touch, and why.
var impureImports = map[string]string{
	"os": "files and the environment", "os/exec": "other programs", "os/signal": "signals", "syscall": "the system",
	"io/ioutil": "files", "net": "sockets", "net/http": "sockets", "log": "logs", "log/slog": "logs",
	"sync": "locks", "sync/atomic": "shared memory", "crypto/rand": "an unrepeatable random source",
	"math/rand": "a shared random source", "runtime": "the machine", "runtime/debug": "the machine",
	"hash/maphash": "a random seed",
}

// impureCalls are the functions of a package that reach outside; pureOnly the
// ones that do not, where they are fewer.
var impureCalls = map[string][]string{
	"time":          {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Local", "LoadLocation"},
	"fmt":           {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
	"path/filepath": {"Walk", "WalkDir", "Glob", "Abs", "EvalSymlinks"},
}

var pureOnly = map[string][]string{
	"math/rand/v2": {"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "PCG", "ChaCha8", "Source", "Zipf"},
}

func TestPureCore(t *testing.T) {
	all, fset := readTree(t)
	for dir, p := range all {
		if !strings.HasPrefix(dir, "pkg/") || dir == io {
			continue
		}
		for _, f := range p.files {
			for _, fault := range impure(f) {
				t.Errorf("%s: %s; pkg is pure, so that a replay gives the same answers", fset.Position(fault.pos), fault.what)
			}
		}
	}
}

type fault struct {
	pos  token.Pos
	what string
}

func impure(f *ast.File) (faults []fault) {
	names := map[string]string{} // as used in the file -> import path
	for _, i := range f.Imports {
		path := importPath(i)
		if why, bad := impureImports[path]; bad {
			faults = append(faults, fault{i.Pos(), "imports " + path + " (" + why + ")"})
		}
		names[localName(i)] = path
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if what := impureNode(n, names); what != "" {
			faults = append(faults, fault{n.Pos(), what})
		}
		return true
	})
	return faults
}

func localName(i *ast.ImportSpec) string {
	if i.Name != nil {
		return i.Name.Name
	}
	parts := strings.Split(importPath(i), "/")
	last := parts[len(parts)-1]
	if last == "v2" && len(parts) > 1 {
		return parts[len(parts)-2]
	}
	return last
}

func impureNode(n ast.Node, names map[string]string) string {
	switch n := n.(type) {
	case *ast.GoStmt:
		return "starts a goroutine"
	case *ast.SelectStmt:
		return "selects on channels"
	case *ast.ChanType:
		return "has a channel"
	case *ast.CallExpr:
		if id, ok := n.Fun.(*ast.Ident); ok && (id.Name == "print" || id.Name == "println") {
			return "prints"
		}
	case *ast.ImportSpec:
		if n.Name != nil && n.Name.Name == "." {
			return "imports with a dot, which hides what it uses"
		}
	case *ast.SelectorExpr:
		id, ok := n.X.(*ast.Ident)
		if !ok {
			return ""
		}
		path := names[id.Name]
		if only, ok := pureOnly[path]; slices.Contains(impureCalls[path], n.Sel.Name) || ok && !slices.Contains(only, n.Sel.Name) {
			return "uses " + path + "." + n.Sel.Name
		}
	}
	return ""
}

func TestImpureIsFound(t *testing.T) {
	for _, c := range []struct {
		src   string
		finds int
	}{
		{`import "os"`, 1},
		{`import ("net/http"; "log"; "sync"; "math/rand")`, 4},
		{"import \"time\"\nvar t = time.Now()", 1},
		{"import clock \"time\"\nfunc f() { clock.Sleep(1) }", 1},
		{"import \"math/rand/v2\"\nvar x = rand.Float64()", 1},
		{"func f() { go f() }", 1},
		{"func f() { println() }", 1},
		{"var c = make(chan int)", 1},
		{"import \"fmt\"\nfunc f() { fmt.Println() }", 1},
		{"import . \"math\"", 1},
		{"import \"time\"\nconst d = 3 * time.Second\nfunc f(t time.Time) int64 { return t.UnixMicro() }", 0},
		{"import \"math/rand/v2\"\nvar x = rand.New(rand.NewPCG(1, 2)).Float64()", 0},
		{"import \"fmt\"\nvar s = fmt.Sprint(1)", 0},
	} {
		f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\n"+c.src, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		if got := impure(f); len(got) != c.finds {
			t.Errorf("%s: found %v, want %d faults", c.src, got, c.finds)
		}
	}
}

func TestBadCommentsAreFound(t *testing.T) {
	good := "// Package x answers how long a piece of string is, from its two ends. Knots are not in it at all.\npackage x"
	for src, ok := range map[string]bool{
		good: true, "package x": false, "// Package x is short.\npackage x": false,
		"// " + strings.TrimPrefix(good, "// Package x "):                                                                   false,
		"// Command x measures how long a piece of string is, from its two ends. Knots are not in it at all.\npackage main": true,
	} {
		f, err := parser.ParseFile(token.NewFileSet(), "x.go", src, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		if why := badComment([]*ast.File{f}); (why == "") != ok {
			t.Errorf("%q: %q, want ok %v", src, why, ok)
		}
	}
}
