package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"

	"rainhill/pkg/wire"
)

const question = "the question"

// changeable reports what is wrong with the path of a --change, by the fields that a
// question for a prediction has: which are there where it goes astray, and the nearest.
func changeable(path []string) error {
	at, within := reflect.TypeFor[wire.PredictAsk](), question
	for i, name := range path {
		for at.Kind() == reflect.Pointer {
			at = at.Elem()
		}
		switch at.Kind() {
		case reflect.Struct:
			fields := fieldsOf(at)
			j := slices.IndexFunc(fields, func(f reflect.StructField) bool { return nameOf(f) == name })
			if j < 0 {
				return fmt.Errorf("%s has no %q but %s%s", within, name, strings.Join(namesOf(fields), ", "), nearest(name, within, namesOf(fields)))
			}
			at = fields[j].Type
		case reflect.Slice:
			at = at.Elem() // by id, or * for each
		default:
			return fmt.Errorf("%s is a value and has no %q", within, name)
		}
		within = strings.Join(path[:i+1], ".")
	}
	return nil
}

// nameOf is what a field is called in JSON.
func nameOf(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	return name
}

// fieldsOf are the fields that a change may set: a question's own variant is made by them.
func fieldsOf(t reflect.Type) []reflect.StructField {
	return slices.DeleteFunc(reflect.VisibleFields(t), func(f reflect.StructField) bool {
		return nameOf(f) == "" || nameOf(f) == "-" || nameOf(f) == "variant"
	})
}

func namesOf(fields []reflect.StructField) (names []string) {
	for _, f := range fields {
		names = append(names, nameOf(f))
	}
	return names
}

// nearest names what is most like a name: of the fields where it went astray or, where
// none of them is like it, of all.
func nearest(name, within string, fields []string) string {
	for i := range fields {
		fields[i] = strings.TrimPrefix(within+"."+fields[i], question+".")
	}
	for _, of := range [][]string{fields, paths(reflect.TypeFor[wire.PredictAsk](), "")} {
		best, least := "", math.MaxInt
		for _, path := range of {
			end := path[strings.LastIndexByte(path, '.')+1:]
			d := edits(name, end)
			alike := d <= max(1, len(name)/3) || len(name) > 3 && strings.HasPrefix(end, name[:4])
			if alike && (d < least || d == least && len(path) < len(best)) {
				best, least = path, d
			}
		}
		if best != "" {
			return "; did you mean " + best + "?"
		}
	}
	return ""
}

// paths are all that can be set within a type; * stands for each thing of a list.
func paths(t reflect.Type, before string) (all []string) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch {
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct:
		return paths(t.Elem(), before+"*.")
	case t.Kind() != reflect.Struct:
		return nil
	}
	for _, f := range fieldsOf(t) {
		all = append(all, before+nameOf(f))
		all = append(all, paths(f.Type, before+nameOf(f)+".")...)
	}
	return all
}

// edits is how many letters have to be put in, taken out or changed to make b of a
// (Levenshtein's distance, by rows).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			before, row[j+1] = row[j+1], min(row[j]+1, row[j+1]+1, before+cost)
		}
	}
	return row[len(b)]
}

// plainly says in words what JSON could not be read as.
func plainly(err error) error {
	var wrong *json.UnmarshalTypeError
	if !errors.As(err, &wrong) {
		return err
	}
	want := map[reflect.Kind]string{reflect.Bool: "true or false", reflect.String: "text", reflect.Slice: "a list", reflect.Struct: "an object"}[wrong.Type.Kind()]
	got := wrong.Value
	if got == "string" {
		got = "text"
	}
	return fmt.Errorf("it wants %s, not %s", cmp.Or(want, "a number"), got)
}
