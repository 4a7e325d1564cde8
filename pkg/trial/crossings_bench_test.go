package trial_test

import (
	"fmt"
	"slices"
	"testing"

	"rainhill/pkg/wire"
)

// BenchmarkCrossings steps the crossings of four trains at four gates that see
// every axle: nothing but the work of passages and laps.
func BenchmarkCrossings(b *testing.B) {
	for _, tags := range []bool{true, false} {
		b.Run(fmt.Sprintf("tags=%v", tags), func(b *testing.B) {
			w := newWorld(1, 8000, 4, axles)
			for i := range 4 {
				tr := train{id: fmt.Sprint("e", i), length: 800, tell: true, startMm: float64(7900 - 1870*i), place: true, fromUs: t0, forS: 400, speed: steady(400)}
				if tags {
					tr.tag = tr.id
				}
				w.run(tr)
			}
			slices.SortStableFunc(w.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
			facts := 0
			for b.Loop() {
				s := begin(drawn{setup: w.setup})
				for _, e := range w.events {
					s.Step(e)
				}
				facts += len(w.events)
			}
			b.ReportMetric(float64(facts)/b.Elapsed().Seconds(), "facts/s")
		})
	}
}
