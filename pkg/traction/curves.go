package traction

import (
	"math"

	"rainhill/pkg/circuit"
)

// Curves is where a circuit bends, for the share of a locomotive that is on curves.
type Curves struct {
	lap  float64
	ends []float64 // of the pieces, mm along
	bent []float64 // mm of curve up to there
	bend []bool
}

// NewCurves lays pieces end to end and stretches them to the lap length that is
// reckoned with. ok is false without pieces or without a curve among them.
func NewCurves(pieces []circuit.Piece, lapMm float64) (c Curves, ok bool) {
	total := circuit.Lay(pieces).LengthMm
	if !(total > 0) || !(lapMm > 0) {
		return c, false
	}
	c.lap = lapMm
	at, bent := 0.0, 0.0
	for _, p := range pieces {
		n, curve := p.LengthMm()*lapMm/total, p.RadiusMm > 0 && p.AngleDeg > 0
		if !(n > 0) {
			continue
		}
		at += n
		if curve {
			bent, ok = bent+n, true
		}
		c.ends, c.bent, c.bend = append(c.ends, at), append(c.bent, bent), append(c.bend, curve)
	}
	return c, ok
}

// upTo is the length of curve from the start of the lap to x, which runs on over laps.
func (c Curves) upTo(x float64) float64 {
	laps := math.Floor(x / c.lap)
	s, last := x-laps*c.lap, len(c.ends)-1
	from, before := 0.0, 0.0
	for i, end := range c.ends {
		if s <= end || i == last {
			if c.bend[i] {
				before += min(s, end) - from
			}
			break
		}
		from, before = end, c.bent[i]
	}
	return laps*c.bent[last] + before
}

// Share is how much of a locomotive of lengthMm stands on curves while its front
// runs mm on from fromMm, mean over the way; backwards the lap is run the other way
// round. It is the locomotive's own share: its wheels slip where it stands, whatever
// the cars behind stand on.
func (c Curves) Share(fromMm, mm, lengthMm float64, backwards bool) float64 {
	const parts = 64
	length := max(lengthMm, 1)
	sum := 0.0
	for i := range parts {
		way := mm * (float64(i) + 0.5) / parts
		if backwards {
			x := fromMm - way
			sum += (c.upTo(x+length) - c.upTo(x)) / length
		} else {
			x := fromMm + way
			sum += (c.upTo(x) - c.upTo(x-length)) / length
		}
	}
	return sum / parts
}
