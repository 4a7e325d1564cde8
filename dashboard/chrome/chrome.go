// Package chrome answers "what does a real browser make of it?" for tests: it
// starts Chromium and gives tabs that fail their test when the page throws or
// breaks its content policy. It knows nothing of what the pages show.
package chrome

import (
	"context"
	_ "embed"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Limit is how long the work in one tab may take, and patience how long Wait waits at
// least: they end what is in vain, also on a machine that is busy with other things.
const (
	Limit    = 5 * time.Minute
	patience = time.Minute
)

// look is how often it is looked: by a timer, since a browser that is short of time may
// draw no frame for long, and what waits for frames does not see its own time run out.
const look = 20 * time.Millisecond

// drawn is true after the next frame, or after a moment in which none was drawn, and not before
// a page that puts its drawing off has drawn: what it has to show for what it knows already
// stands there then. A page that is told of more all the time is not waited for longer.
const drawn = "for (let n = 0; !n || n < 40 && window.rainhill?.waiting; n++) await new Promise(done => (requestAnimationFrame(() => setTimeout(done)), setTimeout(done, 250)))"

// PastEdge is an expression that names what of a page runs past the window's right edge.
const PastEdge = `[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 0.5 && ![...e.children].some(c => c.getBoundingClientRect().right > innerWidth + 0.5)).slice(0, 5).map(e => e.tagName + '.' + e.className + ' ' + e.textContent.slice(0, 30)).join('; ')`

//go:embed axe/axe-4.14.1.min.js
var axe string

// Faults is what the accessibility checker axe-core finds within the element of a selector, by the
// success criteria of WCAG 2.2 A and AA and its own best practice. The page goes to its top first:
// what is scrolled half beneath something that stays in sight is no target too small.
func Faults(t testing.TB, ctx context.Context, selector string) []string {
	t.Helper()
	Eval[any](t, ctx, axe+"\n;scrollTo(0, 0)")
	return Eval[[]string](t, ctx, fmt.Sprintf(`axe.run(document.querySelector(%q), {runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}})
		.then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.failureSummary.replace(/\s+/g, ' ') + ' at ' + n.html.slice(0, 160))))`, selector))
}

// names are what Chromium is called where it is installed. The one that never has a window
// comes first: it is the same engine and takes half as much of the processor.
var names = []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"}

// Start starts a browser and gives its first tab; both end with the test.
// Without a browser the test is skipped with the reason, but where CI=true it
// fails: there a browser has to be.
func Start(t testing.TB) context.Context {
	t.Helper()
	path := find()
	if path == "" && os.Getenv("CI") == "true" {
		t.Fatalf("no Chromium found (looked for %s), and CI=true", strings.Join(names, ", "))
	}
	if path == "" {
		t.Skipf("no Chromium found: looked for %s", strings.Join(names, ", "))
	}
	base := chromedp.DefaultExecAllocatorOptions
	opts := append(base[:len(base):len(base)], chromedp.ExecPath(path), chromedp.Flag("disable-gpu", true), chromedp.WSURLReadTimeout(patience))
	if os.Geteuid() == 0 {
		opts = append(opts, chromedp.NoSandbox) // Chromium refuses its sandbox to root
	}
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	return open(t, alloc, Limit)
}

// Tab gives another tab of the browser of ctx, with cookies and storage of its
// own; it ends with the test.
func Tab(t testing.TB, ctx context.Context) context.Context {
	t.Helper()
	return TabFor(t, ctx, Limit)
}

// TabFor is Tab for a story that takes longer than others do.
func TabFor(t testing.TB, ctx context.Context, limit time.Duration) context.Context {
	t.Helper()
	return open(t, context.WithoutCancel(ctx), limit, chromedp.WithNewBrowserContext())
}

func find() string {
	for _, n := range names {
		if p, err := exec.LookPath(n); err == nil {
			return p
		}
	}
	return ""
}

// open opens a tab under a context without deadline, as its browser has to
// outlive it, and gives a context with one.
func open(t testing.TB, parent context.Context, limit time.Duration, opts ...chromedp.ContextOption) context.Context {
	t.Helper()
	var f faults
	ctx, _ := chromedp.NewContext(parent, append(opts, chromedp.WithListener(f.hear))...)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("starting the browser: %v", err)
	}
	if _, err := chromedp.Call(ctx, cdplog.Enable, cdp.Empty{}); err != nil {
		t.Fatalf("listening to the browser's log: %v", err)
	}
	t.Cleanup(func() {
		end, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		if err := chromedp.Cancel(end); err != nil {
			t.Logf("closing the tab: %v", err)
		}
		f.report(t)
	})
	limited, cancel := context.WithTimeout(ctx, limit)
	t.Cleanup(cancel)
	return limited
}

// faults are exceptions of the page and entries of the browser's log. A line
// that goes down is no fault.
type faults struct {
	mu   sync.Mutex
	text []string
}

func (f *faults) hear(ev any) {
	text := ""
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		text = e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
	case *cdplog.EventEntryAdded:
		if e.Entry.Level == cdplog.EntryLevelError && e.Entry.Source != cdplog.EntrySourceNetwork {
			text = e.Entry.Text
		}
	}
	if text == "" || strings.Contains(text, "WebSocket connection to") {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.text = append(f.text, text)
}

func (f *faults) report(t testing.TB) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, text := range f.text {
		t.Errorf("the page is at fault: %s", text)
	}
}

// Scheme makes the page prefer "light" or "dark".
func Scheme(t testing.TB, ctx context.Context, scheme string) {
	t.Helper()
	media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
		t.Fatalf("preferring %s: %v", scheme, err)
	}
}

// Media makes the page look as for "print" or "screen".
func Media(t testing.TB, ctx context.Context, media string) {
	t.Helper()
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media}); err != nil {
		t.Fatalf("looking as for %s: %v", media, err)
	}
}

// Do runs actions or fails the test.
func Do(t testing.TB, ctx context.Context, what string, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, actions...); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
}

// Click presses what a selector finds, once a pointer at its middle would hit it. A
// pointer itself goes to where the element was: what comes in meanwhile moves it away.
func Click(selector string) chromedp.Action[chromedp.Void] {
	press := fmt.Sprintf(`(e => {
		if (!e || e.disabled) return false;
		e.scrollIntoView({block: 'center', behavior: 'instant'});
		const b = e.getClientRects()[0], top = b && document.elementFromPoint(b.x + b.width / 2, b.y + b.height / 2);
		if (!top || !e.contains(top) && top.closest('label')?.control !== e) return false;
		e.focus({preventScroll: true});
		e.dispatchEvent(new MouseEvent('click', {bubbles: true, cancelable: true, view: window, detail: 1}));
		return true;
	})(document.querySelector(%q))`, selector)
	return func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		if _, err := chromedp.Poll[bool](press, chromedp.WithPollingInterval(look), chromedp.WithPollingTimeout(patience))(ctx, target); err != nil {
			return chromedp.Void{}, fmt.Errorf("waiting until %s can be hit: %w", selector, err)
		}
		return chromedp.Void{}, nil
	}
}

// Eval gives the value of an expression; a promise is awaited.
func Eval[T any](t testing.TB, ctx context.Context, js string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("evaluating %.200s: %.500v", js, err)
	}
	return v
}

// Wait waits until an expression is true, for a limit that is patience at least, and
// says in the end what the page showed instead. How soon it was is what it returns.
func Wait(t testing.TB, ctx context.Context, js string, limit time.Duration) time.Duration {
	t.Helper()
	begin := time.Now()
	limit = max(limit, patience)
	for {
		// As yes or no: what an element holds is more than the browser can always tell. What
		// reads an element that is not there yet is no, and no fault of the page.
		_, err := chromedp.Run(ctx, chromedp.Poll[bool]("(async () => { try { if (!("+js+")) return false } catch { return false } "+drawn+"; return true })()", chromedp.WithPollingInterval(look), chromedp.WithPollingTimeout(max(limit-time.Since(begin), time.Millisecond))))
		if err == nil {
			return time.Since(begin)
		}
		if time.Since(begin) < limit && ctx.Err() == nil {
			continue // the page was being loaded anew
		}
		text, _ := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText"))
		t.Fatalf("waited %v for %s: %v; the page says:\n%s", limit, js, err, text)
	}
}
