package gateway_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"rainhill/deploy"
	"rainhill/gateway"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// The document of the API is what other people write programs by. These tests hold it
// to what is served, both ways, and to the Go types; the exchanges are judged by a
// library that knows nothing of ours (libopenapi-validator, strict: a field that the
// document does not name is a fault).

// spec is the document, as it is served.
type spec struct {
	t     testing.TB
	doc   map[string]any
	raw   []byte
	valid validator.Validator
	seen  map[string]bool // "get /api/view 200"
}

func newSpec(t testing.TB, asJSON []byte) *spec {
	t.Helper()
	s := &spec{t: t, raw: asJSON, seen: map[string]bool{}}
	if err := json.Unmarshal(asJSON, &s.doc); err != nil {
		t.Fatal(err)
	}
	d, err := libopenapi.NewDocument(asJSON)
	if err != nil {
		t.Fatal(err)
	}
	v, errs := validator.NewValidator(d, config.WithStrictMode(),
		// Strict takes no notice of security schemes and of names that are free or ids, and a decision's value is of any kind.
		config.WithStrictIgnorePaths("$.cookies.rainhill_official", "$.body.duties_permille.*", "$.body.**.conditions.*", "$.body.result.words.*", "$.body.decisions[*].value.**", "$.body.decisions[*].before.**", "$.body.decisions[*].after.**",
			"$.body.decisions[*].took.value.**", "$.body.decisions[*].undone.value.**"),
		config.WithStrictIgnoredHeadersExtra("Content-Security-Policy", "Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy", "Referrer-Policy", "X-Content-Type-Options", "X-Rainhill"))
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	s.valid = v
	return s
}

func ourSpec(t testing.TB) *spec {
	t.Helper()
	_, asJSON, err := deploy.OpenAPI()
	if err != nil {
		t.Fatal(err)
	}
	return newSpec(t, asJSON)
}

// at is what stands at a place of the document.
func (s *spec) at(path ...string) map[string]any {
	v := s.doc
	for _, p := range path {
		v, _ = v[p].(map[string]any)
	}
	return v
}

// compile makes a schema of what stands at a place of the document.
func (s *spec) compile(pointer string) *jsonschema.Schema {
	s.t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(s.raw))
	if err != nil {
		s.t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("file:///openapi.json", doc); err != nil {
		s.t.Fatal(err)
	}
	x, err := c.Compile("file:///openapi.json#" + pointer)
	if err != nil {
		s.t.Fatal(err)
	}
	return x
}

func TestOpenAPIIsSound(t *testing.T) {
	s := ourSpec(t)
	if ok, errs := s.valid.ValidateDocument(); !ok {
		for _, e := range errs {
			t.Errorf("%s: %s %v", e.Message, e.Reason, e.SchemaValidationErrors)
		}
	}
	if v, _ := s.doc["openapi"].(string); v != "3.1.0" {
		t.Errorf("openapi %q", v)
	}
	for path, item := range s.at("paths") {
		for method, op := range item.(map[string]any) {
			op := op.(map[string]any)
			for _, want := range []string{"summary", "operationId", "tags", "responses"} {
				if op[want] == nil {
					t.Errorf("%s %s has no %s", method, path, want)
				}
			}
			if (method == "post") != (op["requestBody"] != nil) || method != "get" && op["responses"].(map[string]any)["403"] == nil {
				t.Errorf("%s %s: every POST has a body and nothing else has, and all but GET have an answer 403", method, path)
			}
			if signed := op["security"] != nil; signed != (op["responses"].(map[string]any)["401"] != nil) && path != "/api/sign-in" {
				t.Errorf("%s %s: a security asks for an answer 401, and the other way round", method, path)
			}
		}
	}
}

// Every example is what its schema says, and every body but text has one.
func TestOpenAPIExamples(t *testing.T) {
	s := ourSpec(t)
	n := 0
	s.walk(s.doc, "", func(media map[string]any, pointer string) {
		if media["schema"] == nil {
			return
		}
		var list []any
		if x, ok := media["example"]; ok {
			list = append(list, x)
		}
		examples, _ := media["examples"].(map[string]any)
		for _, x := range examples {
			x := x.(map[string]any)
			if to, ok := x["$ref"].(string); ok {
				x = s.at(strings.Split(strings.TrimPrefix(to, "#/"), "/")...)
			}
			list = append(list, x["value"])
		}
		schema := s.compile(pointer + "/schema")
		for _, x := range list {
			n++
			if err := schema.Validate(x); err != nil {
				t.Errorf("%s: the example %v: %v", pointer, x, err)
			}
		}
		if strings.HasSuffix(pointer, "json") && strings.Contains(pointer, "/content/") && len(list) == 0 && !strings.Contains(pointer, "openapi.json") {
			t.Errorf("%s has no example", pointer)
		}
	})
	if n < 30 {
		t.Errorf("only %d examples found", n)
	}
}

func (s *spec) walk(v any, pointer string, visit func(map[string]any, string)) {
	switch v := v.(type) {
	case map[string]any:
		visit(v, pointer)
		for k, x := range v {
			s.walk(x, pointer+"/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(k), visit)
		}
	case []any:
		for i, x := range v {
			s.walk(x, fmt.Sprint(pointer, "/", i), visit)
		}
	}
}

// Every route of the API is in the document, and the other way round. The pages and
// their files are not of the API.
func TestOpenAPIHasEveryRoute(t *testing.T) {
	s := ourSpec(t)
	patterns, err := gateway.Patterns()
	if err != nil {
		t.Fatal(err)
	}
	if len(patterns) < 20 {
		t.Fatalf("only %d routes found: are they registered with (*routes).HandleFunc?", len(patterns))
	}
	served := map[string]bool{}
	for _, p := range patterns {
		method, path, ok := strings.Cut(p, " ")
		if !ok || !strings.HasPrefix(path, "/") {
			t.Errorf("the route %q names no method: write \"GET /api/...\"", p)
			continue
		}
		if !strings.HasPrefix(path, "/api/") && path != "/ws" && !strings.HasPrefix(path, "/ws/") {
			continue
		}
		path = regexp.MustCompile(`\{(\w+)\.\.\.\}`).ReplaceAllString(path, "{$1}")
		served[strings.ToLower(method)+" "+path] = true
		if s.at("paths", path, strings.ToLower(method)) == nil {
			t.Errorf("%s is served and is not in deploy/openapi.yaml. Add, below paths:, and a request for each answer to TestOpenAPIAgainstTheHandlers:\n%s", p, skeleton(method, path))
		}
	}
	for path, item := range s.at("paths") {
		for method := range item.(map[string]any) {
			if !served[method+" "+path] {
				t.Errorf("deploy/openapi.yaml has %s %s, which is not served: take it out, or register it in gateway.go", method, path)
			}
		}
	}
}

// skeleton is what to add to the document for a route.
func skeleton(method, path string) string {
	var b strings.Builder
	add := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	add("  %s:\n    %s:", path, strings.ToLower(method))
	add("      operationId: aNameOfItsOwn\n      tags: [results] # or journal, officials, sensors, service")
	add("      summary: What it gives, in a line")
	var parameters []string
	if method != http.MethodGet {
		add("      security: [{official: []}] # unless anyone may")
		parameters = append(parameters, "{$ref: '#/components/parameters/page'}")
	}
	for _, m := range regexp.MustCompile(`\{(\w+)\}`).FindAllStringSubmatch(path, -1) {
		parameters = append(parameters, "{name: "+m[1]+", in: path, required: true, schema: {type: string}}")
	}
	parameters = append(parameters, "{$ref: '#/components/parameters/site'}")
	add("      parameters: [%s] # and each of its own: name, in, description, schema", strings.Join(parameters, ", "))
	if method == http.MethodPost {
		add("      requestBody:\n        required: true\n        content: {application/json: {schema: {$ref: '#/components/schemas/ItsAsk'}, example: {}}}")
	}
	add("      responses:\n        '200':\n          description: what it is")
	add("          content: {application/json: {schema: {$ref: '#/components/schemas/ItsAnswer'}, example: {}}}")
	add("        '400': {$ref: '#/components/responses/Refused'}")
	if method != http.MethodGet {
		add("        '401': {$ref: '#/components/responses/SignInFirst'}\n        '403': {$ref: '#/components/responses/NotOurs'}")
	}
	add("        '421': {$ref: '#/components/responses/Misdirected'}\n        '503': {$ref: '#/components/responses/Unavailable'}")
	add("and the schemas it names below components.schemas; one of a Go type goes into the table of TestOpenAPIHoldsTheTypes as well")
	return b.String()
}

// A component of the name of a Go type has its fields: of their kind, asked for
// unless they may be left out, null where a pointer that is not left out is nil.
func TestOpenAPIHoldsTheTypes(t *testing.T) {
	s := ourSpec(t)
	held := map[string]bool{}
	for _, v := range []any{
		wire.Rules{}, wire.Estimate{}, wire.Results{}, wire.TrialResult{}, wire.Lap{}, wire.Sector{}, wire.Consistency{}, wire.SetResult{}, wire.Regulated{},
		wire.Desync{}, wire.SlipBy{}, wire.DesyncBy{}, wire.Incident{}, wire.Order{}, wire.Dropped{}, wire.NoteRecord{}, wire.SealRecord{}, wire.MeetResults{}, wire.ClassResult{},
		wire.Standing{}, wire.View{}, wire.CircuitView{}, wire.PlanPoint{}, wire.PassageVerdict{}, wire.MotorVerdict{}, wire.ReplayState{}, wire.Frame{},
		wire.PassagesOf{}, wire.Health{}, wire.AgentHealth{}, wire.ClockPoint{}, wire.Reject{}, wire.Credential{}, wire.History{}, wire.PastTrial{}, wire.WheelCheck{},
		wire.Progress{}, wire.RescoreAsk{}, wire.PieceChange{}, wire.ReplayCrossing{}, wire.ReplayTrial{}, wire.ReplayNote{}, wire.ReplayControl{},
		wire.DrivingReply{}, wire.Driving{}, wire.DrivenMotor{}, wire.TrimAsk{}, wire.TrimState{}, wire.SweepAsk{}, wire.SweepState{}, wire.DrivingAsk{},
		wire.Roster{}, wire.RosterCheck{}, wire.RosterItem{}, wire.Complaint{}, wire.CurveOf{}, wire.CoastResult{}, wire.CoastTerms{}, wire.CoastAt{}, wire.CoastRun{}, wire.CoastLeft{}, wire.CoastAgainst{}, wire.PredictAsk{}, wire.Prediction{}, wire.PredictedDifference{}, wire.DifferenceAt{}, wire.PredictedSet{},
		wire.PredictedAt{}, wire.PredictedBeside{}, wire.Assumption{}, wire.PairingAsk{}, wire.PairingTable{}, wire.Pairing{}, wire.PairingAt{}, wire.PairedOrder{}, wire.PairTurn{}, wire.PairedResult{}, wire.PairedRun{}, wire.PairedDifference{}, wire.PullRecord{}, wire.PullResult{}, wire.PullLimit{}, wire.PullAttempt{}, wire.PullBracket{},
		wire.PullTally{}, wire.PullCheck{}, wire.PullAt{}, wire.PullNext{}, wire.PullFirst{}, wire.PullAgreement{}, wire.PullAgreePoint{}, wire.PullSeen{},
		wire.CompareAnswer{}, wire.CompareResult{}, wire.FairnessRow{}, wire.ComparedSide{}, wire.ComparedPair{}, wire.ComparedTest{}, wire.OverallTest{}, wire.AdjustedFor{}, wire.ComparedTrial{}, wire.ComparedSession{}, wire.CompareFactor{}, gateway.Audited{}, gateway.Named{}, gateway.RawCrossing{}, gateway.BusInfo{}, journal.Header{},
	} {
		typ := reflect.TypeOf(v)
		held[typ.Name()] = true
		s.holds(typ, strings.HasSuffix(typ.Name(), "Ask")) // what is asked need not be whole
	}
	// These are of no named type: requests and answers alone hold them.
	for _, name := range []string{
		"Refusal", "Done", "SignIn", "SignedIn", "Me", "Agents", "AgentAsk", "Decision", "RunningOrderAsk", "Tap", "Sync", "RescoreLine", "JournalLine", "Record", "Chain",
		"Audit", "Crossings", "Season", "Ask", "Told", "RosterAsk", "Photos", "StopAsk",
	} {
		held[name] = true
	}
	for name := range s.at("components", "schemas") {
		if !held[name] && !regexp.MustCompile(`^(event|setup|messages)(\.|$)`).MatchString(name) {
			t.Errorf("components.schemas.%s is held to no Go type: add wire.%[1]s{} to the first list here, or its name to the second when it has no type", name)
		}
	}
}

func (s *spec) holds(typ reflect.Type, asked bool) {
	s.t.Helper()
	c := s.at("components", "schemas", typ.Name())
	properties, _ := c["properties"].(map[string]any)
	var required []string
	for _, x := range list(c["required"]) {
		required = append(required, x.(string))
	}
	left := maps.Clone(properties)
	for _, f := range reflect.VisibleFields(typ) {
		if f.Anonymous {
			continue // its fields follow
		}
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		p, ok := properties[name].(map[string]any)
		if !ok {
			s.t.Errorf("components.schemas.%s has no %s; add:\n        %[2]s: {%s}", typ.Name(), name, kindIn(f.Type))
			continue
		}
		delete(left, name)
		omit := strings.Contains(opts, "omitempty")
		if slices.Contains(required, name) == omit && !asked {
			s.t.Errorf("components.schemas.%s: %s may be left out: %v, and stands among required: %v", typ.Name(), name, omit, !omit)
		}
		s.sameKind(typ.Name()+"."+name, f.Type, p, f.Type.Kind() == reflect.Pointer && !omit)
	}
	for name := range left {
		s.t.Errorf("components.schemas.%s has %s, which the type has not: take it out", typ.Name(), name)
	}
}

func list(v any) []any { x, _ := v.([]any); return x }

// kindIn is the schema of a Go type, as far as its kind goes.
func kindIn(typ reflect.Type) string {
	switch typ.Kind() {
	case reflect.Pointer:
		return kindIn(typ.Elem())
	case reflect.Slice:
		return "type: array, items: {" + kindIn(typ.Elem()) + "}"
	case reflect.Struct:
		return "$ref: '#/components/schemas/" + typ.Name() + "'"
	}
	return "type: " + jsonKind(typ)
}

func jsonKind(typ reflect.Type) string {
	return map[reflect.Kind]string{
		reflect.String: "string", reflect.Bool: "boolean", reflect.Float64: "number", reflect.Int: "integer", reflect.Int64: "integer",
		reflect.Uint64: "integer", reflect.Slice: "array", reflect.Map: "object", reflect.Struct: "object",
	}[typ.Kind()]
}

// sameKind compares a property that states its kind with the Go field's.
func (s *spec) sameKind(name string, typ reflect.Type, p map[string]any, null bool) {
	s.t.Helper()
	for typ.Kind() == reflect.Pointer {
		typ = typ.Elem()
	}
	mayNull := false
	for _, x := range list(p["anyOf"]) {
		x := x.(map[string]any)
		if x["type"] == "null" {
			mayNull = true
		} else {
			p = x
		}
	}
	kind, _ := p["type"].(string)
	for _, x := range list(p["type"]) {
		if x == "null" {
			mayNull = true
		} else {
			kind = x.(string)
		}
	}
	if mayNull != null && typ.Kind() != reflect.Slice { // an empty list may be null: only an answer can tell
		s.t.Errorf("components.schemas.%s may be null: %v; the type says %v", name, mayNull, null)
	}
	if to, ok := p["$ref"].(string); ok {
		if def, ok := strings.CutPrefix(to, "#/components/schemas/"); ok && typ.Kind() == reflect.Struct && !strings.Contains(def, ".") && def != typ.Name() {
			s.t.Errorf("components.schemas.%s is a %s; the type says %s", name, def, typ.Name())
		}
		return
	}
	if want := jsonKind(typ); kind != "" && want != "" && kind != want {
		s.t.Errorf("components.schemas.%s is of type %s; the type says %s", name, kind, want)
	}
	if items, ok := p["items"].(map[string]any); ok && typ.Kind() == reflect.Slice {
		s.sameKind(name+"[]", typ.Elem(), items, false)
	}
}
