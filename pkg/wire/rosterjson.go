package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// rosterLists are the names of the lists in a JSON file, by what they hold.
var rosterLists = map[string]string{"locomotives": WhatLocomotive, "consists": WhatConsist, "named_motors": WhatMotor, "batteries": WhatBattery}

// json reads {locomotives, consists, named_motors, batteries}: a roster.json or
// a setup.json. What else stands in it is said and left.
func (r *rosterReader) json(text string) {
	dec := json.NewDecoder(strings.NewReader(text))
	line := func() int { return 1 + strings.Count(text[:afterBlanks(text, dec.InputOffset())], "\n") }
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		r.complain(1, "", "a JSON file of stock is an object: {locomotives, consists, named_motors, batteries}")
		return
	}
	seen := map[string]bool{}
	for dec.More() {
		key, err := dec.Token()
		if err != nil {
			r.complain(line(), "", "is not JSON: "+err.Error())
			return
		}
		var each func(int, json.RawMessage)
		if what, ok := rosterLists[fmt.Sprint(key)]; ok {
			each = func(line int, raw json.RawMessage) { r.jsonItem(line, what, raw, seen) }
		}
		if err := elements(dec, line, each); err != nil {
			r.complain(line(), fmt.Sprint(key), "is not a list as JSON writes one: "+err.Error())
			return
		}
		if each == nil {
			r.out.Remarks = append(r.out.Remarks, fmt.Sprintf("%q is no stock and is left out", clip(fmt.Sprint(key))))
		}
	}
	if _, err := dec.Token(); err != nil {
		r.complain(line(), "", "the file breaks off: "+err.Error())
	}
}

// elements hands on each element of the list that comes next, or skips what
// comes when nobody wants it.
func elements(dec *json.Decoder, line func() int, each func(int, json.RawMessage)) error {
	var raw json.RawMessage
	if each == nil {
		return dec.Decode(&raw)
	}
	t, err := dec.Token()
	if err != nil || t == nil { // null: an empty list
		return err
	}
	if t != json.Delim('[') {
		return errors.New("it does not begin with [")
	}
	for dec.More() {
		at := line()
		raw = nil
		if err := dec.Decode(&raw); err != nil {
			return err
		}
		each(at, raw)
	}
	_, err = dec.Token()
	return err
}

// afterBlanks is where the next value begins at or after an offset.
func afterBlanks(text string, from int64) int {
	rest := strings.TrimLeft(text[from:], " \t\r\n,:")
	return len(text) - len(rest)
}

func (r *rosterReader) jsonItem(line int, what string, raw json.RawMessage, seen map[string]bool) {
	value, unknown, err := rosterValue(what, raw)
	if unknown != "" {
		r.out.Remarks = append(r.out.Remarks, fmt.Sprintf("line %d: %s is not known and is left out", line, unknown))
	}
	if err != nil {
		column := ""
		var typ *json.UnmarshalTypeError
		if errors.As(err, &typ) {
			column = typ.Field
		}
		r.complain(line, column, JSONReason(err))
		return
	}
	id, _ := checkItem(value) // take tells what is wrong
	if seen[what+" "+id] {
		r.complain(line, "id", fmt.Sprintf("%s %q stands twice in the file", what, clip(id)))
		return
	}
	seen[what+" "+id] = true
	r.take(line, what, value)
}

func rosterValue(what string, raw json.RawMessage) (value any, unknown string, err error) {
	switch what {
	case WhatLocomotive:
		return lenient[Locomotive](raw)
	case WhatConsist:
		return lenient[Consist](raw)
	case WhatMotor:
		return lenient[NamedMotor](raw)
	}
	return lenient[Battery](raw)
}

// lenient decodes, and names a field that it does not know.
func lenient[T any](raw json.RawMessage) (v T, unknown string, err error) {
	if err = json.Unmarshal(raw, &v); err != nil {
		return v, "", err
	}
	var again T
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if strict := dec.Decode(&again); strict != nil {
		unknown = strings.TrimPrefix(strict.Error(), "json: unknown ")
	}
	return v, unknown, nil
}
