package coast

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"rainhill/pkg/circuit"
)

// byPlaces is the covariance of the terms that places off by a metre each would make, on
// their own: what is read at one gate in every run and lap is off alike. A gate that
// stands further on is passed later by that over the speed.
func (f *fit) byPlaces(rows [][]float64) (out [terms][terms]float64, err error) {
	off := map[int64][]float64{} // by gate, how the rows change with its place
	row := 0
	for _, c := range f.courses {
		x := c.run.Instants
		way := math.Copysign(1, x[len(x)-1].AtM-x[0].AtM)
		for i := range x {
			gate := int64(math.Round(1e4 * circuit.Wrap(f.track.LapM, x[i].AtM)))
			if off[gate] == nil {
				off[gate] = make([]float64, len(rows))
			}
			column := make([]float64, len(x))
			column[i] = way / c.places[i].v
			c.centre(column)
			c.withoutSpeed(column)
			for k := range column {
				off[gate][row+k] += column[k]
			}
		}
		row += len(x)
	}
	for _, gate := range slices.Sorted(maps.Keys(off)) { // in order, so that sums round alike
		b, err := bounded(rows, off[gate], f.used, anything())
		if err != nil {
			return out, err
		}
		for j := range b {
			for k := range b {
				out[j][k] += b[j] * b[k]
			}
		}
	}
	return out, nil
}

// places adds what the places leave open to the covariance, or says what it would be where
// they are taken as exact.
func (f *fit) places(res *Resistance, rows [][]float64) {
	off, err := f.byPlaces(rows)
	if err != nil {
		return
	}
	u := f.track.PlaceUM
	for j := range off {
		for k := range off {
			res.covariance[j][k] += u * u * off[j][k]
		}
	}
	const mm = 1e-3
	if by := mm * math.Sqrt(off[A][A]); u == 0 && by > math.Sqrt(res.covariance[A][A]) {
		res.Doubts = append(res.Doubts, fmt.Sprintf("the places of gates are taken as exact: were each known to 1 mm only, a would be uncertain by %.2g m/s2 (standard) for that alone, which is more than is told here", by))
	}
}
