package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// simulatedFromUs is when every simulated run begins, so that the same seed
// gives the same bytes.
const simulatedFromUs = 1_790_000_000_000_000

// Names of the files of a simulated run.
const (
	setupFile  = "setup.json"
	eventsFile = "events.jsonl"
	truthFile  = "truth.json"
)

// simulate writes what sensors would say of a scenario, and what really happened.
func simulate(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	name := fs.String("scenario", "", "`file` or name of a scenario")
	seed := fs.Int64("seed", 1, "`number` that all chance is drawn from")
	out := fs.String("out", "", "`folder` to write setup.json, events.jsonl and truth.json into")
	list := fs.Bool("list", false, "list the scenarios that are built in")
	show := fs.Bool("show", false, "print the text of a scenario that is built in, to copy and change")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	switch {
	case *list:
		return listScenarios(std)
	case *name == "":
		return fmt.Errorf("%w: which scenario? Give --scenario, or --list to see them", errUsage)
	case *show:
		text, err := sim.Text(*name)
		if err == nil {
			_, err = std.out.Write(text)
		}
		return err
	case *out == "":
		return fmt.Errorf("%w: where to? Give --out", errUsage)
	}
	s, err := scenario(*name)
	if err != nil {
		return err
	}
	return writeRun(ctx, s, *seed, *out)
}

func listScenarios(std stdio) error {
	for _, n := range sim.Names() {
		s, err := sim.Load(n)
		if err != nil {
			return err
		}
		fmt.Fprintf(std.out, "%-14s %s\n", n, s.About)
	}
	return nil
}

// scenario is one that is built in, or read from a file.
func scenario(name string) (sim.Scenario, error) {
	if slices.Contains(sim.Names(), name) {
		return sim.Load(name)
	}
	text, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) && !strings.ContainsAny(name, `/\.`) {
		return sim.Load(name) // says which there are
	}
	if err != nil {
		return sim.Scenario{}, fmt.Errorf("reading a scenario: %w", err)
	}
	return sim.Read(name, text)
}

// writeRun plays a scenario into the files of a run. Events go to the file as they
// come, and a run that is broken off leaves no truth.json.
func writeRun(ctx context.Context, s sim.Scenario, seed int64, dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("making the run's folder: %w", err)
	}
	if err := os.Remove(filepath.Join(dir, truthFile)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	f, err := os.Create(filepath.Join(dir, eventsFile))
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	enc := json.NewEncoder(w)
	setup, truth, err := sim.Simulate(s, seed, simulatedFromUs, func(e wire.Event) error {
		return errors.Join(ctx.Err(), enc.Encode(e))
	})
	if err := errors.Join(err, w.Flush(), f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", f.Name(), err)
	}
	return errors.Join(writeJSON(filepath.Join(dir, setupFile), setup), writeJSON(filepath.Join(dir, truthFile), truth))
}

func writeJSON(path string, v any) error {
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(b, '\n'), 0o644)
}
