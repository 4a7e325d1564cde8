package main

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
)

// gate has a page hold back messages of the line: from window.hold, which says of a message
// whether it is, to window.letIn(). window.socket is the newest line.
const gate = `(() => {
	const held = [], {set, ...rest} = Object.getOwnPropertyDescriptor(WebSocket.prototype, 'onmessage');
	window.hold = () => false;
	window.letIn = () => { window.hold = () => false; for (const f of held.splice(0)) f(); };
	Object.defineProperty(WebSocket.prototype, 'onmessage', {...rest, set(f) {
		window.socket = this;
		set.call(this, e => { if (window.hold(JSON.parse(e.data))) held.push(() => f.call(this, e)); else f.call(this, e); });
	}});
})()`

// gated is a tab whose pages can hold messages back.
func gated(t *testing.T, browser context.Context) context.Context {
	t.Helper()
	ctx := chrome.Tab(t, browser)
	if _, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: gate}); err != nil {
		t.Fatal(err)
	}
	return ctx
}

const holdViews = `(window.hold = m => m.type === 'view', true)`

// TestPageWhileTheViewIsOnItsWay does what a person does who is quicker than the line.
func TestPageWhileTheViewIsOnItsWay(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	t.Run("a form closes when the page shows what was written", func(t *testing.T) {
		h := openHost(t, t.TempDir(), "line")
		t.Cleanup(func() { stopHost(t, h) })
		d := &desk{&track{t: t, writer: &writer{t: t, nc: h.Bus(), site: "line"}, h: h, ctx: gated(t, browser)}, "Ada"}
		d.signIn()
		d.open(60, train{id: "heron"})
		d.openLocomotive()
		chrome.Eval[bool](t, d.ctx, holdViews)
		d.fill("form.entry", map[string]string{"mass": "905"})
		chrome.Eval[bool](t, d.ctx, `(window.pressedMs = performance.now(), new MutationObserver(() => document.querySelector('form.entry') || (window.goneMs ??= performance.now())).observe(document.body, {subtree: true, childList: true}), true)`)
		d.press("form.entry button.primary")
		d.textHas(".takeback", "Written") // it has been answered
		chrome.Eval[bool](t, d.ctx, `(window.letInMs = performance.now(), letIn(), true)`)
		d.shows(`!document.querySelector('form.entry') && window.goneMs`)
		if !chrome.Eval[bool](t, d.ctx, `goneMs >= letInMs || goneMs - pressedMs > 2900`) { // the page waits for 3 s at most
			t.Error("the form is gone before the page shows what was written")
		}
		d.openLocomotive()
		d.fill("form.entry", map[string]string{"mass": "910"})
		d.press("form.entry button.primary")
		d.shows(`!document.querySelector('form.entry') && !document.querySelector('dialog[open]')`)
		if got := d.view().Locomotives[0]; got.MassG != 910 {
			t.Errorf("changed twice, the locomotive is %+v", got)
		}
	})
	t.Run("a key pressed while a replay is read is obeyed once", func(t *testing.T) {
		h := stageReplay(t, 60)
		ctx := gated(t, browser)
		chrome.Do(t, ctx, "the replay", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL+"/replay?session=past"))
		at := func(index int) {
			chrome.Wait(t, ctx, fmt.Sprintf(`window.replay?.index === %d`, index), 10*time.Second)
		}
		chrome.Wait(t, ctx, `window.replay?.at_us && document.querySelector('.board')`, 10*time.Second)
		begin := chrome.Eval[int](t, ctx, `replay.index`)
		press(t, ctx, ".", "Period", ".")
		at(begin + 1)
		chrome.Eval[bool](t, ctx, holdViews)
		chrome.Eval[bool](t, ctx, `(window.broken = socket, broken.close(), true)`)
		chrome.Wait(t, ctx, `socket !== broken && socket.readyState === WebSocket.OPEN`, 10*time.Second)
		press(t, ctx, ".", "Period", ".")
		chrome.Eval[bool](t, ctx, `(letIn(), true)`)
		at(begin + 2)
		press(t, ctx, ",", "Comma", ",")
		at(begin + 1)
	})
}

// TestPageDrivesOnByKeys has the line fall silent for a moment under a slider that has the
// keys: it has them again afterwards, and 0 closes the throttle.
func TestPageDrivesOnByKeys(t *testing.T) {
	d := openDrivers(t)
	x := &desk{&track{t: t, writer: &writer{t: t, nc: d.h.Bus(), site: "line"}, h: d.h, ctx: gated(t, d.browser)}, "Ada"}
	x.signIn()
	x.to("drive")
	x.arm()
	const slider = `document.querySelector('[data-throttle=all-heron] input[type=range]')`
	x.anew(func() bool {
		x.armAgain()
		return x.sees(`!document.querySelector('#dead') && (`+slider+`.focus(), document.activeElement === `+slider+`) && (window.silent = null, true)`) &&
			// The page itself ends the silence, once the controls are dead.
			x.sees(`(window.silent ??= (window.hold = () => true, 'silent')) && window.silent === 'silent' && document.querySelector('#dead') && document.activeElement === document.body && (letIn(), window.silent = 'over')`) &&
			x.sees(`!document.querySelector('#dead') && document.activeElement === `+slider)
	})
}
