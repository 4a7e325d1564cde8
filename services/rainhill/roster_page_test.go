package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard/chrome"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

// shed is the roster's page of a real service, with an official at it.
type shed struct {
	t   *testing.T
	ctx context.Context
	h   *host.Host
	w   *writer
}

// TestRosterPage keeps the stock of a club with the real service and a real browser.
func TestRosterPage(t *testing.T) {
	t.Parallel()
	browser := chrome.Start(t)
	for _, c := range []struct {
		name string
		test func(s *shed)
	}{
		{"a locomotive of two sets, and a variant with one gear changed", variantOfOneGear},
		{"a consist of unlike cars", unlikeCars},
		{"a motor and a battery are named and chosen", namedAndChosen},
		{"a photo is put, shown and removed", photoOfALocomotive},
		{"of an exported file only what was changed is offered", oneLineChanged},
		{"taking in two hundred is stopped in the middle", stoppedInTheMiddle},
		{"names that are no names are harmless", strangeNames},
		{"what somebody else wrote meanwhile is not written over", notWrittenOver},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := openHost(t, t.TempDir(), "line")
			defer stopHost(t, h)
			s := &shed{t, chrome.Tab(t, browser), h, &writer{t: t, nc: h.Bus(), site: "line"}}
			chrome.Do(t, s.ctx, "opening the roster", chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(h.URL+"/roster#key="+h.StartKey))
			chrome.Do(t, s.ctx, "signing in", chromedp.WaitVisible("dialog input[name=name]"), chrome.Click("dialog[open] button.primary"))
			s.wait(`rainhill.official && rainhill.view === 'roster' && document.querySelector('#r-papers')`)
			c.test(s)
		})
	}
}

func (s *shed) wait(js string) {
	s.t.Helper()
	chrome.Wait(s.t, s.ctx, js, 8*time.Second)
}

// press clicks the button of a part of the page that begins with these words.
func (s *shed) press(within, words string) {
	s.t.Helper()
	js := fmt.Sprintf(`[...document.querySelectorAll(%q)].flatMap(e => [...e.querySelectorAll('button')]).find(b => b.innerText.startsWith(%q) && !b.disabled)`, within, words)
	s.wait(js)
	chrome.Eval[bool](s.t, s.ctx, js+`.click() ?? true`)
}

// fill writes into the n-th field of a name as a hand does.
func (s *shed) fill(name string, n int, value string) {
	s.t.Helper()
	js := fmt.Sprintf(`document.querySelectorAll('form.entry [name="%s"]')[%d]`, name, n)
	s.wait(js)
	chrome.Eval[bool](s.t, s.ctx, fmt.Sprintf(`(e => { e.focus(); e.value = %q; e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true})); return e.value === %[1]q; })(%s)`, value, js))
}

// written submits the open form and waits until it is gone.
func (s *shed) written() {
	s.t.Helper()
	chrome.Do(s.t, s.ctx, "writing it down", chrome.Click("form.entry button.primary"))
	s.wait(`!document.querySelector('form.entry') || document.querySelector('header .refusal')`)
	if why := s.text(`header .refusal`); why != "" {
		s.t.Fatalf("it was refused: %s", why)
	}
}

func (s *shed) text(selector string) string {
	s.t.Helper()
	return chrome.Eval[string](s.t, s.ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText.replace(/\s+/g, ' ').trim()).join(' | ')`, selector))
}

// shows waits until what a selector finds holds some words.
func (s *shed) shows(selector string, want ...string) {
	s.t.Helper()
	for _, w := range want {
		got := s.text(selector)
		for end := time.Now().Add(30 * time.Second); !strings.Contains(got, w) && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			got = s.text(selector)
		}
		if !strings.Contains(got, w) {
			s.t.Errorf("%s shows %q, want %q in it", selector, got, w)
		}
	}
}

// book is the stock as the service has it.
func (s *shed) book() (r wire.Roster) {
	s.t.Helper()
	if err := json.Unmarshal(get(s.t, s.h.URL+"/api/roster.json"), &r); err != nil {
		s.t.Fatal(err)
	}
	return r
}

// file gives the page a file to take in.
func (s *shed) file(name, text string) {
	s.t.Helper()
	path := filepath.Join(s.t.TempDir(), name)
	writeFile(s.t, path, []byte(text))
	chrome.Do(s.t, s.ctx, "choosing the file", chromedp.SetUploadFiles(`input[name=roster-file]`, []string{path}))
}

func variantOfOneGear(s *shed) {
	s.w.decide(wire.WhatMotor, "", wire.NamedMotor{ID: "m1", Name: "Coreless"})
	s.wait(`document.querySelector('[data-id=m1]')`)
	s.press("[aria-labelledby=r-locomotive]", "Write down a locomotive")
	s.fill("name", 0, "Night Owl")
	s.fill("owner", 0, "Ada")
	s.fill("mass", 0, "450.5")
	for i, set := range []struct{ motor, gear string }{{"m1", "18"}, {"+", "18"}} {
		s.press("form.entry fieldset", "Add a driver set")
		s.fill("set.motor", i, set.motor)
		s.fill("set.wheel", i, "29.8")
		s.fill("set.gear", i, set.gear)
		s.fill("set.counts", i, "12")
		s.fill("set.weight", i, "210")
	}
	s.fill("set.tyres", 1, "yes")
	s.wait(`document.querySelectorAll('[name="set.named"]')[1].type !== 'hidden'`)
	s.fill("set.named", 1, "Coreless, rear")
	s.written()
	s.wait(`document.querySelector('[data-id=night-owl] .set')`)
	want := wire.Locomotive{ID: "night-owl", Name: "Night Owl", Owner: "Ada", MassG: 450.5, DriverSets: []wire.DriverSet{
		{ID: "front", Motor: "m1", WheelDiameterMm: 29.8, GearRatio: 18, CountsPerRev: 12, WeightG: 210},
		{ID: "rear", Motor: "coreless-rear", WheelDiameterMm: 29.8, GearRatio: 18, CountsPerRev: 12, WeightG: 210, Tyres: true}}}
	if got := s.book(); fmt.Sprint(got.Locomotives) != fmt.Sprint([]wire.Locomotive{want}) || len(got.NamedMotors) != 2 {
		s.t.Fatalf("the book has %+v and motors %+v", got.Locomotives, got.NamedMotors)
	}
	s.press("[data-id=night-owl]", "Copy to a variant")
	s.wait(`document.querySelector('form.entry [name=name]').value === 'Night Owl, variant 2'`)
	s.fill("set.gear", 1, "22")
	s.written()
	s.wait(`document.querySelector('[data-id=night-owl] + .variant')`)
	s.shows("[data-id=night-owl-variant-2] .differs", "a variant of Night Owl", "rear: gear ratio 18 → 22")
	if words := s.text("[data-id=night-owl-variant-2] .differs li"); strings.Contains(words, "|") {
		s.t.Errorf("more differs than was changed: %s", words)
	}
	if l := s.book().Locomotives[1]; l.VariantOf != "night-owl" || l.DriverSets[1].GearRatio != 22 || l.DriverSets[1].Motor != "coreless-rear" || l.MassG != 450.5 {
		s.t.Errorf("the variant is %+v", l)
	}
	s.press("[data-id=night-owl-variant-2]", "Change")
	s.fill("name", 0, "Night Owl")
	s.shows("form.entry .namesake", "Another locomotive bears this name")
	s.written()
	s.wait(`document.querySelectorAll('.words .namesake').length === 2`)
}

func unlikeCars(s *shed) {
	s.press("[aria-labelledby=r-consist]", "Write down a consist")
	s.fill("name", 0, "Mixed goods")
	s.fill("alike.n", 0, "3")
	s.fill("alike.mass", 0, "80")
	s.fill("alike.length", 0, "110")
	s.shows("form.entry .total", "3 cars · 240 g · 330 mm")
	s.press(".alike", "Add them")
	s.wait(`document.querySelectorAll('[name="car.mass"]').length === 3`)
	s.press("form.entry", "Add a car")
	s.fill("car.name", 3, "Van")
	s.fill("car.mass", 3, "120.5")
	s.fill("car.axles", 3, "4")
	s.fill("car.bearings", 3, "needle")
	s.shows("form.entry .total", "4 cars · 360.5 g · 330 mm, 1 of unknown length")
	chrome.Eval[bool](s.t, s.ctx, `document.querySelectorAll('form.entry [aria-label="Remove this car"]')[0].click() ?? true`)
	s.wait(`document.querySelector('form.entry .total').innerText.includes('3 cars · 280.5 g · 220 mm')`)
	s.written()
	alike := wire.Car{MassG: 80, LengthMm: 110, Axles: 2}
	want := []wire.Consist{{ID: "mixed-goods", Name: "Mixed goods", Cars: []wire.Car{alike, alike, {Name: "Van", MassG: 120.5, Axles: 4, Bearings: "needle"}}}}
	if got := s.book().Consists; fmt.Sprint(got) != fmt.Sprint(want) {
		s.t.Fatalf("the book has %+v, want %+v", got, want)
	}
	s.shows("[data-id=mixed-goods]", "3 cars · 280.5 g", "2 alike: 80 g, 110 mm, 2 axles", "Van, 120.5 g, 4 axles, needle bearings")
	s.press("[data-id=mixed-goods]", "Copy to a variant")
	s.fill("car.bearings", 2, "ball")
	s.written()
	s.shows("[data-id=mixed-goods-variant-2] .differs", "a variant of Mixed goods", "car 3: bearings needle → ball")
}

func namedAndChosen(s *shed) {
	s.w.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Wren", DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1"}}})
	s.press(".unnamed [data-id=m1]", "Name it")
	s.fill("name", 0, "Coreless 1624")
	s.fill("volts", 0, "3.7")
	s.fill("note", 0, "new brushes\nin spring")
	s.written()
	s.press("[aria-labelledby=r-battery]", "Write down a battery")
	s.fill("name", 0, "Pack A")
	s.fill("chemistry", 0, "LiPo")
	s.fill("cells", 0, "2")
	s.fill("capacity", 0, "850")
	s.fill("volts", 0, "7.4")
	s.written()
	s.press("[aria-labelledby=r-motor]", "Write down a motor")
	s.fill("name", 0, "Another")
	s.fill("id", 0, "m1")
	chrome.Do(s.t, s.ctx, "writing it down", chrome.Click("form.entry button.primary"))
	s.wait(`document.querySelector('header .refusal')?.innerText.includes('There is a motor m1 already')`)
	s.press("form.entry", "Leave it")
	got := s.book()
	motor, battery := wire.NamedMotor{ID: "m1", Name: "Coreless 1624", NominalMv: 3700, Note: "new brushes\nin spring"}, wire.Battery{ID: "pack-a", Name: "Pack A", Chemistry: "LiPo", Cells: 2, CapacityMah: 850, NominalMv: 7400}
	if len(got.NamedMotors) != 1 || got.NamedMotors[0] != motor || len(got.Batteries) != 1 || got.Batteries[0] != battery {
		s.t.Fatalf("the book has %+v, want %+v; %+v, want %+v", got.NamedMotors, motor, got.Batteries, battery)
	}
	s.shows("[data-id=wren] .set", "front motor Coreless 1624 (m1)")
	s.shows("[data-id=m1]", "nominal 3.7 V", "turns Wren, front")
	s.shows("[data-id=pack-a]", "LiPo", "850 mAh", "7.4 V")
	s.press("[data-id=wren]", "Change")
	s.wait(`document.querySelector('form.entry [name="set.motor"]')`)
	if got := chrome.Eval[string](s.t, s.ctx, `document.querySelector('form.entry [name="set.motor"]').selectedOptions[0].innerText`); got != "Coreless 1624 (m1)" {
		s.t.Errorf("the form chose motor %q", got)
	}
	s.w.decide(wire.WhatCircuit, "", wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", LapLengthMm: 8000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}})
	s.w.decide(wire.WhatSession, "", wire.Session{ID: "s1", Circuit: "oval"})
	chrome.Eval[bool](s.t, s.ctx, `(location.hash = 'book', true)`)
	s.press("[aria-labelledby=b-trial]", "Open a trial")
	s.fill("battery", 0, "pack-a")
	s.written()
	if r := results(s.t, s.h.URL); len(r.Trials) != 1 {
		s.t.Fatalf("results %+v", r)
	}
	var v wire.View
	if err := json.Unmarshal(get(s.t, s.h.URL+"/api/view"), &v); err != nil || len(v.Trials) != 1 || v.Trials[0].Battery != "pack-a" {
		s.t.Errorf("the trial is %+v (%v), want battery pack-a", v.Trials, err)
	}
}

// photographed is a wide JPEG that tells in its EXIF part where it was taken.
func photographed(t *testing.T, place string) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 2000, 500))
	for i := range 2000 * 500 {
		m.Set(i%2000, i/2000, color.RGBA{uint8(i / 2000), 120, uint8(i % 2000 / 8), 255})
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	exif := "Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x00\x00\x00\x00\x00" + place
	return append(append([]byte{0xff, 0xd8, 0xff, 0xe1, 0, byte(len(exif) + 2)}, exif...), b.Bytes()[2:]...)
}

func photoOfALocomotive(s *shed) {
	const place = "51.4531N 2.6969W"
	s.w.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: "wren", Name: "Wren <i>"})
	s.press("[data-id=wren]", "Change")
	path := filepath.Join(s.t.TempDir(), "wren.jpg")
	raw := photographed(s.t, place)
	if !bytes.Contains(raw, []byte(place)) {
		s.t.Fatal("the picture holds no place")
	}
	writeFile(s.t, path, raw)
	s.wait(`document.querySelector('.photo-acts input[type=file]')`)
	chrome.Do(s.t, s.ctx, "choosing the photo", chromedp.SetUploadFiles(`.photo-acts input[type=file]`, []string{path}))
	s.wait(`document.querySelector('[data-id=wren] img.photo')?.naturalWidth === 1200`)
	if alt := chrome.Eval[string](s.t, s.ctx, `document.querySelector('img.photo').alt`); alt != "Wren <i>" {
		s.t.Errorf("the photo is called %q", alt)
	}
	b := get(s.t, s.h.URL+"/api/photo?locomotive=wren")
	if m, kind, err := image.DecodeConfig(bytes.NewReader(b)); err != nil || kind != "jpeg" || m.Width != 1200 || m.Height != 300 {
		s.t.Errorf("kept is a %s of %d by %d (%v), want a jpeg of 1200 by 300", kind, m.Width, m.Height, err)
	}
	if bytes.Contains(b, []byte(place)) || bytes.Contains(b, []byte("Exif")) {
		s.t.Error("the photo tells where it was taken")
	}
	writeFile(s.t, path, []byte("no picture"))
	chrome.Do(s.t, s.ctx, "choosing what is none", chromedp.SetUploadFiles(`.photo-acts input[type=file]`, []string{path}))
	s.wait(`document.querySelector('header .refusal')?.innerText.includes('no picture that this browser can read')`)
	s.press("[data-id=wren] form", "Remove the photo")
	s.wait(`!document.querySelector('img.photo')`)
	res, err := http.Get(s.h.URL + "/api/photo?locomotive=wren")
	if err != nil {
		s.t.Fatal(err)
	}
	_ = res.Body.Close()
	if res.StatusCode != http.StatusNotFound {
		s.t.Errorf("after it was removed: %s", res.Status)
	}
}

func oneLineChanged(s *shed) {
	for i := range 12 {
		s.w.decide(wire.WhatLocomotive, "", wire.Locomotive{ID: fmt.Sprintf("l%d", i), Name: fmt.Sprintf("Engine %d, \"the=%d\"", i, i), DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", GearRatio: 18 + float64(i)}, {ID: "rear", GearRatio: 18}}})
	}
	s.wait(`document.querySelectorAll('[aria-labelledby=r-locomotive] .stock > li').length === 12`)
	text := string(get(s.t, s.h.URL+"/api/roster-locomotives.csv"))
	changed := strings.Replace(text, ",25,", ",22.5,", 1)
	if changed == text {
		s.t.Fatalf("no line to change in\n%s", text)
	}
	s.file("roster-locomotives.csv", changed)
	s.wait(`document.querySelector('.offer')`)
	s.shows(".offer", "0 new · 1 changed · 11 the same as in the book", "front: gear ratio 25 → 22.5")
	s.shows(".offers > li b", `Engine 7, "the=7"`)
	if got := s.text(".offers > li b"); strings.Contains(got, "|") {
		s.t.Errorf("offered are %s", got)
	}
	before := len(s.book().Locomotives)
	s.press(".offer", "Write 1 into the book")
	s.wait(`document.querySelector('.ended')`)
	s.shows(".ended", "roster-locomotives.csv: 1 written.")
	for _, l := range s.book().Locomotives {
		if l.ID == "l7" && l.DriverSets[0].GearRatio != 22.5 || len(s.book().Locomotives) != before {
			s.t.Errorf("after taking it in: %+v", l)
		}
	}
	s.file("bad.csv", "id;name;set;gear_ratio;colour\nl1;Engine one;front;17,5;red\nl2;Engine two;front;fast;red\n")
	s.wait(`document.querySelector('.complaints')`)
	s.shows(".offer", "line 3, gear_ratio: \"fast\" is not a number", "column \"colour\" is not known", "Leave what is bad, and write 1 into the book", "Engine one", "driver set rear taken out")
	if strings.Contains(s.text(".offers"), "Engine two") {
		s.t.Error("a bad row is offered")
	}
	s.press(".offer", "Write nothing")
	s.wait(`!document.querySelector('.offer')`)
	if l := s.book().Locomotives[1]; l.Name == "Engine one" {
		s.t.Error("it was written though nothing was to be")
	}
}

func stoppedInTheMiddle(s *shed) {
	var text strings.Builder
	text.WriteString("id,name,nominal_mv\n")
	for i := range 200 {
		fmt.Fprintf(&text, "x%03d,Motor %d,6000\n", i, i)
	}
	s.file("motors.csv", text.String())
	s.wait(`document.querySelectorAll('.offers > li').length === 200`)
	chrome.Eval[bool](s.t, s.ctx, `(new MutationObserver(() => {
		const at = document.querySelector('.progress progress');
		if (at?.value >= 40 && at.max === 200) document.querySelector('.progress button:not([disabled])')?.click();
	}).observe(document.body, {subtree: true, childList: true, attributes: true, characterData: true}), true)`)
	s.press(".offer", "Write 200 into the book")
	chrome.Wait(s.t, s.ctx, `document.querySelector('.ended')`, 20*time.Second)
	written := len(s.book().NamedMotors)
	if written < 40 || written >= 200 {
		s.t.Fatalf("%d were written, want it stopped after 40 and before 200", written)
	}
	s.shows(".ended", fmt.Sprintf("motors.csv: %d written, %d not written.", written, 200-written), fmt.Sprintf("Written (%d)", written), fmt.Sprintf("Not written (%d)", 200-written))
	s.t.Logf("stopped after %d of 200", written)
	s.file("motors.csv", text.String())
	s.wait(fmt.Sprintf(`document.querySelector('.offer')?.innerText.includes('%d new · 0 changed · %d the same')`, 200-written, written))
}

func strangeNames(s *shed) {
	long := strings.Repeat("Long ", 19) + "Long!"
	names := []string{"<b>x</b>", `=HYPERLINK("x")`, "車", long, "=1+1", "'quoted", "${1+1}"}
	for _, name := range names {
		s.press("[aria-labelledby=r-locomotive]", "Write down a locomotive")
		s.fill("name", 0, name)
		s.written()
	}
	s.wait(fmt.Sprintf(`document.querySelectorAll('[aria-labelledby=r-locomotive] .stock > li').length === %d`, len(names)))
	shown := s.text("[aria-labelledby=r-locomotive] h3")
	for _, name := range names {
		if !strings.Contains(shown, name) {
			s.t.Errorf("%q is not shown in %s", name, shown)
		}
	}
	if chrome.Eval[bool](s.t, s.ctx, `document.querySelector('main b b, main h3 b') !== null`) {
		s.t.Error("a name became markup")
	}
	table := string(get(s.t, s.h.URL+"/api/roster-locomotives.csv"))
	for _, l := range strings.Split(table, "\n") {
		for _, c := range strings.Split(l, ",") {
			if strings.HasPrefix(strings.Trim(c, `"`), "=") {
				s.t.Errorf("the table has a formula: %s", l)
			}
		}
	}
	s.file("roster-locomotives.csv", table)
	s.wait(fmt.Sprintf(`document.querySelector('.offer')?.innerText.includes('0 new · 0 changed · %d the same')`, len(names)))
	for _, width := range []int64{390, 1280, 1920} {
		chrome.Do(s.t, s.ctx, "resizing", chromedp.EmulateViewport(width, 900))
		s.wait(fmt.Sprintf(`innerWidth === %d && document.documentElement.scrollWidth <= innerWidth`, width))
	}
}

func notWrittenOver(s *shed) {
	wren := wire.Locomotive{ID: "wren", Name: "Wren", MassG: 450}
	s.w.decide(wire.WhatLocomotive, "", wren)
	s.press("[data-id=wren]", "Change")
	s.fill("mass", 0, "470")
	wren.Owner = "Bea"
	s.w.decide(wire.WhatLocomotive, "", wren)
	s.wait(`document.querySelector('[data-id=wren] .cells').innerText.includes('Bea')`)
	chrome.Do(s.t, s.ctx, "writing it down", chrome.Click("form.entry button.primary"))
	s.wait(`!!document.querySelector('dialog.conflict[open]')`)
	s.shows("dialog.conflict", "test changed")
	if l := s.book().Locomotives[0]; l.Owner != "Bea" || l.MassG != 450 {
		s.t.Errorf("the book has %+v", l)
	}
	s.press("dialog.conflict", "Back to the form")
	s.wait(`!document.querySelector('dialog.conflict[open]') && document.querySelector('form.entry [name=mass]').value === '470'`) // what was typed is still there
}
