package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/nats-io/nats.go"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/services/rainhill/host"
)

// TestAClubsDay walks a whole day as a club official does, with the real service,
// a real browser and trains that run by themselves: a circuit is drawn, four
// locomotives entered, the order run, a lap voided, a locomotive put right, the
// results signed, printed, replayed and scored under other rules.
func TestAClubsDay(t *testing.T) {
	t.Parallel() // it waits for trains most of the time
	browser := chrome.Start(t)
	data := t.TempDir()
	h := openHost(t, data, "line")
	ctx := chrome.TabFor(t, browser, 15*time.Minute)
	d := &clubDay{t: t, h: h, desk: &desk{&track{t: t, writer: &writer{t: t, nc: h.Bus(), site: "line"}, h: h, ctx: ctx}, "Juniper"}}
	d.desk.signIn()
	for _, part := range []struct {
		name string
		does func()
	}{
		{"draw a circuit", d.draws},
		{"enter four locomotives in the roster", d.fillsTheRoster},
		{"open a session and a meet", d.opensTheMeet},
		{"run the order", d.runsTheOrder},
		{"void a lap", d.voidsALap},
		{"close, correct a locomotive, sign", d.corrects},
		{"print", d.prints},
		{"replay", d.replays},
		{"score under other rules", d.scoresAgain},
	} {
		start := time.Now()
		part.does()
		t.Logf("%s: %.1f s", part.name, time.Since(start).Seconds())
		if t.Failed() {
			break
		}
	}
	if t.Failed() {
		stopHost(t, h)
		return
	}
	live := get(t, h.URL+"/api/results?session="+d.session)
	stopHost(t, h)
	d.staysTheSame(data, live)
}

// clubDay is the day's official, and what the day has come to.
type clubDay struct {
	t       *testing.T
	h       *host.Host
	desk    *desk
	session string
	voided  string // the trial with the voided lap
}

func (d *clubDay) view() wire.View { return d.desk.view() }

func (d *clubDay) draws() {
	b := &board{d.t, d.h.URL, d.desk.ctx}
	d.desk.to("book")
	b.press("[aria-labelledby=b-circuit] .acts button")
	b.waits(`document.activeElement.matches('form.drawing [name=name]')`)
	b.writes("form.drawing [name=name]", "Shed oval")
	b.press("input[value=pieces]")
	b.waits(`document.querySelector('.drawing .oval button')`)
	b.writes(".drawing .oval label:nth-of-type(1) input", "150")
	b.writes(".drawing .oval label:nth-of-type(2) input", "250")
	b.press(".drawing .oval button")
	b.waits(`document.querySelector('.closure')?.innerText.includes('closed') && document.querySelectorAll('.piece-no').length === 4`)
	x, y := b.at(720)
	b.mouse(input.DispatchMouseEventTypeMouseMoved, x, y, 0)
	b.waits(`document.querySelector('.ghost')`)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y, 1)
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x, y, 0)
	b.gate("g2", 720, 2)
	d.desk.picture("day drawing board")
	b.press("form.drawing .acts button.primary")
	b.waits(`!document.querySelector('form.drawing')`)
	if c := d.view().Circuits; len(c) != 1 || c[0].Hint != "" || len(c[0].Gates) != 2 {
		d.t.Fatalf("drawn was %+v", c)
	}
}

var dayLocomotives = []string{"Heron", "Otter", "Lynx", "Marten"}

func (d *clubDay) fillsTheRoster() {
	s := &shed{d.t, d.desk.ctx, d.h, d.desk.writer}
	d.desk.to("roster")
	for _, name := range dayLocomotives {
		s.press("[aria-labelledby=r-locomotive]", "Write down a locomotive")
		s.fill("name", 0, name)
		s.fill("owner", 0, "The club")
		s.written()
	}
	s.wait(`document.querySelectorAll('[aria-labelledby=r-locomotive] [data-id]').length === 4`)
	d.desk.picture("day roster")
}

func (d *clubDay) opensTheMeet() {
	d.desk.to("book")
	d.desk.button("[aria-labelledby=b-session]", "Open a session")
	d.desk.shows(`document.querySelector('form.entry [name=circuit]')`)
	d.desk.fill("form.entry", map[string]string{"name": "Club day"})
	d.desk.press("form.entry button.primary")
	d.desk.shows(`document.querySelector('header').innerText.includes('Club day')`)
	d.session = d.view().Session.ID
	p := d.meet()
	d.desk.to("meet")
	p.make(map[string]string{"class.name": "Open class", "rounds": "1", "laps": "2", "warmup": "1"})
	p.press("#next button.primary")
	for i, name := range dayLocomotives {
		p.enter([]string{"Mistral Vane", "Juniper Lock", "Sorrel Beck", "Linden Weir"}[i], name)
	}
	p.press("#next button.primary")
	p.drawn()
	p.press("#adopt")
	p.shows(`document.querySelector('#open-run')`)
}

func (d *clubDay) meet() *meetPage { return &meetPage{d.desk.track} }

// railway is the simulated one, laid as the official drew it.
func (d *clubDay) railway() sim.Scenario {
	s, err := sim.Load("meet")
	if err != nil {
		d.t.Fatal(err)
	}
	c := d.view().Circuits[0]
	s.Circuit.Pieces = nil
	for _, p := range c.Circuit.Pieces {
		s.Circuit.Pieces = append(s.Circuit.Pieces, sim.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Hand: p.Hand})
	}
	s.Gates = s.Gates[:0]
	for _, g := range c.Gates {
		s.Gates = append(s.Gates, sim.Gate{ID: g.ID, PositionMm: g.PositionMm, Timing: g.Timing, Sees: "train", Agent: "sim-gates"})
	}
	for i := range s.Trains {
		s.Trains[i].StartMm, s.Trains[i].Consist.Cars, s.Trains[i].Throttle = 1300, nil, [][2]float64{{0.5, 700}}
	}
	return s
}

func (d *clubDay) runsTheOrder() {
	s := d.railway()
	d.h.Start("simulated railway", func(ctx context.Context, nc *nats.Conn) error { return sim.RunCalled(ctx, nc, "line", s, 1) })
	p := d.meet()
	for n := range 4 {
		if n == 2 {
			d.desk.to("call")
			d.desk.picture("day call sheet")
			d.desk.to("meet")
		}
		p.press("#open-run")
		p.fill("#run-form", map[string]string{"battery_v": "7.9", "throttle_permille": "700", "tyres": "none", "temperature_c": "19"})
		chrome.Wait(d.t, d.desk.ctx, fmt.Sprintf(`document.querySelectorAll('.turns li.made').length === %d && !document.querySelector('.now')`, n+1), 60*time.Second)
	}
	d.desk.picture("day meet")
	for _, r := range d.results().Trials {
		if r.Consistency.N != 2 || r.About.ToUs == 0 || r.About.Conditions["battery_v"] != 7.9 {
			d.t.Errorf("%s has %d counting laps, %+v", r.Trial, r.Consistency.N, r.About)
		}
	}
}

func (d *clubDay) results() wire.Results { return resultsOf(d.t, d.h, d.session) }

func (d *clubDay) voidsALap() {
	d.voided = d.results().Trials[1].Trial
	d.desk.to("line")
	counted := 0 // of laps that count: one after the trial's end, or of its warm-up, would change nothing
	for _, l := range d.results().Trials[1].Laps {
		if l.Counts == wire.CountsYes {
			counted = l.Lap
		}
	}
	lap := fmt.Sprintf(`document.querySelector('[data-trial=%q] .lap[data-lap="%d"]')`, d.voided, counted)
	d.desk.shows(lap)
	d.desk.picture("day line")
	chrome.Eval[bool](d.t, d.desk.ctx, fmt.Sprintf(`(%s.click(), true)`, lap))
	d.desk.shows(`document.querySelector('dialog[open] form.void')`)
	d.desk.fill("dialog[open] form.void", map[string]string{"why": "a hand was on the rails"})
	d.desk.press("dialog[open] form.void button.primary")
	d.desk.shows(`document.querySelector('dialog[open]').innerText.includes('a hand was on the rails')`)
	chrome.Eval[bool](d.t, d.desk.ctx, `(document.querySelector('dialog[open]').close(), true)`)
	if n := trialOf(d.t, d.results(), d.voided).Consistency.N; n != 1 {
		d.t.Errorf("%d laps count after one of two was voided", n)
	}
}

// corrects closes the session, notices that a trial was another locomotive's, and signs.
func (d *clubDay) corrects() {
	p := d.meet()
	d.desk.to("meet")
	p.press("#close-session")
	p.press("#close-really")
	p.shows(`document.querySelector('#signing .digest')`)
	before := d.results().Trials[0]
	other := "heron"
	if before.Train == other {
		other = "otter"
	}
	d.desk.to("book")
	line := fmt.Sprintf(`[data-line=%q]`, before.Trial)
	d.desk.button(line, "Correct")
	d.desk.shows(`document.querySelector('form.trial-sheet [name=why]')`)
	d.desk.fill("form.trial-sheet", map[string]string{"locomotive": other, "why": "the card was mixed up"})
	d.desk.press("form.trial-sheet button.primary")
	d.desk.shows(`!document.querySelector('form.entry')`)
	after := d.results().Trials[0]
	if after.Train != other || after.LapCount != before.LapCount {
		d.t.Errorf("corrected to %s the trial is of %s, with %d laps, not %d", other, after.Train, after.LapCount, before.LapCount)
	}
	d.desk.picture("day book")
	d.desk.to("meet")
	var seal wire.Seal // the page asks for it anew, as the results are others now
	if err := json.Unmarshal(get(d.t, d.h.URL+"/api/digest?session="+d.session), &seal); err != nil {
		d.t.Fatal(err)
	}
	p.shows(fmt.Sprintf(`document.querySelector('#signing [data-digest=%q]')`, seal.Digest))
	p.press("#sign")
	p.shows(`document.querySelector('#seal')`)
	d.desk.picture("day signed")
	d.desk.to("audit")
	d.desk.shows(`document.querySelector('main').innerText.includes('signed')`)
	d.desk.picture("day audit")
	if s := d.results().Seal; s == nil || s.By != "Juniper" {
		d.t.Fatalf("signed: %+v", s)
	}
}

func (d *clubDay) prints() {
	chrome.Do(d.t, d.desk.ctx, "opening the results", chromedp.Navigate(d.h.URL+"/results?session="+d.session))
	d.desk.shows(sheetShown)
	d.desk.textHas(".return", "Club day", "Mistral Vane", "Open class")
	d.desk.picture("day results")
	for name, size := range map[string][2]float64{"A4": {8.27, 11.69}, "letter": {8.5, 11}} {
		if n := pagesOf((&reading{t: d.t, ctx: d.desk.ctx}).print(size)); n < 1 || n > 2 {
			d.t.Errorf("on %s the day has %d pages", name, n)
		}
	}
}

func (d *clubDay) replays() {
	chrome.Do(d.t, d.desk.ctx, "opening the replay", chromedp.Navigate(d.h.URL+"/replay?session="+d.session))
	d.desk.shows(`window.replay?.at_us && document.querySelector('.board') && document.querySelector('.rate select')`)
	chrome.Eval[bool](d.t, d.desk.ctx, `(s => (s.value = '100', s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('.rate select'))`)
	press(d.t, d.desk.ctx, " ", "Space", " ")
	chrome.Wait(d.t, d.desk.ctx, `replay.ended && replay.rate === 0`, 30*time.Second)
	for _, r := range d.results().Trials { // the end is told before it is drawn
		d.desk.shows(fmt.Sprintf(`document.querySelector('[data-trial=%q] .figures')?.textContent.includes('of %d')`, r.Trial, r.LapCount))
	}
	d.desk.picture("day replay")
}

// scoresAgain looks at the day with the lap a hundredth longer; signed, it stays.
func (d *clubDay) scoresAgain() {
	x := &reading{t: d.t, ctx: d.desk.ctx}
	chrome.Do(d.t, d.desk.ctx, "opening the results", chromedp.Navigate(d.h.URL+"/results?session="+d.session))
	x.shows(sheetShown)
	before := get(d.t, d.h.URL+"/api/results?session="+d.session)
	length := *d.results().LapLength.Value * 1.01
	x.set("length", fmt.Sprintf("%.1f", length))
	x.press(`.rescore form button`)
	x.shows(`document.querySelector('.differences tbody')`)
	x.says(".beside h3", fmt.Sprintf("lap length %.1f", length))
	if !bytes.Equal(get(d.t, d.h.URL+"/api/results?session="+d.session), before) {
		d.t.Error("looking at other rules changed the results")
	}
}

// staysTheSame takes the day out, in elsewhere, and makes the store anew: the
// results are the same, bit for bit, and the signature holds.
func (d *clubDay) staysTheSame(data string, live []byte) {
	t := d.t
	file := filepath.Join(t.TempDir(), "day.jsonl")
	mustRun(t, "export", "--data", data, "--session", d.session, "-o", file)
	if got := mustRun(t, "score", "--session", d.session, file); got != string(live) {
		t.Errorf("scored from the file: %s", firstDifference([]byte(got), live))
	}
	if said := mustRun(t, "verify", file); !strings.Contains(said, "Juniper") {
		t.Errorf("verify says %q", said)
	}
	wantRebuilt(t, data, "line")
	again := t.TempDir()
	mustRun(t, "import", "--data", again, "--site", "line", file)
	h := openHost(t, again, "line")
	defer stopHost(t, h)
	if got := get(t, h.URL+"/api/results?session="+d.session); !bytes.Equal(got, live) {
		t.Errorf("taken in elsewhere: %s", firstDifference(got, live))
	}
	var r wire.Results
	if err := json.Unmarshal(live, &r); err != nil || len(r.Trials) != 4 || r.Meet == nil || r.Meet.Done != 4 {
		t.Errorf("the day is %+v, %v", r.Meet, err)
	}
}
