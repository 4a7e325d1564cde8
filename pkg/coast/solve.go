package coast

import (
	"fmt"
	"math"

	"rainhill/pkg/motor"
)

// linear is a fit y = X b and (X'X)^-1.
type linear struct {
	b       []float64
	inverse [][]float64
}

// solve fits y to the columns of x, a row each.
func solve(x [][]float64, y []float64) (linear, error) {
	l, err := motor.LeastSquares(x, y, nil)
	return linear{l.B, l.Inverse}, err
}

// bounded fits y to the columns of x that are used, each b at least as large as its bound:
// of all choices of columns that lie at their bounds the best that keeps them (there are
// 16 at most). The others stay 0.
func bounded(x [][]float64, y []float64, used [terms]bool, least [terms]float64) (b [terms]float64, err error) {
	best := math.Inf(1)
	err = fmt.Errorf("no step keeps the terms from being negative")
	for held := range 1 << terms {
		trial, fault := oneBounded(x, y, used, least, held)
		if fault != nil {
			continue
		}
		if s := squares(x, y, trial); s < best {
			best, b, err = s, trial, nil
		}
		if held == 0 && err == nil {
			return b, nil // nothing is held: nothing can be better
		}
	}
	return b, err
}

// oneBounded fits with the columns whose bit is set at their bounds.
func oneBounded(x [][]float64, y []float64, used [terms]bool, least [terms]float64, held int) (b [terms]float64, err error) {
	var columns []int
	for j := range terms {
		switch {
		case held>>j&1 == 1 && (!used[j] || math.IsInf(least[j], -1)):
			return b, errHeld
		case held>>j&1 == 1:
			b[j] = least[j]
		case used[j]:
			columns = append(columns, j)
		}
	}
	if len(columns) == 0 {
		return b, nil
	}
	rest, part := make([]float64, len(y)), make([][]float64, len(y))
	for i := range y {
		rest[i] = y[i]
		for j := range terms {
			rest[i] -= x[i][j] * b[j]
		}
		for _, j := range columns {
			part[i] = append(part[i], x[i][j])
		}
	}
	l, err := solve(part, rest)
	if err != nil {
		return b, err
	}
	for k, j := range columns {
		if b[j] = l.b[k]; b[j] < least[j] {
			return b, errHeld
		}
	}
	return b, nil
}

var errHeld = fmt.Errorf("a term would pass its bound")

func squares(x [][]float64, y []float64, b [terms]float64) (sum float64) {
	for i := range y {
		off := y[i]
		for j := range terms {
			off -= x[i][j] * b[j]
		}
		sum += off * off
	}
	return sum
}
