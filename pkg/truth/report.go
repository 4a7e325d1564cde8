package truth

import (
	"encoding/json"
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// Number is written as null when it is not defined (NaN).
type Number float64

// MarshalJSON writes the number, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// Report is how well a run, or several, were scored. Laps leaves out those in
// which an incident lies; IncidentLaps is those. The counts of scored laps add up:
// Scored = both Matched + Wrong + False + Strange + SetAside.
type Report struct {
	Laps         LapCount `json:"laps"`
	IncidentLaps LapCount `json:"incident_laps"`
	Scored       int      `json:"scored"`
	Wrong        int      `json:"wrong"` // attributed to the wrong train
	False        int      `json:"false"`
	Strange      int      `json:"strange"`
	SetAside     int      `json:"set_aside"`
	Bridged      int      `json:"bridged"`  // matched and marked as inferred
	Unmarked     int      `json:"unmarked"` // matched, bridged and not marked

	Measured Class `json:"measured"` // laps without incident
	Inferred Class `json:"inferred"` // the same
	All      Class `json:"all"`      // both
	Incident Class `json:"incident"` // measured or inferred

	Incidents []KindCount `json:"incidents"`
	Sets      SetReport   `json:"sets"`

	Lines         []Line         `json:"lines,omitempty"`
	IncidentLines []IncidentLine `json:"incident_lines,omitempty"`
	SetLines      []SetLine      `json:"set_lines,omitempty"`
}

// LapCount says what became of true laps: True = Matched + Elsewhere + Missed.
type LapCount struct {
	True      int `json:"true"`
	Matched   int `json:"matched"`   // scored on the right train
	Elsewhere int `json:"elsewhere"` // scored on another
	Missed    int `json:"missed"`
	Unsettled int `json:"unsettled"`       // of the missed: fewer than two gates were passed after it
	Marked    int `json:"marked_incident"` // of the matched: set aside for an incident
}

// Class is matched laps of one kind: how far their lap times are from the truth,
// without sign, and how often the truth lies within the stated interval.
type Class struct {
	N        int    `json:"n"`
	MedianMs Number `json:"median_ms"`
	P95Ms    Number `json:"p95_ms"`
	MaxMs    Number `json:"max_ms"`
	Coverage Share  `json:"coverage"`
}

// Share is how many of N laps lie within 1.96 u of the truth, as a part with its
// 95 % interval (Wilson). The interval takes laps as independent; neighbours share
// a passage and all share the clocks, so it is a little narrow.
type Share struct {
	Within int    `json:"within"`
	Value  Number `json:"value"`
	Lo     Number `json:"lo"`
	Hi     Number `json:"hi"`
}

// coverageU is half of a stated 95 % interval in standard uncertainties.
const coverageU = 1.96

// Total is the report of several runs as one, without their lines.
func Total(runs []Report) Report {
	var lines []Line
	var incidents []IncidentLine
	var sets []SetLine
	for _, r := range runs {
		lines, incidents, sets = append(lines, r.Lines...), append(incidents, r.IncidentLines...), append(sets, r.SetLines...)
	}
	r := tally(lines, incidents, sets)
	r.Lines, r.IncidentLines, r.SetLines = nil, nil, nil
	return r
}

func tally(lines []Line, incidents []IncidentLine, sets []SetLine) Report {
	r := Report{Lines: lines, IncidentLines: incidents, SetLines: sets, Incidents: countKinds(incidents), Sets: tallySets(sets)}
	var measured, inferred, incident []Line
	for _, l := range lines {
		r.count(l)
		switch {
		case l.Verdict != Matched:
		case l.True.Incident:
			incident = append(incident, l)
		case l.Scored.Inferred:
			inferred = append(inferred, l)
		default:
			measured = append(measured, l)
		}
	}
	r.Measured, r.Inferred, r.Incident = class(measured), class(inferred), class(incident)
	r.All = class(slices.Concat(measured, inferred))
	return r
}

func (r *Report) count(l Line) {
	if l.True != nil {
		of := &r.Laps
		if l.True.Incident {
			of = &r.IncidentLaps
		}
		of.count(l)
	}
	if l.Scored != nil {
		r.Scored++
	}
	switch l.Verdict {
	case Wrong:
		r.Wrong++
	case False:
		r.False++
	case Strange:
		r.Strange++
	case SetAside:
		r.SetAside++
	case Matched:
		r.Bridged += one(l.Scored.Inferred)
		r.Unmarked += one(l.Unmarked)
	}
}

func (c *LapCount) count(l Line) {
	c.True++
	switch l.Verdict {
	case Matched:
		c.Matched++
		c.Marked += one(l.Scored.Counts == CountsIncident)
	case Wrong:
		c.Elsewhere++
	default:
		c.Missed++
		c.Unsettled += one(l.Unsettled)
	}
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

func class(lines []Line) Class {
	var ms []float64
	within := 0
	for _, l := range lines {
		e := math.Abs(float64(l.ErrorMs))
		ms = append(ms, e)
		within += one(e <= coverageU*l.Scored.US*1e3)
	}
	slices.Sort(ms)
	at := func(p float64) Number { return Number(stats.Quantile(ms, p)) }
	return Class{N: len(ms), MedianMs: at(0.5), P95Ms: at(0.95), MaxMs: at(1), Coverage: share(within, len(ms))}
}

func share(k, n int) Share {
	lo, hi := stats.Wilson(float64(k), float64(n))
	return Share{Within: k, Value: Number(float64(k) / float64(n)), Lo: Number(lo), Hi: Number(hi)}
}
