package trial

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"rainhill/pkg/laps"
	"rainhill/pkg/stats"
	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

// recentLaps is how many laps a lap is compared with until its trial ends.
const recentLaps = 100

// settleLap reckons what only a settled lap has: evenness, and what the wheels
// did. The profile is of the settled laps of late; finishTrial does it again with
// that of the whole trial.
func (s *State) settleLap(t *Entry, i int) {
	if i >= len(t.Laps) {
		return
	}
	rec := &t.Laps[i]
	rec.Evenness = t.evenness(i, t.profile(max(0, i-recentLaps), i+1))
	if old, ok := t.before(rec.Lap); ok {
		rec.Turned = old.Turned
		return
	}
	rec.Turned = nil
	for _, id := range sorted(s.Book.Motors) {
		m := s.Book.Motors[id]
		if turned, ok := m.Over(instants(rec.Lap)); ok {
			if rec.Turned == nil {
				rec.Turned = map[string]traction.Turned{}
			}
			rec.Turned[id] = turned
			if s.drives(t, id) && turned.Counts != 0 {
				m.Back = turned.Counts < 0
			}
		}
	}
	for _, id := range sorted(s.Book.Cells) {
		if turned, ok := s.Book.Cells[id].Over(instants(rec.Lap)); ok && rec.Turned != nil {
			rec.Turned[cellKey+id] = turned
		}
	}
}

// late has readings of a motor that came behind a lap's end, when it had settled already,
// complete what the motor did in it: messages of several readings come late. untilUs is
// how far its readings went before. Of a trial's laps only the last lateLaps are looked at.
func (s *State) late(motor string, m *traction.Track, untilUs int64, c *Changes) {
	for _, t := range s.Book.Trials {
		for i := len(t.Laps) - 1; i >= max(0, len(t.Laps)-lateLaps); i-- {
			rec := &t.Laps[i]
			if traction.SettledBy(rec.Lap.To.AtUs) <= untilUs {
				break
			}
			turned, ok := m.Over(instants(rec.Lap))
			if !ok {
				continue
			}
			rec.Turned = maps.Clone(rec.Turned) // a result that is being told may hold it
			if rec.Turned == nil {
				rec.Turned = map[string]traction.Turned{}
			}
			rec.Turned[motor] = turned
			s.Book.rev++
			c.touch(t.Trial.ID, i, math.MaxInt64)
		}
	}
}

const lateLaps = 32

// instants are those of a lap's passages.
func instants(lap laps.Lap) []int64 {
	at := []int64{lap.From.AtUs}
	for _, x := range lap.Sectors {
		at = append(at, x.To.AtUs)
	}
	if len(lap.Sectors) == 0 {
		at = append(at, lap.To.AtUs)
	}
	return at
}

// drives reports whether a motor is of a trial's locomotive.
func (s *State) drives(t *Entry, motor string) bool {
	return slices.ContainsFunc(s.Book.Locomotives[t.Trial.Locomotive].DriverSets, func(d wire.DriverSet) bool { return d.Motor == motor })
}

// ripple is the mean coefficient of variation of the driver sets' wheel speeds in
// a lap; null when none is known.
func (s *State) ripple(t *Entry, rec LapRecord) *float64 {
	cv, n := 0.0, 0
	for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
		if turned, ok := rec.Turned[d.Motor]; ok && turned.CV != nil && mmPerCountOf(d) > 0 {
			cv, n = cv+math.Abs(*turned.CV), n+1
		}
	}
	if n == 0 {
		return nil
	}
	return num(cv / float64(n))
}

// before is what was reckoned of the same lap when it first settled: the
// readings it was reckoned from may be gone.
func (t *Entry) before(lap laps.Lap) (LapRecord, bool) {
	i, ok := slices.BinarySearchFunc(t.past, lap.To.AtUs, func(r LapRecord, us int64) int { return cmp.Compare(r.Lap.To.AtUs, us) })
	if !ok || t.past[i].Turned == nil || t.past[i].Lap.From.AtUs != lap.From.AtUs {
		return LapRecord{}, false
	}
	return t.past[i], true
}

// finishTrial makes what is left of a trial final, and its laps' evenness that
// against the whole trial's profile.
func (s *State) finishTrial(t *Entry, c *Changes) {
	if t.Closed {
		return
	}
	t.Closed = true
	b, line := s.Book, s.lineOf()
	if len(b.Locomotives[t.Trial.Locomotive].DriverSets) > 0 {
		b.rev++ // its motors' other trials draw on it
	}
	b.live, b.ahead = nil, nil
	c.touch(t.Trial.ID, 0, t.openUs())
	slot := slices.Index(b.Trials, t)
	gone, lost := b.lost(s, t, slot, b.Core, true)
	b.makeFinal(s, b.Core.End(line, slot), t.Trial.ToUs, c)
	if lost {
		t.Incidents = append(t.Incidents, s.record(t, gone))
	}
	p := t.profile(0, len(t.Laps))
	for i := range t.Laps {
		t.Laps[i].Evenness = t.evenness(i, p)
	}
}

// profile is the sum, over counting laps, of the speed in each sector.
type profile struct {
	sum  []float64
	laps int
}

// profile is that of the counting laps from index from to before n.
func (t *Entry) profile(from, n int) profile {
	var p profile
	for j := from; j < n; j++ {
		if t.counts(t.Laps[j].Lap, t.Incidents) == wire.CountsYes {
			p.add(t.Laps[j].Lap)
		}
	}
	return p
}

// add takes a lap in, if it has all the sectors and none inferred.
func (p *profile) add(lap laps.Lap) {
	if lap.Inferred || p.laps > 0 && len(lap.Sectors) != len(p.sum) {
		return
	}
	if p.laps == 0 {
		p.sum = make([]float64, len(lap.Sectors))
	}
	for q, x := range lap.Sectors {
		p.sum[q] += sectorSpeed(x)
	}
	p.laps++
}

// evenness is the coefficient of variation, within lap i, of sector speed over
// the mean speed of that sector in a profile. It is null with fewer than two
// sectors, with an inferred end, or before two laps count.
func (t *Entry) evenness(i int, p profile) *float64 {
	lap := t.Laps[i].Lap
	if len(lap.Sectors) < 2 || lap.Inferred {
		return nil
	}
	if t.counts(lap, t.Incidents) != wire.CountsYes {
		p.sum = slices.Clone(p.sum)
		p.add(lap)
	}
	if p.laps < 2 || len(p.sum) != len(lap.Sectors) {
		return nil
	}
	ratio := make([]float64, len(p.sum))
	for q, x := range lap.Sectors {
		ratio[q] = sectorSpeed(x) / (p.sum[q] / float64(p.laps))
	}
	return num(stats.Summarise(ratio).CV)
}

// counts says whether a lap goes into the statistics, and if not why.
func (t *Entry) counts(lap laps.Lap, incidents []IncidentRecord) string {
	if _, void := t.Void[lap.N]; void {
		return wire.CountsVoid
	}
	if t.Trial.Void {
		return wire.CountsVoid
	}
	if lap.N <= t.Trial.WarmupLaps {
		return wire.CountsWarmup
	}
	if n := t.Trial.EndsAfterLaps; n > 0 && lap.N > t.Trial.WarmupLaps+n {
		return wire.CountsAfter
	}
	for _, x := range incidents {
		if x.AtUs < lap.To.AtUs && (x.UntilUs == 0 || x.UntilUs > lap.From.AtUs) {
			return wire.CountsIncident
		}
	}
	return wire.CountsYes
}

func sectorSpeed(x laps.Sector) float64 {
	us, _ := x.To.Since(x.From.Stamp)
	return x.LengthMm / float64(us) * 1e6
}
