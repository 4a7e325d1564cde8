package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// recordDemo writes a session of the simulated railway, as long ago as its start
// says, with the instants at which a journal would have taken each fact.
func recordDemo(t testing.TB, session string, startUs int64, seconds int) (file string, facts int) {
	t.Helper()
	r := sim.New(demoScenario(t), 3, startUs)
	events := trial.FromSetup(r.Setup(), session, startUs)
	end := startUs
	for range seconds {
		end += 1_000_000
		events = append(events, r.Next(end)...)
	}
	end += 3_000_000
	closed, err := json.Marshal(wire.Session{ID: session, Name: "Long oval", Circuit: r.Setup().Circuit.ID, ClosedUs: end})
	if err != nil {
		t.Fatal(err)
	}
	events = append(events, wire.Event{Kind: wire.KindDecision, ID: "close", By: "test", What: wire.WhatSession, AtUs: end, Value: closed})
	var b bytes.Buffer
	busUs := startUs
	for _, e := range events {
		busUs = max(busUs, e.AtUs+300)
		e.BusUs = busUs
		line, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(append(line, '\n'))
	}
	file = filepath.Join(t.TempDir(), "recorded.jsonl")
	writeFile(t, file, b.Bytes())
	return file, len(events)
}

// stageReplay has a session of the past in a service on which another is running.
func stageReplay(t *testing.T, seconds int) *host.Host {
	t.Helper()
	data := t.TempDir()
	file, _ := recordDemo(t, "past", time.Now().Add(-2*time.Hour).UnixMicro(), seconds)
	mustRun(t, "import", "--data", data, "--site", "line", file)
	h := openHost(t, data, "line")
	t.Cleanup(func() { stopHost(t, h) })
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	w.openBook()
	h.Start("simulated railway", simFor(7))
	return h
}

func press(t *testing.T, ctx context.Context, key, code, char string) {
	t.Helper()
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeKeyDown, input.DispatchKeyEventTypeKeyUp} {
		e := input.DispatchKeyEventParams{Type: kind, Key: key, Code: code}
		if kind == input.DispatchKeyEventTypeKeyDown {
			e.Text = char
		}
		if _, err := chromedp.Call(ctx, input.DispatchKeyEvent, e); err != nil {
			t.Fatalf("pressing %q: %v", key, err)
		}
	}
}

const lapsShown = `rainhill.board.map(b => b.laps.length).join()`

// TestPageReplaysASession runs a session of the past again in a browser while the
// line is live: at 100 times the speed, paused, scrubbed back, and from crossing to
// crossing. It is marked as what it is, and the page of the line notices nothing. It is
// on its own: beside others, on a busy machine, a key to go back was lost now and then. A
// line that is down loses keys; whether it was that is not known.
func TestPageReplaysASession(t *testing.T) {
	browser := chrome.Start(t)
	h := stageReplay(t, 300)
	live := chrome.Tab(t, browser)
	chrome.Do(t, live, "opening the line", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL))
	chrome.Wait(t, live, `window.rainhill?.phase === 'live' && rainhill.board.length > 1`, 10*time.Second)
	chrome.Eval[bool](t, live, `(window.seen = [], new MutationObserver(() => document.body.innerText.includes('Replay') && seen.push(document.body.innerText)).observe(document.body, {subtree: true, childList: true, characterData: true}), true)`)

	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the book", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL+"/#book"))
	chrome.Wait(t, ctx, `document.querySelectorAll('.entries a[href*="/replay?session=past"]').length === 1 && document.querySelectorAll('.entries a[href*="/replay?session=s1&trial="]').length === 3`, 10*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('.entries a[href*="/replay?session=past"]').click(), true)`)
	chrome.Wait(t, ctx, `window.replay?.at_us && document.querySelector('.board') && document.querySelector('.rate select')`, 10*time.Second)
	marked(t, ctx)
	if got := chrome.Eval[string](t, ctx, `[replay.rate, replay.at_us === replay.from_us, rainhill.board.every(b => b.laps.length === 0)].join()`); got != "0,true,true" {
		t.Errorf("it begins with %s", got)
	}

	chrome.Eval[bool](t, ctx, `(s => (s.value = '100', s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.rate select'))`)
	press(t, ctx, " ", "Space", " ")
	// It is paused by who sees the laps, at once: at this speed the end is near.
	chrome.Wait(t, ctx, `replay.rate === 100 && rainhill.board.length === 2 && rainhill.board.every(b => b.laps.length >= 3) && (window.paused ??= dispatchEvent(new KeyboardEvent('keydown', {key: ' '})))`, 10*time.Second)
	chrome.Wait(t, ctx, `replay.rate === 0 && !replay.ended`, 3*time.Second)
	many := standsStill(t, ctx)

	steps(t, ctx)
	swallowed(t, ctx)
	chrome.Eval[bool](t, ctx, `(r => (r.value = 15e6, r.dispatchEvent(new Event('input', {bubbles: true})), r.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.scrub input'))`)
	chrome.Wait(t, ctx, `replay.at_us === replay.from_us + 15e6 && rainhill.board.every(b => b.laps.length <= 1)`, 5*time.Second)
	if few := chrome.Eval[string](t, ctx, lapsShown); few == many {
		t.Errorf("scrubbed back, the board has the laps %s as before", few)
	}
	marked(t, ctx)

	press(t, ctx, " ", "Space", " ")
	chrome.Wait(t, ctx, `replay.ended && replay.rate === 0`, 10*time.Second)
	want := resultsOf(t, h, "past")
	for i, r := range want.Trials {
		js := fmt.Sprintf(`(async () => { document.querySelector('[data-trial="%s"] .lap.all, [data-trial="%s"] .lap')?.click(); return true })()`, r.Trial, r.Trial)
		chrome.Eval[bool](t, ctx, js)
		chrome.Wait(t, ctx, `!!document.querySelector('dialog[open]')`, 3*time.Second)
		chrome.Eval[bool](t, ctx, `(document.querySelector('dialog[open]').close(), true)`)
		if len(r.Laps) < 3 {
			t.Errorf("trial %d has %d laps", i, len(r.Laps))
		}
		chrome.Wait(t, ctx, fmt.Sprintf(`document.querySelector('[data-trial="%s"] .figures').textContent.includes('of %d')`, r.Trial, r.LapCount), 3*time.Second)
	}
	chrome.Wait(t, live, `rainhill.phase === 'live'`, 3*time.Second)
	if got := chrome.Eval[string](t, live, `[rainhill.view, rainhill.board.length > 1, seen.length, document.title].join()`); got != "line,true,0,Rainhill" {
		t.Errorf("the page of the line noticed: %s", got)
	}
}

// marked wants the page to say that it is a replay, and to have nothing of the line.
func marked(t *testing.T, ctx context.Context) {
	t.Helper()
	const js = `[document.querySelector('.stamp').innerText.toLowerCase(), document.title.startsWith('Replay of Long oval'), /of Long oval, \d{4}-\d\d-\d\d/.test(document.querySelector('.session').innerText),
		document.querySelectorAll('.plate, #line-state, .official, .close').length, document.querySelector('a.button[href="/"]').innerText]`
	chrome.Wait(t, ctx, js+".join('|') === 'replay|true|true|0|To the live line'", 3*time.Second)
}

// standsStill wants nothing to move for 0.6 s once what was told last is drawn, and gives the numbers of laps.
func standsStill(t *testing.T, ctx context.Context) string {
	t.Helper()
	const js = `[replay.at_us, document.querySelector('.instant').innerText, ` + lapsShown + `].join('|')`
	begun, still, before := time.Now(), time.Now(), ""
	for time.Since(still) < 600*time.Millisecond {
		if now := chrome.Eval[string](t, ctx, js); now != before {
			still, before = time.Now(), now
		}
		if time.Since(begun) > time.Minute {
			t.Fatalf("paused, it goes on: %s", before)
		}
		time.Sleep(100 * time.Millisecond)
	}
	if chrome.Eval[bool](t, ctx, `!!replay.ended`) {
		t.Error("paused, it went on to its end")
	}
	return chrome.Eval[string](t, ctx, lapsShown)
}

// steps goes from crossing to crossing by keys and buttons.
func steps(t *testing.T, ctx context.Context) {
	t.Helper()
	index := chrome.Eval[int](t, ctx, `replay.index`)
	for _, s := range []struct {
		what string
		by   int
		act  func()
	}{
		{"a full stop", 1, func() { press(t, ctx, ".", "Period", ".") }},
		{"an arrow", 1, func() { press(t, ctx, "ArrowRight", "ArrowRight", "") }},
		{"a button", 1, func() { chrome.Do(t, ctx, "the next crossing", chrome.Click(".drive .step:last-of-type")) }},
		{"a comma", -1, func() { press(t, ctx, ",", "Comma", ",") }},
		{"the other arrow", -1, func() { press(t, ctx, "ArrowLeft", "ArrowLeft", "") }},
		{"the other button", -1, func() { chrome.Do(t, ctx, "the crossing before", chrome.Click(".drive .step:first-of-type")) }},
	} {
		t.Logf("from crossing %d by %s", index, s.what)
		s.act()
		index += s.by
		chrome.Wait(t, ctx, fmt.Sprintf(`replay.index === %d && replay.at_us >= replay.crossing.bus_us && document.querySelector('.crossing').innerText.includes('crossing %d of') && document.querySelector('.crossing').innerText.includes(replay.crossing.gate)`, index, index), 3*time.Second)
	}
}

// swallowed breaks the line under a key: what it swallowed is told again, once, when the
// replay is back where it was.
func swallowed(t *testing.T, ctx context.Context) {
	t.Helper()
	index := chrome.Eval[int](t, ctx, `replay.index`)
	chrome.Eval[bool](t, ctx, `((send) => (WebSocket.prototype.send = function (m) {
		WebSocket.prototype.send = send;
		window.lost = m;
		this.close();
	}, true))(WebSocket.prototype.send)`)
	press(t, ctx, ".", "Period", ".")
	press(t, ctx, ".", "Period", ".") // while the line is down
	chrome.Wait(t, ctx, fmt.Sprintf(`window.lost?.includes('step') && rainhill.phase === 'live' && replay.index === %d`, index+2), 10*time.Second)
	press(t, ctx, ",", "Comma", ",")
	chrome.Wait(t, ctx, fmt.Sprintf(`replay.index === %d`, index+1), 5*time.Second)
}

func resultsOf(t *testing.T, h *host.Host, session string) wire.Results {
	t.Helper()
	var r wire.Results
	if err := json.Unmarshal(get(t, h.URL+"/api/results?session="+session), &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// TestReplayPageLooks goes through the page of a replay in every size, light and dark.
func TestReplayPageLooks(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	h := stageReplay(t, 150)
	for _, size := range []struct{ w, h int64 }{{390, 844}, {1280, 1000}, {1920, 1080}} {
		t.Run(fmt.Sprint(size.w), func(t *testing.T) {
			ctx := chrome.Tab(t, browser)
			chrome.Do(t, ctx, "the size", chromedp.EmulateViewport(size.w, size.h), chromedp.Navigate(h.URL+"/replay?session=past"))
			chrome.Wait(t, ctx, `window.replay?.at_us && document.querySelector('.board') && document.querySelector('.scrub input')`, 10*time.Second)
			chrome.Eval[bool](t, ctx, `(r => (r.value = 100e6, r.dispatchEvent(new Event('input', {bubbles: true})), r.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.scrub input'))`)
			chrome.Wait(t, ctx, `rainhill.board.some(b => b.laps.length > 3) && document.querySelector('replay-rule svg .run-bar') && customElements.get('dyno-roll')`, 10*time.Second)
			for _, scheme := range []string{"light", "dark"} {
				chrome.Scheme(t, ctx, scheme)
				time.Sleep(300 * time.Millisecond)
				shoot(t, ctx, fmt.Sprintf("replay-%d-%s", size.w, scheme))
				for _, found := range chrome.Faults(t, ctx, "html") {
					t.Errorf("%s: %s", scheme, found)
				}
			}
			if wide := chrome.Eval[int](t, ctx, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
				t.Errorf("the page is %d px wider than the window", wide)
			}
			for _, s := range chrome.Eval[[]string](t, ctx, `[...document.querySelectorAll('button, select, input, summary, a.button, a.title')].filter(e => {
				const b = (e.closest('label.check') ?? e).getBoundingClientRect();
				return b.width > 0 && (b.width < 43.5 || b.height < 43.5);
			}).map(e => e.outerHTML.slice(0, 100))`) {
				t.Errorf("a finger would miss %s", s)
			}
			if !chrome.Eval[bool](t, ctx, `(b => b.top >= 0 && b.bottom < innerHeight)((scrollTo(0, 600), document.querySelector('.stamp')).getBoundingClientRect())`) {
				t.Error("scrolled down, the mark is out of sight")
			}
		})
	}
}

// shoot leaves a picture where RAINHILL_PICTURES says, for eyes.
func shoot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("RAINHILL_PICTURES")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(dir, name+".png"), png)
}
