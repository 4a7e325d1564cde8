package main

import (
	"bytes"
	"encoding/json"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

// A meet's whole day at high speed through a real service: entries, a running order,
// each run a trial opened and closed by decisions, a run voided and made again, a
// voided lap, a locomotive corrected before and after the close, a signature. Its
// export scored, imported as another site, and the store made anew give the same
// results, byte for byte; also once another session has been opened and the older one is
// corrected, and when a close was taken back.
func TestDayReplaysBitForBit(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	h := openHost(t, data, "line")
	o := signedIn(t, h)
	day := meetDay(o)
	day.sameEverywhere(data, "s1", "closed and signed")

	day.correctOlder()
	day.sameEverywhere(data, "s1", "corrected while another session was open")

	day.closeAgain()
	day.sameEverywhere(data, "s2", "its close taken back, and closed again")
	day.sameEverywhere(data, "s1", "after all that")
	live := map[string][]byte{"s1": day.o.results("s1"), "s2": day.o.results("s2")}
	stopHost(t, day.o.h)
	wantRebuilt(t, data, "line")
	h = openHost(t, data, "line")
	defer stopHost(t, h)
	for id, want := range live {
		if got := get(t, h.URL+"/api/results?session="+id); !bytes.Equal(got, want) {
			t.Errorf("%s after the rebuild:\n%s", id, firstDifference(want, got))
		}
	}
}

// meetDayRun is the day as it went on.
type meetDayRun struct {
	t      *testing.T
	o      *official
	plan   wire.Plan
	trials []wire.Trial
	signed string // decision
	nextUs int64
}

func meetDay(o *official) *meetDayRun {
	d := &meetDayRun{t: o.t.(*testing.T), o: o, nextUs: time.Now().UnixMicro() - 6*3600_000_000}
	s := oneTrain(o.t, 1.5)
	o.openOval(s, "s1")
	o.decide(wire.WhatMeet, "", "", wire.Meet{Classes: []wire.Class{{ID: "open", Name: "Open"}}, Rank: wire.RankMeanTime, Rounds: 2, WarmupLaps: 1})
	for i, e := range []wire.Entry{{ID: "e1", Person: "Ada", Locomotive: "wren"}, {ID: "e2", Person: "Ben", Locomotive: "dipper"}, {ID: "e3", Person: "Cy", Locomotive: "heron"}} {
		e.Class = "open"
		o.decide(wire.WhatEntry, "", "", e)
		if i == 2 {
			e.Withdrawn = true
			o.decide(wire.WhatEntry, "", "", e)
		}
	}
	res, b := o.post("/api/running-order", map[string]any{"seed": 11})
	if err := json.Unmarshal(b, &d.plan); err != nil || res.StatusCode != http.StatusOK {
		o.t.Fatalf("%s %v", b, err)
	}
	o.decide(wire.WhatPlan, "", "", d.plan)
	loco := map[string]string{"e1": "wren", "e2": "dipper"}
	for i, r := range d.plan.Runs {
		v := d.run(wire.Trial{ID: "t-" + r.ID, Locomotive: loco[r.Entry], Run: r.ID, Entry: r.Entry}, int64(i+1))
		if i == 1 { // a run that does not count, and is made again
			v.Void = true
			o.decide(wire.WhatTrial, "the gate was knocked over", "", v)
			v.Void, v.ID = false, v.ID+"-again"
			d.run(v, 77)
		}
	}
	o.decide(wire.WhatLap, "a cat on the line", "", wire.LapValue{Trial: d.trials[0].ID, Lap: 2, Void: true})
	o.decide(wire.WhatNote, "", "", wire.NoteValue{Trial: d.trials[0].ID, Text: "wind from the <east> & rain"})
	wrong := d.trials[2]
	wrong.Locomotive = "heron" // it was another locomotive that ran
	o.decide(wire.WhatTrial, "the labels were swapped", "", wrong)
	d.closeSession("s1")
	wrong.Locomotive = "wren" // it was not, after all
	o.decide(wire.WhatTrial, "they were not", "s1", wrong)
	d.signed = o.seal("s1")
	o.decide(wire.WhatNote, "", "s1", wire.NoteValue{Text: "signed in the rain"})
	d.looksLikeADay(o.results("s1"))
	return d
}

// run makes a run after the one before.
func (d *meetDayRun) run(v wire.Trial, seed int64) wire.Trial {
	d.t.Helper()
	v = d.o.run(oneTrain(d.t, 1.5), seed, d.nextUs, v)
	d.trials, d.nextUs = append(d.trials, v), d.nextUs+10*60_000_000
	return v
}

func (d *meetDayRun) closeSession(id string) string {
	d.t.Helper()
	return d.o.decide(wire.WhatSession, "", "", wire.Session{ID: id, Name: "Open day", Circuit: "long-oval", ClosedUs: time.Now().UnixMicro()})
}

// looksLikeADay wants the results to hold what was done, so that equal does not mean empty.
func (d *meetDayRun) looksLikeADay(b []byte) {
	d.t.Helper()
	var r wire.Results
	if err := json.Unmarshal(b, &r); err != nil {
		d.t.Fatal(err)
	}
	if len(r.Trials) != 5 || r.Meet == nil || r.Meet.Runs != 4 || r.Meet.Done != 4 || r.Seal == nil || len(r.Notes) != 2 || len(r.Doubts) > 1 {
		d.t.Fatalf("%d trials, meet %+v, seal %+v, %d notes, doubts %q", len(r.Trials), r.Meet, r.Seal, len(r.Notes), r.Doubts)
	}
	for _, x := range r.Trials {
		if len(x.Laps) < 3 {
			d.t.Errorf("trial %s has %d laps", x.Trial, len(x.Laps))
		}
	}
	if r.Trials[0].Laps[1].Counts != wire.CountsVoid || r.Trials[2].Train != "wren" || !r.Trials[1].About.Void {
		d.t.Errorf("lap voided: %s; train %s; trial voided: %v", r.Trials[0].Laps[1].Counts, r.Trials[2].Train, r.Trials[1].About.Void)
	}
}

// correctOlder opens another session, and corrects the signed one before it.
func (d *meetDayRun) correctOlder() {
	d.t.Helper()
	o := d.o
	o.decide(wire.WhatSession, "", "", wire.Session{ID: "s2", Name: "After tea", Circuit: "long-oval"})
	d.run(wire.Trial{ID: "tea-1", Locomotive: "wren"}, 101)
	before := o.results("s1")
	if status, r := o.tries(wire.WhatLap, "too late", "s1", wire.LapValue{Trial: d.trials[3].ID, Lap: 2, Void: true}); status != http.StatusBadRequest || !strings.Contains(r.Reason, "signed") {
		d.t.Fatalf("a signed session was corrected: %d %+v", status, r)
	}
	o.decide(wire.WhatUndo, "one lap more is void", "s1", wire.Undo{Decision: d.signed})
	o.decide(wire.WhatLap, "the cat again", "s1", wire.LapValue{Trial: d.trials[3].ID, Lap: 2, Void: true})
	loco := oneTrain(d.t, 1).Setup(1).Locomotives[0]
	loco.ID, loco.Name, loco.LengthMm = "dipper", "Dipper", loco.LengthMm+25
	o.decide(wire.WhatLocomotive, "measured again", "", loco) // of now, and not of then
	o.seal("s1")
	if bytes.Equal(before, o.results("s1")) {
		d.t.Fatal("the older session's results are as before the correction")
	}
	if status, r := o.tries(wire.WhatSession, "", "s1", wire.Session{ID: "s1", Circuit: "long-oval"}); status != http.StatusBadRequest {
		d.t.Fatalf("an older session was opened again beside another: %d %+v", status, r)
	}
}

// closeAgain closes the session, takes that back, runs on and closes it again.
func (d *meetDayRun) closeAgain() {
	d.t.Helper()
	o := d.o
	renamed := o.decide(wire.WhatSession, "", "", wire.Session{ID: "s2", Name: "After high tea", Circuit: "long-oval"})
	o.decide(wire.WhatUndo, "", "", wire.Undo{Decision: renamed})
	d.run(wire.Trial{ID: "tea-2", Locomotive: "dipper"}, 102)
	closed := d.closeSession("s2")
	o.decide(wire.WhatUndo, "one more run", "s2", wire.Undo{Decision: closed})
	var v wire.Results
	if err := json.Unmarshal(o.results("s2"), &v); err != nil || v.Session.ClosedUs != 0 {
		d.t.Fatalf("%v: the session is closed still", err)
	}
	file := filepath.Join(d.t.TempDir(), "again.jsonl")
	d.o.exported("s2", file)
	for _, args := range [][]string{{"score", file}, {"score", "--session", "s2", file}} {
		if out := mustRun(d.t, args...); strings.Contains(out, `"closed_us"`) {
			d.t.Errorf("%v: a session that was opened again is shown as when it was closed", args)
		}
	}
	seq := d.journalSeq()
	for end := time.Now().Add(30 * time.Second); d.journalSeq() == seq; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			d.t.Fatal("no time passes in the journal of a session that was opened again")
		}
	}
	d.run(wire.Trial{ID: "tea-3", Locomotive: "wren"}, 103)
	d.closeSession("s2")
	if err := json.Unmarshal(o.results("s2"), &v); err != nil || len(v.Trials) != 3 || v.Session.Name != "Open day" && v.Session.Name != "After tea" {
		d.t.Fatalf("%v %d trials of %q", err, len(v.Trials), v.Session.Name)
	}
}

func (d *meetDayRun) journalSeq() uint64 {
	var h wire.Health
	if err := json.Unmarshal(get(d.t, d.o.h.URL+"/api/health"), &h); err != nil {
		d.t.Fatal(err)
	}
	return h.JournalSeq
}

// sameEverywhere scores a session's export, and imports it as another site that a
// service then serves: the results are the live ones.
func (d *meetDayRun) sameEverywhere(data, session, when string) {
	d.t.Helper()
	live := d.o.results(session)
	file := filepath.Join(d.t.TempDir(), session+".jsonl")
	mustRun(d.t, "export", "--data", data, "--session", session, "-o", file)
	mustRun(d.t, "verify", file)
	if got := mustRun(d.t, "score", file); got != string(live) {
		d.t.Errorf("%s, %s: its export scores otherwise:\n%s", session, when, firstDifference(live, []byte(got)))
	}
	if got := mustRun(d.t, "score", "--session", session, file); got != string(live) {
		d.t.Errorf("%s, %s: its export scores otherwise when it is named:\n%s", session, when, firstDifference(live, []byte(got)))
	}
	other := d.t.TempDir()
	mustRun(d.t, "import", "--data", other, "--site", "copy", file)
	mustRun(d.t, "verify", "--data", other, "--site", "copy")
	h, err := host.Open(host.Config{Data: other, Site: "copy", WebPort: -1, NATSPort: -1})
	if err != nil {
		d.t.Fatal(err)
	}
	defer stopHost(d.t, h)
	want := bytes.Replace(live, []byte(`"site": "line"`), []byte(`"site": "copy"`), 1)
	if got := get(d.t, h.URL+"/api/results"); !bytes.Equal(got, want) {
		d.t.Errorf("%s, %s: imported elsewhere it is another:\n%s", session, when, firstDifference(want, got))
	}
}
