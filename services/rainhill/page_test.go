package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
	"rainhill/services/store"
)

// TestPageTimesATrain does with the real service and a real browser what a new
// user does: signs in by the start link, follows the first-train form, and
// taps. The board must show what the store holds, to the digit, and the page
// must find the service again after it was stopped.
func TestPageTimesATrain(t *testing.T) {
	browser := chrome.Start(t)
	data := t.TempDir()
	h, err := host.Open(host.Config{Data: data, Site: "line", WebPort: -1})
	if err != nil {
		t.Fatal(err)
	}
	stopped := false
	defer func() {
		if !stopped {
			_ = h.Stop()
		}
	}()
	ctx := chrome.Tab(t, browser)
	openFirstTrial(t, ctx, h)
	chrome.Eval[any](t, ctx, `(window.tapsMs = [], addEventListener('keydown', e => tapsMs.push(e.timeStamp), true))`)
	for range 6 {
		tapSpace(t, ctx)
		time.Sleep(1300 * time.Millisecond)
	}
	chrome.Wait(t, ctx, `rainhill.board.length === 1 && rainhill.board[0].laps.length === 5 && rainhill.taps.unsent === 0`, 5*time.Second)
	shown := boardLaps(t, ctx)

	r := results(t, h.URL)
	trial := r.Trials[0]
	if len(trial.Laps) != 5 || trial.Laps[0].Counts != wire.CountsWarmup {
		t.Fatalf("the service has %d laps, the first counts %q; want 5 and a warm-up", len(trial.Laps), trial.Laps[0].Counts)
	}
	taps := chrome.Eval[[]float64](t, ctx, `tapsMs`) // when the keys went down, also where that was late
	for i, lap := range trial.Laps {
		if apart := (taps[i+1] - taps[i]) / 1000; math.Abs(lap.LapTimeS-apart) > 0.005 {
			t.Errorf("lap %d took %.4f s, tapped %.4f s apart", lap.Lap, lap.LapTimeS, apart)
		}
		if lap.US < 0.09 || lap.US > 0.11 {
			t.Errorf("lap %d: u = %.4f s, want 0.07 s times the square root of two", lap.Lap, lap.US)
		}
		if shown[i] != lap.LapTimeS {
			t.Errorf("lap %d: the board shows %v, the service says %v", lap.Lap, shown[i], lap.LapTimeS)
		}
	}
	if got := chrome.Eval[float64](t, ctx, `rainhill.board[0].mean_s`); got != *trial.Consistency.MeanS {
		t.Errorf("the board's mean is %v, the service's %v", got, *trial.Consistency.MeanS)
	}

	if err := h.Stop(); err != nil {
		t.Fatal(err)
	}
	stopped = true
	compareStore(t, data, r.Session.ID, trial.Trial, shown)
	chrome.Wait(t, ctx, `rainhill.phase !== 'live'`, 5*time.Second)
	again, err := host.Open(host.Config{Data: data, Site: "line", WebPort: portOf(t, h.URL)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = again.Stop() }()
	took := chrome.Wait(t, ctx, `rainhill.phase === 'live' && rainhill.board.length === 1 && rainhill.board[0].laps.length === 5`, 15*time.Second)
	t.Logf("the page was live again %.1f s after the service", took.Seconds())
}

func openFirstTrial(t *testing.T, ctx context.Context, h *host.Host) {
	t.Helper()
	chrome.Do(t, ctx, "opening the start link", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL+"/#key="+h.StartKey))
	chrome.Do(t, ctx, "signing in", chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	chrome.Wait(t, ctx, `rainhill.official === 'official' && rainhill.phase === 'live' && document.querySelector('.welcome a.primary')`, 10*time.Second)
	chrome.Wait(t, ctx, `!!document.querySelector('.welcome a.primary')`, 10*time.Second)
	chrome.Eval[bool](t, ctx, `(document.querySelector('.welcome a.primary').click(), true)`)
	chrome.Do(t, ctx, "the first train", chromedp.WaitVisible(".start"),
		chromedp.SendKeys(".start input[name=length]", "600"), chromedp.SendKeys(".start input[name=name]", "Night Owl"), chrome.Click(".start button.primary"))
	chrome.Wait(t, ctx, `rainhill.view === 'line' && document.querySelector('.plate.timing') && rainhill.board.length === 1`, 10*time.Second)
}

func tapSpace(t *testing.T, ctx context.Context) {
	t.Helper()
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
		e := input.DispatchKeyEventParams{Type: kind, Key: " ", Code: "Space", WindowsVirtualKeyCode: 32}
		if _, err := chromedp.Call(ctx, input.DispatchKeyEvent, e); err != nil {
			t.Fatalf("pressing the space bar: %v", err)
		}
	}
}

func boardLaps(t *testing.T, ctx context.Context) []float64 {
	t.Helper()
	return chrome.Eval[[]float64](t, ctx, `rainhill.board[0].laps.slice().sort((a, b) => a.lap - b.lap).map(l => l.lap_time_s)`)
}

func results(t *testing.T, base string) wire.Results {
	t.Helper()
	res, err := http.Get(base + "/api/results")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	var r wire.Results
	if err := json.Unmarshal(b, &r); err != nil || len(r.Trials) == 0 {
		t.Fatalf("results: %v, %.300s", err, b)
	}
	return r
}

func compareStore(t *testing.T, data, session, trial string, shown []float64) {
	t.Helper()
	s, err := store.Open(host.StorePath(data, "line"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	held, err := s.Laps(session, trial)
	if err != nil {
		t.Fatal(err)
	}
	var times []float64
	for _, l := range held {
		times = append(times, l.LapTimeS)
	}
	if fmt.Sprint(times) != fmt.Sprint(shown) {
		t.Errorf("the board showed %v, the store holds %v", shown, times)
	}
}

func portOf(t *testing.T, base string) int {
	t.Helper()
	u, err := url.Parse(base)
	if err != nil {
		t.Fatal(err)
	}
	port, err := strconv.Atoi(u.Port())
	if err != nil {
		t.Fatal(err)
	}
	return port
}
