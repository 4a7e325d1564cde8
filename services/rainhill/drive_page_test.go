package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/nats-io/nats.go"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// drivers is a real service with a simulated railway that obeys throttle commands: one
// locomotive of two driver sets on a short oval, which stands until it is driven.
type drivers struct {
	t       *testing.T
	h       *host.Host
	browser context.Context

	mu   sync.Mutex
	told []bridge

	run func() // has the simulated railway begin
}

// bridge is what a motor's board reported of its throttle, on the bus's clock.
type bridge struct {
	motor string
	atUs  int64
	duty  int64
}

var motorsOfHeron = []string{"m1-front", "m1-rear"}

func openDrivers(t *testing.T) *drivers {
	t.Helper()
	d := quietDrivers(t)
	d.run()
	return d
}

// quietDrivers is the service before its railway runs.
func quietDrivers(t *testing.T) *drivers {
	t.Helper()
	d := &drivers{t: t, browser: chrome.Start(t), h: openHost(t, t.TempDir(), "line")}
	t.Cleanup(func() { stopHost(t, d.h) })
	s := demoScenario(t)
	s.Circuit.Pieces = []sim.Piece{{StraightMm: 200}, {RadiusMm: 250, AngleDeg: 180, Hand: "left"}, {StraightMm: 200}, {RadiusMm: 250, AngleDeg: 180, Hand: "left"}}
	s.Gates = nil
	for i := range 4 {
		s.Gates = append(s.Gates, sim.Gate{ID: fmt.Sprintf("g%d", i+1), PositionMm: 100 + 480*float64(i), Timing: i == 0, Sees: "train", Agent: "sim-gates"})
	}
	s.Trains = s.Trains[:1]
	tr := &s.Trains[0]
	tr.Tag, tr.StartMm, tr.Throttle, tr.Consist.Cars = "", 1700, [][2]float64{{0, 0}}, nil
	tr.Loco.Sets[1].KMnmA *= 0.8 // no twins: the rear one would run faster
	now := time.Now().UnixMicro()
	setup := s.Setup(now)
	setup.Trials = nil
	w := &writer{t: t, nc: d.h.Bus(), site: "line"}
	for _, e := range trial.FromSetup(setup, "s1", now) {
		w.put(e)
	}
	sub, err := d.h.Bus().Subscribe(bus.Internal("line", wire.KindMotor, "*"), d.hear)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sub.Unsubscribe() })
	d.run = func() {
		d.h.Start("simulated railway", func(ctx context.Context, nc *nats.Conn) error { return sim.Run(ctx, nc, "line", s, 1, 1) })
	}
	return d
}

func (d *drivers) hear(m *nats.Msg) {
	e, err := wire.Decode(m.Data)
	if err != nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, x := range e.Samples {
		if x.DutyPermille != nil {
			d.told = append(d.told, bridge{e.Motor, x.AtUs, *x.DutyPermille})
		}
	}
}

// since is what the boards reported from an instant on.
func (d *drivers) since(us int64) (all []bridge) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, b := range d.told {
		if b.atUs >= us {
			all = append(all, b)
		}
	}
	return all
}

// first waits until both motors report a throttle that holds, and says when the later of them did first; 0 when they do not.
func (d *drivers) first(fromUs int64, within time.Duration, holds func(duty int64) bool) (atUs int64) {
	for end := time.Now().Add(within + time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		all, latest := d.since(fromUs), int64(0)
		for _, m := range motorsOfHeron {
			i := slices.IndexFunc(all, func(b bridge) bool { return b.motor == m && holds(b.duty) })
			if i < 0 {
				latest = -1
				break
			}
			latest = max(latest, all[i].atUs)
		}
		if latest >= 0 {
			return latest
		}
	}
	return 0
}

// has wants both motors to report a throttle that holds in time, and says when the later of them did first.
func (d *drivers) has(what string, fromUs int64, within time.Duration, holds func(duty int64) bool) (atUs int64) {
	d.t.Helper()
	atUs = d.first(fromUs, within, holds)
	if atUs == 0 {
		all := d.since(fromUs)
		d.t.Fatalf("%s: not within %s; the boards reported %v", what, within, all[max(0, len(all)-8):])
	}
	if took := time.Duration(atUs-fromUs) * time.Microsecond; took > within {
		d.t.Errorf("%s: it took %s, want at most %s", what, took, within)
	}
	return atUs
}

func standing(duty int64) bool { return duty == 0 }

func about(permille int64) func(int64) bool {
	return func(duty int64) bool { return max(duty-permille, permille-duty) <= 2 }
}

// at opens a browser of an official's own; "" looks on without signing in.
func (d *drivers) at(name, view string) *desk {
	d.t.Helper()
	x := &desk{&track{t: d.t, writer: &writer{t: d.t, nc: d.h.Bus(), site: "line"}, h: d.h, ctx: chrome.TabFor(d.t, d.browser, 2*chrome.Limit)}, name}
	if name == "" {
		chrome.Do(d.t, x.ctx, "looking on", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(d.h.URL+"/"))
		x.shows(`rainhill.phase === 'live'`)
	} else {
		x.signIn()
	}
	if view != "" {
		x.to(view)
	}
	return x
}

const reporting = `(all => all.length > 0 && all.every(e => e.checked))([...document.querySelectorAll('#arm-form [name=motor]')])`

// byItself is whether a page tells that the service has stopped everything by itself, as it is
// to where the machine that tests kept it waiting.
const byItself = `/stood still|nothing was heard of|has not taken what was driven|connection to the bus was lost/.test((document.querySelector('#lost') ?? document.querySelector('#stop'))?.innerText)`

// halted is whether the service has stopped everything by itself.
func (x *desk) halted() bool {
	x.t.Helper()
	is := chrome.Eval[bool](x.t, x.ctx, byItself)
	if is {
		x.t.Log(x.text("#lost, #stop"))
	}
	return is
}

// sees waits until an expression holds, or until the service has stopped everything by
// itself: then it is false.
func (x *desk) sees(js string) bool {
	x.t.Helper()
	x.shows(`(() => { try { return ` + js + ` } catch { return false } })() || ` + byItself) // a control may be gone
	return !x.halted()
}

// anew tells a story of driving until it comes to its end.
func (x *desk) anew(story func() bool) {
	x.t.Helper()
	for end := time.Now().Add(chrome.Limit); !story(); {
		if time.Now().After(end) {
			x.t.Fatal("the service stopped everything every time")
		}
	}
}

// arm confirms the cautions and arms all motors, again where that is refused or does not last.
func (x *desk) arm() {
	x.t.Helper()
	for range 4 {
		x.shows(reporting)
		chrome.Eval[bool](x.t, x.ctx, `(document.querySelectorAll('#lost button, #refused button').forEach(b => b.click()), true)`)
		x.shows(`!document.querySelector('#lost, #refused')`)
		x.confirm("cautions")
		x.press("#arm-form button.primary")
		x.shows(`document.querySelector('#lost, #refused') || document.querySelector('#desk') && !document.querySelector('#dead')`)
		if chrome.Eval[bool](x.t, x.ctx, `!!document.querySelector('#desk')`) {
			return
		}
		x.t.Log(x.text("#lost, #refused"))
	}
	x.t.Fatal("the motors could not be armed")
}

func (x *desk) confirm(name string) bool {
	x.t.Helper()
	return x.sees(fmt.Sprintf(`(e => e && (e.checked = true))(document.querySelector('#arm-form [name=%s]'))`, name))
}

// armAgain arms anew where the service has stopped everything by itself: whoever drives goes on.
func (x *desk) armAgain() {
	x.t.Helper()
	if chrome.Eval[bool](x.t, x.ctx, `!!document.querySelector('#lost')`) && x.halted() {
		x.arm()
	}
}

// whole sets the throttle of the whole locomotive by its slider, and says when.
func (x *desk) whole(permille int) (fromUs int64) {
	x.t.Helper()
	x.armAgain()
	fromUs = time.Now().UnixMicro()
	chrome.Eval[bool](x.t, x.ctx, fmt.Sprintf(`(e => Boolean(e && (e.value = '%d', e.dispatchEvent(new Event('input', {bubbles: true})))))(document.querySelector('[data-throttle=all-heron] input[type=range]'))`, permille))
	return fromUs
}

// driven has both motors driven at a throttle within 3 s, and tries again where the service
// or a board stopped them meanwhile.
func (d *drivers) driven(x *desk, permille int) {
	d.t.Helper()
	for range 4 {
		from := x.whole(permille)
		if at := d.first(from, 3*time.Second, about(int64(permille))); at != 0 && at <= from+3_000_000 {
			return
		}
		d.t.Logf("not at %d permille yet: %v", permille, d.since(from))
	}
	d.t.Fatalf("the motors are not driven at %d permille", permille)
}

// key presses a key on a control that is not dead.
func (x *desk) key(selector, key, code, char string) bool {
	x.t.Helper()
	if !x.sees(fmt.Sprintf(`!document.querySelector('#dead') && (e => (e.focus(), document.activeElement === e))(document.querySelector(%q))`, selector)) {
		return false
	}
	press(x.t, x.ctx, key, code, char)
	return true
}

// pressed has something pressed, and says when the page took it.
func (x *desk) pressed(act func()) (atUs int64) {
	x.t.Helper()
	chrome.Eval[bool](x.t, x.ctx, `(window.pressedUs = 0, ['click', 'keydown'].forEach(k => addEventListener(k, e => (window.pressedUs ||= Math.round(1000 * (performance.timeOrigin + e.timeStamp))), {capture: true, once: true})), true)`)
	act()
	return chrome.Eval[int64](x.t, x.ctx, `window.pressedUs`)
}

// TestPageDrives arms two driver sets in a browser, drives them, and has them stopped by one
// who is not signed in, by button and by key.
func TestPageDrives(t *testing.T) {
	d := openDrivers(t)
	ada := d.at("Ada", "drive")
	looker := d.at("", "")
	d.armsAndDrives(ada, looker)
	d.stopsFromElsewhere(ada, looker)
}

func (d *drivers) armsAndDrives(ada, looker *desk) {
	d.t.Helper()
	ada.textHas(".cautions", "hardware cut-off", "not a safety device", "Lithium", "venue’s rules", "Gears")
	ada.shows(reporting)
	ada.textHas("#arm-form", "reports:")
	ada.press("#arm-form button.primary") // the cautions are not confirmed
	if chrome.Eval[bool](d.t, ada.ctx, `document.querySelector('#arm-form').checkValidity()`) {
		d.t.Error("motors can be armed without confirming the cautions")
	}
	ada.arm()
	ada.anew(func() bool {
		d.driven(ada, 400)
		return looker.sees(`document.querySelector('#stop .stop-all') && document.querySelector('#stop').innerText.includes('Ada')`) && ada.slides()
	})
	ada.picture("drive desk")
}

// slides goes through the throttles of who drives at 40 %.
func (x *desk) slides() bool {
	x.t.Helper()
	const rear, number = `[data-throttle=m1-rear] input[type=range]`, `document.querySelector('[data-throttle=m1-rear] input[type=number]')`
	if !x.sees(`(rows => rows.length > 0 && rows.every(r => r.querySelector('[data-duty="400"]') && /mm\/s/.test(r.innerText)))([...document.querySelectorAll('.driven tbody tr')])`) ||
		!x.sees(`(ways => ways.length > 0 && ways.every(e => e.disabled))([...document.querySelectorAll('.ways input')])`) || // the way cannot be changed while it runs
		!x.key(rear, "PageUp", "PageUp", "") || !x.sees(`document.querySelector('[data-motor=m1-rear] [data-asked="450"]') && document.querySelector('[data-motor=m1-front] [data-asked="400"]')`) ||
		!x.key(rear, "0", "Digit0", "0") || !x.sees(`document.querySelector('[data-motor=m1-rear] [data-asked="0"]')`) {
		return false
	}
	x.whole(300)
	if !x.sees(`document.querySelector('[data-motor=m1-rear] [data-asked="300"]')`) {
		return false
	}
	for _, slip := range []string{"640", "-5", ""} { // a typed slip is refused, and is not full throttle
		if !x.sees(fmt.Sprintf(`(e => (e.value = %q, e.dispatchEvent(new Event('change', {bubbles: true}))))(%s)`, slip, number)) ||
			!x.sees(`document.querySelector('#refused')?.innerText.includes('0 to 100 %') && `+number+`.value === '30.0'`) {
			return false
		}
		x.press("#refused button")
	}
	return x.sees(`!document.querySelector('#refused') && document.querySelector('[data-motor=m1-rear] [data-asked="300"]')`)
}

// stopsFromElsewhere has the railway stand within half a second of a press, measured on its boards.
func (d *drivers) stopsFromElsewhere(ada, looker *desk) {
	d.t.Helper()
	stopped := func(what string, prepare, act func()) {
		d.t.Helper()
		ada.anew(func() bool {
			prepare()
			d.driven(ada, 500)
			from := looker.pressed(act)
			ada.shows(`document.querySelector('#lost') && !document.querySelector('#desk')`)
			if ada.halted() {
				return false
			}
			at := d.has(what, from, 500*time.Millisecond, standing)
			d.t.Logf("%s: the boards had 0 after %d ms", what, (at-from)/1000)
			ada.says("#lost", "somebody who is not signed in")
			looker.shows(`document.querySelector('#stop').innerText.includes('All motors stopped') && document.querySelector('#stop').innerText.includes('somebody who is not signed in')`)
			return true
		})
	}
	escape := func() { press(d.t, looker.ctx, "Escape", "Escape", "") }
	ada.anew(func() bool {
		d.driven(ada, 300)
		return !slices.ContainsFunc([]string{"line", "wall", "results"}, func(view string) bool {
			chrome.Eval[bool](d.t, looker.ctx, fmt.Sprintf(`(location.hash = %q, true)`, view))
			return !looker.sees(fmt.Sprintf(`rainhill.view === %q && document.querySelector('#stop .stop-all')?.getBoundingClientRect().height >= 60`, view))
		})
	})
	stopped("the button of one who is not signed in", func() {}, func() {
		looker.press("#stop .stop-all")
		if !chrome.Eval[bool](d.t, looker.ctx, `new Promise(r => requestAnimationFrame(() => r(/Stopp(ing|ed)|motors stopped/.test(document.querySelector('#stop').innerText))))`) {
			d.t.Error("nothing is shown in the frame after the press")
		}
	})
	ada.arm()
	stopped("escape with a slip open and a field in use", func() {
		chrome.Eval[bool](d.t, looker.ctx, `(document.querySelector('dialog[open]')?.close(), true)`)
		looker.press(".official button")
		chrome.Do(d.t, looker.ctx, "typing", chromedp.WaitVisible("dialog input[name=key]"), chromedp.SendKeys("dialog input[name=key]", "half a word"))
		looker.shows(`document.querySelector('dialog:modal #stop .stop-all')`)
	}, escape)
	ada.arm()
	stopped("escape on the page of a replay", func() {
		chrome.Do(d.t, looker.ctx, "opening a replay", chromedp.Navigate(d.h.URL+"/replay?session=s1"))
		looker.shows(`document.querySelector('#stop .stop-all')`)
	}, escape)
}

// TestPageDriversChange has another official take over knowingly: the motors stop, and the
// loser is told by whom. Who leaves the page loses authority.
func TestPageDriversChange(t *testing.T) {
	d := openDrivers(t)
	ada, ben := d.at("Ada", "drive"), d.at("Ben", "")
	ada.arm()
	ada.anew(func() bool {
		chrome.Do(t, ben.ctx, "beginning anew", chromedp.Reload())
		ben.to("drive")
		d.driven(ada, 350)
		if !ben.sees(`['Speak with Ada first', '35.0 %'].every(w => document.querySelector('#arm').innerText.includes(w))`) {
			return false
		}
		if chrome.Eval[bool](t, ben.ctx, `document.querySelector('#arm-form') !== null`) {
			t.Error("authority can be taken over without being told whose it is")
		}
		ben.press("#take-over")
		if !ben.sees(reporting) || !ben.confirm("cautions") || !ben.sees(`document.querySelector('#arm-form [name=knowingly]') && (document.querySelector('#arm-form button.primary').click(), true)`) {
			return false
		}
		if chrome.Eval[bool](t, ben.ctx, `document.querySelector('#desk') !== null`) {
			t.Error("authority was taken over without the second confirmation")
		}
		if !ben.confirm("knowingly") {
			return false
		}
		from := ben.pressed(func() { ben.press("#arm-form button.primary") })
		ada.shows(`document.querySelector('#lost') && !document.querySelector('#desk')`)
		if ada.halted() {
			return false
		}
		d.has("taking over stops the motors", from, time.Second, standing)
		ada.says("#lost", "Ben took over")
		return true
	})
	ben.shows(`document.querySelector('#desk')`)
	d.driven(ben, 350)
	chrome.Do(t, ben.ctx, "leaving the page", chromedp.Navigate("about:blank"))
	from := time.Now().UnixMicro()
	at := d.has("authority lapses when the page is left", from, 3*time.Second, standing)
	d.t.Logf("the boards had 0 %d ms after the page was left", (at-from)/1000)
	ada.shows(`document.querySelector('#stop').innerText.includes('nothing was heard of Ben')`)
}

// sweeps runs a sweep to its end, anew where the service ended it because the machine that
// tests kept it waiting. It gives the instant at which the last one began.
func (x *desk) sweeps() (from int64) {
	x.t.Helper()
	x.anew(func() bool {
		x.armAgain()
		from = time.Now().UnixMicro()
		if !x.sees(`(document.querySelector('.sweep-form').open = true) && (e => (e.value = '0.5', e.dispatchEvent(new Event('change'))))(document.querySelector('#ramp'))`) ||
			!x.sees(`(f => (Object.entries({from: 20, to: 40, steps: 3, hold: 1.5}).forEach(([k, v]) => (f.elements[k].value = v)), f.querySelector('button.primary').click(), true))(document.querySelector('#sweep-form'))`) ||
			!x.sees(`document.querySelector('#sweeping')?.innerText.includes('of 5')`) {
			return false
		}
		x.picture("drive sweep")
		return x.sees(`document.querySelector('#swept')`) && strings.Contains(x.text("#swept"), "ran to its end")
	})
	return from
}

// TestPageSweepsAndTrims runs a sweep to its end, and has trim bring two unlike driver sets together.
func TestPageSweepsAndTrims(t *testing.T) {
	d := openDrivers(t)
	ada := d.at("Ada", "drive")
	ada.arm()
	from := ada.sweeps()
	d.has("the sweep's end", time.Now().UnixMicro(), 2*time.Second, standing)
	levels := map[int64]bool{}
	for _, b := range d.since(from) {
		levels[b.duty] = true
	}
	for _, want := range []int64{200, 300, 400, 0} {
		if !levels[want] {
			t.Errorf("the sweep never stood at %d: %v", want, levels)
		}
	}
	ada.anew(func() bool {
		d.driven(ada, 600)
		if !ada.sees(`document.querySelector('form[data-trim=heron]')`) {
			return false
		}
		time.Sleep(1500 * time.Millisecond) // while the train gathers speed both sets pull, and part less
		before, after := d.desync(), 0.0
		for end := time.Now().Add(15 * time.Second); !(before >= 0.005) && time.Now().Before(end); before = d.desync() {
			time.Sleep(100 * time.Millisecond) // the train is still gathering speed
		}
		if !ada.sees(`(e => e && (e.click(), true))(document.querySelector('form[data-trim=heron] button'))`) ||
			!ada.sees(`(v => v && Math.abs(Number(v)) < 0.005)(document.querySelector('[data-desync]').dataset.desync)`) {
			return false
		}
		within := 0 // twice running: one look may be at a crossing of zero
		for end := time.Now().Add(15 * time.Second); within < 2 && time.Now().Before(end); {
			time.Sleep(time.Second) // other readings
			after = d.desync()
			if within++; !(after <= 0.005) {
				within = 0
			}
		}
		if ada.halted() {
			return false
		}
		t.Logf("desync %.4f without trim, %.4f with it", before, after)
		if !(before >= 0.005) || within < 2 {
			t.Errorf("desync %.4f without trim, %.4f with it", before, after)
		}
		ada.picture("drive trim")
		return ada.sees(`(e => e && (e.click(), true))(document.querySelector('#release'))`)
	})
	ada.shows(`!document.querySelector('#desk') && document.querySelector('#arm-form')`)
	d.has("release stops", time.Now().UnixMicro(), time.Second, standing)
}

// desync is how far the two sets are apart, over half a second of the view's readings; NaN
// where they do not tell.
func (d *drivers) desync() float64 {
	d.t.Helper()
	sum, n := map[string]float64{}, map[string]int{}
	x := &desk{&track{t: d.t, h: d.h}, ""}
	motors := x.view().Motors
	for _, m := range motors {
		if m.WheelSpeedMmS != nil && m.AtUs > motors[len(motors)-1].AtUs-700_000 {
			sum[m.Motor] += *m.WheelSpeedMmS
			n[m.Motor]++
		}
	}
	a, b := motorsOfHeron[0], motorsOfHeron[1]
	va, vb := sum[a]/float64(n[a]), sum[b]/float64(n[b])
	return math.Abs((vb - va) / ((va + vb) / 2))
}

// runs has the experiment gone on with.
func (x *desk) runs() bool {
	x.t.Helper()
	x.armAgain()
	return x.sees(`(e => e && (e.click(), true))(document.querySelector('#run-experiment:enabled'))`) && x.sees(`document.querySelector('#halt-now') && document.querySelector('.pair-order li.now')`)
}

// runsAll has all runs made. One that was not made to its end is gone on with.
func (x *desk) runsAll(n int) {
	x.t.Helper()
	x.anew(func() bool {
		chrome.Wait(x.t, x.ctx, `!document.querySelector('#halt-now')`, chrome.Limit)
		if chrome.Eval[int](x.t, x.ctx, `document.querySelectorAll('.pair-order li.made').length`) == n {
			return true
		}
		x.runs()
		return false
	})
}

// TestPageTriesTrim plans an experiment of two pairs and runs it to its end.
func TestPageTriesTrim(t *testing.T) {
	d := openDrivers(t)
	ada := d.at("Ada", "drive")
	ada.shows(`document.querySelector('#experiment-form')`)
	ada.fill("#experiment-form", map[string]string{"pairs": "2", "laps": "1", "warmup": "0", "throttle": "60", "seed": "11"})
	ada.press("#experiment-form .rows > button")
	ada.shows(`document.querySelector('#experiment-form [name="cond.name"]')`)
	ada.fill("#experiment-form", map[string]string{"cond.name": "trim", "cond.value": "dry"})
	ada.press("#plan-experiment")
	ada.shows(`document.querySelector('#experiment [role=alert]')?.innerText.includes('writes the condition trim itself')`)
	ada.fill("#experiment-form", map[string]string{"cond.name": "lubrication"})
	ada.press("#plan-experiment")
	ada.textHas("#experiment", "All with lubrication dry")
	ada.shows(`document.querySelectorAll('.pair-order li').length === 4 && document.querySelector('#hindrance')`)
	order := chrome.Eval[[]string](t, ada.ctx, `[...document.querySelectorAll('.pair-order li')].map(e => e.dataset.trim)`)
	ada.arm()
	ada.anew(ada.runs)
	ada.picture("drive experiment")
	ada.runsAll(4)
	var ran []string
	for _, tr := range ada.view().Trials {
		turn, ok := tr.TurnOf("heron-trim")
		if tr.Void && tr.Outcome == wire.Abandoned {
			continue // and run again
		}
		if !ok || tr.ToUs == 0 || tr.Void || tr.EndsAfterLaps != 1 || tr.Conditions["throttle_permille"] != 600.0 || tr.Conditions["seed"] != 11.0 || tr.Conditions["lubrication"] != "dry" {
			t.Errorf("%+v", tr)
		}
		ran = append(ran, turn.Trim)
	}
	if !slices.Equal(ran, order) || ran[0] == ran[1] || ran[2] == ran[3] || ran[0] == ran[2] {
		t.Errorf("planned %v, ran %v", order, ran)
	}
	chrome.Wait(t, ada.ctx, `document.querySelector('#paired tr[data-figure="mean lap time"] td')?.innerText === '2'`, 15*time.Second)
	ada.textHas("#paired", "mean lap time", "speed", "desync", " to ")
	ada.picture("drive experiment over")
	chrome.Eval[bool](t, ada.ctx, `(document.querySelectorAll('#experiment details').forEach(e => (e.open = true)), true)`)
	ada.fits("the experiment", false)
	csv := string(get(t, d.h.URL+"/api/paired-laps.csv?experiment=heron-trim"))
	rows := strings.Split(strings.TrimSpace(csv), "\n")
	if !strings.Contains(rows[0], ",trim,pair,place,order,") || len(rows) < 5 || !strings.Contains(csv, ",on,2,") || !strings.Contains(csv, ",off,1,") {
		t.Errorf("the laps:\n%s", csv)
	}
	if href := chrome.Eval[string](t, ada.ctx, `document.querySelector('#paired-csv').getAttribute('href')`); !strings.Contains(href, "/api/paired-laps.csv?session=s1&experiment=heron-trim") {
		t.Errorf("the link is %q", href)
	}
	d.has("after the last run", time.Now().UnixMicro(), 2*time.Second, standing)
}
