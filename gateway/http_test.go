package gateway_test

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rainhill/dashboard"
	"rainhill/gateway"
	"rainhill/pkg/wire"
)

func TestSignIn(t *testing.T) {
	d := newDoor(t)
	began := time.Now()
	a := d.post("/api/sign-in", map[string]string{"key": "wrong", "name": "x"})
	if a.status != http.StatusUnauthorized || a.header.Get("Set-Cookie") != "" || a.reply(t).Reason != "that is not the official's key" {
		t.Fatalf("wrong key: %+v", a)
	}
	if time.Since(began) < 900*time.Millisecond {
		t.Fatal("a wrong key is answered at once: keys could be tried quickly")
	}
	for _, key := range []string{d.StartKey, d.NewKey, " " + d.NewKey + "\n"} {
		a = d.post("/api/sign-in", map[string]string{"key": key, "name": " Ada "})
		c, err := http.ParseSetCookie(a.header.Get("Set-Cookie"))
		if err != nil || a.status != http.StatusOK {
			t.Fatalf("right key: %d %s %v", a.status, a.body, err)
		}
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.MaxAge <= 0 || len(c.Value) < 32 {
			t.Fatalf("cookie %+v", c)
		}
		d.cookie = c
		if me := d.get("/api/me").body; !strings.Contains(me, `"official":"Ada"`) {
			t.Fatal(me)
		}
	}
	if a := d.post("/api/sign-out", nil); a.status != http.StatusOK {
		t.Fatalf("sign-out: %+v", a)
	}
	if me := d.get("/api/me").body; !strings.Contains(me, `"official":null`) {
		t.Fatalf("after signing out: %s", me)
	}
	if a := d.post("/api/sign-in", map[string]string{"key": d.StartKey, "name": strings.Repeat("x", 61)}); a.status != http.StatusBadRequest {
		t.Fatalf("a long name: %+v", a)
	}
}

func TestKeyIsStoredHashed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "official.key")
	k, made, err := gateway.OpenKey(path)
	if err != nil || made == "" {
		t.Fatal(made, err)
	}
	b, err := os.ReadFile(path)
	if err != nil || strings.Contains(string(b), made) || !strings.HasPrefix(string(b), "$2") {
		t.Fatalf("the file holds %q (%v)", b, err)
	}
	again, none, err := gateway.OpenKey(path)
	if err != nil || none != "" || again.Start() == k.Start() {
		t.Fatalf("opened again: made %q, %v", none, err)
	}
	if err := os.WriteFile(path, []byte("nonsense"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := gateway.OpenKey(path); err == nil || !strings.Contains(err.Error(), path) {
		t.Fatalf("a spoilt file: %v", err)
	}
}

// Every POST comes from the page itself: a foreign page cannot make an
// official's browser send one.
func TestForeignPagesCannotPost(t *testing.T) {
	d := newDoor(t)
	d.signIn()
	without := func(name string) func(*http.Request) { return func(r *http.Request) { r.Header.Del(name) } }
	for _, path := range []string{"/api/decision", "/api/tap", "/api/sync", "/api/agents", "/api/sign-in", "/api/sign-out", "/api/roster/check", "/api/photo"} {
		for name, change := range map[string]func(*http.Request){
			"no header":       without("X-Rainhill"),
			"a form":          header("Content-Type", "application/x-www-form-urlencoded"),
			"text":            header("Content-Type", "text/plain"),
			"another origin":  header("Origin", "http://elsewhere.example"),
			"another site":    header("Sec-Fetch-Site", "cross-site"),
			"another port":    header("Origin", "http://127.0.0.1:1"),
			"a hidden origin": header("Origin", "null"),
		} {
			if a := d.post(path, map[string]string{}, change); a.status != http.StatusForbidden {
				t.Errorf("%s, %s: %d %s", path, name, a.status, a.body)
			}
		}
	}
	if a := d.post("/api/sign-out", nil, header("Origin", d.URL)); a.status != http.StatusOK {
		t.Errorf("the page's own origin: %d %s", a.status, a.body)
	}
}

func TestReadersOnlyRead(t *testing.T) {
	d := newDoor(t)
	before := d.health().JournalSeq
	for _, c := range []struct {
		method, path string
		body         any
	}{
		{"POST", "/api/decision", map[string]any{"what": "circuit", "value": map[string]any{"circuit": map[string]any{"id": "oval", "lap_length_mm": 8000}}}},
		{"POST", "/api/tap", map[string]any{"agent": "tap-1", "boot": "b", "seq": 1, "gate": "g1", "at_us": time.Now().UnixMicro()}},
		{"POST", "/api/sync", map[string]any{"agent": "tap-1", "boot": "b", "seq": 1, "t1_us": 1, "t2_us": 1, "t3_us": 1, "t4_us": 1}},
		{"POST", "/api/agents", map[string]any{"agent": "mine"}},
		{"GET", "/api/agents", nil},
		{"POST", "/api/roster/check", map[string]any{"name": "x.csv", "text": "id,name\n"}},
	} {
		for _, cookie := range []*http.Cookie{nil, {Name: "rainhill_official", Value: ""}, {Name: "rainhill_official", Value: strings.Repeat("0", 48)}} {
			d.cookie = cookie
			if a := d.do(c.method, c.path, c.body); a.status != http.StatusUnauthorized {
				t.Errorf("%s %s: %d %s", c.method, c.path, a.status, a.body)
			}
		}
	}
	if after := d.health().JournalSeq; after != before {
		t.Fatalf("a reader wrote %d facts", after-before)
	}
	for _, path := range []string{"/", "/api/view", "/api/results", "/api/health", "/api/me", "/api/roster.json", "/api/roster-motors.csv", "/api/photos"} {
		if a := d.get(path); a.status != http.StatusOK {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
}

func TestOfficialWritesTheBook(t *testing.T) {
	d := newDoor(t)
	d.signIn()
	decide := func(what, why string, value any) answer {
		t.Helper()
		return d.post("/api/decision", map[string]any{"what": what, "why": why, "value": value})
	}
	circuit := wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 8000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}}
	for _, c := range []struct {
		what  string
		value any
	}{
		{"circuit", circuit}, {"locomotive", wire.Locomotive{ID: "wren", Name: "Wren"}},
		{"session", wire.Session{ID: "s1", Circuit: "oval"}}, {"trial", wire.Trial{ID: "t1", Locomotive: "wren"}},
	} {
		if a := decide(c.what, "", c.value); a.status != http.StatusOK || !a.reply(t).OK {
			t.Fatalf("%s: %d %s", c.what, a.status, a.body)
		}
	}
	for _, c := range []struct {
		what  string
		value any
		want  string
	}{
		{"session", wire.Session{ID: "s2", Circuit: "oval"}, `session "s1" is still open`},
		{"trial", wire.Trial{ID: "t2", Locomotive: "nobody"}, `there is no locomotive "nobody"`},
		{"lap", wire.LapValue{Trial: "t1", Lap: 1, Void: true}, "why is missing"},
		{"whistle", nil, "is not known"},
		{"circuit", "text", "want an object"},
	} {
		before := d.health().Accepted
		if a := decide(c.what, "", c.value); a.status != http.StatusBadRequest || !strings.Contains(a.reply(t).Reason, c.want) {
			t.Errorf("%s: %d %s, want %q", c.what, a.status, a.body, c.want)
		}
		if after := d.health(); after.Rejected != 0 || after.Accepted < before {
			t.Errorf("%s: what the book refuses is not in the journal; health %+v", c.what, after)
		}
	}
	tap(t, d)
}

// A tap is a crossing like any other; sent again it is taken once.
func tap(t *testing.T, d *door) {
	t.Helper()
	now := time.Now().UnixMicro()
	if a := d.post("/api/sync", map[string]any{"agent": "tap-1", "boot": "b", "seq": 1, "at_us": now, "t1_us": now, "t2_us": now + 5, "t3_us": now + 6, "t4_us": now + 11}); !a.reply(t).OK {
		t.Fatalf("sync: %+v", a)
	}
	press := func(agent string, seq int, at int64) wire.Reply {
		return d.post("/api/tap", map[string]any{"agent": agent, "boot": "b", "seq": seq, "gate": "g1", "at_us": at, "u_us": 70000}).reply(t)
	}
	for i := range 3 {
		if r := press("tap-1", i+2, now+int64(i)*20_000_000); !r.OK || r.Duplicate {
			t.Fatalf("tap %d: %+v", i, r)
		}
	}
	if r := press("tap-1", 4, now+40_000_000); !r.OK || !r.Duplicate {
		t.Fatalf("the same tap again: %+v", r)
	}
	if r := press("gateway", 9, now); r.OK || !strings.Contains(r.Reason, "begins with tap-") {
		t.Fatalf("in another's name: %+v", r)
	}
	if r := press("tap-1", 5, now-90_000_000_000); r.OK || !strings.Contains(r.Reason, "over a day") {
		t.Fatalf("a day off: %+v", r)
	}
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		r := d.results()
		if len(r.Trials) == 1 && len(r.Trials[0].Laps) == 2 {
			// GUM (JCGM 100:2008) 5.1.2: u of a difference of two taps is 70 ms times root 2.
			if l := r.Trials[0].Laps[0]; l.LapTimeS != 20 || l.US < 0.0989 || l.US > 0.0991 {
				t.Fatalf("lap %+v", l)
			}
			break
		}
		if time.Now().After(end) {
			t.Fatalf("results %+v", r)
		}
	}
	if csv := d.get("/api/laps.csv"); csv.status != 200 || !strings.Contains(csv.body, "t1,wren,1,") {
		t.Fatalf("laps.csv: %+v", csv)
	}
}

func TestAgentsAreAdded(t *testing.T) {
	d := newDoor(t)
	d.signIn()
	a := d.post("/api/agents", wire.Credential{Agent: "bench", Gates: []string{"g1"}})
	var c wire.Credential
	if err := json.Unmarshal([]byte(a.body), &c); err != nil || a.status != 200 || len(c.Password) < 16 {
		t.Fatalf("%+v %v", a, err)
	}
	if list := d.get("/api/agents"); !strings.Contains(list.body, `"agent":"bench"`) || strings.Contains(list.body, c.Password) {
		t.Fatal(list.body)
	}
	if a := d.post("/api/agents", wire.Credential{Agent: "B x"}); a.status != http.StatusBadRequest {
		t.Fatalf("%+v", a)
	}
}

// A foreign name that points at our address gets nothing: no page, no data, no socket.
func TestForeignNamesAreRefused(t *testing.T) {
	d := newDoor(t)
	name := func(host string) func(*http.Request) { return func(r *http.Request) { r.Host = host } }
	for _, host := range []string{"evil.example", "evil.example:8137", "127.0.0.1.evil.example", "localhost.evil.example"} {
		for _, path := range []string{"/", "/api/view", "/ws", "/api/journal"} {
			if a := d.get(path, name(host)); a.status != http.StatusMisdirectedRequest {
				t.Errorf("%s%s: %d", host, path, a.status)
			}
		}
	}
	own, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	for _, host := range []string{"localhost:8137", "127.0.0.1", "[::1]:80", "192.168.1.5:8137", "trackside.local", "trackside", own} {
		if a := d.get("/", name(host)); a.status != http.StatusOK {
			t.Errorf("%s: %d %s", host, a.status, a.body)
		}
	}
}

func TestEveryAnswerHasTheContentPolicy(t *testing.T) {
	d := newDoor(t)
	asset := "/" + strings.TrimPrefix(firstAsset(t), "/")
	for _, path := range []string{"/", "/health", "/book", "/roster", asset, "/nowhere", "/api/view", "/api/nowhere", dashboard.Prefix + "old/x.js"} {
		a := d.get(path)
		csp := a.header.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "connect-src 'self'", "base-uri 'none'", "frame-ancestors 'none'", "require-trusted-types-for 'script'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s (%d): policy %q lacks %q", path, a.status, csp, want)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http:") || a.header.Get("X-Content-Type-Options") != "nosniff" || a.header.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: %v", path, a.header)
		}
	}
	if a := d.get(asset); a.status != 200 || !strings.Contains(a.header.Get("Cache-Control"), "immutable") {
		t.Errorf("%s: %d %v", asset, a.status, a.header)
	}
	if a := d.get("/"); a.status != 200 || a.header.Get("Cache-Control") != "no-cache" || !strings.HasPrefix(a.header.Get("Content-Type"), "text/html") {
		t.Errorf("/: %d %v", a.status, a.header)
	}
}

// firstAsset is the address of a script that the page loads.
func firstAsset(t *testing.T) string {
	t.Helper()
	html := string(dashboard.Page())
	i := strings.Index(html, dashboard.Prefix)
	if i < 0 {
		t.Fatal("the page loads nothing")
	}
	return html[i : i+strings.IndexAny(html[i:], `"'`)]
}

func TestUnknownSiteAndSession(t *testing.T) {
	d := newDoor(t)
	if a := d.get("/api/view?site=yard"); a.status != http.StatusServiceUnavailable || !strings.Contains(a.body, "is not running") {
		t.Errorf("unknown site: %d %s", a.status, a.body)
	}
	if a := d.get("/api/results?session=nope"); a.status != http.StatusBadRequest || !strings.Contains(a.body, `there is no session \"nope\"`) {
		t.Errorf("unknown session: %d %s", a.status, a.body)
	}
	for _, path := range []string{"/api/journal", "/api/journal?session=nope"} {
		if a := d.get(path); a.status != http.StatusBadRequest || !strings.Contains(a.body, "no session") {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
	d.openBook()
	if a := d.get("/api/journal?session=nope"); a.status != http.StatusBadRequest || !strings.Contains(a.body, `no session \"nope\"`) {
		t.Errorf("unknown session's journal: %d %s", a.status, a.body)
	}
}
