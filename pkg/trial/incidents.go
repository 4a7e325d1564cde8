package trial

import (
	"fmt"
	"math"

	"rainhill/pkg/laps"
	"rainhill/pkg/tracker"
	"rainhill/pkg/wire"
)

// IncidentRecord is an incident with what the wheels did meanwhile.
type IncidentRecord struct {
	laps.Incident
	Never bool `json:"never,omitempty"` // it was not seen again before the trial ended
	// WheelMm is how far the wheels turned from the passage before it to the one
	// after it, -1 when nobody knows.
	WheelMm float64 `json:"wheel_mm"`
}

// Limits of silence after which a train is taken to stand (common practice, no
// source).
const (
	silentRatio = 3
	silentUs    = 4e6
	// A trial whose train was last seen so many laps before its end did not end as planned.
	goneLaps = 2
	goneUs   = 10e6
)

// record is an incident with what the motors say of it.
func (s *State) record(t *Entry, x laps.Incident) IncidentRecord {
	r := IncidentRecord{Incident: x, WheelMm: -1}
	until := x.FirstUs
	if until == 0 {
		until = max(s.NowUs, s.Book.HighUs)
		r.Never = true
	}
	r.WheelMm = s.wheels(t, x.LastUs, until)
	if x.Kind == laps.Stall && !r.spun() {
		s.halted(t, &r, until)
	}
	return r
}

// wheels is how far the driver sets turned on the rail between two instants, the
// most of any set; -1 when no counts cover them.
func (s *State) wheels(t *Entry, fromUs, toUs int64) float64 {
	most := -1.0
	for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
		m, per := s.Book.Motors[d.Motor], mmPerCountOf(d)
		if m == nil || per <= 0 || len(m.AtUs) == 0 {
			continue
		}
		a, okA := m.at(fromUs)
		b, okB := m.at(min(toUs, m.AtUs[len(m.AtUs)-1]))
		if okA && okB {
			most = math.Max(most, math.Abs(b-a)*per)
		}
	}
	return most
}

// spun reports whether the wheels turned much further than the train came.
func (r IncidentRecord) spun() bool { return r.WheelMm > 1.3*r.SpanMm+100 }

// halted places a stall where and when the wheels stopped, when counts tell.
func (s *State) halted(t *Entry, r *IncidentRecord, untilUs int64) {
	for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
		m, per := s.Book.Motors[d.Motor], mmPerCountOf(d)
		if m == nil || per <= 0 {
			continue
		}
		a, ok := m.at(r.LastUs)
		if !ok {
			continue
		}
		const still, crawl = 800_000, 5.0 // us, mm/s
		for us := r.LastUs; us+still <= untilUs; us += 100_000 {
			x, okX := m.at(us)
			y, okY := m.at(us + still)
			if !okX || !okY || math.Abs(y-x)*per > crawl*still/1e6 {
				continue
			}
			slot := s.slot(t)
			from := s.Book.line.GateMm(r.From)
			mm := math.Abs(x-a) * per
			r.AtUs, r.PositionMm = us, s.Book.line.Along(slot, from, mm)
			r.UMm = 2 + 0.02*mm // slip and wheel diameter: a few per cent at most (common practice, no source)
			return
		}
	}
}

func (s *State) slot(t *Entry) int {
	for i, x := range s.Book.Trials {
		if x == t {
			return i
		}
	}
	return -1
}

// lost is a train that has not come for far longer than it should have taken;
// at the end of a trial, one that has not come for laps.
func (b *Book) lost(s *State, t *Entry, slot int, core *tracker.Tracker, ended bool) (laps.Incident, bool) {
	w, dir, atUs, wantUs, ok := core.Silent(b.line, slot)
	if !ok {
		return laps.Incident{}, false
	}
	now := max(s.NowUs, b.HighUs)
	if t.Trial.ToUs != 0 {
		now = min(now, t.Trial.ToUs)
	}
	silence := float64(now - atUs)
	if silence < silentRatio*wantUs+silentUs {
		return laps.Incident{}, false
	}
	span := math.Abs(b.line.DistanceMm(slot, w, w+dir))
	if ended && silence < goneLaps*wantUs*b.line.LapMm/span+goneUs {
		return laps.Incident{}, false
	}
	from, to := b.line.Place(slot, w), b.line.Place(slot, w+dir)
	return laps.Incident{
		Kind: laps.Stall, AtUs: atUs + int64(wantUs/2), From: from.ID, To: to.ID, LastUs: atUs, SpanMm: span,
		PositionMm: b.line.Along(slot, from.PositionMm, span/2*float64(dir)), UMm: span / 2 / math.Sqrt(3),
	}, true
}

// incident is a record as it is told.
func (t *Entry) incident(r IncidentRecord) wire.Incident {
	x := wire.Incident{
		AtUs: r.AtUs, UntilUs: r.UntilUs, PositionMm: num(r.PositionMm), PositionUMm: num(r.UMm), FromGate: r.From, ToGate: r.To,
	}
	x.Kind, x.Text = t.kind(r)
	return x
}

// kind is what an incident was, as far as gates and wheels tell.
func (t *Entry) kind(r IncidentRecord) (kind, text string) {
	where := "between " + r.From + " and " + r.To
	if r.To == "" || r.To == r.From {
		where = "at or past " + r.From
	}
	late := fmt.Sprintf("%.1f s", float64(r.LateUs)/1e6)
	wheels := fmt.Sprintf("while its wheels turned for %.0f mm", r.WheelMm)
	switch {
	case r.Kind == laps.Reversal:
		return wire.Reversal, "it ran back past " + r.From
	case r.Kind == laps.Set && r.WheelMm >= 0 && !r.spun():
		return wire.LiftOff, "it was next seen at " + r.To + ", where it cannot have run to; its wheels stood: it was lifted off and set on there"
	case r.Kind == laps.Set:
		return wire.Derailment, "it was next seen at " + r.To + ", where it cannot have run to: it left the rails " + where + ", or was lifted off"
	case r.Never && r.spun():
		return wire.Derailment, "it was not seen again after " + r.From + " " + wheels
	case r.Never && t.Closed && r.WheelMm < 0:
		return wire.Derailment, "it was not seen again after " + r.From + " before the trial ended: derailed, lifted off or stopped, gates alone cannot tell"
	case r.Never:
		return wire.Stall, "it has not come " + where
	case r.spun():
		return wire.Derailment, "it came " + late + " late " + where + " " + wheels
	case r.WheelMm >= 0:
		return wire.Stall, "it stood for about " + late + " " + where + ", its wheels with it"
	}
	return wire.Stall, "it came " + late + " late " + where + "; gates alone cannot tell a stall from a derailment set right at the same place"
}
