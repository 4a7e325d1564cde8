package scoring_test

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/services/scoring"
)

// scoredBench is a bench with a scorer that has taken in so many events of a recording; it
// is stopped when the test ends.
func scoredBench(t *testing.T, recording []byte, events int) *bench {
	t.Helper()
	x := newBench(t, recording)
	s := x.open("store.db")
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- scoring.Run(ctx, x.nc, site, s) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		s.Close()
	})
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if a, err := x.nc.Request(bus.Question(site, "scored"), nil, time.Second); err == nil {
			var at scoring.Scored
			if json.Unmarshal(a.Data, &at) == nil && at.Seq >= uint64(events) {
				return x
			}
		}
	}
	t.Fatalf("the scorer has not taken in %d events within 20 s", events)
	return nil
}
