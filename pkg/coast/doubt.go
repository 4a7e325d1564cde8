package coast

import (
	"fmt"
	"math"
)

// units of the terms.
var units = [terms]string{"m/s2", "1/s", "1/m", "m/s2"}

// Beyond these no model rolls, or slows (common practice, no source): a thousandth of the
// time, or a thousand times the way, was taken for the truth.
const (
	mostMS    = 20.0
	leastMS   = 0.01
	gravityMS = 9.80665 // standard gravity (3rd CGPM 1901)
)

// doubtUnits doubts speeds and slowing that nothing on a model's rails comes to.
func doubtUnits(res *Resistance, say func(string, ...any)) {
	_, most := res.Speeds()
	if slowing := max(at(res.best, 0), at(res.best, most)); slowing > gravityMS {
		say("it would slow by %.0f m/s2, more than anything that falls gains: are the places, and the instants, in the units that their headings say?", slowing)
	} else if most > mostMS {
		say("it would run at %.0f m/s: are the places, and the instants, in the units that their headings say?", most)
	} else if most < leastMS {
		say("it would never be faster than %.2g mm/s: are the places, and the instants, in the units that their headings say?", 1000*most)
	}
}

// doubt says what speaks against the terms, and what would tell more.
func (f *fit) doubt(res *Resistance) {
	say := func(format string, a ...any) { res.Doubts = append(res.Doubts, fmt.Sprintf(format, a...)) }
	doubtUnits(res, say)
	for j, x := range res.Terms {
		if x.Lo <= 0 && !res.Held[j] {
			say("%s cannot be told from 0: it is %.2g %s at most (95 %% interval)", Names[j], x.Hi, units[j])
		}
	}
	if math.IsNaN(res.scale) {
		say("as many figures are sought as there are instants, so nothing shows how the instants scatter: there are no intervals; more gates or runs would give them, or u_s stated")
	}
	if part := math.Sqrt(res.ChiDF); f.stated && res.scale != 1 {
		text := "are the places of the gates right?"
		if part < 1 {
			text = "is a u_s what they can be off by at most, in place of a standard uncertainty?"
		}
		say("the instants scatter %.2g times as much as was stated for them, and the intervals go by the scatter: %s", part, text)
	}
	if lo, hi := res.Speeds(); hi < 1.5*lo {
		say("the speeds lie between %.0f and %.0f mm/s only: that tells the resistance there, and little of how it grows with speed", 1000*lo, 1000*hi)
	}
	for _, c := range f.courses {
		for i, x := range c.left() {
			if c.w[i] == 0 {
				say("run %s: the instant at %.0f mm lies %.3g s from the others and is left: was it the front's?", c.run.ID, 1000*c.run.Instants[i].AtM, math.Abs(x))
			}
		}
	}
	f.doubtSlope(say)
}

// doubtSlope says that a slope of the track would pass for resistance where no run went
// round a whole lap, or the other way.
func (f *fit) doubtSlope(say func(string, ...any)) {
	forth, back := false, false
	for _, c := range f.courses {
		x := c.run.Instants
		if c.wayM() >= f.track.LapM && f.track.LapM > 0 {
			return
		}
		forth, back = forth || x[len(x)-1].AtM > x[0].AtM, back || x[len(x)-1].AtM < x[0].AtM
	}
	if forth && back {
		return
	}
	say("all runs went the same way and none round a whole lap: a slope of 1 mm in 1 m counts as 0.0098 m/s2 of a; runs the other way would tell")
}
