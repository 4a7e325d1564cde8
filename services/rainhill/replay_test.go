package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
	"rainhill/services/store"
)

// A session is run with everything that happens at the track: the simulated
// railway, a train of the test's own whose crossings come late and early, a
// voided lap, a note, a corrected definition. What the live service says of it
// is what rainhill score says of its recording, byte for byte, here and, but
// for the name of the place, anywhere else.
func TestLiveEqualsReplay(t *testing.T) {
	t.Parallel()
	data, files := t.TempDir(), t.TempDir()
	in := func(name string) string { return filepath.Join(files, name) }
	h := openHost(t, data, "line")
	stopped := false
	defer func() {
		if !stopped {
			_ = h.Stop()
		}
	}()
	recorded := make(chan said, 1)
	runSession(t, h, func() {
		go func() { recorded <- runCommand(t, "record", "--data", data, "-o", in("recorded.jsonl")) }()
		time.Sleep(200 * time.Millisecond)
	})
	live := get(t, h.URL+"/api/results")
	if r := <-recorded; r.code != exitOK {
		t.Fatalf("record: exit %d: %s", r.code, r.err)
	}
	mustRun(t, "export", "--data", data, "-o", in("exported.jsonl"))
	if !bytes.Equal(readFile(t, in("recorded.jsonl")), readFile(t, in("exported.jsonl"))) {
		t.Fatal("what was recorded as it happened is not what is exported")
	}
	lookAt(t, live)
	if got := mustRun(t, "score", in("recorded.jsonl")); got != string(live) {
		t.Fatalf("live and replay differ:\n%s", firstDifference(live, []byte(got)))
	}
	if csv := mustRun(t, "score", "--csv", "laps", in("recorded.jsonl")); csv != string(get(t, h.URL+"/api/laps.csv")) || !strings.HasPrefix(csv, strings.Join(wire.LapsHeader, ",")) {
		t.Fatal("the tables of laps differ")
	}
	stopHost(t, h)
	stopped = true

	mustRun(t, "export", "--data", data, "-o", in("offline.jsonl"))
	if !bytes.Equal(readFile(t, in("offline.jsonl")), readFile(t, in("exported.jsonl"))) {
		t.Fatal("the export of a stopped service is another one")
	}
	mustRun(t, "verify", in("exported.jsonl"))
	mustRun(t, "verify", "--data", data)
	wantRebuilt(t, data, "line")
	importedElsewhere(t, in("exported.jsonl"), live)
}

func wantRebuilt(t *testing.T, data, site string) {
	t.Helper()
	if out := mustRun(t, "rebuild", "--data", data, "--site", site); !strings.Contains(out, "byte for byte what it was") {
		t.Fatal(out)
	}
}

func runSession(t *testing.T, h *host.Host, begin func()) {
	t.Helper()
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	w.openBook()
	begin()
	h.Start("simulated railway", simFor(5))
	now := time.Now().UnixMicro()
	early := w.run(now-200_000_000, 5) // long settled: stragglers, all of them
	w.run(early+30_000_000, 6)         // into the future of the bus's clock
	w.decide(wire.WhatNote, "", wire.NoteValue{Trial: "scripted", Text: "wind from the <east> & rain"})
	await(t, h, "the laps", func(r wire.Results) bool { return len(r.Trials) == 3 && len(r.Trials[2].Laps) >= 11 })
	w.decide(wire.WhatLap, "a cat on the line", wire.LapValue{Trial: "scripted", Lap: 3, Void: true})
	time.Sleep(2500 * time.Millisecond) // the simulated railway runs, time passes in the journal
	loco := demoScenario(t).Setup(0).Locomotives[0]
	loco.LengthMm += 10
	w.decide(wire.WhatLocomotive, "", loco)
	time.Sleep(1500 * time.Millisecond)
	s := wire.Session{ID: "s1", Name: "Long oval", Circuit: "long-oval", ClosedUs: time.Now().UnixMicro()}
	w.decide(wire.WhatSession, "", s)
	await(t, h, "the close", func(r wire.Results) bool { return r.Session.ClosedUs != 0 })
}

// await asks for the results until they are so.
func await(t *testing.T, h *host.Host, what string, so func(wire.Results) bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		var r wire.Results
		b := get(t, h.URL+"/api/results")
		if err := json.Unmarshal(b, &r); err != nil {
			t.Fatal(err)
		}
		if r.Session != nil && so(r) {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%s did not come: %s", what, b)
		}
	}
}

// lookAt wants the results to hold what was run, so that equal does not mean empty.
func lookAt(t *testing.T, live []byte) {
	t.Helper()
	var r wire.Results
	if err := json.Unmarshal(live, &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Trials) != 3 || r.Site != "line" {
		t.Fatalf("%d trials at %q", len(r.Trials), r.Site)
	}
	for _, x := range r.Trials {
		if x.Trial != "scripted" {
			if len(x.Sets) != 2 {
				t.Errorf("trial %s: %d driver sets, want 2", x.Trial, len(x.Sets))
			}
			continue
		}
		if len(x.Laps) < 11 || x.Laps[0].Counts != wire.CountsWarmup || x.Laps[2].Counts != wire.CountsVoid || x.Laps[2].Why != "a cat on the line" {
			t.Fatalf("scripted: %d laps, %s", len(x.Laps), live)
		}
		for i, l := range x.Laps[:5] {
			if want := float64(lapUs(i)) / 1e6; l.LapTimeS != want || !l.Final || l.Source != wire.Measured || len(l.Sectors) != 4 {
				t.Errorf("lap %d: %+v, want %g s", i+1, l, want)
			}
		}
	}
}

// importedElsewhere takes the file in under another name in another folder; the
// results there are the same but for that name.
func importedElsewhere(t *testing.T, file string, live []byte) {
	t.Helper()
	data := t.TempDir()
	mustRun(t, "import", "--data", data, "--site", "copy", file)
	if s := runCommand(t, "import", "--data", data, "--site", "copy", file); s.code != exitBad || !strings.Contains(s.err, "has a journal already") {
		t.Fatalf("imported twice: %+v", s)
	}
	mustRun(t, "verify", "--data", data, "--site", "copy")
	wantRebuilt(t, data, "copy")
	st, err := store.Open(host.StorePath(data, "copy"))
	if err != nil {
		t.Fatal(err)
	}
	got, err := st.Results("s1")
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	want := bytes.Replace(live, []byte(`"site": "line"`), []byte(`"site": "copy"`), 1)
	if !bytes.Equal(got, want) {
		t.Fatalf("imported elsewhere, the results differ:\n%s", firstDifference(want, got))
	}
	again := filepath.Join(t.TempDir(), "again.jsonl")
	mustRun(t, "export", "--data", data, "--site", "copy", "-o", again)
	if scored := mustRun(t, "score", again); scored != string(want) {
		t.Fatalf("exported again, the score differs:\n%s", firstDifference(want, []byte(scored)))
	}
}

// A file that was edited is not taken in, and nothing is written.
func TestEditedFileIsNotImported(t *testing.T) {
	data := t.TempDir()
	h := openHost(t, data, "line")
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	w.openBook()
	w.run(time.Now().UnixMicro()-100_000_000, 2)
	stopHost(t, h)
	file := filepath.Join(t.TempDir(), "s.jsonl")
	mustRun(t, "export", "--data", data, "-o", file)
	b := readFile(t, file)
	b = bytes.Replace(b, []byte(`"u_us":1500`), []byte(`"u_us":1501`), 1)
	writeFile(t, file, b)
	s := runCommand(t, "verify", file)
	if s.code != exitBad || !strings.Contains(s.err, "was changed, or the one before it") {
		t.Fatalf("verify: %+v", s)
	}
	other := t.TempDir()
	s = runCommand(t, "import", "--data", other, "--site", "copy", file)
	if s.code != exitBad || !strings.Contains(s.err, "the file is not what was recorded") {
		t.Fatalf("import: %+v", s)
	}
	if s := runCommand(t, "export", "--data", other, "--site", "copy"); s.code != exitBad {
		t.Fatalf("something was imported: %+v", s)
	}
}

func firstDifference(a, b []byte) string {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	cut := func(x []byte) string { return string(x[max(0, i-200):min(len(x), i+200)]) }
	return cut(a) + "\n--- against ---\n" + cut(b)
}

// simFor plays the simulated railway with a seed until the host stops.
func simFor(seed int64) func(context.Context, *nats.Conn) error {
	return func(ctx context.Context, nc *nats.Conn) error {
		s, err := sim.Load("demo")
		if err != nil {
			return err
		}
		return sim.Run(ctx, nc, "line", s, seed, 4)
	}
}

// A recording that ends before its session does is an error, not half a file
// that looks whole.
func TestRecordingCutShortIsTold(t *testing.T) {
	data := t.TempDir()
	h := openHost(t, data, "line")
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	w.openBook()
	recorded := make(chan said, 1)
	file := filepath.Join(data, "r.jsonl")
	go func() { recorded <- runCommand(t, "record", "--data", data, "-o", file) }()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if b, err := os.ReadFile(file); err == nil && bytes.Count(b, []byte("\n")) > 5 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("nothing is recorded")
		}
	}
	stopHost(t, h)
	if r := <-recorded; r.code != exitBad || !strings.Contains(r.err, "cut short") {
		t.Fatalf("%+v", r)
	}
	if r := runCommand(t, "record", "--data", data); r.code != exitBad || !strings.Contains(r.err, "no service is running on this data folder") {
		t.Fatalf("%+v", r)
	}
}
