package trial_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// day is a book in which decisions are made one after the other.
type day struct {
	t    *testing.T
	s    *trial.State
	also *trial.State // unless nil: hears the same
	now  int64
	seq  uint64
}

func newDay(t *testing.T) *day {
	d := &day{t: t, s: trial.New("test"), now: t0}
	d.must(wire.WhatCircuit, "", wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", LapLengthMm: 8000}, Gates: []wire.Gate{{ID: "g1", Timing: true}, {ID: "g2", PositionMm: 4000}}})
	for _, id := range []string{"wren", "heron", "crane", "stork"} {
		d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: id, Name: strings.ToUpper(id)})
	}
	d.must(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	return d
}

func (d *day) event(what, session string, v any) wire.Event {
	d.t.Helper()
	d.now += 1_000_000
	d.seq++
	raw, err := json.Marshal(v)
	if err != nil {
		d.t.Fatal(err)
	}
	return wire.Event{
		Kind: wire.KindDecision, ID: fmt.Sprintf("d%d", d.seq), By: "Ada", AtUs: d.now, BusUs: d.now, JournalSeq: d.seq,
		What: what, Value: raw, Why: "because", Session: session,
	}
}

// decide does what the service does: a decision is checked, then stepped.
func (d *day) decide(e wire.Event) (id string, err error) {
	d.t.Helper()
	if err := d.s.Check(e); err != nil {
		return "", err
	}
	d.step(e)
	if !d.s.HadEffect(e.ID) {
		d.t.Fatalf("%s %s was allowed and had no effect: %v", e.What, e.Value, d.s.Doubts)
	}
	return e.ID, nil
}

func (d *day) step(e wire.Event) {
	d.s.Step(e)
	if d.also != nil {
		d.also.Step(e)
	}
}

func (d *day) must(what, session string, v any) string {
	d.t.Helper()
	id, err := d.decide(d.event(what, session, v))
	if err != nil {
		d.t.Fatalf("%s: %v", what, err)
	}
	return id
}

// refused has a decision refused, with words in the reason.
func (d *day) refused(what, session string, v any, words string) {
	d.t.Helper()
	_, err := d.decide(d.event(what, session, v))
	if err == nil || !strings.Contains(err.Error(), words) {
		d.t.Errorf("%s %v: %v, want a refusal with %q", what, v, err, words)
	}
}

// laps has a train pass both gates for n laps of ten seconds and a little.
func (d *day) laps(tag string, n int, lapUs int64) {
	for i := range 2*n + 1 {
		d.now += lapUs / 2
		d.seq++
		d.step(wire.Event{Kind: wire.KindCrossing, Gate: fmt.Sprintf("g%d", i%2+1), Edge: wire.EdgePulse, Tag: tag, AtUs: d.now, BusUs: d.now, JournalSeq: d.seq})
	}
	d.tick(10)
}

func (d *day) tick(seconds int) {
	for range seconds {
		d.now += 1_000_000
		d.seq++
		d.step(wire.Event{Kind: wire.KindTick, AtUs: d.now, BusUs: d.now, JournalSeq: d.seq})
	}
}

func (d *day) close() string {
	d.t.Helper()
	return d.must(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval", ClosedUs: d.now})
}

func (d *day) bytes() string {
	d.t.Helper()
	b, err := trial.Encode(d.s.Results())
	if err != nil {
		d.t.Fatal(err)
	}
	return string(b)
}

func (d *day) trial(id string) wire.TrialResult {
	d.t.Helper()
	for _, r := range d.s.Results().Trials {
		if r.Trial == id {
			return r
		}
	}
	d.t.Fatalf("there is no trial %s", id)
	return wire.TrialResult{}
}

// run opens a trial, runs it and closes it.
func (d *day) run(v wire.Trial, laps int, lapUs int64) {
	d.t.Helper()
	v.Tag = "tag-" + v.ID
	v.FromUs = d.now
	d.must(wire.WhatTrial, "", v)
	d.laps(v.Tag, laps, lapUs)
	v.ToUs = d.now
	d.must(wire.WhatTrial, "", v)
	d.tick(5)
}

// Every kind of decision, taken back, leaves the book as it was; that taken back
// again, as it was decided.
func TestEachDecisionIsTakenBack(t *testing.T) {
	for _, c := range []struct {
		what string
		v    any
	}{
		{wire.WhatCircuit, wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", LapLengthMm: 8100}, Gates: []wire.Gate{{ID: "g1", Timing: true}, {ID: "g2", PositionMm: 4100}}}},
		{wire.WhatLocomotive, wire.Locomotive{ID: "wren", Name: "Other", LengthMm: 300}},
		{wire.WhatLocomotive, wire.Locomotive{ID: "ibis", Name: "New"}},
		{wire.WhatConsist, wire.Consist{ID: "coal", Cars: []wire.Car{{LengthMm: 200}}}},
		{wire.WhatMotor, wire.NamedMotor{ID: "m1", Name: "Left"}},
		{wire.WhatBattery, wire.Battery{ID: "b1", Name: "Red"}},
		{wire.WhatMargin, wire.Margin{Circuit: "loop", LapTimeS: 0.05}},
		{wire.WhatTrial, wire.Trial{ID: "t1", Locomotive: "heron", Tag: "tag-t1", FromUs: t0, ToUs: t0 + 66_000_000}},
		{wire.WhatTrial, wire.Trial{ID: "t9", Locomotive: "heron", Tag: "tag-t9", FromUs: t0, ToUs: t0 + 60_000_000}},
		{wire.WhatLap, wire.LapValue{Trial: "t1", Lap: 2, Void: true}},
		{wire.WhatNote, wire.NoteValue{Trial: "t1", Text: "rain"}},
		{wire.WhatMeet, wire.Meet{Rank: wire.RankMeanTime, Rounds: 2, Classes: []wire.Class{{ID: "a"}}}},
		{wire.WhatEntry, wire.Entry{ID: "e1", Person: "Bo", Locomotive: "wren"}},
		{wire.WhatScoring, wire.Scoring{LapLengthMm: 8200, Gates: map[string]float64{"g2": 4050}}},
	} {
		d := newDay(t)
		d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 5, 10_000_000)
		before := d.bytes() + viewOf(t, d)
		id := d.must(c.what, "", c.v)
		after := d.bytes() + viewOf(t, d)
		if after == before {
			t.Errorf("%s %v changed nothing", c.what, c.v)
		}
		back := d.must(wire.WhatUndo, "", wire.Undo{Decision: id})
		if got := d.bytes() + viewOf(t, d); got != before {
			t.Errorf("%s %v taken back:\n%s\nwant\n%s", c.what, c.v, got, before)
		}
		d.must(wire.WhatUndo, "", wire.Undo{Decision: back})
		if got := d.bytes() + viewOf(t, d); got != after {
			t.Errorf("%s %v put back again:\n%s\nwant\n%s", c.what, c.v, got, after)
		}
	}
}

// viewOf is what a page is told of the book, without how far it is.
func viewOf(t *testing.T, d *day) string {
	t.Helper()
	v := d.s.View()
	v.Rev, v.NowUs = 0, 0
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// An older decision is taken back after those on the same thing that came later.
func TestOlderDecisionsWaitForLaterOnes(t *testing.T) {
	d := newDay(t)
	first := d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "One"})
	second := d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Two"})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: first}, "take that decision ("+second+") back first")
	d.must(wire.WhatUndo, "", wire.Undo{Decision: second})
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: "nothing"}, "there is no decision")
}

// Two officials open the same thing; the second one's decision is a conflict.
func TestSecondOfTwoOfficialsIsTold(t *testing.T) {
	d := newDay(t)
	seen := d.seq
	mine, theirs := d.event(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", MassG: 900}), d.event(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", MassG: 950})
	other := d.event(wire.WhatLocomotive, "", wire.Locomotive{ID: "heron", MassG: 700})
	mine.BaseSeq, theirs.BaseSeq, other.BaseSeq = &seen, &seen, &seen
	if _, err := d.decide(mine); err != nil {
		t.Fatal(err)
	}
	_, err := d.decide(theirs)
	if !errors.Is(err, trial.ErrConflict) || !strings.Contains(err.Error(), "Ada changed this at") {
		t.Errorf("%v, want a conflict", err)
	}
	if _, err := d.decide(other); err != nil {
		t.Errorf("another locomotive: %v", err)
	}
	// Past the check as well: of two that come at once the second has no effect.
	d.s.Step(theirs)
	if d.s.HadEffect(theirs.ID) || d.s.Locomotives["wren"].MassG != 900 {
		t.Errorf("the first decision was lost: %+v", d.s.Locomotives["wren"])
	}
}

// A wrong locomotive is corrected after the session has closed: its results are
// those of the right one, the wheels' too.
func TestCorrectedAfterwards(t *testing.T) {
	d := newDay(t)
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "heron", DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12}}})
	v := wire.Trial{ID: "t1", Locomotive: "wren", Tag: "x", FromUs: d.now}
	d.must(wire.WhatTrial, "", v)
	// Encoder counts for wheels that slip by a fiftieth at 800 mm/s.
	counts := int64(0)
	for i := range 2000 {
		at := d.now + int64(i)*50_000
		counts = int64(float64(i) * 0.05 * 800 * 1.02 / (3.14159265 * 30 / 120))
		d.seq++
		d.s.Step(wire.Event{Kind: wire.KindMotor, Motor: "m1", AtUs: at, BusUs: at, JournalSeq: d.seq, Samples: []wire.Sample{{AtUs: at, Counts: &counts}}})
	}
	d.laps("x", 6, 10_000_000)
	if r := d.trial("t1"); r.Train != "wren" || len(r.Sets) != 0 {
		t.Fatalf("%+v", r)
	}
	d.close()
	d.refused(wire.WhatTrial, "", v, "no session is open; a decision about a closed one names it")
	v.Locomotive, v.ToUs = "heron", d.now
	id := d.must(wire.WhatTrial, "s1", v)
	r := d.trial("t1")
	if r.Train != "heron" || len(r.Sets) != 1 || r.Sets[0].Slip.Value == nil || *r.Sets[0].Slip.Value < 0.019 || *r.Sets[0].Slip.Value > 0.021 {
		t.Fatalf("%s, sets %+v", r.Train, r.Sets)
	}
	if r.State != "closed" || r.LapCount != 6 {
		t.Fatalf("%s, %d laps", r.State, r.LapCount)
	}
	d.must(wire.WhatUndo, "s1", wire.Undo{Decision: id})
	if got := d.trial("t1").Train; got != "wren" {
		t.Fatalf("taken back, it is %s", got)
	}
}

// A trial ends after so many laps, or so many seconds; what runs on does not count.
func TestTrialsEndByThemselves(t *testing.T) {
	d := newDay(t)
	v := wire.Trial{ID: "t1", Locomotive: "wren", Tag: "x", WarmupLaps: 1, EndsAfterLaps: 2, FromUs: d.now}
	d.must(wire.WhatTrial, "", v)
	d.laps("x", 2, 10_000_000)
	if due := d.s.Due(); len(due) != 0 {
		t.Fatalf("due before its laps: %+v", due)
	}
	d = newDay(t)
	v.FromUs = d.now
	d.must(wire.WhatTrial, "", v)
	d.laps("x", 5, 10_000_000)
	due := d.s.Due()
	if len(due) != 1 || due[0].ID != "t1" || due[0].ToUs == 0 {
		t.Fatalf("due: %+v", due)
	}
	d.must(wire.WhatTrial, "", due[0])
	d.tick(5)
	var counts []string
	for _, l := range d.trial("t1").Laps {
		counts = append(counts, l.Counts)
	}
	if got := strings.Join(counts, " "); !strings.HasPrefix(got, "warmup yes yes after_end") {
		t.Fatalf("laps count %s", got)
	}
	if due := d.s.Due(); len(due) != 0 {
		t.Fatalf("due again: %+v", due)
	}
	from := d.now
	d.must(wire.WhatTrial, "", wire.Trial{ID: "t2", Locomotive: "heron", Tag: "y", EndsAfterS: 60})
	d.tick(59)
	if due := d.s.Due(); len(due) != 0 {
		t.Fatalf("due before its minute: %+v", due)
	}
	d.tick(3)
	if due := d.s.Due(); len(due) != 1 || due[0].ToUs != from+1_000_000+60_000_000 {
		t.Fatalf("due %+v from %d", due, from)
	}
}

// A void trial keeps its laps and none counts; restored, all do.
func TestTrialIsVoidedAndRestored(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 5, 10_000_000)
	whole := d.trial("t1")
	v := *whole.About
	v.Void = true
	e := d.event(wire.WhatTrial, "", v)
	e.Why = ""
	if err := d.s.Check(e); err == nil || !strings.Contains(err.Error(), "why is missing") {
		t.Fatalf("%v", err)
	}
	d.must(wire.WhatTrial, "", v)
	if r := d.trial("t1"); r.Consistency.N != 0 || r.LapCount != 5 || r.Why != "because" {
		t.Fatalf("%+v", r)
	}
	v.Void = false
	d.must(wire.WhatTrial, "", v)
	if r := d.trial("t1"); r.Consistency.N != whole.Consistency.N {
		t.Fatalf("%+v", r)
	}
}

// The close of a session is taken back, and its open trial goes on.
func TestCloseIsTakenBack(t *testing.T) {
	d := newDay(t)
	d.must(wire.WhatTrial, "", wire.Trial{ID: "t1", Locomotive: "wren", Tag: "x", FromUs: d.now})
	d.laps("x", 3, 10_000_000)
	id := d.close()
	d.refused(wire.WhatUndo, "", wire.Undo{Decision: id}, "a decision about a closed one names it")
	d.must(wire.WhatUndo, "s1", wire.Undo{Decision: id})
	if to := d.trial("t1").About.ToUs; to != 0 {
		t.Fatalf("the trial ended at %d", to)
	}
	n := d.trial("t1").LapCount
	d.laps("x", 3, 10_000_000)
	if got := d.trial("t1").LapCount; got < n+3 {
		t.Fatalf("%d laps, after %d before", got, n)
	}
	d.close()
	d.must(wire.WhatSession, "", wire.Session{ID: "s2", Circuit: "oval"})
	d.refused(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"}, "session \"s2\" is still open")
}

// An official signs what he saw; what is signed is not changed; a note may be added.
func TestSignedResultsStay(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 5, 10_000_000)
	digest := func() string {
		x, err := trial.Digest(d.s.Results())
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	d.refused(wire.WhatSeal, "", wire.Seal{Digest: digest()}, "still open")
	d.close()
	old := digest()
	d.must(wire.WhatLap, "s1", wire.LapValue{Trial: "t1", Lap: 2, Void: true})
	d.refused(wire.WhatSeal, "s1", wire.Seal{Digest: old}, "not those that you saw")
	seal := d.must(wire.WhatSeal, "s1", wire.Seal{Digest: digest()})
	if s := d.s.Results().Seal; s == nil || s.By != "Ada" || s.Digest != digest() {
		t.Fatalf("%+v", s)
	}
	d.must(wire.WhatNote, "s1", wire.NoteValue{Text: "prizes given"})
	d.refused(wire.WhatLap, "s1", wire.LapValue{Trial: "t1", Lap: 2}, "are signed: take the signature ("+seal+") back first")
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Renamed"})
	if s := d.s.Results().Seal; s.Digest != digest() {
		t.Fatal("a definition changed what was signed")
	}
	d.must(wire.WhatUndo, "s1", wire.Undo{Decision: seal})
	d.must(wire.WhatLap, "s1", wire.LapValue{Trial: "t1", Lap: 2})
}

// Scored under other rules, a session says so: where its gate really stood, how
// long its lap really is, how short a lap can be.
func TestOtherRules(t *testing.T) {
	d := newDay(t)
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 6, 10_000_000)
	d.close()
	d.refused(wire.WhatScoring, "s1", wire.Scoring{Gates: map[string]float64{"g7": 1}}, "no gate \"g7\"")
	d.refused(wire.WhatScoring, "s1", wire.Scoring{LapLengthMm: 3000}, "the lap is 3000 mm long")
	d.must(wire.WhatScoring, "s1", wire.Scoring{LapLengthMm: 8400, Gates: map[string]float64{"g2": 2100}})
	r := d.trial("t1")
	if v := *r.SpeedMmS.Value; v < 839.9 || v > 840.1 {
		t.Errorf("speed %g mm/s, want 840", v)
	}
	if s := r.Laps[1].Sectors; len(s) != 2 || s[0].LengthMm != 2100 || s[1].LengthMm != 6300 {
		t.Errorf("sectors %+v", s)
	}
	d.must(wire.WhatScoring, "s1", wire.Scoring{MinLapS: 15})
	for _, l := range d.trial("t1").Laps {
		if l.LapTimeS < 15 {
			t.Errorf("lap %d of %g s, under the least", l.Lap, l.LapTimeS)
		}
	}
}

// A session too long for the book to hold is, corrected after its close, scored
// again from its beginning by who keeps all of it; who does not says so.
func TestLongSessionIsCorrectedWhole(t *testing.T) {
	for _, all := range []bool{true, false} {
		d := newDay(t)
		s := trial.New("test")
		if all {
			s.KeepAll()
		}
		// The same beginning, in a state that keeps all.
		for _, x := range d.s.Decided {
			s.Step(wire.Event{Kind: wire.KindDecision, ID: x.ID, By: x.By, AtUs: x.AtUs, BusUs: x.AtUs, JournalSeq: x.Seq, What: x.What, Value: x.After})
		}
		d.s = s
		d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 11_000, 8_000_000)
		d.close()
		e := d.event(wire.WhatScoring, "s1", wire.Scoring{Gates: map[string]float64{"g2": 3900}})
		c := d.s.Step(e)
		if c.Closed != "s1" || !c.Corrected || c.Short == all {
			t.Fatalf("keeping all is %v: %+v", all, c)
		}
		laps := d.trial("t1").Laps
		if len(laps) < 10_900 {
			t.Fatalf("%d laps", len(laps))
		}
		if mm := laps[1].Sectors[0].LengthMm; all && mm != 3900 || !all && mm != 4000 {
			t.Errorf("keeping all is %v: the first sector is %g mm", all, mm)
		}
	}
}

// Such a session's results are signed by whoever keeps all of it: the book, which
// holds the end of it alone, sends its check there and takes the signature.
func TestLongSessionIsSigned(t *testing.T) {
	d := newDay(t)
	whole := trial.New("test")
	whole.KeepAll()
	for _, x := range d.s.Decided {
		whole.Step(wire.Event{Kind: wire.KindDecision, ID: x.ID, By: x.By, AtUs: x.AtUs, BusUs: x.AtUs, JournalSeq: x.Seq, What: x.What, Value: x.After})
	}
	d.also = whole
	d.run(wire.Trial{ID: "t1", Locomotive: "wren"}, 11_000, 8_000_000)
	d.close()
	d.must(wire.WhatScoring, "s1", wire.Scoring{Gates: map[string]float64{"g2": 3900}})
	digest, err := trial.Digest(whole.Results())
	if err != nil {
		t.Fatal(err)
	}
	seal, other := d.event(wire.WhatSeal, "s1", wire.Seal{Digest: digest}), d.event(wire.WhatSeal, "s1", wire.Seal{Digest: strings.Repeat("0", 64)})
	if err := d.s.Check(seal); !errors.Is(err, trial.ErrElsewhere) {
		t.Errorf("the book, which cannot know, says %v", err)
	}
	if err := whole.Check(other); !errors.Is(err, trial.ErrConflict) {
		t.Errorf("other results: %v", err)
	}
	if c := d.s.Step(seal); !c.Short || d.s.Book.Seal == nil {
		t.Errorf("the book has seal %v, %+v", d.s.Book.Seal, c)
	}
	if whole.Step(seal); whole.Results().Seal == nil {
		t.Error("the whole session is not signed")
	}
}
