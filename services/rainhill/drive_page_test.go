package main

import (
	"context"
	"fmt"
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

// has waits until both motors report a throttle that holds, and says when the later of them did first.
func (d *drivers) has(what string, fromUs int64, within time.Duration, holds func(duty int64) bool) (atUs int64) {
	d.t.Helper()
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
			if took := time.Duration(latest-fromUs) * time.Microsecond; took > within {
				d.t.Errorf("%s: it took %s, want at most %s", what, took, within)
			}
			return latest
		}
	}
	all := d.since(fromUs)
	d.t.Fatalf("%s: not within %s; the boards reported %v", what, within, all[max(0, len(all)-8):])
	return 0
}

func standing(duty int64) bool { return duty == 0 }

func about(permille int64) func(int64) bool {
	return func(duty int64) bool { return max(duty-permille, permille-duty) <= 2 }
}

// at opens a browser of an official's own; "" looks on without signing in.
func (d *drivers) at(name, view string) *desk {
	d.t.Helper()
	x := &desk{&track{t: d.t, writer: &writer{t: d.t, nc: d.h.Bus(), site: "line"}, h: d.h, ctx: chrome.TabFor(d.t, d.browser, 4*time.Minute)}, name}
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

const reporting = `document.querySelectorAll('#arm-form [name=motor]:checked').length === 2`

// arm confirms the cautions and arms both motors.
func (x *desk) arm() {
	x.t.Helper()
	x.shows(reporting)
	x.confirm("cautions")
	x.press("#arm-form button.primary")
	x.shows(`document.querySelector('#desk') && !document.querySelector('#dead')`)
}

func (x *desk) confirm(name string) {
	x.t.Helper()
	chrome.Eval[bool](x.t, x.ctx, fmt.Sprintf(`(document.querySelector('#arm-form [name=%s]').checked = true, true)`, name))
}

// armAgain arms anew where the service has stopped everything by itself because the
// machine that tests kept it waiting: it is to, and whoever drives goes on.
func (x *desk) armAgain() {
	x.t.Helper()
	if why := chrome.Eval[string](x.t, x.ctx, `document.querySelector('#lost')?.innerText ?? ''`); strings.Contains(why, "stood still") || strings.Contains(why, "nothing was heard") {
		x.t.Log(why)
		x.arm()
	}
}

// whole sets the throttle of the whole locomotive by its slider.
func (x *desk) whole(permille int) {
	x.t.Helper()
	x.armAgain()
	chrome.Eval[bool](x.t, x.ctx, fmt.Sprintf(`(() => { const e = document.querySelector('[data-throttle=all-heron] input[type=range]'); e.value = '%d'; e.dispatchEvent(new Event('input', {bubbles: true})); return true; })()`, permille))
}

// escape presses the key, and says when.
func (x *desk) escape() int64 {
	x.t.Helper()
	from := time.Now().UnixMicro()
	press(x.t, x.ctx, "Escape", "Escape", "")
	return from
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
	looker.shows(`document.querySelector('#stop .stop-all') && document.querySelector('#stop').innerText.includes('Ada')`)
	from := time.Now().UnixMicro()
	ada.whole(400)
	d.has("40 % by the slider", from, 3*time.Second, about(400))
	ada.shows(`[...document.querySelectorAll('.driven tbody tr')].every(r => r.querySelector('[data-duty="400"]') && /mm\/s/.test(r.innerText))`)
	if !chrome.Eval[bool](d.t, ada.ctx, `[...document.querySelectorAll('.ways input')].every(e => e.disabled)`) {
		d.t.Error("the way can be changed while it runs")
	}
	chrome.Eval[bool](d.t, ada.ctx, `(document.querySelector('[data-throttle=m1-rear] input[type=range]').focus(), true)`)
	press(d.t, ada.ctx, "PageUp", "PageUp", "")
	ada.shows(`document.querySelector('[data-motor=m1-rear] [data-asked="450"]') && document.querySelector('[data-motor=m1-front] [data-asked="400"]')`)
	press(d.t, ada.ctx, "0", "Digit0", "0")
	ada.shows(`document.querySelector('[data-motor=m1-rear] [data-asked="0"]')`)
	ada.whole(300)
	ada.shows(`document.querySelector('[data-motor=m1-rear] [data-asked="300"]')`)
	for _, slip := range []string{"640", "-5", ""} { // a typed slip is refused, and is not full throttle
		chrome.Eval[bool](d.t, ada.ctx, fmt.Sprintf(`(e => (e.value = %q, e.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('[data-throttle=m1-rear] input[type=number]'))`, slip))
		ada.shows(`document.querySelector('#refused')?.innerText.includes('0 to 100 %') && document.querySelector('[data-throttle=m1-rear] input[type=number]').value === '30.0'`)
		ada.press("#refused button")
	}
	ada.shows(`!document.querySelector('#refused') && document.querySelector('[data-motor=m1-rear] [data-asked="300"]')`)
	ada.picture("drive desk")
}

// stopsFromElsewhere has the railway stand within half a second of a press, measured on its boards.
func (d *drivers) stopsFromElsewhere(ada, looker *desk) {
	d.t.Helper()
	stopped := func(what string, act func(x *desk) int64) {
		d.t.Helper()
		from := time.Now().UnixMicro()
		ada.whole(500)
		d.has("driven before "+what, from, 4*time.Second, about(500))
		from = act(looker)
		at := d.has(what, from, 500*time.Millisecond, standing)
		d.t.Logf("%s: the boards had 0 after %d ms", what, (at-from)/1000)
		ada.shows(`document.querySelector('#lost') && !document.querySelector('#desk')`)
		ada.says("#lost", "somebody who is not signed in")
		looker.shows(`document.querySelector('#stop').innerText.includes('All motors stopped') && document.querySelector('#stop').innerText.includes('somebody who is not signed in')`)
	}
	for _, view := range []string{"line", "wall", "results"} {
		chrome.Eval[bool](d.t, looker.ctx, fmt.Sprintf(`(location.hash = %q, true)`, view))
		looker.shows(fmt.Sprintf(`rainhill.view === %q && document.querySelector('#stop .stop-all')?.getBoundingClientRect().height >= 60`, view))
	}
	stopped("the button of one who is not signed in", func(x *desk) int64 {
		from := time.Now().UnixMicro()
		x.press("#stop .stop-all")
		if !chrome.Eval[bool](d.t, x.ctx, `new Promise(r => requestAnimationFrame(() => r(/Stopp(ing|ed)|motors stopped/.test(document.querySelector('#stop').innerText))))`) {
			d.t.Error("nothing is shown in the frame after the press")
		}
		return from
	})
	ada.arm()
	looker.shows(`document.querySelector('#stop .stop-all')`)
	stopped("escape with a slip open and a field in use", func(x *desk) int64 {
		x.press(".official button")
		chrome.Do(d.t, x.ctx, "typing", chromedp.WaitVisible("dialog input[name=key]"), chromedp.SendKeys("dialog input[name=key]", "half a word"))
		x.shows(`document.querySelector('dialog:modal #stop .stop-all')`)
		return x.escape()
	})
	ada.arm()
	looker.shows(`document.querySelector('#stop .stop-all')`)
	stopped("escape on the page of a replay", func(x *desk) int64 {
		chrome.Do(d.t, x.ctx, "opening a replay", chromedp.Navigate(d.h.URL+"/replay?session=s1"))
		x.shows(`document.querySelector('#stop .stop-all')`)
		return x.escape()
	})
}

// TestPageDriversChange has another official take over knowingly: the motors stop, and the
// loser is told by whom. Who leaves the page loses authority.
func TestPageDriversChange(t *testing.T) {
	d := openDrivers(t)
	ada := d.at("Ada", "drive")
	ada.arm()
	ada.whole(350)
	d.has("before it is taken over", time.Now().UnixMicro(), 4*time.Second, about(350))
	ben := d.at("Ben", "drive")
	ben.textHas("#arm", "Speak with Ada first", "35.0 %")
	if chrome.Eval[bool](d.t, ben.ctx, `document.querySelector('#arm-form') !== null`) {
		d.t.Error("authority can be taken over without being told whose it is")
	}
	ben.press("#take-over")
	ben.shows(reporting)
	ben.confirm("cautions")
	ben.press("#arm-form button.primary")
	if chrome.Eval[bool](d.t, ben.ctx, `document.querySelector('#desk') !== null`) {
		d.t.Error("authority was taken over without the second confirmation")
	}
	ben.confirm("knowingly")
	from := time.Now().UnixMicro()
	ben.press("#arm-form button.primary")
	d.has("taking over stops the motors", from, time.Second, standing)
	ada.shows(`document.querySelector('#lost')?.innerText.includes('Ben took over') && !document.querySelector('#desk')`)
	ben.shows(`document.querySelector('#desk')`)
	ben.whole(350)
	from = time.Now().UnixMicro()
	d.has("the new holder drives", from, 4*time.Second, about(350))
	from = time.Now().UnixMicro()
	chrome.Do(d.t, ben.ctx, "leaving the page", chromedp.Navigate("about:blank"))
	at := d.has("authority lapses when the page is left", from, 3*time.Second, standing)
	d.t.Logf("the boards had 0 %d ms after the page was left", (at-from)/1000)
	ada.shows(`document.querySelector('#stop').innerText.includes('nothing was heard of Ben')`)
}

// sweeps runs a sweep to its end, anew where the service ended it because the machine that
// tests kept it waiting. It gives the instant at which the last one began.
func (x *desk) sweeps() (from int64) {
	x.t.Helper()
	const over = `document.querySelector('#swept')?.innerText.includes('ran to its end')`
	for range 4 {
		x.armAgain()
		from = time.Now().UnixMicro()
		chrome.Eval[bool](x.t, x.ctx, `(document.querySelector('.sweep-form').open = true, document.querySelector('#ramp').value = '0.5', document.querySelector('#ramp').dispatchEvent(new Event('change')), true)`)
		x.fill("#sweep-form", map[string]string{"from": "20", "to": "40", "steps": "3", "hold": "0.7"})
		x.press("#sweep-form button.primary")
		x.shows(`document.querySelector('#sweeping')?.innerText.includes('of 5') || !!document.querySelector('#lost')`)
		x.picture("drive sweep")
		chrome.Wait(x.t, x.ctx, over+` || !!document.querySelector('#lost')`, 30*time.Second)
		if chrome.Eval[bool](x.t, x.ctx, `!!(`+over+`)`) {
			return from
		}
	}
	x.t.Fatal("no sweep ran to its end")
	return 0
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
	ada.whole(600)
	d.has("before trim", time.Now().UnixMicro(), 4*time.Second, about(600))
	ada.shows(`document.querySelector('form[data-trim=heron]')`)
	time.Sleep(1500 * time.Millisecond) // while the train gathers speed both sets pull, and part less
	before := d.desync()
	for end := time.Now().Add(15 * time.Second); max(before, -before) < 0.005 && time.Now().Before(end); before = d.desync() {
		time.Sleep(100 * time.Millisecond) // the train is still gathering speed
	}
	ada.press("form[data-trim=heron] button")
	chrome.Wait(t, ada.ctx, `(() => { const v = document.querySelector('[data-desync]')?.dataset.desync; return v && Math.abs(Number(v)) < 0.005; })()`, 8*time.Second)
	time.Sleep(time.Second)
	after := d.desync()
	t.Logf("desync %.4f without trim, %.4f with it", before, after)
	if max(before, -before) < 0.005 || max(after, -after) > 0.005 {
		t.Errorf("desync %.4f without trim, %.4f with it", before, after)
	}
	ada.picture("drive trim")
	ada.press("#release")
	ada.shows(`!document.querySelector('#desk') && document.querySelector('#arm-form')`)
	d.has("release stops", time.Now().UnixMicro(), time.Second, standing)
}

// desync is that of the two sets over half a second of the view's readings.
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
	if n[a] == 0 || n[b] == 0 {
		d.t.Fatalf("wheel speeds of %v", n)
	}
	va, vb := sum[a]/float64(n[a]), sum[b]/float64(n[b])
	return (vb - va) / ((va + vb) / 2)
}

// runsAll has all runs made. One that was not made to its end is gone on with.
func (x *desk) runsAll(n int) {
	x.t.Helper()
	for end := time.Now().Add(150 * time.Second); time.Now().Before(end); {
		chrome.Wait(x.t, x.ctx, `!document.querySelector('#halt-now')`, 80*time.Second)
		if chrome.Eval[int](x.t, x.ctx, `document.querySelectorAll('.pair-order li.made').length`) == n {
			return
		}
		x.armAgain()
		x.shows(`document.querySelector('#run-experiment:enabled')`)
		x.press("#run-experiment")
		x.shows(`document.querySelector('#halt-now')`)
	}
	x.t.Fatal("the experiment did not come to its end")
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
	ada.shows(`document.querySelector('#run-experiment') && !document.querySelector('#run-experiment').disabled`)
	ada.press("#run-experiment")
	ada.shows(`document.querySelector('.pair-order li.now')`)
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
