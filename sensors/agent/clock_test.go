package agent

import (
	"math/rand/v2"
	"testing"

	"rainhill/pkg/wire"
)

func p[T any](v T) *T { return &v }

// Offset by RFC 5905 section 8: ((t2-t1)+(t3-t4))/2.
func TestShiftOnlyForAClockThatWasNeverSet(t *testing.T) {
	const day = int64(24 * 3600 * 1_000_000)
	for _, c := range []struct {
		name           string
		t1, t2, t3, t4 int64
		want           int64
	}{
		{"set by hand, 40 s off", 0, 40_000_000, 40_000_000, 0, 0},
		{"three weeks behind, 2 ms each way", 1000, 21*day + 3000, 21*day + 3000, 5000, 21 * day},
		{"a day ahead", 2 * day, day + 500, day + 700, 2*day + 1200, -day},
	} {
		if got := (exchanged{t1: c.t1, t2: c.t2, t3: c.t3, t4: c.t4}).shift(); got != c.want {
			t.Errorf("%s: shift %d, want %d", c.name, got, c.want)
		}
	}
}

func TestShiftedMovesTheAgentsInstantsOnly(t *testing.T) {
	e := wire.Event{
		AtUs: 10, ClearUs: p(int64(20)), T1Us: p(int64(1)), T2Us: p(int64(2)), T3Us: p(int64(3)), T4Us: p(int64(4)),
		Samples: []wire.Sample{{AtUs: 7, Counts: p(int64(9))}},
	}
	got := shifted(e, 100)
	if got.AtUs != 110 || *got.ClearUs != 120 || *got.T1Us != 101 || *got.T2Us != 2 || *got.T3Us != 3 || *got.T4Us != 104 || got.Samples[0].AtUs != 107 {
		t.Errorf("shifted by 100: %+v", got)
	}
	if e.Samples[0].AtUs != 7 || *e.T1Us != 1 {
		t.Error("the kept event was changed too")
	}
}

func TestCounter(t *testing.T) {
	type line struct {
		count   uint64
		arrival int64
		want    int64
	}
	for _, c := range []struct {
		name  string
		lines []line
	}{
		{"the least delayed line places the others", []line{{1000, 5_000_000, 5_000_000}, {2000, 5_000_700, 5_000_700}, {3000, 5_009_000, 5_001_701}}},
		{"wraps at 2^32", []line{{1<<32 - 1000, 9_000_000, 9_000_000}, {500, 9_001_500, 9_001_500}, {1500, 9_004_000, 9_002_500}}},
		{"starts again", []line{{80_000_000, 9_000_000, 9_000_000}, {100, 12_000_000, 12_000_000}}},
		{"64 bits, no wrap", []line{{1 << 40, 9_000_000, 9_000_000}, {1<<40 + 1000, 9_001_500, 9_001_000}}},
	} {
		var k Counter
		for i, l := range c.lines {
			// The creep allowance is under 2 us over these spans.
			if got := k.Place(l.count, l.arrival); got-l.want > 2 || l.want-got > 2 {
				t.Errorf("%s: line %d placed at %d, want %d", c.name, i, got, l.want)
			}
		}
	}
}

// A counter 50 ppm slow or fast, lines delayed by up to 16 ms (a common
// buffer time of USB serial adapters: from memory): after a few lines the
// placing is far better than the arrival, and stays so for an hour.
func TestCounterFollowsAndIsBetterThanArrival(t *testing.T) {
	for _, ppm := range []float64{-50, 0, 50} {
		rnd := rand.New(rand.NewPCG(1, 2))
		var k Counter
		worst := int64(0)
		for at := int64(1_000_000); at < 3_600_000_000; at += 50_000 {
			count := uint64(float64(at)*(1+ppm*1e-6)) % (1 << 32)
			placed := k.Place(count, at+200+rnd.Int64N(16_000))
			if at > 30_000_000 {
				worst = max(worst, placed-at, at-placed)
			}
		}
		if worst > 2500 {
			t.Errorf("%+.0f ppm: placed up to %d us off, want under 2500 (arrival is up to 16200 off)", ppm, worst)
		}
	}
}
