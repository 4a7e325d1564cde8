package tracker_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/tracker"
)

// A lap of 6 m, gates given in no order, the timing gate at 4400 mm.
func twoWays() *tracker.Line {
	return tracker.NewLine(6000, []tracker.Gate{
		{ID: "c", PositionMm: 3100}, {ID: "d", PositionMm: 4400, Timing: true}, {ID: "a", PositionMm: 0}, {ID: "b", PositionMm: 1300},
	}, []tracker.Train{{ID: "p", FromUs: 10, ToUs: 20}, {ID: "q", FromUs: 15, Reverse: true}}, tracker.Default())
}

func TestGatesInRunningOrder(t *testing.T) {
	l := twoWays()
	for slot, want := range []string{"dabc", "dcba"} {
		got := ""
		for w := range 4 {
			got += l.Place(slot, w).ID
		}
		if got != want || l.Place(slot, -1).ID != want[3:] || l.Place(slot, 9).ID != want[1:2] {
			t.Errorf("train %d passes %s (-1: %s, 9: %s), want %s", slot, got, l.Place(slot, -1).ID, l.Place(slot, 9).ID, want)
		}
	}
	for _, c := range []struct {
		slot, a, b int
		mm         float64
	}{
		{0, 0, 1, 1600}, {0, 1, 2, 1300}, {0, 3, 4, 1300}, {0, 0, 4, 6000}, {0, 2, -1, -4200}, {0, -4, 5, 13_600},
		{1, 0, 1, 1300}, {1, 1, 2, 1800}, {1, 3, 4, 1600}, {1, 4, 0, -6000},
	} {
		if got := l.DistanceMm(c.slot, c.a, c.b); math.Abs(got-c.mm) > 1e-9 {
			t.Errorf("train %d: %g mm from gate %d to gate %d, want %g", c.slot, got, c.a, c.b, c.mm)
		}
	}
	if l.Gates() != 4 || !l.Has("a") || l.Has("z") || l.GateMm("b") != 1300 || !l.Timing(-4) || l.Timing(3) {
		t.Error("gates are counted, found or timed wrongly")
	}
	if a, b := l.Along(0, 5000, 1500), l.Along(1, 500, 1500); a != 500 || b != 5000 {
		t.Errorf("1500 mm on: from 5000 forward %g, from 500 in reverse %g; want 500 and 5000", a, b)
	}
}

func TestWhenTrainsRun(t *testing.T) {
	l := twoWays()
	for us, want := range map[int64]bool{9: false, 10: true, 20: true, 14: true, 21: true, 1 << 60: true} {
		if l.Running(us) != want {
			t.Errorf("at %d: running %v", us, !want)
		}
	}
}

// The timing gate comes first even where another stands at its very place; with
// none stated it is the first given.
func TestTimingGateComesFirst(t *testing.T) {
	l := tracker.NewLine(6000, []tracker.Gate{{ID: "x", PositionMm: 500}, {ID: "y", PositionMm: 500, Timing: true}}, []tracker.Train{{}}, tracker.Default())
	if l.Place(0, 0).ID != "y" || l.DistanceMm(0, 0, 1) != 0 || l.DistanceMm(0, 1, 2) != 6000 {
		t.Errorf("first %s, %g mm to the next", l.Place(0, 0).ID, l.DistanceMm(0, 0, 1))
	}
	if l := tracker.NewLine(6000, []tracker.Gate{{ID: "x", PositionMm: 500}, {ID: "y"}}, []tracker.Train{{}}, tracker.Default()); l.Place(0, 0).ID != "x" {
		t.Error("no gate is said to be the timing gate: the first is")
	}
}

// Distances add up, the way back is the way there with the sign turned, and as
// many gates on as there are is a lap, whichever way the train runs.
func TestDistancesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lap := rapid.Float64Range(500, 50_000).Draw(t, "lap")
		var gates []tracker.Gate
		for i := range rapid.IntRange(1, 8).Draw(t, "gates") {
			gates = append(gates, tracker.Gate{ID: string(rune('a' + i)), PositionMm: rapid.Float64Range(0, lap*0.999).Draw(t, "mm")})
		}
		l := tracker.NewLine(lap, gates, []tracker.Train{{}, {Reverse: true}}, tracker.Default())
		number := rapid.IntRange(-30, 30)
		a, b, c := number.Draw(t, "a"), number.Draw(t, "b"), number.Draw(t, "c")
		n := len(gates)
		for slot := range 2 {
			d := func(a, b int) float64 { return l.DistanceMm(slot, a, b) }
			tol := 1e-9 * lap
			if math.Abs(d(a, b)+d(b, c)-d(a, c)) > 60*tol || math.Abs(d(a, b)+d(b, a)) > tol || math.Abs(d(a, a+n)-lap) > 60*tol {
				t.Fatalf("train %d: %g + %g is not %g, or %g not a lap of %g", slot, d(a, b), d(b, c), d(a, c), d(a, a+n), lap)
			}
			if b > a && d(a, b) < -tol {
				t.Fatalf("train %d: gate %d lies %g mm behind gate %d", slot, b, -d(a, b), a)
			}
			at := l.Place(slot, a).PositionMm
			if x := math.Abs(l.Along(slot, at, d(a, b)) - l.Place(slot, b).PositionMm); math.Min(x, lap-x) > 60*tol {
				t.Fatalf("train %d: %g mm from gate %d is not gate %d", slot, d(a, b), a, b)
			}
		}
	})
}
