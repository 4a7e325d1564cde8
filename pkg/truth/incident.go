package truth

import (
	"cmp"
	"math"
	"slices"
)

// Verdicts on an incident, besides Missed and False.
const (
	RightKind = "right kind"
	OtherKind = "other kind" // found, and taken for another kind
	Unsettled = "unsettled"  // missed, and it began too late in the run to be found
)

// unsettledLaps before the end of a run is where an incident begins too late: the
// train could not have been missed for long, nor have come to two gates more.
const unsettledLaps = 2

// IncidentLine is one incident with the truth beside it.
type IncidentLine struct {
	Verdict string          `json:"verdict"`
	Trial   string          `json:"trial"`
	True    *Incident       `json:"true"`
	Scored  *ScoredIncident `json:"scored"`
}

// KindCount says what became of the true incidents of a kind, and how many of
// that kind were reported falsely: True = Right + Other + Missed + Unsettled.
type KindCount struct {
	Kind   string `json:"kind"`
	True   int    `json:"true"`
	Right  int    `json:"right_kind"`
	Other  int    `json:"other_kind"`
	Missed int    `json:"missed"`
	Late   int    `json:"unsettled"`
	False  int    `json:"false"`
}

// incidentLines matches what was reported with what happened.
func incidentLines(run Run, scored Scored) []IncidentLine {
	limit := map[string]float64{} // where a lap takes longer than incidentUs
	for _, t := range run.Trials {
		if lap := medianLapUs(t.Laps); lap > incidentUs {
			limit[t.Trial] = lap
		}
	}
	var reported []IncidentLine
	var edges []edge
	for _, t := range scored.Trials {
		for _, x := range t.Incidents {
			for k, y := range run.Incidents {
				far := math.Abs(float64(x.AtUs-y.AtUs)) / max(limit[t.Trial], incidentUs)
				if y.Trial == t.Trial && far <= 1 {
					edges = append(edges, edge{k, len(reported), far + float64(one(x.Kind != y.Kind))})
				}
			}
			reported = append(reported, IncidentLine{Verdict: False, Trial: t.Trial, Scored: &x})
		}
	}
	found := match(edges)
	var missed []IncidentLine
	for k := range run.Incidents {
		y := &run.Incidents[k]
		at, ok := found[k]
		if !ok {
			l := IncidentLine{Verdict: Missed, Trial: y.Trial, True: y}
			if float64(run.ToUs-y.AtUs) < unsettledLaps*max(limit[y.Trial], incidentUs) {
				l.Verdict = Unsettled
			}
			missed = append(missed, l)
			continue
		}
		l := &reported[at]
		l.True, l.Verdict = y, OtherKind
		if y.Kind == l.Scored.Kind {
			l.Verdict = RightKind
		}
	}
	out := append(reported, missed...)
	slices.SortStableFunc(out, func(a, b IncidentLine) int {
		return cmp.Or(cmp.Compare(a.Trial, b.Trial), cmp.Compare(a.atUs(), b.atUs()))
	})
	return out
}

func (l IncidentLine) atUs() int64 {
	if l.True != nil {
		return l.True.AtUs
	}
	return l.Scored.AtUs
}

// countKinds has a row for each known kind and each other that occurs.
func countKinds(lines []IncidentLine) []KindCount {
	var out []KindCount
	row := func(kind string) *KindCount {
		k := slices.IndexFunc(out, func(c KindCount) bool { return c.Kind == kind })
		if k < 0 {
			k, out = len(out), append(out, KindCount{Kind: kind})
		}
		return &out[k]
	}
	for _, kind := range []string{Stall, Reversal, Derailment, LiftOff} {
		row(kind)
	}
	for _, l := range lines {
		if l.True == nil {
			row(l.Scored.Kind).False++
			continue
		}
		c := row(l.True.Kind)
		c.True++
		switch l.Verdict {
		case RightKind:
			c.Right++
		case OtherKind:
			c.Other++
		case Unsettled:
			c.Late++
		default:
			c.Missed++
		}
	}
	return out
}
