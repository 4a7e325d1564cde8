// Command rainhill-agent runs one agent on the machine that has the wires: it
// reads lines from standard input, a serial line or a GPIO line and sends what
// they report to the Rainhill service, keeping it until the journal has it.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"

	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
)

// version is set when a release is built.
var version = "dev"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second Ctrl-C ends it at once; the spool bears that
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// Exit codes: all well; something failed or was not delivered; wrong usage.
const (
	exitOK    = 0
	exitFail  = 1
	exitUsage = 2
)

const exitHelp = `
Ctrl-C stops it. Exit codes: 0 all delivered, or stopped; 1 the input or the
spool failed, or the input ended and not everything could be delivered in 10 s
(it is kept, and goes out at the next start); 2 wrong usage.
`

// kind is one row of the table of agents.
type kind struct {
	name  string
	about string
	// sensor registers the kind's own flags and gives a function that puts its
	// sensor into the configuration once they are parsed.
	sensor func(*flag.FlagSet) func(c *agent.Config, stdout io.Writer) error
	help   string
}

var kinds = []kind{
	{"gate", "crossings of a gate: beam, reed switch, contact", gateSensor, gateHelp},
	{"motor", "readings of motors: encoder, throttle, current, voltage; and driving them", motorSensor, motorHelp},
}

// run is the whole program but for the process's own things.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		usage(stderr)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "--help", "-help":
		usage(stdout)
		return exitOK
	case "version", "--version", "-version":
		fmt.Fprintln(stdout, "rainhill-agent", version)
		return exitOK
	}
	i := slices.IndexFunc(kinds, func(k kind) bool { return k.name == args[0] })
	if i < 0 {
		fmt.Fprintf(stderr, "rainhill-agent: %q is not a kind of agent\n\n", args[0])
		usage(stderr)
		return exitUsage
	}
	return runKind(ctx, kinds[i], args[1:], stdin, stdout, stderr)
}

func usage(w io.Writer) {
	fmt.Fprint(w, "rainhill-agent reads a sensor and sends what it reports to the Rainhill service.\n\nUsage: rainhill-agent KIND --agent ID ...\n\n")
	for _, k := range kinds {
		fmt.Fprintf(w, "  %-8s %s\n", k.name, k.about)
	}
	fmt.Fprint(w, "\nrainhill-agent KIND --help tells what a line of input may be, with examples; --version prints the version.\n", exitHelp)
}

func runKind(ctx context.Context, k kind, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet(k.name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	common := commonFlags(fs)
	own := k.sensor(fs)
	tellVersion := fs.Bool("version", false, "print the version and exit")
	err := fs.Parse(args)
	if err == nil && *tellVersion {
		return run(ctx, []string{"version"}, stdin, stdout, stderr)
	}
	if errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(stdout, k.help, "\nFlags:\n")
		fs.SetOutput(stdout)
		fs.PrintDefaults()
		fmt.Fprint(stdout, exitHelp)
		return exitOK
	}
	if err == nil && fs.NArg() > 0 {
		err = fmt.Errorf("%q is one word too many; flags begin with --", fs.Arg(0))
	}
	var c agent.Config
	if err == nil {
		c, err = common.config(stdin, stderr)
	}
	if err == nil {
		err = own(&c, stdout)
	}
	if err != nil {
		fmt.Fprintf(stderr, "rainhill-agent %s: %v (rainhill-agent %s --help)\n", k.name, err, k.name)
		return exitUsage
	}
	if err := agent.Run(ctx, c); err != nil {
		fmt.Fprintf(stderr, "rainhill-agent %s: %v\n", k.name, err)
		return exitFail
	}
	return exitOK
}

// common are the flags of every kind.
type common struct {
	agent, site, server, passwordFile, source, spool string
	spoolMB                                          int64
}

func commonFlags(fs *flag.FlagSet) *common {
	c := &common{}
	fs.StringVar(&c.agent, "agent", "", "`ID` to sign in with (needed)")
	fs.StringVar(&c.site, "site", "", "`ID` of the site; needed with --server, else the service tells it")
	fs.StringVar(&c.server, "server", "", "`ADDRESS` of the service, nats://HOST:4137; if empty it is looked for by mDNS (_rainhill._tcp)")
	fs.StringVar(&c.passwordFile, "password-file", "", "`FILE` that holds the agent's password (or set RAINHILL_PASSWORD)")
	fs.StringVar(&c.source, "source", "-", "where lines come from: -, serial:DEVICE@BAUD or gpio:CHIP:LINE[:pull-up|:pull-down][:active-low]")
	fs.StringVar(&c.spool, "spool", "", "`FOLDER` where undelivered events are kept, one for each agent; if empty one of the user's own")
	fs.Int64Var(&c.spoolMB, "spool-max-mb", 64, "bound of that folder in `MB`; the oldest events go when it is full")
	return c
}

func (c *common) config(stdin io.Reader, stderr io.Writer) (agent.Config, error) {
	out := agent.Config{
		Agent: c.agent, Site: c.site, Server: c.server, SpoolDir: c.spool, SpoolBytes: c.spoolMB << 20,
		Version: "rainhill-agent " + version, Log: stderr,
	}
	switch {
	case c.agent == "":
		return out, errors.New("--agent is missing")
	case !wire.ValidID(c.agent):
		return out, fmt.Errorf("--agent %q is not an id ([a-z0-9][a-z0-9-]{0,31})", c.agent)
	case c.site != "" && !wire.ValidID(c.site):
		return out, fmt.Errorf("--site %q is not an id ([a-z0-9][a-z0-9-]{0,31})", c.site)
	case c.server != "" && c.site == "":
		return out, errors.New("--server is given but --site is missing")
	}
	if c.spoolMB <= 0 {
		return out, fmt.Errorf("--spool-max-mb %d must be at least 1", c.spoolMB)
	}
	var err error
	if out.Server, err = address(c.server); err != nil {
		return out, err
	}
	if out.Password, err = password(c.passwordFile); err != nil {
		return out, err
	}
	if out.SpoolDir == "" {
		if out.SpoolDir, err = defaultSpool(c.agent); err != nil {
			return out, err
		}
	}
	out.Source, err = agent.ParseSource(c.source, stdin)
	return out, err
}

// address completes what --server says: HOST, HOST:PORT and nats://HOST are
// good enough.
func address(s string) (string, error) {
	if s == "" {
		return "", nil
	}
	if !strings.Contains(s, "://") {
		s = "nats://" + s
	}
	u, err := url.Parse(s)
	if err != nil || u.Hostname() == "" || u.Path != "" && u.Path != "/" {
		return "", fmt.Errorf("--server %q is not nats://HOST:PORT", s)
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), servicePort)
	}
	return u.String(), nil
}

// servicePort is where the service takes agents unless it is told otherwise.
const servicePort = "4137"

// password comes from a file or the environment, never from the command line,
// which every user of the machine can read.
func password(file string) (string, error) {
	if file == "" {
		if p := os.Getenv("RAINHILL_PASSWORD"); p != "" {
			return p, nil
		}
		return "", errors.New("a password is needed: --password-file FILE or RAINHILL_PASSWORD")
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("reading the password: %w", err)
	}
	p := strings.TrimSpace(string(b))
	if p == "" {
		return "", fmt.Errorf("reading the password: %s is empty", file)
	}
	return p, nil
}

// defaultSpool is the service manager's state folder or the user's own.
func defaultSpool(id string) (string, error) {
	for _, d := range []string{os.Getenv("STATE_DIRECTORY"), os.Getenv("XDG_STATE_HOME")} {
		if d != "" {
			return filepath.Join(d, "rainhill-agent", id), nil
		}
	}
	if home, err := os.UserHomeDir(); err == nil && runtime.GOOS == "linux" {
		return filepath.Join(home, ".local", "state", "rainhill-agent", id), nil
	}
	d, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("finding a folder for the spool: %w; name one with --spool", err)
	}
	return filepath.Join(d, "rainhill-agent", id), nil
}
