package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
)

// TestDrivePageLooks goes through the page of driving in every size, light and dark:
// before arming, at the desk, as one who looks on while another drives; and stop-all on
// the wall board and the call sheet.
func TestDrivePageLooks(t *testing.T) {
	t.Parallel()
	d := quietDrivers(t)
	ada, looker := d.at("Ada", "drive"), d.at("", "drive")
	ada.textHas("#arm-form", "has not reported in this session")
	d.run()
	ada.shows(reporting) // motors that begin to report are seen by who waits for them
	ada.fits("before arming", true)
	ada.arm()
	ada.anew(func() bool {
		ada.armAgain()
		return ada.sees(`document.querySelector('.sweep-form').open = true`)
	})
	ada.fits("the desk", true)
	ada.anew(func() bool { // while its looks are checked, her page may say nothing for too long
		ada.armAgain()
		return looker.sees(`document.querySelector('#arm').innerText.includes('m1-front')`)
	})
	looker.fits("looking on", true)
	for _, view := range []string{"wall", "call", "line"} {
		chrome.Eval[bool](t, looker.ctx, fmt.Sprintf(`(location.hash = %q, true)`, view))
		looker.shows(fmt.Sprintf(`rainhill.view === %q && document.querySelector('#stop .stop-all')`, view))
		looker.fits(view, false)
		if !chrome.Eval[bool](t, looker.ctx, `(scrollTo(0, 1e5), new Promise(r => requestAnimationFrame(() => { const b = document.querySelector('.stop-all').getBoundingClientRect(); r(b.top >= 0 && b.bottom <= innerHeight && document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2)?.className === 'stop-all'); })))`) {
			t.Errorf("%s, scrolled down: stop-all is out of sight", view)
		}
	}
}

// fits holds what is on the screen to every size, and the whole page to axe where that is asked.
func (x *desk) fits(what string, axe bool) {
	x.t.Helper()
	for _, scheme := range []string{"light", "dark"} {
		chrome.Scheme(x.t, x.ctx, scheme)
		for _, width := range []int64{390, 1280, 1920} {
			chrome.Do(x.t, x.ctx, "another screen", chromedp.EmulateViewport(width, 1000))
			time.Sleep(100 * time.Millisecond)
			shoot(x.t, x.ctx, fmt.Sprintf("drive-%s-%d-%s", strings.ReplaceAll(what, " ", "-"), width, scheme))
			if wide := chrome.Eval[[]string](x.t, x.ctx, overflowing); len(wide) > 0 {
				x.t.Errorf("%s at %d px: too wide: %q", what, width, wide)
			}
			if small := chrome.Eval[[]string](x.t, x.ctx, strings.Replace(missed, "e.getB", "(e.closest('label.check') ?? e).getB", 1)); len(small) > 0 && axe {
				x.t.Errorf("%s at %d px: a finger would miss %q", what, width, small)
			}
		}
		if !axe {
			continue
		}
		for _, found := range chrome.Faults(x.t, x.ctx, "html") {
			x.t.Errorf("%s, %s: %s", what, scheme, found)
		}
	}
	chrome.Scheme(x.t, x.ctx, "light")
	chrome.Do(x.t, x.ctx, "the desk's screen", chromedp.EmulateViewport(1280, 1000))
}
