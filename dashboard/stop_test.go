package dashboard_test

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// TestStopThatCannotBeTold presses stop-all while the service is away: it is shown in the
// next frame, what to do is said, and it is told when the service is there again.
func TestStopThatCannotBeTold(t *testing.T) {
	browser := chrome.Start(t)
	s := newStage(t)
	s.view = scene()
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the line", chromedp.Navigate(s.url("")))
	chrome.Wait(t, ctx, `rainhill.phase === 'live'`, 5*time.Second)
	if chrome.Eval[bool](t, ctx, `document.querySelector('#stop').getBoundingClientRect().height > 0`) {
		t.Error("stop-all stands there and nothing is driven")
	}
	s.say(wire.Driving{Type: "driving", Holder: "Ada", SinceUs: time.Now().UnixMicro(), Motors: []wire.DrivenMotor{{Motor: "m1"}}})
	chrome.Wait(t, ctx, `document.querySelector('#stop .stop-all') && document.querySelector('#stop').innerText.includes('Ada')`, 5*time.Second)
	s.shut()
	shown := chrome.Eval[string](t, ctx, `(document.querySelector('#stop .stop-all').click(), new Promise(r => requestAnimationFrame(() => r(document.querySelector('#stop [role=alert]')?.innerText ?? ''))))`)
	if !strings.HasPrefix(shown, "Stopping") && !strings.HasPrefix(shown, "Not told") {
		t.Errorf("in the frame after the press stands %q", shown)
	}
	chrome.Wait(t, ctx, `document.querySelector('#stop').innerText.includes('Not told: no answer. Use the hardware cut-off.')`, 2*time.Second)
	s.open()
	if got := s.await("/api/stop", 1)[0]; got.Body["why"] != "stop all" {
		t.Errorf("told %v", got.Body)
	}
	chrome.Wait(t, ctx, `document.querySelector('#stop').innerText.includes('All motors stopped') && !document.querySelector('#stop .stop-all')`, 5*time.Second)
	told := len(s.posted("/api/stop"))
	time.Sleep(time.Second)
	if again := len(s.posted("/api/stop")); again != told {
		t.Errorf("told %d times more after it was answered", again-told)
	}
	// A service that is there and cannot stop anything says so.
	s.change(func() { s.refuse = "the service that answers this is not running" })
	s.say(wire.Driving{Type: "driving", Holder: "Ada", SinceUs: time.Now().UnixMicro(), Motors: []wire.DrivenMotor{{Motor: "m1"}}})
	chrome.Wait(t, ctx, `document.querySelector('#stop .stop-all')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('#stop .stop-all').click(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('#stop').innerText.includes('not running. Use the hardware cut-off.')`, 2*time.Second)
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
	s.change(func() { s.muted = true })
	chrome.Wait(t, ctx, `document.querySelector('#dead')?.innerText.includes('line is silent') && document.querySelector('.controls').inert`, 2*time.Second)
	time.Sleep(200 * time.Millisecond) // what was on its way
	held := len(s.posted("/api/driving"))
	time.Sleep(1200 * time.Millisecond)
	if after := len(s.posted("/api/driving")); after != held {
		t.Errorf("with its controls dead the page said %d times that it is there: the motors would run on", after-held)
	}
	s.change(func() { s.muted = false })
	chrome.Wait(t, ctx, `!document.querySelector('#dead') && !document.querySelector('.controls').inert`, 5*time.Second)
	s.change(func() { s.refuse = "the service that answers this is not running" })
	chrome.Wait(t, ctx, `document.querySelector('#dead')?.innerText.includes('service does not answer')`, 4*time.Second)
	s.change(func() { s.refuse = "" })
	chrome.Wait(t, ctx, `!document.querySelector('#dead')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(Object.defineProperty(document, 'hidden', {value: true, configurable: true}), true)`)
	time.Sleep(600 * time.Millisecond)
	before := len(s.posted("/api/driving"))
	time.Sleep(1200 * time.Millisecond)
	if after := len(s.posted("/api/driving")); after != before {
		t.Errorf("a hidden page said %d times that it is there", after-before)
	}
	if chrome.Eval[bool](t, ctx, `JSON.stringify([{...localStorage}, {...sessionStorage}, location.href, document.cookie, document.documentElement.outerHTML]).includes('hold-4711')`) {
		t.Error("the token is found outside the page's memory")
	}
}
