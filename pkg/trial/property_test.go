package trial_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// What must hold of any session: drawn at random, with gates, trains, tags and
// faults.

type drawn struct {
	setup  wire.Setup
	events []wire.Event // in time order, numbered, with arrival at once
}

func drawSession(t *rapid.T) drawn {
	w := newWorld(rapid.Uint64().Draw(t, "seed"), 3000, rapid.SampledFrom([]int{1, 2, 4}).Draw(t, "gates"), rapid.SampledFrom([]gateKind{once, axles, beam}).Draw(t, "kind"))
	w.bounce = rapid.Bool().Draw(t, "bounce")
	w.miss = rapid.SampledFrom([]float64{0, 0.05}).Draw(t, "miss")
	w.clutter = rapid.SampledFrom([]float64{0, 0.05}).Draw(t, "clutter")
	tags := rapid.Bool().Draw(t, "tags")
	for i := range rapid.IntRange(1, 3).Draw(t, "trains") {
		v := rapid.Float64Range(150, 900).Draw(t, "speed")
		tr := train{
			id: string(rune('a' + i)), length: 400, tell: true, startMm: float64(2900 - 900*i), place: !tags, fromUs: t0, forS: 25,
			speed: func(s float64) float64 { return v * (1 + 0.1*math.Sin(s)) },
		}
		if tags {
			tr.tag = "tag-" + tr.id
		}
		w.run(tr)
	}
	if w.clutter > 0 {
		w.addClutter()
	}
	for i := range w.events {
		w.events[i].AtUs += int64(i) // no two at once, so that their order is the same however they come
	}
	slices.SortStableFunc(w.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
	u := 100.0
	for i := range w.events {
		e, seq := &w.events[i], uint64(i+1)
		e.Agent, e.Boot, e.Seq, e.UUs = "hut", "b1", &seq, &u
	}
	return drawn{w.setup, w.events}
}

func begin(d drawn) *trial.State {
	s := trial.New("test")
	for _, e := range trial.FromSetup(d.setup, "recording", t0) {
		s.Step(e)
	}
	return s
}

func scoreAll(d drawn, events []wire.Event) wire.Results {
	s := begin(d)
	for _, e := range events {
		s.Step(e)
	}
	s.Finish()
	return s.Results()
}

func encoded(t *rapid.T, r wire.Results) string {
	b, err := trial.Encode(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func same(t *rapid.T, what, got, want string) {
	t.Helper()
	if got != want {
		t.Fatalf("%s:\n%s\nwant\n%s", what, got, want)
	}
}

func TestOrderOfArrivalChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSession(t)
		type late struct {
			e   wire.Event
			key int64
		}
		var list []late
		for _, e := range d.events {
			list = append(list, late{e, e.AtUs + rapid.Int64Range(0, 1_900_000).Draw(t, "late")})
		}
		slices.SortStableFunc(list, func(a, b late) int { return int(a.key - b.key) })
		var shuffled []wire.Event
		for _, l := range list {
			shuffled = append(shuffled, l.e)
		}
		same(t, "arrived in another order", encoded(t, scoreAll(d, shuffled)), encoded(t, scoreAll(d, d.events)))
	})
}

func TestStragglersChangeNothingButTheirCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSession(t)
		cut := rapid.IntRange(0, 3).Draw(t, "gate")
		var first, resent []wire.Event
		for _, e := range d.events {
			if e.Gate == d.setup.Gates[cut%len(d.setup.Gates)].ID {
				resent = append(resent, e)
			} else {
				first = append(first, e)
			}
		}
		got, want := scoreAll(d, slices.Concat(first, resent)), scoreAll(d, d.events)
		for i := range got.Trials {
			got.Trials[i].Dropped.Late = 0
		}
		same(t, "one gate's events resent at the end", encoded(t, got), encoded(t, want))
	})
}

func TestDuplicatesAreOnlyCounted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSession(t)
		var twice []wire.Event
		n := 0
		for i, e := range d.events {
			twice = append(twice, e)
			if rapid.IntRange(0, 4).Draw(t, "again") == 0 {
				twice, n = append(twice, d.events[rapid.IntRange(0, i).Draw(t, "which")]), n+1
			}
		}
		got := scoreAll(d, twice)
		for i := range got.Trials {
			if got.Trials[i].Dropped.Duplicates != n {
				t.Fatalf("%d duplicates counted, want %d", got.Trials[i].Dropped.Duplicates, n)
			}
			got.Trials[i].Dropped.Duplicates = 0
		}
		same(t, "with duplicates", encoded(t, got), encoded(t, scoreAll(d, d.events)))
	})
}

func TestASavedStateGoesOnTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSession(t)
		s, at := begin(d), rapid.IntRange(0, len(d.events)).Draw(t, "saved at")
		for i, e := range d.events {
			if i == at {
				b, err := json.Marshal(s)
				if err != nil {
					t.Fatal(err)
				}
				s = &trial.State{}
				if err := json.Unmarshal(b, s); err != nil {
					t.Fatal(err)
				}
				s.Revive()
			}
			s.Step(e)
		}
		s.Finish()
		same(t, "saved and read", encoded(t, s.Results()), encoded(t, scoreAll(d, d.events)))
	})
}

// Every lap begins where the last ended, but for a train that was set on anew,
// and their times make the whole.
func TestLapTimesMakeTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSession(t)
		for _, r := range scoreAll(d, d.events).Trials {
			sum, end := 0.0, int64(0)
			for i, l := range r.Laps {
				apart := i > 0 && l.StartUs != end && !incidentWithin(r, end, l.StartUs)
				if l.Lap != i+1 || l.LapTimeS <= 0 || apart {
					t.Fatalf("trial %s: lap %d of %g s from %d after one that ended at %d", r.Trial, l.Lap, l.LapTimeS, l.StartUs, end)
				}
				parts := 0.0
				for _, x := range l.Sectors {
					parts += x.TimeS
				}
				if len(l.Sectors) > 0 && math.Abs(parts-l.LapTimeS) > 1e-6 {
					t.Fatalf("trial %s, lap %d: sectors make %g s, the lap %g s", r.Trial, l.Lap, parts, l.LapTimeS)
				}
				end = l.StartUs + int64(math.Round(l.LapTimeS*1e6))
				sum += l.LapTimeS
			}
			if n := len(r.Laps); n > 0 && !incidentWithin(r, r.Laps[0].StartUs, end) && math.Abs(sum-float64(end-r.Laps[0].StartUs)/1e6) > 1e-6 {
				t.Fatalf("trial %s: laps make %g s, first to last passage %g s", r.Trial, sum, float64(end-r.Laps[0].StartUs)/1e6)
			}
		}
	})
}

// What the frames told, put together as a page does it, is what stands at the
// end; and a lap once final is told again only if something came late.
func TestFramesTellTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawSession(t)
		s := begin(d)
		page := map[string][]wire.Lap{}
		for _, e := range d.events {
			for _, r := range s.Frame(s.Step(e)).Results {
				from := r.LapCount - len(r.Laps)
				for i, l := range r.Laps {
					if at := from + i; at < len(page[r.Trial]) && page[r.Trial][at].Final && !l.Final {
						t.Fatalf("trial %s: lap %d was final and is not", r.Trial, l.Lap)
					}
				}
				page[r.Trial] = append(slices.Clone(page[r.Trial][:min(from, len(page[r.Trial]))]), r.Laps...)
			}
		}
		for _, r := range s.Frame(s.Finish()).Results {
			page[r.Trial] = append(slices.Clone(page[r.Trial][:min(r.LapCount-len(r.Laps), len(page[r.Trial]))]), r.Laps...)
		}
		for _, r := range s.Results().Trials {
			got, _ := json.Marshal(page[r.Trial])
			want, _ := json.Marshal(r.Laps)
			if len(r.Laps) > 0 && string(got) != string(want) {
				t.Fatalf("trial %s: the page has\n%s\nwant\n%s", r.Trial, got, want)
			}
		}
	})
}

// incidentWithin reports whether a train was set on anew between two laps.
func incidentWithin(r wire.TrialResult, fromUs, toUs int64) bool {
	return slices.ContainsFunc(r.Incidents, func(x wire.Incident) bool {
		return x.Kind != wire.Stall && x.AtUs < toUs && x.UntilUs > fromUs
	})
}
