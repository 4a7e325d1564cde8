package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// pushedOff writes a session in which four vans were pushed off four times and rolled by
// the gates until they stood, slowing by 40 mm/s2 whatever their speed.
func pushedOff(t *testing.T) *recorded {
	t.Helper()
	const slowing = 0.04
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	at := time.Now().UnixMicro() - 1000_000_000
	setup := demoScenario(t).Setup(at)
	setup.Trials, setup.Circuit.LapLengthMm = nil, lapOf(setup)
	setup.Locomotives = []wire.Locomotive{{ID: "wren", Name: "Wren", MassG: 900, LengthMm: 200}}
	setup.Consists = []wire.Consist{{ID: "vans", Name: "Four vans", Cars: []wire.Car{{MassG: 400, Axles: 2, LengthMm: 120}}}}
	for _, e := range trial.FromSetup(setup, "bench", at) {
		w.put(e)
	}
	w.sync(at)
	u := 1000.0
	for i, v0 := range []float64{0.9, 1.2, 1.0, 1.4} {
		tr := wire.Trial{ID: fmt.Sprintf("push-%d", i+1), Locomotive: "wren", Consist: "vans", Tag: "tag-vans", FromUs: at, Conditions: map[string]any{wire.CondCoast: "yes"}}
		w.decide(wire.WhatTrial, "", tr)
		last := at
		for lap := range 4 {
			for _, g := range setup.Gates {
				m := (float64(lap)*setup.Circuit.LapLengthMm + g.PositionMm) / 1000
				if left := v0*v0 - 2*slowing*m; left > 0.0025 {
					last = at + 1_000_000 + int64(1e6*(v0-math.Sqrt(left))/slowing)
					w.put(wire.Event{Kind: wire.KindCrossing, AtUs: last, Gate: g.ID, Edge: wire.EdgePulse, Tag: "tag-vans", UUs: &u})
				}
			}
		}
		tr.ToUs = last + 1_000_000
		w.decide(wire.WhatTrial, "", tr)
		at = tr.ToUs + 5_000_000
	}
	r := &recorded{h, w}
	r.scored(t)
	return r
}

// TestPageFinds has an official take pull tests down with one tap each, by the load that
// is suggested, and keep what coasting told with the cars.
func TestPageFinds(t *testing.T) {
	t.Parallel()
	r := pushedOff(t)
	ctx := chrome.Tab(t, chrome.Start(t))
	chrome.Do(t, ctx, "signing in", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(r.URL+"/#key="+r.StartKey), chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	chrome.Wait(t, ctx, `rainhill.official === 'official'`, 5*time.Second)
	t.Run("coasts", func(t *testing.T) { coastKept(t, ctx, r) })
	t.Run("pulls", func(t *testing.T) { pulledByTaps(t, ctx, r) })
	t.Run("sessions", func(t *testing.T) { ofSessions(t, ctx, r) })
	t.Run("ledger", func(t *testing.T) { findingsAudited(t, ctx, r) })
}

func coastKept(t *testing.T, ctx context.Context, r *recorded) {
	var res wire.CoastResult
	if err := json.Unmarshal(get(t, r.URL+"/api/coast"), &res); err != nil {
		t.Fatal(err)
	}
	if res.A.Value == nil || math.Abs(*res.A.Value-0.04) > 0.004 || *res.A.Lo > 0.04 || *res.A.Hi < 0.04 {
		t.Errorf("the cars slow by %s, want 0.04", asJSON(t, res.A))
	}
	chrome.Do(t, ctx, "opening", chromedp.Navigate(r.URL+"/#coast"))
	chrome.Wait(t, ctx, `document.querySelector('.coasted tbody th')?.innerText === 'Four vans'`, 10*time.Second)
	chrome.Wait(t, ctx, `(i => i?.complete && i.naturalWidth > 200)(document.querySelector('.drawn img'))`, 5*time.Second)
	findingsFit(t, ctx, "coast")
	// Places that are not known exactly make what is told less sure.
	wide := func() float64 {
		return chrome.Eval[float64](t, ctx, `(m => Number(m[2]) - Number(m[1]))(document.querySelectorAll('.coasted td')[1].textContent.match(/\(([\d.]+) to ([\d.]+)\)/))`)
	}
	exact := wide()
	chrome.Eval[bool](t, ctx, `(i => (i.value = '5', i.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('input[name=place]'))`)
	chrome.Wait(t, ctx, `document.querySelector('.drawn img')?.src.includes('place_u_mm=5')`, 10*time.Second)
	if got := wide(); got <= exact {
		t.Errorf("a is told within %g with places known to 5 mm, and %g were they exact", got, exact)
	}
	chrome.Eval[bool](t, ctx, `(document.querySelector('.coasted td button').click(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('.coasted td button').innerText === 'Kept'`, 5*time.Second)
	var v wire.View
	if err := json.Unmarshal(get(t, r.URL+"/api/view"), &v); err != nil {
		t.Fatal(err)
	}
	if c := v.Consists[0]; c.Resistance == nil {
		t.Errorf("the cars have no resistance: %s", asJSON(t, c))
	}
	chrome.Eval[bool](t, ctx, `(document.querySelector('form.push').requestSubmit(), true)`)
	chrome.Wait(t, ctx, `document.querySelector('[data-push]')?.innerText.includes('Four vans')`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('[data-push] button').click(), true)`)
	chrome.Wait(t, ctx, `!document.querySelector('[data-push]') && document.querySelector('form.push')`, 5*time.Second)
	if html := string(get(t, r.URL+"/api/coast.html")); !strings.Contains(html, "<svg") || strings.Contains(html, "<script") {
		t.Error("the sheet of coasting is not whole or does not open alone")
	}
}

func pulledByTaps(t *testing.T, ctx context.Context, r *recorded) {
	chrome.Do(t, ctx, "opening", chromedp.Navigate(r.URL+"/#pull"))
	chrome.Wait(t, ctx, `document.querySelectorAll('.outcome').length === 4 && document.querySelector('.cautions').innerText.includes('falls')`, 10*time.Second)
	// A first load comes from the locomotive's mass; without any nothing can be written down.
	chrome.Wait(t, ctx, `Number(document.querySelector('input[name=load]').value) > 0`, 10*time.Second)
	chrome.Eval[bool](t, ctx, `(i => (i.value = '-1', i.dispatchEvent(new Event('input', {bubbles: true})), true))(document.querySelector('input[name=load]'))`)
	chrome.Wait(t, ctx, `[...document.querySelectorAll('.outcome')].every(b => b.disabled)`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `(i => (i.value = '100', i.dispatchEvent(new Event('input', {bubbles: true})), true))(document.querySelector('input[name=load]'))`)
	// It moves up to 210 g and slips above; from the second attempt on the suggestion is taken.
	for n := 1; n <= 8; n++ {
		chrome.Wait(t, ctx, `Number(document.querySelector('input[name=load]').value) > 0 && !document.querySelector('.outcome').disabled`, 5*time.Second)
		which := `[data-outcome=moved]`
		if chrome.Eval[float64](t, ctx, `Number(document.querySelector('input[name=load]').value)`) > 210 {
			which = `[data-outcome=stalled][data-wheels=turned]`
		}
		chrome.Eval[bool](t, ctx, `(document.querySelector('.outcome`+which+`').click(), true)`)
		chrome.Wait(t, ctx, fmt.Sprintf(`document.querySelector('.limit .caption p')?.innerText === '%d attempt%s' && document.querySelector('.next b')`, n, map[bool]string{true: "s"}[n > 1]), 10*time.Second)
	}
	var res wire.PullResult
	if err := json.Unmarshal(get(t, r.URL+"/api/pull"), &res); err != nil {
		t.Fatal(err)
	}
	l := res.Locomotives[0]
	if len(l.Attempts) != 8 || l.Limit != wire.LimitAdhesion || l.Bracket.MovedG == nil || *l.Bracket.MovedG > 210 || l.Bracket.StalledG == nil || *l.Bracket.StalledG <= 210 {
		t.Errorf("eight attempts gave %s", asJSON(t, l))
	}
	if l.Load50G.Value == nil || math.Abs(*l.Load50G.Value-210) > 60 {
		t.Errorf("it moves %s in half, slipping from 210 g on", asJSON(t, l.Load50G))
	}
	chrome.Wait(t, ctx, `(i => i?.complete && i.naturalWidth > 200)(document.querySelector('.limit .drawn img'))`, 5*time.Second)
	findingsFit(t, ctx, "pull")
	chrome.Eval[bool](t, ctx, `(document.querySelector('.limit details summary').click(), (f => (f.why.value = 'the cord caught', f.requestSubmit(), true))(document.querySelector('.limit form.void')))`)
	chrome.Wait(t, ctx, `document.querySelector('.limit .caption p').innerText === '7 attempts'`, 5*time.Second)
	// Another is put right: its values are filled in, and it stays one attempt.
	chrome.Eval[bool](t, ctx, `(document.querySelector('.limit button.fix').click(), true)`)
	chrome.Wait(t, ctx, `Number(document.querySelector('form.fixing')?.load?.value) > 0 && document.querySelector('form.fixing').outcome.value !== ''`, 5*time.Second)
	findingsFit(t, ctx, "pull-correcting")
	chrome.Eval[bool](t, ctx, `(f => (f.load.value = '123', f.outcome.value = 'struggled', f.why.value = 'misread', f.requestSubmit(), true))(document.querySelector('form.fixing'))`)
	chrome.Wait(t, ctx, `!document.querySelector('form.fixing') && document.querySelector('.limit .caption p').innerText === '7 attempts' && [...document.querySelectorAll('.limit tbody tr')].some(r => r.children[1].textContent === '123' && r.children[2].textContent.startsWith('struggled'))`, 5*time.Second)
	for path, whole := range map[string]string{"/api/pull.svg?limit=0": "<svg", "/api/pull.html?question=How+much%3F": "How much?"} {
		if b := string(get(t, r.URL+path)); !strings.Contains(b, whole) || strings.Contains(b, "<script") {
			t.Errorf("%s lacks %s, or runs something", path, whole)
		}
	}
}

// ofSessions has a second session opened, and both chosen by hand on either sheet.
func ofSessions(t *testing.T, ctx context.Context, r *recorded) {
	var v wire.View
	if err := json.Unmarshal(get(t, r.URL+"/api/view"), &v); err != nil {
		t.Fatal(err)
	}
	was := *v.Session
	was.ClosedUs = time.Now().UnixMicro()
	r.w.decide(wire.WhatSession, "", was)
	r.w.decide(wire.WhatSession, "", wire.Session{ID: "later", Name: "Later", Circuit: was.Circuit, OpenedUs: was.ClosedUs + 1})
	both := `(() => { const of = [...document.querySelectorAll('.of-sessions input')]; if (of.length !== 2 || !of[0].checked || of[1].checked) return false; of[1].click(); return true; })()`
	summary := fmt.Sprintf(`document.querySelector('.of-sessions summary').innerText === 'Sessions: Later, %s'`, was.Name)
	chrome.Do(t, ctx, "opening", chromedp.Navigate(r.URL+"/#pull"))
	chrome.Wait(t, ctx, `document.querySelector('.findings .empty')?.innerText.includes('in this session yet')`, 10*time.Second)
	chrome.Wait(t, ctx, both, 5*time.Second)
	chrome.Wait(t, ctx, summary+` && document.querySelector('.limit .caption p')?.innerText === '7 attempts' && document.querySelector('.limit h2').textContent === 'Wren, moving, forward'`, 5*time.Second)
	findingsFit(t, ctx, "pull-sessions")
	chrome.Do(t, ctx, "opening", chromedp.Navigate(r.URL+"/#coast"))
	chrome.Wait(t, ctx, `document.querySelector('.findings .empty')?.innerText.includes('no such trial of session Later')`, 10*time.Second)
	chrome.Wait(t, ctx, both, 5*time.Second)
	chrome.Wait(t, ctx, summary+` && document.querySelector('.coasted tbody th')?.innerText === 'Four vans'`, 5*time.Second)
	if html := string(get(t, r.URL+"/api/pull.html?session=later&session="+was.ID)); !strings.Contains(html, "Wren, moving, forward") || !strings.Contains(html, "Later ("+time.UnixMicro(was.ClosedUs+1).Format("2 January 2006")+"), "+was.Name) {
		t.Error("the sheet of pull tests does not say whose, or of which sessions")
	}
	if html := string(get(t, r.URL+"/api/coast.html?session=later&session="+was.ID)); !strings.Contains(html, "Four vans") || strings.Contains(html, ">vans<") {
		t.Error("the sheet of coasting has no name for the cars")
	}
}

// findingsAudited reads attempts and what matters in the audit, and of a conflict about it.
func findingsAudited(t *testing.T, ctx context.Context, r *recorded) {
	var v wire.View
	if err := json.Unmarshal(get(t, r.URL+"/api/view"), &v); err != nil {
		t.Fatal(err)
	}
	circuit, seen := v.Session.Circuit, v.Rev
	r.w.decide(wire.WhatMargin, "", wire.Margin{Circuit: circuit, LapTimeS: 0.1})
	chrome.Do(t, ctx, "opening", chromedp.Navigate(r.URL+"/#audit"))
	chrome.Wait(t, ctx, `document.querySelector('.deeds')?.innerText.includes('said that differences below 0.1 s a lap do not matter on')`, 10*time.Second)
	for _, want := range []string{"voided a pull of Wren: ", "took down a pull of Wren: 100 g, moved", "corrected a pull of Wren: 123 g, struggled", ", stalled, wheels turned"} {
		if got := chrome.Eval[string](t, ctx, `document.querySelector('.findings, main, body').innerText`); !strings.Contains(got, want) {
			t.Errorf("the audit says nowhere %q:\n%s", want, got)
		}
	}
	chrome.Eval[bool](t, ctx, `(s => (s.value = 'margin', s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.audit-filter select[name=what]'))`)
	chrome.Wait(t, ctx, `document.querySelectorAll('.deeds > li').length === 1`, 5*time.Second)
	chrome.Eval[bool](t, ctx, fmt.Sprintf(`(async () => {
		const of = name => import(document.querySelector('script[type=module]').src.replace('main.js', name));
		const [d, a] = [await of('decide.js'), await of('api.js')];
		d.attempt(() => a.decide('margin', {circuit: %q, lap_time_s: 0.3}, '', {baseSeq: %d}));
		return true;
	})()`, circuit, seen))
	chrome.Wait(t, ctx, `(d => d?.open && d.innerText.includes('changed what difference matters on') && d.innerText.includes('least difference of lap times that matters'))(document.querySelector('dialog.conflict'))`, 5*time.Second)
	chrome.Eval[bool](t, ctx, `([...document.querySelectorAll('dialog.conflict button')].find(b => b.innerText === 'Take theirs').click(), true)`)
}
