package wire

import (
	"encoding/json"
	"reflect"
	"testing"
)

// Whatever arrives, Decode gives an event that its own checks hold for, or an
// error; it never panics. What Read makes of it is what encoding/json makes of it.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{
		`{"kind":"crossing","gate":"g1","edge":"enter","at_us":1}`, `{"kind":"motor","motor":"m","samples":[{"at_us":1,"counts":-5}]}`,
		`{"kind":"sync","agent":"a","t1_us":1,"t2_us":2,"t3_us":3,"t4_us":4}`, `{"kind":"decision","id":"d","by":"x","at_us":1,"what":"trial","value":{"id":"t","locomotive":"l"}}`,
		`{"kind":"crossing","at_us":1e300}`, `[]`, `{"kind":5}`, `{"KIND":"crossing","kind":"motor","samples":null,"Samples":[{"at_us":1},{"at_us":1e0}],"beam":null,"value":null}`, "{\"kind\":\"\xff\\ud800\",\"value\": {\"a\" : 1}}", "\x00", `{"kind":"health","agent":"a","detail":{"a":[1]}}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var want Event
		wantErr := json.Unmarshal(b, &want)
		if got, gotErr := Read[Event](b); !reflect.DeepEqual(got, want) || !reflect.DeepEqual(gotErr, wantErr) {
			t.Errorf("Read makes %+v (%v) of %q, encoding/json %+v (%v)", got, gotErr, b, want, wantErr)
		}
		e, err := Decode(b)
		if err != nil {
			return
		}
		if err := e.Check(); err != nil {
			t.Errorf("Decode took %q, but Check says %v", b, err)
		}
		if e.Source() == "" && e.Kind != KindTick {
			t.Errorf("Decode took %q, which has no source", b)
		}
	})
}
