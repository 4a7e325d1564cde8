package wire

import (
	"fmt"
	"iter"
	"math"
	"strconv"
)

// Conditions by which a trial says that it is one of an experiment: which, which pair,
// its place in the pair, with trim or without, which sets, and what the order was drawn
// from.
const (
	CondExperiment = "experiment"
	CondPair       = "pair"
	CondPlace      = "place"
	CondTrim       = "trim"
	CondSetA       = "set_a"
	CondSetB       = "set_b"

	TrimOn  = "on"
	TrimOff = "off"
)

// PairedOrder is in what order paired trials with trim and without run.
type PairedOrder struct {
	Seed uint64     `json:"seed"`
	Runs []PairTurn `json:"runs"`
}

// PairTurn is one run of a pair; Pair and Place in it count from 1.
type PairTurn struct {
	Pair  int    `json:"pair"`
	Place int    `json:"place"`
	Trim  string `json:"trim"`
}

// PairedAsk asks for the order of paired trials, or for what an experiment showed.
type PairedAsk struct {
	Pairs      int    `json:"pairs,omitempty"`
	Seed       uint64 `json:"seed,omitempty"`
	Session    string `json:"session,omitempty"`
	Experiment string `json:"experiment,omitempty"`
}

// PairedRun is what one trial of an experiment showed. Left says why it is not compared.
type PairedRun struct {
	Pair     int      `json:"pair"`
	Place    int      `json:"place"`
	Trim     string   `json:"trim"`
	Trial    string   `json:"trial"`
	Laps     int      `json:"laps"` // that count
	LapTimeS *float64 `json:"lap_time_s"`
	SpeedMmS *float64 `json:"speed_mm_s"`
	Desync   *float64 `json:"desync"` // its size, without its sign
	Left     string   `json:"left,omitempty"`
}

// PairedDifference is the mean over N pairs of a figure with trim less that without. Its
// interval is Student's of N-1 degrees of freedom, null below two pairs.
type PairedDifference struct {
	N          int      `json:"n"`
	On         *float64 `json:"on"` // mean of the pairs compared
	Off        *float64 `json:"off"`
	Difference Estimate `json:"difference"`
}

// PairedResult is what an experiment with and without trim showed.
type PairedResult struct {
	Experiment string           `json:"experiment"`
	Session    string           `json:"session"`
	Runs       []PairedRun      `json:"runs"`
	LapTimeS   PairedDifference `json:"lap_time_s"`
	SpeedMmS   PairedDifference `json:"speed_mm_s"`
	Desync     PairedDifference `json:"desync"`
	Doubts     []string         `json:"doubts"`
}

// PairedLapRow is a lap of an experiment, for a comparison by the column trim within
// pairs.
type PairedLapRow struct {
	LapRow
	Trim             string `parquet:"trim,dict"`
	Pair             int64  `parquet:"pair"`
	Place            int64  `parquet:"place"`
	Order            int64  `parquet:"order"` // of the lap in the experiment
	ThrottlePermille string `parquet:"throttle_permille,dict"`
	Battery          string `parquet:"battery,dict"`
}

// TurnOf reads which turn of an experiment a trial is; ok is false when it is none of it.
func (t Trial) TurnOf(experiment string) (turn PairTurn, ok bool) {
	c := t.Conditions
	pair, place := whole(c[CondPair]), whole(c[CondPlace])
	trim, _ := c[CondTrim].(string)
	if name, _ := c[CondExperiment].(string); name == "" || name != experiment || pair < 1 || trim != TrimOn && trim != TrimOff {
		return turn, false
	}
	return PairTurn{Pair: pair, Place: place, Trim: trim}, true
}

// whole is a condition that is a whole number; 0 for any other.
func whole(v any) int {
	n, ok := v.(float64)
	if !ok || n != math.Trunc(n) || math.Abs(n) > 1e9 {
		return 0
	}
	return int(n)
}

// PairedRows are the laps of an experiment's trials; void trials are left out.
func PairedRows(experiment string) func(Results) iter.Seq[PairedLapRow] {
	return func(r Results) iter.Seq[PairedLapRow] {
		of := map[string]Trial{}
		for _, t := range r.Trials {
			of[t.Trial] = t.about()
		}
		return func(yield func(PairedLapRow) bool) {
			order := int64(0)
			for lap := range LapRows(r) {
				about := of[lap.Trial]
				turn, ok := about.TurnOf(experiment)
				if !ok || about.Void {
					continue
				}
				order++
				row := PairedLapRow{lap, turn.Trim, int64(turn.Pair), int64(turn.Place), order, written(about.Conditions["throttle_permille"]), about.Battery}
				if !yield(row) {
					return
				}
			}
		}
	}
}

// written is a condition as it is written in a table.
func written(v any) string {
	if n, ok := v.(float64); ok {
		return strconv.FormatFloat(n, 'g', -1, 64)
	}
	if v == nil {
		return ""
	}
	return fmt.Sprint(v)
}
