package agent

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/warthog618/go-gpiocdev"
	"golang.org/x/sys/unix"
)

// Read implements Source.
func (g *GPIO) Read(ctx context.Context, out Out) error {
	line, err := gpiocdev.RequestLine(g.Chip, g.Line, g.options(out)...)
	if err != nil {
		return g.explain(err)
	}
	<-ctx.Done()
	if err := line.Close(); err != nil {
		return fmt.Errorf("closing %s: %w", g.Describe(), err)
	}
	return nil
}

func (g *GPIO) options(out Out) []gpiocdev.LineReqOption {
	o := []gpiocdev.LineReqOption{
		gpiocdev.AsInput, gpiocdev.WithBothEdges, gpiocdev.WithConsumer("rainhill-agent"),
		gpiocdev.WithEventHandler(func(e gpiocdev.LineEvent) {
			out.Take(edgeLine(e.Type == gpiocdev.LineEventRisingEdge, e.Timestamp, look(out.Clock)))
		}),
	}
	switch g.Pull {
	case "pull-up":
		o = append(o, gpiocdev.WithPullUp)
	case "pull-down":
		o = append(o, gpiocdev.WithPullDown)
	}
	if g.ActiveLow {
		o = append(o, gpiocdev.AsActiveLow)
	}
	return o
}

// look reads all clocks.
func look(c Clock) instants {
	return instants{agentUs: c.Now(), steady: kernel(unix.CLOCK_MONOTONIC), realtime: kernel(unix.CLOCK_REALTIME)}
}

func kernel(id int32) time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(id, &ts); err != nil {
		return 0
	}
	return time.Duration(ts.Nano())
}

func (g *GPIO) explain(err error) error {
	hint := ""
	switch {
	case errors.Is(err, fs.ErrNotExist):
		hint = " (no such chip: ls /dev/gpiochip* shows those there are)"
	case errors.Is(err, fs.ErrPermission):
		hint = " (not allowed: the user must be in the group that owns the chip, often gpio)"
	case errors.Is(err, unix.EBUSY):
		hint = " (the line is in use by another program or driver)"
	}
	return fmt.Errorf("opening %s: %w%s", g.Describe(), err, hint)
}
