package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// meetPage is an official's page of a meet on the loop of a track.
type meetPage struct{ *track }

func openMeetPage(t *testing.T, browser context.Context) *meetPage {
	t.Helper()
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	p := &meetPage{&track{t: t, writer: &writer{t: t, nc: h.Bus(), site: "line"}, h: h, ctx: chrome.TabFor(t, browser, 15*time.Minute)}}
	p.track.open(5)
	p.decide(wire.WhatBattery, "", wire.Battery{ID: "pack-a", Name: "Pack A"})
	p.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "kestrel", Name: "Kestrel"})
	p.signIn()
	return p
}

func (p *meetPage) signIn() {
	p.t.Helper()
	chrome.Do(p.t, p.ctx, "signing in", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(p.h.URL+"/#key="+p.h.StartKey),
		chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	p.shows(`rainhill.official === 'official'`)
	chrome.Do(p.t, p.ctx, "opening the meet", chromedp.Navigate(p.h.URL+"/#meet"))
	p.shows(`rainhill.phase === 'live' && document.querySelector('#next h2')`)
}

// fill types into a form as the page reads it, in place of what stood there, and submits it.
func (p *meetPage) fill(form string, fields map[string]string) {
	p.t.Helper()
	p.shows(fmt.Sprintf(`document.querySelector(%q) && !document.querySelector(%q).inert`, form, form))
	b, err := json.Marshal(fields)
	if err != nil {
		p.t.Fatal(err)
	}
	chrome.Eval[any](p.t, p.ctx, fmt.Sprintf(`(() => { const form = document.querySelector(%q);
		for (const [k, v] of Object.entries(%s)) { const e = form.elements[k]; e.value = v; e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true})); }
		form.requestSubmit(); })()`, form, b))
}

func (p *meetPage) make(fields map[string]string) {
	p.t.Helper()
	p.press("#make-meet")
	p.fill("#meet-form", fields)
	p.shows(`document.querySelector('#entries') && !document.querySelector('#meet-form')`)
}

func (p *meetPage) enter(person, locomotive string) {
	p.t.Helper()
	n := chrome.Eval[int](p.t, p.ctx, `document.querySelectorAll('.people > li').length`)
	p.fill("#entry-form", map[string]string{"person": person, "locomotive": locomotive})
	p.shows(fmt.Sprintf(`document.querySelectorAll('.people > li').length === %d`, n+1))
}

// drawn is the seed and the order of an order that is not adopted.
func (p *meetPage) drawn() (seed, order string) {
	p.t.Helper()
	p.shows(`document.querySelector('#proposal')`)
	return chrome.Eval[string](p.t, p.ctx, `document.querySelector('form.seed input').value`),
		chrome.Eval[string](p.t, p.ctx, `[...document.querySelectorAll('#proposal li[data-entry]')].map(e => e.dataset.entry).join(' ')`)
}

// drawnWith is the order drawn with a seed.
func (p *meetPage) drawnWith(seed string) (order string) {
	p.t.Helper()
	p.fill("form.seed", map[string]string{"seed": seed})
	p.shows(fmt.Sprintf(`document.querySelector('#proposal h3').innerText.includes('seed %s,')`, seed))
	_, order = p.drawn()
	return order
}

func (p *meetPage) view() (v wire.View) {
	p.t.Helper()
	if err := json.Unmarshal(get(p.t, p.h.URL+"/api/view"), &v); err != nil {
		p.t.Fatal(err)
	}
	return v
}

func runsOf(v wire.View) (all []string) {
	if v.Plan != nil {
		for _, r := range v.Plan.Runs {
			all = append(all, r.ID+" "+r.Entry)
		}
	}
	return all
}

// runs opens the next run and has its train go round until the run ends by itself.
func (p *meetPage) runs(conditions map[string]string) {
	p.t.Helper()
	done := chrome.Eval[int](p.t, p.ctx, `document.querySelectorAll('.turns li.made').length`)
	p.press("#open-run")
	p.fill("#run-form", conditions)
	p.shows(`document.querySelector('.now')`)
	p.laps2(2)
	p.shows(fmt.Sprintf(`document.querySelectorAll('.turns li.made').length === %d && !document.querySelector('.now')`, done+1))
}

// laps2 has a train go round as it happens, a lap in 2 s, and a little further: a lap
// counts when nothing can come before its end any more.
func (p *meetPage) laps2(n int) {
	p.t.Helper()
	start := time.Now()
	u := 1500.0
	for k := range 4*n + 4 {
		at := start.Add(time.Duration(k) * 500 * time.Millisecond)
		time.Sleep(time.Until(at))
		p.put(wire.Event{Kind: wire.KindCrossing, AtUs: at.UnixMicro(), Gate: fmt.Sprintf("g%d", k%4+1), Edge: wire.EdgePulse, UUs: &u})
	}
}

const (
	formula = `=HYPERLINK("x")`
	markup  = `<img src=x onerror="document.title='broken'">`
)

// TestPageRunsAMeet does a whole meet with the real service and a real browser: four enter,
// the order is drawn and drawn again, two run, one withdraws and one comes late, and the
// results are closed, signed, and the signature taken back.
func TestPageRunsAMeet(t *testing.T) {
	t.Parallel() // it waits for trains most of the time
	browser := chrome.Start(t)
	p := openMeetPage(t, browser)
	p.make(map[string]string{"class.name": "Narrow gauge", "rounds": "4", "laps": "2", "warmup": "0", "swap": "2"})
	p.says("#next", "Who is entered?")
	p.press("#next button.primary")
	p.enter("Ada Fell", "Kestrel")
	p.enter("Ørjan Ågård", "Ny ørn")
	p.enter(formula, "Wren")
	p.enter(markup, "Heron")
	p.fill("#entry-form", map[string]string{"person": "Ada Fell", "locomotive": "kestrel"})
	p.shows(`document.querySelector('#entry-form [role=alert]')?.innerText.includes('has entered kestrel in this class already')`)
	p.says(".people", formula, markup, "Ørjan Ågård", "Ny ørn")
	if chrome.Eval[bool](t, p.ctx, `document.title === 'broken' || document.querySelector('main img') !== null`) {
		t.Error("a name became markup")
	}
	p.draws()
	p.runs(map[string]string{"battery": "pack-a", "battery_v": "7.9", "throttle_permille": "450", "tyres": "none", "temperature_c": "18.5"})
	p.runs(map[string]string{})
	p.ranAsPlanned()
	p.ctx = chrome.TabFor(t, browser, 15*time.Minute) // a second official goes on
	p.signIn()
	p.goesWrong()
	p.conflicts()
	p.plansAgain()
	p.signs()
}

func (p *meetPage) draws() {
	t := p.t
	p.press("#next button.primary")
	seed, order := p.drawn()
	p.says("#proposal", "Williams square: every entry is in every place equally often, and runs after every other equally often", "at each place once", "each other one once")
	other := p.drawnWith("77")
	if other == order { // one in 48 is drawn by chance too
		other = p.drawnWith("78")
	}
	if again := p.drawnWith(seed); order != again || order == other {
		t.Errorf("seed %s drew\n%s, then\n%s; another\n%s", seed, order, again, other)
	}
	if v := p.view(); v.Plan != nil {
		t.Error("an order stands before it was adopted")
	}
	p.press("#adopt")
	p.shows(`document.querySelector('#open-run') && !document.querySelector('#proposal')`)
	v := p.view()
	if fmt.Sprint(v.Plan.Seed) != seed || v.Plan.Design != "williams" || len(v.Plan.Runs) != 16 {
		t.Errorf("adopted: seed %d, %s, %d runs, want %s, williams, 16", v.Plan.Seed, v.Plan.Design, len(v.Plan.Runs), seed)
	}
	p.says("#next", "Next, run 1")
	p.press("#balance")
	p.shows(`document.querySelectorAll('#by-place tbody td').length === 16 && [...document.querySelectorAll('#by-place tbody td')].every(c => c.innerText === '1')`)
}

func (p *meetPage) ranAsPlanned() {
	t, v := p.t, p.view()
	first := v.Trials[0]
	entry := v.Plan.Runs[0].Entry
	if first.Run != v.Plan.Runs[0].ID || first.Entry != entry || first.EndsAfterLaps != 2 || first.ToUs == 0 || first.Battery != "pack-a" || first.Entrant == "" || first.Direction != "forward" {
		t.Errorf("the first run's trial is %+v", first)
	}
	if got := fmt.Sprint(first.Conditions["battery_v"], first.Conditions["throttle_permille"], first.Conditions["temperature_c"]); got != "7.9 450 18.5" {
		t.Errorf("conditions %v", first.Conditions)
	}
	if v.MeetResults.Done != 2 {
		t.Errorf("%d runs are done, want 2", v.MeetResults.Done)
	}
	p.says("#next", "Next, run 3")
	p.says("#results", "PROVISIONAL")
	p.shows(fmt.Sprintf(`document.querySelector('.standings tr[data-entry=%q] .place').innerText.startsWith('1') || document.querySelector('.standings tr[data-entry=%q] .place').innerText.startsWith('2')`, entry, entry))
}

// goesWrong opens a run, which is filled in from the last of its locomotive where there is
// one, ends it otherwise than planned, and voids it: it is due again.
func (p *meetPage) goesWrong() {
	t := p.t
	p.press(`.turns li.due button[aria-label^="Open run"]`)
	p.fill("#run-form", map[string]string{"tyres": "rubber"})
	p.shows(`document.querySelector('.now')`)
	p.press("#wrong")
	p.fill("#outcome-form", map[string]string{"outcome": "derailed", "why": "at the points"})
	p.shows(`document.querySelectorAll('.turns li.made').length === 3 && !document.querySelector('.now')`)
	last := p.view().Trials[2]
	if last.Outcome != wire.Derailed || last.ToUs == 0 || last.Conditions["tyres"] != "rubber" {
		t.Errorf("the run that went wrong is %+v", last)
	}
	p.says(fmt.Sprintf(`.turns li[data-run=%q]`, last.Run), "derailed")
	p.press(fmt.Sprintf(`.turns li[data-run=%q] button[aria-label^="Void"]`, last.Run))
	p.fill(".turns form.reason", map[string]string{"why": "the points were set wrong"})
	p.shows(fmt.Sprintf(`document.querySelector('.turns li[data-run=%q]').dataset.how === 'due' && document.querySelector('#open-run')`, last.Run))
	p.says("#next", "Next, run 3")
}

// conflicts has somebody else change an entry while its form is open.
func (p *meetPage) conflicts() {
	e := p.view().Entries[0]
	p.press(fmt.Sprintf(`.people li[data-entry=%q] button[aria-label^="Change"]`, e.ID))
	p.shows(`document.querySelector('#entry-form')`)
	e.Person = "Ada Fell the Younger"
	p.decide(wire.WhatEntry, "", e)
	p.shows(`document.querySelector('#results').innerText.includes('Ada Fell the Younger')`)
	p.fill("#entry-form", map[string]string{"person": "Ada Fell the Elder"})
	p.shows(`document.querySelector('#entry-form [role=alert]')?.innerText.startsWith('Not written: test changed this at')`)
	p.press("#entry-form .acts button[type=button]")
	p.shows(`!document.querySelector('#entry-form')`)
	if got := p.view().Entries[0].Person; got != e.Person {
		p.t.Errorf("after the conflict the entry is %q, want %q", got, e.Person)
	}
}

// plansAgain has one withdraw that has not run and one come late; what ran stays.
func (p *meetPage) plansAgain() {
	t, before := p.t, runsOf(p.view())
	gone := strings.Fields(before[2])[1]
	chrome.Eval[any](t, p.ctx, fmt.Sprintf(`[...document.querySelectorAll('.people li[data-entry="%s"] button')].pop().click()`, gone))
	p.fill(".people form.reason", map[string]string{"why": "a broken rod"})
	p.shows(`document.querySelector('#misfit') && !document.querySelector('.people form.reason')`)
	p.press("#add-entry")
	p.enter("Late Comer", "Owl")
	p.says("#misfit", "no longer fits", "Not in it: Late Comer, Owl", "Withdrawn, with runs to come")
	p.press("#redraw")
	p.drawn()
	p.says("#proposal", "Stays: the 2 runs made", "Late Comer, Owl: 0 to come before, 4 now")
	p.press("#adopt")
	p.shows(`!document.querySelector('#misfit') && !document.querySelector('#proposal')`)
	v := p.view()
	after := runsOf(v)
	if fmt.Sprint(after[:2]) != fmt.Sprint(before[:2]) {
		t.Errorf("what ran was %v and is %v", before[:2], after[:2])
	}
	for _, r := range after[2:] {
		if strings.HasSuffix(r, " "+gone) {
			t.Errorf("%s is to run and has withdrawn", gone)
		}
	}
	if n := strings.Count(strings.Join(after, "\n"), " late-comer"); n != 4 {
		t.Errorf("the late entry runs %d times, want 4: in the round begun and in three more", n)
	}
	p.press(`.turns li.due button[aria-label^="Skip"]`)
	p.fill(".turns form.reason", map[string]string{"why": "the rail is wet"})
	p.shows(`document.querySelectorAll('.turns li.skipped').length === 1`)
	p.press(`.turns li.skipped button[aria-label^="Run it after all"]`)
	p.shows(`document.querySelectorAll('.turns li.skipped').length === 0`)
}

func (p *meetPage) signs() {
	t := p.t
	p.press("#close-session")
	p.press("#close-really")
	p.shows(`document.querySelector('#signing .digest')`)
	p.says("#results", "PROVISIONAL")
	var seal wire.Seal
	if err := json.Unmarshal(get(t, p.h.URL+"/api/digest?session=evening"), &seal); err != nil {
		t.Fatal(err)
	}
	p.press("#sign")
	p.shows(`document.querySelector('#seal')`)
	if shown := chrome.Eval[string](t, p.ctx, `document.querySelector('#seal .digest').innerText.replace(/\s/g, '')`); shown != seal.Digest || len(shown) != 64 {
		t.Errorf("the page shows digest %s, the service says %s", shown, seal.Digest)
	}
	chrome.Eval[any](t, p.ctx, `document.querySelector('#seal details').open = true`)
	p.says("#results", "SIGNED", "Signed by official", "rainhill verify evening.jsonl")
	p.verifies(seal.Digest)
	refused := chrome.Eval[string](t, p.ctx, `fetch('/api/decision', {method: 'POST', headers: {'Content-Type': 'application/json', 'X-Rainhill': '1'},
		body: JSON.stringify({what: 'entry', session: 'evening', value: {id: 'late-comer', person: 'Another', locomotive: 'owl', class: 'narrow-gauge'}})}).then(r => r.json()).then(b => String(b.ok) + ' ' + b.reason)`)
	if !strings.HasPrefix(refused, "false") || !strings.Contains(refused, "signed") {
		t.Errorf("a change after the signature was answered %q", refused)
	}
	p.press(`.turns li.made button[aria-label^="Void"]`)
	p.fill(".turns form.reason", map[string]string{"why": "it was pushed"})
	p.shows(`document.querySelector('#order [role=alert]')?.innerText.includes('signed')`)
	p.press("#unsign")
	p.fill("#seal form.reason", map[string]string{"why": "a lap was counted twice"})
	p.shows(`!document.querySelector('#seal') && document.querySelector('#sign') && document.querySelector('#state-of-results').innerText === 'PROVISIONAL'`)
}

// verifies takes the session file as the page says and runs the command that the page names;
// and again with the file's signature put over other results.
func (p *meetPage) verifies(digest string) {
	t := p.t
	file := filepath.Join(t.TempDir(), "evening.jsonl")
	session := get(t, p.h.URL+"/api/journal?session=evening")
	writeFile(t, file, session)
	if out := mustRun(t, "verify", file); !strings.Contains(out, digest) || !strings.Contains(out, "holds") {
		t.Errorf("rainhill verify says %q", out)
	}
	writeFile(t, file, bytes.ReplaceAll(session, []byte(digest), []byte(strings.Repeat("0", 64))))
	if s := runCommand(t, "verify", file); s.code == exitOK {
		t.Errorf("with another signature the chain holds: %q", s.out)
	}
}

// long has longTasks tell the tasks that held the page for more than a blink since it was asked last.
const long = `(() => { const all = [], seen = (list) => all.push(...list.map((e) => Math.round(e.duration))), watch = new PerformanceObserver((l) => seen(l.getEntries()));
	watch.observe({type: 'longtask'});
	window.longTasks = () => (seen(watch.takeRecords()), all.splice(0)); })()`

// attempts are how often what has to be quick is tried: the quickest is judged, as a machine
// that is busy with other things is not the page.
const attempts = 5

// TestPageTakesManyEntries pastes a list of 500: it is read, written, stopped in between and
// gone on with, and the page stays quick with all of them and the order of their 1000 runs.
func TestPageTakesManyEntries(t *testing.T) {
	p := openMeetPage(t, chrome.Start(t))
	p.make(map[string]string{"rounds": "2"})
	var list strings.Builder
	for i := range 500 {
		fmt.Fprintf(&list, "Person %d, Engine %d, open\n", i+1, i/2+1)
	}
	list.WriteString("Nobody, , open\nPerson 7, Engine 4, open\n")
	chrome.Eval[any](t, p.ctx, long)
	begin := time.Now()
	p.press("#paste-entries")
	p.paste(list.String())
	p.says("#paste-form", "501 entries, 250 with a locomotive that is not written down yet; 1 line cannot be entered", "line 501: the locomotive is missing")
	chrome.Eval[any](t, p.ctx, `new MutationObserver((_, watch) => {
		if (document.querySelector('#paste-form progress')?.value >= 20) watch.disconnect(), document.querySelector('#paste-stop').click();
	}).observe(document.body, {subtree: true, childList: true, attributes: true})`)
	p.press("#paste-form button.primary")
	p.shows(`document.querySelector('#paste-form')?.innerText.includes('Stopped; what was entered stays')`)
	n := len(p.view().Entries)
	if n < 20 || n > 400 {
		t.Errorf("%d entries stand when it was stopped", n)
	}
	p.paste(list.String()) // all of it again: those that stand are refused, each with the reason
	p.press("#paste-form button.primary")
	chrome.Wait(t, p.ctx, fmt.Sprintf(`document.querySelector('#paste-form')?.innerText.includes('%d of 501 entered')`, 500-n), 10*time.Minute)
	p.says("#paste-form", fmt.Sprintf("%d refused", n+1), "line 1: Person 1 has entered engine-1 in this class already", "and")
	v := p.view()
	if len(v.Entries) != 500 || len(v.Locomotives) != 251 {
		t.Fatalf("%d entries and %d locomotives, want 500 and 251", len(v.Entries), len(v.Locomotives))
	}
	t.Logf("read, stopped and written in %.1f s; long tasks of the page meanwhile, ms: %v", time.Since(begin).Seconds(), chrome.Eval[[]int](t, p.ctx, `longTasks()`))
	p.press("#paste-form button:last-of-type")
	p.finds()
	p.press("#next button.primary")
	p.drawn()
	p.press("#adopt")
	p.shows(`document.querySelector('#open-run')`)
	if v := p.view(); len(v.Plan.Runs) != 1000 {
		t.Errorf("%d runs, want 1000", len(v.Plan.Runs))
	}
	p.staysQuick()
}

func (p *meetPage) paste(list string) {
	p.t.Helper()
	p.shows(`document.querySelector('#paste-form textarea') && !document.querySelector('#paste-form progress')`)
	chrome.Eval[any](p.t, p.ctx, fmt.Sprintf(`(() => { const e = document.querySelector('#paste-form textarea'); e.value = %q; e.dispatchEvent(new Event('input', {bubbles: true})); })()`, list))
	p.shows(`document.querySelector('#paste-form button.primary')?.disabled === false`)
}

// finds types into the filter and measures how long the page takes to show it.
func (p *meetPage) finds() {
	p.t.Helper()
	p.shows(`document.querySelectorAll('.people li').length === 40`)
	chrome.Eval[any](p.t, p.ctx, `[...document.querySelectorAll('#entries .acts button')].pop().click()`)
	p.shows(`document.querySelectorAll('.people li').length === 500`)
	ms := math.Inf(1)
	for range attempts {
		ms = min(ms, chrome.Eval[float64](p.t, p.ctx, `(async () => { const e = document.querySelector('#entry-filter'); const begin = performance.now(); e.value = 'person 499'; e.dispatchEvent(new Event('input', {bubbles: true}));
			while (document.querySelectorAll('.people li').length !== 1) await new Promise(requestAnimationFrame); return performance.now() - begin; })()`))
		chrome.Eval[any](p.t, p.ctx, `(() => { const e = document.querySelector('#entry-filter'); e.value = ''; e.dispatchEvent(new Event('input', {bubbles: true})); })()`)
		p.shows(`document.querySelectorAll('.people li').length === 500`)
	}
	p.t.Logf("one of 500 found %.0f ms after the key", ms)
	if ms > 1000 {
		p.t.Errorf("one of 500 was found %.0f ms after the key, want at most 1000", ms)
	}
}

// staysQuick shows every entry and run at once and has some withdraw.
func (p *meetPage) staysQuick() {
	t := p.t
	chrome.Eval[any](t, p.ctx, `[...document.querySelectorAll('#order .acts button')].find((b) => b.innerText.startsWith('Show all')).click()`)
	p.shows(`document.querySelectorAll('.turns li').length === 1000`)
	quickest := math.MaxInt
	for i := range attempts {
		chrome.Eval[any](t, p.ctx, fmt.Sprintf(`(longTasks(), document.querySelector('.people li[data-entry="person-%d"] button:last-of-type').click())`, 500-i))
		p.fill(".people form.reason", map[string]string{"why": "went home"})
		p.shows(fmt.Sprintf(`document.querySelector('#misfit') && document.querySelectorAll('.turns li.withdrawn').length === %d && !document.querySelector('.people form.reason')`, 2*(i+1)))
		tasks := chrome.Eval[[]int](t, p.ctx, `longTasks()`)
		t.Logf("one of 500 withdraws, all 1500 lines shown: long tasks, ms: %v", tasks)
		quickest = min(quickest, slices.Max(append(tasks, 0)))
	}
	if quickest > 1000 {
		t.Errorf("a withdrawal held the page for %d ms, want at most 1000", quickest)
	}
}
