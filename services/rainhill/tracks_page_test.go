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
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/rainhill/host"
)

// TestPageTellsWhatTrainsDo has trains run on a small track past the real service, and reads
// from the page what became of them. The stories take their time, so they run at once.
func TestPageTellsWhatTrainsDo(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	for _, story := range []struct {
		name string
		tell func(t *testing.T, x *track)
	}{
		{"a train stands still alone", standsAlone},
		{"a train stands still and goes on", standsAndGoesOn},
		{"a train runs back", runsBack},
		{"a train is lifted off", liftedOff},
		{"a train leaves the rails", leavesTheRails},
		{"one tap tells two trains apart", orderInOneTap},
		{"the tap waits for no train", orderBeforeTheTrains},
		{"lengths contradict what was told", lengthsContradict},
		{"tags contradict what was told", tagsContradict},
		{"a lap is voided and restored", voidedAndRestored},
		{"a lap is provisional and then final", provisionalThenFinal},
		{"clocks that are exchanged and one that is not", clocksTold},
	} {
		t.Run(story.name, func(t *testing.T) {
			t.Parallel()
			h := openHost(t, t.TempDir(), "line")
			t.Cleanup(func() { stopHost(t, h) })
			story.tell(t, &track{t: t, writer: &writer{t: t, nc: h.Bus(), site: "line"}, h: h, ctx: chrome.Tab(t, browser)})
		})
	}
}

// track is a loop of 4 m with a gate each metre, for trains that run a metre a second: what
// they did before beginUs is told at once, the rest as it happens. Its page is in ctx.
type track struct {
	t *testing.T
	*writer
	h       *host.Host
	ctx     context.Context
	beginUs int64
}

// train is a locomotive with a trial of its own.
type train struct {
	id, tag  string
	lengthMm float64
	motor    string // with a wheel of 1 m round and 1000 counts
}

// open opens the book a while ago.
func (x *track) open(agoS float64, trains ...train) {
	x.t.Helper()
	x.beginUs = time.Now().UnixMicro()
	x.sync(x.at(-agoS))
	circuit := wire.CircuitValue{Circuit: wire.Circuit{ID: "loop", Name: "Short loop", LapLengthMm: 4000, LapLengthUMm: 2}}
	for i := range 4 {
		circuit.Gates = append(circuit.Gates, wire.Gate{ID: fmt.Sprintf("g%d", i+1), PositionMm: 1000 * float64(i), Timing: i == 0})
	}
	x.decide(wire.WhatCircuit, "", circuit)
	x.decide(wire.WhatSession, "", wire.Session{ID: "evening", Name: "Evening running", Circuit: "loop", OpenedUs: x.at(-agoS)})
	for _, tr := range trains {
		l := wire.Locomotive{ID: tr.id, Name: strings.ToUpper(tr.id[:1]) + tr.id[1:], LengthMm: tr.lengthMm}
		if tr.motor != "" {
			l.DriverSets = []wire.DriverSet{{ID: "front", Motor: tr.motor, WheelDiameterMm: 1000 / math.Pi, GearRatio: 1, CountsPerRev: 1000}}
		}
		x.decide(wire.WhatLocomotive, "", l)
		x.decide(wire.WhatTrial, "", wire.Trial{ID: "t-" + tr.id, Locomotive: tr.id, Tag: tr.tag, FromUs: x.at(-agoS)})
	}
}

func (x *track) at(s float64) int64 { return x.beginUs + int64(s*1e6) }

// cross has a train pass a gate s seconds from the beginning. One with a length blocks the
// beam for as long; the instants are known to 1.5 ms.
func (x *track) cross(gate int, s float64, tag string, lengthMm float64) {
	x.t.Helper()
	u := 1500.0
	e := wire.Event{Kind: wire.KindCrossing, AtUs: x.at(s), Gate: fmt.Sprintf("g%d", gate), Edge: wire.EdgePulse, Tag: tag, UUs: &u}
	if lengthMm > 0 {
		clear := x.at(s + lengthMm/1000)
		e.Edge, e.ClearUs = wire.EdgeEnter, &clear
	}
	x.put(e)
}

// live has a train pass gates one after the other, in seconds from the beginning, as it happens.
func (x *track) live(tag string, seconds float64, gates ...int) {
	x.t.Helper()
	for i, g := range gates {
		s := seconds + float64(i)
		time.Sleep(time.Until(time.UnixMicro(x.at(s))))
		x.cross(g, s, tag, 0)
	}
}

// laps has trains go round from -n laps to the beginning, each apart from the one before, and
// come to gates up to 30 ms early or late but for the first and the last.
func (x *track) laps(n int, apart float64, trains ...train) {
	x.t.Helper()
	for k := range 4*n + 1 {
		s := float64(k - 4*n)
		if s < 0 && k > 0 {
			s += 0.01 * float64(k*3%7-3)
		}
		for i, tr := range trains {
			x.cross(k%4+1, s+apart*float64(i), tr.tag, tr.lengthMm)
		}
	}
}

// begin has trains, on the open page, have gone round up to now: what opening the page took is
// not the railway's time.
func (x *track) begin(n int, apart float64, trains ...train) {
	x.t.Helper()
	x.beginUs = time.Now().UnixMicro()
	x.laps(n, apart, trains...)
	x.shows(fmt.Sprintf(`rainhill.board.every(b => document.querySelector('[data-trial="' + b.trial + '"] [data-lap="%d"]'))`, n))
	chrome.Eval[bool](x.t, x.ctx, toGraph)
}

// toGraph scrolls to the train graph: what is not on the screen is not drawn.
const toGraph = `(document.querySelector('train-graph').scrollIntoView({block: 'center'}), true)`

// visit opens the line; an official is signed in by the start link.
func (x *track) visit(official bool) {
	x.t.Helper()
	view := x.h.URL + "/#line"
	if official {
		chrome.Do(x.t, x.ctx, "signing in", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(x.h.URL+"/#key="+x.h.StartKey),
			chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
		x.shows(`rainhill.official === 'official'`)
	}
	chrome.Do(x.t, x.ctx, "opening the line", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(view))
	x.shows(`rainhill.phase === 'live' && rainhill.board.length > 0 && document.querySelector('train-graph')`)
	chrome.Eval[bool](x.t, x.ctx, toGraph)
}

// holdViews lets no further view come to the page, only frames: as between a decision and
// the view that follows it. What the frames show can be decided on. The view that a line
// begins with anew comes, as it makes good the frames that were lost.
func (x *track) holdViews() {
	x.t.Helper()
	chrome.Eval[bool](x.t, x.ctx, `(parse => { JSON.parse = (...a) => { const m = parse(...a); return m?.type === 'view' && rainhill.phase !== 'down' ? {type: 'held'} : m; }; return true; })(JSON.parse)`)
}

// shows waits until an expression holds on the page.
func (x *track) shows(js string) time.Duration {
	x.t.Helper()
	return chrome.Wait(x.t, x.ctx, js, 8*time.Second)
}

func (x *track) text(selector string) string {
	x.t.Helper()
	return chrome.Eval[string](x.t, x.ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText.replace(/\s+/g, ' ').trim()).join(' | ')`, selector))
}

// says waits until what a selector finds holds some words.
func (x *track) says(selector string, want ...string) {
	x.t.Helper()
	for _, w := range want {
		x.shows(fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText.replace(/\s+/g, ' ')).join(' | ').includes(%q)`, selector, w))
	}
}

// What is told of Kestrel in the list, the newest first, and on the graph.
const (
	kestrelList    = `[data-trial="t-kestrel"] .incidents li`
	kestrelTickets = `button.ticket[aria-label^="Kestrel:"]`
)

// incident waits for the one incident of Kestrel, in the list and as a ticket on the graph.
// Last seen at lastS it stands from then on, and if that took long it is told of as well.
func (x *track) incident(kind string, lastS float64) wire.Incident {
	x.t.Helper()
	x.shows(fmt.Sprintf(`/^(stall,)?%s$/.test([...document.querySelectorAll('%s b')].map(b => b.innerText).join())`, kind, kestrelList))
	x.shows(fmt.Sprintf(`/^%s(,stall)?$/.test([...document.querySelectorAll('%s')].map(b => b.innerText.trim()).join())`, kind, kestrelTickets))
	x.shows(ticketOnGraph)
	for _, r := range results(x.t, x.h.URL).Trials {
		if r.Trial != "t-kestrel" || len(r.Incidents) == 0 || r.Incidents[0].Kind != kind {
			continue
		}
		for _, i := range r.Incidents[1:] {
			x.within("it stands", i.AtUs, lastS, lastS+1)
		}
		if n := len(r.Incidents); n == 1 || n == 2 && kind != wire.Stall && r.Incidents[1].Kind == wire.Stall {
			return r.Incidents[0]
		}
	}
	x.t.Fatalf("the service tells of no single %s", kind)
	return wire.Incident{}
}

// ticketOnGraph is whether the ticket lies within the graph.
const ticketOnGraph = `((t, g) => t.left >= g.left && t.right <= g.right && t.top >= g.top && t.bottom <= g.bottom)(
	document.querySelector('` + kestrelTickets + `').getBoundingClientRect(), document.querySelector('train-graph').getBoundingClientRect())`

// within wants an instant between two seconds from the beginning.
func (x *track) within(what string, us int64, from, to float64) {
	x.t.Helper()
	if s := float64(us-x.beginUs) / 1e6; s < from || s > to {
		x.t.Errorf("%s %.2f s from the beginning, want %g to %g", what, s, from, to)
	}
}

// The train should have come to g2 after 1 s and is taken to stand 4 s after three times that.
func standsAlone(t *testing.T, x *track) {
	k := train{id: "kestrel"}
	x.open(22, k)
	x.visit(false)
	// It is told to stand at times while its laps are told: the last time counts.
	chrome.Eval[any](t, x.ctx, fmt.Sprintf(`(told => new MutationObserver(() => {
		if (told !== (told = document.querySelector('%s') !== null) && told) window.toldMs = Date.now();
	}).observe(document.body, {subtree: true, childList: true}))(false)`, kestrelList))
	x.begin(5, 0, k)
	x.incident("stall", 0)
	x.within("the page tells of the stall", 1000*chrome.Eval[int64](t, x.ctx, `window.toldMs`), 7, 12)
	x.says(kestrelList, "not over", "between g1 and g2")
	for _, width := range []int64{390, 1920} {
		chrome.Do(t, x.ctx, "another screen", chromedp.EmulateViewport(width, 1000))
		chrome.Eval[bool](t, x.ctx, toGraph)
		x.shows(ticketOnGraph)
	}
}

func standsAndGoesOn(t *testing.T, x *track) {
	k, w := train{id: "kestrel", tag: "a1"}, train{id: "wren", tag: "b2"}
	x.open(22, k, w)
	x.visit(false)
	x.begin(5, 0.4, w, k)    // Wren in front
	x.live("b2", 1, 2, 3, 4) // it goes on, and waits behind Kestrel: nobody overtakes on a loop
	if i := x.incident("stall", 0.4); i.UntilUs != 0 {
		t.Errorf("the stall is over: %+v", i)
	}
	x.live("a1", 9.4, 2, 3)
	x.says(kestrelList, "8.0 s late between g1 and g2")
	// Both stand for good by now, which is told of too; the first is the stall.
	for _, r := range results(x.t, x.h.URL).Trials {
		if r.Trial != "t-kestrel" {
			continue
		}
		if len(r.Incidents) == 0 || r.Incidents[0].Kind != wire.Stall {
			t.Fatalf("the service tells of %+v, want the stall first", r.Incidents)
		}
		x.within("the stall begins", r.Incidents[0].AtUs, 0, 1)
		x.within("the stall ends", r.Incidents[0].UntilUs, 8, 9)
	}
}

func runsBack(t *testing.T, x *track) {
	k := train{id: "kestrel"}
	x.open(22, k)
	x.visit(false)
	x.begin(5, 0, k)
	x.live("", 1, 2)
	x.live("", 3, 2, 1)
	x.incident("reversal", 4)
	x.says(kestrelList+":last-child", "not over", "it ran back past g2")
	x.live("", 6, 1, 2, 3)
	x.shows(fmt.Sprintf(`!document.querySelector('%s:last-child').innerText.includes('not over')`, kestrelList))
	i := x.incident("reversal", 8)
	x.within("the reversal begins", i.AtUs, 1, 3)
	x.within("the reversal ends", i.UntilUs, 4, 6)
	if n := len(results(t, x.h.URL).Trials[0].Laps); n != 5 {
		t.Errorf("running back made a lap: there are %d, want 5", n)
	}
}

// turns tells the counts of a motor that turned a metre a second and stands from standS on.
func (x *track) turns(motor string, standS float64) {
	x.t.Helper()
	e := wire.Event{Kind: wire.KindMotor, AtUs: x.at(8), Motor: motor}
	for s := -1.0; s <= 8; s += 0.25 {
		counts := int64(1e6 + 1000*min(s, standS))
		e.Samples = append(e.Samples, wire.Sample{AtUs: x.at(s), Counts: &counts})
	}
	x.put(e)
}

func liftedOff(t *testing.T, x *track) {
	k := train{id: "kestrel", motor: "m1"}
	x.open(22, k)
	x.visit(false)
	x.begin(5, 0, k)
	x.live("", 1, 2)
	x.turns("m1", 1.5)
	x.setOn(t, "lift-off")
	x.says(kestrelList+":last-child", "its wheels stood")
}

func leavesTheRails(t *testing.T, x *track) {
	k := train{id: "kestrel"}
	x.open(22, k)
	x.visit(false)
	x.begin(5, 0, k)
	x.live("", 1, 2)
	x.setOn(t, "derailment")
	x.says(kestrelList+":last-child", "it left the rails between g2 and")
}

// setOn has a train last seen at g2 after 1 s go on from g1.
func (x *track) setOn(t *testing.T, kind string) {
	t.Helper()
	x.live("", 6, 1, 2, 3)
	i := x.incident(kind, 8)
	x.within("it begins", i.AtUs, 1, 6)
	x.within("it ends", i.UntilUs, 5.9, 6.1)
	if n := len(results(t, x.h.URL).Trials[0].Laps); n != 5 {
		t.Errorf("setting it on made a lap: there are %d, want 5", n)
	}
}

// starts is the first instant of each trial's first lap, in seconds from the beginning.
func (x *track) starts() map[string]float64 {
	x.t.Helper()
	out := map[string]float64{}
	for _, r := range results(x.t, x.h.URL).Trials {
		if len(r.Laps) > 0 {
			out[r.Trial] = math.Round(float64(r.Laps[0].StartUs-x.beginUs)/1e4) / 100
		}
	}
	return out
}

// orders are the order decisions in the journal.
func (x *track) orders() (all []string) {
	x.t.Helper()
	js, err := jetstream.New(x.nc)
	if err != nil {
		x.t.Fatal(err)
	}
	err = journal.Read(context.Background(), js, x.site, 1, 0, func(_ uint64, record []byte) error {
		var e wire.Event
		if err := json.Unmarshal(record, &e); err != nil || e.What != wire.WhatOrder {
			return err
		}
		var v wire.OrderValue
		err := json.Unmarshal(e.Value, &v)
		all = append(all, fmt.Sprint(e.By, " ", v.Trials))
		return err
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return all
}

func (x *track) wantOrders(want ...string) {
	x.t.Helper()
	if got := x.orders(); fmt.Sprint(got) != fmt.Sprint(want) {
		x.t.Errorf("orders in the journal: %q, want %q", got, want)
	}
}

func (x *track) wantStarts(kestrel, wren float64) {
	x.t.Helper()
	if got := x.starts(); got["t-kestrel"] != kestrel || got["t-wren"] != wren {
		x.t.Errorf("the first laps begin at %v s, want Kestrel's at %g and Wren's at %g", got, kestrel, wren)
	}
}

// press presses a button of the order as a hand does.
func (x *track) press(selector string) {
	x.t.Helper()
	chrome.Do(x.t, x.ctx, "pressing "+selector, chrome.Click(selector))
}

const gone = `!document.querySelector('.order')`

func orderInOneTap(t *testing.T, x *track) {
	k, w := train{id: "kestrel"}, train{id: "wren"}
	x.open(22, k, w)
	x.laps(5, 1.9, k, w)
	x.visit(true)
	x.shows(`document.querySelectorAll('.order button').length === 2`)
	x.says(".order", "Which locomotive passed the timing gate first?", "Kestrel", "Wren")
	before := x.starts()
	if before["t-kestrel"] == before["t-wren"] {
		t.Fatalf("the laps begin at %v", before)
	}
	x.press(`.order [data-order="t-wren"]`)
	x.shows(gone)
	x.wantOrders("official [t-wren t-kestrel]")
	x.wantStarts(-18.1, -20)
	x.shows(`rainhill.board.every(b => b.laps.length === 5)`)
}

// An official may tell before any train has come: they stand where all can see them.
func orderBeforeTheTrains(t *testing.T, x *track) {
	k, w := train{id: "kestrel"}, train{id: "wren"}
	x.open(22, k, w, train{id: "heron", tag: "c3"})
	x.visit(true)
	x.shows(`document.querySelectorAll('.order [data-order]').length === 2`)
	x.press(`.order [data-order="t-kestrel"]`)
	x.shows(gone)
	x.laps(5, 1.9, w, k) // nothing tells them apart but what was told
	x.shows(`rainhill.board.filter(b => b.laps.length === 5).length === 2`)
	x.wantOrders("official [t-kestrel t-wren]")
	x.wantStarts(-20, -18.1)
}

func lengthsContradict(t *testing.T, x *track) {
	k, w := train{id: "kestrel", lengthMm: 800}, train{id: "wren", lengthMm: 200}
	x.open(30, k, w)
	x.laps(6, 1.9, k, w)
	x.visit(true)
	x.shows(`document.querySelector('.order [data-order]')`)
	x.holdViews()
	x.press(`.order [data-order="t-wren"]`) // a mistake
	x.shows(`document.querySelector('.order')?.innerText.includes('not as long')`)
	x.says(".order", "Take the order Kestrel, then Wren")
	x.press(`.order button.primary`)
	x.shows(gone)
	x.wantOrders("official [t-wren t-kestrel]", "official [t-kestrel t-wren]")
	x.wantStarts(-24, -22.1)
}

func tagsContradict(t *testing.T, x *track) {
	k, w, o := train{id: "kestrel", tag: "a1"}, train{id: "wren", tag: "b2"}, train{id: "heron", tag: "c3"}
	x.open(22, k, w, o)
	x.decide(wire.WhatOrder, "", wire.OrderValue{Trials: []string{"t-kestrel", "t-heron", "t-wren"}})
	x.laps(5, 1.2, k, w, o)
	x.visit(true)
	x.shows(`document.querySelector('.order button.primary')`)
	x.says(".order", "The tags read say", "Take the order")
	x.press(`.order button.primary`)
	x.shows(gone)
	got := x.orders()
	if len(got) != 2 || !strings.Contains("t-kestrel t-wren t-heron t-kestrel t-wren t-heron", strings.Trim(strings.TrimPrefix(got[1], "official "), "[]")) {
		t.Errorf("orders in the journal: %q, want the trains in the order of their tags at last", got)
	}
	x.wantStarts(-20, -18.8)
}

func voidedAndRestored(t *testing.T, x *track) {
	k := train{id: "kestrel"}
	x.open(22, k)
	x.laps(5, 0, k)
	x.visit(true)
	const lap = `[data-trial="t-kestrel"] [data-lap="3"]`
	x.shows(fmt.Sprintf(`document.querySelector('%s')`, lap))
	x.holdViews()
	x.press(lap)
	for _, counts := range []string{"void", "yes"} {
		x.shows(`document.querySelector('dialog[open] form.void:not([inert]) [name=why]')`)
		chrome.Do(t, x.ctx, "giving a reason", chromedp.SendKeys("dialog[open] form.void [name=why]", "a hand was on the rails"))
		x.press("dialog[open] form.void button.primary")
		x.shows(fmt.Sprintf(`document.querySelector('dialog[open] form.void button.primary')?.innerText.startsWith(%q)`, map[string]string{"void": "Restore", "yes": "Void"}[counts]))
		if got := results(t, x.h.URL).Trials[0].Laps[2].Counts; got != counts {
			t.Errorf("lap 3 counts %q, want %q", got, counts)
		}
	}
}

// The lap that ends at the beginning is final when the train has passed g2 and g3 too, and
// nothing can come between any more.
func provisionalThenFinal(t *testing.T, x *track) {
	k := train{id: "kestrel"}
	x.open(26, k)
	x.visit(false)
	x.begin(6, 0, k)
	const lap = `[data-trial="t-kestrel"] [data-lap="6"]`
	provisional := fmt.Sprintf(`document.querySelector('%s')?.classList.contains('provisional')`, lap)
	x.shows(provisional)
	x.live("", 3, 2) // later than anything could come between
	time.Sleep(time.Until(time.UnixMicro(x.at(5.5))))
	if !chrome.Eval[bool](t, x.ctx, provisional) {
		t.Error("the lap is final though the train has passed one gate more")
	}
	x.cross(3, 5.5, "", 0)
	x.shows(fmt.Sprintf(`(e => e && !e.classList.contains('provisional'))(document.querySelector('%s'))`, lap))
	beside(t, x)
}

// beside turns the switch on and holds what the page shows to what the service says.
func beside(t *testing.T, x *track) {
	t.Helper()
	if strings.Contains(x.text("main .board article"), "±") {
		t.Error("intervals are shown unasked")
	}
	x.press(".board .check input")
	x.shows(`document.querySelector('[data-lap="6"]').innerText.includes('±')`)
	r := results(t, x.h.URL).Trials[0]
	last := r.Laps[5]
	if want := 1.5e-3 * math.Sqrt2; math.Abs(last.US-want) > 1e-4 {
		t.Errorf("u of the lap is %.5f s, want %.5f: two instants of 1.5 ms by one clock", last.US, want)
	}
	for where, want := range map[string][2]float64{
		`[data-lap="6"] .num`:  {last.LapTimeS, last.US},
		`.figures .last .num`:  {last.LapTimeS, last.US},
		`.figures .mean .num`:  {*r.Consistency.MeanS, (*r.Consistency.MeanHiS - *r.Consistency.MeanLoS) / 2 / 1.96},
		`.figures .speed .num`: {*r.SpeedMmS.Value, (*r.SpeedMmS.Hi - *r.SpeedMmS.Lo) / 2 / 1.96},
	} {
		got := numbers(x.text(`[data-trial="t-kestrel"] ` + where))
		half := 1.96 * want[1] // two digits of it are written, and the value to the same place
		if len(got) != 2 || math.Abs(got[0]-want[0]) > 0.06*half || math.Abs(got[1]-half) > 0.05*half+1e-9 {
			t.Errorf("%s says %v, want %.5f ± %.5f", where, got, want[0], half)
		}
	}
	x.press(`[data-lap="6"]`)
	x.shows(`document.querySelector('dialog[open]')?.innerText.includes('mm/s')`)
	x.says("dialog[open]", "±", "g1 g2", "g4 g1")
}

// clocksTold has two agents at the gates: one exchanges its clock, the other never does and is
// timed by arrival.
func clocksTold(t *testing.T, x *track) {
	x.open(5, train{id: "kestrel"})
	for i := range 20 {
		x.sync(x.at(0.2*float64(i) - 4))
	}
	x.cross(1, -1, "", 0)
	mute := &writer{t: t, nc: x.nc, site: x.site, agent: "far-beam"}
	mute.put(wire.Event{Kind: wire.KindCrossing, Gate: "g3", Edge: wire.EdgePulse})
	chrome.Do(t, x.ctx, "opening the health page", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(x.h.URL+"/health"))
	x.shows(`document.querySelectorAll('.agent').length === 2`)
	synced, unsynced := x.text(".agent:has(.offsets)"), x.text(".agent:not(:has(.offsets))")
	for _, row := range []string{"script", "clock offset", "ms", "drift", "ppm", "last exchange", "ago", "21 exchanges"} {
		if !strings.Contains(synced, row) {
			t.Errorf("of the agent that exchanges its clock the page says %q, want %q in it", synced, row)
		}
	}
	if got := strings.Count(synced, "±"); got != 2 {
		t.Errorf("of the agent that exchanges its clock the page says %q, want the uncertainty of offset and drift", synced)
	}
	if !strings.Contains(unsynced, "far-beam") || !strings.Contains(unsynced, "timed by arrival: no exchange yet, ± 39 ms") || strings.Contains(unsynced, "ppm") {
		t.Errorf("of the agent that never does the page says %q", unsynced)
	}
	x.shows(`document.querySelectorAll('.agent .offsets circle.used').length === 21 && document.querySelectorAll('.agent .offsets path.fit').length === 1`)
}
