package wire

import (
	"encoding/json"

	jsonv2 "github.com/go-json-experiment/json"
	jsonv1 "github.com/go-json-experiment/json/v1"
)

// asEver has the successor of encoding/json read as that does: duplicate names, names in
// other capitals and broken UTF-8 are taken in the same way.
var asEver = jsonv1.DefaultOptionsV1()

// Read is json.Unmarshal into a new T at less than half the time, by the package that is to
// follow encoding/json. What that refuses is read again by encoding/json, whose errors
// JSONReason puts into words.
func Read[T any](b []byte) (T, error) {
	var v T
	if jsonv2.Unmarshal(b, &v, asEver) == nil {
		return v, nil
	}
	var again T
	err := json.Unmarshal(b, &again)
	return again, err
}
