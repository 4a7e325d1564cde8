package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// score runs the reducer over a recording. With --setup the recording's own
// decisions, if any, come after the setup's.
func score(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	setupFile := fs.String("setup", "", "`file` with circuit, gates, locomotives and trials; a recording with decisions needs none")
	table := fs.String("csv", "", "print a `table` instead of JSON: laps, sectors, trials or standings")
	session := fs.String("session", "", "session `id`; the last one when not given")
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	if _, known := csvTables[*table]; *table != "" && !known {
		return fmt.Errorf("%w: --csv %q, want laps, sectors, trials or standings", errUsage, *table)
	}
	if fs.NArg() == 0 {
		return fmt.Errorf("%w: which events? Give a file, or - for standard input", errUsage)
	}
	res, bad, err := scoreFile(ctx, *setupFile, fs.Arg(0), *session, std)
	if err != nil {
		return err
	}
	if res.Session == nil {
		fmt.Fprintln(std.err, "rainhill: there is no session in the recording; give its setup with --setup")
		bad++
	}
	if err := printResults(std.out, res, *table); err != nil {
		return err
	}
	if bad > 0 {
		return fmt.Errorf("%d line(s) could not be used; the rest was scored", bad)
	}
	return nil
}

// scoreFile scores the events of a file, with those of a setup file before them
// when there is one. Lines that cannot be used are told of and counted in bad.
func scoreFile(ctx context.Context, setupFile, events, session string, std stdio) (res wire.Results, bad int, err error) {
	return scoreWith(ctx, setupFile, events, session, std, nil)
}

// scoreWith is scoreFile that shows each event, after it was scored, to each.
func scoreWith(ctx context.Context, setupFile, events, session string, std stdio, each func(*trial.State, wire.Event)) (res wire.Results, bad int, err error) {
	s := trial.New("file")
	s.KeepAll()
	complain := func(format string, a ...any) {
		bad++
		fmt.Fprintf(std.err, format+"\n", a...)
	}
	if err := readSetup(s, setupFile, std); err != nil {
		return res, bad, err
	}
	file, name, err := open(events, std)
	if err != nil {
		return res, bad, err
	}
	defer func() { _ = file.Close() }()
	m := begin(std, "scoring, bytes", sizeOf(file))
	defer m.end()
	in := metered{file, ctx, m}
	reader := recording{s: s, name: name, complain: complain, want: session, each: each}
	if err := reader.read(ctx, in); err != nil {
		return res, bad, err
	}
	s.Finish()
	if reader.want != "" && reader.kept == nil && (s.Book == nil || s.Book.Session.ID != reader.want) {
		return res, bad, fmt.Errorf("%s holds no session %q", name, reader.want)
	}
	res = s.Results()
	if reader.kept != nil && (s.Book == nil || s.Book.Session.ID != reader.want) {
		res = *reader.kept
	}
	res.Site = reader.site
	return res, bad, nil
}

// csvTables are what --csv prints, by name.
var csvTables = map[string]func(io.Writer, wire.Results) error{
	"laps":      wire.WriteLapsCSV,
	"sectors":   func(w io.Writer, r wire.Results) error { return wire.WriteCSV(w, wire.SectorRows(r)) },
	"trials":    func(w io.Writer, r wire.Results) error { return wire.WriteCSV(w, wire.TrialRows(r)) },
	"standings": func(w io.Writer, r wire.Results) error { return wire.WriteCSV(w, wire.StandingRows(r)) },
}

func printResults(w io.Writer, res wire.Results, table string) error {
	out := bufio.NewWriter(w)
	if write := csvTables[table]; write != nil {
		return errors.Join(write(out, res), out.Flush())
	}
	b, err := trial.Encode(res)
	if err != nil {
		return err
	}
	_, err = out.Write(b)
	return errors.Join(err, out.Flush())
}

// open opens a file, or standard input for "-".
func open(path string, std stdio) (io.ReadCloser, string, error) {
	if path == "-" {
		return io.NopCloser(std.in), "standard input", nil
	}
	f, err := os.Open(path)
	return f, path, err
}

func readSetup(s *trial.State, path string, std stdio) error {
	if path == "" {
		return nil
	}
	f, name, err := open(path, std)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	var setup wire.Setup
	if err := json.NewDecoder(f).Decode(&setup); err != nil {
		return fmt.Errorf("reading %s: %s", name, wire.JSONReason(err))
	}
	if err := setup.Check(); err != nil {
		return fmt.Errorf("reading %s: %s", name, reasonOf(err))
	}
	for _, e := range trial.FromSetup(setup, "recording", openedUs(setup)) {
		if err := s.Check(e); err != nil {
			return fmt.Errorf("reading %s: %w", name, err)
		}
		s.Step(e)
	}
	return nil
}

// openedUs is when the first trial of a setup begins. A trial without a
// beginning has run from the start.
func openedUs(setup wire.Setup) int64 {
	first := int64(math.MaxInt64)
	for _, t := range setup.Trials {
		first = min(first, t.FromUs)
	}
	if first == math.MaxInt64 || first == 0 {
		return 1
	}
	return first
}

// recording reads facts into a state. Of several sessions it keeps the results
// of the one that is wanted.
type recording struct {
	s        *trial.State
	name     string
	complain func(format string, a ...any)
	want     string
	site     string
	kept     *wire.Results
	each     func(*trial.State, wire.Event)
}

func (r *recording) read(ctx context.Context, in io.Reader) error {
	return journal.EachLine(in, func(n int, line []byte) error {
		e, err := wire.Decode(line)
		if err != nil {
			var h journal.Header
			if json.Unmarshal(line, &h) == nil && h.Kind == journal.KindFile {
				r.site = h.Site
				return nil
			}
			r.complain("%s:%d: %v", r.name, n, err)
			return nil
		}
		if e.Kind == wire.KindDecision {
			if err := r.s.Check(e); err != nil && !errors.Is(err, trial.ErrElsewhere) {
				r.complain("%s:%d: decision %s: %v", r.name, n, e.ID, err)
			}
		}
		if c := r.s.Step(e); c.Closed != "" && c.Closed == r.want {
			res := r.s.Results()
			r.kept = &res
		}
		if r.each != nil {
			r.each(r.s, e)
		}
		if n%4096 == 0 {
			return ctx.Err()
		}
		return nil
	})
}
