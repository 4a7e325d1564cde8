package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
)

// desk is an official at a browser of their own.
type desk struct {
	*track
	name string
}

// picture keeps what is on the screen, where the test is told to.
func (d *desk) picture(name string) {
	dir := os.Getenv("RAINHILL_PICTURES")
	if dir == "" {
		return
	}
	for _, width := range []int64{1280, 390, 1920} {
		chrome.Do(d.t, d.ctx, "another screen", chromedp.EmulateViewport(width, 900))
		time.Sleep(150 * time.Millisecond)
		b, err := chromedp.Run(d.ctx, chromedp.FullScreenshot(100))
		if err == nil {
			err = os.WriteFile(fmt.Sprintf("%s/%s-%d.png", dir, strings.ReplaceAll(name, " ", "-"), width), b, 0o600)
		}
		if err != nil {
			d.t.Error(err)
		}
	}
	chrome.Do(d.t, d.ctx, "the desk's screen", chromedp.EmulateViewport(1280, 1000))
}

func (d *desk) signIn() {
	d.t.Helper()
	chrome.Do(d.t, d.ctx, "signing in", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(d.h.URL+"/#key="+d.h.StartKey),
		chromedp.WaitVisible("dialog input[name=name]"))
	d.fill("dialog", map[string]string{"name": d.name})
	d.press("dialog[open] button.primary")
	d.shows(fmt.Sprintf(`rainhill.official === %q && document.querySelector('header').innerText.includes(%q)`, d.name, d.name))
	if got := chrome.Eval[string](d.t, d.ctx, `document.cookie`); got != "" {
		d.t.Errorf("a script can read the cookie: %q", got)
	}
}

func (d *desk) to(view string) {
	d.t.Helper()
	chrome.Eval[bool](d.t, d.ctx, fmt.Sprintf(`(location.hash = %q, true)`, view))
	d.shows(fmt.Sprintf(`rainhill.view === %q && rainhill.phase === 'live' && document.querySelector('main section')`, strings.Split(view, "=")[0]))
}

// fill writes into the fields of a form by their names, as a hand does.
func (d *desk) fill(form string, values map[string]string) {
	d.t.Helper()
	b, err := json.Marshal(values)
	if err != nil {
		d.t.Fatal(err)
	}
	d.shows(fmt.Sprintf(`(f => f && !f.closest('[inert]'))(document.querySelector(%q))`, form)) // not while an answer is awaited
	missing := chrome.Eval[string](d.t, d.ctx, fmt.Sprintf(`(() => {
		const missing = [];
		for (const [name, value] of Object.entries(%s)) {
			const e = document.querySelector(%q + ' [name="' + name + '"]');
			if (!e) { missing.push(name); continue; }
			e.value = value;
			e.dispatchEvent(new Event('input', {bubbles: true}));
			e.dispatchEvent(new Event('change', {bubbles: true}));
			if (e.value !== value) missing.push(name + ' is ' + e.value);
		}
		return missing.join();
	})()`, b, form))
	if missing != "" {
		d.t.Fatalf("%s has no field %s", form, missing)
	}
}

// button presses the button of these words within a place.
func (d *desk) button(within, words string) {
	d.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll(%q)].find(b => b.innerText.trim() === %q)`, within+" button", words)
	d.shows(find + ` !== undefined`)
	chrome.Eval[bool](d.t, d.ctx, fmt.Sprintf(`(%s.click(), true)`, find))
}

func (d *desk) textHas(selector string, want ...string) {
	d.t.Helper()
	d.says(selector, want...)
}

func (d *desk) view() (v wire.View) {
	d.t.Helper()
	if err := json.Unmarshal(get(d.t, d.h.URL+"/api/view"), &v); err != nil {
		d.t.Fatal(err)
	}
	return v
}

func (d *desk) trial(id string) wire.Trial {
	d.t.Helper()
	for _, tr := range d.view().Trials {
		if tr.ID == id {
			return tr
		}
	}
	d.t.Fatalf("there is no trial %s", id)
	return wire.Trial{}
}

func (d *desk) audit() (rows []struct {
	ID, By, What, Why, On string
	Undone                *struct{ By string }
}) {
	d.t.Helper()
	var out struct{ Decisions any }
	out.Decisions = &rows
	if err := json.Unmarshal(get(d.t, d.h.URL+"/api/audit"), &out); err != nil {
		d.t.Fatal(err)
	}
	return rows
}
