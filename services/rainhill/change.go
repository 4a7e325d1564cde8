package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"rainhill/pkg/wire"
)

// made is a question with the changes made to it.
func (c changes) made(ask wire.PredictAsk, setup wire.Setup) (wire.PredictAsk, error) {
	ask.Locomotive.DriverSets = slices.Clone(ask.Locomotive.DriverSets)
	for _, text := range c {
		path, value, ok := strings.Cut(text, "=")
		if !ok || path == "" {
			return ask, fmt.Errorf("%w: --change %q, want PATH=VALUE", errUsage, text)
		}
		var err error
		switch path {
		case "consist":
			ask.Consist = nil
			if value != "" {
				ask.Consist, err = consistOf(setup, value)
			}
		case "locomotive":
			i := slices.IndexFunc(setup.Locomotives, func(l wire.Locomotive) bool { return l.ID == value })
			if i < 0 {
				err = fmt.Errorf("the setup has no locomotive %q", value)
				break
			}
			ask.Locomotive = setup.Locomotives[i]
			ask.Locomotive.DriverSets = slices.Clone(ask.Locomotive.DriverSets)
		default:
			if err = changeable(strings.Split(path, ".")); err == nil {
				ask, err = change(ask, strings.Split(path, "."), value)
			}
		}
		if err != nil {
			return ask, fmt.Errorf("%w: --change %s: %w", errUsage, text, err)
		}
	}
	if err := ask.Check(); err != nil {
		return ask, badly("the variant", err)
	}
	return ask, nil
}

// change sets one value by the names of its fields in the JSON of a question; things
// in lists go by their id, * is each of them.
func change(ask wire.PredictAsk, path []string, value string) (wire.PredictAsk, error) {
	b, err := json.Marshal(ask)
	if err != nil {
		return ask, err
	}
	var tree map[string]any
	if err := json.Unmarshal(b, &tree); err != nil {
		return ask, err
	}
	var v any
	if json.Unmarshal([]byte(value), &v) != nil {
		v = value
	}
	if err := plant(tree, path, v); err != nil {
		return ask, err
	}
	if b, err = json.Marshal(tree); err != nil {
		return ask, err
	}
	var out wire.PredictAsk
	js := json.NewDecoder(bytes.NewReader(b))
	js.DisallowUnknownFields()
	if err := js.Decode(&out); err != nil {
		return ask, plainly(err)
	}
	return out, nil
}

func plant(at any, path []string, v any) error {
	switch x := at.(type) {
	case map[string]any:
		if len(path) == 1 {
			x[path[0]] = v
			stale(x, path[0])
			return nil
		}
		if x[path[0]] == nil {
			x[path[0]] = map[string]any{}
		}
		return plant(x[path[0]], path[1:], v)
	case []any:
		found, ids := false, []string{}
		for _, item := range x {
			m, ok := item.(map[string]any)
			if id, named := m["id"].(string); named {
				ids = append(ids, id)
			}
			if ok && len(path) > 1 && (path[0] == "*" || m["id"] == path[0]) {
				found = true
				if err := plant(m, path[1:], v); err != nil {
					return err
				}
			}
		}
		if !found {
			return fmt.Errorf("there is no %q but %s", path[0], cmp.Or(strings.Join(ids, ", "), "nothing"))
		}
		return nil
	}
	return fmt.Errorf("%q is not within anything", path[0])
}

// stale takes away what was known of the thing that a change replaces: another wheel
// has not been measured, other tyres hold otherwise.
func stale(of map[string]any, field string) {
	for _, gone := range map[string][]string{"wheel_diameter_mm": {"wheel_diameter_u_mm", "calibration"}, "tyres": {"adhesion", "adhesion_u"}}[field] {
		delete(of, gone)
	}
}
