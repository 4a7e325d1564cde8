package dynamics

import (
	"sort"

	"rainhill/pkg/circuit"
)

// Track is how sharply a lap curves, ready for summing over a train's length.
type Track struct {
	LapM  float64
	from  []float64 // start of each piece
	curve []float64 // 1/radius on it, 0 on a straight
	sum   []float64 // integral of 1/radius up to its start
	total float64
}

// NewTrack lays pieces end to end; without pieces it is a straight lap of lapM.
func NewTrack(pieces []circuit.Piece, lapM float64) *Track {
	t := &Track{}
	for _, p := range pieces {
		n, k := p.LengthMm()/1000, 0.0
		if p.RadiusMm > 0 && p.AngleDeg > 0 {
			k = 1000 / p.RadiusMm
		}
		if n > 0 {
			t.add(n, k)
		}
	}
	if len(t.from) == 0 {
		t.add(lapM, 0)
	}
	return t
}

func (t *Track) add(n, k float64) {
	t.from, t.curve, t.sum = append(t.from, t.LapM), append(t.curve, k), append(t.sum, t.total)
	t.LapM += n
	t.total += n * k
}

// bend is the integral of 1/radius from the start of the lap to x, which runs on
// over laps, and 1/radius there.
func (t *Track) bend(x float64) (integral, curve float64) {
	laps, s := 0.0, x
	for s >= t.LapM {
		n := float64(int(s / t.LapM))
		laps, s = laps+n, s-n*t.LapM
	}
	for s < 0 {
		laps, s = laps-1, s+t.LapM
	}
	i := sort.Search(len(t.from), func(i int) bool { return t.from[i] > s }) - 1
	i = max(i, 0)
	return laps*t.total + t.sum[i] + (s-t.from[i])*t.curve[i], t.curve[i]
}

// Curve is 1/radius averaged over a train of lengthM whose front is at x, and
// how that changes with x.
func (t *Track) Curve(x, lengthM float64) (mean, slope float64) {
	if t.total == 0 || !(lengthM > 0) {
		return 0, 0
	}
	front, a := t.bend(x)
	rear, b := t.bend(x - lengthM)
	return (front - rear) / lengthM, (a - b) / lengthM
}

// At is 1/radius at x, 0 on a straight.
func (t *Track) At(x float64) float64 {
	_, k := t.bend(x)
	return k
}
