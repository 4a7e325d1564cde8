package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"time"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// TestOfficialsOnThePage has officials write in the book of the real service, each in a
// browser of their own with a cookie of their own.
func TestOfficialsOnThePage(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	for _, story := range []struct {
		name string
		tell func(t *testing.T, ada, ben *desk)
	}{
		{"two change one locomotive", twoAtOneLocomotive},
		{"two correct one trial", twoAtOneTrial},
		{"a trial with conditions ends after three laps", trialEndsByItself},
		{"a stall, void and restored", stallVoidRestore},
		{"the wrong locomotive, corrected when the session is over", wrongLocomotive},
		{"all is in the audit, and taken back from it", auditTakesBack},
		{"taken back right after the act", takenBackAtOnce},
	} {
		t.Run(story.name, func(t *testing.T) {
			t.Parallel()
			h := openHost(t, t.TempDir(), "line")
			t.Cleanup(func() { stopHost(t, h) })
			at := func(name string) *desk {
				d := &desk{&track{t: t, writer: &writer{t: t, nc: h.Bus(), site: "line"}, h: h, ctx: chrome.Tab(t, browser)}, name}
				d.signIn()
				return d
			}
			ada := at("Ada")
			ada.open(60, train{id: "heron"}, train{id: "wren", tag: "b2"})
			ada.decide(wire.WhatConsist, "", wire.Consist{ID: "coal", Name: "six coal cars", Cars: []wire.Car{{MassG: 120}, {MassG: 130}}})
			ada.decide(wire.WhatBattery, "", wire.Battery{ID: "pack-a", Name: "Pack A"})
			ben := at("Ben")
			story.tell(t, ada, ben)
			for _, d := range []*desk{ada, ben} {
				d.picture(story.name + " " + d.name)
			}
		})
	}
}

// openLocomotive opens Heron's form in the roster.
func (d *desk) openLocomotive() {
	d.t.Helper()
	d.to("roster")
	d.button("[data-id=heron]", "Change")
	d.shows(`document.querySelector('form.entry [name=mass]')`)
}

func twoAtOneLocomotive(t *testing.T, ada, ben *desk) {
	for _, d := range []*desk{ada, ben} {
		d.openLocomotive()
	}
	ben.fill("form.entry", map[string]string{"mass": "950"})
	ben.press("form.entry button.primary")
	ben.shows(`!document.querySelector('form.entry')`)
	ada.fill("form.entry", map[string]string{"mass": "900", "owner": "Ada"})
	ada.press("form.entry button.primary")
	ada.textHas("dialog.conflict", "Ben changed Heron at", "nothing is lost", "mass 900 g 950 g", "owner Ada not stated", "now, by Ben at")
	if l := ada.view().Locomotives[0]; l.MassG != 950 || l.Owner != "" {
		t.Fatalf("before a choice Heron is %+v", l)
	}
	ada.picture("conflict of a locomotive")
	// Back to the form: what was written is still there.
	ada.button("dialog.conflict", "Back to the form")
	ada.shows(`!document.querySelector('dialog[open]') && document.querySelector('form.entry [name=mass]').value === '900'`)
	ada.press("form.entry button.primary")
	ada.button("dialog.conflict", "Write mine over it")
	ada.shows(`!document.querySelector('dialog[open]') && !document.querySelector('form.entry')`)
	if l := ada.view().Locomotives[0]; l.MassG != 900 || l.Owner != "Ada" {
		t.Fatalf("after the choice Heron is %+v", l)
	}
	// Changes of two fields can both stand; and theirs can be taken.
	for _, d := range []*desk{ada, ben} {
		d.textHas("[data-id=heron]", "Ada", "900")
		d.openLocomotive()
	}
	ben.fill("form.entry", map[string]string{"mass": "960"})
	ben.press("form.entry button.primary")
	ben.shows(`!document.querySelector('form.entry')`)
	ada.fill("form.entry", map[string]string{"length": "210"})
	ada.press("form.entry button.primary")
	ada.button("dialog.conflict", "Keep both changes")
	ada.shows(`!document.querySelector('dialog[open]') && !document.querySelector('form.entry')`)
	if l := ada.view().Locomotives[0]; l.MassG != 960 || l.LengthMm != 210 || l.Owner != "Ada" {
		t.Fatalf("with both changes Heron is %+v", l)
	}
	by := []string{}
	for _, row := range ada.audit() {
		if row.On == "locomotive/heron" {
			by = append(by, row.By)
		}
	}
	if fmt.Sprint(by) != "[Ada Ben Ada Ben test]" {
		t.Errorf("Heron was decided on by %v", by)
	}
}

const heronLine = `[data-line="t-heron"]`

func (d *desk) correct(values map[string]string) {
	d.t.Helper()
	d.button(heronLine, "Correct")
	d.shows(`document.querySelector('form.trial-sheet [name=tyres]')`)
	d.fill("form.trial-sheet", values)
}

func twoAtOneTrial(t *testing.T, ada, ben *desk) {
	for _, d := range []*desk{ada, ben} {
		d.to("book")
	}
	ada.correct(map[string]string{"tyres": "rubber", "throttle": "52.5"})
	ben.correct(map[string]string{"tyres": "none"})
	ben.press("form.trial-sheet button.primary")
	ben.shows(`!document.querySelector('form.entry')`)
	ada.press("form.trial-sheet button.primary")
	ada.textHas("dialog.conflict", "Ben changed this trial of Heron at", "tyres rubber none", "throttle 52.5 % not stated")
	if c := ada.trial("t-heron").Conditions; c["tyres"] != "none" {
		t.Fatalf("before a choice the conditions are %v", c)
	}
	ada.picture("conflict of a trial")
	ada.button("dialog.conflict", "Take theirs")
	ada.shows(`!document.querySelector('dialog[open]') && !document.querySelector('form.entry')`)
	if c := ada.trial("t-heron").Conditions; len(c) != 1 || c["tyres"] != "none" {
		t.Fatalf("theirs taken, the conditions are %v", c)
	}
}

func trialEndsByItself(t *testing.T, ada, _ *desk) {
	ada.to("book")
	ada.button(heronLine, "Close trial")
	ada.textHas(heronLine, " to ")
	ada.button("[aria-labelledby=b-trial]", "Open a trial")
	ada.shows(`document.querySelector('form.trial-sheet [name=load_g]')`)
	ada.textHas("form.trial-sheet .unwritten", "Not written down: extra load, battery, voltage at start, throttle, tyres, temperature.")
	ada.textHas("form.trial-sheet", "Another train is out")
	ada.fill("form.trial-sheet", map[string]string{"locomotive": "heron"})
	ada.textHas("form.trial-sheet", "Filled in from Heron’s trial of")
	ada.fill("form.trial-sheet", map[string]string{
		"consist": "coal", "load_g": "200", "battery": "pack-a", "battery_v": "7.9", "throttle": "60", "tyres": "rubber", "entrant": "Ada",
		"warmup": "1", "ends": "laps", "tag": "h1", "start": "100",
	})
	ada.shows(`document.querySelector("form.trial-sheet [name=count]")`)
	ada.fill("form.trial-sheet", map[string]string{"count": "3"})
	ada.textHas("form.trial-sheet", "six coal cars: 250 g, and 200 g of extra load: 450 g in all", "Not written down: temperature.")
	ada.picture("a trial's sheet")
	ada.press("form.trial-sheet button.primary")
	ada.shows(`!document.querySelector('form.entry')`)
	ada.textHas(".trial-line", "ends after 3 laps", "battery Pack A", "throttle 60 %", "voltage at start 7.9 V", "extra load 200 g")
	var opened wire.Trial
	for _, tr := range ada.view().Trials {
		if tr.EndsAfterLaps == 3 {
			opened = tr
		}
	}
	c := opened.Conditions
	if opened.Battery != "pack-a" || opened.Consist != "coal" || opened.Tag != "h1" || opened.StartMm == nil || *opened.StartMm != 100 || opened.WarmupLaps != 1 || opened.Direction != "forward" || opened.Entrant != "Ada" {
		t.Errorf("the trial is %+v", opened)
	}
	if len(c) != 4 || c["load_g"] != 200.0 || c["battery_v"] != 7.9 || c["throttle_permille"] != 600.0 || c["tyres"] != "rubber" {
		t.Errorf("its conditions are %v", c)
	}
	// Four laps of 4 s in half the time: crossings are told a little after they were.
	from := time.Now().UnixMicro()
	for k := range 18 {
		u := 1500.0
		at := from + int64(k)*500_000
		time.Sleep(time.Until(time.UnixMicro(at)))
		ada.put(wire.Event{Kind: wire.KindCrossing, AtUs: at, Gate: fmt.Sprintf("g%d", k%4+1), Edge: wire.EdgePulse, Tag: "h1", UUs: &u})
	}
	ada.shows(fmt.Sprintf(`document.querySelector('[data-line=%q]')?.innerText.includes(' to ')`, opened.ID))
	if tr := ada.trial(opened.ID); tr.ToUs == 0 || tr.Outcome != "" {
		t.Errorf("after its laps the trial is %+v", tr)
	}
	ada.to("audit")
	ada.textHas(".deeds", "the trial's own rule closed Heron", "it has its 3 laps")
}

func stallVoidRestore(t *testing.T, ada, ben *desk) {
	ada.to("book")
	ben.to("book")
	ada.button(heronLine, "Ended otherwise")
	ada.shows(`document.querySelector('form.entry [name=outcome]')`)
	ada.fill("form.entry", map[string]string{"outcome": "stalled", "why": "flat battery"})
	ada.picture("how a trial ended")
	ada.press("form.entry button.primary")
	ben.textHas(heronLine, "stalled: flat battery")
	if tr := ada.trial("t-heron"); tr.Outcome != wire.Stalled || tr.ToUs == 0 {
		t.Fatalf("the trial is %+v", tr)
	}
	ben.button(heronLine, "Void")
	ben.shows(`document.querySelector('form.entry [name=why]')`)
	ben.fill("form.entry", map[string]string{"why": "hand on the train"})
	ben.press("form.entry button.primary")
	ada.textHas(heronLine, "void, stalled: hand on the train")
	if tr := ada.trial("t-heron"); !tr.Void || tr.Outcome != wire.Stalled {
		t.Fatalf("the trial is %+v", tr)
	}
	ada.button(heronLine, "Restore")
	ada.shows(`document.querySelector('form.entry [name=why]')`)
	ada.fill("form.entry", map[string]string{"why": "it was another train"})
	ada.press("form.entry button.primary")
	ben.textHas(heronLine, "stalled: it was another train")
	if tr := ada.trial("t-heron"); tr.Void {
		t.Fatalf("the trial is %+v", tr)
	}
	ben.button(heronLine, "Note")
	ben.shows(`document.querySelector('form.entry [name=text]')`)
	ben.fill("form.entry", map[string]string{"text": "pack was warm"})
	ben.press("form.entry button.primary")
	ada.textHas(heronLine, "Ben: pack was warm")
	ada.textHas(".notes", "Ben on Heron,", "pack was warm")
	ada.to("audit")
	ada.textHas(".deeds", "Ada ended Heron", "as stalled: flat battery", "Ben voided Heron", "trial: hand on the train", "Ada restored Heron", "Ben noted on Heron")
}

// closeSession closes the session as an official does, and opens another.
func (d *desk) closeSession() {
	d.t.Helper()
	d.to("book")
	d.button("[aria-labelledby=b-session]", "Close the session")
	d.button("[aria-labelledby=b-session]", "Close it, and its trials")
	d.shows(`document.querySelector('header').innerText.includes('closed') && ![...document.querySelectorAll('.standing')].some(e => e.innerText.includes('open'))`)
}

func (d *desk) trains(session string) (all []string) {
	d.t.Helper()
	var r wire.Results
	if err := json.Unmarshal(get(d.t, d.h.URL+"/api/results?session="+session), &r); err != nil {
		d.t.Fatal(err)
	}
	for _, x := range r.Trials {
		all = append(all, fmt.Sprint(x.Train, " ", x.LapCount))
	}
	return all
}

func wrongLocomotive(t *testing.T, ada, ben *desk) {
	ada.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "owl", Name: "Owl"})
	ada.beginUs = time.Now().UnixMicro()
	for k := range 13 {
		ada.cross(k%4+1, float64(k-13), "b2", 0)
	}
	ada.closeSession()
	if got := ada.trains("evening"); fmt.Sprint(got) != "[heron 0 wren 3]" {
		t.Fatalf("the results name %v", got)
	}
	// In the book still: corrected where it stands.
	ada.button(`[data-line="t-wren"]`, "Correct")
	ada.shows(`document.querySelector('form.trial-sheet [name=why]')`)
	ada.fill("form.trial-sheet", map[string]string{"locomotive": "owl", "why": "it was Owl"})
	ada.textHas("form.trial-sheet", "What follows", "Its 3 laps are Owl’s from then on and no longer Wren’s")
	ada.picture("a correction")
	ada.press("form.trial-sheet button.primary")
	ada.shows(`!document.querySelector('form.entry')`)
	ada.textHas(`[data-line="t-wren"]`, "Owl")
	if got := ada.trains("evening"); fmt.Sprint(got) != "[heron 0 owl 3]" {
		t.Fatalf("corrected, the results name %v", got)
	}
	// Its close is taken back, and it closes again; then another session opens.
	ada.press("[aria-labelledby=b-session] summary")
	ada.button("[aria-labelledby=b-session]", "Take its close back")
	ada.shows(`document.querySelector('form.entry [name=why]')`)
	ada.fill("form.entry", map[string]string{"why": "one more trial"})
	ada.press("form.entry button.primary")
	ada.shows(`!document.querySelector('header').innerText.includes('closed')`)
	ada.textHas(heronLine, "open") // only the close had ended it
	ada.closeSession()
	ada.decide(wire.WhatSession, "", wire.Session{ID: "morning", Name: "Morning", Circuit: "loop"})
	ben.to("book")
	ben.textHas("header", "Morning")
	ben.press("[aria-labelledby=b-session] summary")
	ben.button("[aria-labelledby=b-session]", "Its trials")
	past := `[data-session="evening"] [data-line="t-wren"]`
	ben.button(past, "Correct")
	ben.shows(`document.querySelector('form.trial-sheet [name=why]')`)
	ben.fill("form.trial-sheet", map[string]string{"locomotive": "heron", "why": "no, it was Heron"})
	ben.picture("a correction of a session that is over")
	ben.press("form.trial-sheet button.primary")
	ben.shows(`!document.querySelector('form.entry')`)
	ben.textHas(past, "Heron")
	if got := ben.trains("evening"); fmt.Sprint(got) != "[heron 0 heron 3]" {
		t.Fatalf("corrected again, the results name %v", got)
	}
	// A trial and a lap of it are void, and restored, as well.
	ben.button(past, "Void")
	ben.shows(`document.querySelector('form.entry [name=why]')`)
	ben.fill("form.entry", map[string]string{"why": "the cable"})
	ben.press("form.entry button.primary")
	ben.textHas(past, "void: the cable")
	ben.shows(`!document.querySelector('form.entry')`) // the answer shuts it, and would shut the next one
	ben.button(past, "Restore")
	ben.shows(`document.querySelector('form.entry [name=why]')`)
	ben.fill("form.entry", map[string]string{"why": "no cable"})
	ben.press("form.entry button.primary")
	ben.shows(fmt.Sprintf(`!document.querySelector('%s .standing')`, past))
	ben.press(`[data-session="evening"] .past-laps summary`)
	ben.fill(`.past-laps form`, map[string]string{"do": "void", "lap": "2", "why": "pushed"})
	ben.button(`.past-laps form`, "Write it down")
	ben.textHas(".past-laps", "lap 2", "void: pushed")
	ada.to("audit")
	ada.textHas(".deeds", "corrected Heron", "it was Heron, not Owl: no, it was Heron", "it was Owl, not Wren: it was Owl", "took back: closed session Evening running: one more trial", "voided lap 2 of Heron")
}

func auditTakesBack(t *testing.T, ada, ben *desk) {
	for _, mass := range []string{"950", "970"} {
		ben.openLocomotive()
		ben.fill("form.entry", map[string]string{"mass": mass})
		ben.press("form.entry button.primary")
		ben.shows(`!document.querySelector('form.entry')`)
		ben.textHas("[data-id=heron]", mass+" g")
	}
	ada.to("audit")
	ada.textHas(".deeds", "Ben changed locomotive Heron: mass")
	ada.shows(`document.querySelectorAll('.deeds > li').length === 10`)
	row := func(n int) string { return "#d-" + ada.audit()[n].ID }
	older, newer := row(1), row(0)
	ada.button(older, "The whole value")
	ada.textHas(older+" table", "mass not stated 950 g")
	ada.picture("the audit")
	ada.button(older, "Take this back")
	ada.shows(`document.querySelector('form.entry [name=why]')`)
	ada.fill("form.entry", map[string]string{"why": "wrong scales"})
	ada.press("form.entry button.primary")
	ada.textHas(older+" .refusal", "take that decision (changed locomotive Heron: mass) back first")
	ada.press(older + " .refusal a")
	ada.shows(fmt.Sprintf(`document.querySelector(%q).classList.contains('pointed')`, newer))
	ada.button(newer, "Take this back")
	ada.shows(fmt.Sprintf(`document.querySelector(%q)`, newer+" form [name=why]"))
	ada.fill(newer+" form", map[string]string{"why": "wrong scales"})
	ada.press(newer + " form button.primary")
	ada.shows(fmt.Sprintf(`!document.querySelector(%q)`, newer+" form")) // the answer shuts it, and would shut the next one
	ada.textHas(newer+" s", "changed locomotive Heron: mass")
	ada.textHas(newer, "taken back by Ada at", "wrong scales")
	ada.textHas(".deeds", "took back: changed locomotive Heron: mass: wrong scales")
	if m := ada.view().Locomotives[0].MassG; m != 950 {
		t.Fatalf("taken back, Heron has %g g", m)
	}
	undo := row(0)
	ada.button(undo, "Take this back") // an undo is a decision like any other
	ada.shows(fmt.Sprintf(`document.querySelector(%q)`, undo+" form [name=why]"))
	ada.fill(undo+" form", map[string]string{"why": "right after all"})
	ada.press(undo + " form button.primary")
	ada.shows(fmt.Sprintf(`!document.querySelector(%q)`, newer+" s"))
	if m := ada.view().Locomotives[0].MassG; m != 970 {
		t.Fatalf("put back, Heron has %g g", m)
	}
	// Filters leave out the rest; a reader reads, and takes nothing back.
	ada.fill(".audit-filter", map[string]string{"by": "Ben"})
	ada.shows(`document.querySelectorAll('.deeds > li').length === 2`)
	ada.fill(".audit-filter", map[string]string{"by": "", "what": "undo"})
	ada.shows(`document.querySelectorAll('.deeds > li').length === 2 && document.querySelector('.deeds').innerText.includes('right after all')`)
	ada.press(".official button")
	ada.shows(`rainhill.official === null`)
	ada.shows(`document.querySelectorAll('.deeds > li').length === 2 && ![...document.querySelectorAll('.deeds button')].some(b => b.innerText === 'Take this back')`)
	if res, err := http.Get(ada.h.URL + "/audit"); err != nil || res.StatusCode != http.StatusOK {
		t.Errorf("/audit: %v %v", res, err)
	} else {
		_ = res.Body.Close()
	}
}

func takenBackAtOnce(t *testing.T, ada, ben *desk) {
	ada.to("book")
	ada.button(heronLine, "Close trial")
	ada.textHas(".takeback", "Written: closed Heron,")
	if live := chrome.Eval[string](t, ada.ctx, `document.querySelector('.takeback').getAttribute('aria-live')`); live != "polite" {
		t.Errorf("the line is said %q", live)
	}
	ada.picture("taken back at once")
	ada.button(".takeback", "Take back")
	ada.textHas(".takeback", "Written: took back: closed Heron,", "Put it back")
	ben.to("book")
	ben.textHas(heronLine, "open")
	if tr := ada.trial("t-heron"); tr.ToUs != 0 {
		t.Fatalf("the trial is %+v", tr)
	}
	// On a lap's slip, which lets nothing else be pressed, the line is on the slip.
	ada.laps(3, 0, train{id: "wren", tag: "b2"})
	ada.to("line")
	ada.press(`[data-trial="t-wren"] [data-lap="2"]`)
	ada.shows(`document.querySelector('dialog[open] form.void')`)
	ada.fill("dialog[open] form.void", map[string]string{"why": "ran over the cable"})
	ada.button("dialog[open]", "Void this lap")
	ada.textHas("dialog[open] .takeback", "Written: voided lap 2 of Wren,")
	ada.textHas("dialog[open]", "Restore this lap") // it is written before it is scored and drawn
	ada.picture("a lap taken back at once")
	ada.press("dialog[open] .takeback button")
	ada.textHas("dialog[open] form.void", "Void this lap")
	if l := results(t, ada.h.URL).Trials[1].Laps[1]; l.Counts == wire.CountsVoid {
		t.Errorf("taken back, lap 2 is %+v", l)
	}
	// When the session is over, a lap of it is voided and restored as before.
	ada.button("dialog[open]", "Close")
	ada.closeSession()
	ada.to("line")
	ada.press(`details.closed summary`)
	ada.press(`[data-trial="t-wren"] [data-lap="2"]`)
	ada.shows(`document.querySelector('dialog[open] form.void')`)
	ada.fill("dialog[open] form.void", map[string]string{"why": "the cable after all"})
	ada.button("dialog[open]", "Void this lap")
	ada.textHas("dialog[open]", "the cable after all", "Restore this lap")
	ada.fill("dialog[open] form.void", map[string]string{"why": "no"})
	ada.button("dialog[open]", "Restore this lap")
	ada.textHas("dialog[open] form.void", "Void this lap")
}
