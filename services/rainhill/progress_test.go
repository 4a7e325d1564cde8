package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// overheard is a standard error that may be looked at while it is written, and that does
// something at the first thing said.
type overheard struct {
	mu    sync.Mutex
	b     bytes.Buffer
	first func()
}

func (x *overheard) Write(b []byte) (int, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.b.Len() == 0 && x.first != nil {
		x.first()
	}
	return x.b.Write(b)
}

func (x *overheard) String() string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.b.String()
}

func TestMeter(t *testing.T) {
	// measure lasts 20 ms, and until it was told so many times.
	measure := func(terminal bool, quiet, pause time.Duration, times int) (string, time.Duration) {
		var w overheard
		m := &meter{w: &w, terminal: terminal, stop: make(chan struct{}), stopped: make(chan struct{})}
		m.step("weighing, wagons", 8)
		m.add(2)
		begun := time.Now()
		go m.run(quiet, pause, pause)
		time.Sleep(20 * time.Millisecond)
		for strings.Count(w.String(), "weighing") < times && time.Since(begun) < 30*time.Second {
			time.Sleep(time.Millisecond)
		}
		m.end()
		return w.String(), time.Since(begun)
	}
	if got, _ := measure(false, time.Minute, time.Millisecond, 0); got != "" {
		t.Errorf("what is soon done says %q", got)
	}
	if got, _ := measure(false, time.Millisecond, time.Minute, 1); got != "weighing, wagons: 2 of 8 (25 %)\n" {
		t.Errorf("not on a terminal: %q", got)
	}
	if got, _ := measure(true, time.Millisecond, time.Minute, 1); got != "\rweighing, wagons: 2 of 8 (25 %)\x1b[K\r\x1b[K" {
		t.Errorf("on a terminal: %q", got)
	}
	const pause = 50 * time.Millisecond
	got, took := measure(true, 0, pause, 4)
	if n := strings.Count(got, "\rweighing"); n < 4 || time.Duration(n-1)*pause > took {
		t.Errorf("a line written over %d times in %s, every 50 ms", n, took)
	}
}

// longRecording is a session of many facts, as rainhill simulate would write it; in its
// middle stands a line that is no fact.
func longRecording(t *testing.T) string {
	t.Helper()
	s, err := sim.Load("demo")
	if err != nil {
		t.Fatal(err)
	}
	s.Minutes = 12
	start := time.Now().UnixMicro() - 4*3600_000_000
	var facts bytes.Buffer
	put := func(e wire.Event) error {
		b, err := json.Marshal(e)
		facts.Write(append(b, '\n'))
		return err
	}
	var list []wire.Event
	setup, _, err := sim.Simulate(s, 5, start, func(e wire.Event) error { list = append(list, e); return nil })
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range append(trial.FromSetup(setup, "s1", start), list...) {
		if err := put(e); err != nil {
			t.Fatal(err)
		}
		if i == len(list)/2 {
			facts.WriteString("this is not a fact\n")
		}
	}
	if len(list) < 6000 {
		t.Fatalf("only %d facts", len(list))
	}
	path := filepath.Join(t.TempDir(), "long.jsonl")
	writeFile(t, path, facts.Bytes())
	return path
}

// cancelledAt runs a command and cancels it at the first word on standard error.
func cancelledAt(t *testing.T, args ...string) said {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	var out bytes.Buffer
	errs := overheard{first: cancel}
	code := run(ctx, args, stdio{strings.NewReader(""), &out, &errs})
	return said{code, out.String(), errs.String()}
}

// Ctrl-C in the middle ends a command soon, and leaves nothing that is half.
func TestCancelledInTheMiddle(t *testing.T) {
	t.Parallel()
	file, data := longRecording(t), t.TempDir()

	if s := cancelledAt(t, "score", file); s.code != exitBad || s.out != "" || !strings.Contains(s.err, "rainhill: cancelled") {
		t.Fatalf("score: %+v", s)
	}

	mustFail := cancelledAt(t, "import", "--data", data, "--site", "copy", file)
	if mustFail.code != exitBad || !strings.Contains(mustFail.err, "cancelled: nothing of site copy is left; the same command begins anew") {
		t.Fatalf("import: %+v", mustFail)
	}
	// The bus sweeps a stream that was taken away out of its folder behind a dot, by its
	// next start at the latest.
	for _, name := range everyFile(t, data) {
		if strings.Contains(name, "copy") && !strings.Contains(name, "streams/.") {
			t.Errorf("import left %s", name)
		}
	}
	if s := runCommand(t, "import", "--data", data, "--site", "copy", file); s.code != exitBad || !strings.Contains(s.err, "1 line(s) were not facts") || !strings.Contains(s.out, "taken in as site copy") {
		t.Fatalf("the same command once more: %+v", s)
	}
	for _, name := range everyFile(t, data) {
		if strings.Contains(name, "streams/.") {
			t.Errorf("%s was never swept out", name)
		}
	}

	cancelledRebuild(t, data)
	cancelledExport(t, data)
}

func everyFile(t *testing.T, dir string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		names = append(names, strings.TrimPrefix(path, dir))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// A rebuild that is cancelled leaves the old store in its place, as it was.
func cancelledRebuild(t *testing.T, data string) {
	t.Helper()
	path := host.StorePath(data, "copy")
	var before []byte
	h, err := host.Offline(data, "copy")
	if err != nil {
		t.Fatal(err)
	}
	for range 20 { // the cancel may come after the end
		before = readFile(t, path)
		ctx, cancel := context.WithCancel(context.Background())
		m := &meter{}
		m.step("", 0)
		go func() {
			for m.done.Load() == 0 && ctx.Err() == nil {
				time.Sleep(100 * time.Microsecond)
			}
			cancel()
		}()
		_, err = Rebuild(ctx, h, data, "copy", m)
		if cancel(); err != nil {
			break
		}
	}
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("rebuild: %v", err)
	}
	if err := h.Stop(); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(readFile(t, path), before) {
		t.Error("a cancelled rebuild changed the store")
	}
	if _, err := os.Stat(path + ".new"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a cancelled rebuild left its new store: %v", err)
	}
	wantRebuilt(t, data, "copy")
}

// An export that is cancelled leaves what stood in the file's place.
func cancelledExport(t *testing.T, data string) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out.jsonl")
	code, said := exitOK, ""
	for n := 0; n < 20 && code == exitOK; n++ { // the cancel may come after the end
		writeFile(t, out, []byte("an older export\n"))
		ctx, cancel := context.WithCancel(context.Background())
		go func() {
			for ctx.Err() == nil {
				if info, err := os.Stat(out + ".part"); err == nil && info.Size() > 0 {
					cancel()
				}
				time.Sleep(100 * time.Microsecond)
			}
		}()
		var errs overheard
		code = run(ctx, []string{"export", "--data", data, "--site", "copy", "-o", out}, stdio{strings.NewReader(""), &bytes.Buffer{}, &errs})
		cancel()
		said = errs.String()
	}
	if code != exitBad || !strings.Contains(said, "cancelled") {
		t.Fatalf("export: exit %d %s", code, said)
	}
	if got := string(readFile(t, out)); got != "an older export\n" {
		t.Errorf("a cancelled export left %.80q", got)
	}
	if _, err := os.Stat(out + ".part"); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a cancelled export left its part")
	}
	mustRun(t, "export", "--data", data, "--site", "copy", "-o", out)
	mustRun(t, "verify", out)
	if fmt.Sprint(everyFile(t, filepath.Dir(out))) != "[ /out.jsonl]" {
		t.Error(everyFile(t, filepath.Dir(out)))
	}
}
