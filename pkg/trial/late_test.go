package trial_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// batched has the readings of a motor come n to a message, behind the last of them.
func batched(events []wire.Event, motor string, n int) (out []wire.Event) {
	var held []wire.Event
	flush := func() {
		if len(held) == 0 {
			return
		}
		one := held[len(held)-1]
		one.Samples = nil
		for _, e := range held {
			one.Samples = append(one.Samples, e.Samples...)
		}
		out, held = append(out, one), nil
	}
	for _, e := range events {
		if e.Motor != motor {
			out = append(out, e)
			continue
		}
		if held = append(held, e); len(held) == n {
			flush()
		}
	}
	flush()
	return out
}

// Readings that come in messages of half a minute's worth, long behind the end of a lap that
// settled meanwhile, complete it: what is said is what readings one by one would say, live
// as from saved states.
func TestLateReadingsCompleteLaps(t *testing.T) {
	r := newRail(4)
	r.run(outing{id: "t1", duty: 0.6, carsG: 900, seconds: 150})
	r.setup.Trials[0].ToUs += 20_000_000
	plain := r.result(t, r.score(t), "t1")
	r.events = batched(r.events, "m1", 300)
	s := trial.New("test")
	for _, e := range trial.FromSetup(r.setup, "recording", t0) {
		s.Step(e)
	}
	saved := read(t, mustSave(t, s))
	late := 0
	for i, e := range r.events {
		var before wire.TrialResult
		if e.Motor == "m1" {
			before, _ = s.Result("t1", 0)
		}
		c := s.Step(e)
		saved.Step(e)
		if i%50 == 0 {
			saved = read(t, mustSave(t, saved))
		}
		if e.Motor != "m1" {
			continue
		}
		after, _ := s.Result("t1", 0)
		if len(before.Sets) > 1 && stretches(after, 1) > stretches(before, 1) {
			late++
			if change, ok := c.Trials["t1"]; !ok || change.FromLap >= after.LapCount {
				t.Errorf("a lap was completed and is not told as new: %+v", c.Trials)
			}
		}
	}
	s.Finish()
	saved.Finish()
	got, _ := s.Result("t1", 0)
	if late < 2 {
		t.Errorf("%d messages completed laps: the test is not about late ones", late)
	}
	if stretches(got, 0) != stretches(got, 1) || stretches(got, 1) != stretches(plain, 1) {
		t.Errorf("%d laps of the front set, %d of the rear, want %d of both", stretches(got, 0), stretches(got, 1), stretches(plain, 1))
	}
	if a, b := text(t, got.Sets), text(t, plain.Sets); a != b {
		t.Errorf("with late readings %s\nwant %s", a, b)
	}
	again, _ := saved.Result("t1", 0)
	if a, b := text(t, again), text(t, got); a != b {
		t.Errorf("from saved states %s\nwant %s", a, b)
	}
}

func mustSave(t *testing.T, s *trial.State) []byte {
	t.Helper()
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// stretches is how many stretches the slip of a set was summed up over.
func stretches(r wire.TrialResult, set int) (n int) {
	if len(r.Sets) > set {
		for _, b := range r.Sets[set].By {
			if b.Place == wire.PlaceAll {
				n += b.N
			}
		}
	}
	return n
}

// Trials that show nothing by themselves are judged by what others of the session show:
// loads at one throttle, and a sweep on a stand by its readings alone. When a trial ends,
// the results of the others of its locomotive are new.
func TestTrialsTellOfEachOther(t *testing.T) {
	right, unknown, seeds := 0, 0, uint64(4)
	if *setSeeds > 0 {
		seeds = uint64(*setSeeds)
	}
	for _, regulated := range []bool{false, true} {
		for seed := range seeds {
			r := newRail(seed + 2001)
			r.wander = 0.05 * float64(seed%2)
			for _, o := range []outing{{id: "light"}, {id: "cars", carsG: 2500}} {
				o.duty, o.seconds, o.regulated = 0.5, 90, regulated
				r.run(o)
			}
			s := r.score(t)
			want := wire.IsUnregulated
			if regulated {
				want = wire.IsRegulated
			}
			for _, id := range []string{"light", "cars"} {
				for _, d := range r.result(t, s, id).Sets {
					switch d.Regulated.Verdict {
					case want:
						right++
						decides(t, d.Regulated)
					case wire.RegulatedUnknown:
						unknown++
						t.Logf("seed %d, regulated %v: %s of %s is unknown: %q", seed, regulated, d.Set, id, d.Regulated.Evidence)
					default:
						t.Errorf("seed %d: %s of %s is %s: %q", seed, d.Set, id, d.Regulated.Verdict, d.Regulated.Evidence)
					}
				}
			}
		}
	}
	t.Logf("%d right, %d unknown", right, unknown)
	if unknown > max(3, right/20) {
		t.Errorf("%d right, %d unknown", right, unknown)
	}
}

// decides looks that what speaks for a verdict begins with what decided it, not with what
// cannot tell, and that a droop that stands beside it is the one that is spoken of.
func decides(t *testing.T, r wire.Regulated) {
	t.Helper()
	if first := r.Evidence[0]; strings.Contains(first, "needed") || strings.Contains(first, "enough to tell") || strings.Contains(first, "nothing tells") {
		t.Errorf("%s, and it begins: %q", r.Verdict, r.Evidence)
	}
	said := slices.IndexFunc(r.Evidence, func(s string) bool { return strings.Contains(s, "its droop, at a supply that does not sag") })
	if said >= 0 && !strings.Contains(r.Evidence[said], fmt.Sprintf("is %.1f (%.1f to %.1f) mm/s per ampere", *r.DroopA.Value, *r.DroopA.Lo, *r.DroopA.Hi)) {
		t.Errorf("a droop of %g (%g to %g) beside %q", *r.DroopA.Value, *r.DroopA.Lo, *r.DroopA.Hi, r.Evidence[said])
	}
}

// A trial's end makes the results of its locomotive's other trials new.
func TestAnEndTouchesTheOthers(t *testing.T) {
	r := newRail(2101)
	r.run(outing{id: "light", duty: 0.5, seconds: 60})
	r.run(outing{id: "cars", duty: 0.5, carsG: 1500, seconds: 60})
	s := trial.New("test")
	for _, e := range trial.FromSetup(r.setup, "recording", t0) {
		s.Step(e)
	}
	slices.SortStableFunc(r.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
	stored := map[string]string{}
	keep := func(c trial.Changes) {
		for id := range c.Trials {
			x, _ := s.Result(id, 0)
			stored[id] = text(t, x)
		}
	}
	for _, e := range r.events {
		keep(s.Step(e))
	}
	keep(s.Finish())
	for _, id := range []string{"light", "cars"} {
		x, _ := s.Result(id, 0)
		if a := text(t, x); a != stored[id] {
			t.Errorf("%s was last told as %s\nand is %s", id, stored[id], a)
		}
	}
}

// A load cell tells the droop per newton by itself: laps at one throttle against several
// pulls, its readings long behind the laps.
func TestALoadCellTellsTheDroop(t *testing.T) {
	r := newRail(2201)
	r.wander = 0
	speeds, pulls := map[string]float64{}, map[string]float64{"t0": 0.2, "t1": 0.7, "t2": 1.2}
	for i, cars := range []float64{300, 1200, 2100} {
		id := "t" + string(rune('0'+i))
		from := r.now
		r.run(outing{id: id, duty: 0.6, carsG: cars, seconds: 70})
		for at := from; at < from+70_000_000; at += 200_000 {
			n := int64(1000*pulls[id] + 20*r.rng.NormFloat64())
			r.events = append(r.events, wire.Event{Kind: wire.KindLoad, Cell: "c1", AtUs: at, Samples: []wire.Sample{{AtUs: at, ForceMn: &n}}})
		}
	}
	s := r.score(t)
	for id := range pulls {
		x := r.result(t, s, id)
		speeds[id] = (*x.Sets[0].WheelSpeedMmS.Value + *x.Sets[1].WheelSpeedMmS.Value) / 2
	}
	want := (speeds["t0"] - speeds["t2"]) / (pulls["t2"] - pulls["t0"])
	x := r.result(t, s, "t1")
	if d := x.Regulated.Droop; d.Value == nil || math.Abs(*d.Value/want-1) > 0.1 || *d.Lo > want || *d.Hi < want {
		t.Errorf("droop %s, want %.2f", text(t, d), want)
	}
	if said := x.Regulated.Evidence; len(said) == 0 || !strings.Contains(said[len(said)-1], "by the load cell") {
		t.Errorf("evidence %q", said)
	}
}
