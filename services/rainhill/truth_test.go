package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// madeRun is a run of one train past one gate, four times, 10 s apart; the truth
// of its last lap is told 1 s longer than it was, so that it is an unmarked bridge.
func madeRun(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	put(t, dir, "setup.json", `{"circuit":{"id":"c","name":"C","lap_length_mm":3000},"gates":[{"id":"a","position_mm":0,"timing":true}],
"locomotives":[{"id":"l","name":"L"}],"trials":[{"id":"t","locomotive":"l","from_us":1000000,"to_us":50000000}]}`)
	var events strings.Builder
	for k := 1; k <= 4; k++ {
		fmt.Fprintf(&events, `{"kind":"crossing","at_us":%d,"gate":"a","edge":"pulse"}`+"\n", k*10_000_000)
	}
	put(t, dir, "events.jsonl", events.String())
	put(t, dir, "truth.json", `{"scenario":"made","seed":7,"from_us":1000000,"to_us":50000000,"trials":[{"trial":"t","train":"l",
"passages":[{"gate":"a","at_us":1e7},{"gate":"a","at_us":2e7},{"gate":"a","at_us":3e7},{"gate":"a","at_us":4.1e7}],
"laps":[{"lap":1,"start_us":1e7,"lap_time_s":10},{"lap":2,"start_us":2e7,"lap_time_s":10},{"lap":3,"start_us":3e7,"lap_time_s":11}]}]}`)
	return dir
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func runTruth(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = run(context.Background(), append([]string{"truth"}, args...), stdio{strings.NewReader(""), &o, &e})
	return code, o.String(), e.String()
}

func TestTruthOfARun(t *testing.T) {
	dir := madeRun(t)
	code, out, errs := runTruth("--laps", dir)
	var got struct {
		Run, Scenario string
		Seed          int64
		Laps          struct{ True, Matched int }
		Measured      struct {
			N     int
			MaxMs float64 `json:"max_ms"`
		}
		Unmarked int
		Lines    []struct {
			Verdict string
			ErrorMs float64 `json:"error_ms"`
		}
	}
	if err := json.Unmarshal([]byte(out), &got); code != exitOK || err != nil {
		t.Fatalf("exit code %d, %v: %s", code, err, errs)
	}
	if got.Run != dir || got.Scenario != "made" || got.Seed != 7 || got.Laps.True != 3 || got.Laps.Matched != 3 || len(got.Lines) != 3 {
		t.Errorf("got %s", out)
	}
	if d := got.Lines[2].ErrorMs; d < -1000.01 || d > -999.99 || got.Unmarked != 1 {
		t.Errorf("the third lap is %g ms off and %d unmarked, want -1000 and 1", d, got.Unmarked)
	}
}

func TestTruthOfSeveralRuns(t *testing.T) {
	a, b := madeRun(t), madeRun(t)
	code, out, errs := runTruth(a, b)
	var got struct {
		Runs  []struct{ Laps struct{ True int } }
		Total struct{ Laps struct{ True int } }
	}
	if err := json.Unmarshal([]byte(out), &got); code != exitOK || err != nil || len(got.Runs) != 2 || got.Total.Laps.True != 6 {
		t.Fatalf("exit code %d, %v: %s %s", code, err, errs, out)
	}
	if strings.Contains(out, `"lines"`) {
		t.Error("laps are listed without --laps")
	}
	code, out, _ = runTruth(a, b, "--csv")
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if code != exitOK || err != nil || len(rows) != 4 || rows[3][0] != "total" || rows[3][3] != "6" || rows[1][2] != "7" {
		t.Errorf("exit code %d, %v, rows %v", code, err, rows)
	}
}

func TestTruthRefuses(t *testing.T) {
	broken := func(name, text string) string {
		dir := madeRun(t)
		put(t, dir, name, text)
		return dir
	}
	gone := madeRun(t)
	if err := os.Remove(filepath.Join(gone, "events.jsonl")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"no folder", nil, exitUsage, "which run?"},
		{"a table of laps", []string{"--csv", "--laps", gone}, exitUsage, "--laps goes with JSON"},
		{"an unknown option", []string{"--lap", gone}, exitUsage, "lap"},
		{"no such folder", []string{"nowhere"}, exitBad, "truth.json"},
		{"no events", []string{gone}, exitBad, "events.jsonl"},
		{"broken truth", []string{broken("truth.json", "{")}, exitBad, "reading the truth of a run"},
		{"broken setup", []string{broken("setup.json", "{")}, exitBad, "setup.json"},
		{"truth of another run", []string{broken("truth.json", `{"trials":[{"trial":"x"}]}`)}, exitBad, `trial "x"`},
		{"bad lines", []string{broken("events.jsonl", "what?\n")}, exitBad, "1 line(s) could not be used"},
	} {
		code, _, errs := runTruth(c.args...)
		if code != c.code || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit code %d, %q, want %d and %q", c.name, code, errs, c.code, c.says)
		}
	}
}
