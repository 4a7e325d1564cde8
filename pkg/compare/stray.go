package compare

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/stats"
)

// doubtNames tells of sides whose names differ in capitals or spaces alone: they may be one.
func (c *comparison) doubtNames() {
	plain := func(level string) string { return strings.ToLower(strings.Join(strings.Fields(level), "")) }
	for i, a := range c.sides {
		for _, b := range c.sides[:i] {
			if plain(a.Level) == plain(b.Level) {
				c.doubt("%q and %q are taken for two: are they one %s, written in two ways?", b.Level, a.Level, c.word(c.q.Factor))
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

// doubtTurns tells where places in the day are not known and each side stands in one piece:
// if they ran so, what the day does to all laps is in the difference.
func (c *comparison) doubtTurns() {
	side := map[int]int{}
	for i, s := range c.sides {
		for _, t := range s.Trials {
			if !math.IsNaN(t.place) {
				return
			}
			side[t.row] = i
		}
	}
	changes, before := 0, -1
	for _, row := range slices.Sorted(maps.Keys(side)) {
		if side[row] != before {
			changes, before = changes+1, side[row]
		}
	}
	if changes == len(c.sides) && len(side) > changes {
		c.doubt("places in the day are not written down (order), and the trials of each side stand together: if they ran so, a drift of the day may be the difference; take turns (a b b a) and write them down")
	}
}
