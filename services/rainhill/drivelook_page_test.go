package main

import (
	"fmt"
	"os"
	"path/filepath"
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
	d := openDrivers(t)
	src, err := os.ReadFile(filepath.Join("..", "..", "dashboard", "testdata", "axe", "axe-4.14.1.min.js"))
	if err != nil {
		t.Fatal(err)
	}
	ada := d.at("Ada", "drive")
	ada.shows(reporting)
	ada.fits("before arming", string(src))
	ada.arm()
	chrome.Eval[bool](t, ada.ctx, `(document.querySelector('.sweep-form').open = true)`)
	ada.fits("the desk", string(src))
	looker := d.at("", "drive")
	looker.textHas("#arm", "m1-front")
	looker.fits("looking on", string(src))
	for _, view := range []string{"wall", "call", "line"} {
		chrome.Eval[bool](t, looker.ctx, fmt.Sprintf(`(location.hash = %q, true)`, view))
		looker.shows(fmt.Sprintf(`rainhill.view === %q && document.querySelector('#stop .stop-all')`, view))
		looker.fits(view, "")
		if !chrome.Eval[bool](t, looker.ctx, `(scrollTo(0, 1e5), new Promise(r => requestAnimationFrame(() => { const b = document.querySelector('.stop-all').getBoundingClientRect(); r(b.top >= 0 && b.bottom <= innerHeight && document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2)?.className === 'stop-all'); })))`) {
			t.Errorf("%s, scrolled down: stop-all is out of sight", view)
		}
	}
}

// fits holds what is on the screen to every size, and to axe where its source is given.
func (x *desk) fits(what, axe string) {
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
			if small := chrome.Eval[[]string](x.t, x.ctx, strings.Replace(missed, "e.getB", "(e.closest('label.check') ?? e).getB", 1)); len(small) > 0 && axe != "" {
				x.t.Errorf("%s at %d px: a finger would miss %q", what, width, small)
			}
		}
		if axe == "" {
			continue
		}
		chrome.Eval[any](x.t, x.ctx, axe+"\n;void 0")
		for _, found := range chrome.Eval[[]string](x.t, x.ctx, `axe.run(document, {runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}})
			.then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.failureSummary.replace(/\s+/g, ' ') + ' at ' + n.html.slice(0, 160))))`) {
			x.t.Errorf("%s, %s: %s", what, scheme, found)
		}
	}
	chrome.Scheme(x.t, x.ctx, "light")
	chrome.Do(x.t, x.ctx, "the desk's screen", chromedp.EmulateViewport(1280, 1000))
}
