package gateway_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"image/png"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// see judges one exchange: the answer is in the document, and a request that was
// answered well is what the document asks for.
func (s *spec) see(req *http.Request, res *http.Response, body string) {
	s.t.Helper()
	what := req.Method + " " + req.URL.RequestURI()
	b, _ := io.ReadAll(res.Body)
	res.Body = io.NopCloser(bytes.NewReader(b))
	// The library would read JSON Lines as one value: these are judged line by line. The
	// document itself is judged by TestOpenAPIIsSound.
	byLine := strings.HasPrefix(res.Header.Get("Content-Type"), "application/jsonl")
	if ok, errs := s.valid.ValidateHttpResponse(req, res); !ok && !byLine && req.URL.Path != "/api/openapi.json" {
		for _, e := range errs {
			s.t.Errorf("%s answered %d %.400s\nwhich is not in the document: %s %s %s", what, res.StatusCode, b, e.Message, e.Reason, faults(e.SchemaValidationErrors))
		}
	}
	path := s.template(req.URL.Path)
	op := strings.ToLower(req.Method) + " " + path
	s.seen[fmt.Sprint(op, " ", res.StatusCode)] = true
	if sound, why := s.sound(req, body); !sound && res.StatusCode < 300 {
		s.t.Errorf("%s %s was answered %d, and by the document is not sound: %s", what, body, res.StatusCode, why)
	}
	s.table(what, path, res, string(b))
	line := s.at("paths", path, strings.ToLower(req.Method), "responses", fmt.Sprint(res.StatusCode), "content", "application/jsonl", "x-line")
	if line == nil {
		if byLine {
			s.t.Errorf("%s answered JSON Lines, and the document does not say what a line is: add x-line beside its schema", what)
		}
		return
	}
	schema := s.compile("/paths/" + strings.ReplaceAll(path, "/", "~1") + "/" + strings.ToLower(req.Method) + "/responses/200/content/application~1jsonl/x-line")
	for l := range strings.Lines(string(b)) {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(l))
		if err == nil {
			err = schema.Validate(v)
		}
		if err != nil {
			s.t.Errorf("%s: the line %.300s: %v", what, l, err)
		}
	}
}

// table holds a table to its kind, and its columns to those of the document's example.
func (s *spec) table(what, path string, res *http.Response, body string) {
	s.t.Helper()
	switch kind, _, _ := strings.Cut(res.Header.Get("Content-Type"), ";"); kind {
	case "text/csv":
		example, _ := s.at("paths", path, "get", "responses", "200", "content", kind)["example"].(string)
		want, _, _ := strings.Cut(example, "\n")
		if got, _, _ := strings.Cut(strings.TrimPrefix(body, "\ufeff"), "\n"); got != want {
			s.t.Errorf("%s has the columns\n%s\nand in the document's example stands\n%s", what, got, want)
		}
	case "application/vnd.apache.parquet": // the mark at both ends of such a file, see its format's description
		if !strings.HasPrefix(body, "PAR1") || !strings.HasSuffix(body, "PAR1") {
			s.t.Errorf("%s is no Parquet: %.20q", what, body)
		}
	}
}

var parameter = regexp.MustCompile(`\{\w+\}`)

// template is a path as the document has it: /api/thing/{id} for /api/thing/7.
func (s *spec) template(path string) string {
	if s.at("paths", path) != nil {
		return path
	}
	for p := range s.at("paths") {
		if regexp.MustCompile("^" + parameter.ReplaceAllString(p, ".+") + "$").MatchString(path) {
			return p
		}
	}
	return path
}

// sound reports whether a request is what the document asks for.
func (s *spec) sound(req *http.Request, body string) (bool, string) {
	again := req.Clone(req.Context())
	again.Body = io.NopCloser(strings.NewReader(body))
	if req.Method != http.MethodPost {
		again.Body, again.ContentLength = http.NoBody, 0
	}
	ok, errs := s.valid.ValidateHttpRequestSync(again)
	var why strings.Builder
	for _, e := range errs {
		fmt.Fprintf(&why, "%s %s %s; ", e.Message, e.Reason, faults(e.SchemaValidationErrors))
	}
	return ok, why.String()
}

func faults[E error](list []E) string { return fmt.Sprint(list) }

// A whole evening over the API: what is right, what is wrong, signed in and not.
// Every answer that the document names comes up, but those told here why not.
func TestOpenAPIAgainstTheHandlers(t *testing.T) {
	d := newDoor(t)
	s := newSpec(t, []byte(d.get("/api/openapi.json").body))
	d.watch = s.see
	if a := d.get("/api/openapi.yaml"); a.status != http.StatusOK || !strings.Contains(a.body, "openapi: 3.1.0") {
		t.Fatalf("%d %.200s", a.status, a.body)
	}
	d.get("/api/openapi.json")
	for _, path := range []string{"/api/openapi.yaml", "/api/openapi.json"} {
		d.get(path, header("If-None-Match", d.get(path).header.Get("ETag")))
	}
	reading := append([]string{"/api/curve?motor=m1", "/api/coast", "/api/view", "/api/results", "/api/digest", "/api/history?locomotive=wren", "/api/wheels?trial=t1", "/api/pull", "/api/pull-seen?locomotive=wren&from_us=1", "/api/audit", "/api/health", "/api/crossings?from_us=1&to_us=2", "/api/roster.json",
		"/api/roster-locomotives.csv", "/api/roster-consists.csv", "/api/roster-motors.csv", "/api/roster-batteries.csv", "/api/paired-order?pairs=2", "/api/paired?experiment=x1", "/api/paired-laps.csv?experiment=x1",
		"/api/compare", "/api/compare.svg", "/api/compare.html", "/api/pull.svg", "/api/pull.html", "/api/coast.svg", "/api/coast.html"}, exports...)
	s.strangers(d, append(reading, "/api/photos"))
	d.signIn()
	s.bookOf(d)
	s.readings(d)
	s.driving(d)
	s.stock(d)
	s.predictions(d)
	s.coasting(d)
	s.photos(d)
	s.refusals(d)
	for _, path := range reading {
		if a := d.get(join(path, "site=nowhere")); a.status != http.StatusServiceUnavailable {
			t.Errorf("%s of a site that nobody serves: %d %s", path, a.status, a.body)
		}
	}
	s.sockets(d)
	d.post("/api/sign-out", map[string]any{})
	for path, item := range s.at("paths") {
		for method, op := range item.(map[string]any) {
			for status := range op.(map[string]any)["responses"].(map[string]any) {
				if what := fmt.Sprint(method, " ", path, " ", status); !s.seen[what] && status != "502" { // only a broken part of ours answers so
					t.Errorf("%s is in the document and no request here was answered so: add one", what)
				}
			}
		}
	}
}

func join(path, query string) string {
	if strings.Contains(path, "?") {
		return path + "&" + query
	}
	return path + "?" + query
}

// exports are the tables of results.
var exports = []string{"/api/laps.csv", "/api/sectors.csv", "/api/trials.csv", "/api/standings.csv", "/api/laps.parquet", "/api/sectors.parquet", "/api/trials.parquet", "/api/standings.parquet"}

// want asks and wants an answer. unsound says that the document must refuse the request too.
func (s *spec) want(d *door, status int, method, path string, body any, unsound bool, change ...func(*http.Request)) answer {
	s.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		s.t.Fatal(err)
	}
	return s.wantOf(d, status, method, path, "application/json", b, unsound, change...)
}

// wantOf is want with a body of any kind.
func (s *spec) wantOf(d *door, status int, method, path, kind string, body []byte, unsound bool, change ...func(*http.Request)) answer {
	s.t.Helper()
	before := d.watch
	defer func() { d.watch = before }()
	d.watch = func(req *http.Request, res *http.Response, body string) {
		s.see(req, res, body)
		if sound, why := s.sound(req, body); sound == unsound {
			s.t.Errorf("%s %s %.300s: by the document sound: %v, want %v %s", method, path, body, sound, !unsound, why)
		}
	}
	a := d.send(method, path, kind, body, change...)
	if a.status != status {
		s.t.Errorf("%s %s %.300s: %d %.300s, want %d", method, path, body, a.status, a.body, status)
	}
	return a
}

// strangers are not signed in, or come by another name or from another page.
func (s *spec) strangers(d *door, reading []string) {
	for _, path := range reading {
		d.get(path)
	}
	for path, item := range s.at("paths") {
		for method, op := range item.(map[string]any) {
			method, path := strings.ToUpper(method), parameter.ReplaceAllString(path, "x")
			d.do(method, path, map[string]any{}, func(r *http.Request) { r.Host = "elsewhere.example" })
			if method != http.MethodGet {
				s.want(d, http.StatusForbidden, method, path, map[string]any{}, true, func(r *http.Request) { r.Header.Del("X-Rainhill") })
			}
			if op.(map[string]any)["security"] != nil {
				kind := "application/json"
				if path == "/api/photo" {
					kind = "image/png"
				}
				s.wantOf(d, http.StatusUnauthorized, method, path, kind, []byte("{}"), true)
			}
		}
	}
	d.get("/api/me")
	s.want(d, http.StatusUnauthorized, "POST", "/api/sign-in", map[string]any{"key": "wrong"}, false)
	s.want(d, http.StatusBadRequest, "POST", "/api/sign-in", map[string]any{"key": d.StartKey, "name": strings.Repeat("x", 61)}, true)
	d.get("/api/history")
}

// decide sends a decision that must be taken.
func (s *spec) decide(d *door, what, why, session string, value any) string {
	s.t.Helper()
	in := map[string]any{"what": what, "value": value}
	if why != "" {
		in["why"] = why
	}
	if session != "" {
		in["session"] = session
	}
	return s.want(d, http.StatusOK, "POST", "/api/decision", in, false).reply(s.t).ID
}

// bookOf writes a session with a meet, runs, taps and sensors, closes and signs it.
func (s *spec) bookOf(d *door) {
	s.decide(d, "circuit", "", "", wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 8000, ScaleRatio: 76}, Gates: []wire.Gate{{ID: "g1", Timing: true}, {ID: "g2", PositionMm: 4000}}})
	s.decide(d, "locomotive", "", "", wire.Locomotive{ID: "wren", Name: "Wren", DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12}}})
	s.decide(d, "locomotive", "", "", wire.Locomotive{ID: "dipper", Name: "Dipper"})
	s.decide(d, "consist", "", "", wire.Consist{ID: "coal", Name: "Coal", Cars: []wire.Car{{MassG: 300, Axles: 2}}})
	s.decide(d, "motor", "", "", wire.NamedMotor{ID: "m1", Name: "Flat can"})
	s.decide(d, "battery", "", "", wire.Battery{ID: "b1", Name: "First"})
	s.decide(d, "margin", "", "", wire.Margin{Circuit: "oval", LapTimeS: 0.1})
	s.want(d, http.StatusBadRequest, "POST", "/api/running-order", map[string]any{"seed": 1}, false) // no session yet
	s.decide(d, "session", "", "", wire.Session{ID: "s1", Name: "Evening", Circuit: "oval"})
	s.decide(d, "meet", "", "", wire.Meet{Classes: []wire.Class{{ID: "open", Name: "Open"}}, Rank: "mean_time", Rounds: 1})
	s.decide(d, "entry", "", "", wire.Entry{ID: "e1", Person: "Ada", Locomotive: "wren", Class: "open"})
	s.decide(d, "entry", "", "", wire.Entry{ID: "e2", Person: "Ben", Locomotive: "dipper", Class: "open"})
	var plan wire.Plan
	if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "POST", "/api/running-order", map[string]any{"seed": 7}, false).body), &plan); err != nil {
		s.t.Fatal(err)
	}
	s.decide(d, "plan", "", "", plan)
	now := nowUs()
	for i := range int64(3) {
		from := now - 300_000_000 + i*30_000_000
		s.decide(d, "trial", "", "", wire.Trial{ID: fmt.Sprint("c", i+1), Locomotive: "dipper", Consist: "coal", FromUs: from, ToUs: from + 29_000_000, Conditions: map[string]any{"coast": "yes"}})
	}
	s.decide(d, "trial", "", "", wire.Trial{ID: "t1", Locomotive: "wren", Consist: "coal", Battery: "b1", Tag: "tag-wren", FromUs: now - 60_000_000, Run: plan.Runs[0].ID, Entry: plan.Runs[0].Entry,
		Conditions: map[string]any{"experiment": "x1", "pair": 1, "place": 1, "trim": "off"}})
	d.put(wire.Event{Kind: wire.KindSync, AtUs: now, T1Us: &now, T2Us: &now, T3Us: &now, T4Us: &now})
	coasts(d, now-299_000_000)
	for n := range 10 {
		d.pass(now-50_000_000, n)
	}
	sweep(d, "m1", now-55_000_000)
	d.motor(1, 100)
	s.want(d, http.StatusOK, "POST", "/api/sync", map[string]any{"agent": "tap-1", "boot": "b", "seq": 1, "at_us": now, "t1_us": now, "t2_us": now + 5, "t3_us": now + 6, "t4_us": now + 11}, false)
	s.want(d, http.StatusOK, "POST", "/api/tap", map[string]any{"agent": "tap-1", "boot": "b", "seq": 2, "gate": "g1", "at_us": now + 70_000_000, "u_us": 70000}, false)
	s.want(d, http.StatusOK, "POST", "/api/agents", map[string]any{"agent": "shed-1", "gates": []string{"g1"}}, false)
	s.want(d, http.StatusOK, "GET", "/api/agents", nil, false)
	s.decide(d, "note", "", "", wire.NoteValue{Trial: "t1", Text: "wind"})
	void := s.decide(d, "lap", "a cat on the line", "", wire.LapValue{Trial: "t1", Lap: 1, Void: true})
	s.decide(d, "undo", "", "", wire.Undo{Decision: void})
	s.pulls(d)
	d.get("/api/view")
	d.get("/api/results")
	s.decide(d, "session", "", "", wire.Session{ID: "s1", Name: "Evening", Circuit: "oval", ClosedUs: nowUs()})
	s.decide(d, "scoring", "", "s1", wire.Scoring{MinLapS: 2})
	var seal wire.Seal
	if err := json.Unmarshal([]byte(d.get("/api/digest?session=s1").body), &seal); err != nil {
		s.t.Fatal(err)
	}
	s.decide(d, "seal", "", "s1", seal)
	s.want(d, http.StatusConflict, "POST", "/api/decision", map[string]any{"what": "seal", "session": "s1", "value": seal}, false)
}

// pulls takes attempts down, voids one, and asks what they show.
func (s *spec) pulls(d *door) {
	g := func(x float64) *float64 { return &x }
	for i, v := range []wire.PullValue{
		{LoadG: 200, Outcome: wire.PullMoved, SpeedMmS: g(90)}, {LoadG: 300, Outcome: wire.PullStalled, Wheels: wire.WheelsTurned}, {LoadG: 250, Outcome: wire.PullStruggled}, {LoadG: 230, Outcome: wire.PullMoved},
		{Method: wire.PullStatic, BeforeG: g(1500), AtPullG: g(1240)}, {Method: wire.PullStatic, BeforeG: g(1500), AtPullG: g(1236)},
	} {
		v.ID, v.Locomotive = fmt.Sprintf("p%d", i+1), "wren"
		s.decide(d, "pull", "", "", v)
	}
	s.decide(d, "pull", "the cord caught", "", wire.PullValue{ID: "p4", Locomotive: "wren", LoadG: 230, Outcome: wire.PullMoved, Void: true})
	var r wire.PullResult
	if err := json.Unmarshal([]byte(d.get("/api/pull?locomotive=wren").body), &r); err != nil {
		s.t.Fatal(err)
	}
	if len(r.Locomotives) != 2 || len(r.Locomotives[0].Attempts) != 3 || r.Locomotives[0].Load50G.Value == nil || *r.Locomotives[1].Load50G.Value != 262 || r.Agreement == nil || r.Agreement.N != 1 {
		s.t.Errorf("pulls: %+v", r)
	}
	if a := d.get("/api/pull?locomotive=heron"); !strings.Contains(a.body, `"locomotives":[]`) {
		s.t.Errorf("a locomotive that never pulled: %s", a.body)
	}
}

func nowUs() int64 { return time.Now().UnixMicro() }

// readings asks for all that can be read of it.
func (s *spec) readings(d *door) {
	for _, path := range []string{
		"/api/view", "/api/results", "/api/results?session=s1", "/api/results?session=all", "/api/results?session=s1&trial=t1&trial=t2&locomotive=wren&class=open", "/api/results?class=none", "/api/digest?session=s1", "/api/history?locomotive=wren", "/api/wheels?trial=t1", "/api/wheels?session=s1&trial=t1", "/api/pull-seen?locomotive=wren&from_us=1", fmt.Sprintf("/api/pull-seen?locomotive=wren&from_us=%d&until_us=%d&direction=reverse", nowUs()-9_000_000, nowUs()),
		"/api/pull.svg?session=s1", "/api/pull.svg?paper=dark&narrow=&limit=0", "/api/pull.html?title=Evening&question=How+hard&download=",
		"/api/pull", "/api/pull?session=s1&scale_resolution_g=0.5&mass_u_g=2&step_g=5", "/api/pull?session=s1&session=s1&locomotive=wren", "/api/pull?session=all&locomotive=wren&rolling_permille=20&rolling_u_permille=2", "/api/me", "/api/health",
		"/api/audit", "/api/audit?by=Signal%20box&on=lap/t1/1", "/api/audit?id=never", "/api/audit?what=lap&session=s1&before=1000", "/api/journal?session=s1", "/api/journal?session=s1&follow=1",
		fmt.Sprintf("/api/crossings?from_us=%d&to_us=%d", nowUs()-200_000_000, nowUs()+200_000_000),
	} {
		s.want(d, http.StatusOK, "GET", path, nil, false)
	}
	for _, path := range exports {
		for _, query := range []string{"?session=s1", "?session=all&trial=t1&trial=t2", "?locomotive=wren&class=open"} {
			s.want(d, http.StatusOK, "GET", path+query, nil, false)
		}
		s.want(d, http.StatusBadRequest, "GET", path+"?session=s9", nil, false)
	}
	for _, path := range []string{"/api/paired-order?pairs=3&seed=7", "/api/paired-order?pairs=1", "/api/paired?experiment=x1&session=s1", "/api/paired-laps.csv?experiment=x1&session=s1",
		"/api/compare", "/api/compare?factor=locomotive&session=s1&measure=speed_mm_s&margin_s=0.2", "/api/compare.svg?session=s1&paper=dark&narrow=", "/api/compare.html?factor=locomotive&title=Evening&download="} {
		s.want(d, http.StatusOK, "GET", path, nil, false)
	}
	if rows := d.table("/api/standings.csv"); len(rows) != 3 {
		s.t.Errorf("standings: %v", rows)
	}
	if a := s.want(d, http.StatusOK, "POST", "/api/rescore", map[string]any{"session": "s1", "scoring": map[string]any{"min_lap_s": 3}}, false); !strings.Contains(a.body, `{"results":`) {
		s.t.Errorf("rescore: %.300s", a.body)
	}
	s.want(d, http.StatusOK, "POST", "/api/rescore", map[string]any{"session": "s9", "scoring": map[string]any{}}, false)
}

// refusals are requests that cannot be carried out, and some that no document would let pass.
func (s *spec) refusals(d *door) {
	post := func(path string, unsound bool, body any) {
		s.t.Helper()
		s.want(d, http.StatusBadRequest, "POST", path, body, unsound)
	}
	post("/api/decision", false, map[string]any{"what": "lap", "value": map[string]any{"trial": "t1", "lap": 900, "void": true}, "why": "x", "session": "s1"})
	post("/api/decision", true, map[string]any{"what": "whistle", "value": map[string]any{}})
	post("/api/decision", true, map[string]any{"what": "circuit", "value": "text"})
	post("/api/decision", true, map[string]any{"what": "trial", "value": map[string]any{"id": "T 1", "locomotive": "wren"}})
	post("/api/decision", true, "text")
	post("/api/tap", true, map[string]any{"agent": "shed-1", "boot": "b", "seq": 1, "gate": "g1", "at_us": nowUs()})
	post("/api/tap", false, map[string]any{"agent": "tap-1", "boot": "b", "seq": 9, "gate": "g9", "at_us": nowUs()})
	post("/api/sync", true, map[string]any{"agent": "tap-1", "boot": "b", "seq": 10})
	post("/api/agents", true, map[string]any{"agent": "Not An Id"})
	post("/api/running-order", true, map[string]any{"seed": -1})
	post("/api/rescore", true, map[string]any{"scoring": "text"})
	post("/api/draw", true, wire.CircuitValue{Circuit: wire.Circuit{ID: "draft"}})
	post("/api/draw", true, "text")
	post("/api/draw", false, wire.CircuitValue{Circuit: wire.Circuit{ID: "draft", LapLengthMm: 1}, Gates: []wire.Gate{{ID: "g1"}, {ID: "g1"}}})
	post("/api/roster/check", true, map[string]any{"name": "x.csv", "text": 7})
	for path, unsound := range map[string]bool{
		"/api/results?session=s9": false, "/api/results?session=s9&trial=t1": false, "/api/digest?session=s9": false, "/api/journal?session=s9": false,
		"/api/history?locomotive=No%20id": true, "/api/history": true, "/api/crossings?from_us=1": true, "/api/crossings?from_us=5&to_us=1": false,
		"/api/paired-order": true, "/api/paired-order?pairs=0": true, "/api/paired-order?pairs=2&seed=-1": true, "/api/paired": true, "/api/compare?measure=mass": true, "/api/compare?margin_s=-1": true, "/api/compare?session=Not+an+id": false, "/api/compare.svg?margin_s=x": true, "/api/compare.html?margin_s=-2": true, "/api/pull.svg?step_g=five": true, "/api/pull.svg?limit=99": false, "/api/pull.html?session=s9": false, "/api/coast.svg?session=s9": false, "/api/coast.html?rotating=0.5": true, "/api/compare?session=never": false, "/api/paired?experiment=never": false, "/api/paired-laps.csv?experiment=No": true,
		"/api/pull-seen": true, "/api/pull-seen?locomotive=never&from_us=1": false, "/api/pull-seen?locomotive=wren&from_us=5&until_us=4": false,
		"/api/pull?session=s9": false, "/api/pull?session=s1&session=s9": false, "/api/coast?session=s1&session=s9": false, "/api/pull?session=all": false, "/api/pull?locomotive=No": true, "/api/pull?step_g=-1": true, "/api/pull?step_g=five": true,
		"/api/wheels": true, "/api/wheels?trial=No%20id": false, "/api/wheels?trial=never": false, "/api/wheels?session=s9&trial=t1": false,
		"/api/coast?trial=t1": false, "/api/coast?trial=never": false, "/api/coast?consist=No%20id": true, "/api/coast?session=s9": false, "/api/coast?rotating=0.5": true, "/api/coast?rotating=NaN": true,
	} {
		s.want(d, http.StatusBadRequest, "GET", path, nil, unsound)
	}
	for _, path := range []string{"/api/decision", "/api/running-order", "/api/tap", "/api/sync", "/api/draw", "/api/predict", "/api/pairing", "/api/roster/check"} {
		body := map[string]any{"agent": "tap-1", "boot": "b", "seq": 11, "gate": "g1", "at_us": nowUs(), "t1_us": 1, "t2_us": 1, "t3_us": 1, "t4_us": 1}
		if path == "/api/decision" {
			body = map[string]any{"what": "note", "value": map[string]any{"text": "x"}}
		}
		if a := d.post(path+"?site=nowhere", body); a.status != http.StatusServiceUnavailable {
			s.t.Errorf("%s of a site that nobody serves: %d %s", path, a.status, a.body)
		}
	}
}

// driving arms, is refused, drives, and is stopped by who is not signed in.
func (s *spec) driving(d *door) {
	ask := func(status int, unsound bool, body map[string]any) (r wire.DrivingReply) {
		s.t.Helper()
		if err := json.Unmarshal([]byte(s.want(d, status, "POST", "/api/driving", body, unsound).body), &r); err != nil {
			s.t.Fatal(err)
		}
		return r
	}
	arm := map[string]any{"do": "arm", "motors": []string{"m1"}, "cautions": true, "by": "somebody else"}
	ask(http.StatusBadRequest, true, map[string]any{"do": "whistle"})
	ask(http.StatusBadRequest, true, map[string]any{"do": "arm"})
	ask(http.StatusBadRequest, false, map[string]any{"do": "arm", "motors": []string{"m1"}})
	ask(http.StatusBadRequest, false, map[string]any{"do": "arm", "motors": []string{"m9"}, "cautions": true})
	hold := ask(http.StatusOK, false, arm)
	// Authority lapses 2 s after the holder's last word: to judge the exchanges takes time.
	over := make(chan struct{})
	end := sync.OnceFunc(func() { close(over) })
	defer end()
	go func() {
		b, _ := json.Marshal(wire.DrivingAsk{Do: wire.DriveHold, Hold: hold.Hold})
		for {
			select {
			case <-over:
				return
			case <-time.After(500 * time.Millisecond):
				_, _ = d.Bus().Request(bus.Question(site, "driving"), b, time.Second)
			}
		}
	}()
	if hold.Driving.Holder != "Signal box" || hold.Hold == "" || hold.Driving.Motors[0].Locomotive != "wren" {
		s.t.Errorf("armed: %+v", hold)
	}
	if r := ask(http.StatusConflict, false, arm); r.Held != "Signal box" {
		s.t.Errorf("armed twice: %+v", r)
	}
	ask(http.StatusConflict, false, map[string]any{"do": "throttle", "hold": "guess", "duties_permille": map[string]int{"m1": 100}})
	ask(http.StatusOK, false, map[string]any{"do": "sweep", "hold": hold.Hold, "sweep": map[string]any{"motors": []string{"m1"}, "from_permille": 100, "to_permille": 300, "steps": 2, "hold_s": 0.5}})
	live := s.talk(d, "/ws", "")
	if told := live.until("driving"); told["holder"] != "Signal box" || told["sweep"] == nil {
		s.t.Errorf("a new page hears %v", told)
	}
	ask(http.StatusOK, false, map[string]any{"do": "throttle", "hold": hold.Hold, "duties_permille": map[string]int{"m1": 100}, "why": "shunting"})
	ask(http.StatusBadRequest, false, map[string]any{"do": "trim", "hold": hold.Hold, "trim": map[string]any{"locomotive": "wren", "a": "front", "b": "rear", "on": true}})
	ask(http.StatusOK, false, map[string]any{"do": "hold", "hold": hold.Hold})
	cookie := d.cookie
	d.cookie = nil
	s.want(d, http.StatusUnauthorized, "POST", "/api/driving", arm, false)
	end()
	s.want(d, http.StatusOK, "POST", "/api/stop", map[string]any{"why": "smoke"}, false)
	if r := ask(http.StatusOK, false, map[string]any{"do": "look"}); r.Driving.Holder != "" || r.Driving.Why != "smoke" || r.Driving.StoppedBy != "somebody who is not signed in" {
		s.t.Errorf("after the stop: %+v", r)
	}
	d.cookie = cookie
	for live.until("driving")["why"] != "smoke" {
	}
	s.want(d, http.StatusOK, "POST", "/api/stop", map[string]any{}, false)
	s.want(d, http.StatusServiceUnavailable, "POST", "/api/driving?site=nowhere", map[string]any{"do": "look"}, false)
	s.want(d, http.StatusServiceUnavailable, "POST", "/api/stop?site=nowhere", map[string]any{}, false)
}

// stock asks what files of stock hold, and how circuits would lie.
func (s *spec) stock(d *door) {
	half, quarter := wire.Piece{RadiusMm: 400, AngleDeg: 180, Hand: "right"}, wire.Piece{RadiusMm: 400, AngleDeg: 90, Hand: "left"}
	do := map[string]bool{}
	for _, pieces := range [][]wire.Piece{{{StraightMm: 600}, half, {StraightMm: 570}, half}, {{StraightMm: 600}, half, {StraightMm: 600}}, {quarter, quarter, quarter, quarter, quarter}} {
		v := wire.CircuitValue{Circuit: wire.Circuit{ID: "draft", Pieces: pieces}, Gates: []wire.Gate{}}
		var drawn wire.CircuitView
		if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "POST", "/api/draw", v, false).body), &drawn); err != nil {
			s.t.Fatal(err)
		}
		for _, c := range drawn.Changes {
			do[c.Do] = true
		}
	}
	if len(do) != 3 {
		s.t.Errorf("what to do to these circuits is %v, want a change, an addition and a removal", do)
	}
	s.want(d, http.StatusRequestEntityTooLarge, "POST", "/api/draw", map[string]any{"junk": strings.Repeat("x", wire.MaxEventBytes)}, true)
	is := map[string]bool{}
	for _, path := range []string{"/api/roster.json", "/api/roster-locomotives.csv", "/api/roster-consists.csv", "/api/roster-motors.csv", "/api/roster-batteries.csv"} {
		file := s.want(d, http.StatusOK, "GET", path, nil, false).body
		for _, text := range []string{file, strings.NewReplacer("Wren", "Jenny", "Coal", "Ore", "Flat", "Round", "First", "Second").Replace(file)} {
			var c wire.RosterCheck
			if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "POST", "/api/roster/check", map[string]any{"name": path, "text": text}, false).body), &c); err != nil {
				s.t.Fatal(err)
			}
			for _, item := range c.Items {
				is[item.What+" "+item.Is] = true
			}
		}
	}
	for _, want := range []string{"locomotive", "consist", "motor", "battery"} {
		if !is[want+" same"] || !is[want+" changed"] {
			s.t.Errorf("of what the book has, files said %v", is)
		}
	}
	a := s.want(d, http.StatusOK, "POST", "/api/roster/check", map[string]any{"text": "id;name;nominal_mv;shelf\nm1;Flat can;12000;3\nm2;Round can;fast;3\nm3;New can;6000;3\n", "name": "motors.csv"}, false)
	if !strings.Contains(a.body, `"is":"new"`) || !strings.Contains(a.body, `"column":"nominal_mv"`) || !strings.Contains(a.body, "shelf") {
		s.t.Errorf("checked: %s", a.body)
	}
	s.want(d, http.StatusRequestEntityTooLarge, "POST", "/api/roster/check", map[string]any{"text": strings.Repeat("x", 1<<20+1)}, false)
}

// photos puts, asks for and removes the photo of a locomotive, and asks for what cannot be.
func (s *spec) photos(d *door) {
	const wren = "/api/photo?locomotive=wren"
	var b bytes.Buffer
	if err := png.Encode(&b, picture(40, 30)); err != nil {
		s.t.Fatal(err)
	}
	photo := b.Bytes()
	s.want(d, http.StatusNotFound, "GET", wren, nil, false)
	s.wantOf(d, http.StatusOK, "POST", wren, "image/png", photo, false)
	a := s.want(d, http.StatusOK, "GET", wren, nil, false)
	s.wantOf(d, http.StatusOK, "POST", wren, "image/jpeg", []byte(a.body), false)
	s.want(d, http.StatusOK, "GET", "/api/photos", nil, false)
	tag := d.get(wren).header.Get("ETag")
	for status, ask := range map[int][2]string{http.StatusNotModified: {"If-None-Match", tag}, http.StatusPartialContent: {"Range", "bytes=0-9"}, http.StatusRequestedRangeNotSatisfiable: {"Range", "bytes=9999999-"}} {
		if a := d.get(wren, header(ask[0], ask[1])); a.status != status {
			s.t.Errorf("photo with %v: %d, want %d", ask, a.status, status)
		}
	}
	s.wantOf(d, http.StatusBadRequest, "POST", wren, "image/png", []byte("text"), false)
	s.wantOf(d, http.StatusBadRequest, "POST", "/api/photo?locomotive=owl", "image/png", photo, false)
	s.wantOf(d, http.StatusBadRequest, "POST", "/api/photo", "image/png", photo, true)
	s.wantOf(d, http.StatusForbidden, "POST", wren, "image/gif", photo, true)
	s.wantOf(d, http.StatusRequestEntityTooLarge, "POST", wren, "image/png", make([]byte, 1<<20+1), false)
	s.wantOf(d, http.StatusServiceUnavailable, "POST", wren+"&site=nowhere", "image/png", photo, false)
	s.want(d, http.StatusBadRequest, "DELETE", "/api/photo?locomotive=No%20id", nil, true)
	s.want(d, http.StatusNotFound, "GET", "/api/photo?locomotive=No%20id", nil, true)
	s.want(d, http.StatusOK, "DELETE", wren, nil, false)
	s.want(d, http.StatusOK, "DELETE", wren, nil, false)
	// Where a file lies in place of the folder, nothing can be kept.
	folder := filepath.Join(d.data, "photos")
	if err := errors.Join(os.RemoveAll(folder), os.WriteFile(folder, nil, 0o600)); err != nil {
		s.t.Fatal(err)
	}
	s.wantOf(d, http.StatusInternalServerError, "POST", wren, "image/png", photo, false)
	s.want(d, http.StatusInternalServerError, "DELETE", wren, nil, false)
	s.want(d, http.StatusInternalServerError, "GET", "/api/photos", nil, false)
}
