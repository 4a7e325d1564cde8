package laps_test

import (
	"math"
	"testing"

	"rainhill/pkg/laps"
	"rainhill/pkg/tracker"
)

// touches says which laps an incident lies in: it is somewhere between the
// passages before and after it.
func touches(x laps.Incident, list []laps.Lap) (n []int) {
	for _, lap := range list {
		if x.LastUs < lap.To.AtUs && (x.FirstUs == 0 || x.FirstUs > lap.From.AtUs) {
			n = append(n, lap.N)
		}
	}
	return n
}

// later has passages from index i on come so many seconds later.
func later(list []tracker.Passage, i int, s float64) []tracker.Passage {
	for ; i < len(list); i++ {
		us := int64(s * 1e6)
		list[i].Front.AtUs, list[i].Front.RawUs, list[i].EndUs = list[i].Front.AtUs+us, list[i].Front.RawUs+us, list[i].EndUs+us
	}
	return list
}

// wanted tells of each passage how long it should have taken.
func wanted(list []tracker.Passage) []tracker.Passage {
	for i := 1; i < len(list); i++ {
		list[i] = want(list[i], oval().DistanceMm(0, list[i-1].W, list[i].W)/300)
	}
	return list
}

// Between b and c of the second lap it stood for 30 s: a stall in the middle of
// the sector, give or take its half over the root of three (GUM 4.3.7).
func TestAStallBetweenGates(t *testing.T) {
	_, out := pass(laps.Run{}, oval(), later(wanted(even(0, 12)), 6, 30)...)
	if len(out.Laps) != 3 || len(out.Incidents) != 1 {
		t.Fatalf("%d laps, incidents %+v, want 3 and one", len(out.Laps), out.Incidents)
	}
	x := out.Incidents[0]
	if x.Kind != laps.Stall || x.From != "b" || x.To != "c" || x.PositionMm != 2200 || x.SpanMm != 1800 || math.Abs(x.UMm-900/math.Sqrt(3)) > 1e-9 {
		t.Errorf("%+v, want a stall half-way from b to c", x)
	}
	if d := x.UntilUs - x.AtUs; d != x.LateUs || math.Abs(float64(d)-30e6) > 5 || x.AtUs <= x.LastUs || x.UntilUs >= x.FirstUs {
		t.Errorf("%+v, want 30 s between the passages of b and c", x)
	}
	if n := touches(x, out.Laps); len(n) != 1 || n[0] != 2 {
		t.Errorf("it touches laps %v, want the second", n)
	}
	if out.Laps[1].N != 2 || math.Abs(seconds(out.Laps[1].From, out.Laps[1].To)-50) > 1e-5 {
		t.Errorf("the lap of the stall takes %g s, want 50: it is a lap, for others to leave out", seconds(out.Laps[1].From, out.Laps[1].To))
	}
}

// The gate saw the train's end only when it had stood over it.
func TestAStallOverTheGate(t *testing.T) {
	list := later(wanted(even(0, 8)), 6, 20)
	list[5] = endUs(list[5], float64(list[5].Front.RawUs)/1e6+20.5)
	_, out := pass(laps.Run{}, oval(), list...)
	if len(out.Incidents) != 1 {
		t.Fatalf("incidents %+v, want one", out.Incidents)
	}
	if x := out.Incidents[0]; x.Kind != laps.Stall || x.From != "b" || x.To != "b" || x.PositionMm != 1300 || x.UMm != 100 || x.AtUs != list[5].Front.AtUs {
		t.Errorf("%+v, want a stall at b, from when it came there", x)
	}
}

// A train has stood when it took two and a half times as long as it should, and
// 2.5 s longer.
func TestWhatIsAStall(t *testing.T) {
	for _, c := range []struct {
		want, took float64
		stall      bool
	}{
		{6, 14.9, false}, {6, 15.1, true}, {1, 3.4, false}, {1, 3.6, true}, {0, 60, false},
	} {
		_, out := pass(laps.Run{}, oval(), first(at(1, 10)), want(at(2, 10+c.took), c.want))
		if stall := len(out.Incidents) == 1; stall != c.stall {
			t.Errorf("%g s where %g were wanted: incidents %+v", c.took, c.want, out.Incidents)
		}
	}
}

// Of a train that runs back it lies behind the gate it passed last.
func TestAnIncidentWhileRunningBack(t *testing.T) {
	list := append(even(0, 6), turned(back(at(6, 45))), back(want(at(5, 51), 6)))
	_, out := pass(laps.Run{}, oval(), append(list, back(want(at(4, 85), 4)))...)
	if x := out.Incidents[len(out.Incidents)-1]; x.Kind != laps.Stall || x.From != "b" || x.To != "a" || x.PositionMm != 650 {
		t.Errorf("%+v, want a stall half-way back from b to a", x)
	}
	_, out = pass(laps.Run{}, oval(), append(list, set(at(8, 85)))...)
	if x := out.Incidents[len(out.Incidents)-1]; x.Kind != laps.Set || x.From != "b" || x.To != "a" || x.AtUs >= x.UntilUs {
		t.Errorf("%+v, want it set on at a", x)
	}
}

// Past the timing gate and b it turned, ran back over b and a to beyond d, turned
// again and came back: coming to the timing gate again makes no lap, and the lap
// that it was on goes on until the gate is reached by a whole lap's way.
func TestAReversedPassageOfTheTimingGateMakesNoLap(t *testing.T) {
	list := append(even(0, 5), // a, b, c, d, a: one lap; b
		turned(back(at(5, 40))), back(at(4, 44)), back(at(3, 49)), // b, a, d
		turned(at(3, 52)), at(4, 57), at(5, 61), at(6, 67), at(7, 71), at(8, 77), at(9, 81))
	r, out := pass(laps.Run{}, oval(), list...)
	if len(out.Laps) != 2 || out.Laps[1].N != 2 {
		t.Fatalf("laps %s, want two", encoded(t, out.Laps))
	}
	lap := out.Laps[1]
	if lap.From != out.Laps[0].To || math.Abs(seconds(lap.From, lap.To)-47) > 1e-5 || len(lap.Sectors) != 4 || lap.Inferred {
		t.Errorf("the second lap is from %+v to %+v in %d sectors", lap.From, lap.To, len(lap.Sectors))
	}
	if s := lap.Sectors[0]; s.From.Gate != "a" || s.To.Gate != "b" || math.Abs(seconds(s.From, s.To)-1300.0/300) > 1e-5 {
		t.Errorf("its first sector is as it was before the reversal: %+v", s)
	}
	for i, p := range out.Points {
		if p.Reverse != (i >= 6 && i <= 8) {
			t.Errorf("point %d: reverse %v", i, p.Reverse)
		}
	}
	if len(out.Incidents) != 1 || !out.Back || out.BackUs != at(3, 52).Front.AtUs {
		t.Fatalf("incidents %+v, back %v at %d, want one that ended at d", out.Incidents, out.Back, out.BackUs)
	}
	x := out.Incidents[0]
	if x.Kind != laps.Reversal || x.From != "b" || x.To != "" || x.PositionMm != 2200 || x.UntilUs != 0 || x.AtUs != (list[5].Front.AtUs+list[6].Front.AtUs)/2 {
		t.Errorf("%+v, want a reversal half-way from b to c, half-way in time, not over", x)
	}
	if n := touches(x, out.Laps); len(n) != 1 || n[0] != 2 {
		t.Errorf("it touches laps %v, want the second", n)
	}
	if r.N != 2 || r.Top != 9 || r.W != 9 {
		t.Errorf("the run is at gate %d of %d after %d laps", r.W, r.Top, r.N)
	}
}

// Lifted off after c and set on before b: what it was on is no lap, and the count
// goes on with the next whole one.
func TestATrainSetOnElsewhere(t *testing.T) {
	list := append(even(0, 6), set(want(at(9, 60), 4)), at(10, 66), at(11, 70), at(12, 76), at(13, 80), at(14, 86), at(15, 90), at(16, 96))
	r, out := pass(laps.Run{}, oval(), list...)
	if len(out.Laps) != 2 || out.Laps[0].N != 1 || out.Laps[1].N != 2 || seconds(out.Laps[1].From, out.Laps[1].To) != 20 {
		t.Fatalf("laps %s, want the first and, from 76 s on, the second", encoded(t, out.Laps))
	}
	if len(out.Points) != len(list) || r.N != 2 {
		t.Errorf("%d points and %d laps of %d passages", len(out.Points), r.N, len(list))
	}
	if len(out.Incidents) != 1 {
		t.Fatalf("incidents %+v, want one", out.Incidents)
	}
	x := out.Incidents[0]
	if x.Kind != laps.Set || x.From != "c" || x.To != "b" || x.PositionMm != 3750 || x.SpanMm != 1300 || x.UntilUs != list[7].Front.AtUs || x.AtUs != list[6].Front.AtUs+2_000_000 {
		t.Errorf("%+v, want set on at b, lost in the middle of c to d", x)
	}
	if n := touches(x, out.Laps); len(n) != 0 {
		t.Errorf("it touches laps %v, want none: the lap it was on is not one", n)
	}
	// Set on at the timing gate it begins a lap there, and makes none by it.
	_, out = pass(laps.Run{}, oval(), append(even(0, 6), set(at(8, 60)), at(9, 64), at(10, 70), at(11, 74), at(12, 80))...)
	if len(out.Laps) != 2 || seconds(out.Laps[1].From, out.Laps[1].To) != 20 {
		t.Errorf("set on at the timing gate: %s", encoded(t, out.Laps))
	}
	// A train set on before it was ever seen has no incident behind it.
	if _, out := pass(laps.Run{}, oval(), set(at(2, 10)), at(3, 14)); len(out.Incidents) != 0 || len(out.Points) != 2 {
		t.Errorf("set on, not seen before: %+v", out)
	}
}

// A second trial of one run begins anew; its laps are counted on.
func TestAFirstPassageBeginsAnew(t *testing.T) {
	r, _ := pass(laps.Run{}, oval(), even(0, 6)...)
	r, out := pass(r, oval(), first(at(0, 100)), at(1, 104))
	if len(out.Laps) != 0 || len(out.Incidents) != 0 || r.N != 1 || r.Top != 1 {
		t.Errorf("%+v after %+v", out, r)
	}
}
