package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/store"
)

func open(t *testing.T, path string) *store.Store {
	t.Helper()
	s, err := store.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func laps(from, to int, timeS float64) []wire.Lap {
	var out []wire.Lap
	for n := from; n <= to; n++ {
		out = append(out, wire.Lap{Lap: n, LapTimeS: timeS})
	}
	return out
}

func put(t *testing.T, s *store.Store, c store.Commit) {
	t.Helper()
	if err := s.Put(c); err != nil {
		t.Fatal(err)
	}
}

func dump(t *testing.T, s *store.Store) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.Dump(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestNewStoreIsEmpty(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "s.db"))
	m, err := s.Mark()
	if err != nil || m.Cursor != 0 || m.SnapshotSeq != 0 || m.Snapshot != nil {
		t.Fatalf("mark %+v, %v", m, err)
	}
	if r, err := s.Results("s1"); r != nil || err != nil {
		t.Fatalf("results %q, %v", r, err)
	}
	if l, err := s.Laps("s1", "t1"); l != nil || err != nil {
		t.Fatalf("laps %v, %v", l, err)
	}
}

func TestCommitIsThereAfterReopening(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.db")
	s := open(t, path)
	put(t, s, store.Commit{
		Cursor: 7, Saved: trial.Saved{State: []byte(`{"x":1}`)}, Sessions: []store.Session{{ID: "s1", Results: []byte("results")}},
		Trials: []store.Trial{{Session: "s1", FromLap: 1, Result: wire.TrialResult{Trial: "t1", Laps: laps(1, 12, 10)}}},
	})
	put(t, s, store.Commit{Cursor: 9})
	before := dump(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, path)
	m, err := s.Mark()
	if err != nil || m.Cursor != 9 || m.SnapshotSeq != 7 || string(m.Snapshot) != `{"x":1}` {
		t.Fatalf("mark %+v, %v", m, err)
	}
	if r, err := s.Results("s1"); string(r) != "results" || err != nil {
		t.Fatalf("results %q, %v", r, err)
	}
	got, err := s.Laps("s1", "t1")
	if err != nil || len(got) != 12 || got[9].Lap != 10 {
		t.Fatalf("laps %+v, %v", got, err)
	}
	if dump(t, s) != before || !strings.Contains(before, `trials "s1/t1"`) {
		t.Fatalf("dump %s\nwas %s", dump(t, s), before)
	}
}

// New laps replace those from their number on, fewer laps too, and no others.
func TestLapsAreReplacedFromANumberOn(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "s.db"))
	trial := func(name string, from int, list []wire.Lap) store.Commit {
		return store.Commit{Trials: []store.Trial{{Session: "s1", FromLap: from, Result: wire.TrialResult{Trial: name, Laps: list}}}}
	}
	put(t, s, trial("t1", 1, laps(1, 9, 10)))
	put(t, s, trial("t10", 1, laps(1, 2, 50)))
	put(t, s, trial("t1", 4, laps(4, 6, 20)))
	got, err := s.Laps("s1", "t1")
	if err != nil || len(got) != 6 || got[2].LapTimeS != 10 || got[3].LapTimeS != 20 {
		t.Fatalf("laps %+v, %v", got, err)
	}
	if other, _ := s.Laps("s1", "t10"); len(other) != 2 {
		t.Fatalf("another trial's laps changed: %+v", other)
	}
}

func TestSameContentGivesSameDump(t *testing.T) {
	a, b := open(t, filepath.Join(t.TempDir(), "a.db")), open(t, filepath.Join(t.TempDir(), "b.db"))
	one := store.Trial{Session: "s1", FromLap: 1, Result: wire.TrialResult{Trial: "t1", Laps: laps(1, 3, 10)}}
	put(t, a, store.Commit{Cursor: 5, Trials: []store.Trial{one}})
	for n := 1; n <= 3; n++ {
		step := store.Trial{Session: "s1", FromLap: n, Result: wire.TrialResult{Trial: "t1", Laps: laps(n, n, 10)}}
		put(t, b, store.Commit{Cursor: uint64(n), Trials: []store.Trial{step}})
	}
	if dump(t, a) == dump(t, b) {
		t.Fatal("the cursors differ, the dumps do not")
	}
	put(t, b, store.Commit{Cursor: 5, Trials: []store.Trial{{Session: "s1", FromLap: 4, Result: one.Result}}})
	if dump(t, a) != dump(t, b) {
		t.Fatalf("dumps differ:\n%s\n%s", dump(t, a), dump(t, b))
	}
}

func TestNewerFormatIsRefusedWithASentence(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.db")
	if err := open(t, path).Close(); err != nil {
		t.Fatal(err)
	}
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error { return tx.Bucket([]byte("meta")).Put([]byte("format"), []byte("9")) })
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	_, err = store.Open(path)
	if !errors.Is(err, store.ErrFormat) || !strings.Contains(err.Error(), "of format 9, this program knows 3; rainhill rebuild makes it anew") {
		t.Fatalf("%v", err)
	}
	// It was let go: the file can be opened by what made it.
	if db, err = bbolt.Open(path, 0o600, nil); err != nil {
		t.Fatal(err)
	}
	_ = db.Close()
}

// A file of an older format keeps its results, by the rules that made them, and has the
// rest made again.
func TestOldFormatKeepsItsResultsAlone(t *testing.T) {
	for _, format := range []string{"1", "2"} {
		oldFormat(t, format)
	}
}

func oldFormat(t *testing.T, format string) {
	path := filepath.Join(t.TempDir(), "s.db")
	s := open(t, path)
	put(t, s, store.Commit{Cursor: 7, Saved: trial.Saved{State: []byte(`{}`), Session: "s2", Kept: []trial.Kept{{Trial: "t1", Laps: [][]byte{[]byte(`1`)}}}}, Sessions: []store.Session{{ID: "s1", Results: []byte(`{"rules":{"version":"2"}}`)}}})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error { return tx.Bucket([]byte("meta")).Put([]byte("format"), []byte(format)) })
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s = open(t, path)
	if m, err := s.Mark(); err != nil || m.Cursor != 0 || m.Snapshot != nil {
		t.Fatalf("the mark is %+v, %v", m, err)
	}
	if kept, err := s.Kept("s2", "t1"); err != nil || kept != nil {
		t.Fatalf("laps are kept: %q, %v", kept, err)
	}
	// Scored again by newer rules, the old result stays; corrected, it goes.
	again := store.Session{ID: "s1", Results: []byte(`{"rules":{"version":"3"}}`), Version: "3"}
	for _, corrected := range []bool{false, true} {
		again.Corrected = corrected
		put(t, s, store.Commit{Cursor: 8, Sessions: []store.Session{again}})
		b, err := s.Results("s1")
		if err != nil || bytes.Contains(b, []byte(`"3"`)) != corrected {
			t.Fatalf("corrected %v: %s, %v", corrected, b, err)
		}
	}
}

// Beside a snapshot lie the final laps that it is without: of its session alone, each as it
// was put last.
func TestLapsKeptBesideASnapshot(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "s.db"))
	laps := func(texts ...string) (out [][]byte) {
		for _, x := range texts {
			out = append(out, []byte(x))
		}
		return out
	}
	for _, c := range []struct {
		saved trial.Saved
		want  string // of sessions a and b, trial t
	}{
		{trial.Saved{Session: "a", Kept: []trial.Kept{{Trial: "t", Laps: laps("1", "2", "3")}, {Trial: "u", Laps: laps("9")}}}, `["1" "2" "3"] []`},
		{trial.Saved{Session: "a", Kept: []trial.Kept{{Trial: "t", From: 3, Laps: laps("4")}}}, `["1" "2" "3" "4"] []`},
		{trial.Saved{Session: "a", Kept: []trial.Kept{{Trial: "t", From: 1, Laps: laps("5")}}}, `["1" "5"] []`},
		{trial.Saved{Session: "a"}, `["1" "5"] []`},
		{trial.Saved{Session: "b", Kept: []trial.Kept{{Trial: "t", Laps: laps("6")}}}, `[] ["6"]`},
		{trial.Saved{}, `[] []`},
	} {
		c.saved.State = []byte(`{}`)
		put(t, s, store.Commit{Cursor: 1, Saved: c.saved})
		a, errA := s.Kept("a", "t")
		b, errB := s.Kept("b", "t")
		if got := fmt.Sprintf("%q %q", a, b); errA != nil || errB != nil || got != c.want {
			t.Fatalf("after %+v: %s, %v, %v; want %s", c.saved, got, errA, errB, c.want)
		}
	}
}

// bbolt has one owner: a second one is told, and does not wait for ever.
func TestSecondOwnerIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.db")
	open(t, path)
	if _, err := store.Open(path); err == nil || !strings.Contains(err.Error(), path) {
		t.Fatalf("%v", err)
	}
}
