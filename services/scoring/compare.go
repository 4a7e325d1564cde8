package scoring

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"rainhill/pkg/wire"
	"rainhill/services/comparison"
)

// compare answers how the levels of a factor compare over trials of one session or of
// several: a wire.CompareAsk in, a wire.CompareAnswer out. The results are taken here,
// reading and reckoning go on beside.
func (s *scorer) compare(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.CompareAsk](q, "compare")
	if err != nil {
		reply(nil, err)
		return
	}
	if len(ask.Sessions) == 0 {
		ask.Sessions = []string{""}
	}
	ask.Sessions = s.sessionsOf(ask.Sessions)
	var stored [][]byte
	for _, id := range ask.Sessions {
		b, err := s.results([]byte(id))
		if err != nil {
			reply(nil, err)
			return
		}
		stored = append(stored, b)
	}
	margins, roster := maps.Clone(s.state.Margins), s.roster()
	s.beside(reply, func() ([]byte, error) {
		sessions := make([]wire.Results, len(stored))
		for i, b := range stored {
			if err := json.Unmarshal(b, &sessions[i]); err != nil {
				return nil, fmt.Errorf("compare: reading the results of session %q: %w", ask.Sessions[i], err)
			}
		}
		out, err := heldAgainst(ask, sessions, margins, roster)
		if err != nil {
			return nil, err
		}
		return json.Marshal(out)
	})
}

// factorOrder is what a comparison is of when nobody said: what was changed on purpose
// before what merely differed.
var factorOrder = []string{wire.CondTrim, wire.ByLocomotive, wire.ByConsist}

// heldAgainst compares what can be of some sessions. Fewer than two sides are no error:
// there is nothing to compare yet, and the answer says what there is. Things are called as the
// roster has them.
func heldAgainst(ask wire.CompareAsk, sessions []wire.Results, margins map[string]wire.Margin, roster names) (wire.CompareAnswer, error) {
	out := wire.CompareAnswer{Sessions: []wire.ComparedSession{}}
	circuits, coasted := map[string]bool{}, 0
	for i := range sessions {
		r := &sessions[i]
		roster.knew(*r)
		r.Trials = slices.DeleteFunc(r.Trials, func(t wire.TrialResult) bool {
			enters := taken(ask, r.Session, t)
			if enters && t.About.Coasting() {
				coasted++ // a train that rolled by itself: no laps of the locomotive
				return true
			}
			return !enters
		})
		if r.Session == nil {
			continue
		}
		out.Sessions = append(out.Sessions, wire.ComparedSession{ID: r.Session.ID, Name: r.Session.Name, Circuit: r.Session.Circuit, Trials: len(r.Trials), OpenedUs: r.Session.OpenedUs})
		circuits[r.Session.Circuit] = true
	}
	out.Circuits = slices.AppendSeq([]string{}, maps.Keys(circuits))
	slices.Sort(out.Circuits)
	called := roster.called()
	out.Factors = comparison.Factors(called, sessions...)
	if ask.Factor == "" {
		ask.Factor = choose(out.Factors)
	}
	if len(out.Circuits) == 1 {
		if m, ok := margins[out.Circuits[0]]; ok && m.LapTimeS > 0 {
			out.MarginS = &m.LapTimeS
		}
	}
	q := comparison.Ask{Factor: ask.Factor, Block: ask.Block, Measure: cmp.Or(ask.Measure, comparison.MeasureTime), A: ask.A, B: ask.B, Covariates: ask.Covariates, Called: called}
	if margin := cmp.Or(ask.MarginS, out.MarginS); margin != nil && q.Measure == comparison.MeasureTime {
		q.Margin = *margin
	}
	r, err := comparison.Compare(q, comparison.FromResults(q, sessions...))
	if err != nil {
		r.Doubts = append(r.Doubts, err.Error())
	}
	r.Doubts = append(r.Doubts, comparison.Coasted(coasted)...)
	if len(out.Circuits) > 1 {
		r.Doubts = append(r.Doubts, "the sessions are on different circuits: lap times of one are not those of another")
	}
	out.Result = r
	return out, nil
}

// taken reports whether a trial enters: it is over, not void, and ended as planned.
func taken(ask wire.CompareAsk, session *wire.Session, t wire.TrialResult) bool {
	over := t.State == "closed" && t.About != nil && !t.About.Void && t.About.Outcome == ""
	return over && !named(ask.Leave, session, t.Trial) && (len(ask.Trials) == 0 || named(ask.Trials, session, t.Trial))
}

// named reports whether a trial stands in a list, by its id alone or as SESSION/TRIAL.
func named(list []string, session *wire.Session, trial string) bool {
	return slices.Contains(list, trial) || session != nil && slices.Contains(list, session.ID+"/"+trial)
}

func choose(factors []wire.CompareFactor) string {
	for _, name := range factorOrder {
		if slices.ContainsFunc(factors, func(f wire.CompareFactor) bool { return f.Name == name }) {
			return name
		}
	}
	// Another day is what is left to hold against where nothing else differs.
	for _, f := range factors {
		if f.Name != wire.BySession {
			return f.Name
		}
	}
	if len(factors) > 0 {
		return wire.BySession
	}
	return wire.ByLocomotive
}
