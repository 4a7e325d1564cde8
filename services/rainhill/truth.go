package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
)

// runReport is one simulated run held against its truth.
type runReport struct {
	Run      string `json:"run"` // its folder
	Scenario string `json:"scenario"`
	Seed     int64  `json:"seed"`
	truth.Report
}

// compareTruth scores simulated runs, each a folder with setup.json,
// events.jsonl and truth.json, and prints how far the scores are from the truth.
func compareTruth(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	table := fs.Bool("csv", false, "print a table, one row a run, instead of JSON")
	laps := fs.Bool("laps", false, "list each lap, incident and figure of a driver set with the truth beside it")
	if err := parse(fs, args, math.MaxInt); err != nil {
		return err
	}
	switch {
	case fs.NArg() == 0:
		return fmt.Errorf("%w: which run? Give a folder with setup.json, events.jsonl and truth.json", errUsage)
	case *table && *laps:
		return fmt.Errorf("%w: --csv has one row a run; --laps goes with JSON", errUsage)
	}
	var runs []runReport
	bad := 0
	for _, dir := range fs.Args() {
		r, n, err := compareRun(ctx, dir, std)
		if err != nil {
			return fmt.Errorf("run %s: %w", dir, err)
		}
		runs, bad = append(runs, r), bad+n
	}
	if err := printRuns(std.out, runs, *table, *laps); err != nil {
		return err
	}
	if bad > 0 {
		return fmt.Errorf("%d line(s) or file(s) could not be used; the rest was scored", bad)
	}
	return nil
}

func compareRun(ctx context.Context, dir string, std stdio) (runReport, int, error) {
	b, err := os.ReadFile(filepath.Join(dir, "truth.json"))
	if err != nil {
		return runReport{}, 0, err
	}
	run, err := truth.Decode(b)
	if err != nil {
		return runReport{}, 0, err
	}
	res, bad, err := scoreFile(ctx, filepath.Join(dir, "setup.json"), filepath.Join(dir, "events.jsonl"), "", std)
	if err != nil {
		return runReport{}, bad, err
	}
	for _, t := range run.Trials {
		if !slices.ContainsFunc(res.Trials, func(x wire.TrialResult) bool { return x.Trial == t.Trial }) {
			return runReport{}, bad, fmt.Errorf("truth.json tells of trial %q, of which setup.json and events.jsonl know nothing: are they of one run?", t.Trial)
		}
	}
	scored := scoredOf(res)
	unread, err := besides(dir, run, &scored, std)
	if bad += unread; err != nil {
		return runReport{}, bad, err
	}
	return runReport{dir, run.Scenario, run.Seed, truth.Compare(run, scored)}, bad, nil
}

// besides adds what else was made of a run, if it lies beside it: motor curves in
// curve.json, a list of {motor, curve}; wheels in wheels.json, a list of checks of
// wheels; predictions in predict.json, a list of {trial, prediction}. One that is no such list is complained of and
// left; unread counts these.
func besides(dir string, run truth.Run, scored *truth.Scored, std stdio) (unread int, err error) {
	type curve struct {
		Motor string          `json:"motor"`
		Curve wire.MotorCurve `json:"curve"`
	}
	type prediction struct {
		Trial      string          `json:"trial"`
		Prediction wire.Prediction `json:"prediction"`
	}
	curves, noCurves := listIn[curve](dir, "curve.json", "{motor, curve}")
	wheels, noWheels := listIn[wire.WheelCheck](dir, "wheels.json", "{motor, diameter_mm, ...}")
	speeds, noSpeeds := listIn[prediction](dir, "predict.json", "{trial, prediction}, which says of each prediction of which trial it is")
	for _, err := range []error{noCurves, noWheels, noSpeeds} {
		if err != nil {
			unread++
			fmt.Fprintf(std.err, "%s: %v\n", dir, err)
		}
	}
	for _, x := range curves {
		if !knowsMotor(run, x.Motor) {
			return unread, fmt.Errorf("curve.json tells of motor %q, of which truth.json knows nothing: are they of one run?", x.Motor)
		}
		scored.Motors = append(scored.Motors, truth.ScoredMotor{Motor: x.Motor, ResistanceOhm: interval(x.Curve.ResistanceOhm), KVS: interval(x.Curve.KVS), NoLoadMa: interval(x.Curve.NoLoadMa)})
	}
	for _, x := range wheels {
		if !knowsMotor(run, x.Motor) {
			return unread, fmt.Errorf("wheels.json tells of motor %q, of which truth.json knows nothing: are they of one run?", x.Motor)
		}
		scored.Wheels = append(scored.Wheels, truth.ScoredWheel{Motor: x.Motor, DiameterMm: interval(x.DiameterMm)})
	}
	for _, x := range speeds {
		if !slices.ContainsFunc(run.Trials, func(t truth.Trial) bool { return t.Trial == x.Trial }) {
			return unread, fmt.Errorf("predict.json tells of trial %q, of which truth.json knows nothing: are they of one run?", x.Trial)
		}
		scored.Speeds = append(scored.Speeds, truth.ScoredSpeed{Trial: x.Trial, SpeedMmS: interval(x.Prediction.SpeedMmS)})
	}
	return unread, nil
}

// listIn reads a list that may lie beside a run; nothing when it does not.
func listIn[T any](dir, name, of string) (list []T, err error) {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(b, &list); err != nil {
		return nil, fmt.Errorf("reading %s, which wants a list of %s: %s", name, of, wire.JSONReason(err))
	}
	return list, nil
}

func knowsMotor(run truth.Run, motor string) bool {
	return slices.ContainsFunc(run.Trials, func(t truth.Trial) bool {
		return slices.ContainsFunc(t.Sets, func(d truth.Set) bool { return d.Motor == motor })
	})
}

func interval(e wire.Estimate) truth.Interval {
	or := func(p *float64) float64 {
		if p == nil {
			return math.NaN()
		}
		return *p
	}
	return truth.Interval{Value: or(e.Value), Lo: or(e.Lo), Hi: or(e.Hi)}
}

// scoredOf is results in the words of the comparison.
func scoredOf(res wire.Results) (out truth.Scored) {
	for _, t := range res.Trials {
		x := truth.ScoredTrial{Trial: t.Trial}
		for _, l := range t.Laps {
			x.Laps = append(x.Laps, truth.ScoredLap{
				Lap: l.Lap, StartUs: l.StartUs, LapTimeS: l.LapTimeS, US: l.US, Inferred: l.Source == wire.Inferred, Counts: l.Counts,
			})
		}
		for _, i := range t.Incidents {
			x.Incidents = append(x.Incidents, truth.ScoredIncident{Kind: i.Kind, AtUs: i.AtUs})
		}
		for _, d := range t.Sets {
			x.Sets = append(x.Sets, truth.ScoredSet{Set: d.Set, Slip: interval(d.Slip), Droop: interval(d.Regulated.Droop), Regulated: d.Regulated.Verdict})
		}
		for _, d := range t.Desync {
			x.Desync = append(x.Desync, truth.ScoredDesync{A: d.A, B: d.B, Desync: interval(wire.Estimate{Value: d.Value, Lo: d.Lo, Hi: d.Hi})})
		}
		out.Trials = append(out.Trials, x)
	}
	return out
}

// printRuns writes one run as it is; several with their total.
func printRuns(w io.Writer, runs []runReport, table, laps bool) error {
	var reports []truth.Report
	for i := range runs {
		reports = append(reports, runs[i].Report)
		if !laps {
			runs[i].Lines, runs[i].IncidentLines, runs[i].SetLines = nil, nil, nil
		}
	}
	total := truth.Total(reports)
	out := bufio.NewWriter(w)
	if table {
		return errors.Join(writeRunsCSV(out, runs, total), out.Flush())
	}
	js := json.NewEncoder(out)
	js.SetIndent("", " ")
	if len(runs) == 1 {
		return errors.Join(js.Encode(runs[0]), out.Flush())
	}
	return errors.Join(js.Encode(struct {
		Runs  []runReport  `json:"runs"`
		Total truth.Report `json:"total"`
	}{runs, total}), out.Flush())
}

// writeRunsCSV writes one row a run, and the total of several.
func writeRunsCSV(w io.Writer, runs []runReport, total truth.Report) error {
	out := csv.NewWriter(w)
	rows := runs
	if len(runs) > 1 {
		rows = append(slices.Clone(runs), runReport{Run: "total", Report: total})
	}
	for i, r := range rows {
		columns := columnsOf(r)
		var names, values []string
		for _, c := range columns {
			names, values = append(names, c.name), append(values, c.value)
		}
		if i == 0 {
			_ = out.Write(names) // out.Error tells
		}
		_ = out.Write(values)
	}
	out.Flush()
	return out.Error()
}

type column struct{ name, value string }

func columnsOf(r runReport) []column {
	seed := strconv.FormatInt(r.Seed, 10)
	if r.Run == "total" && r.Scenario == "" {
		seed = ""
	}
	out := []column{{"run", r.Run}, {"scenario", r.Scenario}, {"seed", seed}}
	count := func(name string, n int) { out = append(out, column{name, strconv.Itoa(n)}) }
	places := func(n int) func(string, truth.Number) {
		return func(name string, x truth.Number) {
			s := ""
			if !math.IsNaN(float64(x)) {
				s = strconv.FormatFloat(float64(x), 'f', n, 64)
			}
			out = append(out, column{name, s})
		}
	}
	number, small := places(4), places(6)
	count("true", r.Laps.True)
	count("matched", r.Laps.Matched)
	count("elsewhere", r.Laps.Elsewhere)
	count("missed", r.Laps.Missed)
	count("unsettled", r.Laps.Unsettled)
	count("incident_true", r.IncidentLaps.True)
	count("incident_matched", r.IncidentLaps.Matched)
	count("scored", r.Scored)
	count("wrong", r.Wrong)
	count("false", r.False)
	count("strange", r.Strange)
	count("set_aside", r.SetAside)
	count("bridged", r.Bridged)
	count("unmarked", r.Unmarked)
	for _, c := range []struct {
		name string
		of   truth.Class
	}{{"measured", r.Measured}, {"inferred", r.Inferred}, {"all", r.All}} {
		count(c.name+"_n", c.of.N)
		number(c.name+"_median_ms", c.of.MedianMs)
		number(c.name+"_p95_ms", c.of.P95Ms)
		number(c.name+"_max_ms", c.of.MaxMs)
		number(c.name+"_coverage", c.of.Coverage.Value)
		number(c.name+"_coverage_lo", c.of.Coverage.Lo)
		number(c.name+"_coverage_hi", c.of.Coverage.Hi)
	}
	var all truth.KindCount
	for _, k := range r.Incidents {
		all.True, all.Right, all.Other, all.Missed, all.Late, all.False = all.True+k.True, all.Right+k.Right, all.Other+k.Other, all.Missed+k.Missed, all.Late+k.Late, all.False+k.False
	}
	count("incidents_true", all.True)
	count("incidents_right_kind", all.Right)
	count("incidents_other_kind", all.Other)
	count("incidents_missed", all.Missed)
	count("incidents_unsettled", all.Late)
	count("incidents_false", all.False)
	for _, c := range []struct {
		name string
		of   truth.Spread
	}{{"slip", r.Sets.Slip}, {"desync", r.Sets.Desync}, {"droop", r.Sets.Droop}, {"resistance", r.Sets.ResistanceOhm}, {"k", r.Sets.KVS}, {"no_load", r.Sets.NoLoadMa},
		{"wheel", r.Sets.WheelMm}, {"predicted", r.Sets.Predicted}} {
		count(c.name+"_n", c.of.N)
		count(c.name+"_untold", c.of.Untold)
		small(c.name+"_bias", c.of.Bias)
		small(c.name+"_p95", c.of.P95)
		small(c.name+"_max", c.of.Max)
		number(c.name+"_coverage", c.of.Coverage.Value)
	}
	count("regulated_right", r.Sets.Regulated.Right)
	count("regulated_wrong", r.Sets.Regulated.Wrong)
	count("regulated_unknown", r.Sets.Regulated.Unknown)
	return out
}
