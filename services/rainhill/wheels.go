package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// wheels measures the wheels of a locomotive by light, slow trials of a recording, and
// writes the setup with the diameters in it when asked to.
func wheels(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	setupFile := fs.String("setup", "", "`file` with circuit, gates, locomotives and trials; a recording with decisions needs none")
	trials := fs.String("trials", "", "the light, slow trials of one locomotive, with those in which load was shifted between its sets: their `ids` with commas between")
	write := fs.String("write", "", "`file` to write the setup to, with the measured diameters in it")
	session := fs.String("session", "", "session `id`; the last one when not given")
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	switch {
	case fs.NArg() == 0:
		return fmt.Errorf("%w: which events? Give a file, or - for standard input", errUsage)
	case *trials == "":
		return fmt.Errorf("%w: which trials? --trials a,b", errUsage)
	case *write != "" && *setupFile == "":
		return fmt.Errorf("%w: --write writes the setup anew, and wants --setup", errUsage)
	}
	s, bad, err := stateOf(ctx, *setupFile, fs.Arg(0), *session, std)
	if err != nil {
		return err
	}
	checks, err := s.WheelChecks(strings.Split(*trials, ","))
	if err != nil {
		return err
	}
	b, err := json.MarshalIndent(checks, "", " ")
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(std.out, "%s\n", b); err != nil {
		return err
	}
	if err := anyWheel(checks); err != nil {
		return err
	}
	if *write != "" {
		if err := writeWheels(*setupFile, *write, checks); err != nil {
			return err
		}
	}
	if bad > 0 {
		return fmt.Errorf("%d line(s) could not be used; the rest was scored", bad)
	}
	return nil
}

// anyWheel says why when no wheel could be measured.
func anyWheel(checks []wire.WheelCheck) error {
	var why []string
	for _, c := range checks {
		if c.DiameterMm.Value != nil {
			return nil
		}
		for _, d := range c.Doubts {
			why = append(why, fmt.Sprintf("set %s: %s", c.Set, d))
		}
	}
	return fmt.Errorf("no wheel could be measured: %s", strings.Join(why, "; "))
}

// stateOf is the reducer's state at the end of a session in a file of events.
func stateOf(ctx context.Context, setupFile, events, session string, std stdio) (s *trial.State, bad int, err error) {
	file, name, err := open(events, std)
	if err != nil {
		return nil, 0, err
	}
	defer func() { _ = file.Close() }()
	return stateIn(ctx, setupFile, file, name, session, std)
}

// stateIn is the same of a stream of events; name is how it is called.
func stateIn(ctx context.Context, setupFile string, in io.Reader, name, session string, std stdio) (s *trial.State, bad int, err error) {
	s = trial.New("file")
	s.KeepAll()
	complain := func(format string, a ...any) {
		bad++
		fmt.Fprintf(std.err, format+"\n", a...)
	}
	if err := readSetup(s, setupFile, std); err != nil {
		return s, bad, err
	}
	reader := recording{s: s, name: name, complain: complain, want: session}
	if err := reader.read(ctx, in); err != nil {
		return s, bad, err
	}
	s.Finish()
	if s.Book == nil || session != "" && s.Book.Session.ID != session {
		return s, bad, fmt.Errorf("%s ends with no session %q: export that session to a file of its own", name, session)
	}
	return s, bad, nil
}

// writeWheels writes a setup with what was measured put in the place of what was stated.
func writeWheels(from, to string, checks []wire.WheelCheck) error {
	b, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	var setup wire.Setup
	if err := json.Unmarshal(b, &setup); err != nil {
		return fmt.Errorf("reading %s: %s", from, wire.JSONReason(err))
	}
	for i := range setup.Locomotives {
		setup.Locomotives[i] = calibrated(setup.Locomotives[i], checks)
	}
	if b, err = json.MarshalIndent(setup, "", " "); err != nil {
		return err
	}
	return os.WriteFile(to, append(b, '\n'), 0o644)
}

// calibrated is a locomotive with its wheels as they were measured.
func calibrated(l wire.Locomotive, checks []wire.WheelCheck) wire.Locomotive {
	for k := range l.DriverSets {
		d := &l.DriverSets[k]
		for _, c := range checks {
			if c.Set != d.ID || c.Motor != d.Motor || c.DiameterMm.Value == nil || c.DiameterMm.U == nil {
				continue
			}
			d.WheelDiameterMm, d.WheelDiameterUMm, d.Calibration = *c.DiameterMm.Value, *c.DiameterMm.U, &c.Calibration
		}
	}
	return l
}
