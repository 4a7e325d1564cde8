package schema_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"rainhill/pkg/wire"
)

// The schemas are what other people write agents and files by. These tests
// hold them to the Go types, both ways, and to the checks of package wire.

// base is where the schemas stand for each other: beside one another.
const base = "file:///schema/"

// shape is as much of a schema as fields need.
type shape struct {
	Properties map[string]json.RawMessage `json:"properties"`
	Defs       map[string]shape           `json:"$defs"`
}

func load(t *testing.T, name string) shape {
	t.Helper()
	b, err := os.ReadFile(name + ".schema.json")
	if err != nil {
		t.Fatal(err)
	}
	var s shape
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return s
}

// compile compiles the schema at a place such as "event#/$defs/live".
func compile(t *testing.T, place string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	for _, name := range []string{"event", "setup", "messages"} {
		f, err := os.Open(name + ".schema.json")
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(f)
		f.Close()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := c.AddResource(base+name+".schema.json", doc); err != nil {
			t.Fatal(err)
		}
	}
	name, pointer, _ := strings.Cut(place, "#")
	s, err := c.Compile(base + name + ".schema.json#" + pointer)
	if err != nil {
		t.Fatal(err)
	}
	if s.DraftVersion != 2020 {
		t.Errorf("%s is of draft %d, want 2020", place, s.DraftVersion)
	}
	return s
}

func TestSchemasHaveTheFieldsOfTheTypes(t *testing.T) {
	event, setup, messages := load(t, "event"), load(t, "setup"), load(t, "messages")
	for _, c := range []struct {
		in   shape
		def  string
		goes any
	}{
		{event, "", wire.Event{}}, {event, "sample", wire.Sample{}},
		{setup, "", wire.Setup{}}, {setup, "piece", wire.Piece{}}, {setup, "circuit", wire.Circuit{}}, {setup, "gate", wire.Gate{}},
		{setup, "driver_set", wire.DriverSet{}}, {setup, "locomotive", wire.Locomotive{}}, {setup, "car", wire.Car{}},
		{setup, "wheel_calibration", wire.WheelCalibration{}}, {setup, "resistance", wire.Resistance{}}, {setup, "estimate", wire.Estimate{}},
		{setup, "motor_curve", wire.MotorCurve{}}, {setup, "curve_step", wire.CurveStep{}},
		{setup, "consist", wire.Consist{}}, {setup, "trial", wire.Trial{}}, {setup, "session", wire.Session{}},
		{setup, "circuit_value", wire.CircuitValue{}}, {setup, "lap_value", wire.LapValue{}}, {setup, "note_value", wire.NoteValue{}}, {setup, "order_value", wire.OrderValue{}},
		{setup, "named_motor", wire.NamedMotor{}}, {setup, "battery", wire.Battery{}}, {setup, "margin", wire.Margin{}}, {setup, "meet", wire.Meet{}}, {setup, "class", wire.Class{}},
		{setup, "entry", wire.Entry{}}, {setup, "run", wire.Run{}}, {setup, "plan", wire.Plan{}}, {setup, "scoring", wire.Scoring{}},
		{setup, "seal", wire.Seal{}}, {setup, "undo", wire.Undo{}}, {setup, "pull_value", wire.PullValue{}},
		{messages, "reply", wire.Reply{}}, {messages, "stored", wire.Stored{}},
		{messages, "clock_ask", wire.ClockAsk{}}, {messages, "clock_told", wire.ClockTold{}}, {messages, "throttle", wire.Throttle{}},
	} {
		s := c.in
		if c.def != "" {
			s = c.in.Defs[c.def]
		}
		typ := reflect.TypeOf(c.goes)
		var in []string
		for name, property := range s.Properties {
			in = append(in, name)
			sameKind(t, typ, name, property)
		}
		slices.Sort(in)
		if want := fields(typ); !slices.Equal(in, want) {
			t.Errorf("%s: the schema has %v, the type %v", typ, in, want)
		}
	}
}

func fields(typ reflect.Type) (names []string) {
	for f := range jsonFields(typ) {
		names = append(names, f)
	}
	slices.Sort(names)
	return names
}

func jsonFields(typ reflect.Type) map[string]reflect.Type {
	out := map[string]reflect.Type{}
	for i := range typ.NumField() {
		f := typ.Field(i)
		if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" && name != "-" {
			out[name] = f.Type
		}
	}
	return out
}

// sameKind compares the JSON type that a property states, where it states one
// itself, with the Go field's.
func sameKind(t *testing.T, typ reflect.Type, name string, property json.RawMessage) {
	t.Helper()
	field, ok := jsonFields(typ)[name]
	var p struct {
		Type any `json:"type"`
	}
	if err := json.Unmarshal(property, &p); err != nil {
		t.Fatalf("%s.%s: %v", typ, name, err)
	}
	if either, is := p.Type.([]any); is { // the type, or null
		p.Type = either[0]
	}
	if !ok || p.Type == nil {
		return
	}
	if field.Kind() == reflect.Pointer {
		field = field.Elem()
	}
	want := map[reflect.Kind]string{
		reflect.String: "string", reflect.Bool: "boolean", reflect.Float64: "number", reflect.Int: "integer", reflect.Int64: "integer",
		reflect.Uint64: "integer", reflect.Slice: "array", reflect.Map: "object", reflect.Struct: "object",
	}[field.Kind()]
	if p.Type != want {
		t.Errorf("%s.%s: the schema says %s, the type %s", typ, name, p.Type, want)
	}
}

type example struct {
	Is      string          `json:"is"`
	Example json.RawMessage `json:"example"`
}

func examples(t *testing.T, name string) []example {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "wire", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var list []example
	if err := json.Unmarshal(b, &list); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(list) == 0 {
		t.Fatalf("%s holds no example", name)
	}
	return list
}

// Each example gets the same verdict by schema and by package wire; those
// beyond the schema are refused by wire alone, and say what the schema's
// description admits.
func TestExamplesGetOneVerdict(t *testing.T) {
	decoders := map[string]func([]byte) error{
		"event": func(b []byte) error { _, err := wire.Decode(b); return err },
		"setup": func(b []byte) error {
			var s wire.Setup
			if err := json.Unmarshal(b, &s); err != nil {
				return err
			}
			return s.Check()
		},
	}
	for what, decode := range decoders {
		s := compile(t, what)
		for _, c := range []struct {
			file             string
			bySchema, byWire bool
		}{{"valid", true, true}, {"invalid", false, false}, {"beyond-schema", true, false}} {
			for _, e := range examples(t, what+"-"+c.file) {
				if err := validate(s, e.Example); (err == nil) != c.bySchema {
					t.Errorf("%s, %s: %q: the schema says %v", what, c.file, e.Is, err)
				}
				if err := decode(e.Example); (err == nil) != c.byWire {
					t.Errorf("%s, %s: %q: wire says %v", what, c.file, e.Is, err)
				}
			}
		}
	}
}

func validate(s *jsonschema.Schema, b []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

// Every kind of event and every kind of decision has a valid example.
func TestExamplesLeaveNoKindOut(t *testing.T) {
	seen := map[string]bool{}
	for _, e := range examples(t, "event-valid") {
		ev, err := wire.Decode(e.Example)
		if err != nil {
			t.Fatal(err)
		}
		seen[ev.Kind+ev.What] = true
	}
	for _, k := range []string{wire.KindCrossing, wire.KindMotor, wire.KindLoad, wire.KindSync, wire.KindHealth, wire.KindDrive, wire.KindTick} {
		if !seen[k] {
			t.Errorf("no valid example of %s", k)
		}
	}
	for _, w := range []string{wire.WhatCircuit, wire.WhatLocomotive, wire.WhatConsist, wire.WhatSession, wire.WhatTrial, wire.WhatLap, wire.WhatNote, wire.WhatOrder, wire.WhatPull} {
		if !seen[wire.KindDecision+w] {
			t.Errorf("no valid example of a decision about a %s", w)
		}
	}
}

// On the bus more is asked; the schema's live and CheckLive agree on it.
func TestLiveEventsNeedASender(t *testing.T) {
	s := compile(t, "event#/$defs/live")
	live, dead := 0, 0
	for _, e := range examples(t, "event-valid") {
		ev, err := wire.Decode(e.Example)
		if err != nil {
			t.Fatal(err)
		}
		bySchema, byWire := validate(s, e.Example), ev.CheckLive(ev.AtUs, ev.Kind, ev.Source())
		if len(ev.Samples) > 0 {
			byWire = ev.CheckLive(ev.Samples[0].AtUs, ev.Kind, ev.Source())
		}
		if (bySchema == nil) != (byWire == nil) {
			t.Errorf("%q: the schema says %v, wire says %v", e.Is, bySchema, byWire)
		}
		if byWire == nil {
			live++
		} else {
			dead++
		}
	}
	if live == 0 || dead == 0 {
		t.Errorf("%d live examples and %d others: both are needed", live, dead)
	}
}

func TestMessagesAsWritten(t *testing.T) {
	for def, v := range map[string]any{
		"reply": wire.Reply{OK: true, Seq: 4}, "stored": wire.Stored{Boot: "b", Seq: 9},
		"clock_ask": wire.ClockAsk{T1Us: 1}, "clock_told": wire.ClockTold{T1Us: 1, T2Us: 2, T3Us: 3},
	} {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		s := compile(t, "messages#/$defs/"+def)
		if err := validate(s, b); err != nil {
			t.Errorf("%s as Go writes it: %v", def, err)
		}
		if validate(s, []byte(`{}`)) == nil {
			t.Errorf("an empty %s was taken", def)
		}
	}
}
