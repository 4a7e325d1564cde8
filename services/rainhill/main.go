// Command rainhill is the timing service and its offline commands. It answers
// "what is asked for on the command line?"; the parts it runs are packages of
// their own.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"sync"
	"syscall"
)

// Exit codes, as the contract has them.
const (
	exitOK    = 0
	exitBad   = 1 // bad data, or something failed
	exitUsage = 2
)

// errUsage marks a mistake on the command line.
var errUsage = errors.New("usage")

type command struct {
	name, args, does string
	run              func(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error
}

type stdio struct {
	in       io.Reader
	out, err io.Writer
}

// inTurn lets a command and the telling of how far it is write to one place, one
// after the other. A file needs none.
type inTurn struct {
	mu sync.Mutex
	w  io.Writer
}

func (t *inTurn) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.w.Write(b)
}

func commands() []command {
	return []command{
		{"demo", "[--meet] [--scenario FILE|NAME] [--seed N]", "a simulated railway, in a data folder of its own", demo},
		{"serve", "[--data DIR] [--site ID] [--listen HOST] ...", "the timing service", serve},
		{"score", "[--setup setup.json] [--csv TABLE] [--session ID] events.jsonl", "score a recording with the same code as live", score},
		{"compare", "--factor COLUMN [--pairs COLUMN] [--block COLUMN] [--margin N | --margin-percent N] [--covariate COLUMN]... [--a LEVEL --b LEVEL] [--csv] [--svg FILE] [--sheet FILE] laps.csv...", "which is faster, by how much, and how sure is that? Fairness first", compareLaps},
		{"curve", "--setup setup.json [--motor ID] [--trials A,B] [--write FILE] [--csv] events.jsonl", "motors' curves from the throttle sweeps of a recording", curve},
		{"predict", "--setup setup.json [--locomotive ID] [--consist ID] [--trial ID] [--events events.jsonl] [--change PATH=VALUE]... ...", "what a train should do: speed, lap time, pull, what limits, and what a change would change", predict},
		{"pull", "[--csv] [--svg FILE] [--sheet FILE] [--scale-resolution-g N] [--mass-u-g N] [--step-g N] [--rolling-permille N] pulls.csv", "what pull tests show: load limits, adhesion, what limits, the load to try next, static against moving", pull},
		{"pairing", "--setup setup.json [--locomotive ID] [--motors A,B] [--gears N,M] [--csv]", "how far every two motors would run apart", pairing},
		{"wheels", "[--setup setup.json] --trials ID,ID [--write setup.json] [--session ID] events.jsonl", "measure wheel diameters by light, slow trials", wheels},
		{"coast", "[--setup setup.json] [--consist ID] [--rotating X] [--mass-g N] [--csv] [--svg FILE] [--sheet FILE] coast.csv | events.jsonl", "the resistance of cars from how they slow, coasting past known places", coast},
		{"truth", "[--csv] [--laps] DIR...", "score simulated runs, and hold the scores against what really happened", compareTruth},
		{"simulate", "--scenario FILE|NAME [--seed N] --out DIR | --list", "write a simulated run, and what really happened in it", simulate},
		{"record", "[--data DIR] [--url URL] [-o FILE]", "write a session down as it happens, until it closes", record},
		{"export", "[--data DIR] [--session ID] [-o FILE]", "write a session as JSON Lines", export},
		{"replay", "--url nats://HOST:PORT | --listen HOST:PORT [--rate N] [FILE | --data DIR [--session ID]]", "say a session again on a bus, for other programs to hear", replaySession},
		{"import", "[--data DIR] [--site ID] FILE", "take a session file in as a site of its own", importFile},
		{"verify", "[--data DIR] [--site ID] [FILE]", "walk the hash chain of a journal or a session file, and score what was signed again", verify},
		{"rebuild", "[--data DIR] [--site ID]", "make the store anew from the journal, and compare", rebuild},
		{"agent", "add --agent ID [--gate ID]... [--motor ID]... [--cell ID]...", "give a sensor agent a credential for the bus", agent},
		{"key", "[--data DIR]", "make a new official's key in place of the old", newKey},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // a second Ctrl-C ends even what waits for a keyboard
	os.Exit(run(ctx, os.Args[1:], stdio{os.Stdin, os.Stdout, os.Stderr}))
}

// run carries a command line out and returns the exit code.
func run(ctx context.Context, args []string, std stdio) int {
	if _, file := std.err.(*os.File); !file {
		std.err = &inTurn{w: std.err}
	}
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(std.out)
		if len(args) == 0 {
			return exitUsage
		}
		return exitOK
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		fs := flag.NewFlagSet(c.name, flag.ContinueOnError)
		fs.SetOutput(std.err)
		fs.Usage = func() {
			fmt.Fprintf(std.err, "rainhill %s %s\n%s\n\n", c.name, c.args, c.does)
			fs.PrintDefaults()
		}
		return code(c.run(ctx, fs, args[1:], std), std.err)
	}
	fmt.Fprintf(std.err, "rainhill: there is no command %q\n\n", args[0])
	usage(std.err)
	return exitUsage
}

func code(err error, w io.Writer) int {
	switch {
	case err == nil || errors.Is(err, flag.ErrHelp):
		return exitOK
	case errors.Is(err, errUsage):
		fmt.Fprintln(w, "rainhill:", err)
		return exitUsage
	}
	if errors.Is(err, context.Canceled) {
		fmt.Fprint(w, "rainhill: cancelled: ")
	} else {
		fmt.Fprint(w, "rainhill: ")
	}
	fmt.Fprintln(w, err)
	return exitBad
}

func usage(w io.Writer) {
	fmt.Fprint(w, "rainhill: timing for model locomotives\n\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-8s %s\n           %s\n", c.name, c.args, c.does)
	}
	fmt.Fprint(w, "\nrainhill COMMAND -h tells a command's options. Exit codes: 0 done, 1 bad data or failure, 2 bad usage.\n")
}

// parse reads flags, before and behind other arguments, of which there may be
// most. A mistake is a usage error that flag has already told.
func parse(fs *flag.FlagSet, args []string, most int) error {
	others := []string{"--"}
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return err
			}
			return fmt.Errorf("%w: %v", errUsage, err)
		}
		if fs.NArg() == 0 {
			break
		}
		others, args = append(others, fs.Arg(0)), fs.Args()[1:]
	}
	if err := fs.Parse(others); err != nil {
		return fmt.Errorf("%w: %v", errUsage, err)
	}
	if fs.NArg() > most {
		return fmt.Errorf("%w: %q is one argument too many", errUsage, fs.Arg(most))
	}
	return nil
}

// dataFolder is where a user's own data lies when --data does not say.
func dataFolder() string {
	if d := os.Getenv("RAINHILL_DATA"); d != "" {
		return d
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "rainhill-data"
	}
	switch runtime.GOOS {
	case "windows":
		if d := os.Getenv("LOCALAPPDATA"); d != "" {
			return filepath.Join(d, "Rainhill")
		}
	case "darwin":
		return filepath.Join(home, "Library", "Application Support", "Rainhill")
	}
	if d := os.Getenv("XDG_DATA_HOME"); d != "" {
		return filepath.Join(d, "rainhill")
	}
	return filepath.Join(home, ".local", "share", "rainhill")
}

func dataFlag(fs *flag.FlagSet) *string {
	return fs.String("data", dataFolder(), "data `folder`")
}

func siteFlag(fs *flag.FlagSet, value string) *string {
	return fs.String("site", value, "site `id`: the circuit this journal is of")
}

// defaultSite is the site when none is named.
const defaultSite = "line"
