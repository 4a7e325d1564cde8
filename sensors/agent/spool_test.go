package agent

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rainhill/pkg/wire"
)

// numbered is event seq of a start.
func numbered(boot string, seq uint64) wire.Event {
	return wire.Event{Kind: wire.KindCrossing, Agent: "a", Boot: boot, Seq: &seq, AtUs: int64(seq), Gate: "g1", Edge: wire.EdgePulse}
}

type fataler interface {
	Helper()
	Fatalf(format string, a ...any)
}

func mustOpen(t fataler, dir string, bytes int64) *Spool {
	t.Helper()
	s, err := OpenSpool(dir, bytes)
	if err != nil {
		t.Fatalf("opening the spool: %v", err)
	}
	return s
}

func mustAppend(t fataler, s *Spool, boot string, seqs ...uint64) {
	t.Helper()
	for _, n := range seqs {
		if err := s.Append(numbered(boot, n)); err != nil {
			t.Fatalf("appending %d: %v", n, err)
		}
	}
}

// takeAll empties the spool in order.
func takeAll(s *Spool) (keys []string) {
	for w := s.Window(); len(w) > 0; w = s.Window() {
		keys = append(keys, key(w[0]))
		s.Done(w[0])
	}
	return keys
}

func key(r *Record) string { return fmt.Sprintf("%s/%d", r.Event.Boot, *r.Event.Seq) }

func TestSpoolKeepsOrderAcrossStarts(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, 0)
	mustAppend(t, s, "old", 1, 2, 3)
	s.Done(s.Window()[0])
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, dir, 0)
	mustAppend(t, s, "new", 1, 2)
	if got := s.KeptFrom("new", 3); got != 1 {
		t.Errorf("kept from seq %d of the new start, want 1", got)
	}
	want := []string{"old/2", "old/3", "new/1", "new/2"}
	if got := takeAll(s); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if got := s.KeptFrom("new", 3); got != 3 {
		t.Errorf("all delivered: kept from seq %d, want the next one, 3", got)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// A segment number that came back would lie below the cursor and count as
// delivered.
func TestSpoolNumbersNeverComeBack(t *testing.T) {
	dir := t.TempDir()
	for round := range uint64(4) {
		s := mustOpen(t, dir, 0)
		if round > 0 {
			if got := takeAll(s); len(got) != 1 {
				t.Fatalf("start %d: found %v, want the one event kept", round, got)
			}
		}
		mustAppend(t, s, "b", round)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A power cut or a kill may tear the file at any byte.
func TestSpoolTornAtEveryByte(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, dir, 0)
	mustAppend(t, s, "b", 1, 2, 3)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, "00000001.seg"))
	if err != nil {
		t.Fatal(err)
	}
	line := len(whole) / 3
	for cut := range len(whole) + 1 {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "00000001.seg"), whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		s := mustOpen(t, dir, 0)
		mustAppend(t, s, "c", 1)
		got := takeAll(s)
		want := append([]string{"b/1", "b/2", "b/3"}[:cut/line], "c/1")
		if !slices.Equal(got, want) {
			t.Errorf("cut at byte %d: got %v, want %v", cut, got, want)
		}
		if torn := cut%line != 0; torn != (s.damaged == 1) {
			t.Errorf("cut at byte %d: %d damaged lines counted", cut, s.damaged)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestSpoolPassesOverDamage(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, 0)
	mustAppend(t, s, "b", 1, 2, 3)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "00000001.seg")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 0x20 // one bit of the second line
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, dir, 0)
	if got := takeAll(s); !slices.Equal(got, []string{"b/1", "b/3"}) || s.damaged != 1 || s.Pending() != 0 {
		t.Errorf("got %v, %d damaged, %d pending; want b/1 b/3, 1 and 0", got, s.damaged, s.Pending())
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestSpoolIsBoundedAndDropsTheOldest(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, minSpoolBytes)
	const n = 2000
	for seq := range uint64(n) {
		mustAppend(t, s, "b", seq+1)
		if seq == 10 {
			s.Window() // some are on their way when their segment goes
		}
		if size := diskBytes(t, dir); size > minSpoolBytes {
			t.Fatalf("after %d events the spool takes %d bytes, over its bound of %d", seq+1, size, minSpoolBytes)
		}
	}
	if s.dropped == 0 || int(s.dropped)+s.Pending() != n {
		t.Fatalf("%d dropped and %d kept do not make %d", s.dropped, s.Pending(), n)
	}
	first := s.KeptFrom("b", n+1)
	if first != s.dropped+1 {
		t.Errorf("kept from seq %d, want %d: exactly the oldest %d were dropped", first, s.dropped+1, s.dropped)
	}
	got := takeAll(s)
	for i, k := range got {
		if want := fmt.Sprintf("b/%d", first+uint64(i)); k != want {
			t.Fatalf("event %d is %s, want %s", i, k, want)
		}
	}
	if got[len(got)-1] != fmt.Sprintf("b/%d", n) {
		t.Errorf("the newest is %s, want b/%d", got[len(got)-1], n)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func diskBytes(t *testing.T, dir string) (sum int64) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.seg"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if st, err := os.Stat(name); err == nil {
			sum += st.Size()
		}
	}
	return sum
}

func TestSpoolBelongsToOne(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, 0)
	if _, err := OpenSpool(dir, 0); err == nil {
		t.Error("a second agent opened a spool that is in use")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := mustOpen(t, dir, 0).Close(); err != nil {
		t.Fatal(err)
	}
}

func TestSpoolSyncsWhatWaits(t *testing.T) {
	s := mustOpen(t, t.TempDir(), 0)
	mustAppend(t, s, "b", 1)
	begun := s.unsynced
	if err := s.Maintain(begun.Add(SyncWithin / 2)); err != nil || s.unsynced.IsZero() {
		t.Errorf("synced before its time (%v)", err)
	}
	if err := s.Maintain(begun.Add(SyncWithin)); err != nil || !s.unsynced.IsZero() {
		t.Errorf("not synced after %s (%v)", SyncWithin, err)
	}
	mustAppend(t, s, "b", 2)
	takeAll(s)
	if !s.unsynced.IsZero() {
		t.Error("what was delivered still waits for a sync")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestRefusedLog(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, 0)
	mustAppend(t, s, "b", 1, 2)
	if err := s.SetShift("b", 5); err != nil {
		t.Fatal(err)
	}
	if err := s.Refuse(s.Window()[0], "gate unknown"); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(dir, "refused.log"))
	if err != nil {
		t.Fatal(err)
	}
	want := `"reason":"gate unknown","event":{"kind":"crossing","agent":"a","boot":"b","seq":1,"at_us":6,`
	if !containsLine(string(b), want) || s.refused != 1 || s.Pending() != 1 {
		t.Errorf("refused log %s, %d refused, %d kept; want a line with %s, 1, 1", b, s.refused, s.Pending(), want)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// Whatever is appended, delivered in whatever order, and killed at whatever
// moment: nothing undelivered is lost, the order holds, and what comes again
// after a kill had been delivered since the cursor was last noted.
func TestSpoolAgainstModel(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "spool")
		if err != nil {
			t.Fatalf("%v", err)
		}
		defer os.RemoveAll(dir)
		s := mustOpen(t, dir, 0)
		s.segMax = 700 // many small segments
		kept := map[string]bool{}
		var order []string
		next := uint64(0)
		restart := func(clean bool) {
			if clean {
				if err := s.Close(); err != nil {
					t.Fatalf("%v", err)
				}
			} else { // as a kill leaves it
				_ = s.out.Close()
				_ = s.lock.Unlock()
			}
			s = mustOpen(t, dir, 0)
			s.segMax = 700
		}
		t.Repeat(map[string]func(*rapid.T){
			"append": func(t *rapid.T) {
				next++
				mustAppend(t, s, "b", next)
				k := fmt.Sprintf("b/%d", next)
				kept[k], order = true, append(order, k)
			},
			"done": func(t *rapid.T) {
				if w := s.Window(); len(w) > 0 {
					r := w[rapid.IntRange(0, len(w)-1).Draw(t, "which")]
					kept[key(r)] = false
					s.Done(r)
				}
			},
			"maintain": func(t *rapid.T) {
				if err := s.Maintain(time.Now()); err != nil {
					t.Fatalf("%v", err)
				}
			},
			"restart": func(*rapid.T) { restart(true) },
			"kill":    func(*rapid.T) { restart(false) },
			"": func(t *rapid.T) {
				want := 0
				for _, k := range kept {
					if k {
						want++
					}
				}
				if got := s.Pending(); got < want {
					t.Fatalf("%d kept, want at least %d", got, want)
				}
			},
		})
		restart(true)
		pos := -1
		for _, k := range takeAll(s) {
			i := slices.Index(order, k)
			if i <= pos {
				t.Fatalf("%s is out of order or there twice", k)
			}
			pos = i
			delete(kept, k)
		}
		for k, missing := range kept {
			if missing {
				t.Fatalf("%s was lost", k)
			}
		}
		_ = s.Close()
	})
}
