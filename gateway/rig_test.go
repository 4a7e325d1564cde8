package gateway_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

const site = "line"

// door is a whole service and how its page's visitors reach it.
type door struct {
	t testing.TB
	*host.Host
	data   string
	seq    uint64
	cookie *http.Cookie
	watch  func(*http.Request, *http.Response, string) // hears of each exchange, and its request's body
}

func newDoor(t testing.TB) *door {
	t.Helper()
	return newDoorTicking(t, 100*time.Millisecond)
}

func newDoorTicking(t testing.TB, tick time.Duration) *door {
	t.Helper()
	data := t.TempDir()
	h, err := host.Open(host.Config{Data: data, Site: site, WebPort: -1, Tick: tick})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Stop(); err != nil {
			t.Error(err)
		}
	})
	return &door{t: t, Host: h, data: data}
}

// answer is what came back of a request.
type answer struct {
	status int
	header http.Header
	body   string
}

func (a answer) reply(t testing.TB) wire.Reply {
	t.Helper()
	var r wire.Reply
	if err := json.Unmarshal([]byte(a.body), &r); err != nil {
		t.Fatalf("%d %q: %v", a.status, a.body, err)
	}
	return r
}

func (d *door) do(method, path string, body any, change ...func(*http.Request)) answer {
	d.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		d.t.Fatal(err)
	}
	return d.send(method, path, "application/json", b, change...)
}

// send sends bytes as they are; only a POST has any.
func (d *door) send(method, path, kind string, b []byte, change ...func(*http.Request)) answer {
	d.t.Helper()
	if method != http.MethodPost {
		b = nil
	}
	req, err := http.NewRequest(method, d.URL+path, bytes.NewReader(b))
	if err != nil {
		d.t.Fatal(err)
	}
	if method != http.MethodGet {
		req.Header.Set("X-Rainhill", "1")
	}
	if method == http.MethodPost {
		req.Header.Set("Content-Type", kind)
	}
	if d.cookie != nil {
		req.AddCookie(d.cookie)
	}
	for _, f := range change {
		f(req)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	got, err := io.ReadAll(res.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	if d.watch != nil {
		res.Body = io.NopCloser(bytes.NewReader(got))
		d.watch(req, res, string(b))
	}
	return answer{res.StatusCode, res.Header, string(got)}
}

func (d *door) get(path string, change ...func(*http.Request)) answer {
	d.t.Helper()
	return d.do(http.MethodGet, path, nil, change...)
}

func (d *door) post(path string, body any, change ...func(*http.Request)) answer {
	d.t.Helper()
	return d.do(http.MethodPost, path, body, change...)
}

func header(name, value string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

// signIn signs in with the start key and keeps the cookie.
func (d *door) signIn() {
	d.t.Helper()
	a := d.post("/api/sign-in", map[string]string{"key": d.StartKey, "name": "Signal box"})
	if a.status != http.StatusOK {
		d.t.Fatalf("sign-in: %d %s", a.status, a.body)
	}
	cookies, err := http.ParseSetCookie(a.header.Get("Set-Cookie"))
	if err != nil {
		d.t.Fatal(err)
	}
	d.cookie = cookies
}

// put writes an event into the journal as a part of the service does.
func (d *door) put(e wire.Event) {
	d.t.Helper()
	d.seq++
	seq := d.seq
	e.Agent, e.Boot, e.Seq = "script", "b", &seq
	b, err := json.Marshal(e)
	if err != nil {
		d.t.Fatal(err)
	}
	m, err := d.Bus().Request(bus.Internal(site, e.Kind, e.Source()), b, 30*time.Second)
	if err != nil {
		d.t.Fatal(err)
	}
	if !strings.Contains(string(m.Data), `"ok":true`) {
		d.t.Fatalf("%s: the journal answered %s", b, m.Data)
	}
}

// openBook opens session s1 with trial t1 of one tagged train on a circuit of
// 8 m with two gates.
func (d *door) openBook() {
	d.t.Helper()
	now := time.Now().UnixMicro()
	setup := wire.Setup{
		Circuit:     wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 8000},
		Gates:       []wire.Gate{{ID: "g1", Timing: true}, {ID: "g2", PositionMm: 4000}},
		Locomotives: []wire.Locomotive{{ID: "wren", Name: "Wren", DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12}}}},
		Trials:      []wire.Trial{{ID: "t1", Locomotive: "wren", Tag: "tag-wren", FromUs: now - 60_000_000}},
	}
	for _, e := range trial.FromSetup(setup, "s1", now) {
		d.put(e)
	}
	t1, t2, t3, t4 := now, now+100, now+120, now+220
	d.put(wire.Event{Kind: wire.KindSync, AtUs: t4, T1Us: &t1, T2Us: &t2, T3Us: &t3, T4Us: &t4})
}

// pass has the train go past its next gate, 10 s after the last.
func (d *door) pass(startUs int64, n int) {
	d.t.Helper()
	d.put(wire.Event{Kind: wire.KindCrossing, AtUs: startUs + int64(n)*10_000_000 + int64(n%7)*1009, Gate: fmt.Sprintf("g%d", n%2+1), Edge: wire.EdgePulse, Tag: "tag-wren"})
}

// motor has the motor send its nth event of so many readings.
func (d *door) motor(n, readings int) {
	d.t.Helper()
	now := time.Now().UnixMicro()
	var samples []wire.Sample
	for i := range readings {
		counts := int64(n*readings + i)
		samples = append(samples, wire.Sample{AtUs: now - int64(readings-i), Counts: &counts})
	}
	d.put(wire.Event{Kind: wire.KindMotor, AtUs: now, Motor: "m1", Samples: samples})
}

func (d *door) dial(change ...func(http.Header)) (*websocket.Conn, *http.Response, error) {
	h := http.Header{}
	for _, f := range change {
		f(h)
	}
	return websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+"/ws", h)
}

// page is a viewer that keeps what it is told as the page does.
type page struct {
	conn    *websocket.Conn
	rev     uint64
	views   int
	frames  int
	results map[string]wire.TrialResult
	lastAt  time.Time
}

func (d *door) page() *page {
	d.t.Helper()
	c, _, err := d.dial()
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { _ = c.Close() })
	return &page{conn: c}
}

// next takes one message in.
func (p *page) next() error {
	_ = p.conn.SetReadDeadline(time.Now().Add(30 * time.Second))
	_, b, err := p.conn.ReadMessage()
	if err != nil {
		return err
	}
	p.lastAt = time.Now()
	var kind struct{ Type string }
	if err := json.Unmarshal(b, &kind); err != nil {
		return fmt.Errorf("%s: %w", b, err)
	}
	switch kind.Type {
	case "view":
		var v wire.View
		if err := json.Unmarshal(b, &v); err != nil {
			return err
		}
		p.views, p.rev, p.results = p.views+1, v.Rev, map[string]wire.TrialResult{}
		for _, r := range v.Results {
			p.results[r.Trial] = r
		}
		return nil
	case "driving":
		return nil
	case "frame":
		var f wire.Frame
		if err := json.Unmarshal(b, &f); err != nil {
			return err
		}
		return p.take(f)
	}
	return fmt.Errorf("a message of type %q", kind.Type)
}

func (p *page) take(f wire.Frame) error {
	if p.results == nil {
		return fmt.Errorf("a frame came before the view")
	}
	p.frames++
	if f.Rev < p.rev {
		return nil // the view has it
	}
	p.rev = f.Rev
	for _, r := range f.Results {
		old := p.results[r.Trial].Laps
		first := r.LapCount - len(r.Laps) // laps before it stay
		if len(old) < first {
			return fmt.Errorf("laps %d to %d of %s are missing", len(old)+1, first, r.Trial)
		}
		r.Laps = append(old[:first:first], r.Laps...)
		p.results[r.Trial] = r
	}
	return nil
}

// holds reports whether the page shows exactly these results.
func (p *page) holds(r wire.Results) bool {
	for _, want := range r.Trials {
		if p.results[want.Trial].LapCount != want.LapCount {
			return false // that is cheap to see, and so it is mostly
		}
		want.About = nil // a page has it among its trials
		a, _ := json.Marshal(p.results[want.Trial])
		b, _ := json.Marshal(want)
		if !bytes.Equal(a, b) {
			return false
		}
	}
	return len(r.Trials) == len(p.results)
}

func (d *door) results() wire.Results {
	d.t.Helper()
	var r wire.Results
	if err := json.Unmarshal([]byte(d.get("/api/results").body), &r); err != nil {
		d.t.Fatal(err)
	}
	return r
}

func (d *door) health() wire.Health {
	d.t.Helper()
	var h wire.Health
	if err := json.Unmarshal([]byte(d.get("/api/health").body), &h); err != nil {
		d.t.Fatal(err)
	}
	return h
}
