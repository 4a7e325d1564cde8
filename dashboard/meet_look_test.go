package dashboard_test

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/order"
	"rainhill/pkg/wire"
)

// people are names as they come: of any alphabet, long, like markup, like a formula.
var people = []string{"Ada Fell", "Ørjan Ågård", hostile, `=HYPERLINK("x")`, "Wilhelmina Featherstonehaugh-Cholmondeley of Upper Slaughter", "李小龍 山田"}

// meeting is a meet of two classes after the first round and a bit, with battery swaps; the
// run under way is the eighth.
func meeting() wire.View {
	v := scene()
	v.Trials, v.Results, v.Passages, v.Motors = nil, nil, nil, nil
	v.Session.Name = "Spring meet"
	v.Meet = &wire.Meet{Classes: []wire.Class{{ID: "narrow", Name: "Narrow gauge"}, {ID: "open", Name: "Open, up to 3 kg with tyres"}}, Rank: wire.RankMeanTime, Rounds: 6, Laps: 5, WarmupLaps: 1, Consist: "coal", SwapEvery: 1}
	v.Batteries = []wire.Battery{{ID: "a", Name: "Pack A"}}
	var ids []string
	for i, person := range people {
		id := fmt.Sprintf("e%d", i+1)
		ids = append(ids, id)
		v.Locomotives = append(v.Locomotives, wire.Locomotive{ID: "l" + id, Name: []string{"Kestrel", hostile, "Long Meadow Junction No. 14"}[i%3] + strings.Repeat("!", i/3)})
		v.Entries = append(v.Entries, wire.Entry{ID: id, Person: person, Locomotive: "l" + id, Class: []string{"narrow", "open"}[i%2]})
	}
	drawn, err := order.Draw(ids, v.Meet.Rounds, v.Meet.SwapEvery, 4711)
	if err != nil {
		panic(err)
	}
	v.Plan = &wire.Plan{Seed: 4711, Design: drawn.Design, Rounds: drawn.Rounds, SwapEvery: drawn.SwapEvery}
	for i, r := range drawn.Runs {
		v.Plan.Runs = append(v.Plan.Runs, wire.Run{ID: fmt.Sprintf("run-%d", i+1), Round: r.Round, Place: r.Place, Entry: r.Entry, SwapBattery: r.SwapBattery})
	}
	v.MeetResults = &wire.MeetResults{Rank: v.Meet.Rank, Runs: 36, Classes: []wire.ClassResult{{Class: "narrow", Name: v.Meet.Classes[0].Name}, {Class: "open", Name: v.Meet.Classes[1].Name}}}
	stand(&v)
	begin(&v, 7)
	begin(&v, 8)
	v.Trials[7].ToUs, v.Results[7].State = 0, "open"
	return v
}

// begin makes runs up to the n-th.
func begin(v *wire.View, n int) {
	for i := len(v.Trials); i < n; i++ {
		r := v.Plan.Runs[i]
		from := v.Session.OpenedUs + int64(i)*9e6
		e := v.Entries[int(r.Entry[1]-'1')]
		id := fmt.Sprintf("t%d", i+1)
		v.Trials = append(v.Trials, wire.Trial{ID: id, Locomotive: e.Locomotive, Entrant: e.Person, Run: r.ID, Entry: e.ID, FromUs: from, ToUs: from + 8e6, EndsAfterLaps: 5, WarmupLaps: 1,
			Conditions: map[string]any{"battery_v": 7.9, "throttle_permille": 450}})
		v.Results = append(v.Results, running(id, from+60_000_000))
	}
	v.MeetResults.Done = n
}

// stand ranks the entries by hand: a tie, one without a figure, one withdrawn.
func stand(v *wire.View) {
	for i, e := range v.Entries {
		c := &v.MeetResults.Classes[i%2]
		s := wire.Standing{Place: i/2 + 1, Entry: e.ID, Person: e.Person, Locomotive: e.Locomotive, Trials: []string{"t1", "t7"}, Laps: 10, BestS: ptr(11.87),
			Value: wire.Estimate{Value: ptr(12.0123 + float64(i/2)), Lo: ptr(11.9), Hi: ptr(12.2)}}
		if i == 3 {
			s.Place, s.Tied, s.Value = 1, true, wire.Estimate{Value: ptr(12.0123)}
			c.Standings[0].Tied = true
		}
		if i == 5 {
			s.Place, s.Trials, s.Laps, s.BestS, s.Value = 0, []string{}, 0, nil, wire.Estimate{}
		}
		c.Standings = append(c.Standings, s)
	}
}

// signed is the meet when all is over.
func signed() wire.View {
	v := meeting()
	v.Trials[7].ToUs = v.Trials[7].FromUs + 1
	v.Session.ClosedUs = time.Now().UnixMicro()
	v.Entries[5].Withdrawn, v.MeetResults.Classes[1].Standings[2].Withdrawn = true, true
	v.Seal = &wire.SealRecord{Digest: strings.Repeat("0123456789abcdef", 4), By: "Ann", AtUs: time.Now().UnixMicro(), Decision: "d1-1"}
	return v
}

func unmet() wire.View {
	v := meeting()
	v.Meet, v.Entries, v.Plan, v.MeetResults, v.Trials, v.Results = nil, nil, nil, nil, nil, nil
	return v
}

func nobody() wire.View {
	v := unmet()
	v.Meet = meeting().Meet
	v.MeetResults = &wire.MeetResults{Rank: wire.RankEvenness, Classes: []wire.ClassResult{{Class: "narrow", Name: "Narrow gauge"}}}
	return v
}

func between() wire.View {
	v := meeting()
	v.Trials[7].ToUs = v.Trials[7].FromUs + 1
	return v
}

// amiss has one withdrawn and one late after seven runs.
func amiss() wire.View {
	v := between()
	v.Entries[2].Withdrawn = true
	v.Entries = append(v.Entries, wire.Entry{ID: "late", Person: "Late Comer", Locomotive: "kestrel", Class: "narrow"})
	return v
}

var meetLooks = []struct {
	name, at string
	view     func() wire.View
	then     string
	wait     string // for what then has shown
}{
	{"no meet yet", "#meet", unmet, "", ""},
	{"making one", "#meet", unmet, `document.querySelector('#make-meet').click()`, `document.querySelector('#meet-form')`},
	{"nobody is entered", "#meet", nobody, `document.querySelector('#next button').click()`, `document.querySelector('#entry-form')`},
	{"a run under way", "#meet", meeting, `document.querySelector('#balance').click()`, `document.querySelector('#balance[aria-expanded=true]')`},
	{"a run that went wrong", "#meet", meeting, `document.querySelector('#wrong').click()`, `document.querySelector('#outcome-form')`},
	{"between runs", "#meet", between, `document.querySelector('.people button:last-of-type').click()`, `document.querySelector('#entry-form')`},
	{"opening a run", "#meet", between, `document.querySelector('#open-run').click()`, `document.querySelector('#run-form')`},
	{"the order does not fit", "#meet", amiss, `document.querySelector('#paste-entries').click()`, `document.querySelector('#paste-form')`},
	{"signed", "#meet", signed, `document.querySelector('#seal details').open = true; document.querySelector('.trials').click(); document.querySelector('#unsign').click()`, `document.querySelector('.behind') && document.querySelector('#seal form')`},
	{"call sheet", "#call", meeting, "", ""},
	{"call sheet between runs", "#call", between, "", ""},
	{"call sheet when all is over", "#call", signed, "", ""},
	{"call sheet before anything", "#call", nobody, "", ""},
}

// openLook opens a meet's view, does what the look asks for, and waits for what comes of it.
func openLook(t *testing.T, browser context.Context, view wire.View, at, then, wait string) context.Context {
	t.Helper()
	s := newStage(t)
	s.view, s.health, s.official = view, ailing(), "Ann"
	ctx := chrome.Tab(t, browser)
	chrome.Do(t, ctx, "a desktop", chromedp.EmulateViewport(1280, 800))
	visit(t, s, ctx, at)
	chrome.Wait(t, ctx, signedIn+` && document.querySelector('main .next-thing, main .call, main .welcome h1')`, 5*time.Second)
	if then != "" {
		chrome.Eval[any](t, ctx, "(async () => { "+then+"; })()")
		chrome.Wait(t, ctx, wait, 5*time.Second)
	}
	return ctx
}

// TestMeetLook goes through the meet in every size, light and dark.
func TestMeetLook(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	for _, l := range meetLooks {
		t.Run(l.name, func(t *testing.T) {
			ctx := openLook(t, browser, l.view(), l.at, l.then, l.wait)
			if chrome.Eval[bool](t, ctx, `document.title === 'broken' || document.querySelector('main img') !== null`) {
				t.Error("a name became markup")
			}
			look(t, ctx, l.name)
		})
	}
}

// The call sheet of a big screen is all of it on the screen, in letters large enough: a
// tenth of the height, as capitals of 50 mm are on a 43 inch screen (from memory).
func TestCallSheetIsReadFromAfar(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	ctx := openLook(t, browser, meeting(), "#call", "", "")
	chrome.Do(t, ctx, "a big screen", chromedp.EmulateViewport(1920, 1080))
	chrome.Wait(t, ctx, `innerWidth === 1920`, 3*time.Second)
	has(t, "the call sheet", text(t, ctx, ".call article .word"), "NOW run 8", "NEXT run 9", "THEN run 10", "AFTER run 11")
	if h := chrome.Eval[float64](t, ctx, `document.documentElement.scrollHeight`); h > 1080 {
		t.Errorf("the call sheet is %g px high on a screen of 1080", h)
	}
	if size := chrome.Eval[float64](t, ctx, `Math.min(...[...document.querySelectorAll('.call h2')].map(e => parseFloat(getComputedStyle(e).fontSize)))`); size < 108 {
		t.Errorf("names are written %g px high, want 108 at least", size)
	}
	has(t, "the next call", text(t, ctx, "[data-call=next]"), "FRESH BATTERY")
	ctx = openLook(t, browser, signed(), "#call", "", "")
	if got := text(t, ctx, ".calls"); got != "RESULTS SIGNED" {
		t.Errorf("when all is over the call sheet says %q", got)
	}
}

// TestMeetOnPaper prints the running order and the results on A4 and on letter.
func TestMeetOnPaper(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	for _, state := range []struct {
		name string
		view wire.View
		want []string
	}{
		{"provisional", between(), []string{"RUNNING ORDER", "Seed 4711", "fresh battery", "PROVISIONAL", "Not signed yet", "1 =", people[4], people[3], hostile}},
		{"signed", signed(), []string{"RESULTS", "SIGNED", "Signed by Ann", "01234567 89abcdef", "rainhill verify evening.jsonl", "(withdrawn)"}},
	} {
		for _, paper := range []struct {
			name          string
			width, height float64
		}{{"A4", 8.27, 11.69}, {"letter", 8.5, 11}} {
			t.Run(state.name+" on "+paper.name, func(t *testing.T) {
				ctx := openLook(t, browser, state.view, "#meet", "", "")
				pages := bytes.Count(printed(t, ctx, paper.width, paper.height), []byte("/Type /Page\n"))
				if pages < 2 || pages > 6 {
					t.Errorf("%d pages, want the order and the results", pages)
				}
				onPaper(t, ctx, paper.width, state.want)
			})
		}
	}
}

// printed is the PDF; the paper's sheets are gone after it.
func printed(t *testing.T, ctx context.Context, width, height float64) []byte {
	t.Helper()
	out, err := chromedp.Call(ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: width, PaperHeight: height, PreferCSSPageSize: ptr(false)})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(out.Data, []byte("%PDF")) {
		t.Fatalf("no PDF: %.40q", out.Data)
	}
	chrome.Wait(t, ctx, `document.querySelector('.paper') === null`, 3*time.Second)
	return out.Data
}

// onPaper lays the sheets out as wide as the paper is between its margins, and looks for what
// is cut off and for what is to be on it.
func onPaper(t *testing.T, ctx context.Context, inches float64, want []string) {
	t.Helper()
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	chrome.Do(t, ctx, "as wide as the paper", chromedp.EmulateViewport(int64((inches-2*12/25.4)*96), 1000))
	chrome.Eval[any](t, ctx, `dispatchEvent(new Event('beforeprint'))`)
	for _, o := range chrome.Eval[[]string](t, ctx, `[document.documentElement, ...document.querySelectorAll('.paper, .paper *')].filter(e => e.getBoundingClientRect().right > innerWidth + 0.5 || e.scrollWidth > innerWidth).map(e => e.tagName + ' ' + e.textContent.slice(0, 60) + ' ' + e.getBoundingClientRect().right)`) {
		t.Errorf("cut off: %s", o)
	}
	has(t, "the paper", text(t, ctx, ".paper"), want...)
	chrome.Eval[any](t, ctx, `dispatchEvent(new Event('afterprint'))`)
}
