package coast

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Arc is a stretch of the lap that is curved, within 0 and LapM.
type Arc struct{ FromM, ToM float64 }

// Track is where the arcs of a lap lie, in order, and how long the train is: of a train
// of 0 m the front alone counts. PlaceUM is the standard uncertainty of each gate's place. The zero
// Track is a straight.
type Track struct {
	LapM    float64
	Arcs    []Arc
	TrainM  float64
	PlaceUM float64
}

// curved is the length of arcs from 0 to s.
func (t Track) curved(s float64) (sum float64) {
	laps := math.Floor(s / t.LapM)
	for _, a := range t.Arcs {
		sum += laps * (a.ToM - a.FromM)
		sum += min(max(s-laps*t.LapM-a.FromM, 0), a.ToM-a.FromM)
	}
	return sum
}

// leg is a stretch on which the part of the train on arcs changes evenly: from its end,
// where it is share, by slope per metre back towards its start. At its start an instant
// was read; -1: none.
type leg struct {
	lengthM, share, slope float64
	instant               int
}

// legs are those between the first and the last instant, the last first.
func (t Track) legs(x []Instant) []leg {
	from, to := x[0].AtM, x[len(x)-1].AtM
	way := 1.0
	if to < from {
		way = -1
	}
	knots := []float64{}
	for _, i := range x {
		knots = append(knots, i.AtM)
	}
	if t.LapM > 0 && len(t.Arcs) > 0 {
		knots = append(knots, t.edges(min(from, to), max(from, to), way)...)
	}
	slices.SortFunc(knots, func(a, b float64) int { return int(math.Copysign(1, way*(a-b))) })
	knots = slices.CompactFunc(knots, func(a, b float64) bool { return a == b })
	var out []leg
	for i := len(knots) - 1; i > 0; i-- {
		l := leg{lengthM: math.Abs(knots[i] - knots[i-1]), instant: slices.IndexFunc(x, func(at Instant) bool { return at.AtM == knots[i-1] })}
		l.share, l.slope = t.share(knots[i-1], knots[i], way)
		out = append(out, l)
	}
	return out
}

// edges are the places between lo and hi at which the part on arcs bends.
func (t Track) edges(lo, hi, way float64) (out []float64) {
	for lap := math.Floor((lo-t.TrainM)/t.LapM) - 1; lap*t.LapM <= hi+t.TrainM; lap++ {
		for _, a := range t.Arcs {
			for _, e := range []float64{a.FromM, a.ToM} {
				e += lap * t.LapM
				for _, k := range []float64{e, e + way*t.TrainM} {
					if k > lo && k < hi {
						out = append(out, k)
					}
				}
			}
		}
	}
	return out
}

// share is the part of the train on arcs with its front at to, and by how much it is less
// for every metre back towards from.
func (t Track) share(from, to, way float64) (at, slope float64) {
	if !(t.LapM > 0) || len(t.Arcs) == 0 {
		return 0, 0
	}
	length := math.Abs(to - from)
	if !(t.TrainM > 0) {
		return math.Abs(t.curved(to)-t.curved(from)) / length, 0
	}
	part := func(s float64) float64 { return math.Abs(t.curved(s)-t.curved(s-way*t.TrainM)) / t.TrainM }
	at = part(to)
	return at, (at - part(from)) / length
}

// ErrBackward is a place that lies behind the one before, on a track without a lap.
var ErrBackward = errors.New("the places go to and fro")

// Unwrap lets places count on: on a lap of lapM a place that does not lie ahead of the
// one before is one of the next lap. The train ran forward unless that is half as long
// again as the other way to all of them (a gate that missed it makes the right way the
// longer); running back places fall.
// Without a lap (0) they have to lie in order as they are. bad is the index of the
// first that does not.
func Unwrap(lapM float64, places []float64) (out []float64, bad int, err error) {
	forth, back := slices.Clone(places), slices.Clone(places)
	badForth, badBack := -1, -1
	for i := 1; i < len(places); i++ {
		forth[i] = beyond(forth[i-1], places[i], lapM)
		back[i] = -beyond(-back[i-1], -places[i], lapM)
		if badForth < 0 && !(forth[i] > forth[i-1]) {
			badForth = i
		}
		if badBack < 0 && !(back[i] < back[i-1]) {
			badBack = i
		}
	}
	n := len(places) - 1
	switch {
	case n < 1:
		return forth, -1, nil
	case badForth < 0 && (badBack >= 0 || forth[n]-forth[0] <= 1.5*(back[0]-back[n])):
		return forth, -1, nil
	case badBack < 0:
		return back, -1, nil
	}
	bad = max(badForth, badBack)
	return nil, bad, fmt.Errorf("%w: %g m after %g m", ErrBackward, places[bad], places[bad-1])
}

// beyond is the place on, counted so that it lies ahead of last where there is a lap.
func beyond(last, on, lapM float64) float64 {
	if !(lapM > 0) || on > last {
		return on
	}
	return on + lapM*(math.Floor((last-on)/lapM)+1)
}
