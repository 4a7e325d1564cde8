package pulling

import (
	"maps"
	"slices"

	"rainhill/pkg/pull"
	"rainhill/pkg/wire"
)

// OfBook is the attempts of a session's results, those of one locomotive where it is
// named. A locomotive's mass is that of the attempt, else the one that the session
// knew it by. What is void does not enter.
func OfBook(r wire.Results, locomotive string) (out []Attempt) {
	mass := map[string]float64{}
	for _, l := range r.Locomotives {
		mass[l.ID] = l.MassG
	}
	for _, p := range r.Pulls {
		if p.Void || locomotive != "" && p.Locomotive != locomotive {
			continue
		}
		a := Attempt{
			Locomotive: p.Locomotive, Method: p.Method, Direction: p.Direction, Set: p.Set, LoadIs: p.LoadIs, MassG: p.MassG, Reading: p.BeforeG != nil,
			PullAttempt: wire.PullAttempt{LoadG: p.PullG(), Outcome: p.Outcome, Wheels: p.Wheels, SpeedMmS: p.SpeedMmS, ByTele: p.ByTele, ID: p.ID, Decision: p.Decision, AtUs: p.AtUs},
		}
		if a.MassG == 0 {
			a.MassG = mass[p.Locomotive]
		}
		if r.Session != nil {
			a.Session = r.Session.ID
		}
		out = append(out, a)
	}
	return out
}

// First is the load to begin with of each locomotive by its mass in a roster, in the order of
// ids: of the one that is named, or of all.
func First(roster map[string]wire.Locomotive, locomotive string, o Options) (out []wire.PullFirst) {
	for _, id := range slices.Sorted(maps.Keys(roster)) {
		if locomotive == "" || id == locomotive {
			x := pull.Suggest(nil, roster[id].MassG, o.SmallestG)
			out = append(out, wire.PullFirst{Locomotive: id, PullNext: wire.PullNext{LoadG: x.LoadG, Why: x.Why}})
		}
	}
	return out
}

// OptionsOf is what a question leaves open.
func OptionsOf(a wire.PullAsk) Options {
	o := Options{ScaleG: a.ScaleG, MassUG: a.MassUG, SmallestG: a.StepG, Rolling: a.RollingPermille / 1000, RollingU: a.RollingUPermille / 1000}
	if o.ScaleG == 0 {
		o.ScaleG = DefaultScaleG
	}
	return o
}

// DefaultScaleG is the step of a scale of which none is told: kitchen scales show whole
// grams (common practice, no source).
const DefaultScaleG = 1
