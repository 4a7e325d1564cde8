package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/coasting"
)

// coast tells the resistance of cars from the instants at which they coasted past known
// places: of a table, or of a recording whose trials say so.
func coast(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	setupFile := fs.String("setup", "", "`file` with the circuit, for where curves are and how long the lap is, and the consists, for masses and lengths")
	consist := fs.String("consist", "", "consist `id`: of a table without that column, whose runs they are; of others, the only one that counts")
	rotating := fs.Float64("rotating", 0, "effective mass over mass, for what turns with the wheels; 1 when not given")
	mass := fs.Float64("mass-g", 0, "mass of what coasted; that of the consist's cars when not given")
	length := fs.Float64("length-mm", -1, "length of what coasted, for how much of it is on curves; that of the consist's cars, or the front alone, when not given")
	place := fs.Float64("place-u-mm", 0, "standard uncertainty of each gate's place; 0 takes places as exact, and says what that is worth")
	session := fs.String("session", "", "session `id` of a recording; the last one when not given")
	table := fs.Bool("csv", false, "print a table, a row a consist, instead of JSON")
	onPaper := paperFlags(fs)
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	if err := onPaper.check(); err != nil {
		return err
	}
	switch {
	case fs.NArg() == 0:
		return fmt.Errorf("%w: which instants? Give a table or a recording, or - for standard input", errUsage)
	case *rotating != 0 && !(*rotating >= 1 && *rotating <= 10):
		return fmt.Errorf("%w: --rotating %g, want the effective mass over the mass: 1 to 10", errUsage, *rotating)
	case *mass < 0:
		return fmt.Errorf("%w: --mass-g %g, want more than 0", errUsage, *mass)
	case !(*place >= 0 && *place <= 1000):
		return fmt.Errorf("%w: --place-u-mm %g, want 0 to 1000", errUsage, *place)
	case *setupFile == "-" && fs.Arg(0) == "-":
		return fmt.Errorf("%w: standard input is either the setup or the instants", errUsage)
	}
	onPaper.files = fs.Args()
	stock := coasting.Stock{Rotating: *rotating, PlaceUMm: *place}
	if *mass > 0 {
		stock.MassG = mass
	}
	if *length >= 0 {
		stock.LengthMm = length
	}
	outings, notes, name, bad, err := outingsOf(ctx, *setupFile, fs.Arg(0), *session, &stock, std)
	if err != nil {
		return err
	}
	if outings, err = ofConsist(outings, *consist); err != nil {
		return err
	}
	res, complaints, err := stock.Answer(outings)
	bad += complain(std.err, name, complaints)
	if err != nil {
		return fmt.Errorf("coasting, %s: %w", name, err)
	}
	res.Doubts = withNotes(std.err, name, notes, res.Doubts, *table)
	if err := printCoast(std.out, res, *table); err != nil {
		return err
	}
	if err := onPaper.coast(res); err != nil {
		return err
	}
	if bad > 0 {
		return fmt.Errorf("%d row(s), line(s) or column(s) could not be used; the rest was", bad)
	}
	return nil
}

// outingsOf reads a table, or a recording: that begins with a brace. Lines that cannot be
// used are told of and counted in bad; notes are what was left or taken for granted, and name
// is what the file is called there.
func outingsOf(ctx context.Context, setupFile, path, session string, stock *coasting.Stock, std stdio) (outings []coasting.Outing, notes []string, name string, bad int, err error) {
	file, name, err := open(path, std)
	if err != nil {
		return nil, nil, path, 0, err
	}
	defer func() { _ = file.Close() }()
	in := bufio.NewReader(file)
	if first, _ := in.Peek(1); string(first) == "{" {
		var s *trial.State
		s, bad, err = stateIn(ctx, setupFile, in, name, session, std)
		if err != nil {
			return nil, nil, name, bad, err
		}
		stock.Circuit = s.Book.Circuit.Circuit
		for _, c := range s.Book.Consists {
			stock.Consists = append(stock.Consists, c)
		}
		if outings = coasting.OfTrials(s, nil); len(outings) == 0 {
			err = fmt.Errorf("%s: no trial has the condition coast: yes", name)
		}
		return outings, notes, name, bad, err
	}
	text, err := io.ReadAll(in)
	if err != nil {
		return nil, nil, name, 0, fmt.Errorf("reading %s: %w", name, err)
	}
	var setup wire.Setup
	if setupFile != "" {
		if setup, err = loadSetup(setupFile, std); err != nil {
			return nil, nil, name, 0, err
		}
		stock.Circuit, stock.Consists = setup.Circuit, setup.Consists
	}
	outings, notes, complaints := coasting.ReadTable(string(text), setup.Gates)
	if bad = complain(std.err, name, complaints); len(outings) == 0 {
		err = fmt.Errorf("%s holds no run", name)
	}
	return outings, notes, name, bad, err
}

// ofConsist keeps the outings of a consist. Those that name none are of it.
func ofConsist(all []coasting.Outing, id string) ([]coasting.Outing, error) {
	if id == "" {
		return all, nil
	}
	var out []coasting.Outing
	var others []string
	for _, o := range all {
		switch {
		case o.Consist == "":
			o.Consist = id
			out = append(out, o)
		case o.Consist == id:
			out = append(out, o)
		case !slices.Contains(others, o.Consist):
			others = append(others, o.Consist)
		}
	}
	if len(out) == 0 && len(all) > 0 {
		return nil, fmt.Errorf("no run is of consist %q: they are of %s", id, strings.Join(others, ", "))
	}
	return out, nil
}

// coastRow is a consist's terms in a table.
type coastRow struct {
	Consist    string   `parquet:"consist"`
	Runs       int      `parquet:"runs"`
	Instants   int      `parquet:"instants"`
	A          *float64 `parquet:"a_m_s2"`
	ALo        *float64 `parquet:"a_lo_m_s2"`
	AHi        *float64 `parquet:"a_hi_m_s2"`
	B          *float64 `parquet:"b_per_s"`
	BLo        *float64 `parquet:"b_lo_per_s"`
	BHi        *float64 `parquet:"b_hi_per_s"`
	C          *float64 `parquet:"c_per_m"`
	CLo        *float64 `parquet:"c_lo_per_m"`
	CHi        *float64 `parquet:"c_hi_per_m"`
	Curve      *float64 `parquet:"curve_m_s2"`
	CurveLo    *float64 `parquet:"curve_lo_m_s2"`
	CurveHi    *float64 `parquet:"curve_hi_m_s2"`
	Rotating   float64  `parquet:"rotating"`
	ScatterS   *float64 `parquet:"scatter_s"`
	ChiDF      *float64 `parquet:"chi2_df"`
	LeftBehind int      `parquet:"left"`
}

func printCoast(w io.Writer, res wire.CoastResult, table bool) error {
	var rows []coastRow
	for _, c := range res.Consists {
		rows = append(rows, coastRow{
			c.Consist, c.Runs, c.Instants, c.A.Value, c.A.Lo, c.A.Hi, c.B.Value, c.B.Lo, c.B.Hi, c.C.Value, c.C.Lo, c.C.Hi,
			c.Curve.Value, c.Curve.Lo, c.Curve.Hi, c.Rotating, c.ScatterS, c.ChiDF, len(c.RunList) - c.Runs,
		})
	}
	return printed(w, res, table, rows)
}
