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
	s.change(func() { s.late = 2 * time.Second })
	if soon := chrome.Eval[string](t, ctx, `(location.hash = 'audit', new Promise(r => { const look = () => { const e = document.querySelector('#sheet .late'); e ? r(getComputedStyle(e).visibility) : setTimeout(look, 1); }; look(); }))`); soon != "hidden" {
		t.Errorf("at once the word that it is being fetched is %q", soon)
	}
	chrome.Wait(t, ctx, `getComputedStyle(document.querySelector('#sheet .late [role=status]')).visibility === 'visible' && document.querySelector('#sheet').innerText.trim() === 'Fetching the sheet…'`, 5*time.Second)
	chrome.Wait(t, ctx, `document.querySelector('#a-title')`, 10*time.Second)
	for _, sheet := range []struct{ view, module string }{{"roster", "js/roster.js"}, {"health", "js/health.js"}} {
		s.change(func() { s.late, s.withheld = 0, sheet.module })
		chrome.Eval[bool](t, ctx, `(location.hash = '`+sheet.view+`', true)`)
		chrome.Wait(t, ctx, `document.querySelector('#sheet [role=alert]')?.innerText.includes('could not be fetched') && document.querySelector('#sheet button')`, 5*time.Second)
		s.change(func() { s.withheld = "" })
		if sheet.view == "health" {
			chrome.Do(t, ctx, "trying again", chrome.Click("#sheet .welcome button"))
		}
		chrome.Wait(t, ctx, `document.querySelector("#sheet h2") && !document.querySelector('#sheet .welcome')`, 5*time.Second)
	}
}
