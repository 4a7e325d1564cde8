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
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/services/comparison"
)

// compareLaps compares the levels of a factor in tables of laps.
func compareLaps(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	var ask comparison.Ask
	fs.StringVar(&ask.Factor, "factor", "", "`column` whose values are compared")
	fs.StringVar(&ask.Pairs, "pairs", "", "`column` each value of which is a comparison of its own; answers one JSON line each")
	fs.StringVar(&ask.Block, "block", "", "`column` with the round or pair that a trial was drawn in: compared within those")
	fs.StringVar(&ask.Measure, "measure", "", "lap_time_s or speed_mm_s; the time when the table has both")
	fs.StringVar(&ask.A, "a", "", "`level` to hold the other against")
	fs.StringVar(&ask.B, "b", "", "`level` that is held against a")
	fs.Var((*decimal)(&ask.Margin), "margin", "a difference below `N` does not matter, in s or mm/s")
	fs.Var((*decimal)(&ask.Percent), "margin-percent", "the same, `N` percent of side a's mean")
	fs.Var((*changes)(&ask.Covariates), "covariate", "`column` to adjust for in any case; once or more")
	table := fs.Bool("csv", false, "print a table of pairs instead of JSON")
	onPaper := paperFlags(fs)
	if err := parse(fs, args, 1000); err != nil {
		return err
	}
	if err := cmp.Or(checkAsk(ask, fs.NArg()), onPaper.check()); err != nil {
		return err
	}
	onPaper.files = fs.Args()
	files, bad, err := readSheets(fs.Args(), std)
	if err != nil {
		return err
	}
	if sheetColumns(files) == "" {
		return fmt.Errorf("there is no lap to compare: %s holds no rows", strings.Join(fs.Args(), ", "))
	}
	for _, column := range append([]*string{&ask.Factor, &ask.Pairs, &ask.Block}, each(ask.Covariates)...) {
		var ok bool
		if *column, ok = comparison.Column(files, *column); !ok && *column != "" {
			if file, says := comparison.LayoutOf(files, ask); says != "" {
				return fmt.Errorf("%s: %s", file, says)
			}
			return fmt.Errorf("%w: there is no column %q in %s; there are %s", errUsage, *column, strings.Join(fs.Args(), ", "), sheetColumns(files))
		}
	}
	sets, complaints := comparison.FromSheets(ask, files)
	for _, c := range complaints {
		complain(std.err, c.File, []wire.Complaint{c.Complaint})
	}
	failed, err := printComparisons(ctx, std, ask, sets, *table, onPaper)
	switch {
	case err != nil:
		return err
	case failed > 0:
		return fmt.Errorf("%d of %d comparison(s) could not be made", failed, len(sets))
	case bad+len(complaints) > 0:
		return fmt.Errorf("%d row(s) could not be used; the rest was compared", bad+len(complaints))
	}
	return nil
}

// decimal is a number on the command line, with a decimal point or comma.
type decimal float64

func (d *decimal) String() string { return strconv.FormatFloat(float64(*d), 'g', -1, 64) }

func (d *decimal) Set(s string) error {
	x, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil {
		return errors.New("want a number such as 0.3")
	}
	*d = decimal(x)
	return nil
}

func each(list []string) (all []*string) {
	for i := range list {
		all = append(all, &list[i])
	}
	return all
}

func checkAsk(ask comparison.Ask, files int) error {
	switch {
	case files == 0:
		return fmt.Errorf("%w: which laps? Give a table, or - for standard input", errUsage)
	case ask.Factor == "":
		return fmt.Errorf("%w: what is compared? Give --factor", errUsage)
	case ask.Measure != "" && ask.Measure != comparison.MeasureTime && ask.Measure != comparison.MeasureSpeed:
		return fmt.Errorf("%w: --measure %q, want %s or %s", errUsage, ask.Measure, comparison.MeasureTime, comparison.MeasureSpeed)
	case (ask.A == "") != (ask.B == ""):
		return fmt.Errorf("%w: give both --a and --b, or neither", errUsage)
	case !(ask.Margin >= 0) || !(ask.Percent >= 0) || ask.Margin > 0 && ask.Percent > 0:
		return fmt.Errorf("%w: give --margin or --margin-percent, above 0", errUsage)
	}
	return nil
}

// readSheets reads tables; what cannot be read of them is told and counted.
func readSheets(paths []string, std stdio) (files []comparison.File, bad int, err error) {
	for _, path := range paths {
		f, name, err := open(path, std)
		if err != nil {
			return nil, 0, err
		}
		b, err := io.ReadAll(f)
		if err := errors.Join(err, f.Close()); err != nil {
			return nil, 0, fmt.Errorf("reading %s: %w", name, err)
		}
		sheet, complaints := wire.ReadSheet(string(b), comparison.Columns)
		bad += complain(std.err, name, complaints)
		files = append(files, comparison.File{Name: name, Sheet: sheet})
	}
	return files, bad, nil
}

func sheetColumns(files []comparison.File) string {
	var all []string
	for _, f := range files {
		for _, c := range f.Sheet.Columns {
			if c != "" && !slices.Contains(all, c) {
				all = append(all, c)
			}
		}
	}
	return strings.Join(all, ", ")
}

// printComparisons compares each set and prints it as it comes. A set that cannot be
// compared is told of, and counted. Where there are several, each has drawings of its own.
func printComparisons(ctx context.Context, std stdio, ask comparison.Ask, sets []comparison.Set, table bool, onPaper paper) (failed int, err error) {
	if len(sets) == 0 {
		return 0, errors.New("there is no lap to compare")
	}
	out := bufio.NewWriter(std.out)
	put, err := comparisonPrinter(out, ask.Pairs != "", table)
	if err != nil {
		return 0, err
	}
	for _, s := range sets {
		if ctx.Err() != nil {
			return failed, ctx.Err()
		}
		r, err := comparison.Compare(ask, s)
		if err != nil {
			failed++
			r.Doubts = append(r.Doubts, err.Error())
			fmt.Fprintln(std.err, strings.TrimPrefix(s.Pair+": ", ": ")+err.Error())
		}
		if err := put(r); err != nil {
			return failed, err
		}
		each := onPaper
		if len(sets) > 1 {
			each = onPaper.of(s.Pair)
		}
		if err := each.compare(r); err != nil {
			return failed, err
		}
	}
	return failed, out.Flush()
}

// comparisonPrinter prints each comparison as a row a pair, as a line, or set out.
func comparisonPrinter(out *bufio.Writer, lines, table bool) (func(wire.CompareResult) error, error) {
	switch {
	case table:
		csv, err := wire.NewCSV[comparedRow](out)
		return func(r wire.CompareResult) error { return csv.Put(slices.Values(comparedRows(r))) }, err
	case lines:
		each := json.NewEncoder(out)
		return func(r wire.CompareResult) error { return each.Encode(r) }, nil
	}
	return func(r wire.CompareResult) error { return encode(out, r) }, nil
}

// comparedRow is a pair in a table.
type comparedRow struct {
	Pair         string   `parquet:"pair"`
	A            string   `parquet:"a"`
	B            string   `parquet:"b"`
	Measure      string   `parquet:"measure"`
	Difference   *float64 `parquet:"difference" csv:"6"`
	Lo           *float64 `parquet:"lo" csv:"6"`
	Hi           *float64 `parquet:"hi" csv:"6"`
	Ratio        *float64 `parquet:"ratio" csv:"6"`
	RatioLo      *float64 `parquet:"ratio_lo" csv:"6"`
	RatioHi      *float64 `parquet:"ratio_hi" csv:"6"`
	EffectSize   *float64 `parquet:"effect_size" csv:"3"`
	P            *float64 `parquet:"p" csv:"6"`
	Verdict      string   `parquet:"verdict"`
	Margin       *float64 `parquet:"margin" csv:"6"`
	ConfoundedBy string   `parquet:"confounded_by"`
	MoreTrials   *int     `parquet:"more_trials"`
	Unit         string   `parquet:"unit"`
	Unadjusted   *float64 `parquet:"unadjusted" csv:"6"`
	UnadjustedLo *float64 `parquet:"unadjusted_lo" csv:"6"`
	UnadjustedHi *float64 `parquet:"unadjusted_hi" csv:"6"`
	Says         string   `parquet:"says"`
}

func comparedRows(r wire.CompareResult) (rows []comparedRow) {
	for _, p := range r.Pairs {
		plain := wire.Estimate{} // empty where nothing was adjusted for
		if p.Unadjusted != nil {
			plain = *p.Unadjusted
		}
		rows = append(rows, comparedRow{
			r.Pair, p.A, p.B, r.Measure, p.Difference.Value, p.Difference.Lo, p.Difference.Hi, p.Ratio.Value, p.Ratio.Lo, p.Ratio.Hi,
			p.EffectSize.Value, p.P, p.Verdict, p.Margin, strings.Join(p.ConfoundedBy, " "), p.MoreTrials, p.Unit,
			plain.Value, plain.Lo, plain.Hi, p.Says,
		})
	}
	return rows
}
