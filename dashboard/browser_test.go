package dashboard_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// TestPage plays scripts to the page in a real browser and looks at what it
// makes of them.
func TestPage(t *testing.T) {
	browser := chrome.Start(t)
	for _, c := range []struct {
		name string
		test func(t *testing.T, s *stage, ctx context.Context)
	}{
		{"the board shows the numbers given", boardNumbers},
		{"frames carry the view on", framesMerge},
		{"text that looks like markup stays text", markupIsText},
		{"silence is seen within half a second", staleBadge},
		{"the line comes back by itself", reconnect},
		{"another build is loaded once", newBuild},
		{"a key and a finger are one crossing each", taps},
		{"the hand comes late", handLate},
		{"taps wait for the service", tapsWait},
		{"from nothing to timing", firstTrain},
		{"a start link signs in", startLink},
		{"a lap is voided with a reason", voiding},
		{"a sensor's password is shown once", sensor},
		{"the plan and the roll are drawn", pictures},
		{"what is shown is young", latency},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage(t)
			s.view, s.health = scene(), ailing()
			ctx := chrome.Tab(t, browser)
			chrome.Do(t, ctx, "a desktop", chromedp.EmulateViewport(1280, 1000))
			c.test(t, s, ctx)
		})
	}
}

// visit opens a view of the page and waits until it is drawn and live.
func visit(t *testing.T, s *stage, ctx context.Context, rest string) {
	t.Helper()
	chrome.Do(t, ctx, "opening the page", chromedp.Navigate(s.url(rest)))
	chrome.Wait(t, ctx, `window.rainhill?.phase === 'live' && rainhill.drawnRev > 0 && document.querySelector('main > *')`, 10*time.Second)
}

func text(t *testing.T, ctx context.Context, selector string) string {
	t.Helper()
	return chrome.Eval[string](t, ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => (e.innerText ?? e.textContent).replace(/\s+/g, ' ').trim()).join(' | ')`, selector))
}

func has(t *testing.T, where, got string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(got, w) {
			t.Errorf("%s shows %q, want %q in it", where, got, w)
		}
	}
}

// note has the page keep, as window's name, the value that an expression has when another one
// is first true: for what does not stand long enough to be asked for, or must be timed.
func note(t *testing.T, ctx context.Context, name, when, value string) {
	t.Helper()
	chrome.Eval[bool](t, ctx, fmt.Sprintf(`(new MutationObserver(() => { if (window.%s === undefined && %s) window.%s = %s; })
		.observe(document.body, {subtree: true, childList: true, characterData: true, attributes: true}), true)`, name, when, name, value))
}

// signedIn is true when the page is drawn as for an official: with what only officials may do.
const signedIn = `document.querySelector('#head').textContent.includes('Sign out')`

// isLive is true while the head says that the line is live: not so after half a second of silence.
const isLive = `document.querySelector('#line-state').innerText === 'live'`

const kestrel = `[data-trial="t-kestrel"]`

func boardNumbers(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	has(t, "the board", text(t, ctx, kestrel+" .figures"), "11.980 s lap 5, provisional", "11.870 s lap 2", "12.00 s median 12.01", "607 mm/s scale 98 km/h", "0.10 s SD CV 0.85 %", "none shown +0.031 s/lap (−0.120 to +0.180)", "4 of 5")
	has(t, "the strip", text(t, ctx, kestrel+" .strip .lap"), "lap 5 11.980 provisional | lap 4 12.040 inferred | lap 3 12.110 | lap 2 11.870 | lap 1 13.400 warm-up")
	chrome.Wait(t, ctx, isLive, 5*time.Second)
	has(t, "the head", text(t, ctx, "header"), "Evening running", "Garden loop")
	chrome.Do(t, ctx, "asking for the uncertainty", chrome.Click(".board .check input"))
	chrome.Wait(t, ctx, `document.querySelector('[data-trial="t-kestrel"] .figures').innerText.includes('±')`, 3*time.Second)
	has(t, "the board with uncertainty", text(t, ctx, kestrel+" .figures"), "11.9800 ± 0.0041 s", "12.00 ± 0.10 s", "606.9 ± 6.8 mm/s")
	visit(t, s, ctx, "#wall")
	chrome.Do(t, ctx, "opening the large board", chromedp.Reload())
	chrome.Wait(t, ctx, `document.querySelector('.wall article')`, 5*time.Second)
	has(t, "the large board", text(t, ctx, ".wall"), "Kestrel", "11.980", "mean 12.00")
}

func framesMerge(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	r := running("t-kestrel", time.Now().UnixMicro())
	fifth, sixth := r.Laps[4], lap(6, r.Laps[4].StartUs+11_980_000, 11.555)
	fifth.Final, sixth.Final = true, false
	r.Laps, r.LapCount, r.Consistency.N = []wire.Lap{fifth, sixth}, 6, 5
	p := wire.PassageVerdict{Trial: "t-kestrel", Gate: "g1", AtUs: time.Now().UnixMicro(), PositionMm: 0, Lap: 6, Source: wire.Measured}
	frame := wire.Frame{Rev: 41, Results: []wire.TrialResult{r}, Passages: []wire.PassagesOf{{Trial: "t-kestrel", FromUs: p.AtUs - 1, Passages: []wire.PassageVerdict{p}}}}
	s.change(func() { s.news = func() any { return frame } })
	chrome.Wait(t, ctx, `rainhill.board.find(b => b.trial === 't-kestrel').laps.length === 6 && document.querySelector('[data-trial="t-kestrel"] [data-lap="6"]')`, 3*time.Second)
	has(t, "the strip", text(t, ctx, kestrel+" .strip .lap"), "lap 6 11.555 provisional | lap 5 11.980 | lap 4 12.040 inferred")
	if n := chrome.Eval[int](t, ctx, `rainhill.board.find(b => b.trial === 't-kestrel').passages`); n != 8 {
		t.Errorf("the page holds %d passages, want 8", n)
	}
	s.setup(func(v *wire.View) { v.Trials = v.Trials[:2]; v.Results = v.Results[:1] })
	chrome.Wait(t, ctx, `rainhill.board.length === 1 && !document.querySelector('[data-trial="t-kestrel"]')`, 3*time.Second)
}

func markupIsText(t *testing.T, s *stage, ctx context.Context) {
	for view, where := range map[string]string{"": `[data-trial="t-hostile"]`, "#book": ".entries", "#health": ".rejects"} {
		chrome.Do(t, ctx, "leaving the page", chromedp.Navigate("about:blank"))
		visit(t, s, ctx, view)
		chrome.Wait(t, ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].some(e => e.textContent.includes('<img src=x onerror='))`, where), 5*time.Second)
		if chrome.Eval[bool](t, ctx, `document.title === 'broken' || document.querySelector('main img') !== null`) {
			t.Errorf("view %q made markup of text", view)
		}
	}
}

func staleBadge(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, isLive, 5*time.Second)
	note(t, ctx, "staleMs", `document.querySelector('#line-state').innerText.startsWith('stale since')`, `performance.now() - rainhill.heardMs`)
	judged(t, ctx, func() string {
		chrome.Eval[bool](t, ctx, `(delete window.staleMs, true)`)
		s.change(func() { s.muted = true })
		chrome.Wait(t, ctx, `window.staleMs`, 5*time.Second)
		took := chrome.Eval[float64](t, ctx, `window.staleMs`)
		s.change(func() { s.muted = false })
		chrome.Wait(t, ctx, isLive, 3*time.Second)
		t.Logf("the badge said stale %.0f ms after the last message", took)
		if took > 650 {
			return fmt.Sprintf("the badge said stale %.0f ms after the last message, want 500, and for this test 150 more", took)
		}
		return ""
	})
}

func reconnect(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `customElements.get('dyno-roll')`, 5*time.Second)
	s.shut()
	chrome.Wait(t, ctx, `document.querySelector('#line-state').innerText.startsWith('line down since')`, 3*time.Second)
	time.Sleep(1200 * time.Millisecond) // long enough for the pauses between calls to grow
	s.change(func() { s.view.Session = &wire.Session{ID: "evening", Name: "After the pause", Circuit: "loop"} })
	note(t, ctx, "backMs", `rainhill.phase === 'live' && document.querySelector('header').innerText.includes('After the pause')`, `Date.now()`)
	s.open()
	opened := time.Now()
	chrome.Wait(t, ctx, `window.backMs`, 10*time.Second)
	if took := time.Duration(chrome.Eval[int64](t, ctx, `backMs`)-opened.UnixMilli()) * time.Millisecond; took > 5500*time.Millisecond {
		t.Errorf("the line came back after %v, want 5.5 s at most", took)
	}
}

func newBuild(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	chrome.Eval[bool](t, ctx, `window.old = true`)
	s.setup(func(v *wire.View) { v.Build = "another" })
	chrome.Wait(t, ctx, `window.old === undefined && window.rainhill?.phase === 'live' && rainhill.rev > 0`, 8*time.Second)
	chrome.Eval[bool](t, ctx, `window.old = true`)
	s.setup(func(v *wire.View) { v.Session.Name = "still here" })
	chrome.Wait(t, ctx, `document.querySelector('header').innerText.includes('still here') && window.old === true`, 5*time.Second)
}

// key presses and lets go a key; press again and again is what holding it does.
func key(t *testing.T, ctx context.Context, name, code, char string, presses int) {
	t.Helper()
	for i := range presses {
		down := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyDown, Key: name, Code: code, Text: char, AutoRepeat: ptr(i > 0)}
		if _, err := chromedp.Call(ctx, input.DispatchKeyEvent, down); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := chromedp.Call(ctx, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyUp, Key: name, Code: code}); err != nil {
		t.Fatal(err)
	}
}

func taps(t *testing.T, s *stage, ctx context.Context) {
	s.official = "Ann"
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `document.querySelector('.plate.timing')`, 5*time.Second)
	s.await("/api/sync", 1) // the clock exchange goes before the first tap
	strike := func(what, gate string, act func()) {
		t.Helper()
		before := len(s.posted("/api/tap"))
		from := time.Now().UnixMicro()
		act()
		to := time.Now().UnixMicro()
		got := s.await("/api/tap", before+1)
		time.Sleep(150 * time.Millisecond) // a second crossing would come now
		if n := len(s.posted("/api/tap")) - before; n != 1 {
			t.Fatalf("%s made %d crossings, want 1", what, n)
		}
		body := got[before].Body
		at := int64(body["at_us"].(float64))
		if body["gate"] != gate || body["u_us"].(float64) != 70000 || at < from-50_000 || at > to+50_000 {
			t.Errorf("%s: posted %v, want gate %s, u_us 70000 and an instant from %d to %d", what, body, gate, from, to)
		}
	}
	strike("the space bar held down", "g1", func() { key(t, ctx, " ", "Space", " ", 4) })
	strike("digit 2", "g2", func() { key(t, ctx, "2", "Digit2", "2", 1) })
	strike("a click on the large button", "g1", func() { chrome.Do(t, ctx, "clicking", chromedp.Click(".plate.timing")) })
	strike("the space bar after it, the button in focus or not", "g1", func() { key(t, ctx, " ", "Space", " ", 1) })
	strike("a finger on gate g3", "g3", func() { finger(t, ctx, `[data-gate=g3]`) })
	chrome.Do(t, ctx, "putting the focus on a button", chromedp.Focus(`[data-gate=g2]`))
	strike("Enter on gate g2", "g2", func() { key(t, ctx, "Enter", "Enter", "\r", 1) })
	chrome.Wait(t, ctx, `document.querySelector('.tap').innerText.includes('Tap 6 noted at g2')`, 3*time.Second)

	chrome.Eval[bool](t, ctx, `(document.querySelectorAll('.lap')[0].click(), true)`)
	chrome.Do(t, ctx, "typing a reason", chromedp.SendKeys(`dialog input[name=why]`, "a 2 b"))
	chrome.Eval[bool](t, ctx, `(document.querySelector('dialog[open]').close(), true)`)
	time.Sleep(150 * time.Millisecond)
	all := s.posted("/api/tap")
	if len(all) != 6 {
		t.Errorf("typing in a field made crossings: %d, want 6", len(all))
	}
	seen := map[float64]bool{}
	for _, p := range append(all, s.posted("/api/sync")...) {
		if p.Body["boot"] != all[0].Body["boot"] || seen[p.Body["seq"].(float64)] {
			t.Errorf("boot or seq of %v is not its own", p.Body)
		}
		seen[p.Body["seq"].(float64)] = true
	}
	for n := range len(seen) {
		if !seen[float64(n+1)] {
			t.Errorf("seq %d is missing", n+1)
		}
	}
}

// handLate has what takes taps come after the clock exchanges that the line begins with: there
// are as many again, so that the first tap is not timed by its arrival.
func handLate(t *testing.T, s *stage, ctx context.Context) {
	held := make(chan struct{})
	s.change(func() { s.official, s.withheld, s.held = "Ann", "js/tapping.js", held })
	visit(t, s, ctx, "")
	s.until("the first clock exchanges", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.asks >= 5
	})
	close(held)
	got := s.await("/api/sync", 5)
	if took := got[4].Body["t1_us"].(float64) - got[0].Body["t1_us"].(float64); took > 5e6 {
		t.Errorf("five clock exchanges took %.1f s, want them quick: without taps there is one in 5 s", took/1e6)
	}
}

// finger touches the middle of what a selector finds.
func finger(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	at := chrome.Eval[[]float64](t, ctx, fmt.Sprintf(`(r => [r.x + r.width / 2, r.y + r.height / 2])(document.querySelector(%q).getBoundingClientRect())`, selector))
	chrome.Do(t, ctx, "touching "+selector, chromedp.TapXY(at[0], at[1]))
}

func tapsWait(t *testing.T, s *stage, ctx context.Context) {
	s.official, s.refuse = "Ann", "the journal is full"
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `document.querySelector('.plate.timing')`, 5*time.Second)
	key(t, ctx, " ", "Space", " ", 1)
	key(t, ctx, " ", "Space", " ", 1)
	chrome.Wait(t, ctx, `document.querySelector('.unsent')?.innerText.includes('2 taps not yet in the book') && document.querySelector('.unsent').innerText.includes('the journal is full')`, 5*time.Second)
	chrome.Do(t, ctx, "loading the page anew", chromedp.Reload())
	chrome.Wait(t, ctx, `window.rainhill?.taps.unsent === 2`, 5*time.Second)
	s.change(func() { s.refuse = "" })
	chrome.Wait(t, ctx, `rainhill.taps.unsent === 0 && !document.querySelector('.unsent')`, 8*time.Second)
	if n := len(s.posted("/api/tap")); n != 2 {
		t.Errorf("%d taps came, want 2", n)
	}
}

func firstTrain(t *testing.T, s *stage, ctx context.Context) {
	_, build, _ := assets()
	s.view, s.official = wire.View{Build: build, Rev: 1}, "Ann"
	visit(t, s, ctx, "")
	has(t, "the empty line", text(t, ctx, "main"), "The book is closed", "Time your first train")
	chrome.Do(t, ctx, "beginning", chrome.Click(".welcome a.primary"))
	chrome.Do(t, ctx, "following the link", chromedp.WaitVisible(".start"),
		chromedp.SendKeys(".start input[name=length]", "7283"), chromedp.SendKeys(".start input[name=name]", "Grüne Lady"), chrome.Click(".start button.primary"))
	got := s.await("/api/decision", 4)
	var what []string
	for _, p := range got {
		what = append(what, p.Body["what"].(string))
	}
	if strings.Join(what, " ") != "circuit locomotive session trial" {
		t.Fatalf("decided %v", what)
	}
	value := func(i int) map[string]any { return got[i].Body["value"].(map[string]any) }
	circuit, gates := value(0)["circuit"].(map[string]any), value(0)["gates"].([]any)
	if circuit["lap_length_mm"].(float64) != 7283 || len(gates) != 1 || gates[0].(map[string]any)["timing"] != true {
		t.Errorf("the circuit is %v", value(0))
	}
	if value(1)["id"] != "grune-lady" || value(1)["name"] != "Grüne Lady" {
		t.Errorf("the locomotive is %v", value(1))
	}
	if value(2)["circuit"] != circuit["id"] || value(3)["locomotive"] != "grune-lady" || !wire.ValidID(value(3)["id"].(string)) {
		t.Errorf("the session is %v, the trial %v", value(2), value(3))
	}
	chrome.Wait(t, ctx, `location.hash === '#line' && rainhill.view === 'line'`, 3*time.Second)
}

func startLink(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "#key=right-key")
	chrome.Do(t, ctx, "saying a name", chromedp.WaitVisible("dialog input[name=name]"))
	if got := chrome.Eval[string](t, ctx, `location.href + ' ' + document.querySelectorAll('dialog[open] input').length`); got != s.url("")+" 1" {
		t.Errorf("address and number of fields are %q: the key should be gone from it, and only the name asked", got)
	}
	chrome.Do(t, ctx, "signing in", chrome.Click("dialog[open] button.primary"))
	chrome.Wait(t, ctx, `document.querySelector('header').innerText.includes('Sign out') && !document.querySelector('dialog[open]')`, 5*time.Second)
	has(t, "the head", text(t, ctx, "header"), "official: official", "Sign out")
	s.change(func() { s.official = "" })
	visit(t, s, ctx, "?again#key=wrong")
	chrome.Do(t, ctx, "with a wrong key", chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	chrome.Wait(t, ctx, `document.querySelector('dialog [role=alert]')?.innerText.includes("not the official's key") && document.querySelector('dialog input[name=key]')`, 5*time.Second)
}

func voiding(t *testing.T, s *stage, ctx context.Context) {
	s.official = "Ann"
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `rainhill.official`, 5*time.Second)
	chrome.Do(t, ctx, "opening a lap", chrome.Click(kestrel+" [data-lap='3']"), chromedp.WaitVisible("dialog[open]"))
	has(t, "the slip", text(t, ctx, "dialog[open]"), "Kestrel, lap 3", "12.110 s", "measured, counts, final", "g1 g2 6.055")
	chrome.Do(t, ctx, "voiding it", chromedp.SendKeys("dialog input[name=why]", "hand on the train"), chrome.Click("dialog form.void button"))
	body := s.await("/api/decision", 1)[0].Body
	if v := body["value"].(map[string]any); body["what"] != "lap" || body["why"] != "hand on the train" || v["void"] != true || v["lap"].(float64) != 3 || v["trial"] != "t-kestrel" {
		t.Errorf("decided %v", body)
	}
	s.setup(func(v *wire.View) {
		v.Results[1].Laps[2].Counts, v.Results[1].Laps[2].Why = wire.CountsVoid, "hand on the train"
	})
	chrome.Wait(t, ctx, `document.querySelector('dialog[open]').innerText.includes('Restore this lap')`, 5*time.Second)
	chrome.Do(t, ctx, "restoring it", chrome.Click("dialog[open] button.primary"))
	if v := s.await("/api/decision", 2)[1].Body["value"].(map[string]any); v["void"] != false {
		t.Errorf("restored with %v", v)
	}
}

func sensor(t *testing.T, s *stage, ctx context.Context) {
	s.official = "Ann"
	visit(t, s, ctx, "#book")
	chrome.Wait(t, ctx, `document.querySelector('#b-sensor') && document.body.innerText.includes('north-beam')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `([...document.querySelectorAll('button')].find(b => b.innerText === 'Let a sensor in').click(), true)`)
	chrome.Do(t, ctx, "letting it in", chromedp.WaitVisible("form.entry"), chromedp.SendKeys("form.entry input[name=name]", "North Beam"),
		chromedp.SendKeys("form.entry input[name=gates]", "g1"), chrome.Click("form.entry button.primary"))
	if body := s.await("/api/agents", 1)[0].Body; body["agent"] != "north-beam-2" {
		t.Errorf("asked for %v, want a name not taken yet", body)
	}
	chrome.Wait(t, ctx, `document.querySelector('.once pre')`, 5*time.Second)
	has(t, "the slip", text(t, ctx, ".once"), "rainhill-agent gate", "nats://127.0.0.1:4237", "pass-once", "north-beam-2")
	chrome.Do(t, ctx, "putting it away", chrome.Click(".once button"))
	chrome.Wait(t, ctx, `!document.body.innerText.includes('pass-once')`, 3*time.Second)
}

func pictures(t *testing.T, s *stage, ctx context.Context) {
	for i := range s.view.Passages[:6] { // so slow since that it is under way to g2 for minutes
		s.view.Passages[i].AtUs -= 120_000_000
	}
	chrome.Do(t, ctx, "a big screen", chromedp.EmulateViewport(1920, 1400))
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `document.querySelector('.roll canvas') && document.querySelector('.train:not(.unseen)') && rainhill.moved > 3`, 8*time.Second)
	for _, c := range []string{"train-graph canvas", ".roll canvas"} { // a drawing has 500 dark points
		chrome.Wait(t, ctx, fmt.Sprintf(`(c => { const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0;
			for (let i = 0; i < d.length; i += 4) if (d[i] + d[i + 1] + d[i + 2] < 300 && d[i + 3] > 200) n++; return n >= 500; })(document.querySelector(%q))`, c), 3*time.Second)
	}
	has(t, "the graph in words", chrome.Eval[string](t, ctx, `document.querySelector('train-graph canvas').getAttribute('aria-label')`), "3 gates", "Kestrel last passed g1 at")
	has(t, "the plan", text(t, ctx, ".plan text"), "g1", "g2", "g3", "1 m")
	newest := s.view.Motors[len(s.view.Motors)-2:]
	s.change(func() {
		s.news = func() any { // what was said 3 s ago is no figure of now
			f := wire.Frame{Motors: slices.Clone(newest)}
			for i := range f.Motors {
				f.Motors[i].AtUs = time.Now().UnixMicro()
			}
			return f
		}
	})
	chrome.Wait(t, ctx, `(pens => ['A Kestrel, front', 'throttle 52 %', 'B Kestrel, rear'].every(w => pens.includes(w)))([...document.querySelectorAll('.roll-legend li')].map(e => e.innerText.replace(/\s+/g, ' ')).join(' | '))`, 3*time.Second)
	moved := `document.querySelector('.train:not(.unseen)').style.transform`
	before := chrome.Eval[string](t, ctx, moved)
	chrome.Wait(t, ctx, fmt.Sprintf("%s !== %q", moved, before), 3*time.Second)
	s.setup(func(v *wire.View) { v.Circuits[0].Plan, v.Circuits[0].PiecesMm = nil, 0 })
	chrome.Wait(t, ctx, `document.querySelector('.plan-sheet').innerText.includes('not its true shape')`, 3*time.Second)
}

// latency sends 20 frames a second with new laps, and reads how old each was
// when it had been drawn. The limit is wide; the figure is in the log.
func latency(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	judged(t, ctx, func() string {
		lags := drawnAfter(t, s, ctx)
		at := func(q float64) float64 { return lags[int(math.Round(q*float64(len(lags)-1)))] }
		if len(lags) < 20 {
			return fmt.Sprintf("%d of 40 frames were drawn", len(lags))
		}
		t.Logf("%d drawings of 40 frames; ms from the gateway's stamp to drawn: p50 %.0f, p90 %.0f, p99 %.0f", len(lags), at(0.5), at(0.9), at(0.99))
		if at(0.5) > 150 {
			return fmt.Sprintf("half of what was shown was older than %.0f ms, want 150 at most", at(0.5))
		}
		return ""
	})
}

// judged makes attempts at what has to be quick; an attempt gives "" or what was wrong. One
// good attempt is enough, as machines that run tests are busy with other things, and three bad
// ones are at fault. An attempt is not judged when fixed drawings, on an empty page meanwhile,
// took more than twice as long as on a machine at rest: then the machine is slow, and not the page.
func judged(t *testing.T, ctx context.Context, attempt func() string) {
	t.Helper()
	const atRestMs = 7
	empty := chrome.Tab(t, ctx)
	chrome.Eval[bool](t, empty, `((async () => {
		for (;;) {
			await new Promise(next => setTimeout(next, 50));
			await new Promise(requestAnimationFrame);
			const begin = performance.now();
			document.body.replaceChildren(...Array.from({length: 300}, (_, i) => Object.assign(document.createElement('p'), {textContent: begin + ' and ' + i})));
			await new Promise(drawn => setTimeout(drawn));
			took.push(performance.now() - begin);
		}
	})(), window.took = [], true)`)
	bad := 0
	for range 8 {
		chrome.Eval[bool](t, empty, `(window.took = [], true)`)
		wrong := attempt()
		ms := chrome.Eval[float64](t, empty, `took.reduce((sum, ms) => sum + ms, 0) / took.length || 1e6`)
		t.Logf("a fixed drawing took %.1f ms, and %d at rest; wrong: %s", ms, atRestMs, wrong)
		if wrong == "" {
			return
		}
		if ms > 2*atRestMs {
			continue
		}
		if bad++; bad == 3 {
			t.Error(wrong)
			return
		}
	}
}

// drawnAfter is how many ms after its stamp each of 40 frames was drawn, in order of size.
func drawnAfter(t *testing.T, s *stage, ctx context.Context) []float64 {
	t.Helper()
	r := running("t-kestrel", time.Now().UnixMicro())
	begun := chrome.Eval[int](t, ctx, `rainhill.lags.length`)
	for i := range 40 {
		r.Laps[4].LapTimeS = 12 + float64(i)/100
		s.say(wire.Frame{Results: []wire.TrialResult{r}, Motors: []wire.MotorVerdict{{Motor: "m1", Locomotive: "kestrel", Set: "front", AtUs: time.Now().UnixMicro(), WheelSpeedMmS: ptr(600.0)}}})
		time.Sleep(50 * time.Millisecond)
	}
	return chrome.Eval[[]float64](t, ctx, fmt.Sprintf(`rainhill.lags.slice(%d).sort((a, b) => a - b)`, begun))
}

// overflow lists what is wider than its box: the page itself, and everything
// that would clip or scroll sideways. What is hidden for the eye is left out.
const overflow = `[document.documentElement, ...document.querySelectorAll('body *')].filter(e => {
	const s = getComputedStyle(e);
	if (e === document.documentElement) return e.scrollWidth > innerWidth;
	return s.overflowX !== 'visible' && s.clipPath === 'none' && !e.matches('input, select') && e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1;
}).map(e => e.tagName + '.' + e.className + ' ' + e.scrollWidth + ' in ' + e.clientWidth + (e === document.documentElement ? ': ' + ` + chrome.PastEdge + ` : ''))`

// small lists what a finger would miss: controls under 44 px. A link in a
// sentence is as tall as its line, and a box is touched by its label.
const small = `[...document.querySelectorAll('button, select, input, summary, a.button, nav a, .entries a')].filter(e => {
	const b = (e.closest('label.check') ?? e).getBoundingClientRect();
	return b.width > 0 && (b.width < 43.5 || b.height < 43.5);
}).map(e => e.outerHTML.slice(0, 100) + ' ' + JSON.stringify(e.getBoundingClientRect()))`

// TestLook goes through every view in every size, light and dark.
func TestLook(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	const uncertain = `document.querySelector('[data-trial="t-kestrel"] .figures').innerText.includes('±')`
	for _, v := range []struct{ name, at, then, wait string }{
		{"line", "", "", ""},
		{"line with uncertainty", "", `document.querySelector('.board .check input').click()`, uncertain},
		{"wall", "#wall", "", ""},
		{"book", "#book", "", ""},
		{"health", "health", "", ""},
		{"a circuit", "#book", `[...document.querySelectorAll('[aria-labelledby=b-circuit] button')].pop().click()`, `document.querySelector('form.drawing')`},
		{"a circuit of pieces", "#book", `document.querySelector('[aria-labelledby=b-circuit] .entries button').click();
			while (!document.querySelector('input[value=pieces]')) await new Promise(requestAnimationFrame); document.querySelector('input[value=pieces]').click();
			while (!document.querySelector('.oval button')) await new Promise(requestAnimationFrame); document.querySelector('.oval button').click();
			while (!document.querySelector('.drawn .handle')) await new Promise(requestAnimationFrame); document.querySelector('.piece-key').focus();
			const mm = document.querySelector('[name="piece.mm"]'); mm.value = '450'; mm.dispatchEvent(new Event('input', {bubbles: true}));
			while (!document.querySelector('.hint button')) await new Promise(requestAnimationFrame)`, `document.querySelector('.hint button')`},
		{"a plan", "#plan=loop", "", ""},
		{"roster", "#roster", "", ""},
		{"roster, a locomotive", "#roster", `document.querySelector('[data-id=kestrel] .does button').click()`, `document.querySelector('[data-id=kestrel] form.entry')`},
		{"roster, a variant of a consist", "#roster", `[...document.querySelectorAll('[data-id=coal] .does button')].pop().click()`, `document.querySelector('[data-id=coal] form.entry')`},
		{"roster, a motor", "#roster", `document.querySelector('[data-id=m1] .does button').click()`, `document.querySelector('[data-id=m1] form.entry')`},
		{"roster, a battery", "#roster", `document.querySelector('[aria-labelledby=r-battery] .caption button').click()`, `document.querySelector('[aria-labelledby=r-battery] form.entry')`},
		{"roster, a file", "#roster", `const d = new DataTransfer(); d.items.add(new File(['id,name,mass_g,set,gear_ratio,colour\nkestrel,"Kestrel, rebuilt",900,front,22\nowl,=HYPERLINK("x"),450 g,front,18\nnew,'+'Long'.repeat(45)+',450,front,18\n'], 'stock.csv'));
			const f = document.querySelector('[name=roster-file]'); f.files = d.files; f.dispatchEvent(new Event('change'))`, `document.querySelector('.offers')`},
		{"a trial", "#book", `[...document.querySelectorAll('[aria-labelledby=b-trial] button')].pop().click()`, `document.querySelector('.trial-sheet')`},
		{"a lap", "", `document.querySelector('.lap.inferred').click()`, `document.querySelector('dialog[open] form.void')`},
		{"a lap with uncertainty", "", `document.querySelector('.board .check input').click(); document.querySelector('.lap.inferred').click()`, uncertain + ` && document.querySelector('dialog[open] form.void')`},
		{"trouble", "", `document.querySelector('.board .check input').click(); document.querySelector('button.ticket').focus()`, uncertain + ` && document.querySelector('` + remark + `')`},
		{"trouble on the wall", "#wall", "", ""},
		{"trouble in the list", "", `document.querySelector('.lap.incident').click();
			while (!document.querySelector('dialog[open]')) await new Promise(requestAnimationFrame); [...document.querySelectorAll('dialog button')].pop().click()`, `document.querySelector('dialog .left-out')`},
		{"trouble in the book", "#book", "", ""},
		{"first train", "#book", "", ""},
	} {
		t.Run(v.name, func(t *testing.T) {
			s := newStage(t)
			s.view, s.health, s.official, s.demo = scene(), ailing(), "Ann", true
			if strings.HasPrefix(v.name, "trouble") {
				s.view = trouble()
			}
			if strings.HasPrefix(v.name, "roster") {
				s.view = stocked()
			}
			if v.name == "first train" {
				s.view = wire.View{Build: s.view.Build, Rev: 1}
			}
			ctx := chrome.Tab(t, browser)
			visit(t, s, ctx, v.at)
			chrome.Wait(t, ctx, signedIn+` && document.querySelector('main section, main .wall, main article')`, 5*time.Second)
			if strings.HasPrefix(v.name, "trouble") {
				chrome.Wait(t, ctx, `document.querySelector('.order button')`, 5*time.Second)
				if v.at == "" {
					toGraph(t, ctx)
					chrome.Wait(t, ctx, `document.querySelector('button.ticket')`, 5*time.Second)
				}
			}
			if v.at == "#roster" {
				chrome.Wait(t, ctx, `document.querySelector('[data-id=kestrel] .photo')?.naturalWidth && document.querySelector('.unnamed button')`, 5*time.Second)
			}
			if v.at == "health" {
				chrome.Wait(t, ctx, `document.querySelector('.rejects')`, 5*time.Second)
			}
			if v.then != "" {
				chrome.Eval[any](t, ctx, "(async () => { "+v.then+"; })()")
				chrome.Wait(t, ctx, v.wait, 5*time.Second)
			}
			look(t, ctx, v.name)
		})
	}
}
