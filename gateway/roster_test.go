package gateway_test

import (
	"bytes"
	"encoding/json"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/wire"
)

// picture is a picture of w by h with some colour in it.
func picture(w, h int) image.Image {
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.Set(x, y, color.NRGBA{uint8(x), uint8(y), 90, uint8(255 * (x % 2))})
		}
	}
	return m
}

const place = "51.4531N 2.6969W hidden"

// withPlace is a JPEG with an EXIF part that tells where it was taken.
func withPlace(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	exif := "Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x00\x00\x00\x00\x00" + place
	app1 := append([]byte{0xff, 0xe1, 0, byte(len(exif) + 2)}, exif...)
	return append(append([]byte{0xff, 0xd8}, app1...), append(b.Bytes()[2:], "trailing "+place...)...)
}

func TestPhotosStayHereAndHoldNothingElse(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	raw := withPlace(t, picture(40, 30))
	if !bytes.Contains(raw, []byte(place)) {
		t.Fatal("the picture sent holds no place")
	}
	const at = "/api/photo?locomotive=wren"
	if a := d.send("POST", at, "image/jpeg", raw); a.status != http.StatusUnauthorized {
		t.Fatalf("a reader put a photo: %+v", a)
	}
	d.signIn()
	heard, err := d.Bus().SubscribeSync(">")
	if err != nil {
		t.Fatal(err)
	}
	before := d.health().JournalSeq
	if a := d.send("POST", at, "image/jpeg", raw); a.status != http.StatusOK {
		t.Fatalf("%+v", a)
	}
	a := d.get(at)
	m, kind, err := image.DecodeConfig(strings.NewReader(a.body))
	if err != nil || kind != "jpeg" || m.Width != 40 || m.Height != 30 || a.header.Get("Content-Type") != "image/jpeg" {
		t.Fatalf("got %v %s %v %v", m, kind, err, a.header)
	}
	if strings.Contains(a.body, place) || strings.Contains(a.body, "Exif") {
		t.Error("the photo still tells where it was taken")
	}
	if b := d.get(at, header("If-None-Match", a.header.Get("ETag"))); b.status != http.StatusNotModified {
		t.Errorf("asked again for the same: %d", b.status)
	}
	if list := d.get("/api/photos").body; !strings.Contains(list, `"kept":true`) || !strings.Contains(list, `"wren":"`) {
		t.Error(list)
	}
	for _, path := range []string{"/api/view", "/api/roster.json", "/api/journal"} {
		if strings.Contains(d.get(path).body, "/9j/") || strings.Contains(d.get(path).body, a.body[:20]) {
			t.Errorf("%s holds the photo", path)
		}
	}
	told := 0
	for msg, err := heard.NextMsg(time.Second); err == nil; msg, err = heard.NextMsg(50 * time.Millisecond) {
		told++
		if bytes.Contains(msg.Data, []byte(a.body[:20])) || bytes.Contains(msg.Data, raw[:20]) {
			t.Errorf("the photo went over the bus on %s", msg.Subject)
		}
	}
	if told == 0 {
		t.Error("nothing was heard on the bus: the test is deaf")
	}
	_ = heard.Unsubscribe()
	if after := d.health(); after.Rejected != 0 || strings.Contains(d.get("/api/journal").body, "photo") || after.JournalSeq < before {
		t.Errorf("the journal speaks of the photo")
	}
	if a := d.send("DELETE", at, "", nil); a.status != http.StatusOK {
		t.Fatalf("removing: %+v", a)
	}
	if a := d.get(at); a.status != http.StatusNotFound || !strings.Contains(a.body, "there is no photo") {
		t.Errorf("after removing: %+v", a)
	}
	if list := d.get("/api/photos").body; strings.Contains(list, "wren") {
		t.Error(list)
	}
}

func TestPhotosThatAreRefused(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	d.signIn()
	encode := func(f func(io.Writer, image.Image) error, m image.Image) []byte {
		t.Helper()
		var b bytes.Buffer
		if err := f(&b, m); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	toPNG := encode(png.Encode, picture(8, 8))
	toGIF := encode(func(w io.Writer, m image.Image) error { return gif.Encode(w, m, nil) }, picture(8, 8))
	wide := encode(png.Encode, image.NewGray(image.Rect(0, 0, 1601, 1)))
	const wren = "/api/photo?locomotive=wren"
	for _, c := range []struct {
		story, path, kind string
		body              []byte
		status            int
		want              string
	}{
		{"another kind of picture", wren, "image/png", toGIF, 400, "no JPEG or PNG"},
		{"text", wren, "image/jpeg", []byte("<svg onload=alert(1)>"), 400, "no JPEG or PNG"},
		{"too wide", wren, "image/png", wide, 400, "1601 by 1 px"},
		{"cut off", wren, "image/png", toPNG[:len(toPNG)-20], 400, "damaged"},
		{"too long", wren, "image/jpeg", make([]byte, 1<<20+1), 413, "at most 1048576 bytes"},
		{"nobody's", "/api/photo?locomotive=owl", "image/png", toPNG, 400, `no locomotive \"owl\"`},
		{"a path for an id", "/api/photo?locomotive=" + url.QueryEscape("../official"), "image/png", toPNG, 400, "not an id"},
		{"a form", wren, "multipart/form-data", toPNG, 403, "from the page itself"},
	} {
		if a := d.send("POST", c.path, c.kind, c.body); a.status != c.status || !strings.Contains(a.body, c.want) {
			t.Errorf("%s: %d %s, want %d %q", c.story, a.status, a.body, c.status, c.want)
		}
	}
	for name, change := range map[string]func(*http.Request){
		"without the header": func(r *http.Request) { r.Header.Del("X-Rainhill") },
		"another origin":     header("Origin", "http://elsewhere.example"),
	} {
		for _, method := range []string{"POST", "DELETE"} {
			if a := d.send(method, wren, "image/png", toPNG, change); a.status != http.StatusForbidden {
				t.Errorf("%s %s: %d %s", method, name, a.status, a.body)
			}
		}
	}
	if a := d.send("POST", wren, "image/png", toPNG); a.status != http.StatusOK {
		t.Fatalf("a small PNG: %+v", a)
	}
	m, err := jpeg.Decode(strings.NewReader(d.get(wren).body))
	if err != nil {
		t.Fatal(err)
	}
	if r, g, b, _ := m.At(0, 0).RGBA(); r < 0x8000 || g < 0x8000 || b < 0x8000 {
		t.Errorf("what was clear became %x %x %x, want a light colour", r, g, b)
	}
}

// decided writes stock into the book over the page's own way.
func (d *door) decided(what string, value any) {
	d.t.Helper()
	if a := d.post("/api/decision", map[string]any{"what": what, "value": value}); a.status != http.StatusOK {
		d.t.Fatalf("%s: %d %s", what, a.status, a.body)
	}
}

func TestRosterGoesOutAndComesIn(t *testing.T) {
	d := newDoor(t)
	d.signIn()
	wren := wire.Locomotive{ID: "wren", Name: `=HYPERLINK("x")`, Note: "車, two\nlines", DriverSets: []wire.DriverSet{
		{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 18, CountsPerRev: 12, Tyres: true}, {ID: "rear", Motor: "m2", WheelDiameterMm: 30, GearRatio: 18.5, CountsPerRev: 12}}}
	coal := wire.Consist{ID: "coal", Name: "<b>Coal</b>", Cars: []wire.Car{{Name: "First", MassG: 80, Axles: 2, Bearings: "ball"}, {MassG: 95.5}}}
	d.decided("locomotive", wren)
	d.decided("locomotive", wire.Locomotive{ID: "owl", Name: "Owl", VariantOf: "wren"})
	d.decided("consist", coal)
	check := func(name, text string) (c wire.RosterCheck) {
		t.Helper()
		a := d.post("/api/roster/check", map[string]string{"name": name, "text": text})
		if err := json.Unmarshal([]byte(a.body), &c); err != nil || a.status != http.StatusOK {
			t.Fatalf("%s: %d %s", name, a.status, a.body)
		}
		return c
	}
	stand := func(c wire.RosterCheck) string {
		var s []string
		for _, i := range c.Items {
			s = append(s, i.ID+" "+i.Is)
		}
		return strings.Join(s, ", ")
	}
	out := d.get("/api/roster.json")
	if !strings.Contains(out.header.Get("Content-Disposition"), "roster.json") {
		t.Error(out.header)
	}
	c := check("roster.json", out.body)
	if stand(c) != "owl same, wren same, coal same" && stand(c) != "wren same, owl same, coal same" || len(c.Complaints) > 0 || c.Rev == 0 {
		t.Fatalf("%+v of\n%s", c, out.body)
	}
	table := d.get("/api/roster-locomotives.csv")
	if !strings.Contains(table.body, `"'=HYPERLINK(""x"")"`) || !strings.HasPrefix(table.header.Get("Content-Type"), "text/csv") {
		t.Errorf("%v\n%s", table.header, table.body)
	}
	changed := check("a.csv", strings.Replace(table.body, "18.5", "22", 1))
	if got := stand(changed); got != "owl same, wren changed" && got != "wren changed, owl same" {
		t.Fatalf("%s, of %+v", got, changed)
	}
	if got := stand(check("b.csv", d.get("/api/roster-consists.csv").body)); got != "coal same" {
		t.Fatal(got)
	}
	if c := check("c.csv", "id,name,set,gear_ratio\nwren,Wren,front,fast\n"); len(c.Items) != 0 || len(c.Complaints) != 1 || c.Complaints[0].Line != 2 || c.Complaints[0].Column != "gear_ratio" {
		t.Fatalf("%+v", c)
	}
	if a := d.post("/api/roster/check", map[string]string{"name": "x", "text": strings.Repeat("x", 1<<20+1)}); a.status != http.StatusRequestEntityTooLarge {
		t.Fatalf("%+v", a)
	}
}

// The folder is the host's own, and nothing else lies in it.
func TestPhotosLieInOneFolder(t *testing.T) {
	d := newDoor(t)
	d.openBook()
	d.signIn()
	if a := d.send("POST", "/api/photo?locomotive=wren", "image/jpeg", withPlace(t, picture(4, 4))); a.status != 200 {
		t.Fatalf("%+v", a)
	}
	found, err := filepath.Glob(filepath.Join(d.data, "photos", "*"))
	if err != nil || len(found) != 1 || filepath.Base(found[0]) != "photo.line.wren.jpg" {
		t.Fatal(found, err)
	}
	if b, err := os.ReadFile(found[0]); err != nil || bytes.Contains(b, []byte(place)) {
		t.Fatalf("the file tells the place (%v)", err)
	}
}
