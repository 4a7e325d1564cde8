package agent

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// GPIO reads the changes of one line of a Linux GPIO chip, with the instant
// that the kernel's interrupt handler noted. Each change becomes a Line that
// says "enter" (line active) or "leave".
type GPIO struct {
	Chip      string
	Line      int
	Pull      string // "", "pull-up" or "pull-down"
	ActiveLow bool
}

func parseGPIO(rest string) (*GPIO, error) {
	p := strings.Split(rest, ":")
	if len(p) < 2 || p[0] == "" {
		return nil, fmt.Errorf("gpio source %q is not CHIP:LINE, for example /dev/gpiochip0:17", rest)
	}
	n, err := strconv.Atoi(p[1])
	if err != nil || n < 0 {
		return nil, fmt.Errorf("gpio source %q: %q is not a line number", rest, p[1])
	}
	g := &GPIO{Chip: p[0], Line: n}
	for _, o := range p[2:] {
		switch o {
		case "pull-up", "pull-down":
			g.Pull = o
		case "active-low":
			g.ActiveLow = true
		default:
			return nil, fmt.Errorf("gpio source %q: option %q is not pull-up, pull-down or active-low", rest, o)
		}
	}
	return g, nil
}

// Describe implements Source.
func (g *GPIO) Describe() string { return fmt.Sprintf("gpio %s line %d", g.Chip, g.Line) }

// gpioUUs is the uncertainty of a kernel timestamp of an edge, which is the
// interrupt's latency: common practice, no source.
const gpioUUs = 20

// instants is one look at all clocks at once.
type instants struct {
	agentUs  int64         // the agent's clock
	steady   time.Duration // the kernel's steady clock (CLOCK_MONOTONIC)
	realtime time.Duration // the kernel's time of day (CLOCK_REALTIME)
}

// edgeLine turns an edge into a line. The kernel stamps with its steady clock,
// and before Linux 5.7 with its time of day; the stamp of an edge just read is
// near the one that made it, and decades from the other.
func edgeLine(rising bool, stamp time.Duration, now instants) Line {
	age := now.steady - stamp
	if r := now.realtime - stamp; r.Abs() < age.Abs() {
		age = r
	}
	text := "leave"
	if rising {
		text = "enter"
	}
	return Line{text, now.agentUs - age.Microseconds(), gpioUUs}
}
