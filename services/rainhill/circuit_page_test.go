package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// board is the drawing board of the real service in a real browser.
type board struct {
	t   *testing.T
	url string
	ctx context.Context
}

func (b *board) waits(js string) {
	b.t.Helper()
	chrome.Wait(b.t, b.ctx, js, 8*time.Second)
}

func (b *board) press(selector string) {
	b.t.Helper()
	b.waits(fmt.Sprintf(`document.querySelector(%q)`, selector))
	chrome.Do(b.t, b.ctx, "pressing "+selector, chrome.Click(selector))
}

// writes replaces what stands in a field, as typing does.
func (b *board) writes(selector, text string) {
	b.t.Helper()
	chrome.Eval[bool](b.t, b.ctx, fmt.Sprintf(`(e => { e.focus(); e.select(); return true; })(document.querySelector(%q))`, selector))
	if _, err := chromedp.Call(b.ctx, input.InsertText, input.InsertTextParams{Text: text}); err != nil {
		b.t.Fatal(err)
	}
}

// key presses a key that has a name; modifiers are 1 for Alt and 8 for Shift.
func (b *board) key(name string, code, modifiers int64) {
	b.t.Helper()
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
		e := input.DispatchKeyEventParams{Type: kind, Key: name, Code: name, WindowsVirtualKeyCode: code, Modifiers: modifiers}
		if _, err := chromedp.Call(b.ctx, input.DispatchKeyEvent, e); err != nil {
			b.t.Fatalf("pressing %s: %v", name, err)
		}
	}
}

func (b *board) text(selector string) string {
	b.t.Helper()
	return chrome.Eval[string](b.t, b.ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText.replace(/\s+/g, ' ').trim()).join(' | ')`, selector))
}

// at is where on the screen a place of the centre line is, in px.
func (b *board) at(s float64) (x, y float64) {
	b.t.Helper()
	p := chrome.Eval[[]float64](b.t, b.ctx, fmt.Sprintf(`(e => {
		e.scrollIntoView({block: 'nearest'});
		const on = e.on, p = on.points, i = Math.max(1, p.findIndex(q => q.s >= %g)), f = (%[1]g - p[i - 1].s) / (p[i].s - p[i - 1].s), box = e.getBoundingClientRect();
		return [box.left + on.atX(p[i - 1].x + f * (p[i].x - p[i - 1].x)), box.top + on.atY(p[i - 1].y + f * (p[i].y - p[i - 1].y))];
	})(document.querySelector('drawn-plan'))`, s))
	return p[0], p[1]
}

func (b *board) mouse(kind input.DispatchMouseEventType, x, y float64, buttons int64) {
	b.t.Helper()
	e := input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, Buttons: buttons, ClickCount: 1}
	if _, err := chromedp.Call(b.ctx, input.DispatchMouseEvent, e); err != nil {
		b.t.Fatal(err)
	}
}

// drag takes a gate along the line from one place to another.
func (b *board) drag(from, to float64) {
	b.t.Helper()
	x, y := b.at(from)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y, 1)
	for i := range 12 {
		x, y = b.at(from + (to-from)*float64(i+1)/12)
		b.mouse(input.DispatchMouseEventTypeMouseMoved, x, y, 1)
	}
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x, y, 0)
}

// swipe does the same with a finger.
func (b *board) swipe(from, to float64) {
	b.t.Helper()
	touch := func(kind input.DispatchTouchEventType, s ...float64) {
		e := input.DispatchTouchEventParams{Type: kind, TouchPoints: []*input.TouchPoint{}}
		for _, s := range s {
			x, y := b.at(s)
			e.TouchPoints = append(e.TouchPoints, &input.TouchPoint{X: x, Y: y})
		}
		if _, err := chromedp.Call(b.ctx, input.DispatchTouchEvent, e); err != nil {
			b.t.Fatal(err)
		}
	}
	touch(input.DispatchTouchEventTypeTouchStart, from)
	for i := range 12 {
		touch(input.DispatchTouchEventTypeTouchMove, from+(to-from)*float64(i+1)/12)
	}
	touch(input.DispatchTouchEventTypeTouchEnd)
}

// gate is where a gate stands, as the list, the plan and its words have it.
func (b *board) gate(id string, want, within float64) {
	b.t.Helper()
	js := fmt.Sprintf(`(g => [Number(document.querySelector('.gate-row [name="gate.at"][aria-label^="Gate %s,"]').value), Number(g.getAttribute('aria-valuenow')), parseFloat(g.querySelector('.gate-mm').textContent)])(document.querySelector('.handle[data-gate="%[1]s"]'))`, id)
	b.waits(fmt.Sprintf(`%s.every(v => Math.abs(v - %g) <= %g)`, js, want, within))
}

func (b *board) signIn(h string, key string) {
	b.t.Helper()
	chrome.Do(b.t, b.ctx, "signing in", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h+"/#key="+key),
		chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	b.waits(`rainhill.official === 'official'`)
}

// TestCircuitIsDrawnUp draws an oval with a piece too short, follows the hint,
// sets gates on the plan and moves them by mouse, finger and keys; what was
// written down is what is read again.
func TestCircuitIsDrawnUp(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	h := openHost(t, t.TempDir(), "line")
	defer stopHost(t, h)
	b := &board{t, h.URL, chrome.Tab(t, browser)}
	b.signIn(h.URL, h.StartKey)
	chrome.Do(t, b.ctx, "opening the book", chromedp.Navigate(h.URL+"/#book"))
	b.press("[aria-labelledby=b-circuit] .acts button")
	b.waits(`document.activeElement.matches('form.drawing [name=name]')`) // once it was fetched
	b.writes("form.drawing [name=name]", "Yard oval")
	b.press("input[value=pieces]")
	b.press(".drawing .oval button")
	b.waits(`document.querySelector('.closure')?.innerText.includes('closed') && document.querySelectorAll('.piece-no').length === 4 && !document.querySelector('.gap')`)

	b.writes(`[data-key] [name="piece.mm"]`, "560")
	b.waits(`document.querySelector('.closure')?.innerText.startsWith('40.0 mm, 0.00°') && document.querySelector('.gap')`)
	if got, want := b.text(".hint p"), "Lengthen the straight piece 1 from 560 to 600 mm."; got != want {
		t.Errorf("the hint says %q, want %q", got, want)
	}
	b.writes("form.drawing [name=length]", "3700")
	b.waits(`document.querySelector('.lengths')?.innerText.includes('26.7 mm (0.73 %) longer than its pieces')`)
	b.writes("form.drawing [name=length]", "")
	b.press(".hint button")
	b.waits(`document.querySelector('.closure')?.innerText.includes('closed') && document.querySelector('[name="piece.mm"]').value === '600' && !document.querySelector('.gap, .hint button')`)

	b.piecesByKeys()
	b.gatesOnThePlan()

	b.press("form.drawing .acts button.primary")
	b.waits(`!document.querySelector('form.drawing') && document.querySelector('[aria-labelledby=b-circuit] .entries')?.innerText.includes('Yard oval')`)
	var v wire.View
	if err := json.Unmarshal(get(t, h.URL+"/api/view"), &v); err != nil || len(v.Circuits) != 1 {
		t.Fatalf("the view holds %d circuits, %v", len(v.Circuits), err)
	}
	c := v.Circuits[0]
	if len(c.Circuit.Pieces) != 4 || c.Circuit.Pieces[0].StraightMm != 600 || c.GapMm > 1e-6 || c.Hint != "" || c.Circuit.Name != "Yard oval" || len(c.Gates) != 3 || !c.Gates[0].Timing {
		t.Errorf("in the book stands %+v", c.Circuit)
	}
	chrome.Do(t, b.ctx, "loading the page anew", chromedp.Reload())
	b.press("[aria-labelledby=b-circuit] .entries button")
	b.waits(`document.querySelectorAll('.piece-rows .piece-row').length === 4 && document.querySelectorAll('.drawn .handle').length === 3 && document.querySelector('.closure')?.innerText.includes('closed')`)
	for _, g := range c.Gates {
		b.gate(g.ID, g.PositionMm, 0)
	}
}

// piecesByKeys goes through the ledger by keys, and leaves it as it was.
func (b *board) piecesByKeys() {
	b.t.Helper()
	kinds := func() string {
		return chrome.Eval[string](b.t, b.ctx, `[...document.querySelectorAll('[name="piece.kind"]')].map(s => s.value[0]).join('')`)
	}
	wants := func(what, want string) {
		b.t.Helper()
		b.waits(fmt.Sprintf(`[...document.querySelectorAll('[name="piece.kind"]')].map(s => s.value[0]).join('') === %q`, want))
		if got := kinds(); got != want {
			b.t.Errorf("%s: the pieces are %s, want %s", what, got, want)
		}
	}
	onNumber := func(n int) {
		b.t.Helper()
		b.waits(fmt.Sprintf(`document.activeElement.matches('.piece-key') && document.activeElement.innerText === '%d' && document.querySelector('.piece-no.shown')?.textContent === '%d'`, n, n))
	}
	chrome.Eval[bool](b.t, b.ctx, `(document.querySelector('.piece-key').focus(), true)`)
	onNumber(1)
	b.key("ArrowDown", 40, 0)
	onNumber(2)
	b.key("ArrowUp", 38, 1)
	wants("moved up", "lssl")
	onNumber(1)
	b.key("ArrowDown", 40, 1)
	wants("moved down again", "slsl")
	onNumber(2)
	b.press(".piece-acts button:nth-of-type(3)")
	wants("duplicated", "sllsl")
	onNumber(3)
	b.key("Delete", 46, 0)
	wants("taken out", "slsl")
	b.press(".add:nth-of-type(3)")
	wants("a right-hand curve added", "slslr")
	b.waits(`document.querySelector('.hint')?.innerText.includes('180° of curve to the left are missing')`)
	b.press(".hint button")
	b.waits(`document.querySelector('.closure')?.innerText.includes('closed')`)
	wants("closed", "slsl")
}

func (b *board) gatesOnThePlan() {
	b.t.Helper()
	const half = math.Pi * 400
	x, y := b.at(300)
	b.mouse(input.DispatchMouseEventTypeMouseMoved, x, y+20, 0)
	b.waits(`/^new gate (299|300|301) mm$/.test(document.querySelector('.ghost')?.textContent.replace(/\s+/g, ' ').trim())`)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y+20, 1)
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x, y+20, 0)
	b.gate("g2", 300, 1)
	b.drag(300, 900+half)
	b.gate("g2", 900+half, 2)
	b.mouse(input.DispatchMouseEventTypeMouseMoved, 5, 5, 0)
	b.press("[aria-labelledby=b-drawing] fieldset:last-of-type .acts button")
	b.gate("g3", 450+half/2, 2) // half way from g1 on to g2
	b.writes(`.gate-row:last-of-type [name="gate.at"]`, "400")
	b.gate("g3", 400, 0)
	b.swipe(400, 600+half/2)
	b.gate("g3", 600+half/2, 2)
	b.writes(`.gate-row:last-of-type [name="gate.at"]`, "250")
	b.gate("g3", 250, 0)
	chrome.Eval[bool](b.t, b.ctx, `(document.querySelector('.handle[data-gate="g3"]').focus(), true)`)
	b.key("ArrowRight", 39, 0)
	b.gate("g3", 251, 0)
	b.key("ArrowLeft", 37, 8)
	b.gate("g3", 241, 0)
	b.waits(`document.querySelectorAll('.drawn .handle').length === 3`)
}

// yard is a circuit of n pieces that closes, but for what its first is short of.
func yard(id string, n int, short float64) wire.CircuitValue {
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: id, Name: "Club oval", LapLengthMm: 8020, LapLengthUMm: 4, ScaleRatio: 45}}
	pair := 55.0
	v.Gates = []wire.Gate{{ID: "g1-" + id, Timing: true}, {ID: "g2-" + id, PositionMm: 2600, PairMm: &pair}, {ID: "g3-" + id, PositionMm: 4300}}
	for range 2 {
		for i := range n / 2 {
			if i < n/6 {
				v.Circuit.Pieces = append(v.Circuit.Pieces, wire.Piece{StraightMm: 9000 / float64(n)})
			} else {
				v.Circuit.Pieces = append(v.Circuit.Pieces, wire.Piece{RadiusMm: 800, AngleDeg: 180 / float64(n/2-n/6), Hand: "left"})
			}
		}
	}
	v.Circuit.Pieces[0].StraightMm -= short
	return v
}

// TestPlanIsPrinted prints circuits on A4 and on letter paper.
func TestPlanIsPrinted(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	h := openHost(t, t.TempDir(), "line")
	defer stopHost(t, h)
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	w.decide(wire.WhatCircuit, "", yard("club", 18, 40))
	w.decide(wire.WhatCircuit, "", yard("long", 60, 0))
	w.decide(wire.WhatCircuit, "", wire.CircuitValue{Circuit: wire.Circuit{ID: "rule", Name: "Garden line", LapLengthMm: 7283}, Gates: []wire.Gate{{ID: "g7", Timing: true}, {ID: "g8", PositionMm: 3000}}})
	b := &board{t, h.URL, chrome.Tab(t, browser)}
	for _, c := range []struct {
		id    string
		pages int
		says  []string
	}{
		{"club", 1, []string{"Club oval", "7986.5 mm", "8020.0 mm ± 4.0 mm", "33.5 mm (0.42 %) longer", "40.0 mm, 0.00°. Lengthen the straight piece 1 from 460 to 500 mm.", "18 left R 800, 30° 418.9 7986.5", "g1-club 0.0 timing gate one beam", "g2-club 2600.0 gate 55 mm", "Notes", time.Now().Format("2006")}},
		{"long", 2, []string{"60 left R 800, 9° 125.7 8026.5", "closed: within 1 mm and 0.1°"}},
		{"rule", 1, []string{"Garden line", "7283.0 mm, uncertainty not stated", "g8 3000.0"}},
	} {
		chrome.Do(t, b.ctx, "leaving", chromedp.EmulateViewport(1280, 900), chromedp.Navigate("about:blank"), chromedp.Navigate(h.URL+"/book#plan="+c.id))
		b.waits(`document.querySelector('.plan-sheet-paper .drawn')`)
		got := b.text(".plan-sheet-paper")
		for _, want := range c.says {
			if !strings.Contains(got, want) {
				t.Errorf("%s: the plan says\n%s\nwant %q in it", c.id, got, want)
			}
		}
		for name, size := range map[string][2]float64{"A4": {210 / 25.4, 297 / 25.4}, "letter": {8.5, 11}} {
			pdf, err := chromedp.Call(b.ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: size[0], PaperHeight: size[1], PreferCSSPageSize: new(bool)})
			if err != nil {
				t.Fatal(err)
			}
			if n := len(regexp.MustCompile(`/Type /Page\b`).FindAll(bytes.TrimSpace(pdf.Data), -1)); n < 1 || n > c.pages {
				t.Errorf("%s on %s has %d pages, want %d at most", c.id, name, n, c.pages)
			}
			b.onPaper(c.id+" on "+name, size[0]*96-24*96/25.4)
		}
	}
	chrome.Do(t, b.ctx, "a circuit that is not there", chromedp.Navigate("about:blank"), chromedp.Navigate(h.URL+"/book#plan=nowhere"))
	b.waits(`document.querySelector('main').innerText.includes('no circuit “nowhere”')`)
}

// onPaper looks at the sheet as it is printed between margins of 12 mm: nothing
// lies outside it, and its bar is as long as the stated scale makes it.
func (b *board) onPaper(name string, widthPx float64) {
	b.t.Helper()
	print := func(media string) {
		if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media}); err != nil {
			b.t.Fatal(err)
		}
	}
	print("print")
	defer print("")
	chrome.Do(b.t, b.ctx, "as wide as the paper", chromedp.EmulateViewport(int64(widthPx), 1000))
	for _, out := range chrome.Eval[[]string](b.t, b.ctx, `(() => {
		const sheet = document.querySelector('.plan-sheet-paper'), svg = sheet.querySelector('svg').getBoundingClientRect();
		const within = (e, box) => { const r = e.getBoundingClientRect(); return r.left >= box.left - 1 && r.right <= box.right + 1 && r.top >= box.top - 1 && r.bottom <= box.bottom + 1; };
		const page = {left: 0, top: 0, right: innerWidth, bottom: Infinity};
		return [...[...sheet.querySelectorAll('*')].filter(e => !within(e, page)), ...[...sheet.querySelectorAll('svg text, svg path:not([d=""]), svg circle')].filter(e => !within(e, svg)),
			...[...document.querySelectorAll('header, .plan-acts')].filter(e => getComputedStyle(e).display !== 'none')].map(e => e.outerHTML.slice(0, 120));
	})()`) {
		b.t.Errorf("%s: outside the sheet, or not to be printed: %s", name, out)
	}
	bar := chrome.Eval[[]float64](b.t, b.ctx, `(() => {
		const words = document.querySelector('.scale-bar .words').textContent.match(/1 : (\d+)/), long = document.querySelectorAll('.scale-bar text')[1].textContent.split(' ');
		return [document.querySelector('.scale-bar .white').getBoundingClientRect().width / 96 * 25.4, Number(words[1]), Number(long[0]) * (long[1] === 'm' ? 1000 : 1)];
	})()`)
	if paper := bar[2] / bar[1]; math.Abs(bar[0]-paper) > 0.3 {
		b.t.Errorf("%s: a bar of %g mm at 1 : %g is %.2f mm long, want %.2f", name, bar[2], bar[1], bar[0], paper)
	}
}
