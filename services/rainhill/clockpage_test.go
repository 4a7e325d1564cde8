package main

import (
	"encoding/json"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// TestPageShowsAClock sends the exchanges of a clock 12 ms ahead and 38 ppm fast, then
// sets it by a minute, and reads from the health page what the real service makes of it.
func TestPageShowsAClock(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	h := openHost(t, t.TempDir(), "line")
	defer stopHost(t, h)
	w := &writer{t: t, nc: h.Bus(), site: "line"}
	start := time.Now().UnixMicro() - 300_000_000
	exchange := func(bus, by int64) {
		t1 := bus + 12_000 + by + 38*(bus-start)/1_000_000 - 300
		t3, t4 := bus+100, t1+700
		w.put(wire.Event{Kind: wire.KindSync, AtUs: t4, T1Us: &t1, T2Us: &bus, T3Us: &t3, T4Us: &t4})
	}
	for i := range int64(30) {
		exchange(start+10_000_000*i, 0)
	}
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "opening the health page", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL+"/health"))
	chrome.Wait(t, ctx, `document.querySelectorAll('.agent circle.used').length === 30 && document.querySelector('.agent path.fit')`, 10*time.Second)
	read := func(row string) []float64 {
		return numbers(chrome.Eval[string](t, ctx, `[...document.querySelectorAll('.agent dl > div')].find(d => d.querySelector('dt').textContent === '`+row+`').querySelector('dd').innerText`))
	}
	if drift := read("drift"); len(drift) != 2 || math.Abs(drift[0]-38) > drift[1] || drift[1] > 3 {
		t.Errorf("the page says the drift is %v ppm, want 38 within +/- 3", drift)
	}
	want := -12 - 38e-6*float64(time.Now().UnixMicro()-start)/1e3
	if off := read("clock offset"); len(off) != 2 || math.Abs(off[0]-want) > off[1] || off[1] > 1 {
		t.Errorf("the page says the offset is %v ms, want %.2f within +/- 1", off, want)
	}
	exchange(start+300_000_000, 60_000_000)
	chrome.Wait(t, ctx, `document.querySelector('.agent').innerText.includes('1 time since it started')`, 5*time.Second)
	if off := read("clock offset"); math.Abs(off[0]+60) > 0.1 {
		t.Errorf("after the clock was set the page says the offset is %v s, want -60", off)
	}
	var told wire.Health
	if err := json.Unmarshal(get(t, h.URL+"/api/health"), &told); err != nil || len(told.Agents) == 0 {
		t.Fatalf("health: %v", err)
	}
	if a := told.Agents[0]; a.Clock != wire.ClockSynced || a.Epochs != 1 || len(a.ClockPoints) != 31 {
		t.Errorf("the service tells of %s, %d epochs, %d exchanges; want synced, 1, 31", a.Clock, a.Epochs, len(a.ClockPoints))
	}
}

// numbers are those in a text of the page, in order.
func numbers(text string) (all []float64) {
	for _, s := range regexp.MustCompile(`[−+]?\d+(\.\d+)?`).FindAllString(text, -1) {
		if x, err := strconv.ParseFloat(strings.ReplaceAll(s, "−", "-"), 64); err == nil {
			all = append(all, x)
		}
	}
	return all
}
