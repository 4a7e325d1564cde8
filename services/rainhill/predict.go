package main

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/services/prediction"
)

// wanted is what the command line asks to be predicted.
type wanted struct {
	setup, loco, consist, trial, events, session *string
	throttle                                     *int64
	supplyMv, supplyOhm                          *float64
	changes                                      changes
	table                                        *bool
}

// changes are the --change options.
type changes []string

func (c *changes) String() string     { return strings.Join(*c, " ") }
func (c *changes) Set(s string) error { *c = append(*c, s); return nil }

func (a *wanted) flags(fs *flag.FlagSet) {
	a.setup = fs.String("setup", "", "`file` with circuit, locomotives and motors with their curves, or - for standard input")
	a.loco = fs.String("locomotive", "", "locomotive `id`; the trial's, or the only one, when not given")
	a.consist = fs.String("consist", "", "consist `id`; the trial's when not given, none where no trial is")
	a.supplyMv = fs.Float64("supply-mv", 0, "`voltage` of the supply without load; as measured in the trial, or the trial's battery's, when not given")
	a.supplyOhm = fs.Float64("supply-ohm", 0, "inner `resistance` of the supply with its leads")
	a.table = fs.Bool("csv", false, "print a table, a row a throttle, instead of JSON")
}

// predict says what a train should do.
func predict(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	var a wanted
	a.flags(fs)
	a.trial = fs.String("trial", "", "trial `id`: its locomotive, consist and throttle; with --events, what it tells of the running resistance")
	a.events = fs.String("events", "", "recording `file`: its trials are held against what is predicted for them")
	a.session = fs.String("session", "", "session `id` of the recording; the last one when not given")
	a.throttle = fs.Int64("throttle", 0, "throttle in `permille`; the trial's, or 1000, when not given")
	fs.Var(&a.changes, "change", "`path=value` of a variant, such as locomotive.driver_sets.front.gear_ratio=20, locomotive.mass_g=3000 or consist=coal; once or more")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	switch {
	case *a.setup == "":
		return fmt.Errorf("%w: which setup? Give --setup", errUsage)
	case *a.setup == "-" && *a.events != "":
		return fmt.Errorf("%w: with --events the setup has to be a file: it is read twice", errUsage)
	}
	setup, err := loadSetup(*a.setup, std)
	if err != nil {
		return err
	}
	var run measuredRun
	if *a.events != "" {
		if run, err = readRun(ctx, *a.setup, *a.events, *a.session, std); err != nil {
			return err
		}
	}
	ran := prediction.MeasuredOf(run.res, run.readings)
	ask, err := a.ask(setup, ran)
	if err != nil {
		return err
	}
	p, err := prediction.Predict(stockOf(setup), ask, ran)
	if err != nil {
		return fmt.Errorf("predicting from %s: %w", *a.setup, err)
	}
	if err := printPrediction(std.out, p, *a.table); err != nil {
		return err
	}
	if run.bad > 0 {
		return fmt.Errorf("%d line(s) could not be used; the rest was", run.bad)
	}
	return nil
}

// options are the command line's names for what a question holds.
var options = strings.NewReplacer("duty_permille", "--throttle", "supply_mv", "--supply-mv", "supply_ohm", "--supply-ohm")

// badly says of a question that was put together from the command line why it is not sound.
func badly(what string, err error) error {
	return fmt.Errorf("%w: %s: %s", errUsage, what, options.Replace(strings.TrimPrefix(err.Error(), wire.ErrMalformed.Error()+": ")))
}

func stockOf(s wire.Setup) prediction.Stock {
	out := prediction.Stock{Circuit: s.Circuit, Motors: map[string]wire.NamedMotor{}}
	for _, m := range s.NamedMotors {
		out.Motors[m.ID] = m
	}
	return out
}

// ask puts the question together.
func (a wanted) ask(setup wire.Setup, ran []prediction.Measured) (wire.PredictAsk, error) {
	ask := wire.PredictAsk{SupplyMv: *a.supplyMv, SupplyOhm: *a.supplyOhm, DutyPermille: *a.throttle}
	var of *wire.Trial
	if *a.trial != "" {
		i := slices.IndexFunc(setup.Trials, func(t wire.Trial) bool { return t.ID == *a.trial })
		if i < 0 {
			return ask, fmt.Errorf("%s has no trial %q", *a.setup, *a.trial)
		}
		of = &setup.Trials[i]
	}
	if err := a.train(setup, of, &ask); err != nil {
		return ask, err
	}
	if of != nil && *a.events != "" {
		ask.Trial = of.ID
	}
	i := slices.IndexFunc(ran, func(m prediction.Measured) bool { return m.Trial.ID == *a.trial })
	if ask.DutyPermille == 0 {
		ask.DutyPermille = throttleOf(of)
		if i >= 0 && !math.IsNaN(ran[i].Duty) {
			ask.DutyPermille = int64(math.Round(1000 * ran[i].Duty))
		}
	}
	if ask.SupplyMv == 0 && i >= 0 {
		ask.SupplyMv = ran[i].OpenMv(ask.SupplyOhm)
	}
	if ask.SupplyMv == 0 && of != nil {
		ask.SupplyMv = nominalOf(setup, of.Battery)
	}
	if err := ask.Check(); err != nil {
		return ask, badly("what is to be predicted", err)
	}
	if len(a.changes) > 0 {
		variant, err := a.changes.made(ask, setup)
		if err != nil {
			return ask, err
		}
		ask.Variant = &variant
	}
	if ask.SupplyMv == 0 {
		return ask, fmt.Errorf("%w: the supply's voltage is not known: give --supply-mv%s", errUsage, a.orReadings())
	}
	return ask, nil
}

// orReadings is where else the supply's voltage may come from.
func (a wanted) orReadings() string {
	switch {
	case *a.trial == "":
		return ""
	case *a.events == "":
		return fmt.Sprintf(", or with --events the recording in which trial %s was read", *a.trial)
	}
	return fmt.Sprintf("; in %s no board told it in trial %s", *a.events, *a.trial)
}

// reasonOf is an error without what says only that something is malformed.
func reasonOf(err error) string {
	return strings.ReplaceAll(err.Error(), wire.ErrMalformed.Error()+": ", "")
}

// train finds the locomotive and what it draws.
func (a wanted) train(setup wire.Setup, of *wire.Trial, ask *wire.PredictAsk) error {
	id, behind := *a.loco, *a.consist
	if of != nil {
		id, behind = cmp.Or(id, of.Locomotive), cmp.Or(behind, of.Consist)
	}
	if id == "" && len(setup.Locomotives) == 1 {
		id = setup.Locomotives[0].ID
	}
	if id == "" {
		return fmt.Errorf("%w: which locomotive? Give --locomotive; %s has %d", errUsage, *a.setup, len(setup.Locomotives))
	}
	i := slices.IndexFunc(setup.Locomotives, func(l wire.Locomotive) bool { return l.ID == id })
	if i < 0 {
		return fmt.Errorf("%s has no locomotive %q", *a.setup, id)
	}
	ask.Locomotive = setup.Locomotives[i]
	if behind == "" {
		return nil
	}
	c, err := consistOf(setup, behind)
	ask.Consist = c
	return err
}

func consistOf(setup wire.Setup, id string) (*wire.Consist, error) {
	for i := range setup.Consists {
		if setup.Consists[i].ID == id {
			return &setup.Consists[i], nil
		}
	}
	return nil, fmt.Errorf("the setup has no consist %q", id)
}

// throttleOf is that of a trial's conditions, full when nothing is stated.
func throttleOf(t *wire.Trial) int64 {
	if t != nil {
		if v, ok := t.Conditions["throttle_permille"].(float64); ok && v >= 1 && v <= 1000 {
			return int64(v)
		}
	}
	return 1000
}

func nominalOf(setup wire.Setup, battery string) float64 {
	for _, b := range setup.Batteries {
		if b.ID == battery {
			return b.NominalMv
		}
	}
	return 0
}

// predictedRow is a throttle of a prediction in a table.
type predictedRow struct {
	Configuration string   `parquet:"configuration"`
	DutyPermille  int64    `parquet:"duty_permille"`
	SpeedMmS      *float64 `parquet:"speed_mm_s" csv:"2"`
	SpeedLoMmS    *float64 `parquet:"speed_lo_mm_s" csv:"2"`
	SpeedHiMmS    *float64 `parquet:"speed_hi_mm_s" csv:"2"`
	LapTimeS      *float64 `parquet:"lap_time_s" csv:"3"`
	PullMn        *float64 `parquet:"pull_mn" csv:"1"`
	Limit         string   `parquet:"limit"`
	Desync        *float64 `parquet:"desync" csv:"5"`
	DesyncLo      *float64 `parquet:"desync_lo" csv:"5"`
	DesyncHi      *float64 `parquet:"desync_hi" csv:"5"`
}

func printPrediction(w io.Writer, p wire.Prediction, table bool) error {
	var rows []predictedRow
	add := func(name string, at []wire.PredictedAt) {
		for _, x := range at {
			rows = append(rows, predictedRow{name, x.DutyPermille, x.SpeedMmS, x.SpeedLoMmS, x.SpeedHiMmS, x.LapTimeS, x.PullMn, x.Limit, x.Desync, x.DesyncLo, x.DesyncHi})
		}
	}
	add("base", p.At)
	if p.Variant != nil {
		add("variant", p.Variant.At)
	}
	return printed(w, p, table, rows)
}

// pairing says how far every two motors would run apart.
func pairing(_ context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	var a wanted
	a.flags(fs)
	motors := fs.String("motors", "", "`ids` of the motors, with commas; every one that has a curve when not given")
	gears := fs.String("gears", "", "gear `ratios` to try each motor with, with commas; the set's own when not given")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *a.setup == "" || *a.supplyMv == 0 {
		return fmt.Errorf("%w: give --setup, and the supply's voltage as --supply-mv", errUsage)
	}
	setup, err := loadSetup(*a.setup, std)
	if err != nil {
		return err
	}
	var of wire.PredictAsk
	if err := a.train(setup, nil, &of); err != nil {
		return err
	}
	ask := wire.PairingAsk{Locomotive: of.Locomotive, Consist: of.Consist, Compare: list(*motors), SupplyMv: *a.supplyMv, SupplyOhm: *a.supplyOhm}
	for _, text := range list(*gears) {
		g, err := strconv.ParseFloat(text, 64)
		if err != nil || !(g > 0) {
			return fmt.Errorf("%w: --gears: %q is not a ratio above 0", errUsage, text)
		}
		ask.Gears = append(ask.Gears, g)
	}
	if err := ask.Check(); err != nil {
		return badly("what is to be paired", err)
	}
	t, err := prediction.Pairs(stockOf(setup), ask)
	if err != nil {
		return fmt.Errorf("pairing from %s: %w", *a.setup, err)
	}
	return printPairings(std.out, t, *a.table)
}

// pairedRow is a pair at a throttle in a table.
type pairedRow struct {
	A            string   `parquet:"a"`
	B            string   `parquet:"b"`
	GearA        float64  `parquet:"gear_a"`
	GearB        float64  `parquet:"gear_b"`
	DutyPermille int64    `parquet:"duty_permille"`
	Desync       *float64 `parquet:"desync" csv:"5"`
	DesyncLo     *float64 `parquet:"desync_lo" csv:"5"`
	DesyncHi     *float64 `parquet:"desync_hi" csv:"5"`
	WorstAbs     float64  `parquet:"worst_abs" csv:"5"`
}

func printPairings(w io.Writer, t wire.PairingTable, table bool) error {
	var rows []pairedRow
	for _, p := range t.Pairings {
		for _, x := range p.At {
			rows = append(rows, pairedRow{p.A, p.B, p.GearA, p.GearB, x.DutyPermille, x.Desync.Value, x.Desync.Lo, x.Desync.Hi, p.WorstAbs})
		}
	}
	return printed(w, t, table, rows)
}
