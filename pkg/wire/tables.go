package wire

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
)

// The tables that results are taken away as, one row type each. A field's tag
// parquet names its column for every format; csv is how many decimals a float
// has, the shortest exact number without it. A pointer is a cell that may be
// empty: the number cannot be had.

// LapRow is a lap; its first columns are the contract's.
type LapRow struct {
	Trial    string  `parquet:"trial,dict"`
	Train    string  `parquet:"train,dict"`
	Lap      int64   `parquet:"lap"`
	StartUs  int64   `parquet:"start_us,timestamp(microsecond)"`
	LapTimeS float64 `parquet:"lap_time_s" csv:"6"`
	US       float64 `parquet:"u_s" csv:"6"`
	SpeedMmS float64 `parquet:"speed_mm_s" csv:"3"`
	Source   string  `parquet:"source,dict"`
	Counts   string  `parquet:"counts,dict"`

	USpeedMmS  float64  `parquet:"u_speed_mm_s" csv:"3"`
	ScaleKmH   *float64 `parquet:"scale_km_h" csv:"3"`
	Final      bool     `parquet:"final"`
	Why        string   `parquet:"why,dict"`
	EvennessCV *float64 `parquet:"evenness_cv"`
	WheelCV    *float64 `parquet:"wheel_cv"`
	Session    string   `parquet:"session,dict"`
	Circuit    string   `parquet:"circuit,dict"`
	Class      string   `parquet:"class,dict"`
	Entrant    string   `parquet:"entrant,dict"`
	Consist    string   `parquet:"consist,dict"`
}

// SectorRow is the part of a lap between two gates.
type SectorRow struct {
	Session   string  `parquet:"session,dict"`
	Trial     string  `parquet:"trial,dict"`
	Train     string  `parquet:"train,dict"`
	Lap       int64   `parquet:"lap"`
	From      string  `parquet:"from_gate,dict"`
	To        string  `parquet:"to_gate,dict"`
	FromMm    float64 `parquet:"from_mm"`
	LengthMm  float64 `parquet:"length_mm"`
	TimeS     float64 `parquet:"time_s" csv:"6"`
	US        float64 `parquet:"u_s" csv:"6"`
	SpeedMmS  float64 `parquet:"speed_mm_s" csv:"3"`
	USpeedMmS float64 `parquet:"u_speed_mm_s" csv:"3"`
	Source    string  `parquet:"source,dict"`
	Counts    string  `parquet:"counts,dict"` // of the lap
}

// TrialRow is a trial with all its figures and their intervals.
type TrialRow struct {
	Session      string   `parquet:"session,dict"`
	SessionName  string   `parquet:"session_name,dict"`
	Circuit      string   `parquet:"circuit,dict"`
	CircuitName  string   `parquet:"circuit_name,dict"`
	LapLengthMm  *float64 `parquet:"lap_length_mm"`
	LapLengthUMm *float64 `parquet:"lap_length_u_mm"`
	OwnRules     bool     `parquet:"own_rules"` // scored by rules of the session's own
	RulesVersion string   `parquet:"rules_version,dict"`
	SignedDigest string   `parquet:"signed_digest,dict"` // empty: not signed

	Trial       string `parquet:"trial"`
	Train       string `parquet:"train,dict"`
	TrainName   string `parquet:"train_name,dict"`
	Entrant     string `parquet:"entrant,dict"`
	Class       string `parquet:"class,dict"`
	Consist     string `parquet:"consist,dict"`
	ConsistName string `parquet:"consist_name,dict"`
	Direction   string `parquet:"direction,dict"`
	Battery     string `parquet:"battery,dict"`
	Conditions  string `parquet:"conditions"` // name=value; in order of names
	FromUs      *int64 `parquet:"from_us,timestamp(microsecond)"`
	ToUs        *int64 `parquet:"to_us,timestamp(microsecond)"` // empty: open
	State       string `parquet:"state,dict"`
	Void        bool   `parquet:"void"`
	Outcome     string `parquet:"outcome,dict"`
	Why         string `parquet:"why"`
	WarmupLaps  int64  `parquet:"warmup_laps"`
	Passages    int64  `parquet:"passages"`
	Laps        int64  `parquet:"laps"`
	Incidents   int64  `parquet:"incidents"`

	N             int64    `parquet:"n"` // laps that count
	MeanS         *float64 `parquet:"mean_s" csv:"6"`
	MeanUS        *float64 `parquet:"mean_u_s" csv:"6"`
	MeanLoS       *float64 `parquet:"mean_lo_s" csv:"6"`
	MeanHiS       *float64 `parquet:"mean_hi_s" csv:"6"`
	SDS           *float64 `parquet:"sd_s" csv:"6"`
	CV            *float64 `parquet:"cv"`
	MedianS       *float64 `parquet:"median_s" csv:"6"`
	MADS          *float64 `parquet:"mad_s" csv:"6"`
	RangeS        *float64 `parquet:"range_s" csv:"6"`
	BestS         *float64 `parquet:"best_s" csv:"6"`
	BestUS        *float64 `parquet:"best_u_s" csv:"6"`
	BestLap       *int64   `parquet:"best_lap"`
	Lag1          *float64 `parquet:"lag1"`
	NEffective    *float64 `parquet:"n_effective"`
	TrendSPerLap  *float64 `parquet:"trend_s_per_lap"`
	TrendUSPerLap *float64 `parquet:"trend_u_s_per_lap"`
	TrendLo       *float64 `parquet:"trend_lo_s_per_lap"`
	TrendHi       *float64 `parquet:"trend_hi_s_per_lap"`
	SpeedMmS      *float64 `parquet:"speed_mm_s" csv:"3"`
	SpeedUMmS     *float64 `parquet:"speed_u_mm_s" csv:"3"`
	SpeedLoMmS    *float64 `parquet:"speed_lo_mm_s" csv:"3"`
	SpeedHiMmS    *float64 `parquet:"speed_hi_mm_s" csv:"3"`
	ScaleKmH      *float64 `parquet:"scale_km_h" csv:"3"`
}

// StandingRow is an entry's place in its class. What ranks is in seconds, or a
// coefficient of variation: the other columns are empty then.
type StandingRow struct {
	Session    string   `parquet:"session,dict"`
	Class      string   `parquet:"class,dict"`
	ClassName  string   `parquet:"class_name,dict"`
	Rank       string   `parquet:"rank_by,dict"`
	Place      *int64   `parquet:"place"` // empty: no figure to be ranked by
	Tied       bool     `parquet:"tied"`
	Entry      string   `parquet:"entry"`
	Person     string   `parquet:"person"`
	Train      string   `parquet:"train,dict"`
	Trials     string   `parquet:"trials"` // with a space between
	Laps       int64    `parquet:"laps"`
	ValueS     *float64 `parquet:"value_s" csv:"6"`
	ValueLoS   *float64 `parquet:"value_lo_s" csv:"6"`
	ValueHiS   *float64 `parquet:"value_hi_s" csv:"6"`
	ValueUS    *float64 `parquet:"value_u_s" csv:"6"`
	EvennessCV *float64 `parquet:"evenness_cv"`
	EvennessLo *float64 `parquet:"evenness_lo_cv"`
	EvennessHi *float64 `parquet:"evenness_hi_cv"`
	EvennessU  *float64 `parquet:"evenness_u_cv"`
	BestS      *float64 `parquet:"best_s" csv:"6"`
	Withdrawn  bool     `parquet:"withdrawn"`
}

// LapRows are the laps of results.
func LapRows(r Results) iter.Seq[LapRow] {
	classes := r.classes()
	return func(yield func(LapRow) bool) {
		for _, t := range r.Trials {
			about := t.about()
			for _, l := range t.Laps {
				row := LapRow{
					Trial: t.Trial, Train: t.Train, Lap: int64(l.Lap), StartUs: l.StartUs, LapTimeS: l.LapTimeS, US: l.US, SpeedMmS: l.SpeedMmS,
					Source: l.Source, Counts: l.Counts, USpeedMmS: l.USpeedMmS, ScaleKmH: l.ScaleKmH, Final: l.Final, Why: l.Why,
					EvennessCV: l.EvennessCV, WheelCV: l.WheelCV, Session: r.session().ID, Circuit: r.session().Circuit,
					Class: classes.of(t), Entrant: classes.entrant(t), Consist: about.Consist,
				}
				if !yield(row) {
					return
				}
			}
		}
	}
}

// SectorRows are the sectors of all laps.
func SectorRows(r Results) iter.Seq[SectorRow] {
	return func(yield func(SectorRow) bool) {
		for _, t := range r.Trials {
			for _, l := range t.Laps {
				for _, s := range l.Sectors {
					row := SectorRow{
						Session: r.session().ID, Trial: t.Trial, Train: t.Train, Lap: int64(l.Lap), From: s.From, To: s.To, FromMm: s.FromMm, LengthMm: s.LengthMm,
						TimeS: s.TimeS, US: s.US, SpeedMmS: s.SpeedMmS, USpeedMmS: s.USpeedMmS, Source: s.Source, Counts: l.Counts,
					}
					if !yield(row) {
						return
					}
				}
			}
		}
	}
}

// TrialRows are the trials of results.
func TrialRows(r Results) iter.Seq[TrialRow] {
	classes := r.classes()
	return func(yield func(TrialRow) bool) {
		for _, t := range r.Trials {
			row := r.trialRow(t)
			row.Class, row.Entrant = classes.of(t), classes.entrant(t)
			if !yield(row) {
				return
			}
		}
	}
}

func (r Results) trialRow(t TrialResult) TrialRow {
	about, c := t.about(), t.Consistency
	row := TrialRow{
		Session: r.session().ID, SessionName: r.session().Name, Circuit: r.session().Circuit, LapLengthMm: r.LapLength.Value, LapLengthUMm: r.LapLength.U,
		OwnRules: r.Scoring != nil, RulesVersion: r.Rules.Version,
		Trial: t.Trial, Train: t.Train, Consist: about.Consist, Direction: about.Direction, Battery: about.Battery, Conditions: conditions(about.Conditions),
		FromUs: unlessZero(about.FromUs), ToUs: unlessZero(about.ToUs), State: t.State, Void: about.Void, Outcome: about.Outcome, Why: t.Why,
		WarmupLaps: int64(about.WarmupLaps), Passages: int64(t.Passages), Laps: int64(t.LapCount), Incidents: int64(len(t.Incidents)),
		N: int64(c.N), MeanS: c.MeanS, MeanUS: c.MeanUS, MeanLoS: c.MeanLoS, MeanHiS: c.MeanHiS, SDS: c.SDS, CV: c.CV, MedianS: c.MedianS, MADS: c.MADS,
		RangeS: c.RangeS, BestS: c.BestS, BestLap: unlessZero(int64(c.BestLap)), Lag1: c.Lag1, NEffective: c.NEffective,
		TrendSPerLap: c.Trend.Value, TrendUSPerLap: c.Trend.U, TrendLo: c.Trend.Lo, TrendHi: c.Trend.Hi,
		SpeedMmS: t.SpeedMmS.Value, SpeedUMmS: t.SpeedMmS.U, SpeedLoMmS: t.SpeedMmS.Lo, SpeedHiMmS: t.SpeedMmS.Hi, ScaleKmH: t.ScaleKmH,
	}
	if r.Circuit != nil {
		row.CircuitName = r.Circuit.Circuit.Name
	}
	if r.Seal != nil {
		row.SignedDigest = r.Seal.Digest
	}
	for _, l := range r.Locomotives {
		if l.ID == t.Train {
			row.TrainName = l.Name
		}
	}
	for _, x := range r.Consists {
		if x.ID == about.Consist {
			row.ConsistName = x.Name
		}
	}
	for _, l := range t.Laps {
		if l.Lap == c.BestLap {
			row.BestUS = &l.US
		}
	}
	return row
}

// StandingRows are the standings of a meet; none where it is no meet.
func StandingRows(r Results) iter.Seq[StandingRow] {
	return func(yield func(StandingRow) bool) {
		if r.Meet == nil {
			return
		}
		for _, c := range r.Meet.Classes {
			for _, s := range c.Standings {
				row := StandingRow{
					Session: r.session().ID, Class: c.Class, ClassName: c.Name, Rank: r.Meet.Rank, Place: unlessZero(int64(s.Place)), Tied: s.Tied,
					Entry: s.Entry, Person: s.Person, Train: s.Locomotive, Trials: strings.Join(s.Trials, " "), Laps: int64(s.Laps), BestS: s.BestS, Withdrawn: s.Withdrawn,
				}
				if r.Meet.Rank == RankEvenness {
					row.EvennessCV, row.EvennessLo, row.EvennessHi, row.EvennessU = s.Value.Value, s.Value.Lo, s.Value.Hi, s.Value.U
				} else {
					row.ValueS, row.ValueLoS, row.ValueHiS, row.ValueUS = s.Value.Value, s.Value.Lo, s.Value.Hi, s.Value.U
				}
				if !yield(row) {
					return
				}
			}
		}
	}
}

func (r Results) session() Session {
	if r.Session == nil {
		return Session{}
	}
	return *r.Session
}

// about is the trial as decided; results stored by older rules say less.
func (t TrialResult) about() Trial {
	if t.About == nil {
		return Trial{ID: t.Trial, Locomotive: t.Train, Consist: t.Consist}
	}
	return *t.About
}

func unlessZero(x int64) *int64 {
	if x == 0 {
		return nil
	}
	return &x
}

func conditions(c map[string]any) string {
	var all []string
	for _, name := range slices.Sorted(maps.Keys(c)) {
		all = append(all, fmt.Sprintf("%s=%v", name, c[name]))
	}
	return strings.Join(all, "; ")
}

// entered is what the standings of a meet say of each entry.
type entered map[string]struct{ class, person string }

func (r Results) classes() entered {
	e := entered{}
	if r.Meet == nil {
		return e
	}
	for _, c := range r.Meet.Classes {
		for _, s := range c.Standings {
			e[s.Entry] = struct{ class, person string }{c.Class, s.Person}
		}
	}
	return e
}

func (e entered) of(t TrialResult) string { return e[t.about().Entry].class }

func (e entered) entrant(t TrialResult) string {
	return cmp.Or(t.about().Entrant, e[t.about().Entry].person)
}

// Filter leaves in results only some trials; an empty field asks for all.
type Filter struct {
	Trials     []string
	Locomotive string
	Class      string
}

// All reports whether nothing is left out.
func (f Filter) All() bool { return len(f.Trials) == 0 && f.Locomotive == "" && f.Class == "" }

// Only leaves in the trials, standings, notes and pulls that a filter asks for. Places
// stay those among all; r itself is not changed.
func (r Results) Only(f Filter) Results {
	if f.All() {
		return r
	}
	classes := r.classes()
	var kept []string
	r.Trials = slices.DeleteFunc(slices.Clone(r.Trials), func(t TrialResult) bool {
		out := len(f.Trials) > 0 && !slices.Contains(f.Trials, t.Trial) || f.Locomotive != "" && t.Train != f.Locomotive || f.Class != "" && classes.of(t) != f.Class
		if !out {
			kept = append(kept, t.Trial)
		}
		return out
	})
	r.Notes = slices.DeleteFunc(slices.Clone(r.Notes), func(n NoteRecord) bool { return n.Trial != "" && !slices.Contains(kept, n.Trial) })
	r.Pulls = slices.DeleteFunc(slices.Clone(r.Pulls), func(p PullRecord) bool { // they are of no trial and no class
		return len(f.Trials) > 0 || f.Class != "" || p.Locomotive != f.Locomotive
	})
	if r.Meet == nil {
		return r
	}
	meet := *r.Meet
	meet.Classes = []ClassResult{}
	for _, c := range r.Meet.Classes {
		if f.Class != "" && c.Class != f.Class {
			continue
		}
		c.Standings = slices.DeleteFunc(slices.Clone(c.Standings), func(s Standing) bool {
			some := slices.ContainsFunc(s.Trials, func(id string) bool { return slices.Contains(f.Trials, id) })
			return f.Locomotive != "" && s.Locomotive != f.Locomotive || len(f.Trials) > 0 && !some
		})
		meet.Classes = append(meet.Classes, c)
	}
	r.Meet = &meet
	return r
}
