package comparison

import (
	"slices"
	"strings"
)

// units are the endings of a column that state what it is in, as people write it; of two that
// fit, the longer is meant.
var units = map[string]string{
	"g": "g", "kg": "kg", "mm": "mm", "cm": "cm", "m": "m", "s": "s", "ms": "ms", "us": "µs", "min": "min", "v": "V", "mv": "mV", "ma": "mA", "mah": "mAh", "mw": "mW",
	"mn": "mN", "c": "°C", "deg": "degrees", "permille": "permille", "percent": "%", "mm_s": "mm/s", "cm_s": "cm/s", "m_s": "m/s", "m_min": "m/min", "km_h": "km/h", "m_s2": "m/s²",
}

// Words is a column or condition as people read it: load_g is load in g, battery_v battery
// in V. It is the one place where a key becomes words.
func Words(column string) string {
	if column == "order" {
		return "place in the day"
	}
	parts := strings.Split(column, "_")
	for n := min(2, len(parts)-1); n > 0; n-- {
		name, ending := parts[:len(parts)-n], strings.Join(parts[len(parts)-n:], "_")
		if unit, ok := units[ending]; ok && strings.Join(name, "") != "" {
			return strings.Join(name, " ") + " in " + unit
		}
	}
	return strings.Join(parts, " ")
}

// wordsOf are a comparison's columns in words: what it is by, and all that it minds.
func wordsOf(ask Ask, s Set) map[string]string {
	out := map[string]string{}
	for _, c := range slices.Concat(s.Conditions, ask.Covariates, []string{ask.Factor, ask.Block, "order"}) {
		if c != "" {
			out[c] = Words(c)
		}
	}
	return out
}
