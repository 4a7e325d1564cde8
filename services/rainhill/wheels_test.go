package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// A simulated train's wheels are what the setup says: measured by its laps they come
// out so, and the setup that is written is scored with what was measured.
func TestWheelsAreMeasured(t *testing.T) {
	dir := t.TempDir()
	scenario, err := os.ReadFile("../../sensors/sim/scenarios/demo.toml")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "slow.toml")
	slow := strings.Replace(string(scenario), `like = "clean"`, "like = \"clean\"\nminutes = 5", 1)
	if err := os.WriteFile(file, []byte(strings.ReplaceAll(slow, "[[1, 640]]", "[[1, 320]]")), 0o644); err != nil {
		t.Fatal(err)
	}
	do := func(args ...string) (int, string, string) {
		var out, errs bytes.Buffer
		code := run(context.Background(), args, stdio{strings.NewReader(""), &out, &errs})
		return code, out.String(), errs.String()
	}
	must := func(args ...string) string {
		t.Helper()
		code, out, errs := do(args...)
		if code != exitOK {
			t.Fatalf("%v: exit code %d: %s", args, code, errs)
		}
		return out
	}
	must("simulate", "--scenario", file, "--seed", "4", "--out", filepath.Join(dir, "run"))
	setup, events, written := filepath.Join(dir, "run", "setup.json"), filepath.Join(dir, "run", "events.jsonl"), filepath.Join(dir, "measured.json")
	var checks []wire.WheelCheck
	if err := json.Unmarshal([]byte(must("wheels", "--setup", setup, events, "--trials", "demo-heron", "--write", written)), &checks); err != nil {
		t.Fatal(err)
	}
	if len(checks) != 2 {
		t.Fatalf("%+v", checks)
	}
	for _, c := range checks {
		if c.DiameterMm.Value == nil || math.Abs(*c.DiameterMm.Value/c.StatedMm-1) > 0.003 || *c.DiameterMm.Lo > c.StatedMm || *c.DiameterMm.Hi < c.StatedMm {
			t.Errorf("%+v: the wheel is %g mm", c, c.StatedMm)
		}
	}
	var res wire.Results
	if err := json.Unmarshal([]byte(must("score", "--setup", written, events)), &res); err != nil {
		t.Fatal(err)
	}
	for _, x := range res.Trials {
		for _, d := range x.Sets {
			measured := x.Trial == "demo-heron"
			if small := d.UDiameterMm < 0.09; small != measured {
				t.Errorf("%s of %s is reckoned with %g mm, measured: %v", d.Set, x.Trial, d.UDiameterMm, measured)
			}
		}
	}
	for _, bad := range [][]string{
		{"wheels", "--setup", setup, "--trials", "demo-heron"}, {"wheels", "--setup", setup, events}, {"wheels", events, "--trials", "demo-heron", "--write", written},
	} {
		if code, _, _ := do(bad...); code != exitUsage {
			t.Errorf("%v: exit code %d, want %d", bad, code, exitUsage)
		}
	}
	for words, bad := range map[string][]string{
		`no trial "never"`:       {"wheels", "--setup", setup, events, "--trials", "never"},
		"different locomotives":  {"wheels", "--setup", setup, events, "--trials", "demo-heron,demo-otter"},
		`no session "yesterday"`: {"wheels", "--setup", setup, events, "--trials", "demo-heron", "--session", "yesterday"},
	} {
		if code, _, errs := do(bad...); code != exitBad || !strings.Contains(errs, words) {
			t.Errorf("%v: exit code %d, %s; want %q", bad, code, errs, words)
		}
	}
}
