package gateway_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

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
	if req.Method == http.MethodGet {
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
	reading := []string{"/api/view", "/api/results", "/api/laps.csv", "/api/digest", "/api/history?locomotive=wren", "/api/audit", "/api/health", "/api/crossings?from_us=1&to_us=2"}
	s.strangers(d, reading)
	d.signIn()
	s.bookOf(d)
	s.readings(d)
	s.refusals(d)
	for _, path := range reading {
		if a := d.get(join(path, "site=nowhere")); a.status != http.StatusServiceUnavailable {
			t.Errorf("%s of a site that nobody serves: %d %s", path, a.status, a.body)
		}
	}
	s.socket(d)
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

// want asks and wants an answer. unsound says that the document must refuse the request too.
func (s *spec) want(d *door, status int, method, path string, body any, unsound bool, change ...func(*http.Request)) answer {
	s.t.Helper()
	before := d.watch
	defer func() { d.watch = before }()
	d.watch = func(req *http.Request, res *http.Response, body string) {
		s.see(req, res, body)
		if sound, why := s.sound(req, body); sound == unsound {
			s.t.Errorf("%s %s %s: by the document sound: %v, want %v %s", method, path, body, sound, !unsound, why)
		}
	}
	a := d.do(method, path, body, change...)
	if a.status != status {
		s.t.Errorf("%s %s %v: %d %.300s, want %d", method, path, body, a.status, a.body, status)
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
			if method == http.MethodPost {
				s.want(d, http.StatusForbidden, method, path, map[string]any{}, true, func(r *http.Request) { r.Header.Del("X-Rainhill") })
			}
			if op.(map[string]any)["security"] != nil {
				s.want(d, http.StatusUnauthorized, method, path, map[string]any{}, true)
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
	s.decide(d, "trial", "", "", wire.Trial{ID: "t1", Locomotive: "wren", Consist: "coal", Battery: "b1", Tag: "tag-wren", FromUs: now - 60_000_000, Run: plan.Runs[0].ID, Entry: plan.Runs[0].Entry})
	d.put(wire.Event{Kind: wire.KindSync, AtUs: now, T1Us: &now, T2Us: &now, T3Us: &now, T4Us: &now})
	for n := range 10 {
		d.pass(now-50_000_000, n)
	}
	d.motor(1)
	s.want(d, http.StatusOK, "POST", "/api/sync", map[string]any{"agent": "tap-1", "boot": "b", "seq": 1, "at_us": now, "t1_us": now, "t2_us": now + 5, "t3_us": now + 6, "t4_us": now + 11}, false)
	s.want(d, http.StatusOK, "POST", "/api/tap", map[string]any{"agent": "tap-1", "boot": "b", "seq": 2, "gate": "g1", "at_us": now + 70_000_000, "u_us": 70000}, false)
	s.want(d, http.StatusOK, "POST", "/api/agents", map[string]any{"agent": "shed-1", "gates": []string{"g1"}}, false)
	s.want(d, http.StatusOK, "GET", "/api/agents", nil, false)
	s.decide(d, "note", "", "", wire.NoteValue{Trial: "t1", Text: "wind"})
	void := s.decide(d, "lap", "a cat on the line", "", wire.LapValue{Trial: "t1", Lap: 1, Void: true})
	s.decide(d, "undo", "", "", wire.Undo{Decision: void})
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

func nowUs() int64 { return time.Now().UnixMicro() }

// readings asks for all that can be read of it.
func (s *spec) readings(d *door) {
	for _, path := range []string{
		"/api/view", "/api/results", "/api/results?session=s1", "/api/laps.csv?session=s1", "/api/digest?session=s1", "/api/history?locomotive=wren", "/api/me", "/api/health",
		"/api/audit", "/api/audit?what=lap&session=s1&before=1000", "/api/journal?session=s1", "/api/journal?session=s1&follow=1",
		fmt.Sprintf("/api/crossings?from_us=%d&to_us=%d", nowUs()-200_000_000, nowUs()+200_000_000),
	} {
		s.want(d, http.StatusOK, "GET", path, nil, false)
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
	for path, unsound := range map[string]bool{
		"/api/results?session=s9": false, "/api/laps.csv?session=s9": false, "/api/digest?session=s9": false, "/api/journal?session=s9": false,
		"/api/history?locomotive=No%20id": true, "/api/history": true, "/api/crossings?from_us=1": true, "/api/crossings?from_us=5&to_us=1": false,
	} {
		s.want(d, http.StatusBadRequest, "GET", path, nil, unsound)
	}
	for _, path := range []string{"/api/decision", "/api/running-order", "/api/tap", "/api/sync"} {
		body := map[string]any{"agent": "tap-1", "boot": "b", "seq": 11, "gate": "g1", "at_us": nowUs(), "t1_us": 1, "t2_us": 1, "t3_us": 1, "t4_us": 1}
		if path == "/api/decision" {
			body = map[string]any{"what": "note", "value": map[string]any{"text": "x"}}
		}
		if a := d.post(path+"?site=nowhere", body); a.status != http.StatusServiceUnavailable {
			s.t.Errorf("%s of a site that nobody serves: %d %s", path, a.status, a.body)
		}
	}
}

// socket wants each message to be one of those that the document names.
func (s *spec) socket(d *door) {
	d.get("/ws")
	d.get("/ws", header("Connection", "Upgrade"), header("Upgrade", "websocket"), header("Sec-Websocket-Version", "13"), header("Sec-Websocket-Key", "AAAAAAAAAAAAAAAAAAAAAA=="), header("Origin", "http://elsewhere.example"))
	c, res, err := d.dial()
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	s.seen[fmt.Sprint("get /ws ", res.StatusCode)] = true
	schema := s.compile("/paths/~1ws/get/responses/101/x-messages")
	for range 3 {
		_, b, err := c.ReadMessage()
		if err != nil {
			s.t.Fatal(err)
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err == nil {
			err = schema.Validate(v)
		}
		if err != nil {
			s.t.Errorf("the message %.300s: %v", b, err)
		}
	}
}
