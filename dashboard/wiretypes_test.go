package dashboard_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

var update = flag.Bool("update", false, "rewrite files that are made from others")

// TestWireTypes holds the page's types to the Go types: what the page is
// checked against is what the gateway sends. Run with -update after a change
// in pkg/wire, and let tsc say what it breaks.
func TestWireTypes(t *testing.T) {
	const name = "types/wire.d.ts"
	want := declarations(reflect.TypeFor[wire.View](), reflect.TypeFor[wire.Frame](), reflect.TypeFor[wire.Results](), reflect.TypeFor[wire.History](),
		reflect.TypeFor[wire.Health](), reflect.TypeFor[wire.Credential](), reflect.TypeFor[wire.Reply](),
		reflect.TypeFor[wire.CircuitValue](), reflect.TypeFor[wire.LapValue](), reflect.TypeFor[wire.NoteValue](), reflect.TypeFor[wire.OrderValue](), reflect.TypeFor[wire.ClockTold](),
		reflect.TypeFor[wire.RosterCheck](), reflect.TypeFor[wire.ReplayNote](), reflect.TypeFor[wire.WheelCheck](),
		reflect.TypeFor[wire.CurveOf](), reflect.TypeFor[wire.CoastResult](), reflect.TypeFor[wire.PredictAsk](), reflect.TypeFor[wire.Prediction](), reflect.TypeFor[wire.PairingAsk](), reflect.TypeFor[wire.PairingTable](),
		reflect.TypeFor[wire.Driving](), reflect.TypeFor[wire.DrivingAsk](), reflect.TypeFor[wire.DrivingReply](), reflect.TypeFor[wire.PairedOrder](), reflect.TypeFor[wire.PairedResult](),
		reflect.TypeFor[wire.CompareAnswer](), reflect.TypeFor[wire.PullResult](), reflect.TypeFor[wire.PullValue](), reflect.TypeFor[wire.PullSeen]())
	if *update {
		if err := os.WriteFile(name, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs from the types of pkg/wire; run go test ./dashboard -run TestWireTypes -update", name)
	}
}

// declarations writes the struct types, and those they hold, as TypeScript.
func declarations(types ...reflect.Type) []byte {
	var out bytes.Buffer
	out.WriteString("// Made from pkg/wire by TestWireTypes; do not edit.\n")
	seen := map[string]bool{}
	for len(types) > 0 {
		typ := types[0]
		types = types[1:]
		if seen[typ.Name()] {
			continue
		}
		seen[typ.Name()] = true
		fmt.Fprintf(&out, "\nexport interface %s {\n", typ.Name())
		for _, f := range reflect.VisibleFields(typ) {
			if f.Anonymous {
				continue // its fields follow
			}
			name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
			if name == "-" {
				continue
			}
			ts, held := typescript(f.Type)
			types = append(types, held...)
			optional := strings.Contains(opts, "omitempty")
			fmt.Fprintf(&out, "  %s%s: %s;\n", name, map[bool]string{true: "?"}[optional], orNull(ts, f.Type, optional))
		}
		out.WriteString("}\n")
	}
	return out.Bytes()
}

// orNull: a nil pointer or list that is not left out is sent as null.
func orNull(ts string, typ reflect.Type, optional bool) string {
	if k := typ.Kind(); !optional && (k == reflect.Pointer || k == reflect.Slice || k == reflect.Map) {
		return ts + " | null"
	}
	return ts
}

func typescript(typ reflect.Type) (ts string, held []reflect.Type) {
	switch typ.Kind() {
	case reflect.String:
		return "string", nil
	case reflect.Bool:
		return "boolean", nil
	case reflect.Interface:
		return "unknown", nil
	case reflect.Pointer:
		return typescript(typ.Elem())
	case reflect.Slice:
		if typ == reflect.TypeFor[json.RawMessage]() {
			return "unknown", nil
		}
		ts, held = typescript(typ.Elem())
		return ts + "[]", held
	case reflect.Map:
		ts, held = typescript(typ.Elem())
		return "Record<string, " + ts + ">", held
	case reflect.Struct:
		return typ.Name(), []reflect.Type{typ}
	}
	return "number", nil
}
