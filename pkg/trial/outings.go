package trial

import (
	"math"
	"slices"

	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

const (
	// windowUs is what a trial on a stand is cut into, for want of laps.
	windowUs = int64(10_000_000)
	// windowsMost is how many of them are kept: four hours and a half.
	windowsMost = 1600
)

// judged is whether a set's motor is regulated: by its own laps, and by what else the
// session has of the motor in the same locomotive: of its trials that are over, but for
// those with another "board" among their conditions.
func (s *State) judged(t *Entry, d wire.DriverSet, count []int) traction.Regulation {
	outings, of := []traction.Outing{}, 0
	for _, o := range s.Book.Trials {
		switch {
		case o == t:
			of, outings = len(outings), append(outings, s.outing(t, d, count))
		case s.alike(t, o):
			outings = append(outings, s.over(o, d))
		}
	}
	return traction.Over(outings, of, s.driveOf(d))
}

// alike reports whether a trial o that is over can tell of the motors of t.
func (s *State) alike(t, o *Entry) bool {
	return o.Closed && !o.Gone && !o.Trial.Void && o.Trial.Locomotive == t.Trial.Locomotive && o.Trial.Conditions["board"] == t.Trial.Conditions["board"]
}

// over is outing of a trial that is over, kept.
func (s *State) over(t *Entry, d wire.DriverSet) traction.Outing {
	key := [2]string{d.ID, d.Motor}
	if t.outings == nil || t.outRev != s.Book.rev {
		t.outings, t.outRev = map[[2]string]traction.Outing{}, s.Book.rev
	}
	if o, ok := t.outings[key]; ok {
		return o
	}
	_, count := s.counted(t, s.incidents(t))
	o := s.outing(t, d, count)
	t.outings[key] = o
	return o
}

// outing is what a trial shows of a set's motor in the laps that count and are final; on a
// stand, which has none, in windows of time.
func (s *State) outing(t *Entry, d wire.DriverSet, count []int) traction.Outing {
	o := traction.Outing{Trial: t.Trial.ID, LoadG: s.loadG(t)}
	currents, n := 0.0, 0
	for _, i := range count {
		if i >= len(t.Laps) {
			continue
		}
		others, own := 0.0, (*traction.Moments)(nil)
		for _, x := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
			m := t.Laps[i].Turned[x.Motor].Moments
			if m == nil || measuring(x) {
				continue
			}
			currents, n = currents+m.I*float64(m.N), n+m.N
			if x.ID == d.ID {
				own = m
			} else {
				others += m.D
			}
		}
		if own != nil {
			o.Points, o.Others = append(o.Points, *own), append(o.Others, others)
		}
	}
	o.WorkingA = math.Abs(currents) / float64(max(n, 1)) / 1000
	o.Own = traction.Regulated(o.Points, s.driveOf(d), currents/float64(max(n, 1))/1000)
	if len(o.Points) == 0 {
		o.Points = t.Stands[d.Motor]
	}
	return o
}

// stands notes what a motor does on a stand, window by window, as its readings come.
func (s *State) stands(motor string, m *traction.Track, c *Changes) {
	n := len(m.AtUs)
	if n == 0 {
		return
	}
	last := m.AtUs[n-1]
	for _, t := range s.Book.Trials {
		if t.Closed || t.Gone || t.Trial.Conditions["wheels"] != "free" || !s.drives(t, motor) {
			continue
		}
		begin := max(t.Trial.FromUs, m.AtUs[0])
		if until := t.Windows[motor]; until > 0 {
			begin = max(until, m.AtUs[0])
		}
		end := last
		if t.Trial.ToUs != 0 {
			end = min(end, t.Trial.ToUs)
		}
		for ; end-begin >= windowUs; begin += windowUs {
			t.window(motor, m, begin, c)
		}
	}
}

func (t *Entry) window(motor string, m *traction.Track, fromUs int64, c *Changes) {
	if t.Windows == nil {
		t.Windows, t.Stands = map[string]int64{}, map[string][]traction.Moments{}
	}
	t.Windows[motor] = fromUs + windowUs
	x, ok := m.Over([]int64{fromUs, fromUs + windowUs})
	if !ok || x.Moments == nil || len(t.Stands[motor]) >= windowsMost {
		return
	}
	t.Stands[motor] = append(t.Stands[motor], *x.Moments)
	t.sets = nil
	c.touch(t.Trial.ID, len(t.Laps), math.MaxInt64)
}

// kin marks as new what hangs on changes of other trials of a locomotive: whether its
// motors are regulated.
func (s *State) kin(before int, decided bool, c *Changes) {
	if s.Book == nil || s.Book.rev == before {
		return
	}
	var locos []string
	for _, id := range sorted(c.Trials) {
		if t := s.Book.entry(id); t != nil {
			locos = append(locos, t.Trial.Locomotive)
		}
	}
	for _, t := range s.Book.Trials {
		if !t.Gone && len(s.Book.Locomotives[t.Trial.Locomotive].DriverSets) > 0 && (decided || slices.Contains(locos, t.Trial.Locomotive)) {
			c.touch(t.Trial.ID, len(t.Laps), math.MaxInt64)
		}
	}
}
