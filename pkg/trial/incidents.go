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
	// after it, both ways added, -1 when nobody knows; BackMm how far they ran back
	// at a stretch.
	WheelMm float64 `json:"wheel_mm"`
	BackMm  float64 `json:"back_mm,omitempty"`
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
	turn := s.wheels(t, x.LastUs, until)
	r.WheelMm, r.BackMm = turn.mm, turn.backMm
	switch {
	case x.Kind == laps.Stall && r.ranBack():
		slot := s.slot(t)
		r.AtUs = turn.backUs
		r.PositionMm, r.UMm = s.Book.line.Along(slot, s.Book.line.GateMm(r.From), turn.outMm), 2+0.02*turn.outMm
	case x.Kind == laps.Stall && !r.spun():
		s.halted(t, &r, until)
	}
	return r
}

// turning is what wheels did: how far they turned in all, and the longest stretch
// back, with when it began and how far they had come by then.
type turning struct {
	mm, backMm, outMm float64
	backUs            int64
}

// wheels is how the driver sets turned between two instants, of the set that
// turned most; mm is -1 when no counts cover them. Forward is as they turned
// before.
func (s *State) wheels(t *Entry, fromUs, toUs int64) turning {
	most := turning{mm: -1}
	for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
		m, per := s.Book.Motors[d.Motor], mmPerCountOf(d)
		if m == nil || per <= 0 || len(m.AtUs) == 0 {
			continue
		}
		a, okA := m.At(fromUs)
		before, _ := m.At(max(fromUs-lookBackUs, m.AtUs[0]))
		last := min(toUs, m.AtUs[len(m.AtUs)-1])
		if _, okB := m.At(last); !okA || !okB {
			continue
		}
		if a < before {
			per = -per
		}
		var w turning
		at, peak, peakUs := 0.0, 0.0, fromUs
		for us := fromUs; us < last; {
			us = min(us+lookUs, last)
			if x, ok := m.At(us); ok {
				now := (x - a) * per
				w.mm += math.Abs(now - at)
				at = now
			}
			if at > peak {
				peak, peakUs = at, us
			}
			if peak-at > w.backMm {
				w.backMm, w.backUs, w.outMm = peak-at, peakUs, peak
			}
		}
		if w.mm > most.mm {
			most = w
		}
	}
	return most
}

// What wheels do is looked at in such steps, and which way is forward so far back.
const (
	lookUs     = 200_000
	lookBackUs = 5_000_000
)

// spun reports whether the wheels turned much further than the train came,
// ranBack whether they ran back, and carried whether the train came further than
// they turned. Slip and wheel diameter are worth a few per cent (common practice,
// no source).
func (r IncidentRecord) spun() bool    { return r.WheelMm > 1.1*r.SpanMm+150+2*r.BackMm }
func (r IncidentRecord) ranBack() bool { return r.WheelMm >= 0 && r.BackMm > 50 }
func (r IncidentRecord) carried() bool { return r.WheelMm >= 0 && r.WheelMm < 0.9*r.SpanMm-50 }

// halted places a stall where and when the wheels stopped, when counts tell.
func (s *State) halted(t *Entry, r *IncidentRecord, untilUs int64) {
	for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
		m, per := s.Book.Motors[d.Motor], mmPerCountOf(d)
		if m == nil || per <= 0 {
			continue
		}
		a, ok := m.At(r.LastUs)
		if !ok {
			continue
		}
		const still, crawl = 800_000, 5.0 // us, mm/s
		for us := r.LastUs; us+still <= untilUs; us += 100_000 {
			x, okX := m.At(us)
			y, okY := m.At(us + still)
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
	case r.Kind == laps.Set && r.ranBack():
		return wire.Reversal, fmt.Sprintf("it ran back for %.0f mm by its wheels, %s", r.BackMm, where)
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
	case r.ranBack():
		return wire.Reversal, fmt.Sprintf("it ran back for %.0f mm by its wheels, %s", r.BackMm, where)
	case r.carried():
		return wire.LiftOff, fmt.Sprintf("it came %s late %s, of %.0f mm its wheels ran %.0f: it was carried the rest", late, where, r.SpanMm, r.WheelMm)
	case r.spun():
		return wire.Derailment, "it came " + late + " late " + where + " " + wheels
	case r.WheelMm >= 0:
		return wire.Stall, "it stood for about " + late + " " + where + ", its wheels with it"
	}
	return wire.Stall, "it came " + late + " late " + where + "; gates alone cannot tell a stall from a derailment set right at the same place"
}
