package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/prediction"
)

// curve fits motors' curves to the throttle sweeps of a recording.
func curve(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	setup := fs.String("setup", "", "`file` with locomotives and trials; a recording with decisions needs none, but for --write")
	id := fs.String("motor", "", "motor `id`; every one that was read when not given")
	trials := fs.String("trials", "", "`ids` of the trials that are sweeps, with commas; every one when not given")
	session := fs.String("session", "", "session `id`; the last one when not given")
	write := fs.String("write", "", "`file` to write the setup to, with the curves in its named_motors")
	table := fs.Bool("csv", false, "print the steps as a table instead of JSON")
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	switch {
	case fs.NArg() == 0:
		return fmt.Errorf("%w: which events? Give a file, or - for standard input", errUsage)
	case *write != "" && *setup == "":
		return fmt.Errorf("%w: --write needs --setup: which setup are the curves to go into?", errUsage)
	case *setup == "-" && (*write != "" || fs.Arg(0) == "-"):
		return fmt.Errorf("%w: the setup has to be a file here: it is read twice, or standard input is the events", errUsage)
	}
	run, err := readRun(ctx, *setup, fs.Arg(0), *session, std)
	if err != nil {
		return err
	}
	curves, why, err := run.swept().Curves(*id, list(*trials))
	if err != nil {
		return err
	}
	bad := run.bad
	for _, m := range slices.Sorted(maps.Keys(why)) {
		bad++
		fmt.Fprintf(std.err, "%s: %v\n", fs.Arg(0), why[m])
	}
	if len(curves) == 0 && len(why) == 0 {
		return fmt.Errorf("%s holds no readings of %s within its trials", fs.Arg(0), cmp.Or(*id, "any motor"))
	}
	if *write != "" {
		if err := writeCurves(*setup, *write, curves, std); err != nil {
			return err
		}
	}
	if err := printCurves(std.out, curves, *table); err != nil {
		return err
	}
	if bad > 0 {
		return fmt.Errorf("%d motor(s) or line(s) could not be used; the rest was", bad)
	}
	return nil
}

// list is what stands between commas; nil of nothing.
func list(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, ",")
}

// measuredRun is a recording that was scored, with its motors' readings.
type measuredRun struct {
	res      wire.Results
	readings *prediction.Readings
	bad      int
}

// readRun scores a recording and keeps its readings.
func readRun(ctx context.Context, setup, events, session string, std stdio) (measuredRun, error) {
	run := measuredRun{readings: &prediction.Readings{}}
	var err error
	run.res, run.bad, err = scoreWith(ctx, setup, events, session, std, func(s *trial.State, e wire.Event) {
		run.readings.Add(e, func(us int64) int64 { return s.BusTime(e, us) })
	})
	run.readings.Sort()
	return run, err
}

// swept is what the run's trials may tell of motors.
func (r measuredRun) swept() prediction.Swept {
	s := prediction.Swept{Locomotives: r.res.Locomotives, Consists: r.res.Consists, Readings: r.readings, Regulated: prediction.RegulatedOf(r.res.Trials)}
	if r.res.Session != nil {
		s.Session = r.res.Session.ID
	}
	for _, t := range r.res.Trials {
		if t.About != nil {
			s.Trials = append(s.Trials, *t.About)
		}
	}
	return s
}

// loadSetup reads a setup file, and checks it.
func loadSetup(path string, std stdio) (setup wire.Setup, err error) {
	f, name, err := open(path, std)
	if err != nil {
		return setup, err
	}
	defer func() { _ = f.Close() }()
	if err := json.NewDecoder(f).Decode(&setup); err != nil {
		return setup, fmt.Errorf("reading %s: %s", name, wire.JSONReason(err))
	}
	if err := setup.Check(); err != nil {
		return setup, fmt.Errorf("reading %s: %s", name, reasonOf(err))
	}
	return setup, nil
}

// writeCurves writes a setup with curves in its named motors. What the program does
// not know of stays in the file.
func writeCurves(from, to string, curves []wire.CurveOf, std stdio) error {
	if _, err := loadSetup(from, std); err != nil {
		return err
	}
	b, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	var whole map[string]json.RawMessage
	if err := json.Unmarshal(b, &whole); err != nil {
		return fmt.Errorf("reading %s: %s", from, wire.JSONReason(err))
	}
	var motors []map[string]any
	if raw := whole["named_motors"]; raw != nil {
		if err := json.Unmarshal(raw, &motors); err != nil {
			return fmt.Errorf("reading %s: named_motors: %s", from, wire.JSONReason(err))
		}
	}
	for _, c := range curves {
		i := slices.IndexFunc(motors, func(m map[string]any) bool { return m["id"] == c.Motor })
		if i < 0 {
			i, motors = len(motors), append(motors, map[string]any{"id": c.Motor, "name": c.Motor})
		}
		motors[i]["curve"] = c.Curve
	}
	if whole["named_motors"], err = json.Marshal(motors); err != nil {
		return err
	}
	if err := writeJSON(to, whole); err != nil {
		return fmt.Errorf("writing the curves: %w", err)
	}
	return nil
}

// stepRow is a step of a sweep in a table.
type stepRow struct {
	Motor        string  `parquet:"motor"`
	Trial        string  `parquet:"trial"`
	LoadG        float64 `parquet:"load_g"`
	DutyPermille float64 `parquet:"duty_permille"`
	Rising       bool    `parquet:"rising"`
	VoltageMv    float64 `parquet:"voltage_mv" csv:"1"`
	CurrentMa    float64 `parquet:"current_ma" csv:"2"`
	SpeedRadS    float64 `parquet:"speed_rad_s" csv:"3"`
	USpeedRadS   float64 `parquet:"u_speed_rad_s" csv:"4"`
	ResidualMv   float64 `parquet:"residual_mv" csv:"2"`
	Readings     int     `parquet:"readings"`
	Left         string  `parquet:"left"`
}

func printCurves(w io.Writer, curves []wire.CurveOf, table bool) error {
	var rows []stepRow
	for _, c := range curves {
		for _, s := range c.Curve.Steps {
			rows = append(rows, stepRow{c.Motor, s.Trial, s.LoadG, s.DutyPermille, s.Rising, s.VoltageMv, s.CurrentMa, s.SpeedRadS, s.USpeedRadS, s.ResidualMv, s.Readings, s.Left})
		}
	}
	return printed(w, append([]wire.CurveOf{}, curves...), table, rows)
}

// printed writes a result as JSON or, where a table is asked for, its rows.
func printed[R any](w io.Writer, result any, table bool, rows []R) error {
	out := bufio.NewWriter(w)
	if table {
		return errors.Join(wire.WriteCSV(out, slices.Values(rows)), out.Flush())
	}
	return errors.Join(encode(out, result), out.Flush())
}

// encode writes JSON to be read by people as well.
func encode(w io.Writer, v any) error {
	js := json.NewEncoder(w)
	js.SetIndent("", " ")
	return js.Encode(v)
}
