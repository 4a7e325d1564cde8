package replay

import (
	"bytes"
	"testing"
	"time"

	"rainhill/pkg/wire"
)

// BenchmarkSeek reads a session of some b.N facts and goes to places all over it:
// run it with -benchtime 200000x. It says how long the reading took, how long a seek
// takes at most and in the mean, and what is held.
func BenchmarkSeek(b *testing.B) {
	var recording bytes.Buffer
	recordTo(b, &recording, "s1", startUs, max(60, b.N*10/113), 0) // the simulated railway makes 11.3 facts a second
	r := newRig(b, recording.Bytes())
	b.ResetTimer()
	begun := time.Now()
	w := r.load(wire.ReplayOpen{ID: "a", Session: "s1"})
	read := time.Since(begun)
	var worst, sum time.Duration
	const seeks = 60
	for i := range int64(seeks) {
		at := w.told.FromUs + (w.told.ToUs-w.told.FromUs)*(i*37%seeks)/(seeks-1)
		begun := time.Now()
		if err := w.seekAt(b.Context(), at); err != nil {
			b.Fatal(err)
		}
		encode(b, w.view())
		took := time.Since(begun)
		worst, sum = max(worst, took), sum+took
	}
	b.ReportMetric(float64(w.tape.facts()), "facts")
	b.ReportMetric(read.Seconds(), "read-s")
	b.ReportMetric(float64(sum.Milliseconds())/seeks, "seek-ms")
	b.ReportMetric(float64(worst.Milliseconds()), "worst-ms")
	b.ReportMetric(float64(w.tape.bytes())/1e6, "records-MB")
	b.ReportMetric(float64(w.marks.bytes())/1e6, "states-MB")
	b.ReportMetric(float64(len(w.marks.list)), "states")
}
