package dashboard_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// trouble is the scene with three trains that nobody can tell apart, of which
// Kestrel stalled, left the rails and now runs back.
func trouble() wire.View {
	v := scene()
	now := time.Now().UnixMicro()
	s := func(seconds float64) int64 { return now - int64(seconds*1e6) }
	v.Rules.LagGates = 2
	v.Session.OpenedUs = s(754)
	v.Circuits[0].Circuit.LapLengthMm = 7283
	v.Circuits[0].Gates[1].PairMm = ptr(40.0)
	v.Trials[1].Locomotive, v.Locomotives[1].Name = "hostile", "Long Meadow No. 2"
	v.Trials[1].Tag, v.Trials[2].Tag = "", ""
	v.Trials = append(v.Trials, wire.Trial{ID: "t-wren", Locomotive: "wren", FromUs: s(70)})
	v.Locomotives = append(v.Locomotives, wire.Locomotive{ID: "wren", Name: "Wren"})
	r := &v.Results[1]
	r.LapCount = 5
	r.Laps[2].Counts = wire.CountsIncident
	r.Incidents = []wire.Incident{
		{Kind: wire.Stall, AtUs: r.Laps[2].StartUs + 5_000_000, UntilUs: r.Laps[2].StartUs + 9_000_000, PositionMm: ptr(2104.0), PositionUMm: ptr(60.0), FromGate: "g1", ToGate: "g2", Text: "it stood for 4 s between g1 and g2"},
		{Kind: wire.Reversal, AtUs: s(12), UntilUs: s(10), PositionMm: ptr(4500.0), FromGate: "g2", ToGate: "g3", Text: "g2 saw it twice"},
		{Kind: wire.Derailment, AtUs: s(3), FromGate: "g1", ToGate: "g3", Text: "the gates around it go on, this one was not seen again"},
	}
	pass := func(gate string, at int64, mm float64, back bool) wire.PassageVerdict {
		return wire.PassageVerdict{Trial: "t-kestrel", Gate: gate, AtUs: at, UUs: 510, PositionMm: mm, Lap: 5, Source: wire.Measured, Final: true, Reverse: back}
	}
	v.Passages = []wire.PassageVerdict{pass("g3", s(40), 5400, false), pass("g1", s(35), 0, false), pass("g2", s(15), 3600, false), pass("g2", s(8), 3600, true), pass("g1", s(4), 0, true)}
	v.Passages[1].Source = wire.Inferred
	v.Passages[2].TrapMmS, v.Passages[2].UTrapMmS = ptr(612.4), ptr(1.7)
	v.Passages[4].Final = false
	v.Order = &wire.Order{State: wire.OrderAsked, Trials: []string{"t-hostile", "t-kestrel", "t-wren"}, Text: "Three trains without a tag run at once."}
	return v
}

// TestTrouble shows the page what gates and trains do wrong.
func TestTrouble(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	for _, c := range []struct {
		name string
		test func(t *testing.T, s *stage, ctx context.Context)
	}{
		{"incidents are drawn and told", incidentsTold},
		{"incidents come live", incidentsLive},
		{"a passage says what it was", passageRemark},
		{"a finger on a passage", passageTouched},
		{"a lap left out says why", leftOut},
		{"one switch shows every interval", intervals},
		{"two trains, one tap", orderOfTwo},
		{"three trains, in running order", orderOfThree},
		{"an order that the evidence contradicts", orderContradicted},
		{"readers see that an official must tell", orderForReaders},
		{"a two-beam gate is written down", twoBeams},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStage(t)
			s.view, s.health = trouble(), ailing()
			ctx := chrome.Tab(t, browser)
			chrome.Do(t, ctx, "a desktop", chromedp.EmulateViewport(1280, 1000))
			c.test(t, s, ctx)
		})
	}
}

// allHere waits for what is fetched later: it moves what stands below it.
func allHere(t *testing.T, ctx context.Context) {
	t.Helper()
	chrome.Wait(t, ctx, `document.querySelector('.order') && document.querySelector('.incidents')`, 5*time.Second)
}

// toGraph scrolls to the train graph: what is not on the screen is not drawn.
func toGraph(t *testing.T, ctx context.Context) {
	t.Helper()
	chrome.Wait(t, ctx, `document.querySelector('.incidents') || !rainhill.board.some(b => b.trial === 't-kestrel' && b.laps[2].marks.includes('incident'))`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('train-graph').scrollIntoView({block: 'center'}), true)`)
}

// remark is what the graph says of the point in question.
const remark = `train-graph .remark:not([hidden])`

func incidentsTold(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	toGraph(t, ctx)
	chrome.Wait(t, ctx, `document.querySelectorAll('button.ticket').length === 3`, 5*time.Second)
	has(t, "the tickets", text(t, ctx, "button.ticket"), "stall | reversal | derailment")
	if n := chrome.Eval[int](t, ctx, `new Set([...document.querySelectorAll('button.ticket path')].map(p => p.getAttribute('d'))).size`); n != 3 {
		t.Errorf("three kinds of incident have %d shapes", n)
	}
	has(t, "the list", text(t, ctx, kestrel+" .incidents"), "Incidents (3)", "stall", "into the session; 4 s; at 2.10 m, between g1 and g2", "it stood for 4 s", "derailment", "not over; between g1 and g3")
	live := chrome.Eval[[]string](t, ctx, `[...document.querySelectorAll('[data-trial="t-kestrel"] .incidents b')].map(b => b.innerText)`)
	if fmt.Sprint(live) != "[derailment reversal stall]" {
		t.Errorf("the list is %v, want the newest first", live)
	}
	for _, by := range []struct {
		name string
		act  func()
	}{
		{"focus", func() { chrome.Do(t, ctx, "putting the focus on it", chromedp.Focus("button.ticket")) }},
		{"pointer", func() {
			at := chrome.Eval[[]float64](t, ctx, `(r => [r.x + 20, r.y + 20])(document.querySelector('button.ticket').getBoundingClientRect())`)
			chrome.Do(t, ctx, "pointing at it", chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at[0], at[1]))
		}},
		{"finger", func() { finger(t, ctx, "button.ticket") }},
	} {
		chrome.Eval[bool](t, ctx, `(document.activeElement.blur(), dispatchEvent(new KeyboardEvent('keydown', {key: 'Escape'})), true)`)
		// Escape stops all motors too, and what is said of that moves what stands below it.
		chrome.Wait(t, ctx, fmt.Sprintf(`!document.querySelector(%q) && document.body.dataset.stop === 'ready' && document.querySelector('#stop').innerText.includes('All motors stopped')`, remark), 3*time.Second)
		by.act()
		chrome.Wait(t, ctx, fmt.Sprintf(`document.querySelector(%q)?.innerText.includes('it stood for 4 s between g1 and g2')`, remark), 3*time.Second)
	}
	has(t, "the graph in words", chrome.Eval[string](t, ctx, `document.querySelector('train-graph canvas').getAttribute('aria-label')`), "Kestrel last passed g1, running back, at")
}

func incidentsLive(t *testing.T, s *stage, ctx context.Context) {
	s.view = scene()
	visit(t, s, ctx, "")
	toGraph(t, ctx)
	r := running("t-kestrel", time.Now().UnixMicro())
	r.Incidents = []wire.Incident{{Kind: wire.LiftOff, AtUs: time.Now().UnixMicro() - 2_000_000, PositionMm: ptr(700.0)}}
	lifted := wire.Frame{Rev: 41, Results: []wire.TrialResult{r}}
	s.change(func() { s.news = func() any { return lifted } })
	chrome.Wait(t, ctx, `document.querySelector('button.ticket')?.innerText === 'lift-off' && document.querySelector('[data-trial="t-kestrel"] .incidents')`, 5*time.Second)
	r.Incidents = nil
	s.change(func() { s.news = func() any { return wire.Frame{Rev: 42, Results: []wire.TrialResult{r}} } })
	chrome.Wait(t, ctx, `!document.querySelector('button.ticket') && !document.querySelector('.incidents')`, 5*time.Second)
}

func passageRemark(t *testing.T, s *stage, ctx context.Context) {
	visit(t, s, ctx, "")
	chrome.Do(t, ctx, "putting the focus on the graph", chromedp.Focus("train-graph"))
	chrome.Wait(t, ctx, `document.querySelector('train-graph .remark')`, 5*time.Second)
	says := func(press, want string) {
		t.Helper()
		key(t, ctx, press, press, "", 1)
		chrome.Wait(t, ctx, fmt.Sprintf(`document.querySelector(%q)?.innerText.includes(%q)`, remark, want), 3*time.Second)
	}
	says("ArrowLeft", "running back, provisional: final when the train has passed 2 gates more")
	says("Home", "Kestrel at g3")
	says("ArrowRight", "lap 6, inferred, final")
	says("ArrowRight", "trap speed 612 mm/s")
	chrome.Eval[bool](t, ctx, `(document.querySelector('.board .check input').click(), true)`)
	says("ArrowLeft", " ± 1 ms")
	says("ArrowRight", "trap speed 612.4 ± 3.3 mm/s")
	key(t, ctx, "Escape", "Escape", "", 1)
	chrome.Wait(t, ctx, fmt.Sprintf(`!document.querySelector(%q)`, remark), 3*time.Second)
}

// passageTouched touches a passage before what tells of passages was fetched, and it lies
// elsewhere when that comes.
func passageTouched(t *testing.T, s *stage, ctx context.Context) {
	s.view.Results[1].Incidents, s.view.Results[1].Laps[2].Counts, s.view.Order = nil, wire.CountsYes, nil // they move the graph, and bring the remarks
	visit(t, s, ctx, "")
	toGraph(t, ctx)
	chrome.Wait(t, ctx, `document.querySelector('.roll-legend li')`, 5*time.Second)
	minutes := func(n int) {
		t.Helper()
		chrome.Eval[bool](t, ctx, fmt.Sprintf(`(document.querySelector('[name=minutes][value="%d"]').click(), true)`, n))
		chrome.Wait(t, ctx, fmt.Sprintf(`(f => f.toUs - f.fromUs === %d)(document.querySelector('train-graph').frame)`, n*60_000_000), 3*time.Second)
	}
	minutes(5) // the paper runs slowly: 4 px a second to the left, so this place is good for 5 s
	const place = `((g, box) => {
		const { x0, x1, y0, y1, fromUs, toUs, length } = g.frame;
		const p = g.shown.flatMap(r => r.passages).find(p => p.trap_mm_s);
		return [box.x + x0 + (p.at_us - fromUs) / (toUs - fromUs) * (x1 - x0) - 6, box.y + y0 + p.position_mm / length * (y1 - y0)];
	})(document.querySelector('train-graph'), document.querySelector('train-graph').getBoundingClientRect())`
	held := make(chan struct{})
	s.change(func() { s.withheld, s.held = "js/tip.js", held })
	at := chrome.Eval[[]float64](t, ctx, place)
	says := fmt.Sprintf(`document.querySelector(%q)?.innerText.includes('Kestrel at g2') && document.querySelector(%q).innerText.includes('trap speed 612 mm/s')`, remark, remark)
	chrome.Do(t, ctx, "touching the passage", chromedp.TapXY(at[0], at[1]))
	minutes(1)
	close(held)
	chrome.Wait(t, ctx, says, 3*time.Second)
	chrome.Do(t, ctx, "touching the board", chromedp.TapXY(at[0], at[1]-300))
	chrome.Wait(t, ctx, fmt.Sprintf(`!document.querySelector(%q)`, remark), 3*time.Second)
	minutes(5)
	at = chrome.Eval[[]float64](t, ctx, place) // the paper runs on
	chrome.Do(t, ctx, "pointing at the passage", chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at[0], at[1]+2))
	chrome.Wait(t, ctx, says, 3*time.Second)
}

func leftOut(t *testing.T, s *stage, ctx context.Context) {
	s.view.Results[1].Laps[4].Counts = wire.CountsIncident
	s.view.Results[1].Laps[4].Why = "derailment: not seen again"
	visit(t, s, ctx, "")
	has(t, "the strip", text(t, ctx, kestrel+" .strip .lap"), "lap 5 11.980 incident, provisional | lap 4 12.040 inferred | lap 3 12.110 incident |")
	has(t, "the board", text(t, ctx, kestrel+" .figures .last"), "lap 5, incident, provisional: derailment: not seen again")
	title := func(lap int) string {
		return chrome.Eval[string](t, ctx, fmt.Sprintf(`document.querySelector('[data-trial="t-kestrel"] [data-lap="%d"]').title`, lap))
	}
	has(t, "lap 3", title(3), "incident; it stood for 4 s between g1 and g2")
	has(t, "lap 5", title(5), "provisional: final when the train has passed 2 gates more")
	if got := title(2); got != "" {
		t.Errorf("a lap that counts says %q", got)
	}
	allHere(t, ctx)
	chrome.Do(t, ctx, "opening it", chrome.Click(kestrel+" [data-lap='3']"), chromedp.WaitVisible("dialog[open]"))
	has(t, "the slip", text(t, ctx, "dialog[open]"), "written as incident", "reason it stood for 4 s between g1 and g2")
	chrome.Eval[bool](t, ctx, `([...document.querySelectorAll('dialog button')].find(b => b.innerText === 'All laps of this trial').click(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('dialog .left-out')`, 3*time.Second)
	has(t, "the list of laps", text(t, ctx, "dialog[open]"), "lap 3, incident: it stood for 4 s", "lap 5, incident: derailment", "Incidents (3)")
	chrome.Do(t, ctx, "leaving the line", chromedp.Navigate("about:blank"))
	visit(t, s, ctx, "#wall")
	chrome.Wait(t, ctx, `document.querySelector('.wall article')`, 5*time.Second)
	has(t, "the large board", text(t, ctx, ".wall "+kestrel), "lap 5 incident, provisional: derailment: not seen again")
}

func intervals(t *testing.T, s *stage, ctx context.Context) {
	for i := range s.view.Results[1].Laps[1].Sectors {
		s.view.Results[1].Laps[1].Sectors[i].USpeedMmS = 0.3
	}
	visit(t, s, ctx, "")
	if strings.Contains(text(t, ctx, "main"), "± 0") {
		t.Error("intervals are shown unasked")
	}
	chrome.Do(t, ctx, "reaching the switch by key", chromedp.Focus(".board .check input"))
	key(t, ctx, " ", "Space", " ", 1)
	chrome.Wait(t, ctx, `document.querySelector('[data-trial="t-kestrel"] .strip').innerText.includes('±')`, 3*time.Second)
	has(t, "the strip", text(t, ctx, kestrel+" .strip [data-lap='2']"), "lap 2 11.8700 ± 0.0041")
	has(t, "the board", text(t, ctx, kestrel+" .figures"), "12.00 ± 0.10 s", "606.9 ± 6.8 mm/s")
	chrome.Do(t, ctx, "loading the page anew", chromedp.Reload())
	chrome.Wait(t, ctx, `document.querySelector('.board .check input')?.checked && document.querySelector('[data-trial="t-kestrel"] .strip').innerText.includes('±')`, 5*time.Second)
	allHere(t, ctx)
	chrome.Do(t, ctx, "opening a lap", chrome.Click(kestrel+" [data-lap='2']"), chromedp.WaitVisible("dialog[open]"))
	has(t, "the slip", text(t, ctx, "dialog[open]"), "11.8700 ± 0.0041 s", "613.6 ± 2.4 mm/s", "g1 g2 5.9350 ± 0.0039 613.56 ± 0.59")
	chrome.Eval[bool](t, ctx, `(document.querySelector('dialog .check input').click(), true)`)
	chrome.Wait(t, ctx, `!document.querySelector('dialog').innerText.includes('± 0') && !document.querySelector('.board .check input').checked`, 3*time.Second)
	has(t, "the slip", text(t, ctx, "dialog[open]"), "11.870 s", "g1 g2 5.935 613.6")
}

// ordered waits for an order to be decided and gives its trials.
func ordered(t *testing.T, s *stage) (trials []string, why string) {
	t.Helper()
	body := s.await("/api/decision", 1)[0].Body
	if body["what"] != "order" {
		t.Fatalf("decided %v", body)
	}
	for _, id := range body["value"].(map[string]any)["trials"].([]any) {
		trials = append(trials, id.(string))
	}
	return trials, body["why"].(string)
}

func orderOfTwo(t *testing.T, s *stage, ctx context.Context) {
	s.official = "Ann"
	s.view.Order.Trials = []string{"t-kestrel"} // the others have not come yet
	s.view.Trials[3].Tag = "c3"
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `document.querySelectorAll('.order button').length === 2`, 5*time.Second)
	has(t, "the notice", text(t, ctx, ".order"), "Which locomotive passed the timing gate first?", "Long Meadow No. 2", "Kestrel")
	finger(t, ctx, ".order [data-order=t-kestrel]")
	if got, _ := ordered(t, s); fmt.Sprint(got) != "[t-kestrel t-hostile]" {
		t.Errorf("the order is %v", got)
	}
	chrome.Wait(t, ctx, `document.querySelector('.order').innerText.includes('Written down')`, 3*time.Second)
	s.change(func() {
		s.news = func() any {
			return wire.Frame{Order: &wire.Order{State: wire.OrderClear, Trials: []string{"t-kestrel", "t-hostile"}}}
		}
	})
	chrome.Wait(t, ctx, `!document.querySelector('.order')`, 3*time.Second)
}

func orderOfThree(t *testing.T, s *stage, ctx context.Context) {
	s.official = "Ann"
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `document.querySelectorAll('.order button').length === 3`, 5*time.Second)
	press := func(selector, then string) {
		t.Helper()
		chrome.Do(t, ctx, "pressing "+selector, chromedp.Focus(selector))
		key(t, ctx, "Enter", "Enter", "\r", 1)
		chrome.Wait(t, ctx, then, 3*time.Second)
	}
	press(".order [data-order=t-wren]", `document.querySelector('.order').innerText.includes('Wren, then')`)
	press(".order [data-order=t-hostile]", `document.querySelector('.order').innerText.includes('Wren, then Long Meadow No. 2, then')`)
	press(".order .undo", `document.querySelectorAll('.order [data-order]').length === 2`)
	s.say(wire.Frame{}) // a frame that does not speak of the order leaves the taps
	press(".order [data-order=t-kestrel]", `document.querySelectorAll('.order [data-order]').length === 1`)
	if n := len(s.posted("/api/decision")) + len(s.posted("/api/tap")); n != 0 {
		t.Errorf("%d posts before the last tap", n)
	}
	press(".order [data-order=t-hostile]", `document.querySelector('.order').innerText.includes('Written down')`)
	if got, _ := ordered(t, s); fmt.Sprint(got) != "[t-wren t-kestrel t-hostile]" {
		t.Errorf("the order is %v", got)
	}
}

func orderContradicted(t *testing.T, s *stage, ctx context.Context) {
	s.official, s.refuse = "Ann", "the journal is full"
	*s.view.Order = wire.Order{State: wire.OrderContradicted, Trials: []string{"t-hostile", "t-kestrel"}, Offer: []string{"t-kestrel", "t-hostile"}, Text: "The tags read at g1 speak for the other order."}
	visit(t, s, ctx, "")
	chrome.Wait(t, ctx, `document.querySelectorAll('.order button').length === 1`, 5*time.Second)
	has(t, "the notice", text(t, ctx, ".order"), "The tags read at g1 speak for the other order.", "Take the order Kestrel, then Long Meadow No. 2")
	chrome.Do(t, ctx, "taking it", chrome.Click(".order button"))
	chrome.Wait(t, ctx, `document.querySelector('.refusal')?.innerText.includes('the journal is full') && document.querySelector('.order button')`, 3*time.Second)
	s.change(func() { s.refuse = "" })
	chrome.Do(t, ctx, "taking it again", chrome.Click(".order button"))
	got, why := ordered(t, s)
	if fmt.Sprint(got) != "[t-kestrel t-hostile]" || why != "The tags read at g1 speak for the other order." {
		t.Errorf("the order is %v, because %q", got, why)
	}
}

func orderForReaders(t *testing.T, s *stage, ctx context.Context) {
	for _, view := range []string{"", "#book", "#wall"} {
		chrome.Do(t, ctx, "leaving the page", chromedp.Navigate("about:blank"))
		visit(t, s, ctx, view)
		chrome.Wait(t, ctx, `document.querySelector('.order')`, 5*time.Second)
		has(t, "the notice", text(t, ctx, ".order"), "Which locomotive passed the timing gate first?", "An official must tell.")
		if chrome.Eval[bool](t, ctx, `document.querySelector('.order button') !== null`) {
			t.Errorf("view %q gives a reader buttons", view)
		}
	}
	s.setup(func(v *wire.View) { v.Order = nil })
	chrome.Wait(t, ctx, `!document.querySelector('.order')`, 3*time.Second)
}

func twoBeams(t *testing.T, s *stage, ctx context.Context) {
	s.official = "Ann"
	visit(t, s, ctx, "#book")
	chrome.Wait(t, ctx, `document.querySelector('[aria-labelledby=b-circuit] .entries button')`, 5*time.Second)
	chrome.Do(t, ctx, "changing the circuit", chrome.Click("[aria-labelledby=b-circuit] .entries button"), chromedp.WaitVisible("form.entry"))
	chrome.Eval[bool](t, ctx, `(document.querySelectorAll('form.entry input[name="gate.pair"]')[0].value = '55.5', document.querySelector('form.entry button.primary').click(), true)`)
	gates := s.await("/api/decision", 1)[0].Body["value"].(map[string]any)["gates"].([]any)
	for i, want := range []any{55.5, 40.0, nil} {
		if got := gates[i].(map[string]any)["pair_mm"]; got != want {
			t.Errorf("gate %d has beams %v mm apart, want %v", i+1, got, want)
		}
	}
}
