package compare

import (
	"fmt"
	"strings"

	"rainhill/pkg/stats"
)

// doubtNames tells of sides whose names differ in capitals or spaces alone: they may be one.
func (c *comparison) doubtNames() {
	plain := func(level string) string { return strings.ToLower(strings.Join(strings.Fields(level), "")) }
	for i, a := range c.sides {
		for _, b := range c.sides[:i] {
			if plain(a.Level) == plain(b.Level) {
				c.doubt("%q and %q are taken for two: are they one %s, written in two ways?", b.Level, a.Level, c.q.Factor)
			}
		}
	}
}

// strayTimes is how many times the median of its side's laps, or what part of it, a lap
// must be to be told of: common practice, no source; a lap timed over a crossing missed is
// twice the median, one in another unit a thousand times.
const strayTimes = 10

// doubtStrays tells of laps far from all others of their side. They are compared all the
// same: to leave laps out for what they came to would be to choose the result.
func (c *comparison) doubtStrays() {
	for _, s := range c.sides {
		var all []float64
		for _, t := range s.Trials {
			all = append(all, t.Laps...)
		}
		middle, count, first := stats.Median(all), 0, ""
		for _, t := range s.Trials {
			for i, y := range t.Laps {
				if y <= strayTimes*middle && y >= middle/strayTimes {
					continue
				}
				if count++; count == 1 {
					first = fmt.Sprintf("lap %g of trial %s, %s %s", t.number(i), t.Name, show(y), c.q.Unit)
				}
			}
		}
		if count > 0 {
			c.doubt("%d lap(s) of %s lie more than %d times above or below its median of %s %s (first: %s): are they laps, and in that unit? They are compared as they stand", count, s.Level, strayTimes, show(middle), c.q.Unit, first)
		}
	}
}
