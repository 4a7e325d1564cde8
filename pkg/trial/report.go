package trial

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"rainhill/pkg/clock"
	"rainhill/pkg/laps"
	"rainhill/pkg/stats"
	"rainhill/pkg/unit"
	"rainhill/pkg/wire"
)

// Results is everything scored of the session in the book.
func (s *State) Results() wire.Results {
	r := wire.Results{Rules: s.Rules, Site: s.Site, Trials: []wire.TrialResult{}, Doubts: slices.Concat([]string{}, s.Doubts)}
	if s.Book == nil {
		return r
	}
	b := s.Book
	session := b.Session
	r.Session = &session
	cv := b.ruled()
	r.Circuit, r.Scoring, r.Notes, r.Pulls, r.Meet, r.Seal = &b.Circuit, b.Scoring, b.Notes, b.Pulls, s.meetResults(), b.Seal
	for _, id := range sorted(b.Locomotives) {
		r.Locomotives = append(r.Locomotives, b.Locomotives[id])
	}
	for _, id := range sorted(b.Consists) {
		r.Consists = append(r.Consists, b.Consists[id])
	}
	if lap := lapLength(cv.Circuit); lap > 0 {
		r.LapLength = wire.Estimate{Value: &lap}
		if u := cv.Circuit.LapLengthUMm; u > 0 {
			r.LapLength = wire.Estimate{Value: &lap, Lo: num(lap - 1.96*u), Hi: num(lap + 1.96*u), U: &u}
		}
	}
	r.Unassigned = b.Nobody
	r.Doubts = append(r.Doubts, b.Doubts...)
	r.Order = s.order()
	for _, t := range b.Trials {
		if !t.Gone {
			one, about := s.trialResult(t, 0), t.Trial
			one.About = &about // a page has the trials beside the results
			r.Trials = append(r.Trials, one)
		}
	}
	return r
}

// Encode writes results as both the live service and rainhill score give them.
func Encode(r wire.Results) ([]byte, error) {
	b, err := json.MarshalIndent(r, "", " ")
	return append(b, '\n'), err
}

// Result is the result of one trial with its laps from index fromLap on.
func (s *State) Result(trial string, fromLap int) (wire.TrialResult, bool) {
	if s.Book == nil {
		return wire.TrialResult{}, false
	}
	t := s.Book.entry(trial)
	if t == nil {
		return wire.TrialResult{}, false
	}
	return s.trialResult(t, fromLap), true
}

func (s *State) trialResult(t *Entry, fromLap int) wire.TrialResult {
	r := wire.TrialResult{
		Trial: t.Trial.ID, Train: t.Trial.Locomotive, Consist: t.Trial.Consist, State: "open",
		Passages: len(t.Points) + t.Shed + len(s.tailOf(t).points), LapCount: s.count(t), Laps: []wire.Lap{}, Incidents: []wire.Incident{},
		Sets: []wire.SetResult{}, Desync: []wire.Desync{}, Doubts: []string{},
		Regulated: wire.Regulated{Verdict: wire.RegulatedUnknown},
		Dropped:   wire.Dropped{Duplicates: s.Book.Dropped.Duplicates, FalseCrossings: t.False + s.tailOf(t).falses, Late: s.Book.Dropped.Late},
	}
	if t.Trial.Void || t.Trial.Outcome != "" {
		r.Why = t.Why
	}
	if t.Closed {
		r.State = "closed"
	} else if t.Trial.ToUs != 0 {
		r.State = "settling"
	}
	all := s.incidents(t)
	for _, x := range all {
		r.Incidents = append(r.Incidents, t.incident(x))
	}
	for i := min(fromLap, r.LapCount); i < r.LapCount; i++ {
		r.Laps = append(r.Laps, s.lap(t, i, all))
	}
	times, count := s.counted(t, all)
	s.consistency(&r, times, count)
	s.sets(&r, t, count)
	s.doubts(&r, t)
	return r
}

// counted is the lap times in seconds that go into the statistics, and the
// indexes of their laps.
func (s *State) counted(t *Entry, incidents []IncidentRecord) (times []float64, index []int) {
	for i := range s.count(t) {
		rec, _ := s.lapAt(t, i)
		if t.counts(rec.Lap, incidents) == wire.CountsYes {
			us, _ := rec.Lap.To.Since(rec.Lap.From.Stamp)
			times, index = append(times, unit.Seconds(us)), append(index, i)
		}
	}
	return times, index
}

func (s *State) lap(t *Entry, i int, incidents []IncidentRecord) wire.Lap {
	rec, final := s.lapAt(t, i)
	cv := s.Book.ruled().Circuit
	length := lapLength(cv)
	us, u := rec.Lap.To.Since(rec.Lap.From.Stamp)
	v, uv := unit.SpeedMmS(length, cv.LapLengthUMm, unit.Seconds(us), u/1e6)
	l := wire.Lap{
		Lap: rec.Lap.N, StartUs: rec.Lap.From.AtUs, LapTimeS: unit.Seconds(us), US: u / 1e6, SpeedMmS: v, USpeedMmS: uv,
		ScaleKmH: scale(v, cv.ScaleRatio), Source: source(rec.Lap.Inferred), Counts: t.counts(rec.Lap, incidents), Final: final,
		Sectors: []wire.Sector{}, EvennessCV: rec.Evenness, WheelCV: s.ripple(t, rec), Why: t.Void[rec.Lap.N],
	}
	for _, x := range rec.Lap.Sectors {
		us, u := x.To.Since(x.From.Stamp)
		v, uv := unit.SpeedMmS(x.LengthMm, 0, unit.Seconds(us), u/1e6)
		l.Sectors = append(l.Sectors, wire.Sector{
			From: x.From.Gate, To: x.To.Gate, TimeS: unit.Seconds(us), SpeedMmS: v, US: u / 1e6, USpeedMmS: uv,
			FromMm: x.From.PositionMm, LengthMm: x.LengthMm, Source: source(x.From.Inferred || x.To.Inferred),
		})
	}
	return l
}

func source(inferred bool) string {
	if inferred {
		return wire.Inferred
	}
	return wire.Measured
}

func scale(mmS, ratio float64) *float64 {
	if ratio <= 0 {
		return nil
	}
	return num(unit.ScaleKmH(mmS, ratio))
}

func (s *State) consistency(r *wire.TrialResult, times []float64, count []int) {
	m := stats.Summarise(times)
	mean, lo, hi, u := stats.MeanInterval(times)
	r.Consistency = wire.Consistency{
		N: m.N, MeanS: num(m.Mean), MeanUS: num(u), MeanLoS: num(lo), MeanHiS: num(hi), SDS: num(m.SD), CV: num(m.CV), MedianS: num(m.Median), MADS: num(m.MAD),
		RangeS: num(m.Range), BestS: num(m.Min), Lag1: num(m.Lag1), NEffective: num(m.NEffective),
		Trend: wire.Estimate{Value: num(m.Trend.Slope), Lo: num(m.Trend.Lo), Hi: num(m.Trend.Hi), U: num(m.Trend.SE)},
	}
	if m.BestIndex >= 0 {
		r.Consistency.BestLap = count[m.BestIndex] + 1
	}
	cv := s.Book.ruled().Circuit
	length := lapLength(cv)
	if m.N == 0 || length <= 0 {
		return
	}
	// Average speed is the whole way over the whole time, length over mean lap
	// time; its interval is the mean lap time's, turned round.
	_, uv := unit.SpeedMmS(length, 0, mean, u)
	r.SpeedMmS = wire.Estimate{Value: num(length / mean), Lo: num(length / hi), Hi: num(length / lo), U: num(uv)}
	r.ScaleKmH = scale(length/mean, cv.ScaleRatio)
}

// estimate is a mean with its 95 % interval; null without values.
func estimate(x []float64) wire.Estimate {
	if len(x) == 0 {
		return wire.Estimate{}
	}
	mean, lo, hi, u := stats.MeanInterval(x)
	return wire.Estimate{Value: num(mean), Lo: num(lo), Hi: num(hi), U: num(u)}
}

func (s *State) doubts(r *wire.TrialResult, t *Entry) {
	add := func(format string, a ...any) { r.Doubts = append(r.Doubts, fmt.Sprintf(format, a...)) }
	n := r.Consistency.N
	switch {
	case n == 0:
		add("no lap counts yet: mean, spread and trend cannot be told")
	case n == 1:
		add("one lap counts: its spread and trend cannot be told")
	case n == 2:
		add("two laps count: the trend has no interval and the spread is rough")
	}
	if f := r.Dropped.FalseCrossings; f > 3 && 4*f > r.Passages {
		add("%d crossings were dropped because no train can have been there then: are lap length and gate positions right?", f)
	}
	inferred := 0
	for i := range s.count(t) {
		if rec, _ := s.lapAt(t, i); rec.Lap.Inferred && t.counts(rec.Lap, s.incidents(t)) == wire.CountsYes {
			inferred++
		}
	}
	if inferred > 0 {
		add("%d counting lap(s) begin or end at a crossing that was missed, or not the front's for sure, and is inferred", inferred)
	}
	if unsynced := s.unsynced(t); unsynced != "" {
		add("no clock exchange from %s: instants of different agents are compared by arrival", unsynced)
	}
	if len(r.Sets) == 0 {
		add("no motor is known: slip, desync and regulation cannot be told")
	}
}

// unsynced names agents of the trial's gates whose clocks were never exchanged.
func (s *State) unsynced(t *Entry) string {
	agents := map[string]bool{}
	for _, p := range slices.Concat(t.Points[max(0, len(t.Points)-50):], s.tailOf(t).points) {
		if agent, _, ok := strings.Cut(p.Clock, "/"); ok {
			delete(agents, agent)
			if p.UClockUs == clock.ArrivalUUs {
				agents[agent] = true
			}
		}
	}
	return strings.Join(sorted(agents), ", ")
}

// Passages are the kept passages of a trial at or after fromUs.
func (s *State) Passages(trial string, fromUs int64) []wire.PassageVerdict {
	if s.Book == nil {
		return nil
	}
	t := s.Book.entry(trial)
	if t == nil {
		return nil
	}
	var out []wire.PassageVerdict
	for i, p := range t.Points {
		if p.AtUs >= fromUs {
			out = append(out, passageOf(t, t.Ends[i], p, true))
		}
	}
	x := s.tailOf(t)
	for i, p := range x.points {
		if p.AtUs >= fromUs {
			out = append(out, passageOf(t, x.ends[i], p, false))
		}
	}
	return out
}

func passageOf(t *Entry, lap int, p laps.Point, final bool) wire.PassageVerdict {
	v := wire.PassageVerdict{
		Trial: t.Trial.ID, Gate: p.Gate, AtUs: p.AtUs, UUs: p.UUs, PositionMm: p.PositionMm, Lap: lap,
		Source: source(p.Inferred), Final: final, Reverse: p.Reverse,
	}
	if p.Trap != nil {
		v.TrapMmS, v.UTrapMmS = num(p.Trap.MmS), num(p.Trap.U)
	}
	return v
}
