package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/services/pulling"
)

// pull says what pull tests in a table show.
func pull(_ context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	table := fs.Bool("csv", false, "print a table, a row a limit, instead of JSON")
	scale := fs.Float64("scale-resolution-g", pulling.DefaultScaleG, "the scale's `step`")
	massU := fs.Float64("mass-u-g", 0, "standard `uncertainty` of a locomotive's mass; by the scale's step when not given")
	smallest := fs.Float64("step-g", 0, "the smallest `weight` to hand, for the load to try next")
	rolling := fs.Float64("rolling-permille", 0, "what a train takes to keep rolling, in `permille` of its weight: where load_is is train")
	rollingU := fs.Float64("rolling-u-permille", 0, "standard `uncertainty` of --rolling-permille")
	onPaper := paperFlags(fs)
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	if err := onPaper.check(); err != nil {
		return err
	}
	if fs.NArg() == 0 {
		return fmt.Errorf("%w: which pulls? Give a table, or - for standard input", errUsage)
	}
	for _, f := range []struct {
		name string
		x    float64
	}{{"scale-resolution-g", *scale}, {"mass-u-g", *massU}, {"step-g", *smallest}, {"rolling-permille", *rolling}, {"rolling-u-permille", *rollingU}} {
		if !(f.x >= 0 && f.x < 1e9) {
			return fmt.Errorf("%w: --%s is %g, want 0 or more", errUsage, f.name, f.x)
		}
	}
	onPaper.files = fs.Args()
	in, name, err := open(fs.Arg(0), std)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	text, err := io.ReadAll(in)
	if err != nil {
		return fmt.Errorf("reading %s: %w", name, err)
	}
	as, notes, bad := pulling.ReadTable(string(text))
	complain(std.err, name, bad)
	if len(as) == 0 {
		return fmt.Errorf("%s holds no pull that could be read", name)
	}
	r := pulling.Judge(as, pulling.Options{ScaleG: *scale, MassUG: *massU, SmallestG: *smallest, Rolling: *rolling / 1000, RollingU: *rollingU / 1000})
	r.Doubts = withNotes(std.err, name, notes, r.Doubts, *table)
	if err := printPulls(std.out, r, *table); err != nil {
		return err
	}
	if err := onPaper.pulls(r, std.err); err != nil {
		return err
	}
	if len(bad) > 0 {
		return fmt.Errorf("%d row(s) or column(s) could not be read; the rest was", len(bad))
	}
	return nil
}

// pullRow is a limit in a table.
type pullRow struct {
	Locomotive string   `parquet:"locomotive"`
	Method     string   `parquet:"method"`
	Direction  string   `parquet:"direction"`
	Set        string   `parquet:"set"`
	LoadIs     string   `parquet:"load_is"`
	MassG      *float64 `parquet:"mass_g"`
	Attempts   int      `parquet:"attempts"`
	MovedG     *float64 `parquet:"moved_g"`
	StalledG   *float64 `parquet:"stalled_g"`
	Load50G    *float64 `parquet:"load50_g" csv:"2"`
	Load50LoG  *float64 `parquet:"load50_lo_g" csv:"2"`
	Load50HiG  *float64 `parquet:"load50_hi_g" csv:"2"`
	Load95G    *float64 `parquet:"load95_g" csv:"2"`
	Load95LoG  *float64 `parquet:"load95_lo_g" csv:"2"`
	Load95HiG  *float64 `parquet:"load95_hi_g" csv:"2"`
	Adhesion   *float64 `parquet:"adhesion" csv:"5"`
	AdhesionLo *float64 `parquet:"adhesion_lo" csv:"5"`
	AdhesionHi *float64 `parquet:"adhesion_hi" csv:"5"`
	AdhesionU  *float64 `parquet:"adhesion_u" csv:"5"`
	Limit      string   `parquet:"limit"`
	PowerMw    *float64 `parquet:"power_mw" csv:"2"`
	NextG      *float64 `parquet:"next_g"`
	Doubts     string   `parquet:"doubts"`
}

func printPulls(w io.Writer, r wire.PullResult, table bool) error {
	var rows []pullRow
	for _, l := range r.Locomotives {
		row := pullRow{
			l.Locomotive, l.Method, l.Direction, l.Set, l.LoadIs, l.MassG, len(l.Attempts), l.Bracket.MovedG, l.Bracket.StalledG,
			l.Load50G.Value, l.Load50G.Lo, l.Load50G.Hi, l.Load95G.Value, l.Load95G.Lo, l.Load95G.Hi,
			l.Adhesion.Value, l.Adhesion.Lo, l.Adhesion.Hi, l.Adhesion.U, l.Limit, l.PowerMw.Value, nil, strings.Join(l.Doubts, "; "),
		}
		if l.Next != nil {
			row.NextG = &l.Next.LoadG
		}
		rows = append(rows, row)
	}
	return printed(w, r, table, rows)
}
