package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// bench is a service whose session holds the simulated sweep, on stands and light, and a
// run with six cars at one throttle; and what is true of the locomotive's motors.
func bench(t *testing.T) (*shed, map[string]sim.Set) {
	t.Helper()
	h := openHost(t, t.TempDir(), "line")
	t.Cleanup(func() { stopHost(t, h) })
	s := &shed{t: t, h: h, w: &writer{t: t, nc: h.Bus(), site: "line", agent: "bench"}}
	scenario, err := sim.Load("sweep")
	if err != nil {
		t.Fatal(err)
	}
	scenario.Trains = slices.Delete(scenario.Trains, 2, 3)
	scenario.Trains[2].FromS, scenario.Trains[2].ToS, scenario.Minutes = 370, 450, 7.6
	startUs := time.Now().UnixMicro() - 8*60_000_000
	var events []wire.Event
	setup, _, err := sim.Simulate(scenario, 7, startUs, func(e wire.Event) error {
		if e.Kind == wire.KindMotor || e.Kind == wire.KindCrossing {
			events = append(events, e)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range trial.FromSetup(setup, "s1", startUs-1) {
		s.w.put(e)
	}
	s.w.sync(time.Now().UnixMicro())
	for _, e := range events {
		s.w.put(e)
	}
	truth := map[string]sim.Set{}
	for _, d := range scenario.Trains[0].Loco.Sets {
		truth[d.Motor] = d
	}
	return s, truth
}

// office opens a page of the service, with an official at it.
func (s *shed) office(path string) {
	s.t.Helper()
	s.ctx = chrome.TabFor(s.t, chrome.Start(s.t), 2*chrome.Limit)
	chrome.Do(s.t, s.ctx, "opening the page", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(s.h.URL+path+"#key="+s.h.StartKey))
	chrome.Do(s.t, s.ctx, "signing in", chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	s.wait(`rainhill.official && document.querySelector('.sets-nav')`)
}

// put writes into a field of a sheet as a hand does.
func (s *shed) put(name, value string) {
	s.t.Helper()
	js := fmt.Sprintf(`document.querySelector('main [name="%s"]')`, name)
	s.wait(js)
	chrome.Eval[bool](s.t, s.ctx, fmt.Sprintf(`(e => { e.value = %q; e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true})); return true; })(%s)`, value, js))
}

// figure is a figure of the prediction as the page holds it.
func (s *shed) figure(key, col string) float64 {
	s.t.Helper()
	return chrome.Eval[float64](s.t, s.ctx, fmt.Sprintf(`Number(document.querySelector('[data-figure="%s"] [data-col="%s"]')?.dataset.value ?? NaN)`, key, col))
}

// TestMotorsAndPrediction fits the curves of a simulated sweep at two loads on the page, keeps
// them, lays them over each other, pairs them and predicts with them.
func TestMotorsAndPrediction(t *testing.T) {
	s, truth := bench(t)
	s.office("/motors")
	for _, step := range []struct {
		name string
		test func(*testing.T)
	}{
		{"the sweep is fitted and kept", func(t *testing.T) { fittedAndKept(s, truth) }},
		{"curves lie over each other", func(*testing.T) { laidOver(s) }},
		{"every pair is reckoned", func(*testing.T) { paired(s) }},
		{"the sheet of curves is well set", func(*testing.T) {
			chrome.Eval[bool](t, s.ctx, `['.motor-list details', '.pairs details', '.fitted details', '.assumed'].forEach(x => document.querySelector(x).open = true) ?? true`)
			s.wait(`document.querySelectorAll('.motor-list [data-plot=residual]').length === 1`)
			s.looks("curves")
		}},
		{"the prediction follows the hand", func(*testing.T) { followsTheHand(s) }},
		{"the prediction is well set", func(*testing.T) {
			chrome.Eval[bool](t, s.ctx, `[...document.querySelectorAll('main details')].forEach(d => d.open = true) ?? true`)
			s.looks("prediction")
		}},
		{"a change is kept as a variant", func(*testing.T) { keptAsVariant(s) }},
		{"a curve is typed in from a data sheet", func(*testing.T) { typedIn(s) }},
	} {
		t.Run(step.name, func(t *testing.T) { s.t = t; step.test(t) })
	}
}

func fittedAndKept(s *shed, truth map[string]sim.Set) {
	s.shows(`[data-load=free]`, "wheels free, on a stand", "run ")
	s.shows(`[data-load=light]`, "light engine", "run ")
	s.press(".guide-steps", "Fit the curves")
	s.wait(`document.querySelectorAll('[data-fitted]').length === 2 || document.querySelector('.guide-steps .refusal')`)
	if why := s.text(".guide-steps .refusal"); why != "" {
		s.t.Fatal(why)
	}
	for id, is := range truth {
		s.wait(fmt.Sprintf(`document.querySelector('[data-fitted=%s] [data-plot=voltage] .sign') && document.querySelector('[data-fitted=%[1]s] [data-plot=residual] .sign')`, id))
		chrome.Eval[bool](s.t, s.ctx, fmt.Sprintf(`document.querySelector('[data-fitted=%s] button.primary').click() ?? true`, id))
		s.wait(fmt.Sprintf(`document.querySelector('.takeback').innerText.includes(%q) && `, id) + heldTakeback)
		s.shows(fmt.Sprintf("[data-fitted=%s]", id), "Kept with the motor")
		i := slices.IndexFunc(s.book().NamedMotors, func(m wire.NamedMotor) bool { return m.ID == id })
		if i < 0 || s.book().NamedMotors[i].Curve == nil {
			s.t.Fatalf("the book has no curve of %s: %+v", id, s.book().NamedMotors)
		}
		c := s.book().NamedMotors[i].Curve
		k := is.KMnmA / 1000
		if k > 0 && math.Abs(*c.KVS.Value/k-1) > 0.02 {
			s.t.Errorf("%s: k = %g, truly %g", id, *c.KVS.Value, k)
		}
		s.shows(fmt.Sprintf("[data-motor=%s] .in-short", id), "R "+fmt.Sprintf("%.3f", *c.ResistanceOhm.Value)[:3])
	}
	// It can be taken back, and put back again.
	s.shows(".takeback", "Written")
	chrome.Eval[bool](s.t, s.ctx, `document.querySelector('.takeback button').click() ?? true`)
	s.wait(`[...document.querySelectorAll('[data-motor]')].some(e => e.innerText.includes('No curve yet')) || document.querySelectorAll('.motor-list > li').length === 1`)
	s.wait(`document.querySelector('.takeback button')?.innerText.includes('Put it back')`)
	chrome.Eval[bool](s.t, s.ctx, `document.querySelector('.takeback button').click() ?? true`)
	s.wait(`document.querySelectorAll('[data-motor] .in-short').length === 2`)
}

func laidOver(s *shed) {
	s.wait(`document.querySelectorAll('[data-plot=over-torque] .thread').length >= 2 && document.querySelectorAll('[data-over]').length === 2`)
	s.put("over-volts", "9")
	s.shows(".over caption", "at 9 V")
	chrome.Eval[bool](s.t, s.ctx, `document.querySelector('[name=over]').click() ?? true`)
	s.wait(`document.querySelectorAll('[data-over]').length === 1`)
	chrome.Eval[bool](s.t, s.ctx, `document.querySelector('[name=over]').click() ?? true`)
	s.wait(`document.querySelectorAll('[data-over]').length === 2`)
}

func paired(s *shed) {
	s.put("gears", "14, 20")
	s.press(".pair-form", "Reckon the pairs")
	chrome.Wait(s.t, s.ctx, `document.querySelectorAll('[data-pair]').length === 4`, 20*time.Second)
	worst := chrome.Eval[[]float64](s.t, s.ctx, `[...document.querySelectorAll('[data-pair]')].map(e => Math.abs(parseFloat(e.querySelector('[data-label^=worst]').innerText.replace('−', '-'))))`)
	if !slices.IsSorted(worst) || worst[3] < 25 {
		s.t.Errorf("worst cases %v, want them sorted and gears of 14 and 20 some 35 %% apart", worst)
	}
	s.put("pair-sort", "last")
	s.wait(`parseFloat(document.querySelector('[data-pair] [data-label^=worst]').innerText.replace('−', '')) > 25`)
}

// askOf is the question that a configuration of the page comes to, by the test's own reckoning.
func (s *shed) askOf(permille int64, supplyMv float64, change func(*wire.PredictAsk)) wire.Prediction {
	s.t.Helper()
	var v wire.View
	if err := json.Unmarshal(get(s.t, s.h.URL+"/api/view"), &v); err != nil {
		s.t.Fatal(err)
	}
	ask := wire.PredictAsk{Circuit: v.Session.Circuit, Locomotive: v.Locomotives[0], DutyPermille: permille, SupplyMv: supplyMv}
	other := ask
	other.Locomotive.DriverSets = slices.Clone(ask.Locomotive.DriverSets)
	change(&other)
	ask.Variant = &other
	b, err := json.Marshal(ask)
	if err != nil {
		s.t.Fatal(err)
	}
	req, err := http.NewRequest(http.MethodPost, s.h.URL+"/api/predict", strings.NewReader(string(b)))
	if err != nil {
		s.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Rainhill", "1")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	var p wire.Prediction
	if err := json.NewDecoder(res.Body).Decode(&p); err != nil || res.StatusCode != http.StatusOK {
		s.t.Fatalf("predicting: %s, %v", res.Status, err)
	}
	return p
}

const answered = `document.querySelector('[data-asked=answered] .predicted')`

func followsTheHand(s *shed) {
	chrome.Eval[bool](s.t, s.ctx, `(location.hash = 'predict', true)`)
	chrome.Wait(s.t, s.ctx, answered, 15*time.Second)
	s.put("supply", "12")
	s.put("throttle", "62")
	chrome.Wait(s.t, s.ctx, answered+` && document.querySelector('.predicted caption').innerText.includes('62.0 % of 12.0 V')`, 15*time.Second)
	before := s.figure("speed", "base")
	s.put("gear-front-slide", "24")
	s.put("gear-rear", "24")
	chrome.Wait(s.t, s.ctx, answered+` && document.querySelectorAll('.slide.changed').length === 2 && document.querySelector('[data-figure=speed] [data-col=variant]')`, 15*time.Second)
	want := s.askOf(620, 12_000, func(a *wire.PredictAsk) {
		a.Locomotive.DriverSets[0].GearRatio, a.Locomotive.DriverSets[1].GearRatio = 24, 24
	})
	for _, f := range []struct {
		key, col string
		want     *float64
	}{
		{"speed", "base", want.SpeedMmS.Value}, {"speed", "variant", want.Variant.SpeedMmS.Value}, {"speed", "difference", want.Difference.SpeedMmS.Value},
		{"lap", "variant", want.Variant.LapTimeS.Value}, {"pull", "variant", want.Variant.PullMn.Value}, {"current-front", "variant", want.Variant.Sets[0].CurrentMa.Value},
	} {
		if got := s.figure(f.key, f.col); f.want == nil || got != *f.want {
			s.t.Errorf("%s, %s: the page has %g, the service answered %v", f.key, f.col, got, f.want)
		}
	}
	if now := s.figure("speed", "variant"); math.Abs(now/before-1) < 0.05 {
		s.t.Errorf("another gear left the speed at %g, before %g", now, before)
	}
	s.wait(`document.querySelector('[data-plot=speed] .sign') && document.querySelector('[data-plot=pull] .sign') && document.querySelector('[data-plot=desync] .thread')`)
	if got := chrome.Eval[string](s.t, s.ctx, `document.querySelector('[data-plot=speed] a')?.getAttribute('href')`); !strings.HasPrefix(got, "/results?trial=") {
		s.t.Errorf("a measured point leads to %q", got)
	}
	s.shows(".beside-measured", "six-cars", "prediction’s interval")
	chrome.Do(s.t, s.ctx, "a phone", chromedp.EmulateViewport(390, 800))
	// On a phone what comes of a change is in sight of who makes it.
	s.wait(`innerWidth === 390 && (document.querySelector('[name=gear-rear]').scrollIntoView({block: 'center'}), (p => { const b = p.getBoundingClientRect(); return b.top >= 0 && b.bottom < innerHeight && document.elementFromPoint(b.left + 5, b.top + 5) === p && /changed so .* mm\/s, lap .* s; as in the roster/.test(p.innerText); })(document.querySelector('.short-answer')))`)
	chrome.Do(s.t, s.ctx, "the desk's screen", chromedp.EmulateViewport(1280, 1000))
}

func keptAsVariant(s *shed) {
	s.press(".moved", "Keep as a variant")
	s.wait(`rainhill.view === 'roster' && document.querySelectorAll('form.entry [name="set.gear"]').length === 2`)
	if got := chrome.Eval[string](s.t, s.ctx, `[...document.querySelectorAll('form.entry [name="set.gear"]')].map(e => e.value).join()`); got != "24,24" {
		s.t.Errorf("the form begins with gears %s", got)
	}
	s.written()
	for _, l := range s.book().Locomotives {
		if l.VariantOf == "heron" {
			was := s.book().Locomotives[0]
			if l.DriverSets[0].GearRatio != 24 || l.DriverSets[0].Adhesion != was.DriverSets[0].Adhesion || l.DriverSets[0].GearEfficiency != was.DriverSets[0].GearEfficiency || l.Resistance == nil {
				s.t.Errorf("the variant is %+v, of %+v", l, was)
			}
			return
		}
	}
	s.t.Errorf("no variant was written: %+v", s.book().Locomotives)
}

// amiss lists what is wider than its box, and controls that a finger would miss; what is
// hidden for the eye is left out.
const amiss = `[...[document.documentElement, ...document.querySelectorAll('main *')].filter(e => {
	const s = getComputedStyle(e);
	if (e === document.documentElement) return e.scrollWidth > innerWidth;
	return s.overflowX !== 'visible' && s.clipPath === 'none' && !e.matches('input, select') && e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1;
}).map(e => 'too wide: ' + e.tagName + '.' + e.className + ' ' + e.scrollWidth + ' in ' + e.clientWidth + (e === document.documentElement ? ': ' + ` + chrome.PastEdge + ` : '')),
...[...document.querySelectorAll('main button, main select, main input, main summary, main a.button, main nav a, main .entries a')].filter(e => {
	const b = (e.closest('label.check') ?? e).getBoundingClientRect();
	return b.width > 0 && (b.width < 43.5 || b.height < 43.5);
}).map(e => 'too small for a finger: ' + e.outerHTML.slice(0, 100))]`

// looks goes over what the page shows in every size, light and dark.
func (s *shed) looks(name string) {
	s.t.Helper()
	for _, width := range []int64{1920, 1280, 390} {
		chrome.Do(s.t, s.ctx, "resizing", chromedp.EmulateViewport(width, 900))
		s.wait(fmt.Sprintf(`innerWidth === %d`, width))
		time.Sleep(120 * time.Millisecond) // drawn for this width
		for _, o := range chrome.Eval[[]string](s.t, s.ctx, amiss) {
			s.t.Errorf("%s at %d px: %s", name, width, o)
		}
		if dir := os.Getenv("RAINHILL_PICTURES"); dir != "" {
			chrome.Do(s.t, s.ctx, "resizing", chromedp.EmulateViewport(width, 4200))
			if b, err := chromedp.Run(s.ctx, chromedp.CaptureScreenshot()); err == nil {
				writeFile(s.t, filepath.Join(dir, fmt.Sprintf("%s-%d.png", strings.ReplaceAll(name, " ", "-"), width)), b)
			}
		}
	}
	for _, scheme := range []string{"dark", "light"} {
		chrome.Scheme(s.t, s.ctx, scheme)
		for _, found := range chrome.Faults(s.t, s.ctx, "main") {
			s.t.Errorf("%s, %s: %s", name, scheme, found)
		}
	}
	chrome.Do(s.t, s.ctx, "resizing", chromedp.EmulateViewport(1280, 1000))
}

// typedIn writes down a motor by its data sheet: 1000 rpm per volt are 0.0095493 V s.
func typedIn(s *shed) {
	s.press("[aria-labelledby=r-motor]", "Write down a motor")
	s.fill("name", 0, "Coreless, long")
	s.fill("curve.r", 0, "4.5")
	chrome.Do(s.t, s.ctx, "writing half of it", chrome.Click("form.entry button.primary"))
	s.wait(`document.querySelector('header .refusal')?.innerText.includes('A curve needs')`)
	s.fill("curve.k", 0, "1000")
	s.fill("curve.k.off", 0, "50")
	s.fill("curve.i0", 0, "40")
	s.fill("curve.source", 0, "its data sheet")
	chrome.Eval[bool](s.t, s.ctx, `(document.querySelector('header .refusal button').click(), true)`)
	s.wait(`!document.querySelector('header .refusal')`)
	s.written()
	i := slices.IndexFunc(s.book().NamedMotors, func(m wire.NamedMotor) bool { return m.Name == "Coreless, long" })
	if i < 0 || s.book().NamedMotors[i].Curve == nil {
		s.t.Fatalf("the book has %+v", s.book().NamedMotors)
	}
	c := s.book().NamedMotors[i].Curve
	if math.Abs(*c.KVS.Value-0.0095493) > 1e-6 || math.Abs(*c.KVS.Lo-0.0095493/1.05) > 1e-6 || *c.ResistanceOhm.Value != 4.5 || c.ResistanceOhm.Lo != nil || *c.NoLoadMa.Value != 40 || c.Source != "its data sheet" {
		s.t.Errorf("typed in: %+v", c)
	}
	// Another change of the motor leaves its curve, and a measured one is not lost by the form.
	for _, id := range []string{s.book().NamedMotors[i].ID, "heron-front"} {
		was := *s.book().NamedMotors[slices.IndexFunc(s.book().NamedMotors, func(m wire.NamedMotor) bool { return m.ID == id })].Curve
		s.press(fmt.Sprintf("[data-id=%s]", id), "Change")
		s.fill("note", 0, "cleaned")
		s.written()
		m := s.book().NamedMotors[slices.IndexFunc(s.book().NamedMotors, func(m wire.NamedMotor) bool { return m.ID == id })]
		if m.Note != "cleaned" || m.Curve == nil || math.Abs(*m.Curve.KVS.Value/(*was.KVS.Value)-1) > 1e-5 || len(m.Curve.Steps) != len(was.Steps) {
			s.t.Errorf("%s after another change: %+v", id, m)
		}
	}
}
