package sim

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"rainhill/pkg/dynamics"
	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
)

// wheelMm is how much of a wheel a beam sees.
const wheelMm = 10.0

// mark is what a gate sees of a train, from lead to trail behind its front in
// mm; a pulse when both are the same.
type mark struct{ lead, trail float64 }

// passage is a train at a gate: what the gate makes of it.
type passage struct {
	missed bool
	tag    string
}

// edge is one true change at a gate.
type edge struct {
	b    *body
	beam int64 // 0 for a single one
	atS  float64
	kind string
}

// gate is a gate at work.
type gate struct {
	Gate
	rng    *rand.Rand
	jitter float64
	agent  *agent
	falseS float64 // when the next false crossing is due
}

// marks is what the gate sees of a train.
func (g *gate) marks(b *body) []mark {
	switch g.Sees {
	case SeesFront:
		return []mark{{0, 0}}
	case SeesAxles, SeesSpans:
		half := 0.0
		if g.Sees == SeesSpans {
			half = wheelMm / 2
		}
		var all []mark
		for _, a := range b.axlesMm {
			all = append(all, mark{a - half, a + half})
		}
		return all
	}
	return []mark{{-b.Loco.OverhangMm, b.lengthMm}}
}

// beam is one beam of a gate: what it is called (0 for a single one) and where.
type beam struct {
	name    int64
	placeMm float64
}

func (g *gate) beams() []beam {
	if g.Sees == SeesPair {
		return []beam{{1, g.PositionMm}, {2, g.PositionMm + g.PairMm}}
	}
	return []beam{{0, g.PositionMm}}
}

// past calls do with every instant (in seconds after the start of p, and whether
// forward) at which what stands back mm behind the front passes a place.
func (r *Railway) past(p dynamics.Span, placeMm, back float64, do func(s float64, forward bool)) {
	lap := r.layout.LengthMm
	from, to := 1000*p.FromM-back-placeMm, 1000*p.ToM-back-placeMm
	a, b := math.Floor(from/lap), math.Floor(to/lap)
	if a == b {
		return
	}
	if s, ok := p.At((math.Max(a, b)*lap + back + placeMm) / 1000); ok {
		do(s, b > a)
	}
}

// see notes what gates see of a train that moves through p, from was and atS on.
func (r *Railway) see(b *body, p dynamics.Span, was dynamics.State, atS float64) {
	for i, g := range r.gates {
		r.past(p, g.PositionMm, 0, func(s float64, forward bool) { r.frontPasses(b, g, atS+s, b.wheels(was, p, s), forward) })
		for _, head := range []bool{true, false} {
			end := b.lengthMm
			if head {
				end = -max(b.Loco.OverhangMm, wheelMm/2)
			}
			r.past(p, g.PositionMm, end, func(_ float64, forward bool) {
				if forward == head {
					b.inside[i] = r.passage(g, b)
				}
			})
		}
		for _, beam := range g.beams() {
			for _, m := range b.marks[i] {
				r.seeMark(b, g, p, atS, beam, m)
			}
		}
	}
}

func (r *Railway) seeMark(b *body, g *gate, p dynamics.Span, atS float64, beam beam, m mark) {
	note := func(kind string) func(float64, bool) {
		return func(s float64, forward bool) {
			k := kind
			if !forward && k != wire.EdgePulse {
				k = map[string]string{wire.EdgeEnter: wire.EdgeLeave, wire.EdgeLeave: wire.EdgeEnter}[k]
			}
			g.agent.edges = append(g.agent.edges, noted{g, edge{b, beam.name, atS + s, k}})
		}
	}
	if m.lead == m.trail {
		r.past(p, beam.placeMm, m.lead, note(wire.EdgePulse))
		return
	}
	r.past(p, beam.placeMm, m.lead, note(wire.EdgeEnter))
	r.past(p, beam.placeMm, m.trail, note(wire.EdgeLeave))
}

// vanish and appear are a train taken off and set down: beams that it covers
// become free, and the other way round.
func (r *Railway) vanish(b *body, atS float64) { r.blink(b, atS, wire.EdgeLeave) }
func (r *Railway) appear(b *body, atS float64) { r.blink(b, atS, wire.EdgeEnter) }

func (r *Railway) blink(b *body, atS float64, kind string) {
	if b.WheelsFree {
		return
	}
	lap := r.layout.LengthMm
	for i, g := range r.gates {
		for _, beam := range g.beams() {
			for _, m := range b.marks[i] {
				behind := math.Mod(math.Mod(b.frontMm()-beam.placeMm, lap)+lap, lap) // of the front
				if m.lead < m.trail && behind > m.lead && behind < m.trail {
					if kind == wire.EdgeEnter {
						b.inside[i] = r.passage(g, b)
					}
					g.agent.edges = append(g.agent.edges, noted{g, edge{b, beam.name, atS, kind}})
				}
			}
		}
	}
}

// passage draws what a gate makes of a train that comes to it.
func (r *Railway) passage(g *gate, b *body) passage {
	f := &r.scenario.Faults
	r.truth.Faults.Passages++
	p := passage{missed: g.rng.Float64() < f.Missed, tag: b.Tag}
	if p.missed {
		r.truth.Faults.Missed++
	}
	read, wrong, other := g.rng.Float64(), g.rng.Float64(), g.rng.IntN(len(r.trains))
	switch {
	case p.tag == "":
	case read < f.UnreadTags:
		p.tag = ""
		r.truth.Faults.UnreadTags++
	case wrong < f.WrongTags && r.trains[other].Tag != p.tag:
		p.tag = r.trains[other].Tag
		r.truth.Faults.WrongTags++
	}
	return p
}

// frontPasses books a true passage.
func (r *Railway) frontPasses(b *body, g *gate, atS float64, wheels [dynamics.MaxSets]float64, forward bool) {
	if !r.keep {
		return
	}
	at := float64(r.startUs) + atS*1e6
	p := truth.Passage{Gate: g.ID, AtUs: at, Reverse: !forward}
	for _, m := range wheels[:len(b.Loco.Sets)] {
		p.WheelMm = append(p.WheelMm, 1000*m)
	}
	b.counted.Passages = append(b.counted.Passages, p)
	if g.Timing {
		b.lapDone(r.startUs, atS, r.layout.LengthMm/1000, wheels, !forward)
	}
}

// noted is an edge with its gate.
type noted struct {
	g *gate
	edge
}

// tell makes events of the edges that were noted, in order of time.
func (r *Railway) tell(a *agent) {
	slices.SortStableFunc(a.edges, func(x, y noted) int { return cmp.Compare(x.atS, y.atS) })
	f := &r.scenario.Faults
	for _, n := range a.edges {
		p := &n.b.inside[slices.Index(r.gates, n.g)]
		if p.missed {
			continue
		}
		if n.g.rng.Float64() < f.MissedEdges {
			r.truth.Faults.MissedEdges++
			continue
		}
		r.cross(n.g, n.beam, n.kind, p.tag, n.atS)
		p.tag = "" // read once, with the first that is seen
		if n.g.rng.Float64() < f.Bounce {
			r.bounce(n)
		}
	}
	a.edges = a.edges[:0]
}

// bounce adds what an unsteady contact adds after an edge: pulses, or the edge
// undone and done again.
func (r *Railway) bounce(n noted) {
	f := &r.scenario.Faults
	at := n.atS
	for range 1 + n.g.rng.IntN(max(1, f.BounceEdges)) {
		at += n.g.rng.Float64() * f.BounceUs / 1e6 / float64(max(1, f.BounceEdges))
		r.truth.Faults.Bounces++
		if n.kind != wire.EdgePulse {
			back := wire.EdgeEnter
			if n.kind == wire.EdgeEnter {
				back = wire.EdgeLeave
			}
			r.cross(n.g, n.beam, back, "", at)
			at += n.g.rng.Float64() * f.BounceUs / 1e6 / float64(max(1, f.BounceEdges))
			r.truth.Faults.Bounces++
		}
		r.cross(n.g, n.beam, n.kind, "", at)
	}
}

// clutter adds false crossings that are due before untilS.
func (r *Railway) clutter(g *gate, untilS float64) {
	f := &r.scenario.Faults
	for ; f.FalsePerMinute > 0 && g.falseS < untilS; g.falseS += g.rng.ExpFloat64() * 60 / f.FalsePerMinute {
		r.truth.Faults.FalseCrossings++
		beam := int64(0)
		if g.Sees == SeesPair {
			beam = 1 + g.rng.Int64N(2)
		}
		if g.Sees == SeesFront || g.Sees == SeesAxles {
			r.cross(g, beam, wire.EdgePulse, "", g.falseS)
			continue
		}
		r.cross(g, beam, wire.EdgeEnter, "", g.falseS)
		r.cross(g, beam, wire.EdgeLeave, "", g.falseS+0.005+0.075*g.rng.Float64())
	}
}

// cross makes a crossing event, stamped by the gate's agent.
func (r *Railway) cross(g *gate, beam int64, kind, tag string, atS float64) {
	f := &r.scenario.Faults
	jitter := g.jitter * min(max(g.rng.NormFloat64(), -6), 6) / 1e6
	us := g.agent.clockUs(atS + jitter)
	if f.TickUs > 1 {
		us = math.Floor(us/f.TickUs) * f.TickUs
	}
	e := wire.Event{Kind: wire.KindCrossing, Gate: g.ID, Edge: kind, Tag: tag, AtUs: r.startUs + int64(math.Round(us))}
	if beam > 0 {
		e.Beam = &beam
	}
	stated := f.UStated
	if g.UStated != nil {
		stated = *g.UStated
	}
	if stated {
		u := math.Sqrt(g.jitter*g.jitter + max(1, f.TickUs)*max(1, f.TickUs)/12)
		e.UUs = &u
	}
	g.agent.send(e, atS)
}
