package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/parquet-go/parquet-go"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// TestPageResults reads a recorded meet from the page as an official and a reader do. The stories
// change the book one after the other.
func TestPageResults(t *testing.T) {
	t.Parallel()
	b := chrome.Start(t)
	r := recordMeet(t)
	for _, story := range []struct {
		name string
		tell func(t *testing.T, x *reading)
	}{
		{"every figure opens its laps, every lap its crossings", figuresOpen},
		{"filters, older sessions and a season", filters},
		{"the sheet fits every screen", sheetFits},
		{"the sheet prints on A4 and letter", sheetPrints},
		{"what is taken away says what the page says", takenAway},
		{"the journal is fetched and cancelled", journalTaken},
		{"other rules are shown beside, adopted and taken back", scoredAgain},
		{"a signed session keeps its rules", signedStays},
	} {
		t.Run(story.name, func(t *testing.T) { story.tell(t, &reading{t: t, r: r, ctx: chrome.Tab(t, b)}) })
	}
}

// reading is a tab that looks at results.
type reading struct {
	t   *testing.T
	r   *recorded
	ctx context.Context
}

const sheetShown = `document.querySelector('.return .ruled')?.rows.length > 1`

func (x *reading) open(path string) {
	x.t.Helper()
	chrome.Do(x.t, x.ctx, "opening "+path, chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(x.r.URL+path))
	x.shows(sheetShown)
}

func (x *reading) signIn() {
	x.t.Helper()
	chrome.Do(x.t, x.ctx, "signing in", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(x.r.URL+"/#key="+x.r.StartKey),
		chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
	x.shows(`rainhill.official === 'official'`)
}

func (x *reading) shows(js string) {
	x.t.Helper()
	chrome.Wait(x.t, x.ctx, js, 10*time.Second)
}

func (x *reading) says(selector string, want ...string) {
	x.t.Helper()
	got := x.text(selector)
	for _, w := range want {
		if !strings.Contains(got, w) {
			x.t.Errorf("%s says %q, want %q in it", selector, got, w)
		}
	}
}

func (x *reading) text(selector string) string {
	x.t.Helper()
	return chrome.Eval[string](x.t, x.ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText.replace(/\s+/g, ' ').trim()).join(' | ')`, selector))
}

// press clicks what a script finds.
func (x *reading) press(selector string) {
	x.t.Helper()
	chrome.Eval[bool](x.t, x.ctx, fmt.Sprintf(`(document.querySelector(%q).click(), true)`, selector))
}

// set writes into a field of a form.
func (x *reading) set(name, value string) {
	x.t.Helper()
	chrome.Eval[bool](x.t, x.ctx, fmt.Sprintf(`(document.querySelector('.rescore [name="%s"]').value = %q, true)`, name, value))
}

func (x *reading) results(session string) (r wire.Results) {
	x.t.Helper()
	if err := json.Unmarshal(get(x.t, x.r.URL+"/api/results?session="+session), &r); err != nil {
		x.t.Fatal(err)
	}
	return r
}

func trialOf(t *testing.T, r wire.Results, id string) wire.TrialResult {
	t.Helper()
	for _, x := range r.Trials {
		if x.Trial == id {
			return x
		}
	}
	t.Fatalf("there is no trial %s", id)
	return wire.TrialResult{}
}

func figuresOpen(t *testing.T, x *reading) {
	x.open("/results?session=s1")
	r := x.results("s1")
	x.says(".return header", "Spring meet, “long” loop", "Long oval", "± 3.9 mm", "g1 at", "version "+r.Rules.Version, "not signed", "battery 2 cells, full")
	x.says(`[data-trial="wren-second"]`, "void: a wagon lay on the track")
	x.says(".return", "Rails wiped before the first run.", "wren-second: Wagon lifted off", "Heavy goods", "Driver 1", "no motor is known")
	heron := trialOf(t, r, "demo-heron")
	for figure, want := range map[string]int{"laps": len(heron.Laps), "mean": heron.Consistency.N, "sd": heron.Consistency.N, "cv": heron.Consistency.N, "speed": heron.Consistency.N, "trend": heron.Consistency.N, "best": 1} {
		x.press(fmt.Sprintf(`.trials [data-trial="demo-heron"] [data-figure=%s]`, figure))
		x.shows(fmt.Sprintf(`document.querySelectorAll('#behind tr.is').length === %d && document.querySelectorAll('#behind tbody tr').length === %d && location.search.includes('figure=%s')`, want, len(heron.Laps), figure))
		chrome.Eval[bool](t, x.ctx, `(history.back(), true)`)
		x.shows(`!document.querySelector('#behind') && document.querySelectorAll('.trials tbody tr').length === 4`)
	}
	mean := numbers(x.text(`.trials [data-trial="demo-heron"] [data-figure=mean]`))
	half := (*heron.Consistency.MeanHiS - *heron.Consistency.MeanLoS) / 2
	if len(mean) != 2 || !near(mean[0], *heron.Consistency.MeanS, 0.06*half) || !near(mean[1], half, 0.06*half) {
		t.Errorf("the mean is %v, want %g ± %g", mean, *heron.Consistency.MeanS, half)
	}
	rawCrossings(t, x, trialOf(t, r, "wren-first").Laps[1])
}

func near(a, b, within float64) bool { return a-b <= within && b-a <= within }

// rawCrossings opens those of a lap of the scripted train and counts them against the journal's.
func rawCrossings(t *testing.T, x *reading, lap wire.Lap) {
	t.Helper()
	x.press(`.trials [data-trial="wren-first"] [data-figure=laps]`)
	x.shows(`document.querySelector('#behind [data-lap="2"] .fig')`)
	x.press(`#behind [data-lap="2"] .fig`)
	x.shows(`document.querySelectorAll('#raw tbody tr').length > 0`)
	end := lap.StartUs + int64(lap.LapTimeS*1e6+0.5)
	around, of := 0, map[int64]bool{} // sequences of the scripted crossings within the lap
	for line := range strings.Lines(string(get(t, x.r.URL+"/api/journal?session=s1"))) {
		var e wire.Event
		if json.Unmarshal([]byte(line), &e) != nil || e.Kind != wire.KindCrossing || e.Agent != "script" {
			continue
		}
		if e.AtUs >= lap.StartUs-1_900_000 && e.AtUs <= end+1_900_000 {
			around++
		}
		if e.AtUs >= lap.StartUs && e.AtUs <= end {
			of[int64(e.JournalSeq)] = true
		}
	}
	if len(of) != 5 {
		t.Fatalf("the journal has %d crossings of the lap, want 5: of four gates, and the first again", len(of))
	}
	shown := chrome.Eval[[]struct {
		Seq    int64
		Within bool
		Text   string
	}](t, x.ctx, `[...document.querySelectorAll('#raw tbody tr')].filter(r => r.innerText.includes('script')).map(r => ({Seq: Number(r.dataset.seq), Within: r.classList.contains('is'), Text: r.innerText.replace(/\s+/g, ' ')}))`)
	if len(shown) < around {
		t.Errorf("%d of the script's crossings are shown around the lap, the journal has %d", len(shown), around)
	}
	within, marks := 0, ""
	for _, s := range shown {
		if s.Within {
			within++
			if !of[s.Seq] {
				t.Errorf("%q stands within the lap, by the journal it is not", s.Text)
			}
			marks += s.Text + "\n"
		}
	}
	if within != len(of) || !strings.Contains(marks, "nearest its beginning") || !strings.Contains(marks, "nearest its end") {
		t.Errorf("%d crossings stand within the lap, want %d, with its two ends:\n%s", within, len(of), marks)
	}
}

func filters(t *testing.T, x *reading) {
	x.open("/results")
	x.says(".return header", "Evening running", "provisional: the session is open", "open")
	chrome.Eval[bool](t, x.ctx, `(s => (s.value = 's1', s.dispatchEvent(new Event('change', {bubbles: true})), true))(document.querySelector('[name=session]'))`)
	x.shows(`document.querySelectorAll('.trials tbody tr').length === 4`)
	for name, want := range map[string]string{"locomotive=wren": "wren-first wren-second", "trial=demo-otter": "demo-otter", "class=heavy": "demo-heron demo-otter", "class=heavy&locomotive=heron": "demo-heron"} {
		x.open("/results?session=s1&" + name)
		if got := chrome.Eval[string](t, x.ctx, `[...document.querySelectorAll('.trials tbody tr')].map(r => r.dataset.trial).join(' ')`); got != want {
			t.Errorf("%s shows %q, want %q", name, got, want)
		}
	}
	x.open("/results?season=wren")
	x.shows(`document.querySelectorAll('.past tbody tr').length === 3 && document.querySelectorAll('.plot').length === 1`)
	x.says(".return", "Spring meet", "Evening running", "void", "not compared by it")
	bars := chrome.Eval[int](t, x.ctx, `document.querySelectorAll('.plot .bar').length`)
	if bars != 2 {
		t.Errorf("%d means are drawn with their interval, want those of two trials", bars)
	}
	x.press(`.past tbody tr .fig`)
	x.shows(`document.querySelector('#behind') && location.search.includes('session=s1') && !location.search.includes('season')`)
}

// takenAway downloads CSV and Parquet by the page's own links and compares them with the figures.
func takenAway(t *testing.T, x *reading) {
	x.open("/results?session=s1&locomotive=wren")
	dir := x.downloads()
	x.press(`a[href*="trials.csv?session=s1"]`)
	rows, err := csv.NewReader(strings.NewReader(string(awaitFile(t, dir, "trials-s1.csv")))).ReadAll()
	if err != nil || len(rows) != 3 {
		t.Fatalf("%v, %d rows, want a head and two trials", err, len(rows))
	}
	col := func(name string) string {
		for i, n := range rows[0] {
			if n == name {
				return rows[1][i]
			}
		}
		return ""
	}
	shown := numbers(x.text(`.trials [data-trial="wren-first"] [data-figure=mean]`))
	mean, _ := strconv.ParseFloat(col("mean_s"), 64)
	hi, _ := strconv.ParseFloat(col("mean_hi_s"), 64)
	if len(shown) != 2 || col("trial") != "wren-first" || !near(shown[0], mean, 0.06*(hi-mean)) || !near(shown[1], hi-mean, 0.06*(hi-mean)) {
		t.Errorf("the page says %v, the table %s ± %g", shown, col("mean_s"), hi-mean)
	}
	x.press(`a[href*="laps.parquet?session=s1"]`)
	b := awaitFile(t, dir, "laps-s1.parquet")
	laps, err := parquet.Read[wire.LapRow](strings.NewReader(string(b)), int64(len(b)))
	if err != nil || len(laps) == 0 {
		t.Fatalf("%v, %d laps", err, len(laps))
	}
	x.press(`.trials [data-trial="wren-first"] [data-figure=laps]`)
	x.shows(`document.querySelectorAll('#behind tbody tr').length > 0`)
	times := numbers(x.text(`#behind [data-label="time, s"]`))
	for i := 0; i < len(laps) && laps[i].Trial == "wren-first"; i++ {
		if 2*i >= len(times) || !near(times[2*i], laps[i].LapTimeS, 1.96*laps[i].US) || !near(times[2*i+1], 1.96*laps[i].US, 0.06*1.96*laps[i].US) {
			t.Errorf("lap %d: the page says %v, Parquet %g with u %g", i+1, times, laps[i].LapTimeS, laps[i].US)
		}
	}
}

// downloads has the browser keep what is downloaded in a folder of the test.
func (x *reading) downloads() string {
	x.t.Helper()
	dir := x.t.TempDir()
	c := chromedp.FromContext(x.ctx)
	_, err := chromedp.Call(x.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, BrowserContextID: c.BrowserContextID, DownloadPath: dir})
	if err != nil {
		x.t.Fatal(err)
	}
	return dir
}

func awaitFile(t *testing.T, dir, name string) []byte {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if b, err := os.ReadFile(filepath.Join(dir, name)); err == nil {
			return b
		}
	}
	list, _ := os.ReadDir(dir)
	t.Fatalf("%s was not downloaded; there is %v", name, list)
	return nil
}

func journalTaken(t *testing.T, x *reading) {
	x.open("/results?session=s1")
	dir := x.downloads()
	want := get(t, x.r.URL+"/api/journal?session=s1")
	x.press(`.kinds .acts:last-child button`)
	x.shows(`document.querySelector('.kinds .acts:last-child').innerText.includes('fetched')`)
	if got := awaitFile(t, dir, "session-s1.jsonl"); string(got) != string(want) {
		t.Errorf("the page keeps %d bytes, the service gives %d", len(got), len(want))
	}
	// A journal that never ends: its first bytes are told, and cancelling lets it go.
	chrome.Eval[bool](t, x.ctx, `(window.real = fetch, window.fetch = (path, init) => String(path).includes('/api/journal') ? Promise.resolve(new Response(new ReadableStream({
		start(c) { c.enqueue(new Uint8Array(2_500_000)); init.signal.addEventListener('abort', () => c.error(init.signal.reason)); }
	}))) : real(path, init), true)`)
	x.press(`.kinds .acts:last-child button`)
	x.shows(`document.querySelector('.kinds .acts:last-child').innerText.includes('2.5 MB so far')`)
	x.press(`.kinds .acts:last-child button`)
	x.shows(`document.querySelector('.kinds .acts:last-child').innerText.includes('Cancelled: nothing was kept.')`)
}

func scoredAgain(t *testing.T, x *reading) {
	x.signIn()
	x.open("/results?session=s1")
	before := string(get(t, x.r.URL+"/api/results?session=s1"))
	cancelled(t, x)
	x.set("length", "8100")
	x.set("gate.g2", "2850")
	x.press(`.rescore form button`)
	x.shows(`document.querySelector('.differences tbody')`)
	x.says(".beside h3", "lap length 8100.0 ± 3.9 mm", "gate g2 at 2850.0 mm")
	if after := string(get(t, x.r.URL+"/api/results?session=s1")); after != before {
		t.Fatal("scoring again changed the results themselves")
	}
	wasSpeed, now := *trialOf(t, x.results("s1"), "demo-otter").SpeedMmS.Value, 0.0
	x.says(`.rescore`, "no lap came, went or changed; sectors are others", "Nothing is changed by it")
	if n := numbers(x.text(`.differences [data-trial="demo-otter"] [data-label="speed now, mm/s"]`)); len(n) == 2 {
		now = n[0]
	}
	length := *x.results("s1").LapLength.Value
	if !near(now, wasSpeed*8100/length, 0.2) {
		t.Errorf("the speed by a lap of 8100 mm is %g, want %g times %g", now, wasSpeed, 8100/length)
	}
	x.press(`.adopt button`) // no reason: the form is not sent
	if chrome.Eval[bool](t, x.ctx, `document.querySelector('.adopt').checkValidity()`) {
		t.Error("rules may be adopted without a reason")
	}
	x.set("why", "the tape was read wrong")
	x.press(`.adopt button`)
	x.shows(`document.querySelector('.own-rules')?.innerText.includes('the tape was read wrong')`)
	x.says(".own-rules", "Scored by rules of its own", "gate g2 at 2850.0 mm", "Adopted by official")
	x.says(".return header", "8100.0 ± 3.9 mm", "g2 at 2850 mm", "rules of the session’s own")
	if s := x.results("s1").Scoring; s == nil || s.LapLengthMm != 8100 || s.Gates["g2"] != 2850 || s.MinLapS != 0 {
		t.Errorf("adopted %+v", s)
	}
	x.shows(`document.querySelector('.rescore .back')`)
	x.press(`.rescore .back`)
	x.shows(`!document.querySelector('.own-rules')`)
	if after := string(get(t, x.r.URL+"/api/results?session=s1")); after != before {
		t.Error("taken back, the results are not what they were")
	}
	minimum(t, x)
}

// cancelled holds the answer back until the page has given it up.
func cancelled(t *testing.T, x *reading) {
	t.Helper()
	chrome.Eval[bool](t, x.ctx, `(window.real = fetch, window.fetch = (path, init) => String(path).includes('/api/rescore') ? Promise.resolve(new Response(new ReadableStream({
		start(c) { c.enqueue(new TextEncoder().encode('{"done":1536}\n')); init.signal.addEventListener('abort', () => { window.gone = true; c.error(init.signal.reason); }); }
	}))) : real(path, init), true)`)
	x.press(`.rescore form button`)
	x.shows(`document.querySelector('.rescore > .acts').innerText.replace(/\s/g, '').includes('1536factsread')`)
	x.press(`.rescore > .acts button`)
	x.shows(`window.gone && document.querySelector('.rescore > .acts').innerText.includes('Cancelled.')`)
	chrome.Eval[bool](t, x.ctx, `(window.fetch = real, true)`)
}

// minimum asks for laps of at least 15 s: those of the quick trains go.
func minimum(t *testing.T, x *reading) {
	t.Helper()
	x.set("min", "15")
	x.press(`.rescore form button`)
	x.shows(`document.querySelector('.beside h3')?.innerText.includes('no lap under 15 s')`)
	x.says(".rescore", "went", "went:")
	if strings.Contains(x.text(".unchanged"), "demo-heron") {
		t.Error("a train of 14 s a lap is unchanged where no lap is under 15 s")
	}
	x.set("gate.g2", "99999")
	x.press(`.rescore form button`)
	x.shows(`document.querySelector('.rescore .refusal')?.innerText.includes('g2')`)
}

func signedStays(t *testing.T, x *reading) {
	x.signIn()
	var d wire.Seal
	if err := json.Unmarshal(get(t, x.r.URL+"/api/digest?session=s1"), &d); err != nil {
		t.Fatal(err)
	}
	signed := fmt.Sprintf(`fetch('/api/decision', {method: 'POST', headers: {'Content-Type': 'application/json', 'X-Rainhill': '1'}, body: JSON.stringify({what: 'seal', session: 's1', value: {digest: %q}})}).then(r => r.status)`, d.Digest)
	if status := chrome.Eval[int](t, x.ctx, signed); status != 200 {
		t.Fatalf("signing: %d", status)
	}
	x.open("/results?session=s1")
	x.shows(fmt.Sprintf(`(s => s.includes('signed by official') && s.includes(%q))(document.querySelector('.return header').innerText)`, d.Digest[:16]))
	x.says(".foot", d.Digest)
	x.set("length", "8100")
	x.press(`.rescore form button`)
	x.shows(`document.querySelector('.beside')`)
	x.says(".beside", "These results were signed by official")
	if chrome.Eval[bool](t, x.ctx, `document.querySelector('.adopt') !== null`) {
		t.Error("rules may be adopted for signed results")
	}
	pdf := x.print(papers["A4"])
	if n := pagesOf(pdf); n < 1 || n > 2 {
		t.Errorf("signed it prints on %d pages", n)
	}
}
