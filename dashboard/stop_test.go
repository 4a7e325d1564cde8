package dashboard_test

import (
	"context"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// noteFetches has the page keep what it fetches from now on, with what it knew when it began to.
func noteFetches(t *testing.T, ctx context.Context) {
	t.Helper()
	chrome.Eval[bool](t, ctx, `(window.fetches = [], window.fetch = (f => (to, ...rest) => (fetches.push({to, phase: rainhill.phase, hidden: document.hidden}), f(to, ...rest)))(fetch), true)`)
}

// stopsBegun is how often the page began to tell to stop: what has begun before may come later.
const stopsBegun = `fetches.filter(f => f.to === '/api/stop').length`

// TestStopThatCannotBeTold presses stop-all while the service is away: it is shown in the
// next frame, what to do is said, and it is told when the service is there again.
func TestStopThatCannotBeTold(t *testing.T) {
	browser := chrome.Start(t)
	s := newStage(t)
	s.view = scene()
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the line", chromedp.Navigate(s.url("")))
	chrome.Wait(t, ctx, `rainhill.phase === 'live'`, 5*time.Second)
	s.say(wire.Driving{Type: "driving", Holder: "Ada", SinceUs: time.Now().UnixMicro(), Motors: []wire.DrivenMotor{{Motor: "m1"}}})
	chrome.Wait(t, ctx, `document.querySelector('#stop .stop-all') && document.querySelector('#stop').innerText.includes('Ada')`, 5*time.Second)
	noteFetches(t, ctx)
	s.shut()
	shown := chrome.Eval[string](t, ctx, `(document.querySelector('#stop .stop-all').click(), new Promise(r => requestAnimationFrame(() => r(document.querySelector('#stop [role=alert]')?.innerText ?? ''))))`)
	if !strings.HasPrefix(shown, "Stopping") && !strings.HasPrefix(shown, "Not confirmed") {
		t.Errorf("in the frame after the press stands %q", shown)
	}
	chrome.Wait(t, ctx, `document.querySelector('#stop').innerText.includes('Not confirmed: no answer. Cut the power to the motors.')`, 2*time.Second)
	s.open()
	if got := s.await("/api/stop", 1)[0]; got.Body["why"] != "stop all" {
		t.Errorf("told %v", got.Body)
	}
	chrome.Wait(t, ctx, `document.querySelector('#stop').innerText.includes('All motors stopped') && document.body.dataset.stop === 'ready'`, 5*time.Second)
	told := chrome.Eval[int](t, ctx, stopsBegun)
	time.Sleep(time.Second)
	if again := chrome.Eval[int](t, ctx, stopsBegun); told == 0 || again != told {
		t.Errorf("told %d times, and %d times more after it was answered", told, again-told)
	}
	// A service that is there and cannot stop anything says so.
	s.change(func() { s.refuse = "the service that answers this is not running" })
	s.say(wire.Driving{Type: "driving", Holder: "Ada", SinceUs: time.Now().UnixMicro(), Motors: []wire.DrivenMotor{{Motor: "m1"}}})
	chrome.Wait(t, ctx, `document.querySelector('#stop .stop-all')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('#stop .stop-all').click(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('#stop').innerText.includes('not running. Cut the power to the motors.')`, 2*time.Second)
}

// TestStopLeansOnNothing has the escape key, and the button where the roster has a motor,
// stop all when the page knows of nobody who drives, on every view, over a slip, and with
// the line down: then it says that this was not confirmed, until somebody cut the power.
func TestStopLeansOnNothing(t *testing.T) {
	browser := chrome.Start(t)
	s := newStage(t)
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the line", chromedp.EmulateViewport(390, 800), chromedp.Navigate(s.url("")))
	chrome.Wait(t, ctx, `rainhill.phase === 'live'`, 5*time.Second)
	if chrome.Eval[bool](t, ctx, `document.querySelector('#stop').getBoundingClientRect().height > 0`) {
		t.Error("stop-all stands there and the roster has no motor")
	}
	// What is not answered soon is told again, so it is counted by what was pressed.
	press := func(where, why string, act func()) {
		t.Helper()
		told := func() (n int) {
			for _, p := range s.posted("/api/stop") {
				if p.Body["why"] == why {
					n++
				}
			}
			return n
		}
		before := told()
		act()
		s.until(where+": "+why, func() bool { return told() > before })
		chrome.Wait(t, ctx, `!document.querySelector('#stop [role=alert]')`, 2*time.Second)
	}
	escape := func(where string) {
		t.Helper()
		press(where, "stop all, by the escape key", func() { key(t, ctx, "Escape", "Escape", "", 1) })
	}
	escape("nothing is known of motors")
	s.setup(func(v *wire.View) { rev := v.Rev; *v = scene(); v.Rev = rev })
	chrome.Wait(t, ctx, `document.querySelector('#stop .stop-all')`, 5*time.Second)
	for _, view := range []string{"line", "wall", "book", "roster", "sets", "motors", "predict", "meet", "call", "drive", "results", "audit", "health"} {
		chrome.Eval[bool](t, ctx, `(location.hash = '`+view+`', true)`)
		chrome.Wait(t, ctx, `rainhill.view === '`+view+`' && (scrollTo(0, 1e5), true)`, 5*time.Second)
		press(view, "stop all", func() { chrome.Do(t, ctx, "pressing stop-all on "+view, chrome.Click("#stop .stop-all")) })
		chrome.Wait(t, ctx, `document.body.dataset.stop === 'ready'`, 2*time.Second)
		if small := chrome.Eval[float64](t, ctx, `document.querySelector('.stop-all').getBoundingClientRect().height`); small < 44 {
			t.Errorf("%s: stop-all is %g px high", view, small)
		}
		escape(view)
	}
	chrome.Do(t, ctx, "opening a slip", chrome.Click(".official button"))
	chrome.Wait(t, ctx, `document.querySelector('dialog:modal #stop .stop-all')`, 5*time.Second)
	escape("over a slip")
	noteFetches(t, ctx)
	s.shut()
	chrome.Wait(t, ctx, `rainhill.phase === 'down'`, 5*time.Second)
	key(t, ctx, "Escape", "Escape", "", 1)
	chrome.Wait(t, ctx, `document.querySelector('#stop [role=alert]')?.innerText.includes('Not confirmed: no answer. Cut the power to the motors.')`, 2*time.Second)
	chrome.Do(t, ctx, "saying that the power is cut", chrome.Click("#stop [role=alert] button"))
	chrome.Wait(t, ctx, `!document.querySelector('#stop [role=alert]') && document.body.dataset.stop === 'ready'`, 2*time.Second)
	told := chrome.Eval[int](t, ctx, stopsBegun)
	s.open()
	chrome.Wait(t, ctx, `rainhill.phase === 'live'`, 10*time.Second)
	time.Sleep(time.Second)
	if now := chrome.Eval[int](t, ctx, stopsBegun); told == 0 || now != told {
		t.Errorf("told %d times, and %d times more after the power was cut", told, now-told)
	}
}

// TestOlderStateOfDriving has an answer come later than what was told after it, and the
// driving service fall silent while somebody drives, and begin anew.
func TestOlderStateOfDriving(t *testing.T) {
	browser := chrome.Start(t)
	s := newStage(t)
	s.view = scene()
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the page of driving", chromedp.Navigate(s.url("#drive")))
	chrome.Wait(t, ctx, `rainhill.phase === 'live' && document.querySelector('#arm')`, 5*time.Second)
	drives := func(who string, revision uint64) wire.Driving {
		return wire.Driving{Holder: who, SinceUs: time.Now().UnixMicro(), Revision: revision, Motors: []wire.DrivenMotor{{Motor: "m1", HeardUs: time.Now().UnixMicro()}}}
	}
	says := func(words string) string {
		return `document.querySelector('#stop').innerText.includes('` + words + `') && document.querySelector('#arm').innerText.toLowerCase().includes('` + strings.ToLower(words) + `')`
	}
	// Whether it is known that somebody still drives is another question, and soon answered otherwise.
	names := func(who, not string) string {
		return `['#stop', '#arm'].every(e => (t => /\b` + who + `\b/i.test(t) && !/\b` + not + `\b/i.test(t))(document.querySelector(e).innerText))`
	}
	heard := func() { // all that was said so far
		t.Helper()
		s.setup(func(v *wire.View) { v.Site = "after" })
		chrome.Wait(t, ctx, `rainhill.drawnRev >= `+strconv.FormatUint(s.view.Rev, 10), 5*time.Second)
	}
	s.say(drives("Ada", 20))
	chrome.Wait(t, ctx, names("Ada", "Ben"), 5*time.Second)
	unknown := says("Not known whether Ben") + ` && document.querySelector('#stop').innerText.includes('nothing was told since') && !!document.querySelector('.driven tr.old')`
	note(t, ctx, "unknownMs", unknown, "Date.now()")
	said := time.Now()
	s.say(drives("Ben", 21))
	chrome.Wait(t, ctx, names("Ben", "Ada"), 5*time.Second)
	s.say(drives("Ada", 19))
	heard()
	if !chrome.Eval[bool](t, ctx, names("Ben", "Ada")) {
		t.Error("what was older was taken for what is now")
	}
	chrome.Wait(t, ctx, `window.unknownMs`, 6*time.Second)
	if took := time.Duration(chrome.Eval[int64](t, ctx, `unknownMs`)-said.UnixMilli()) * time.Millisecond; took > 6*time.Second {
		t.Errorf("said to drive for %s after nothing was told", took)
	}
	s.say(drives("Ben", 21)) // the hub's copy of then, told to who comes anew
	heard()
	if !chrome.Eval[bool](t, ctx, says("Not known whether Ben")) {
		t.Error("what was known before is taken for news")
	}
	anew := drives("Cyd", 1)
	anew.Boot = "another"
	s.say(anew)
	chrome.Wait(t, ctx, names("Cyd", "Ben"), 5*time.Second)
	s.say(drives("Ben", 22)) // of the service that is no more
	heard()
	if !chrome.Eval[bool](t, ctx, names("Cyd", "Ben")) {
		t.Error("a service that was followed by another is heard")
	}
	s.shut()
	chrome.Wait(t, ctx, says("Not known whether Cyd"), 2*time.Second)
}

// TestDeskOnASilentLine has the line fall silent while the page drives: its controls are
// dead and say so; they live again with the line. A page that is hidden says nothing more.
func TestDeskOnASilentLine(t *testing.T) {
	browser := chrome.Start(t)
	s := newStage(t)
	s.view, s.official = scene(), "Ada"
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the page of driving", chromedp.Navigate(s.url("#drive")))
	chrome.Wait(t, ctx, `rainhill.official === 'Ada' && document.querySelector('#arm-form [name=motor]')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(() => { const f = document.querySelector('#arm-form'); f.querySelector('[value=m1]').click(); if (!f.querySelector('[value=m1]').checked) f.querySelector('[value=m1]').click(); f.elements.cautions.click(); f.requestSubmit(); return true; })()`)
	chrome.Wait(t, ctx, `document.querySelector('#desk') && !document.querySelector('#dead')`, 5*time.Second)
	s.await("/api/driving", 4) // arming, and that the page is there
	noteFetches(t, ctx)
	s.change(func() { s.muted = true })
	chrome.Wait(t, ctx, `document.querySelector('#dead')?.innerText.includes('line is silent') && document.querySelector('.controls').inert`, 2*time.Second)
	time.Sleep(1200 * time.Millisecond)
	if n := chrome.Eval[int](t, ctx, `fetches.filter(f => f.to === '/api/driving' && f.phase !== 'live').length`); n > 0 {
		t.Errorf("with its controls dead the page said %d times that it is there: the motors would run on", n)
	}
	s.change(func() { s.muted = false })
	chrome.Wait(t, ctx, `!document.querySelector('#dead') && !document.querySelector('.controls').inert`, 5*time.Second)
	s.change(func() { s.refuse = "the service that answers this is not running" })
	chrome.Wait(t, ctx, `document.querySelector('#dead')?.innerText.includes('service does not answer')`, 4*time.Second)
	s.change(func() { s.refuse = "" })
	chrome.Wait(t, ctx, `!document.querySelector('#dead')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(Object.defineProperty(document, 'hidden', {value: true, configurable: true}), true)`)
	time.Sleep(1200 * time.Millisecond)
	if n := chrome.Eval[int](t, ctx, `fetches.filter(f => f.to === '/api/driving' && f.hidden).length`); n > 0 {
		t.Errorf("a hidden page said %d times that it is there", n)
	}
	if !chrome.Eval[bool](t, ctx, `fetches.some(f => f.to === '/api/driving')`) {
		t.Error("the page was not seen to say that it is there")
	}
	if chrome.Eval[bool](t, ctx, `JSON.stringify([{...localStorage}, {...sessionStorage}, location.href, document.cookie, document.documentElement.outerHTML]).includes('hold-4711')`) {
		t.Error("the token is found outside the page's memory")
	}
}
