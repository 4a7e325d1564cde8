package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
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
	return runProgram(append([]string{"truth"}, args...)...)
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
		{"broken curves", []string{broken("curve.json", "{")}, exitBad, "list of {motor, curve}"},
		{"curves of another run", []string{broken("curve.json", `[{"motor":"m9"}]`)}, exitBad, `motor "m9"`},
		{"wheels of another run", []string{broken("wheels.json", `[{"motor":"m9"}]`)}, exitBad, `motor "m9"`},
		{"predictions of another run", []string{broken("predict.json", `[{"trial":"t9"}]`)}, exitBad, `trial "t9"`},
		{"bad lines", []string{broken("events.jsonl", "what?\n")}, exitBad, "1 line(s) or file(s) could not be used"},
	} {
		code, _, errs := runTruth(c.args...)
		if code != c.code || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit code %d, %q, want %d and %q", c.name, code, errs, c.code, c.says)
		}
	}
}

// Motor curves beside a simulated run are held against the motors as they are.
func TestTruthOfMotorCurves(t *testing.T) {
	dir := t.TempDir()
	if code, _, errs := runProgram("simulate", "--scenario", "sweep", "--seed", "2", "--out", dir); code != exitOK {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	put(t, dir, "curve.json", `[{"motor":"heron-front","curve":{"resistance_ohm":{"value":3.3,"lo":3.1,"hi":3.5},"k_v_s":{"value":0.0085,"lo":0.0084,"hi":0.0086},"no_load_ma":{"value":66,"lo":64,"hi":68}}}]`)
	put(t, dir, "wheels.json", `[{"motor":"heron-rear","diameter_mm":{"value":36.05,"lo":35.9,"hi":36.2}}]`)
	put(t, dir, "predict.json", `[{"trial":"six-cars","prediction":{"speed_mm_s":{"value":560,"lo":300,"hi":900}}},{"trial":"light","prediction":{"speed_mm_s":{"value":560}}}]`)
	code, out, errs := runTruth(dir)
	type spread struct {
		N        int
		Bias     float64
		Coverage struct{ Within int }
	}
	var got struct {
		Sets struct {
			Slip, Desync spread
			Resistance   spread `json:"resistance_ohm"`
			K            spread `json:"k_v_s"`
			NoLoad       spread `json:"no_load_ma"`
			Wheel        spread `json:"wheel_mm"`
			Predicted    spread `json:"predicted_speed"`
			Regulated    struct{ Right, Wrong, Unknown int }
		}
	}
	if err := json.Unmarshal([]byte(out), &got); code != exitOK || err != nil {
		t.Fatalf("exit code %d, %v: %s", code, err, errs)
	}
	s := got.Sets
	if s.Resistance.N != 1 || s.Resistance.Coverage.Within != 1 || math.Abs(s.Resistance.Bias-0.1/3.2) > 1e-9 || s.K.Coverage.Within != 1 || s.NoLoad.Coverage.Within != 0 {
		t.Errorf("motors: %+v", s)
	}
	// The sweep "light" had many throttles, and no one speed.
	if s.Wheel.N != 1 || math.Abs(s.Wheel.Bias-0.05) > 1e-9 || s.Wheel.Coverage.Within != 1 || s.Predicted.N != 1 || math.Abs(s.Predicted.Bias) > 0.1 || s.Predicted.Bias == 0 {
		t.Errorf("wheels and predictions: %+v", s)
	}
	// Three trials on the track with two sets each; the wheels are as stated.
	if s.Slip.N != 6 || math.Abs(s.Slip.Bias) > 1e-4 || s.Desync.N != 3 || s.Regulated.Right+s.Regulated.Wrong+s.Regulated.Unknown != 8 {
		t.Errorf("sets: %+v", s)
	}
	// One prediction as the command prints it says of no trial: it is left, the rest is scored.
	put(t, dir, "predict.json", `{"circuit":"oval","speed_mm_s":{"value":560}}`)
	code, out, errs = runTruth(dir)
	if err := json.Unmarshal([]byte(out), &got); code != exitBad || err != nil || got.Sets.Wheel.N != 1 || got.Sets.Predicted.N != 0 || !strings.Contains(errs, "predict.json, which wants a list of {trial, prediction}") {
		t.Errorf("exit code %d, %v: %s; %+v", code, err, errs, got.Sets)
	}
	put(t, dir, "predict.json", "[]")
	code, out, _ = runTruth("--csv", dir)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if at := slices.Index(rows[0], "resistance_bias"); code != exitOK || err != nil || at < 0 || rows[1][at] != "0.031250" {
		t.Errorf("exit code %d, %v, %v", code, err, rows)
	}
}

func runProgram(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = run(context.Background(), args, stdio{strings.NewReader(""), &o, &e})
	return code, o.String(), e.String()
}
