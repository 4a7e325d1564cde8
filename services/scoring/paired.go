package scoring

import (
	"encoding/json"
	"fmt"
	"math"

	"rainhill/pkg/order"
	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
)

// pairedOrder draws the order of paired trials with trim and without.
func pairedOrder(q []byte) ([]byte, error) {
	var ask wire.PairedAsk
	if err := json.Unmarshal(q, &ask); err != nil {
		return nil, fmt.Errorf("reading what order is asked for: %w", err)
	}
	runs, err := order.Pairs(wire.TrimOff, wire.TrimOn, ask.Pairs, ask.Seed)
	if err != nil {
		return nil, err
	}
	out := wire.PairedOrder{Seed: ask.Seed}
	for _, r := range runs {
		out.Runs = append(out.Runs, wire.PairTurn{Pair: r.Round, Place: r.Place, Trim: r.Entry})
	}
	return json.Marshal(out)
}

// paired answers what an experiment of a session showed. The results are taken between
// two groups of facts, as bytes; they are read and compared beside the loop.
func (s *scorer) paired(q []byte, reply func([]byte, error)) {
	var ask wire.PairedAsk
	if err := json.Unmarshal(q, &ask); err != nil || !wire.ValidID(ask.Experiment) {
		reply(nil, fmt.Errorf("experiment %q is not an id", ask.Experiment))
		return
	}
	b, err := s.results([]byte(ask.Session))
	if err != nil {
		reply(nil, err)
		return
	}
	go func() { reply(compared(b, ask.Experiment)) }()
}

// compared sets the runs of an experiment against each other, from results and as bytes.
func compared(results []byte, experiment string) ([]byte, error) {
	var r wire.Results
	if err := json.Unmarshal(results, &r); err != nil {
		return nil, fmt.Errorf("reading the results: %w", err)
	}
	out, err := comparePairs(r, experiment)
	if err != nil {
		return nil, err
	}
	return json.Marshal(out)
}

// comparePairs sets the runs of an experiment against each other, pair by pair.
func comparePairs(r wire.Results, experiment string) (wire.PairedResult, error) {
	out := wire.PairedResult{Experiment: experiment, Runs: []wire.PairedRun{}, Doubts: []string{}}
	if r.Session != nil {
		out.Session = r.Session.ID
	}
	for _, t := range r.Trials {
		if t.About == nil {
			continue
		}
		if turn, ok := t.About.TurnOf(experiment); ok {
			out.Runs = append(out.Runs, pairedRun(turn, t))
		}
	}
	if len(out.Runs) == 0 {
		return out, fmt.Errorf("session %q has no trial of an experiment %q", out.Session, experiment)
	}
	out.Doubts = append(out.Doubts, unlike(r, experiment)...)
	pairs := bothOf(out.Runs)
	out.LapTimeS = difference(pairs, func(p wire.PairedRun) *float64 { return p.LapTimeS })
	out.SpeedMmS = difference(pairs, func(p wire.PairedRun) *float64 { return p.SpeedMmS })
	out.Desync = difference(pairs, func(p wire.PairedRun) *float64 { return p.Desync })
	if out.Desync.N > 0 {
		out.Doubts = append(out.Doubts, common(r, experiment, *out.Desync.Off)...)
	}
	return out, nil
}

// common says what trim cannot take off: it holds the desync that is measured, and what
// the wheels' diameters are out by is in that of every run alike. off is the mean size
// without trim.
func common(r wire.Results, experiment string, off float64) []string {
	most := 0.0
	for _, t := range r.Trials {
		if t.About == nil || t.About.Void {
			continue
		}
		if _, ok := t.About.TurnOf(experiment); !ok {
			continue
		}
		for _, d := range t.Desync {
			if d.Lo != nil && d.Hi != nil && ofSets(d, t.About.Conditions) {
				most = max(most, (*d.Hi-*d.Lo)/2)
			}
		}
	}
	if most == 0 {
		return nil
	}
	grown := ""
	if most > off {
		grown = " and may even have grown: measure the wheels by a guided run"
	}
	return []string{fmt.Sprintf("trim holds the desync that is measured at zero; each run's is uncertain by +/- %.2f %%, mostly by wheel diameters that are out by the same in every run. The difference leaves that out: the true desync with trim may be as much%s", 100*most, grown)}
}

func pairedRun(turn wire.PairTurn, t wire.TrialResult) wire.PairedRun {
	p := wire.PairedRun{Pair: turn.Pair, Place: turn.Place, Trim: turn.Trim, Trial: t.Trial, Laps: t.Consistency.N, LapTimeS: t.Consistency.MeanS, SpeedMmS: t.SpeedMmS.Value}
	for _, d := range t.Desync {
		if d.Value != nil && ofSets(d, t.About.Conditions) {
			size := math.Abs(*d.Value)
			p.Desync = &size
		}
	}
	switch {
	case t.About.Void:
		p.Left = "void"
	case t.About.Outcome != "":
		p.Left = t.About.Outcome
	case t.State != "closed":
		p.Left = "not over yet"
	case p.Laps == 0:
		p.Left = "no lap that counts"
	case p.Laps < t.About.EndsAfterLaps:
		p.Left = fmt.Sprintf("%d of %d laps count", p.Laps, t.About.EndsAfterLaps)
	}
	return p
}

// ofSets reports whether desync is that of the sets that the conditions name; where they
// name none, any.
func ofSets(d wire.Desync, conditions map[string]any) bool {
	a, b := conditions[wire.CondSetA], conditions[wire.CondSetB]
	return a == nil || d.A == a && d.B == b || d.A == b && d.B == a
}

// bothOf is the pairs of which either run can be compared, without trim first. Of a run
// made again the newest counts.
func bothOf(runs []wire.PairedRun) [][2]wire.PairedRun {
	at := map[wire.PairTurn]wire.PairedRun{}
	most := 0
	for _, p := range runs {
		if p.Left == "" {
			at[wire.PairTurn{Pair: p.Pair, Trim: p.Trim}] = p
			most = max(most, p.Pair)
		}
	}
	var out [][2]wire.PairedRun
	for n := 1; n <= most && n <= len(runs); n++ {
		off, ok := at[wire.PairTurn{Pair: n, Trim: wire.TrimOff}]
		on, also := at[wire.PairTurn{Pair: n, Trim: wire.TrimOn}]
		if ok && also {
			out = append(out, [2]wire.PairedRun{off, on})
		}
	}
	return out
}

// difference is over the pairs of which both have the figure.
func difference(pairs [][2]wire.PairedRun, figure func(wire.PairedRun) *float64) wire.PairedDifference {
	var off, on []float64
	for _, p := range pairs {
		if a, b := figure(p[0]), figure(p[1]); a != nil && b != nil {
			off, on = append(off, *a), append(on, *b)
		}
	}
	p := stats.PairedMean(off, on)
	return wire.PairedDifference{
		N: p.N, Off: finite(stats.Mean(off)), On: finite(stats.Mean(on)),
		Difference: wire.Estimate{Value: finite(p.Mean), Lo: finite(p.Lo), Hi: finite(p.Hi), U: finite(p.SE)},
	}
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// unlike names what was not the same in all runs, trim apart: it may be what made a
// difference.
func unlike(r wire.Results, experiment string) (doubts []string) {
	seen := map[string]map[string]bool{}
	for _, t := range r.Trials {
		if t.About == nil || t.About.Void {
			continue
		}
		if _, ok := t.About.TurnOf(experiment); !ok {
			continue
		}
		for name, v := range map[string]string{
			"throttle": fmt.Sprint(t.About.Conditions["throttle_permille"]), "consist": t.About.Consist, "battery": t.About.Battery,
			"direction": t.About.Direction, "locomotive": t.About.Locomotive, "warm-up": fmt.Sprint(t.About.WarmupLaps),
		} {
			if seen[name] == nil {
				seen[name] = map[string]bool{}
			}
			seen[name][v] = true
		}
	}
	for _, name := range []string{"locomotive", "consist", "direction", "throttle", "battery", "warm-up"} {
		if len(seen[name]) > 1 {
			doubts = append(doubts, "the "+name+" was not the same in all runs")
		}
	}
	return doubts
}
