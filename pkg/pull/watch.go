package pull

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// Reading is what a sensor read at an instant, in bus time.
type Reading struct {
	AtUs  int64
	Value float64
}

// Watched is what was read while somebody let a locomotive pull, FromUs to UntilUs with
// the throttle open. Any list may be empty. Sets are the wheel surface speeds of each
// driver set in mm/s, Force the load cell's in mN, Ground the train's place in mm by a
// measuring wheel that reports standing too, Gates its place at the gates that it passed.
type Watched struct {
	FromUs, UntilUs int64
	Sets            [][]Reading
	Force           []Reading
	Ground          []Reading
	Gates           []Reading
}

// Seen is what a locomotive seems to have done. Nothing here is taken down before an official
// has agreed. Known is false where the readings do not tell an outcome; Says are the grounds
// for it, Doubts what speaks against. Wheels is "turned" or "stopped" while the train
// stood, or nothing. PullG is the mean force while it moved or, of a train that stalled,
// the greatest that was held for a fifth of a second; SpeedMmS the mean speed while it
// moved. Both are NaN where nothing read them.
type Seen struct {
	Outcome         Outcome
	Known           bool
	Wheels          string
	PullG, SpeedMmS float64
	Says, Doubts    []string
}

// When a train is taken to stand, to spin, to struggle. Common practice, no source: they
// are what a watcher would call so.
const (
	standMmS   = 3.0       // slower than this it stands
	standUs    = 500_000   // for so long, or it was a jerk
	endUs      = 1_000_000 // standing for so long at the end is a stall
	spinMmS    = 10.0      // wheels faster than this turn under a standing train
	crawlMmS   = 2.0       // and slower have stopped
	spinShare  = 0.25      // wheels went so much farther than the train: it struggled
	heldUs     = 200_000
	quietUs    = 3_000_000 // no gate for so long before the end
	fewestRead = 3
)

// Watch says what a locomotive seems to have done.
func Watch(w Watched) Seen {
	s := Seen{PullG: math.NaN(), SpeedMmS: math.NaN()}
	turned, sawWheels := w.travelled()
	switch {
	case len(w.within(w.Ground)) >= fewestRead:
		w.byGround(&s, turned, sawWheels)
	case len(w.within(w.Gates)) > 0:
		w.byGates(&s)
	case sawWheels && w.turning(w.FromUs, w.UntilUs) < crawlMmS:
		s.Known, s.Outcome, s.Wheels = true, Stalled, "stopped"
		s.say("the wheels never turned")
	case sawWheels:
		s.doubt("the wheels turned, and nothing tells whether the train moved: put up a gate or a measuring wheel, or say what you saw")
	default:
		s.doubt("neither wheels nor train were read: say what you saw")
	}
	w.force(&s)
	return s
}

func (s *Seen) say(format string, a ...any)   { s.Says = append(s.Says, fmt.Sprintf(format, a...)) }
func (s *Seen) doubt(format string, a ...any) { s.Doubts = append(s.Doubts, fmt.Sprintf(format, a...)) }

func (w Watched) within(rs []Reading) (out []Reading) {
	for _, r := range rs {
		if r.AtUs >= w.FromUs && r.AtUs <= w.UntilUs {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b Reading) int { return int(a.AtUs - b.AtUs) })
	return out
}

// travelled is how far the wheels of the set that turned farthest went, in mm.
func (w Watched) travelled() (mm float64, read bool) {
	for _, set := range w.Sets {
		rs := w.within(set)
		way := 0.0
		for i := 1; i < len(rs); i++ {
			way += math.Abs(rs[i].Value+rs[i-1].Value) / 2 * float64(rs[i].AtUs-rs[i-1].AtUs) / 1e6
		}
		if len(rs) >= fewestRead {
			mm, read = max(mm, way), true
		}
	}
	return mm, read
}

// turning is the mean speed of the set whose wheels turned fastest between two instants.
func (w Watched) turning(fromUs, untilUs int64) float64 {
	most := math.NaN()
	for _, set := range w.Sets {
		var v []float64
		for _, r := range set {
			if r.AtUs >= fromUs && r.AtUs <= untilUs {
				v = append(v, math.Abs(r.Value))
			}
		}
		if m := stats.Mean(v); !math.IsNaN(m) && !(m < most) {
			most = m
		}
	}
	return most
}

// stand is a stretch of time in which the train stood.
type stand struct{ fromUs, untilUs int64 }

// stands are where a train that reports its place stood, a fifth of a second at a time.
func stands(rs []Reading, untilUs int64) (out []stand) {
	for i := 0; i < len(rs); {
		j := i
		for j+1 < len(rs) && math.Abs(rs[j+1].Value-rs[i].Value) <= standMmS*max(float64(rs[j+1].AtUs-rs[i].AtUs), heldUs)/1e6 {
			j++
		}
		until := rs[j].AtUs
		if j == len(rs)-1 {
			until = untilUs
		}
		if until-rs[i].AtUs >= standUs {
			out = append(out, stand{rs[i].AtUs, until})
		}
		i = max(j, i+1)
	}
	return out
}

// byGround judges by the place of the train.
func (w Watched) byGround(s *Seen, turned float64, sawWheels bool) {
	rs := w.within(w.Ground)
	way := math.Abs(rs[len(rs)-1].Value - rs[0].Value)
	if len(rs) > 0 && w.UntilUs-rs[len(rs)-1].AtUs > endUs {
		s.doubt("the last %.1f s of the train's place are missing", float64(w.UntilUs-rs[len(rs)-1].AtUs)/1e6)
	}
	var stood []stand
	moving := w.UntilUs - w.FromUs
	for _, x := range stands(rs, w.UntilUs) {
		stood = append(stood, x)
		moving -= x.untilUs - x.fromUs
	}
	if moving > 0 && way > 0 {
		s.SpeedMmS = way / (float64(moving) / 1e6)
	}
	s.Known, s.Outcome = true, Moved
	last := len(stood) - 1
	switch {
	case last >= 0 && stood[last].untilUs == w.UntilUs && w.UntilUs-stood[last].fromUs >= endUs:
		s.Outcome = Stalled
		s.say("the train stood for the last %.1f s", float64(w.UntilUs-stood[last].fromUs)/1e6)
		w.wheels(s, stood[last], sawWheels)
		return
	case last >= 0 && (last > 0 || stood[0].fromUs > w.FromUs+heldUs || stood[0].untilUs-stood[0].fromUs >= 2*endUs):
		s.Outcome = Struggled
		s.say("it moved %.0f mm, but stood %s on the way", way, times(len(stood)))
		w.wheels(s, stood[last], sawWheels)
	}
	w.spun(s, turned, way, sawWheels)
	if s.Outcome == Moved {
		s.say("it moved %.0f mm without standing", way)
	}
}

// byGates judges by the gates that were passed: that it stood between two they cannot tell.
func (w Watched) byGates(s *Seen) {
	rs := w.within(w.Gates)
	first, last := rs[0], rs[len(rs)-1]
	way := math.Abs(last.Value - first.Value)
	if len(rs) < 2 {
		s.doubt("one gate was passed and no other: whether it went on nothing tells")
		return
	}
	span := float64(last.AtUs-first.AtUs) / 1e6
	s.SpeedMmS = way / span
	if quiet := w.UntilUs - last.AtUs; quiet > quietUs && float64(quiet) > 2*float64(last.AtUs-first.AtUs)/float64(len(rs)-1) {
		s.doubt("no gate was passed in the last %.1f s: it may have stood there", float64(quiet)/1e6)
		return
	}
	s.Known, s.Outcome = true, Moved
	s.say("it passed %d gates, %.0f mm apart", len(rs), way)
	s.doubt("gates alone cannot tell whether it stood between them")
	between := Watched{FromUs: first.AtUs, UntilUs: last.AtUs, Sets: w.Sets}
	turned, sawWheels := between.travelled()
	w.spun(s, turned, way, sawWheels)
}

// spun makes a struggle of wheels that went much farther than the train.
func (w Watched) spun(s *Seen, turned, way float64, sawWheels bool) {
	if !sawWheels || way <= 0 || turned < way*(1+spinShare) {
		return
	}
	s.Outcome = Struggled
	s.say("wheels went %.0f %% farther than the train", 100*(turned/way-1))
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return Counted(n, "time")
}

// wheels says what they did while the train stood.
func (w Watched) wheels(s *Seen, x stand, read bool) {
	if !read {
		s.doubt("the wheels were not read: look whether they turned")
		return
	}
	switch v := w.turning(x.fromUs, x.untilUs); {
	case v > spinMmS:
		s.Wheels = "turned"
		s.say("the wheels turned at %.0f mm/s while it stood: adhesion", v)
	case v < crawlMmS:
		s.Wheels = "stopped"
		s.say("the wheels had stopped: the motor")
	default:
		s.doubt("the wheels crept at %.1f mm/s while it stood", v)
	}
}

// force is the pull that the load cell read.
func (w Watched) force(s *Seen) {
	rs := w.within(w.Force)
	if len(rs) < fewestRead {
		return
	}
	var all []float64
	for _, r := range rs {
		all = append(all, r.Value)
	}
	mn := stats.Mean(all)
	if !s.Known || s.Outcome == Stalled {
		mn = held(rs)
	}
	s.PullG = math.Abs(mn) / Gravity
}

// held is the greatest force, whichever its sign, as a mean over a fifth of a second.
func held(rs []Reading) (most float64) {
	for i := range rs {
		var v []float64
		for _, r := range rs[i:] {
			if r.AtUs > rs[i].AtUs+heldUs {
				break
			}
			v = append(v, r.Value)
		}
		if m := stats.Mean(v); math.Abs(m) > math.Abs(most) {
			most = m
		}
	}
	return most
}
