package sim

import (
	"math"

	"rainhill/pkg/truth"
)

// Happenings: what befalls a train, step by step. behind and free ask the
// railway whether there is room.

// begin starts the happening that is due, if its place is come and there is
// room for it. Times are seconds of the run, places metres of front.
func (r *Railway) begin(b *body, atS, fromM float64) {
	for i := range b.Happens {
		h := &b.Happens[i]
		if b.phase != running || atS < b.due[i] || h.AtMm != nil && !r.reached(b, *h.AtMm, fromM) {
			continue
		}
		if h.Kind == truth.Reversal && r.behind(b) < h.BackMm+300 {
			continue
		}
		b.due[i] = math.Inf(1)
		if h.RepeatS > 0 {
			b.due[i] = atS + h.RepeatS*(0.5+b.rng.Float64())
		}
		b.now = h
		switch h.Kind {
		case truth.Stall, truth.Reversal:
			b.phase = stopping
		case truth.Derailment:
			r.derail(b, atS)
		case truth.LiftOff:
			r.incidentBegins(b, h.Kind, atS)
			r.take(b, atS)
		}
	}
	if b.phase == running && b.st.SpeedMS > b.tipMS(b.st.FrontM) {
		b.now = &Happening{Kind: truth.Derailment, ForS: 30}
		r.derail(b, atS)
	}
}

// reached reports whether the front came past a place of the lap in this step.
func (r *Railway) reached(b *body, mm, fromM float64) bool {
	lap := r.layout.LengthMm
	return math.Floor((b.frontMm()-mm)/lap) > math.Floor((1000*fromM-mm)/lap)
}

func (r *Railway) derail(b *body, atS float64) {
	r.incidentBegins(b, truth.Derailment, atS)
	b.stop()
	b.phase, b.untilS = lying, atS+liesS
	if b.now.ForS > 0 {
		b.untilS = atS + min(liesS, b.now.ForS/2)
	}
	b.lapS, b.backs = math.NaN(), 0
}

// take takes a train off the rails.
func (r *Railway) take(b *body, atS float64) {
	b.stop()
	r.vanish(b, atS)
	b.phase, b.untilS = off, math.Inf(1)
	b.lapS, b.backs = math.NaN(), 0
	if b.now.ForS > 0 {
		b.untilS = atS + b.now.ForS
		b.setFront = b.frontMm()
		if b.now.SetMm != nil {
			b.setFront = *b.now.SetMm
		}
	}
}

// advance takes a happening under way on to its next stage. In backing, stopping
// and turning the train itself decides when.
func (r *Railway) advance(b *body, atS float64) {
	still := b.st.SpeedMS == 0
	switch {
	case b.phase == stopping && still && b.now.Kind == truth.Stall:
		r.incidentBegins(b, truth.Stall, atS)
		b.phase, b.untilS, b.lapStall = standing, math.Inf(1), true
		if b.now.ForS > 0 {
			b.untilS = atS + b.now.ForS
		}
	case b.phase == stopping && still:
		r.incidentBegins(b, truth.Reversal, atS)
		b.phase, b.backToM, b.lapStall = backing, b.st.FrontM-b.now.BackMm/1000, true
	case b.phase == backing && b.st.FrontM <= b.backToM:
		b.phase = turning
	case b.phase == turning && still:
		b.phase, b.untilS = standing, atS+b.now.ForS
	case b.phase == standing && atS >= b.untilS:
		r.incidentEnds(b, atS)
	case b.phase == lying && atS >= b.untilS:
		r.take(b, atS)
	case b.phase == off && atS >= b.untilS && r.free(b):
		r.setDown(b, atS)
	}
}

// setDown puts a train on the rails again.
func (r *Railway) setDown(b *body, atS float64) {
	lap := r.layout.LengthMm
	was := b.frontMm()
	on := b.setFront + lap*math.Round((was-b.setFront)/lap)
	b.carriedM += (on - was) / 1000
	b.st.FrontM = on / 1000
	b.phase = running
	r.appear(b, atS)
	r.incidentEnds(b, atS)
}

func (r *Railway) incidentBegins(b *body, kind string, atS float64) {
	b.incident = -1
	if !r.keep {
		return
	}
	b.incident = len(r.truth.Incidents)
	place := math.Mod(b.frontMm(), r.layout.LengthMm)
	if place < 0 {
		place += r.layout.LengthMm
	}
	r.truth.Incidents = append(r.truth.Incidents, truth.Incident{Trial: b.Trial, Kind: kind, AtUs: r.us(atS), PositionMm: place})
}

func (r *Railway) incidentEnds(b *body, atS float64) {
	if b.incident >= 0 && b.incident < len(r.truth.Incidents) {
		r.truth.Incidents[b.incident].UntilUs = r.us(atS)
	}
	b.phase, b.now, b.incident = running, nil, -1
}
