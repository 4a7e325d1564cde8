package scoring_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"rainhill/services/journal"
	"rainhill/services/scoring"
)

// BenchmarkScoring scores a journal from its beginning and commits, against
// reading the same records in order and doing nothing with them.
func BenchmarkScoring(b *testing.B) {
	x := newBench(b, record(b, 900, 40_000))
	js := mustJS(b, x.nc)
	var read, scored time.Duration
	facts, n := 0, 0
	for b.Loop() {
		t0 := time.Now()
		err := journal.Read(context.Background(), js, site, 1, 0, func(uint64, []byte) error { facts++; return nil })
		if err != nil {
			b.Fatal(err)
		}
		read += time.Since(t0)
		n++
		st := x.open(fmt.Sprintf("bench-%d.db", n))
		t0 = time.Now()
		if err := scoring.CatchUp(context.Background(), x.nc, site, st); err != nil {
			b.Fatal(err)
		}
		scored += time.Since(t0)
		if err := st.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(facts)/read.Seconds(), "raw-facts/s")
	b.ReportMetric(float64(facts)/scored.Seconds(), "facts/s")
	b.ReportMetric(read.Seconds()/scored.Seconds(), "of-raw")
}

// BenchmarkMemory scores some b.N facts of one session and says what is kept:
// run it with -benchtime 1000000x.
func BenchmarkMemory(b *testing.B) {
	f, err := os.Create(filepath.Join(b.TempDir(), "recording.jsonl"))
	if err != nil {
		b.Fatal(err)
	}
	out := bufio.NewWriter(f)
	recordTo(b, out, max(60, b.N*10/113), 0) // the simulated railway makes 11.3 facts a second
	if err := out.Flush(); err != nil {
		b.Fatal(err)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		b.Fatal(err)
	}
	x := benchOf(b, f)
	s := x.open("memory.db")
	defer func() { _ = s.Close() }()
	b.ResetTimer()
	if err := scoring.CatchUp(context.Background(), x.nc, site, s); err != nil {
		b.Fatal(err)
	}
	b.StopTimer()
	mark, err := s.Mark()
	if err != nil {
		b.Fatal(err)
	}
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(mark.Cursor), "facts")
	b.ReportMetric(float64(mark.Cursor)/b.Elapsed().Seconds(), "facts/s")
	b.ReportMetric(float64(m.HeapAlloc)/1e6, "heap-MB")
	b.ReportMetric(residentMB(b), "resident-MB")
	b.ReportMetric(float64(len(mark.Snapshot))/1e6, "snapshot-MB")
}

// residentMB is the most memory this process has had, NaN where the system
// does not say. It holds broker, journal, scorer, store and the test itself.
func residentMB(b *testing.B) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return math.NaN()
	}
	var kb float64
	if _, rest, ok := bytes.Cut(text, []byte("VmHWM:")); ok {
		if _, err := fmt.Sscan(string(rest), &kb); err != nil {
			b.Fatal(err)
		}
	}
	return kb / 1000
}
