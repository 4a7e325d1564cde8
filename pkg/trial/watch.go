package trial

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
	"rainhill/pkg/pull"
	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

// samePassageUs is how soon after each other crossings of one gate are one passage of
// a train that creeps: a car's length at 100 mm/s.
const samePassageUs = 3_000_000

// WatchPull says what a locomotive seems to have done between two instants of the session
// in the book, from its encoders, a measuring wheel, the gates and the load cell, as far as
// these were read. It changes nothing: an official takes the attempt down.
func (s *State) WatchPull(q wire.PullSeenAsk) (wire.PullSeen, error) {
	if s.Book == nil {
		return wire.PullSeen{}, refuse("no session was opened yet")
	}
	l, ok := s.Book.Locomotives[q.Locomotive]
	if !ok {
		if l, ok = s.Locomotives[q.Locomotive]; !ok {
			return wire.PullSeen{}, refuse("there is no locomotive %q", q.Locomotive)
		}
	}
	if q.UntilUs == 0 {
		q.UntilUs = s.NowUs
	}
	w := pull.Watched{FromUs: q.FromUs, UntilUs: q.UntilUs, Force: s.forces(), Gates: s.passedGates(q)}
	for _, d := range l.DriverSets {
		m, per := s.Book.Motors[d.Motor], mmPerCountOf(d)
		switch {
		case m == nil || !(per > 0):
		case measuring(d):
			w.Ground = placesOf(m, per)
		default:
			w.Sets = append(w.Sets, speedsOf(m, per))
		}
	}
	seen := pull.Watch(w)
	if s.severalRun(q) {
		seen.Doubts = append(seen.Doubts, "other trains ran at the time: gates may have seen those")
	}
	out := wire.PullSeen{FromUs: q.FromUs, UntilUs: q.UntilUs, Wheels: seen.Wheels, LoadG: num(seen.PullG), SpeedMmS: num(seen.SpeedMmS), Says: append([]string{}, seen.Says...), Doubts: append([]string{}, seen.Doubts...)}
	if seen.Known {
		out.Outcome = map[pull.Outcome]string{pull.Moved: wire.PullMoved, pull.Struggled: wire.PullStruggled, pull.Stalled: wire.PullStalled}[seen.Outcome]
	}
	return out, nil
}

// speedsOf is a motor's readings as wheel surface speeds in mm/s.
func speedsOf(m *traction.Track, mmPerCount float64) (out []pull.Reading) {
	for i := 1; i < len(m.AtUs); i++ {
		dt := float64(m.AtUs[i]-m.AtUs[i-1]) / 1e6
		out = append(out, pull.Reading{AtUs: m.AtUs[i], Value: float64(m.Counts[i]-m.Counts[i-1]) * mmPerCount / dt})
	}
	return out
}

// placesOf is a measuring wheel's readings as places along the track in mm.
func placesOf(m *traction.Track, mmPerCount float64) (out []pull.Reading) {
	for i, at := range m.AtUs {
		out = append(out, pull.Reading{AtUs: at, Value: float64(m.Counts[i]) * mmPerCount})
	}
	return out
}

// forces is what the session's one load cell read, in mN; of several nobody said which is
// behind this train.
func (s *State) forces() (out []pull.Reading) {
	if len(s.Book.Cells) != 1 {
		return nil
	}
	for _, m := range s.Book.Cells {
		for i, mn := range m.Ma {
			if mn != math.MinInt32 { // not told
				out = append(out, pull.Reading{AtUs: m.AtUs[i], Value: float64(mn)})
			}
		}
	}
	return out
}

// passedGates is the train's way from gate to gate, in mm from the first it passed.
func (s *State) passedGates(q wire.PullSeenAsk) (out []pull.Reading) {
	b, cv := s.Book, s.Book.ruled()
	lap := lapLength(cv.Circuit)
	place := map[string]float64{}
	for _, g := range cv.Gates {
		place[g.ID] = g.PositionMm
	}
	last, lastUs, way := "", int64(math.MinInt64), 0.0
	for _, x := range inTime(b.Log, b.Pending, q) {
		at, known := place[x.Gate]
		if !known || lap <= 0 {
			continue
		}
		same := x.Gate == last && x.AtUs-lastUs < samePassageUs
		if !same && last != "" {
			step := at - place[last]
			if q.Direction == "reverse" {
				step = -step
			}
			if step <= 0 {
				step += lap
			}
			way += step
		}
		if last, lastUs = x.Gate, x.AtUs; !same {
			out = append(out, pull.Reading{AtUs: x.AtUs, Value: way})
		}
	}
	return out
}

// inTime is the crossings in which a train came, within the window, by time.
func inTime(log, pending []passage.Crossing, q wire.PullSeenAsk) (out []passage.Crossing) {
	for _, x := range slices.Concat(log, pending) {
		if x.Edge != wire.EdgeLeave && x.AtUs >= q.FromUs && x.AtUs <= q.UntilUs {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b passage.Crossing) int { return int(a.AtUs - b.AtUs) })
	return out
}

// severalRun reports whether a trial of another locomotive was open meanwhile.
func (s *State) severalRun(q wire.PullSeenAsk) bool {
	return slices.ContainsFunc(s.Book.Trials, func(t *Entry) bool {
		x := t.Trial
		return !t.Gone && x.Locomotive != q.Locomotive && x.FromUs < q.UntilUs && (x.ToUs == 0 || x.ToUs > q.FromUs)
	})
}
