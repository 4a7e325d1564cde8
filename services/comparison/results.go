package comparison

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/compare"
	"rainhill/pkg/wire"
)

// FromResults makes a set of the results of sessions: trials with the laps that count, and
// as conditions what was written down of them. The factor may be the locomotive, the
// consist, the battery, the direction, the circuit, the session where there are several, or
// any condition; what the roster has stands there as it is called.
func FromResults(ask Ask, sessions ...wire.Results) Set {
	s := Set{Measure: cmp.Or(ask.Measure, MeasureTime)}
	var day []placed
	for _, r := range sessions {
		for _, t := range r.Trials {
			values := written(r, t, len(sessions) > 1)
			for name, v := range values {
				if called := ask.Called.name(name, v.Text); called != v.Text {
					values[name] = compare.Condition{Text: called, Value: math.NaN()}
				}
				if name != ask.Factor && name != ask.Block && !slices.Contains(s.Conditions, name) {
					s.Conditions = append(s.Conditions, name)
				}
			}
			trial := compare.Trial{Name: t.Trial, Level: values[ask.Factor].Text, Block: values[ask.Block].Text, Conditions: values}
			if r.Session != nil {
				trial.Session = r.Session.ID
			}
			if len(sessions) > 1 && trial.Session != "" {
				trial.Name = sessionCalled(*r.Session, sessions) + " " + t.Trial
			}
			day = append(day, addLaps(&trial, t.Laps, s.Measure, len(s.Trials))...)
			s.Trials = append(s.Trials, trial)
		}
	}
	slices.Sort(s.Conditions)
	slices.SortStableFunc(day, func(a, b placed) int { return cmp.Compare(a.startUs, b.startUs) })
	for i, p := range day {
		s.Trials[p.trial].Order[p.k] = float64(i + 1)
	}
	return s
}

// sessionCalled is a session's name; its id with it where another bears the same, and alone
// where it has none.
func sessionCalled(s wire.Session, among []wire.Results) string {
	for _, r := range among {
		if r.Session != nil && r.Session.ID != s.ID && strings.EqualFold(r.Session.Name, s.Name) && s.Name != "" {
			return s.Name + " (" + s.ID + ")"
		}
	}
	return cmp.Or(s.Name, s.ID)
}

// placed is when lap k of a trial began.
type placed struct {
	startUs  int64
	trial, k int
}

// addLaps gives a trial the laps that count and are final.
func addLaps(trial *compare.Trial, laps []wire.Lap, measure string, index int) (day []placed) {
	for _, l := range laps {
		if l.Counts != wire.CountsYes || !l.Final {
			trial.Left++
			continue
		}
		v := l.LapTimeS
		if measure == MeasureSpeed {
			v = l.SpeedMmS
		}
		day = append(day, placed{l.StartUs, index, len(trial.Laps)})
		trial.Laps, trial.Number, trial.Order = append(trial.Laps, v), append(trial.Number, float64(l.Lap)), append(trial.Order, 0)
	}
	return day
}

// written is what was written down of a trial; of one among several sessions, which it was
// run in, too: another day is another rail, battery and room.
func written(r wire.Results, t wire.TrialResult, several bool) map[string]compare.Condition {
	out := map[string]compare.Condition{}
	put := func(name, text string) { out[name] = compare.Condition{Text: text, Value: parsed(text)} }
	put(wire.ByLocomotive, t.Train)
	put(wire.ByConsist, t.Consist)
	if r.Session != nil {
		put(wire.ByCircuit, r.Session.Circuit)
	}
	if several && r.Session != nil {
		out[wire.BySession] = compare.Condition{Text: r.Session.ID, Value: math.NaN()}
	}
	if a := t.About; a != nil {
		put(wire.ByDirection, a.Direction)
		put(wire.ByBattery, a.Battery)
		for name, v := range a.Conditions {
			put(name, fmt.Sprint(v))
		}
	}
	return out
}

// mostLevels is how many values a condition may have and still be offered to be compared
// by.
const mostLevels = 40

// Factors are the conditions that have more than one value among the trials, with their
// values and what these are called. What is another number in every trial is no factor but something to adjust for.
func Factors(called Called, sessions ...wire.Results) []wire.CompareFactor {
	seen, trials := map[string]map[string]bool{}, 0
	for _, r := range sessions {
		for _, t := range r.Trials {
			trials++
			for name, v := range written(r, t, len(sessions) > 1) {
				if v.Text == "" {
					continue
				}
				if seen[name] == nil {
					seen[name] = map[string]bool{}
				}
				seen[name][v.Text] = true
			}
		}
	}
	out := []wire.CompareFactor{}
	for _, name := range slices.Sorted(maps.Keys(seen)) {
		values := slices.Sorted(maps.Keys(seen[name]))
		apart := len(values) == trials && trials > 2 && !math.IsNaN(parsed(values[0]))
		if len(values) > 1 && len(values) <= mostLevels && !apart {
			f := wire.CompareFactor{Name: name, Words: Words(name), Values: values}
			if called[name] != nil {
				for _, v := range values {
					f.Called = append(f.Called, called.name(name, v))
				}
			}
			out = append(out, f)
		}
	}
	return out
}

func parsed(text string) float64 {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.Abs(x) > 1e16 { // no number that anybody measured
		return math.NaN()
	}
	return x
}
