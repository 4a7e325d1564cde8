package laps_test

import (
	"encoding/json"
	"math"
	"testing"

	"rainhill/pkg/laps"
	"rainhill/pkg/passage"
	"rainhill/pkg/tracker"
)

// oval is a lap of 6 m with gates a (timing), b, c and d at uneven distances.
func oval() *tracker.Line {
	return tracker.NewLine(6000, []tracker.Gate{
		{ID: "a", Timing: true}, {ID: "b", PositionMm: 1300}, {ID: "c", PositionMm: 3100}, {ID: "d", PositionMm: 4400},
	}, []tracker.Train{{ID: "p"}, {ID: "q", Reverse: true}}, tracker.Default())
}

// at is a passage of gate number w after so many seconds, 300 us uncertain.
func at(w int, s float64) tracker.Passage {
	us := int64(math.Round(s * 1e6))
	return tracker.Passage{W: w, Dir: 1, EndUs: us + 400_000, Front: passage.Stamp{AtUs: us + 5000, RawUs: us, Clock: "house/1", UUs: 300, UClockUs: 4000}}
}

func first(p tracker.Passage) tracker.Passage            { p.First = true; return p }
func back(p tracker.Passage) tracker.Passage             { p.Dir = -1; return p }
func turned(p tracker.Passage) tracker.Passage           { p.Turned = true; return p }
func set(p tracker.Passage) tracker.Passage              { p.Set = true; return p }
func missed(p tracker.Passage, n int) tracker.Passage    { p.Missed = n; return p }
func want(p tracker.Passage, s float64) tracker.Passage  { p.WantUs = s * 1e6; return p }
func endUs(p tracker.Passage, s float64) tracker.Passage { p.EndUs = int64(s * 1e6); return p }
func bridge(p tracker.Passage, b ...tracker.Share) tracker.Passage {
	p.Bridge = b
	return missed(p, len(b))
}

// even is passages of gates from to to at 300 mm/s, of number 0 at second 10.
func even(from, to int) (list []tracker.Passage) {
	for w := from; w <= to; w++ {
		list = append(list, at(w, 10+oval().DistanceMm(0, 0, w)/300))
	}
	list[0].First = true
	return list
}

func pass(r laps.Run, l *tracker.Line, list ...tracker.Passage) (laps.Run, laps.Out) {
	var all laps.Out
	for _, p := range list {
		var out laps.Out
		r, out = r.Pass(l, p)
		all.Points, all.Laps, all.Incidents = append(all.Points, out.Points...), append(all.Laps, out.Laps...), append(all.Incidents, out.Incidents...)
		all.Back, all.BackUs = all.Back || out.Back, max(all.BackUs, out.BackUs)
	}
	return r, all
}

func seconds(a, b laps.Point) float64 {
	us, _ := b.Since(a.Stamp)
	return float64(us) / 1e6
}

func encoded(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestLapsFromPoints(t *testing.T) {
	l := oval()
	_, out := pass(laps.Run{}, l, even(2, 13)...) // from c: the first lap begins at the next timing gate
	if len(out.Points) != 12 || len(out.Incidents) != 0 || len(out.Laps) != 2 {
		t.Fatalf("%d points, %d laps, %d incidents, want 12, 2 and none", len(out.Points), len(out.Laps), len(out.Incidents))
	}
	for i, lap := range out.Laps {
		us, u := lap.To.Since(lap.From.Stamp)
		if lap.N != i+1 || us != 20_000_000 || math.Abs(u-300*math.Sqrt2) > 1e-9 || lap.Inferred {
			t.Errorf("lap %d: number %d, %d +/- %g us, want 20 000 000 +/- 424 (its clock's offset cancels)", i, lap.N, us, u)
		}
		if lap.From.Gate != "a" || lap.To.Gate != "a" || lap.From.AtUs != int64(20e6*float64(i+1)+10e6+5000) {
			t.Errorf("lap %d is from %+v to %+v", i, lap.From, lap.To)
		}
		if i > 0 && lap.From != out.Laps[i-1].To {
			t.Errorf("lap %d begins with %+v, the one before ended with %+v", i, lap.From, out.Laps[i-1].To)
		}
	}
	for i, p := range out.Points {
		if g := l.Place(0, i+2); p.Gate != g.ID || p.PositionMm != g.PositionMm || p.Inferred || p.Reverse {
			t.Errorf("point %d: %+v, want gate %s", i, p, g.ID)
		}
	}
}

// Sectors go from gate to gate, and their times and lengths make up the lap.
func TestSectorsAddUpToTheLap(t *testing.T) {
	_, out := pass(laps.Run{}, oval(), even(0, 12)...)
	if len(out.Laps) != 3 {
		t.Fatalf("%d laps, want 3", len(out.Laps))
	}
	for _, lap := range out.Laps {
		at, s, mm := lap.From, 0.0, 0.0
		for i, x := range lap.Sectors {
			if x.From != at || x.LengthMm != []float64{1300, 1800, 1300, 1600}[i] {
				t.Errorf("lap %d, sector %d: from %s over %g mm", lap.N, i, x.From.Gate, x.LengthMm)
			}
			at, s, mm = x.To, s+seconds(x.From, x.To), mm+x.LengthMm
		}
		if len(lap.Sectors) != 4 || at != lap.To || mm != 6000 || math.Abs(s-seconds(lap.From, lap.To)) > 1e-9 {
			t.Errorf("lap %d: %d sectors of %g s over %g mm end at %s, the lap takes %g s over 6000 mm", lap.N, len(lap.Sectors), s, mm, at.Gate, seconds(lap.From, lap.To))
		}
	}
	// The other way round the sectors come in the other order.
	var list []tracker.Passage
	for w := range 5 {
		p := at(w, 10+5*float64(w))
		p.Slot = 1
		list = append(list, p)
	}
	_, out = pass(laps.Run{}, oval(), list...)
	if len(out.Laps) != 1 || out.Laps[0].Sectors[0].To.Gate != "d" || out.Laps[0].Sectors[0].LengthMm != 1600 {
		t.Errorf("in reverse: %+v", out.Laps)
	}
}

func TestOneGateHasNoSectors(t *testing.T) {
	l := tracker.NewLine(6000, []tracker.Gate{{ID: "a"}}, []tracker.Train{{}}, tracker.Default())
	_, out := pass(laps.Run{}, l, first(at(0, 10)), at(1, 30), at(2, 51))
	if len(out.Laps) != 2 || out.Laps[0].Sectors != nil || seconds(out.Laps[1].From, out.Laps[1].To) != 21 {
		t.Errorf("%+v", out.Laps)
	}
}

// A gate that missed the train is bridged where the tracker says. The point is
// inferred; its u is that of the share times the time, and of both ends in their
// shares (GUM 5.1.2). Only a lap that begins or ends with one is inferred.
func TestABridgedPointIsInferred(t *testing.T) {
	list := even(0, 9)
	list[6] = bridge(list[6], tracker.Share{W: 5, F: 0.42, U: 0.01}) // b of the second lap
	list = append(list[:5], list[6:]...)
	_, out := pass(laps.Run{}, oval(), list...)
	if len(out.Points) != 10 || len(out.Laps) != 2 || out.Laps[0].Inferred || out.Laps[1].Inferred {
		t.Fatalf("%d points, laps %+v", len(out.Points), out.Laps)
	}
	a, p, c := out.Points[4], out.Points[5], out.Points[6]
	span := float64(c.AtUs - a.AtUs)
	u := math.Sqrt(math.Pow(0.01*span, 2) + math.Pow(0.58*300, 2) + math.Pow(0.42*300, 2))
	if !p.Inferred || p.Gate != "b" || p.PositionMm != 1300 || math.Abs(float64(p.AtUs-a.AtUs)-0.42*span) > 1 || p.RawUs-a.RawUs != p.AtUs-a.AtUs || math.Abs(p.UUs-u) > 1e-6 {
		t.Errorf("%+v, want gate b inferred at 0.42 of %g us, u %g", p, span, u)
	}
	for i, q := range out.Points {
		if i != 5 && (q.Inferred || q.UUs >= p.UUs) {
			t.Errorf("point %d: %+v, no less certain than the inferred one", i, q)
		}
	}
	if s := out.Laps[1].Sectors; len(s) != 4 || s[0].To != p || s[1].From != p {
		t.Errorf("the bridged lap has sectors %+v", s)
	}
}

func TestALapFromABridgedTimingGateIsInferred(t *testing.T) {
	list := even(0, 13)
	list[9] = bridge(list[9], tracker.Share{W: 7, F: 0.4, U: 0.01}, tracker.Share{W: 8, F: 0.8, U: 0.02})
	list = append(list[:7], list[9:]...)
	_, out := pass(laps.Run{}, oval(), list...)
	if len(out.Laps) != 3 || out.Laps[0].Inferred || !out.Laps[1].Inferred || !out.Laps[2].Inferred {
		t.Fatalf("laps %s, want the second and third inferred", encoded(t, out.Laps))
	}
	_, seen := out.Laps[0].To.Since(out.Laps[0].From.Stamp)
	for _, lap := range out.Laps[1:] {
		if _, u := lap.To.Since(lap.From.Stamp); u < 10*seen {
			t.Errorf("lap %d is +/- %g us, one seen at both ends +/- %g", lap.N, u, seen)
		}
	}
	// A front that nobody saw for sure makes no measured lap either.
	list = even(0, 4)
	list[4].Doubtful = true
	if _, out := pass(laps.Run{}, oval(), list...); !out.Laps[0].Inferred || !out.Points[4].Inferred {
		t.Error("a doubtful front made a lap that is not marked")
	}
}

// Without shares the missed gates lie where an even run has them, as uncertain
// as a place anywhere on the way would have it.
func TestBridgedWithoutShares(t *testing.T) {
	list := even(0, 4)
	_, out := pass(laps.Run{}, oval(), list[0], missed(list[3], 2))
	if len(out.Points) != 4 || math.Abs(seconds(out.Points[0], out.Points[1])-1300.0/300) > 2e-6 {
		t.Fatalf("points %+v", out.Points)
	}
	for _, p := range out.Points[1:3] {
		if !p.Inferred || p.UUs < 1e6 {
			t.Errorf("%+v, want inferred, more than a second uncertain", p)
		}
	}
}

// Between two boots of an agent a bridged point is in bus time, and so are the
// sectors on both sides of it.
func TestBridgedAcrossARestart(t *testing.T) {
	list := even(0, 2)
	p := bridge(list[2], tracker.Share{W: 1, F: 0.5, U: 0.01})
	p.Front.Clock, p.Front.RawUs = "house/2", 77
	_, out := pass(laps.Run{}, oval(), list[0], p)
	q := out.Points[1]
	if q.Clock != "" || q.RawUs != q.AtUs || math.Abs(float64(q.AtUs)-float64(out.Points[0].AtUs+p.Front.AtUs)/2) > 1 || q.UClockUs != 4000 {
		t.Errorf("%+v, want half-way in bus time, of no clock", q)
	}
}

// A run that was gone through goes on two ways without one's changing the other.
func TestRunsDoNotChange(t *testing.T) {
	l, list := oval(), even(0, 12)
	var r laps.Run
	for i, p := range list {
		was := encoded(t, r)
		a, out := r.Pass(l, p)
		run, led := encoded(t, a), encoded(t, out)
		later := p
		later.Front.AtUs, later.Front.RawUs = p.Front.AtUs+1_000_000, p.Front.RawUs+1_000_000
		r.Pass(l, later)
		pass(a, l, list[i+1:]...)
		if encoded(t, r) != was || encoded(t, a) != run || encoded(t, out) != led {
			t.Fatalf("passage %d: what came of it changed as the run went on another way", i)
		}
		r = a
	}
}
