package main

import (
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
)

const (
	overflowing = `[document.documentElement, ...document.querySelectorAll('body *')].filter(e => {
	const s = getComputedStyle(e);
	if (e === document.documentElement) return e.scrollWidth > innerWidth;
	return s.overflowX !== 'visible' && s.clipPath === 'none' && !e.matches('input, select') && e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1;
}).map(e => e.tagName + '.' + e.className + ' ' + e.scrollWidth + ' in ' + e.clientWidth)`
	missed = `[...document.querySelectorAll('button, select, input, summary, a')].filter(e => {
	const b = e.getBoundingClientRect();
	return b.width > 0 && (b.width < 43.5 || b.height < 43.5);
}).map(e => e.outerHTML.slice(0, 120) + ' ' + JSON.stringify(e.getBoundingClientRect()))`
)

func sheetFits(t *testing.T, x *reading) {
	for _, path := range []string{"/results?session=s1", "/results?session=s1&trial=wren-first&figure=mean&lap=wren-first:2", "/results?season=wren"} {
		for _, scheme := range []string{"light", "dark"} {
			chrome.Scheme(t, x.ctx, scheme)
			x.open(path)
			if strings.Contains(path, "lap=") {
				x.shows(`document.querySelector('#raw tbody')`)
			}
			for _, width := range []int64{390, 1280, 1920} {
				chrome.Do(t, x.ctx, "another screen", chromedp.EmulateViewport(width, 1000))
				if wide := chrome.Eval[[]string](t, x.ctx, overflowing); len(wide) > 0 {
					t.Errorf("%s at %d px: too wide: %q", path, width, wide)
				}
				if small := chrome.Eval[[]string](t, x.ctx, missed); len(small) > 0 {
					t.Errorf("%s at %d px: a finger would miss %q", path, width, small)
				}
			}
			found := chrome.Faults(t, x.ctx, "html")
			if len(found) > 0 {
				t.Errorf("%s, %s: %s", path, scheme, strings.Join(found, "\n"))
			}
		}
	}
}

// papers are the two sizes, in inches: ISO 216 and ANSI/ASME Y14.1 A.
var papers = map[string][2]float64{"A4": {210 / 25.4, 297 / 25.4}, "letter": {8.5, 11}}

func sheetPrints(t *testing.T, x *reading) {
	chrome.Scheme(t, x.ctx, "dark") // paper is white all the same
	for path, most := range map[string]int{"/results?session=s1": 2, "/results?session=s1&trial=demo-heron&figure=mean": 2, "/results?season=wren": 1} {
		x.open(path)
		for name, size := range papers {
			if n := pagesOf(x.print(size)); n < 1 || n > most {
				t.Errorf("%s on %s has %d pages, want 1 to %d", path, name, n, most)
			}
			x.fitsPaper(path+" on "+name, size)
		}
	}
	manyTrials(t, x)
}

// manyTrials prints a session of sixty trials: those of the meet over and over.
func manyTrials(t *testing.T, x *reading) {
	t.Helper()
	x.open("/results?session=s1")
	chrome.Eval[bool](t, x.ctx, `(window.real = fetch, window.fetch = async (path, init) => {
		const answer = await real(String(path).replace('session=s2', 'session=s1'), init);
		if (!String(path).includes('/api/results?session=s2')) return answer;
		const r = await answer.json();
		r.trials = Array.from({length: 60}, (_, i) => ({...r.trials[i % 4], trial: 'run-' + i}));
		return new Response(JSON.stringify(r));
	}, history.pushState(null, '', '/results?session=s2'), dispatchEvent(new PopStateEvent('popstate')), true)`)
	x.shows(`document.querySelectorAll('.trials tbody tr').length === 60`)
	for name, size := range papers {
		if n := pagesOf(x.print(size)); n < 3 || n > 8 {
			t.Errorf("60 trials on %s have %d pages, want 3 to 8", name, n)
		}
		x.fitsPaper("60 trials on "+name, size)
	}
}

// print gives the page as a PDF.
func (x *reading) print(size [2]float64) []byte {
	x.t.Helper()
	p, err := chromedp.Call(x.ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: size[0], PaperHeight: size[1]})
	if err != nil {
		x.t.Fatal(err)
	}
	return p.Data
}

// pagesOf counts the pages of a PDF by its page objects (ISO 32000-1, 7.7.3.3).
func pagesOf(pdf []byte) int {
	return len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1))
}

// fitsPaper lays the page out as for print in the width that paper leaves between the margins, and
// wants nothing to stick out, no control, black on white, and heads that are repeated.
func (x *reading) fitsPaper(what string, size [2]float64) {
	x.t.Helper()
	width := int64((size[0] - 24/25.4) * 96)
	chrome.Do(x.t, x.ctx, "paper", chromedp.EmulateViewport(width, 1000))
	chrome.Media(x.t, x.ctx, "print")
	defer chrome.Scheme(x.t, x.ctx, "dark")
	got := chrome.Eval[struct {
		Out    []string
		Shown  []string
		Colour string
		Head   string
		Rows   string
	}](x.t, x.ctx, `(() => {
		const seen = e => e.getClientRects().length > 0;
		const cells = [...document.querySelectorAll('.return *')].filter(seen);
		return {
			Out: cells.filter(e => e.getBoundingClientRect().right > innerWidth + 1 || e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline' && e.clientWidth > 1).map(e => e.outerHTML.slice(0, 120)),
			Shown: [...document.querySelectorAll('button, select, input, nav, .mast')].filter(seen).map(e => e.outerHTML.slice(0, 80)),
			Colour: getComputedStyle(document.querySelector('.return td')).color + ' on ' + getComputedStyle(document.querySelector('.return')).backgroundColor,
			Head: getComputedStyle(document.querySelector('.return thead')).display,
			Rows: getComputedStyle(document.querySelector('.return tbody tr')).breakInside,
		};
	})()`)
	if len(got.Out) > 0 || len(got.Shown) > 0 {
		x.t.Errorf("%s: sticks out %q; controls on paper %q", what, got.Out, got.Shown)
	}
	if got.Colour != "rgb(0, 0, 0) on rgb(255, 255, 255)" || got.Head != "table-header-group" || got.Rows != "avoid" {
		x.t.Errorf("%s: %+v, want black on white, heads repeated, rows whole", what, got)
	}
}
