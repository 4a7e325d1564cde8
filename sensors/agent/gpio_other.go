//go:build !linux

package agent

import (
	"context"
	"fmt"
	"runtime"
)

// Read implements Source: only Linux has GPIO character devices.
func (g *GPIO) Read(context.Context, Out) error {
	return fmt.Errorf("opening %s: GPIO lines can be read on Linux only, not on %s; use a serial line, MQTT or standard input", g.Describe(), runtime.GOOS)
}
