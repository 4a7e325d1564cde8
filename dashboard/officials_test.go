package dashboard_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// deed is a decision as the gateway's audit lists it.
type deed map[string]any

// deeds are decisions of two officials, the newest first: one taken back, one that
// took it back, a name that looks like markup, a value too long for the list.
func deeds() []deed {
	at := time.Now().UnixMicro() - 600_000_000
	before := wire.Trial{ID: "t-kestrel", Locomotive: "kestrel", FromUs: at}
	after := before
	after.Locomotive, after.Conditions = "old", map[string]any{"tyres": hostile, "load_g": 200, "temperature_c": -2}
	lapped := wire.LapValue{Trial: "t-kestrel", Lap: 7, Void: true}
	named := func(d deed) deed {
		return deed{"id": d["id"], "seq": d["seq"], "at_us": d["at_us"], "by": d["by"], "what": d["what"], "why": d["why"], "value": d["value"]}
	}
	void := deed{"seq": 30, "id": "d30", "at_us": at, "by": "Ada", "what": "lap", "on": "lap/t-kestrel/7", "session": "evening", "why": "ran over the cable", "value": lapped, "after": lapped}
	undo := deed{"seq": 35, "id": "d35", "at_us": at + 60_000_000, "by": hostile, "what": "undo", "on": "lap/t-kestrel/7", "session": "evening", "why": "it was another lap", "value": wire.Undo{Decision: "d30"}, "before": lapped, "took": named(void)}
	void["undone_by"], void["undone"] = "d35", named(undo)
	return []deed{
		{"seq": 39, "id": "d39", "at_us": at + 90_000_000, "by": "Ben", "what": "trial", "on": "trial/t-kestrel", "session": "evening", "why": "the wrong one was written down", "value": after, "before": before, "after": after},
		{"seq": 37, "id": "d37", "at_us": at + 70_000_000, "by": "Ben", "what": "locomotive", "on": "locomotive/kestrel", "value": wire.Locomotive{ID: "kestrel", Name: "Kestrel", MassG: 950},
			"before": wire.Locomotive{ID: "kestrel", Name: "Kestrel", MassG: 900}, "after": wire.Locomotive{ID: "kestrel", Name: "Kestrel", MassG: 950}},
		undo, void,
		{"seq": 12, "id": "d12", "at_us": at - 86_400_000_000, "by": "Ada", "what": "circuit", "on": "circuit/loop", "value": wire.CircuitValue{Circuit: wire.Circuit{ID: "loop", Name: hostile}}},
	}
}

// office answers what the audit and the sheets of closed sessions ask for, and sends
// every decision on what a Kestrel is back as a conflict.
func office(s *stage) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", s.handler())
	mux.HandleFunc("GET /audit", func(w http.ResponseWriter, r *http.Request) {
		r.URL.Path = "/"
		s.handler().ServeHTTP(w, r)
	})
	mux.HandleFunc("GET /api/audit", func(w http.ResponseWriter, r *http.Request) {
		found := []deed{}
		for _, d := range deeds() {
			if r.URL.Query().Get("on") == "" || r.URL.Query().Get("on") == d["on"] {
				found = append(found, d)
			}
		}
		answer(w, http.StatusOK, map[string]any{"decisions": found, "more": true, "officials": []string{"Ada", "Ben", hostile}})
	})
	mux.HandleFunc("GET /api/history", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, http.StatusOK, wire.History{Trials: []wire.PastTrial{}})
	})
	mux.HandleFunc("GET /api/results", func(w http.ResponseWriter, _ *http.Request) {
		now := time.Now().UnixMicro()
		trial := running("t-past", now)
		trial.About = &wire.Trial{ID: "t-past", Locomotive: "hostile", FromUs: now - 9e6, ToUs: now, Void: true, Outcome: wire.Stalled, Conditions: map[string]any{"tyres": hostile}}
		trial.Why, trial.Laps[2].Counts, trial.Laps[2].Why = "the cable", wire.CountsVoid, hostile
		answer(w, http.StatusOK, wire.Results{Trials: []wire.TrialResult{trial}, Notes: []wire.NoteRecord{{ID: "n1", AtUs: now, By: "Ada", Trial: "t-past", Text: hostile}}})
	})
	mux.HandleFunc("POST /api/decision", func(w http.ResponseWriter, r *http.Request) {
		var body struct{ What string }
		if json.NewDecoder(r.Body).Decode(&body) == nil && body.What == "locomotive" {
			answer(w, http.StatusConflict, wire.Reply{Conflict: true, Reason: "Ben changed this at 14:03:00 UTC, after you opened it; look at what stands there now and decide again"})
			return
		}
		answer(w, http.StatusOK, wire.Reply{OK: true, Seq: 39, ID: "d39"})
	})
	return mux
}

// newOffice is a stage with an office behind it.
func newOffice(t *testing.T) *stage {
	s := newStage(t)
	s.view, s.official, s.demo = scene(), "Ann", true
	s.view.Batteries = []wire.Battery{{ID: "pack-a", Name: "Pack A"}}
	s.view.Notes = []wire.NoteRecord{{ID: "n1", AtUs: time.Now().UnixMicro(), By: hostile, Trial: "t-hostile", Text: "a note of some length, so that it must be broken somewhere " + hostile}}
	s.srv.Handler = office(s)
	return s
}

// TestLookOfOfficials goes through what officials write on in every size, light and dark.
func TestLookOfOfficials(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	press := func(selector string) string { return "document.querySelector(`" + selector + "`).click()" }
	words := func(within, text string) string {
		return "[...document.querySelectorAll(`" + within + " button`)].find(b => b.innerText.trim() === `" + text + "`).click()"
	}
	for _, v := range []struct{ name, at, then, wait string }{
		{"audit", "audit", "", `document.querySelectorAll('.deeds > li').length === 5`},
		{"a decision", "#audit=d39", "", `document.querySelector('.deeds table.value')`},
		{"taking a decision back", "#audit", "while (!document.querySelector('.deeds button')) await new Promise(requestAnimationFrame); " + words("#d-d39", "Take this back"), `document.querySelector('.deeds form')`},
		{"a trial's sheet", "#book", words("[aria-labelledby=b-trial]", "Open a trial"), `document.querySelector('.trial-sheet .unwritten')`},
		{"a correction", "#book", words(`[data-line="t-kestrel"]`, "Correct"), `document.querySelector('.trial-sheet [name=from]')`},
		{"ended otherwise", "#book", words(`[data-line="t-kestrel"]`, "Ended otherwise"), `document.querySelector('form.entry [name=outcome]')`},
		{"void", "#book", words(`[data-line="t-hostile"]`, "Void"), `document.querySelector('form.entry [name=why]')`},
		{"sessions before", "#book", press("[aria-labelledby=b-session] summary") + "; while (!document.querySelector('[aria-labelledby=b-session] .entries button[aria-expanded]')) await new Promise(requestAnimationFrame); " +
			words("[aria-labelledby=b-session]", "Its trials") + "; while (!document.querySelector('.past-laps summary')) await new Promise(requestAnimationFrame); " + press(".past-laps summary"), `document.querySelector('.past-laps form')`},
		{"a conflict", "#roster", press("[data-id=kestrel] .does button") + "; while (!document.querySelector('form.entry [name=mass]')) await new Promise(requestAnimationFrame); " + press("form.entry button.primary"), `document.querySelector('dialog.conflict[open] table')`},
		{"taken back at once", "#book", words(`[data-line="t-kestrel"]`, "Close trial"), `document.querySelector('.takeback button')`},
		{"signing in", "#book", "", ""},
	} {
		t.Run(v.name, func(t *testing.T) {
			s := newOffice(t)
			ctx := chrome.Tab(t, browser)
			if v.name == "signing in" {
				s.official, v.then, v.wait = "", words("header", "Sign in"), `document.querySelector('dialog[open] [name=key]')`
			}
			visit(t, s, ctx, v.at)
			chrome.Wait(t, ctx, fmt.Sprintf(`(%v || %s) && document.querySelector('main section')`, s.official == "", signedIn), 5*time.Second)
			if v.then != "" {
				chrome.Eval[any](t, ctx, "(async () => { "+v.then+"; })()")
			}
			chrome.Wait(t, ctx, v.wait, 5*time.Second)
			look(t, ctx, v.name)
		})
	}
}

// lasting is what an expression still lists when the page has had time to put itself right:
// what is drawn for a size follows a new one a few frames later.
func lasting(t *testing.T, ctx context.Context, js string) []string {
	t.Helper()
	for begin := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		if found := chrome.Eval[[]string](t, ctx, js); len(found) == 0 || time.Since(begin) > 5*time.Second {
			return found
		}
	}
}

// look looks for what is too wide or too small in three sizes, and for what axe finds, light and dark.
func look(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	wide := overflow
	if strings.Contains(name, "at once") { // the line says as much as has room
		wide += `.filter(o => !o.startsWith('SPAN. '))`
	}
	for _, size := range [][2]int64{{1920, 1080}, {1280, 800}, {390, 844}} {
		chrome.Do(t, ctx, "resizing", chromedp.EmulateViewport(size[0], size[1]))
		chrome.Wait(t, ctx, fmt.Sprintf(`innerWidth === %d`, size[0]), 3*time.Second)
		for _, o := range lasting(t, ctx, wide) {
			t.Errorf("%d x %d: too wide: %s", size[0], size[1], o)
		}
		for _, o := range lasting(t, ctx, small) {
			t.Errorf("%d x %d: too small for a finger: %s", size[0], size[1], o)
		}
		if dir := os.Getenv("RAINHILL_PICTURES"); dir != "" {
			b, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err != nil || os.WriteFile(dir+"/look-"+strings.ReplaceAll(name, " ", "-")+map[int64]string{1920: "-1920", 1280: "-1280", 390: "-390"}[size[0]]+".png", b, 0o600) != nil {
				t.Error("no picture", err)
			}
		}
	}
	for _, scheme := range []string{"light", "dark"} {
		chrome.Scheme(t, ctx, scheme)
		for _, found := range chrome.Faults(t, ctx, "html") {
			t.Errorf("%s: %s", scheme, found)
		}
	}
}

// What officials write, and the audit's words, stay text.
func TestMarkupInTheOfficeIsText(t *testing.T) {
	browser := chrome.Start(t)
	for view, where := range map[string]string{"#audit": ".deeds", "#book": ".notes"} {
		s, ctx := newOffice(t), chrome.Tab(t, browser)
		visit(t, s, ctx, view)
		chrome.Wait(t, ctx, `[...document.querySelectorAll('`+where+`')].some(e => e.textContent.includes('<img src=x onerror='))`, 5*time.Second)
		if chrome.Eval[bool](t, ctx, `document.title === 'broken' || document.querySelector('main img') !== null`) {
			t.Errorf("%s made markup of text", view)
		}
	}
}

// The audit says it in words, strikes through what was taken back, and names by whom.
func TestAuditInWords(t *testing.T) {
	browser := chrome.Start(t)
	s, ctx := newOffice(t), chrome.Tab(t, browser)
	visit(t, s, ctx, "#audit")
	chrome.Wait(t, ctx, `document.querySelectorAll('.deeds > li').length === 5`, 5*time.Second)
	has(t, "the newest", text(t, ctx, "#d-d39"), "Ben", "corrected Long Meadow", "it was Long Meadow, not Kestrel: the wrong one was written down")
	has(t, "what was taken back", text(t, ctx, "#d-d30 s"), "voided lap 7 of Kestrel,", "trial: ran over the cable")
	has(t, "by whom", text(t, ctx, "#d-d30"), "taken back by "+hostile, "it was another lap")
	has(t, "the undo", text(t, ctx, "#d-d35"), "took back: voided lap 7 of Kestrel,")
	if n := chrome.Eval[int](t, ctx, `[...document.querySelectorAll('#d-d30 button')].filter(b => b.innerText === 'Take this back').length`); n != 0 {
		t.Error("what was taken back is offered to be taken back")
	}
}

// A form's decision is based on what was seen when it was opened, a tap's on what was
// seen at the tap; minutes go out as seconds, per cent as permille.
func TestDecisionsSayWhatWasSeen(t *testing.T) {
	browser := chrome.Start(t)
	s, ctx := newStage(t), chrome.Tab(t, browser)
	s.view, s.official = scene(), "Ann"
	s.view.Trials[0].Conditions = map[string]any{"tyres": "rubber", "battery_v": 7.9, "lubrication": "oil"}
	visit(t, s, ctx, "#book")
	press := func(within, words string) {
		t.Helper()
		find := "[...document.querySelectorAll(`" + within + " button`)].find(b => b.innerText.trim() === `" + words + "`)"
		chrome.Wait(t, ctx, find+" !== undefined", 5*time.Second)
		chrome.Eval[bool](t, ctx, "("+find+".click(), true)")
	}
	set := func(name, value string) {
		t.Helper()
		field := "document.querySelector(`form.entry [name=" + name + "]`)"
		chrome.Wait(t, ctx, field, 5*time.Second)
		chrome.Eval[bool](t, ctx, "((e, v) => { e.value = v; for (const k of ['input', 'change']) e.dispatchEvent(new Event(k, {bubbles: true})); return true; })("+field+", `"+value+"`)")
	}
	press("[aria-labelledby=b-trial]", "Open a trial")
	chrome.Wait(t, ctx, `document.querySelector('.trial-sheet')?.innerText.includes('Filled in from Long Meadow')`, 5*time.Second)
	if got := chrome.Eval[string](t, ctx, `['tyres', 'battery_v', 'cond.name', 'cond.value'].map(n => document.querySelector('form.entry [name="' + n + '"]')).map(e => e.value + '/' + e.placeholder).join(' ')`); got != "rubber/none, or which axles /last 7.9 lubrication/lubrication oil/" {
		t.Errorf("the sheet is filled with %q", got)
	}
	s.setup(func(v *wire.View) { v.Session.Name = "later" })
	chrome.Wait(t, ctx, `document.querySelector('header').innerText.includes('later')`, 5*time.Second)
	set("throttle", "52.5")
	set("temperature_c", "-2")
	set("ends", "minutes")
	set("count", "1.5")
	press("form.entry", "Open the trial")
	body := s.await("/api/decision", 1)[0].Body
	v := body["value"].(map[string]any)
	c := v["conditions"].(map[string]any)
	if body["base_seq"] != 40.0 || v["ends_after_s"] != 90.0 || v["ends_after_laps"] != 0.0 || v["locomotive"] != "old" {
		t.Errorf("decided %v", body)
	}
	if len(c) != 4 || c["throttle_permille"] != 525.0 || c["temperature_c"] != -2.0 || c["tyres"] != "rubber" || c["lubrication"] != "oil" {
		t.Errorf("under conditions %v", c)
	}
	press(`[data-line="t-kestrel"]`, "Close trial")
	if body := s.await("/api/decision", 2)[1].Body; body["base_seq"] != 41.0 || body["value"].(map[string]any)["id"] != "t-kestrel" {
		t.Errorf("closed by %v", body)
	}
}
