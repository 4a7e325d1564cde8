package truth

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"rainhill/pkg/stats"
)

// Scored is what a scoring made of a run, whose instants are on the same clock
// as the truth.
type Scored struct {
	Trials []ScoredTrial
	Motors []ScoredMotor
	Wheels []ScoredWheel
	Speeds []ScoredSpeed
}

// ScoredTrial is what was scored for one trial.
type ScoredTrial struct {
	Trial     string
	Laps      []ScoredLap
	Incidents []ScoredIncident
	Sets      []ScoredSet
	Desync    []ScoredDesync
}

// ScoredLap is a lap as scored. US is its standard uncertainty; Inferred that an
// end was bridged; Counts whether it counts, as Counted... say.
type ScoredLap struct {
	Lap      int     `json:"lap"`
	StartUs  int64   `json:"start_us"`
	LapTimeS float64 `json:"lap_time_s"`
	US       float64 `json:"u_s"`
	Inferred bool    `json:"inferred"`
	Counts   string  `json:"counts"`
}

// ScoredIncident is an incident as reported.
type ScoredIncident struct {
	Kind string `json:"kind"`
	AtUs int64  `json:"at_us"`
}

// Values of ScoredLap.Counts. Two set a lap aside; only the first has it in the
// figures of the trial.
const (
	CountsYes      = "yes"
	CountsVoid     = "void"
	CountsIncident = "incident"
)

// Verdicts on a lap.
const (
	Matched  = "matched"   // a true lap, on the right train
	Missed   = "missed"    // a true lap that nothing scored stands for
	Wrong    = "wrong"     // scored; truly a lap of another train
	False    = "false"     // scored; truly no lap
	Strange  = "strange"   // scored as an ordinary lap over an incident; truly no lap
	SetAside = "set aside" // the same, but marked so that it does not count
)

// Line is one lap with the truth beside it. Trial is what it was scored for, of
// a missed lap its own. True is nil when it is no lap or one that another line
// stands for, Scored when it was missed. Differences are scored less true, of
// matched laps only.
type Line struct {
	Verdict   string     `json:"verdict"`
	Trial     string     `json:"trial"`
	TrueTrial string     `json:"true_trial,omitempty"` // whose lap it is, when wrong
	True      *Lap       `json:"true"`
	Scored    *ScoredLap `json:"scored"`
	ErrorMs   Number     `json:"error_ms"` // of the lap time
	StartMs   Number     `json:"start_error_ms"`
	EndMs     Number     `json:"end_error_ms"`
	Unmarked  bool       `json:"unmarked,omitempty"`  // scored as measured where nothing can have been measured
	Unsettled bool       `json:"unsettled,omitempty"` // missed, with fewer than two gates passed after it
}

// Rules of the comparison.
const (
	measuredUs = 20e3 // an end within so much, and
	measuredU  = 5    // so many standard uncertainties of the lap time, of the truth was measured there
	lagGates   = 2    // a lap is settled when its train has passed so many gates more
	incidentUs = 15e6 // an incident is found within so long, or one lap
	settleUs   = 1e3  // two instants of one passage in the truth differ by less
)

// Compare holds what was scored against what really happened.
//
// A scored lap fits a true one when each end is within half the trial's median
// true lap time and they have in common more than half of the longer. It is at
// its own when both ends are within 20 ms + 5 u of the truth. It is not its own
// trial's when it is not at its own and fits a lap of another trial better, or
// spans the place where its train was off the rails. Within a trial laps are then
// matched one to one, so that the sum of the differences of both ends (as parts
// of half a median lap) is least; what is left is matched in the same way with
// the other trials' laps that are left, and those are wrong. A lap scored as
// measured is an unmarked bridge when it is matched but not at its own.
//
// A scored lap that is none and touches an incident of its train is strange, or
// set aside when it does not count. Incidents are matched one to one within 15 s
// or one median lap, kinds that are equal before others.
//
// What was said of driver sets is held against what they are: see SetReport.
func Compare(run Run, scored Scored) Report {
	lines := newCourse(run, scored).lines()
	return tally(lines, incidentLines(run, scored), setLines(run, scored, lines))
}

type trueLap struct {
	Lap
	trial         string
	endUs, gateUs float64
	unsettled     bool
}

type scoredLap struct {
	ScoredLap
	trial          string
	startUs, endUs float64
	touches, off   bool // an incident of its train; one that took it off the rails
}

func (s scoredLap) aside() bool { return s.Counts == CountsVoid || s.Counts == CountsIncident }

// course is all laps of a run. Those of a trial stand together in order of start,
// between its two bounds.
type course struct {
	truths []trueLap
	bounds [][2]int
	laps   []scoredLap
}

func newCourse(run Run, scored Scored) course {
	var c course
	for _, t := range run.Trials {
		laps := slices.Clone(t.Laps)
		slices.SortStableFunc(laps, func(a, b Lap) int { return cmp.Compare(a.StartUs, b.StartUs) })
		gate, from := medianLapUs(laps)/2, len(c.truths)
		for _, l := range laps {
			x := trueLap{Lap: l, trial: t.Trial, endUs: l.StartUs + l.LapTimeS*1e6, gateUs: gate}
			n := len(t.Passages)
			x.unsettled = n < lagGates || x.endUs > t.Passages[n-lagGates].AtUs-settleUs
			c.truths = append(c.truths, x)
		}
		c.bounds = append(c.bounds, [2]int{from, len(c.truths)})
	}
	for _, t := range scored.Trials {
		for _, l := range t.Laps {
			x := scoredLap{ScoredLap: l, trial: t.Trial, startUs: float64(l.StartUs)}
			x.endUs = x.startUs + l.LapTimeS*1e6
			x.touches, x.off = touched(run, t.Trial, x.startUs, x.endUs)
			c.laps = append(c.laps, x)
		}
	}
	return c
}

// medianLapUs is NaN without laps.
func medianLapUs(laps []Lap) float64 {
	var us []float64
	for _, l := range laps {
		us = append(us, l.LapTimeS*1e6)
	}
	slices.Sort(us)
	return stats.Quantile(us, 0.5)
}

// touched is whether a time of a trial has to do with an incident, and with one
// that took the train off the rails.
func touched(run Run, trial string, fromUs, toUs float64) (any, off bool) {
	for _, x := range run.Incidents {
		until := x.UntilUs
		if until == 0 {
			until = math.MaxInt64
		}
		if x.Trial == trial && fromUs < float64(until) && toUs > float64(x.AtUs) {
			any = true
			off = off || x.Kind == Derailment || x.Kind == LiftOff
		}
	}
	return any, off
}

// fit is that a scored lap may be a true one: by how much both ends together
// differ, and whether it is at its own.
type fit struct {
	truth int
	us    float64
	near  bool
}

func (c course) fits(s scoredLap) (out []fit) {
	for _, b := range c.bounds {
		laps := c.truths[b[0]:b[1]]
		if len(laps) == 0 {
			continue
		}
		gate := laps[0].gateUs
		first := sort.Search(len(laps), func(k int) bool { return laps[k].StartUs >= s.startUs-gate })
		for k := first; k < len(laps) && laps[k].StartUs <= s.startUs+gate; k++ {
			t := laps[k]
			from, to := math.Abs(s.startUs-t.StartUs), math.Abs(s.endUs-t.endUs)
			common := min(s.endUs, t.endUs) - max(s.startUs, t.StartUs)
			if to > gate || common <= max(s.LapTimeS, t.LapTimeS)*1e6/2 {
				continue
			}
			near := max(from, to) <= measuredUs+measuredU*s.US*1e6
			out = append(out, fit{b[0] + k, from + to, near})
		}
	}
	return out
}

// edges are what may be matched within trials, and across them.
func (c course) edges() (own, across []edge) {
	for i, s := range c.laps {
		fits := c.fits(s)
		nearest := map[bool]float64{true: math.Inf(1), false: math.Inf(1)} // of its own, of others
		for _, x := range fits {
			mine := c.truths[x.truth].trial == s.trial
			nearest[mine] = min(nearest[mine], x.us)
		}
		for _, x := range fits {
			mine := c.truths[x.truth].trial == s.trial
			e := edge{i, x.truth, x.us / c.truths[x.truth].gateUs}
			switch {
			case mine && (x.near || !s.off && x.us <= nearest[false]):
				own = append(own, e)
			case !mine && (x.near || !s.off) && x.us < nearest[true]:
				across = append(across, e)
			}
		}
	}
	return own, across
}

func (c course) lines() []Line {
	own, across := c.edges()
	mine := match(own)
	taken := map[int]bool{}
	for _, t := range mine {
		taken[t] = true
	}
	another := map[int]int{} // scored lap -> the true lap of another that it fits best
	var left []edge
	for _, e := range across {
		if _, ok := mine[e.i]; ok {
			continue
		}
		if t, ok := another[e.i]; !ok || c.differ(e.i, e.j) < c.differ(e.i, t) {
			another[e.i] = e.j
		}
		if !taken[e.j] {
			left = append(left, e)
		}
	}
	theirs := match(left)
	for _, t := range theirs {
		taken[t] = true
	}
	var out []Line
	for i := range c.laps {
		out = append(out, c.line(i, mine, theirs, another))
	}
	for k := range c.truths {
		if t := &c.truths[k]; !taken[k] {
			l := unmatched(Missed, t.trial)
			l.True, l.Unsettled = &t.Lap, t.unsettled
			out = append(out, l)
		}
	}
	slices.SortStableFunc(out, func(a, b Line) int {
		return cmp.Or(cmp.Compare(a.Trial, b.Trial), cmp.Compare(a.startUs(), b.startUs()))
	})
	return out
}

func (l Line) startUs() float64 {
	if l.Scored != nil {
		return float64(l.Scored.StartUs)
	}
	return l.True.StartUs
}

func (c course) differ(i, t int) float64 {
	return math.Abs(c.laps[i].startUs-c.truths[t].StartUs) + math.Abs(c.laps[i].endUs-c.truths[t].endUs)
}

// unmatched is a line without differences.
func unmatched(verdict, trial string) Line {
	nan := Number(math.NaN())
	return Line{Verdict: verdict, Trial: trial, ErrorMs: nan, StartMs: nan, EndMs: nan}
}

// line is the verdict on one scored lap.
func (c course) line(i int, mine, theirs, another map[int]int) Line {
	s := &c.laps[i]
	l := unmatched(False, s.trial)
	l.Scored = &s.ScoredLap
	if k, ok := mine[i]; ok {
		t := &c.truths[k]
		l.Verdict, l.True = Matched, &t.Lap
		l.ErrorMs = Number(s.LapTimeS-t.LapTimeS) * 1e3
		l.StartMs, l.EndMs = Number(s.startUs-t.StartUs)/1e3, Number(s.endUs-t.endUs)/1e3
		off := max(math.Abs(float64(l.StartMs)), math.Abs(float64(l.EndMs))) * 1e3
		l.Unmarked = !s.Inferred && off > measuredUs+measuredU*s.US*1e6
		return l
	}
	if k, ok := theirs[i]; ok {
		l.Verdict, l.TrueTrial, l.True = Wrong, c.truths[k].trial, &c.truths[k].Lap
		return l
	}
	k, elsewhere := another[i]
	switch {
	case s.touches && s.aside():
		l.Verdict = SetAside
	case s.touches:
		l.Verdict = Strange
	case elsewhere:
		l.Verdict, l.TrueTrial = Wrong, c.truths[k].trial
	}
	return l
}
