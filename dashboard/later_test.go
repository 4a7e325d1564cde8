package dashboard_test

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
)

// TestSheetsThatComeLate opens sheets whose modules come slowly, or not at all for a while:
// the page says so, and shows them once they can be had, by itself or when it is told to try.
func TestSheetsThatComeLate(t *testing.T) {
	browser := chrome.Start(t)
	s := newStage(t)
	s.view = scene()
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the line", chromedp.Navigate(s.url("")))
	chrome.Wait(t, ctx, `rainhill.phase === 'live'`, 5*time.Second)
	held := make(chan struct{})
	s.change(func() { s.withheld, s.held = ".js", held })
	note(t, ctx, "soon", `document.querySelector('#sheet .late')`, `getComputedStyle(document.querySelector('#sheet .late')).visibility`)
	chrome.Eval[bool](t, ctx, `(location.hash = 'audit', true)`)
	chrome.Wait(t, ctx, `getComputedStyle(document.querySelector('#sheet .late [role=status]')).visibility === 'visible' && document.querySelector('#sheet').innerText.trim() === 'Fetching the sheet…'`, 5*time.Second)
	if soon := chrome.Eval[string](t, ctx, `window.soon`); soon != "hidden" {
		t.Errorf("at once the word that it is being fetched is %q", soon)
	}
	close(held)
	chrome.Wait(t, ctx, `document.querySelector('#a-title')`, 10*time.Second)
	for _, sheet := range []struct{ view, module string }{{"roster", "js/roster.js"}, {"health", "js/health.js"}} {
		if sheet.view == "health" { // without the second in which the page tries by itself
			chrome.Eval[bool](t, ctx, `(window.setTimeout = (f => (act, ms, ...rest) => ms === 1000 ? 0 : f(act, ms, ...rest))(setTimeout), true)`)
		}
		s.change(func() { s.withheld, s.held = sheet.module, nil })
		chrome.Eval[bool](t, ctx, `(location.hash = '`+sheet.view+`', true)`)
		chrome.Wait(t, ctx, `document.querySelector('#sheet [role=alert]')?.innerText.includes('could not be fetched') && document.querySelector('#sheet button')`, 5*time.Second)
		s.change(func() { s.withheld = "" })
		if sheet.view == "health" {
			chrome.Do(t, ctx, "trying again", chrome.Click("#sheet .welcome button"))
		}
		chrome.Wait(t, ctx, `document.querySelector("#sheet h2") && !document.querySelector('#sheet .welcome')`, 5*time.Second)
	}
}
