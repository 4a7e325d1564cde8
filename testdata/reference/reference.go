// Package reference answers "what does the outside world say this should be?"
// for tests: published values, worked examples and results of general-purpose
// libraries, each with its source and tolerance beside it in cases/*.json, longer
// series in data/*.csv. It holds no code of the product, and only tests use it.
package reference

import (
	"bytes"
	"embed"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
)

//go:embed cases/*.json data/*.csv
var files embed.FS

// Case is one outside check. Each Expected value carries its own tolerance.
type Case struct {
	ID       string                     `json:"id"`
	Checks   string                     `json:"checks"`
	Source   string                     `json:"source"`
	Inputs   map[string]json.RawMessage `json:"inputs"`
	Expected []Expected                 `json:"expected"`
	looked   map[string]bool
}

// Expected is one value that the outside gives: a number or a list of numbers
// with tolerance "abs x", "rel x" or "exact", or words with tolerance "text".
type Expected struct {
	Name  string          `json:"name"`
	Value json.RawMessage `json:"value"`
	Tol   string          `json:"tol"`
	Prov  string          `json:"prov"`
}

// Load finds a case by its id. When the test ends, every expected value must
// have been looked at, by Check or by Leave.
func Load(t testing.TB, id string) *Case {
	t.Helper()
	names, err := files.ReadDir("cases")
	must(t, err)
	for _, n := range names {
		var cases []*Case
		read(t, "cases/"+n.Name(), &cases)
		for _, c := range cases {
			if c.ID == id {
				c.looked = map[string]bool{}
				t.Cleanup(func() { c.allLooked(t) })
				return c
			}
		}
	}
	t.Fatalf("no reference case %s", id)
	return nil
}

func (c *Case) allLooked(t testing.TB) {
	for _, e := range c.Expected {
		if !c.looked[e.Name] && !t.Failed() {
			t.Errorf("%s: nothing looked at %q", c.ID, e.Name)
		}
	}
}

// Input reads the input called name into v.
func (c *Case) Input(t testing.TB, name string, v any) {
	t.Helper()
	raw, ok := c.Inputs[name]
	if !ok {
		t.Fatalf("%s has no input %q", c.ID, name)
	}
	must(t, json.Unmarshal(raw, v))
}

// Check compares got with the expected value called name, within its tolerance;
// with each of them where one is published and one computed.
func (c *Case) Check(t testing.TB, name string, got ...float64) {
	t.Helper()
	for _, e := range c.expected(t, name) {
		want := e.numbers(t)
		if len(want) != len(got) {
			t.Fatalf("%s %s: got %d numbers, want %d", c.ID, name, len(got), len(want))
		}
		for i := range got {
			if !Within(t, e.Tol, got[i], want[i]) {
				t.Errorf("%s %s [%d]: got %.17g, want %.17g (%s), source: %s", c.ID, name, i, got[i], want[i], e.Tol, c.Source)
			}
		}
	}
}

// CheckNamed compares numbers that go by a name each, within the tolerance.
func (c *Case) CheckNamed(t testing.TB, name string, got map[string]float64) {
	t.Helper()
	for _, e := range c.expected(t, name) {
		var want map[string]float64
		must(t, json.Unmarshal(e.Value, &want))
		if len(want) != len(got) {
			t.Fatalf("%s %s: got %d numbers, want %d", c.ID, name, len(got), len(want))
		}
		for k, w := range want {
			if g, ok := got[k]; !ok || !Within(t, e.Tol, g, w) {
				t.Errorf("%s %s %s: got %.17g, want %.17g (%s), source: %s", c.ID, name, k, g, w, e.Tol, c.Source)
			}
		}
	}
}

// CheckSame compares got, written as JSON, with a value that holds exactly.
func (c *Case) CheckSame(t testing.TB, name string, got any) {
	t.Helper()
	g, err := json.Marshal(got)
	must(t, err)
	for _, e := range c.expected(t, name) {
		var w bytes.Buffer
		must(t, json.Compact(&w, e.Value))
		if e.Tol != "exact" || !bytes.Equal(g, w.Bytes()) {
			t.Errorf("%s %s: got %s, want %s (%s), source: %s", c.ID, name, g, w.Bytes(), e.Tol, c.Source)
		}
	}
}

// Leave says why an expected value is not compared as a number here.
func (c *Case) Leave(t testing.TB, name, why string) {
	t.Helper()
	c.expected(t, name)
	t.Logf("%s %s: %s", c.ID, name, why)
}

func (c *Case) expected(t testing.TB, name string) (all []Expected) {
	t.Helper()
	for _, e := range c.Expected {
		if e.Name == name {
			all = append(all, e)
		}
	}
	if all == nil {
		t.Fatalf("%s expects nothing called %q", c.ID, name)
	}
	c.looked[name] = true
	return all
}

func (e Expected) numbers(t testing.TB) []float64 {
	t.Helper()
	var list []float64
	if json.Unmarshal(e.Value, &list) == nil {
		return list
	}
	var one float64
	must(t, json.Unmarshal(e.Value, &one))
	return []float64{one}
}

// Within applies a tolerance: "exact", "abs x" or "rel x" (of want). NaN is
// within nothing.
func Within(t testing.TB, tol string, got, want float64) bool {
	t.Helper()
	if tol == "exact" {
		return got == want
	}
	kind, num, _ := strings.Cut(tol, " ")
	x, err := strconv.ParseFloat(num, 64)
	must(t, err)
	switch kind {
	case "abs":
		return math.Abs(got-want) <= x
	case "rel":
		return math.Abs(got-want) <= x*math.Abs(want)
	}
	t.Fatalf("tolerance %q is not exact, abs or rel", tol)
	return false
}

// Table reads a CSV file of data/ by column name.
func Table(t testing.TB, file string) map[string][]string {
	t.Helper()
	f, err := files.Open("data/" + strings.TrimPrefix(file, "data/"))
	must(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	must(t, err)
	table := map[string][]string{}
	for k, name := range rows[0] {
		for _, row := range rows[1:] {
			table[name] = append(table[name], row[k])
		}
	}
	return table
}

// Column is one column of numbers of a CSV file of data/.
func Column(t testing.TB, file, name string) []float64 {
	t.Helper()
	var x []float64
	for _, s := range Table(t, file)[name] {
		v, err := strconv.ParseFloat(s, 64)
		must(t, err)
		x = append(x, v)
	}
	if len(x) == 0 {
		t.Fatalf("%s has no column %s", file, name)
	}
	return x
}

func read(t testing.TB, name string, v any) {
	t.Helper()
	b, err := files.ReadFile(name)
	must(t, err)
	if err := json.Unmarshal(b, v); err != nil {
		must(t, fmt.Errorf("reading %s: %w", name, err))
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
