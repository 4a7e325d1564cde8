package main

import (
	"context"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

// bearings writes a session in which one train ran with plain and with needle bearings in
// turn, three outings each; with needles a lap is 0.4 s of 20 s shorter, and outings
// scatter by some hundredths. A last outing is void.
func bearings(t *testing.T) *recorded {
	t.Helper()
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	at := time.Now().UnixMicro() - 3000_000_000
	setup := demoScenario(t).Setup(at)
	setup.Trials, setup.Circuit.LapLengthMm = nil, lapOf(setup)
	setup.Locomotives = []wire.Locomotive{{ID: "wren", Name: "Wren", LengthMm: 200}}
	for _, e := range trial.FromSetup(setup, "bench", at) {
		w.put(e)
	}
	w.sync(at)
	for i, scatterUs := range []int64{0, 10_000, 40_000, -10_000, -30_000, 20_000, 0} {
		name := []string{"plain", "needle"}[i%2]
		lap := 20_000_000 + scatterUs - int64(i%2)*400_000
		tr := wire.Trial{ID: fmt.Sprintf("run-%d", i+1), Locomotive: "wren", Tag: "tag-wren", FromUs: at, WarmupLaps: 1, Conditions: map[string]any{"bearings": name, "throttle_permille": 450.0, "supply_v": 12 + []float64{0, 0, 0.1, 0.2, 0.2, 0.1, 0}[i]}}
		w.decide(wire.WhatTrial, "", tr)
		tr.ToUs = w.outing(at+1_000_000, 6, lap) + 1_000_000
		w.decide(wire.WhatTrial, "", tr)
		if i == 6 {
			tr.Void = true
			w.decide(wire.WhatTrial, "a hand was on it", tr)
		}
		at = tr.ToUs + 10_000_000
	}
	r := &recorded{h, w}
	r.scored(t)
	return r
}

// outing has the train go round at a lap time, alternate laps 15 ms longer and shorter.
func (w *writer) outing(startUs int64, laps int, lapUs int64) (endUs int64) {
	u := 1500.0
	for n := range laps + 1 {
		this := lapUs + int64(n%2)*30_000 - 15_000
		for k, gate := range []string{"g1", "g2", "g3", "g4"} {
			if n == laps && k > 0 {
				break
			}
			w.put(wire.Event{Kind: wire.KindCrossing, AtUs: startUs + int64(k)*this/4, Gate: gate, Edge: wire.EdgePulse, Tag: "tag-wren", UUs: &u})
		}
		if n < laps {
			startUs += this
		}
	}
	return startUs
}

func answerOf(t *testing.T, h *host.Host, query string) (a wire.CompareAnswer) {
	t.Helper()
	if err := json.Unmarshal(get(t, h.URL+"/api/compare?"+query), &a); err != nil {
		t.Fatal(err)
	}
	return a
}

// TestPageCompares has the page find what was changed, say which is faster and by how
// much, ask once what difference matters, and give a sheet to hand round.
func TestPageCompares(t *testing.T) {
	t.Parallel()
	r := bearings(t)
	a := answerOf(t, r.Host, "")
	if a.Result.Factor != "bearings" || len(a.Result.Pairs) != 1 || len(a.Result.Trials) != 6 || a.MarginS != nil {
		t.Fatalf("without a question it compares %+v", a)
	}
	p := a.Result.Pairs[0]
	sign := map[bool]float64{true: 1, false: -1}[p.A == "needle"] // plain less needle is above 0
	if d := sign * *p.Difference.Value; math.Abs(d-0.4) > 0.03 || sign**p.Difference.Lo < 0 && sign**p.Difference.Hi < 0 || p.Verdict == wire.VerdictUnknown || p.Verdict == wire.VerdictSame {
		t.Errorf("plain less needle is %.4f s (%v), verdict %s", d, asJSON(t, p.Difference), p.Verdict)
	}

	ctx := chrome.Tab(t, chrome.Start(t))
	chrome.Do(t, ctx, "opening", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(r.URL+"/#compare"))
	chrome.Wait(t, ctx, `document.querySelector('[data-verdict]')?.innerText === `+asJSON(t, p.Says), 10*time.Second)
	chrome.Wait(t, ctx, `(i => i?.complete && i.naturalWidth > 300)(document.querySelector('.drawn img'))`, 5*time.Second)
	for _, want := range []string{"bearings", "plain less needle", "throttle", "has not been said", "6"} {
		if got := chrome.Eval[string](t, ctx, `document.querySelector('.findings').innerText`); !strings.Contains(got, want) {
			t.Errorf("the page says nowhere %q:\n%s", want, got)
		}
	}
	findingsFit(t, ctx, "compare")
	foldedOnAPhone(t, ctx)
	marginAsked(t, ctx, r)
	handedRound(t, r)
	questionKept(t, ctx, r)

	chrome.Eval[bool](t, ctx, `(document.querySelector('.of-trials-in summary').click(), true)`)
	chrome.Eval[bool](t, ctx, `(document.querySelector('input[aria-label="run-1 enters"]').click(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('.of-trials-in summary').innerText === 'Trials that entered: 5, left out by hand: 1'`, 5*time.Second)
	chrome.Wait(t, ctx, `(all => all.length === 6 && all.filter(i => i.checked).length === 5 && !all[5].checked)([...document.querySelectorAll('.of-trials-in tbody input')])`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('input[aria-label="run-1 enters"]').click(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('.of-trials-in summary').innerText === 'Trials that entered: 6' && [...document.querySelectorAll('.of-trials-in tbody input')].every(i => i.checked)`, 5*time.Second)
}

// TestPageTakesBackWhatItAdjustsFor ticks a covariate, reads what came of it, and takes it
// back: in its row, and where no row of it is left.
func TestPageTakesBackWhatItAdjustsFor(t *testing.T) {
	t.Parallel()
	r := bearings(t)
	ctx := chrome.Tab(t, chrome.Start(t))
	chrome.Do(t, ctx, "opening", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(r.URL+"/#compare"))
	box := `document.querySelector('input[aria-label="Adjust for supply in V"]')`
	asked, none := `(document.querySelector('.wanted')?.innerText ?? '')`, `!document.querySelector('.wanted')`
	fresh := ` && !!document.querySelector('[data-asked=answered]')`
	tick := func() {
		t.Helper()
		chrome.Wait(t, ctx, "!!"+box, 10*time.Second)
		chrome.Eval[bool](t, ctx, `(`+box+`.click(), true)`)
	}
	tick()
	chrome.Wait(t, ctx, `/Asked to adjust for supply in V: it is(\.| not, as .)/.test(`+asked+`) && `+box+`?.checked`+fresh, 10*time.Second)
	findingsFit(t, ctx, "compare-wanted")
	tick()
	chrome.Wait(t, ctx, none+` && `+box+`?.checked === false`+fresh, 10*time.Second)
	tick()
	chrome.Eval[bool](t, ctx, `(s => (s.value = 'supply_v', s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.findings select[name=block]'))`)
	chrome.Wait(t, ctx, asked+`.includes('it is not, as the trials are compared within its rounds already') && !`+box+fresh, 10*time.Second)
	chrome.Do(t, ctx, "taking it back", chrome.Click(".wanted button"))
	chrome.Wait(t, ctx, none+fresh+` && !document.querySelector('.acts a[download]').href.includes('covariate')`, 10*time.Second)
}

// TestPageComparesBySession takes the trials of two evenings: which evening is a row of the
// conditions, what may be compared by, and the rounds.
func TestPageComparesBySession(t *testing.T) {
	t.Parallel()
	r := bearings(t)
	var v wire.View
	if err := json.Unmarshal(get(t, r.URL+"/api/view"), &v); err != nil {
		t.Fatal(err)
	}
	was := *v.Session
	was.ClosedUs = time.Now().UnixMicro() - 1500_000_000
	r.w.decide(wire.WhatSession, "", was)
	r.w.decide(wire.WhatSession, "", wire.Session{ID: "later", Name: "Second evening", Circuit: was.Circuit, OpenedUs: was.ClosedUs + 1})
	at := was.ClosedUs + 10_000_000
	r.w.sync(at)
	for i, name := range []string{"plain", "needle", "plain", "needle"} {
		tr := wire.Trial{ID: fmt.Sprintf("eve-%d", i+1), Locomotive: "wren", Tag: "tag-wren", FromUs: at, WarmupLaps: 1, Conditions: map[string]any{"bearings": name, "throttle_permille": 450.0}}
		r.w.decide(wire.WhatTrial, "", tr)
		tr.ToUs = r.w.outing(at+1_000_000, 6, 20_100_000-int64(i%2)*400_000+int64(i)*7_000) + 1_000_000
		r.w.decide(wire.WhatTrial, "", tr)
		at = tr.ToUs + 10_000_000
	}
	r.scored(t)
	ctx := chrome.Tab(t, chrome.Start(t))
	chrome.Do(t, ctx, "opening", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(r.URL+"/#compare"))
	chrome.Wait(t, ctx, `(i => i.length === 2 && (i[1].click(), true))([...document.querySelectorAll('.of-sessions input')])`, 10*time.Second)
	row := `[...document.querySelectorAll('.fair tbody tr')].find(x => x.querySelector('th').innerText === 'session')?.innerText ?? ''`
	chrome.Wait(t, ctx, `(x => x.includes('varied on every side') && x.includes('Second evening') && x.includes(`+asJSON(t, was.Name)+`))(`+row+`)`, 10*time.Second)
	findingsFit(t, ctx, "compare-sessions")
	pick := func(name, value string) {
		t.Helper()
		chrome.Wait(t, ctx, fmt.Sprintf(`document.querySelector('.findings select[name=%s] option[value=%q]')`, name, value), 10*time.Second)
		chrome.Eval[bool](t, ctx, fmt.Sprintf(`(s => (s.value = %q, s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.findings select[name=%s]'))`, value, name))
	}
	pick("factor", "bearings")
	pick("block", "session")
	chrome.Wait(t, ctx, `document.querySelector('.acts a[download]')?.href.includes('block=session') && document.querySelectorAll('.sides tbody tr').length === 2 && !`+`(`+row+`)`, 10*time.Second)
	pick("block", "")
	pick("factor", "session")
	chrome.Wait(t, ctx, `[...document.querySelectorAll('.sides tbody th')].map(x => x.innerText).join('; ') === `+asJSON(t, was.Name+"; Second evening"), 10*time.Second)
	a := answerOf(t, r.Host, "factor=bearings&block=session&session="+was.ID+"&session=later")
	if p := a.Result.Pairs[0]; p.Unit != wire.UnitBlock || *p.Difference.Value < 0.35 || *p.Difference.Value > 0.45 {
		t.Errorf("in rounds of sessions: %s, doubts %q", asJSON(t, p), a.Result.Doubts)
	}
}

// marginAsked has an official say what matters, once.
func marginAsked(t *testing.T, ctx context.Context, r *recorded) {
	t.Helper()
	chrome.Do(t, ctx, "signing in", chromedp.Navigate(r.URL+"/#key="+r.StartKey), chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	chrome.Wait(t, ctx, `rainhill.official === 'official'`, 5*time.Second)
	chrome.Do(t, ctx, "back to the comparison", chromedp.Navigate(r.URL+"/#compare"))
	chrome.Wait(t, ctx, `!!document.querySelector('.margin input')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(i => (i.value = '2', i.form.requestSubmit(), true))(document.querySelector('.margin input'))`)
	chrome.Wait(t, ctx, `document.querySelector('[data-verdict="same"]') && document.querySelector('details.note summary').innerText.includes('below 2.000 s')`, 5*time.Second)
	if a := answerOf(t, r.Host, ""); a.MarginS == nil || *a.MarginS != 2 {
		t.Errorf("the margin of the circuit is %v", a.MarginS)
	}
	chrome.Eval[bool](t, ctx, `(i => (i.value = '0.1', i.form.requestSubmit(), true))(document.querySelector('.margin input'))`)
	chrome.Wait(t, ctx, `!document.querySelector('[data-verdict="same"]') && document.querySelector('details.note summary').innerText.includes('below 0.100 s')`, 5*time.Second)
}

// foldedOnAPhone has a line a condition on a phone, values folded until they are asked for, so
// that the verdict is near; doubts stand before what is done with the answer.
func foldedOnAPhone(t *testing.T, ctx context.Context) {
	t.Helper()
	chrome.Do(t, ctx, "a phone", chromedp.EmulateViewport(390, 844))
	high := `Math.max(...[...document.querySelectorAll('.fair tbody tr')].map(r => r.offsetHeight))`
	shown := `[...document.querySelectorAll('.fair .had')].filter(x => x.offsetHeight).length`
	chrome.Wait(t, ctx, shown+` === 0 && `+high+` <= 60`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('.fold').click(), true)`)
	chrome.Wait(t, ctx, shown+` === 2 * document.querySelectorAll('.fair tbody tr').length && document.querySelector('.fold').ariaExpanded === 'true'`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('.fold').click(), true)`)
	chrome.Wait(t, ctx, shown+` === 0`, 5*time.Second)
	if last := chrome.Eval[bool](t, ctx, `!document.querySelector('.doubts') || !!(document.querySelector('.doubts').compareDocumentPosition(document.querySelector('.findings .acts')) & Node.DOCUMENT_POSITION_FOLLOWING)`); !last {
		t.Error("doubts stand below the buttons")
	}
	chrome.Do(t, ctx, "a desk", chromedp.EmulateViewport(1280, 1000))
	chrome.Wait(t, ctx, shown+` > 0 && !document.querySelector('.fold').offsetHeight`, 5*time.Second)
}

// questionKept has a question asked in one's own words: it stands in the address, on the sheet,
// and in the field again when the address is opened; without one the sheet makes its own.
func questionKept(t *testing.T, ctx context.Context, r *recorded) {
	t.Helper()
	sheet := func() string {
		return string(get(t, r.URL+chrome.Eval[string](t, ctx, `(a => new URL(a.href).pathname + new URL(a.href).search)([...document.querySelectorAll('.findings .acts a')][0])`)))
	}
	if html := sheet(); !strings.Contains(html, "Is Wren with needle bearings faster than with plain?") {
		t.Error("the sheet has made no question of its own")
	}
	chrome.Eval[bool](t, ctx, `(i => (i.value = 'Do needles = pay?', i.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.asks input'))`)
	chrome.Wait(t, ctx, `location.hash === '#compare=Do%20needles%20%3D%20pay%3F' && document.querySelector('.findings .acts a').href.includes('question=')`, 5*time.Second)
	if html := sheet(); !strings.Contains(html, "Do needles = pay?") {
		t.Error("the question is not on the sheet")
	}
	chrome.Do(t, ctx, "opening the address anew", chromedp.Reload())
	chrome.Wait(t, ctx, `document.querySelector('.asks input')?.value === 'Do needles = pay?' && document.querySelector('.sets-nav a').hash.includes('needles')`, 10*time.Second)
}

// handedRound holds the drawing and the sheet to being whole and alone.
func handedRound(t *testing.T, r *recorded) {
	t.Helper()
	for _, paper := range []string{"", "&paper=dark"} {
		var any struct{ XMLName xml.Name }
		if err := xml.Unmarshal(get(t, r.URL+"/api/compare.svg?factor=bearings"+paper), &any); err != nil || any.XMLName.Local != "svg" {
			t.Errorf("the drawing is %v, %v", any.XMLName, err)
		}
	}
	html := string(get(t, r.URL+"/api/compare.html?factor=bearings&margin_s=0.1&question=Do+needles+pay%3F"))
	for _, want := range []string{"Do needles pay?", "<svg", "plain less needle", "not written down"} {
		if !strings.Contains(html, want) {
			t.Errorf("the sheet lacks %q", want)
		}
	}
	if strings.Contains(html, "<script") || strings.Contains(html, " src=") {
		t.Error("the sheet does not open alone")
	}
}

// findingsFit looks at the page in every size, light and dark.
func findingsFit(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	for _, size := range []struct{ w, h int64 }{{390, 844}, {1920, 1080}, {1280, 1000}} {
		chrome.Do(t, ctx, "the size", chromedp.EmulateViewport(size.w, size.h))
		time.Sleep(200 * time.Millisecond)
		if over := chrome.Eval[int](t, ctx, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("at %d the page is %d px too wide: %s", size.w, over, chrome.Eval[string](t, ctx, chrome.PastEdge))
		}
		shoot(t, ctx, fmt.Sprintf("%s-%d", name, size.w))
	}
	for _, found := range chrome.Faults(t, ctx, "html") {
		t.Errorf("axe finds %s", found)
	}
}

// TestPageComparesByName has three locomotives told apart by the names of the roster, two of
// which bear one name, and two of them chosen by it; the addresses go on to hold ids.
func TestPageComparesByName(t *testing.T) {
	t.Parallel()
	r := recordMeet(t)
	for _, id := range []string{"otter", "wren"} {
		r.w.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: id, Name: "Twin"})
	}
	r.scored(t)
	ctx := chrome.Tab(t, chrome.Start(t))
	chrome.Do(t, ctx, "opening", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(r.URL+"/#compare"))
	pick := func(name, value string) {
		t.Helper()
		chrome.Wait(t, ctx, fmt.Sprintf(`document.querySelector('.findings select[name=%s] option[value=%q]')`, name, value), 10*time.Second)
		chrome.Eval[bool](t, ctx, fmt.Sprintf(`(s => (s.value = %q, s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.findings select[name=%s]'))`, value, name))
	}
	chrome.Wait(t, ctx, `(i => i.length === 2 && (i[1].click(), i[0].click(), true))([...document.querySelectorAll('.of-sessions input')])`, 10*time.Second)
	pick("factor", "locomotive")
	sides := `[...document.querySelectorAll('.sides tbody th')].map(x => x.innerText).join('; ')`
	chrome.Wait(t, ctx, sides+` === 'Grey Heron; Twin (otter); Twin (wren)'`, 10*time.Second)
	if got := chrome.Eval[string](t, ctx, `document.querySelector('.findings .verdicts').innerText + document.querySelector('.compared').innerText`); !strings.Contains(got, "Twin (otter)") || !strings.Contains(got, "Grey Heron") || strings.Contains(got, "heron") {
		t.Errorf("the verdicts say %q", got)
	}
	chrome.Wait(t, ctx, `(i => i?.complete && i.naturalWidth > 300)(document.querySelector('.drawn img'))`, 5*time.Second)
	findingsFit(t, ctx, "compare-names")
	pick("a", "heron")
	pick("b", "wren")
	chrome.Wait(t, ctx, sides+` === 'Grey Heron; Twin (wren)'`, 10*time.Second)
	if html := string(get(t, r.URL+"/api/compare.html?session=s1&factor=locomotive&a=heron&b=wren")); !strings.Contains(html, "Twin (wren)") || strings.Contains(html, "Twin (otter)") {
		t.Error("the sheet does not tell the two apart by their names")
	}
}
