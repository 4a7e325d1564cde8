package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

var update = flag.Bool("update", false, "rewrite the verdicts of testdata/recordings; review the diff")

// verdict is what a recording must come to. The tolerances are for instants
// that are bridged, not measured.
type verdict struct {
	Trials          []verdictTrial `json:"trials"`
	ToleranceS      float64        `json:"tolerance_s,omitempty"`
	StartToleranceS float64        `json:"start_tolerance_s,omitempty"`
	LateAtLeast     int            `json:"late_at_least,omitempty"`
	SectorSpeeds    bool           `json:"sector_speeds,omitempty"` // every sector of a lap has the lap's speed
	BadLines        int            `json:"bad_lines,omitempty"`
	Passages        []verdictPass  `json:"passages,omitempty"` // of the first trial, all of them
}

type verdictTrial struct {
	Trial     string            `json:"trial"`
	Train     string            `json:"train"`
	Laps      []verdictLap      `json:"laps"`
	Incidents []verdictIncident `json:"incidents,omitempty"`
	Dropped   wire.Dropped      `json:"dropped"`
}

type verdictLap struct {
	Lap      int     `json:"lap"`
	StartUs  int64   `json:"start_us"`
	LapTimeS float64 `json:"lap_time_s"`
	Source   string  `json:"source"`
	Counts   string  `json:"counts"`
	WithinS  float64 `json:"within_s,omitempty"` // a tolerance of its own
}

// verdictIncident is what happened, some time between two instants; where, when
// it can be told.
type verdictIncident struct {
	Kind       string  `json:"kind"`
	FromGate   string  `json:"from_gate"`
	ToGate     string  `json:"to_gate,omitempty"`
	FromUs     int64   `json:"from_us"`
	UntilUs    int64   `json:"until_us"`
	PositionMm float64 `json:"position_mm,omitempty"`
	WithinMm   float64 `json:"within_mm,omitempty"`
}

// verdictPass is a passage of a gate with a second beam; TrapMmS is 0 where only
// one beam saw the train, and Reverse whether it ran back.
type verdictPass struct {
	Gate    string  `json:"gate"`
	AtUs    int64   `json:"at_us"`
	TrapMmS float64 `json:"trap_mm_s,omitempty"`
	Reverse bool    `json:"reverse,omitempty"`
	WithinS float64 `json:"within_s,omitempty"`
}

// TestRecordings scores each recording through the command itself and compares
// it with the verdict, which was reckoned from how the recording was made.
func TestRecordings(t *testing.T) {
	stories, err := filepath.Glob("../../testdata/recordings/*/story.md")
	if err != nil || len(stories) < 29 {
		t.Fatalf("found %d recordings (%v), want 29 and more", len(stories), err)
	}
	for _, story := range stories {
		dir := filepath.Dir(story)
		t.Run(filepath.Base(dir), func(t *testing.T) { playRecording(t, dir) })
	}
}

func playRecording(t *testing.T, dir string) {
	var want verdict
	readJSON(t, filepath.Join(dir, "verdict.json"), &want)
	var out, errs bytes.Buffer
	code := run(context.Background(), []string{"score", "--setup", filepath.Join(dir, "setup.json"), filepath.Join(dir, "events.jsonl")}, stdio{strings.NewReader(""), &out, &errs})
	if wantCode := min(want.BadLines, 1); code != wantCode {
		t.Errorf("exit code %d, want %d: %s", code, wantCode, &errs)
	}
	if n := strings.Count(errs.String(), "events.jsonl:"); n != want.BadLines {
		t.Errorf("%d lines were complained of, want %d: %s", n, want.BadLines, &errs)
	}
	var got wire.Results
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if *update {
		rewrite(t, dir, want, got)
		return
	}
	if len(got.Trials) != len(want.Trials) {
		t.Fatalf("%d trials, want %d", len(got.Trials), len(want.Trials))
	}
	for i, w := range want.Trials {
		compareTrial(t, want, w, got.Trials[i])
		compareIncidents(t, w, got.Trials[i])
	}
	if len(want.Passages) > 0 {
		comparePassages(t, dir, want)
	}
}

func compareIncidents(t *testing.T, want verdictTrial, got wire.TrialResult) {
	if len(got.Incidents) != len(want.Incidents) {
		t.Fatalf("trial %s has %d incidents, want %d: %+v", got.Trial, len(got.Incidents), len(want.Incidents), got.Incidents)
	}
	for i, w := range want.Incidents {
		x := got.Incidents[i]
		if x.Kind != w.Kind || x.FromGate != w.FromGate || w.ToGate != "" && x.ToGate != w.ToGate || x.AtUs < w.FromUs || x.UntilUs > w.UntilUs || x.UntilUs < x.AtUs {
			t.Errorf("trial %s: incident %+v, want %+v", got.Trial, x, w)
		}
		if w.WithinMm > 0 && (x.PositionMm == nil || math.Abs(*x.PositionMm-w.PositionMm) > w.WithinMm) {
			t.Errorf("trial %s: incident %+v, want it at %g mm", got.Trial, x, w.PositionMm)
		}
	}
}

// comparePassages looks at the passages of the first trial at the gates that the
// verdict speaks of.
func comparePassages(t *testing.T, dir string, want verdict) {
	t.Helper()
	s := trial.New("file")
	if err := readSetup(s, filepath.Join(dir, "setup.json"), stdio{}); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join(dir, "events.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	r := recording{s: s, name: dir, complain: t.Errorf}
	if err := r.read(context.Background(), f); err != nil {
		t.Fatal(err)
	}
	s.Finish()
	gates := map[string]bool{}
	for _, w := range want.Passages {
		gates[w.Gate] = true
	}
	got := slices.DeleteFunc(s.Passages(want.Trials[0].Trial, 0), func(p wire.PassageVerdict) bool { return !gates[p.Gate] })
	if len(got) != len(want.Passages) {
		t.Fatalf("%d passages, want %d: %+v", len(got), len(want.Passages), got)
	}
	for i, w := range want.Passages {
		p := got[i]
		if p.Gate != w.Gate || p.Reverse != w.Reverse || math.Abs(float64(p.AtUs-w.AtUs)/1e6) > max(w.WithinS, 1.5e-6) {
			t.Errorf("passage %+v, want %+v", p, w)
		}
		if known := p.TrapMmS != nil; known != (w.TrapMmS != 0) || known && math.Abs(*p.TrapMmS/w.TrapMmS-1) > 1e-4 {
			t.Errorf("passage %+v, want a speed of %g mm/s (0: not told)", p, w.TrapMmS)
		}
	}
}

func compareTrial(t *testing.T, v verdict, want verdictTrial, got wire.TrialResult) {
	if got.Trial != want.Trial || got.Train != want.Train || len(got.Laps) != len(want.Laps) {
		t.Fatalf("trial %s of %s has %d laps, want %s of %s with %d: %+v", got.Trial, got.Train, len(got.Laps), want.Trial, want.Train, len(want.Laps), got.Laps)
	}
	late := got.Dropped.Late
	if v.LateAtLeast > 0 && late >= v.LateAtLeast {
		got.Dropped.Late = want.Dropped.Late
	}
	if got.Dropped != want.Dropped {
		t.Errorf("trial %s dropped %+v, want %+v", got.Trial, got.Dropped, want.Dropped)
	}
	for i, w := range want.Laps {
		l := got.Laps[i]
		near := max(v.ToleranceS, w.WithinS, 1.5e-6)
		if l.Lap != w.Lap || l.Source != w.Source || l.Counts != w.Counts || math.Abs(l.LapTimeS-w.LapTimeS) > near ||
			math.Abs(float64(l.StartUs-w.StartUs)/1e6) > max(near, v.StartToleranceS) {
			t.Errorf("trial %s: lap %+v, want %+v", got.Trial, l, w)
		}
		if !l.Final {
			t.Errorf("trial %s: lap %d is not final at the end of the recording", got.Trial, l.Lap)
		}
		for _, x := range l.Sectors {
			if v.SectorSpeeds && math.Abs(x.SpeedMmS/l.SpeedMmS-1) > 1e-4 {
				t.Errorf("trial %s, lap %d: sector %s-%s at %.3f mm/s, the lap at %.3f", got.Trial, l.Lap, x.From, x.To, x.SpeedMmS, l.SpeedMmS)
			}
		}
	}
}

func rewrite(t *testing.T, dir string, v verdict, got wire.Results) {
	before := v.Trials
	v.Trials = nil
	for i, r := range got.Trials {
		out := verdictTrial{Trial: r.Trial, Train: r.Train, Dropped: r.Dropped}
		for k, l := range r.Laps {
			lap := verdictLap{l.Lap, l.StartUs, l.LapTimeS, l.Source, l.Counts, 0}
			if i < len(before) && k < len(before[i].Laps) {
				lap.WithinS = before[i].Laps[k].WithinS
			}
			out.Laps = append(out.Laps, lap)
		}
		if i < len(before) {
			out.Incidents = before[i].Incidents // reckoned from the story, not from what came out
		}
		v.Trials = append(v.Trials, out)
	}
	b, err := json.MarshalIndent(v, "", " ")
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "verdict.json"), append(b, '\n'), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func readJSON(t *testing.T, path string, to any) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(b, to)
	}
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
}

// Options may stand behind the file, and - is standard input.
func TestScoreTakesOptionsAnywhere(t *testing.T) {
	dir := "../../testdata/recordings/one-gate/"
	events, err := os.ReadFile(dir + "events.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	table := ""
	for _, args := range [][]string{
		{"score", "--csv", "laps", "--setup", dir + "setup.json", dir + "events.jsonl"},
		{"score", dir + "events.jsonl", "--setup", dir + "setup.json", "--csv", "laps"},
		{"score", "--setup", dir + "setup.json", "-", "--csv=laps"},
	} {
		var out, errs bytes.Buffer
		if code := run(context.Background(), args, stdio{bytes.NewReader(events), &out, &errs}); code != exitOK {
			t.Fatalf("%v: exit code %d: %s", args, code, &errs)
		}
		if table == "" {
			table = out.String()
		}
		if n := strings.Count(out.String(), "\n"); n != 5 || out.String() != table {
			t.Errorf("%v printed %d lines, want a head and four laps:\n%s", args, n, &out)
		}
	}
}
