package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// setsRailway is a locomotive of two unlike driver sets, light and slow and then with a heavy train, with
// gates where the circuit's curves begin and end, so that straights and curves can be told apart.
const setsRailway = `like = "clean"
minutes = 7
[[gate]]
id = "g1"
position_mm = 100
timing = true
sees = "front"
[[gate]]
id = "g2"
position_mm = 1500
sees = "front"
[[gate]]
id = "g3"
position_mm = 4013
sees = "front"
[[gate]]
id = "g4"
position_mm = 5513
sees = "front"

[[train]]
trial = "wheels"
to_s = 250
start_mm = 300
throttle = [[2, 280], [240, 0]]
load_sd = 0.03
warmup_laps = 1
conditions = { throttle_permille = 280, purpose = "wheels" }
[train.locomotive]
id = "heron"
name = "Grey Heron"
mass_g = 2840
length_mm = 430
[[train.locomotive.set]]
id = "front"
motor = "heron-front"
weight_g = 1400
wheel_error_sd_mm = 0.1
wheel_diameter_u_mm = 0.1
[[train.locomotive.set]]
id = "rear"
motor = "heron-rear"
weight_g = 1400
wheel_diameter_mm = 30
gear_ratio = 15.2
counts_per_motor_rev = 64
resistance_ohm = 3.6
k_mnm_a = 8.3
no_load_ma = 75
wheel_error_sd_mm = 0.1
wheel_diameter_u_mm = 0.1
tyres = true
mu_max = 0.4

[[train]]
trial = "ten-cars"
same_as = "wheels"
from_s = 260
to_s = 410
start_mm = 300
throttle = [[2, 700], [140, 0]]
throttle_factors = [1, 0.75]
warmup_laps = 1
resistance = { a_m_s2 = 0.3, b_per_s = 0.1, c_per_m = 0.05, curve_m2_s2 = 0.05 }
consist = { id = "ten", name = "Ten hoppers", car = [{ name = "hopper", mass_g = 310, length_mm = 190, axles = 4, bearings = "plain", times = 10 }] }
`

// setsSeed makes wheels that are plainly not as stated.
const setsSeed = 7

// recordSets writes both trials into the journal as an open session, s1.
func recordSets(t *testing.T) (*recorded, sim.Scenario) {
	t.Helper()
	s, err := sim.Read("sets.toml", []byte(setsRailway))
	if err != nil {
		t.Fatal(err)
	}
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	now := time.Now().UnixMicro()
	start := now - 420_000_000
	setup := s.Setup(start)
	setup.Circuit.LapLengthMm, setup.Circuit.LapLengthUMm = lapOf(setup), 2
	w.sync(start)
	w.decide(wire.WhatCircuit, "", wire.CircuitValue{Circuit: setup.Circuit, Gates: setup.Gates})
	for _, l := range setup.Locomotives {
		w.decide(wire.WhatLocomotive, "", l)
	}
	for _, c := range setup.Consists {
		w.decide(wire.WhatConsist, "", c)
	}
	w.decide(wire.WhatSession, "", wire.Session{ID: "s1", Name: "Two sets", Circuit: setup.Circuit.ID, OpenedUs: start})
	for _, tr := range setup.Trials {
		w.decide(wire.WhatTrial, "", tr)
	}
	for _, e := range sim.New(s, setsSeed, start).Next(now) {
		w.say(e)
	}
	r := &recorded{h, w}
	r.scored(t)
	return r, s
}

// TestPageSets reads slip and desync of two driver sets from the page, measures their wheels by their own
// light run and adopts them. The stories change the book one after the other.
func TestPageSets(t *testing.T) {
	b := chrome.Start(t)
	r, _ := recordSets(t)
	for _, story := range []struct {
		name string
		tell func(t *testing.T, x *reading)
	}{
		{"the figures are those of the results", setFigures},
		{"trials are laid over each other, and lead to their laps and back", setsOverlaid},
		{"the sheets fit every screen", setsFit},
		{"wheels are measured, put into the roster and taken back", wheelsAdopted},
	} {
		t.Run(story.name, func(t *testing.T) { story.tell(t, &reading{t: t, r: r, ctx: chrome.Tab(t, b)}) })
	}
}

const setsShown = `document.querySelectorAll('.set-slip tbody tr').length > 0`

func (x *reading) openSets(path string) {
	x.t.Helper()
	chrome.Do(x.t, x.ctx, "opening "+path, chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(x.r.URL+path))
	x.shows(setsShown)
}

// cell is what stands in a cell of a row.
func (x *reading) cell(table, row, label string) string {
	x.t.Helper()
	return x.text(fmt.Sprintf(`.%s tr%s [data-label="%s"]`, table, row, label))
}

// is holds "value ± half" on the page against an estimate times k.
func (x *reading) is(what, text string, e wire.Estimate, k float64) {
	x.t.Helper()
	var got []float64
	for _, part := range strings.Split(strings.NewReplacer("−", "-", "+", "").Replace(text), " ± ") {
		if v, err := strconv.ParseFloat(part, 64); err == nil {
			got = append(got, v)
		}
	}
	if e.Value == nil {
		if !strings.HasPrefix(text, "–") {
			x.t.Errorf("%s: the page says %q of what cannot be had", what, text)
		}
		return
	}
	half := k * (*e.Hi - *e.Lo) / 2
	if len(got) != 2 || !near(got[0], k**e.Value, 0.06*half) || !near(got[1], half, 0.06*half) {
		x.t.Errorf("%s: the page says %q, the results %g ± %g", what, text, k**e.Value, half)
	}
}

func setFigures(t *testing.T, x *reading) {
	x.openSets("/sets")
	words := map[string]string{wire.IsRegulated: "regulated", wire.IsUnregulated: "unregulated", wire.RegulatedUnknown: "cannot tell"}
	rows, places, told := 0, 0, 0
	for _, r := range x.results("").Trials {
		if len(r.Sets) != 2 || len(r.Desync) != 1 {
			t.Fatalf("trial %s has %d sets and %d desyncs", r.Trial, len(r.Sets), len(r.Desync))
		}
		for _, s := range r.Sets {
			row := fmt.Sprintf(`[data-trial="%s"][data-set="%s"]`, r.Trial, s.Set)
			x.is(row+" slip", x.cell("set-slip", row, "slip, %"), s.Slip, 100)
			x.is(row+" wheel speed", x.cell("set-slip", row, "wheel speed, mm/s"), s.WheelSpeedMmS, 1)
			want := "not distinguishable from zero"
			if s.SlipTold {
				want = "told from zero"
				told++
			}
			if got := x.cell("set-slip", row, "so that it is"); got != want {
				t.Errorf("%s: the page says %q, want %q", row, got, want)
			}
			if got := x.cell("set-held", row, "verdict"); got != words[s.Regulated.Verdict] {
				t.Errorf("%s: the page says %q of verdict %q", row, got, s.Regulated.Verdict)
			}
			x.is(row+" droop", x.cell("set-held", row, "droop, mm/s a newton"), s.Regulated.Droop, 1)
			x.is(row+" droop", x.cell("set-held", row, "droop, mm/s an ampere"), s.Regulated.DroopA, 1)
			if got := chrome.Eval[string](t, x.ctx, fmt.Sprintf(`document.querySelector('.set-held tr%s .remarks').textContent.replace(/\s+/g, ' ')`, row)); len(s.Regulated.Evidence) > 0 && !strings.Contains(got, s.Regulated.Evidence[len(s.Regulated.Evidence)-1]) {
				t.Errorf("%s: the evidence %q is not on the page", row, s.Regulated.Evidence)
			}
			for _, by := range s.By {
				rows++
				if by.Place != wire.PlaceAll && by.Slip.Value != nil {
					places++
				}
			}
		}
		d := r.Desync[0]
		x.is(r.Trial+" desync", x.cell("set-desync", fmt.Sprintf(`[data-trial="%s"]`, r.Trial), "desync, %"), wire.Estimate{Value: d.Value, Lo: d.Lo, Hi: d.Hi}, 100)
	}
	if told == 0 || places == 0 {
		t.Errorf("%d slips are told from zero and %d figures of places known: the railway does not try the page", told, places)
	}
	if n := chrome.Eval[int](t, x.ctx, `document.querySelectorAll('.set-by[data-of=slip] tbody tr').length`); n != rows {
		t.Errorf("the table of slip has %d rows, the results %d", n, rows)
	}
	if n := chrome.Eval[int](t, x.ctx, `[...document.querySelectorAll('.set-plot')].find(p => p.innerText.startsWith('Slip by place')).querySelectorAll('svg .bar').length`); n != places {
		t.Errorf("%d points are drawn by place, the results have %d", n, places)
	}
	x.says(".return", "not distinguishable from zero", "Ten hoppers", "5940 g on the rails")
}

func setsOverlaid(t *testing.T, x *reading) {
	x.openSets("/sets")
	x.shows(`document.querySelectorAll('.set-slip tbody tr').length === 4 && document.querySelectorAll('.set-key li').length === 6`)
	if words := chrome.Eval[int](t, x.ctx, `new Set([...document.querySelectorAll('.set-slip .mark')].map(m => m.getAttribute('aria-label'))).size`); words != 4 {
		t.Errorf("four sets of trials have %d marks that differ", words)
	}
	x.press(`[name=of][value=wheels]`)
	x.shows(`location.search.includes('trial=ten-cars') && document.querySelectorAll('.set-slip tbody tr').length === 2 && document.querySelector('nav [aria-current=page]').innerText === 'Sets'`)
	// One trial has one value of most circumstances: they are told in a table and not plotted.
	x.shows(`[...document.querySelectorAll('.set-plot figcaption')].map(e => e.innerText).join() === 'Slip by place,Desync by place'`)
	if s := chrome.Eval[string](t, x.ctx, `[...document.querySelector('.set-one').querySelectorAll('tbody tr')].map(r => r.innerText.replace(/\s+/g, ' ').trim()).join('; ')`); !strings.HasPrefix(s, "speed 48") || !strings.Contains(s, "; throttle 70.0, 52.5 % +") || !strings.Contains(s, "; load 5940 g on the rails +") {
		t.Errorf("what stayed the same is %q", s)
	}
	chrome.Eval[bool](t, x.ctx, `(history.back(), true)`)
	x.shows(`document.querySelectorAll('.set-slip tbody tr').length === 4 && document.querySelectorAll('.set-plot').length === 8`)
	x.press(`.set-slip [data-trial="ten-cars"] a.fig`)
	x.shows(`document.querySelector('#behind [data-lap="2"]') && location.pathname === '/results'`)
	x.press(`.trials [data-trial="ten-cars"] .remarks a[href*="/sets"]`)
	x.shows(setsShown + ` && location.pathname === '/sets' && document.querySelectorAll('.set-slip tbody tr').length === 2`)
	if s := chrome.Eval[string](t, x.ctx, `[...document.querySelectorAll('.sets-nav a')].map(a => a.getAttribute('href') + (a.ariaCurrent ? '*' : '')).join(' ')`); s != "#sets* #motors #predict" {
		t.Errorf("the sheets of driver sets are %q", s)
	}
}

func setsFit(t *testing.T, x *reading) {
	x.signIn()
	for _, scheme := range []string{"light", "dark"} {
		chrome.Scheme(t, x.ctx, scheme)
		x.openSets("/sets")
		x.press(".wheels .acts button.primary")
		x.shows(`document.querySelector('.wheel-checks')`)
		if scheme == "light" {
			chrome.Eval[int](t, x.ctx, `[...document.querySelectorAll('details')].map(d => d.open = true).length`)
		}
		widths := map[string][]int64{"light": {390, 1280, 1920}, "dark": {1280}}[scheme]
		for _, width := range widths {
			chrome.Do(t, x.ctx, "another screen", chromedp.EmulateViewport(width, 1000))
			if wide := chrome.Eval[[]string](t, x.ctx, overflowing); len(wide) > 0 {
				t.Errorf("%d px: too wide: %q", width, wide)
			}
			if small := chrome.Eval[[]string](t, x.ctx, strings.Replace(missed, "const b = e.", "const b = (e.closest('label.check') ?? e).", 1)); len(small) > 0 {
				t.Errorf("%d px: a finger would miss %q", width, small)
			}
			if text := chrome.Eval[float64](t, x.ctx, `Math.min(...[...document.querySelectorAll('.set-plot svg text')].map(e => e.getBoundingClientRect().height))`); text < 11 {
				t.Errorf("%d px: words on a plot are %.1f px high", width, text)
			}
		}
		found := chrome.Faults(t, x.ctx, "html")
		if len(found) > 0 {
			t.Errorf("%s: %s", scheme, strings.Join(found, "\n"))
		}
	}
}

// wheelsAdopted holds the page's diameters against GET /api/wheels, and wants slip to be surer with them.
func wheelsAdopted(t *testing.T, x *reading) {
	x.signIn()
	x.openSets("/sets")
	half := func(set int) float64 {
		e := trialOf(t, x.results(""), "ten-cars").Sets[set].Slip
		return (*e.Hi - *e.Lo) / 2
	}
	before := half(0)
	x.press(".wheels .acts button.primary")
	x.shows(`document.querySelectorAll('.wheel-checks tbody tr').length === 2`)
	var checks []wire.WheelCheck
	if err := json.Unmarshal(get(t, x.r.URL+"/api/wheels?session=s1&trial=wheels"), &checks); err != nil || len(checks) != 2 {
		t.Fatalf("%v, %d checks", err, len(checks))
	}
	for _, c := range checks {
		x.is(c.Set, x.cell("wheel-checks", fmt.Sprintf(`[data-set="%s"]`, c.Set), "measured, mm"), c.DiameterMm, 1)
	}
	x.shows(`[...document.querySelectorAll('.wheels button')].some(b => b.innerText === 'Put into the roster')`)
	x.press(".wheels .acts:has(.note) button.primary")
	x.shows(`document.querySelector('.wheels [role=status]')?.innerText.startsWith('Put into the roster')`)
	x.shows(heldTakeback)
	var roster wire.Roster
	if err := json.Unmarshal(get(t, x.r.URL+"/api/roster.json"), &roster); err != nil {
		t.Fatal(err)
	}
	for i, d := range roster.Locomotives[0].DriverSets {
		c := checks[i]
		if math.Abs(d.WheelDiameterMm-*c.DiameterMm.Value) > 1e-4 || math.Abs(d.WheelDiameterUMm-*c.DiameterMm.U) > 1e-4 || d.Calibration == nil || d.Calibration.Session != "s1" || d.Calibration.UMm != c.Calibration.UMm || d.Motor != c.Motor || d.WeightG != 1400 {
			t.Errorf("the roster has %+v (%+v), the run says %+v", d, d.Calibration, c)
		}
	}
	x.r.scored(t)
	if after := half(0); after > before/2 {
		t.Errorf("slip was known to %.5f before its wheel was measured, and to %.5f after", before, after)
	}
	x.shows(`document.querySelector('.set-slip').innerText.includes('calibrated')`)
	chrome.Eval[bool](t, x.ctx, `(location.hash = 'roster', true)`)
	x.shows(`document.querySelector('[data-id=heron]')?.innerText.includes('session s1, trial wheels')`)
	x.press(`.takeback button`)
	x.shows(`!document.querySelector('[data-id=heron]').innerText.includes('session s1') && document.querySelector('.takeback button')?.innerText === 'Put it back'`)
	x.press(`.takeback button`)
	x.shows(`document.querySelector('[data-id=heron]').innerText.includes('session s1')`)
	kept(t, x)
}

// heldTakeback lays a pointer on the line that takes back, so that it stays.
const heldTakeback = `document.querySelector('.takeback button') && document.querySelector('.takeback').dispatchEvent(new Event('pointerenter'))`

// kept writes what the form folds away, and wants all else to stay as it was.
func kept(t *testing.T, x *reading) {
	t.Helper()
	press := func(words string) {
		t.Helper()
		x.shows(fmt.Sprintf(`[...document.querySelectorAll('button')].some(b => b.innerText === %q)`, words))
		chrome.Eval[bool](t, x.ctx, fmt.Sprintf(`([...document.querySelectorAll('button')].find(b => b.innerText === %q).click(), true)`, words))
	}
	locomotive := func() wire.Locomotive {
		var roster wire.Roster
		if err := json.Unmarshal(get(t, x.r.URL+"/api/roster.json"), &roster); err != nil {
			t.Fatal(err)
		}
		return roster.Locomotives[0]
	}
	was := locomotive()
	press("Change")
	x.shows(`document.querySelector('form.entry details.more')`)
	chrome.Eval[bool](t, x.ctx, `(document.querySelector('form.entry [name="set.eff"]').value = 0.81, document.querySelector('form.entry [name="res.a_m_s2"]').value = 0.07, document.querySelector('form.entry [name="res.source"]').value = 'coasting', true)`)
	press("Write down the locomotive")
	x.shows(`document.querySelector('[data-id=heron]')?.innerText.includes('0.81') && !document.querySelector('form.entry')`)
	want := was
	want.DriverSets[0].GearEfficiency, want.Resistance = 0.81, &wire.Resistance{AMS2: 0.07, Source: "coasting"}
	if got := locomotive(); fmt.Sprint(asJSON(t, got)) != fmt.Sprint(asJSON(t, want)) {
		t.Errorf("the roster has %s, want %s", asJSON(t, got), asJSON(t, want))
	}
	// What coasting told together stays so while something else is changed.
	want.Resistance = &wire.Resistance{AMS2: 0.03, BPerS: 0.02, AUMS2: 0.002, BUPerS: 0.004, Source: "coasting", Covariance: [][]float64{{4e-6, -7e-6, 0, 0}, {-7e-6, 1.6e-5, 0, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}}}
	body := asJSON(t, map[string]any{"what": "locomotive", "value": want})
	chrome.Eval[bool](t, x.ctx, fmt.Sprintf(`(fetch('/api/decision', {method: 'POST', headers: {'Content-Type': 'application/json', 'X-Rainhill': '1'}, body: %q}).then(r => { window.told = r.status }), true)`, body))
	x.shows(`window.told === 200 && document.querySelector('[data-id=heron]').innerText.includes('b 0.02 (u 0.004)')`)
	press("Change")
	x.shows(`document.querySelector('form.entry [name="res.covariance"]')`)
	chrome.Eval[bool](t, x.ctx, `(document.querySelector('form.entry [name="set.eff"]').value = 0.82, true)`)
	press("Write down the locomotive")
	x.shows(`document.querySelector('[data-id=heron]')?.innerText.includes('0.82') && !document.querySelector('form.entry')`)
	want.DriverSets[0].GearEfficiency = 0.82
	if got := locomotive(); fmt.Sprint(asJSON(t, got)) != fmt.Sprint(asJSON(t, want)) {
		t.Errorf("the roster has %s, want %s", asJSON(t, got), asJSON(t, want))
	}
}

// TestPageRollOfSets runs the demonstration's railway live and reads slip and desync off the roll.
func TestPageRollOfSets(t *testing.T) {
	b := chrome.Start(t)
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	w.openBook()
	r := &recorded{h, w}
	from := time.Now().UnixMicro()
	railway := sim.New(demoScenario(t), 5, from-60_000_000)
	for _, e := range railway.Next(from) {
		w.say(e)
	}
	x := &reading{t: t, r: r, ctx: chrome.Tab(t, b)}
	chrome.Do(t, x.ctx, "opening the line", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL+"/"))
	run := func(until string) {
		t.Helper()
		for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
			for _, e := range railway.Next(time.Now().UnixMicro()) {
				w.say(e)
			}
			if chrome.Eval[bool](t, x.ctx, "Boolean("+until+")") {
				return
			}
		}
		t.Fatalf("not seen: %s; the legend says %q", until, x.text(".roll-legend"))
	}
	run(`(document.querySelector('dyno-roll')?.scrollIntoView({block: 'center'}), document.querySelectorAll('.strips-shown input').length === 2)`)
	run(`/slip [+−]?\d+\.\d\d %/.test(document.querySelector('.roll-legend').innerText) && /desync [+−]?\d+\.\d\d %/.test(document.querySelector('.roll-legend').innerText)`)
	// What is told is compared with the legend in the moment in which that is written, before more is told.
	chrome.Eval[bool](t, x.ctx, `import(document.querySelector('script[type=module]').src.replace('main.js', 'store.js')).then(({state}) => (new MutationObserver(() => {
		const told = [...state.motors.values()].filter(m => m.slip).map(m => 'slip ' + (m.slip < 0 ? '−' : '+') + Math.abs(100 * m.slip).toFixed(2) + ' %');
		window.same ||= told.length > 0 && told.every(s => document.querySelector('.roll-legend').textContent.includes(s));
	}).observe(document.querySelector('.roll-legend'), {subtree: true, childList: true, characterData: true}), true))`)
	run(`window.same`)
	if n := chrome.Eval[int](t, x.ctx, `document.querySelectorAll('.strip-papers canvas').length`); n != 2 {
		t.Errorf("%d strips are drawn, want slip and desync", n)
	}
	// The paper narrows before anything is drawn anew.
	chrome.Eval[bool](t, x.ctx, `(window.drawn = requestAnimationFrame, window.requestAnimationFrame = f => setTimeout(f, 1500), true)`)
	chrome.Do(t, x.ctx, "a large screen", chromedp.EmulateViewport(1920, 1000))
	run(`innerWidth === 1920 && (d => d >= 2)(document.querySelectorAll('.roll-legend li').length)`)
	if wide := chrome.Eval[[]string](t, x.ctx, overflowing); len(wide) > 0 {
		t.Errorf("1920 px: too wide: %q", wide)
	}
	chrome.Eval[bool](t, x.ctx, `(window.requestAnimationFrame = window.drawn, true)`)
	chrome.Do(t, x.ctx, "a smaller one", chromedp.EmulateViewport(1280, 1000))
	x.press(`.strips-shown [value=slip]`)
	run(`document.querySelectorAll('.strip-papers canvas').length === 1 && !document.querySelector('.roll-legend').innerText.includes('slip')`)
	chrome.Do(t, x.ctx, "coming again", chromedp.EmulateViewport(390, 1000), chromedp.Reload())
	run(`(document.querySelector('dyno-roll')?.scrollIntoView({block: 'center'}), document.querySelectorAll('.strip-papers canvas').length === 1 && !document.querySelector('.strips-shown [value=slip]').checked)`)
	if wide := chrome.Eval[[]string](t, x.ctx, overflowing); len(wide) > 0 {
		t.Errorf("too wide: %q", wide)
	}
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
