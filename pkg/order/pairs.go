package order

import "fmt"

// maxPairs is how many pairs are drawn at most.
const maxPairs = 1000

// Pairs is the order of paired trials of two levels: each pair, a Round here, is a run
// of either. In half of the pairs a is first and in half b, so that a drift of the day
// favours neither; of an odd number of pairs chance decides the one left over. Which pairs
// those are is drawn from the seed; the same seed gives the same order.
//
// A running order of two entries by Draw is as good where the pairs are even in number;
// of an odd number its Blocks let one entry be first in every round.
//
// Errors: pairs outside 1 to 1000, and equal levels.
func Pairs(a, b string, pairs int, seed uint64) ([]Run, error) {
	if pairs < 1 || pairs > maxPairs || a == b {
		return nil, fmt.Errorf("draw the order of paired trials: %d pairs of %q and %q, want 1 to %d of two levels", pairs, a, b, maxPairs)
	}
	h := newHat(seed)
	bFirst := pairs / 2
	if pairs%2 == 1 {
		bFirst += h.below(2)
	}
	runs := make([]Run, 0, 2*pairs)
	for i, k := range h.permutation(pairs) {
		one, two := a, b
		if k < bFirst {
			one, two = b, a
		}
		runs = append(runs, Run{Round: i + 1, Place: 1, Entry: one}, Run{Round: i + 1, Place: 2, Entry: two})
	}
	return runs, nil
}
