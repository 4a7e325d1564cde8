package order

import (
	"math"
	"math/rand/v2"
	"slices"
)

// draws is how many running orders are drawn in Blocks to choose from.
const draws = 200

// hat is what is drawn from: PCG-DXSM of math/rand/v2, its second word 0. Drawing
// below a bound and shuffling are spelt out here, so that a seed of years ago
// still gives its plan.
type hat struct{ src *rand.PCG }

func newHat(seed uint64) hat { return hat{rand.NewPCG(seed, 0)} }

// below is 0 to n-1, each equally likely: what lies above the last multiple of n
// is drawn again.
func (h hat) below(n int) int {
	m := uint64(n)
	for {
		if v := h.src.Uint64(); v < math.MaxUint64-math.MaxUint64%m {
			return int(v % m)
		}
	}
}

// permutation is 0 to n-1 in an order of which each is equally likely (Fisher and
// Yates).
func (h hat) permutation(n int) []int {
	p := make([]int, n)
	for i := range p {
		p[i] = i
	}
	for i := n - 1; i > 0; i-- {
		j := h.below(i + 1)
		p[i], p[j] = p[j], p[i]
	}
	return p
}

// size is how many rows a Williams design of n entries has.
func size(n int) int { return n * (1 + n%2) }

// cell is the entry of a Williams design's row at a place, all from 0. Row i < n
// is 0, 1, n-1, 2, n-2, ... with i added, modulo n; for odd n row n+i is row i
// from its end. In each row the differences of neighbours are all different (n
// even), or those of row and mirror together are each there twice (n odd), so
// that over the rows each entry follows each other one equally often (Williams
// 1949).
func cell(n, row, place int) int {
	if row >= n {
		row, place = row-n, n-1-place
	}
	zigzag := (place + 1) / 2
	if place%2 == 0 {
		zigzag = n - place/2
	}
	return (zigzag + row) % n
}

// williams is the rows of as many Williams designs as fill the rounds, each with
// labels of its own and the rows in random order. The last may be cut short.
// Entry before, -1 for nobody, ran last and does not run first.
func (h hat) williams(n, rounds, before int) (out [][]int) {
	for len(out) < rounds {
		labels := h.permutation(n)
		for _, row := range h.rows(n, min(rounds-len(out), size(n)), slices.Index(labels, before)) {
			entries := make([]int, n)
			for place := range entries {
				entries[place] = labels[cell(n, row, place)]
			}
			out = append(out, entries)
		}
		before = out[len(out)-1][n-1]
	}
	return out
}

// rows is some rows of a Williams design in random order, drawn again until
// nobody runs twice in a row at their seams. For n > 2 there is such an order
// whoever ran before: rows i, i+1, i+2, ... and then their mirrors backwards. Of
// two entries the one row's last is the other's first.
func (h hat) rows(n, some, before int) []int {
	for {
		rows, last := h.permutation(size(n))[:some], before
		free := true
		for i, row := range rows {
			free = free && (cell(n, row, 0) != last || n == 2 && i == 1)
			last = cell(n, row, n-1)
		}
		if free {
			return rows
		}
	}
}

// shuffled is rounds that have nothing to do with each other, but that nobody
// runs twice in a row where n > 1: such a round's first changes places with
// another at random, which leaves every order allowed equally likely.
func (h hat) shuffled(n, rounds, before int) (out [][]int) {
	for range rounds {
		p := h.permutation(n)
		if n > 1 && p[0] == before {
			k := 1 + h.below(n-1)
			p[0], p[k] = p[k], p[0]
		}
		before = p[n-1]
		out = append(out, p)
	}
	return out
}

// blocks is the most balanced of several draws together with what t has counted
// so far; by turns shuffled rounds and rows of Williams designs, which are good
// even where they do not fit as a whole. Rows of two entries' would let one run
// twice in a row.
func (h hat) blocks(t *tally, rounds, before int) (best [][]int) {
	least := math.MaxInt
	for k := range draws {
		draw := h.shuffled
		if k%2 == 1 && t.n > 2 {
			draw = h.williams
		}
		drawn := draw(t.n, rounds, before)
		if u := t.unequal(drawn); u < least {
			best, least = drawn, u
		}
	}
	return best
}

// tally counts how often each of n entries stands at each place and runs directly
// before each other one in a round; squares is the sum of the squares of these
// counts. With as many runs it is the least where the counts are most equal.
type tally struct {
	n           int
	place, pair []int32 // entry*n + place; entry*n + the next entry
	squares     int
}

func newTally(n int) *tally { return &tally{n: n, place: make([]int32, n*n), pair: make([]int32, n*n)} }

func (t *tally) add(count *int32, by int32) {
	was := *count
	*count += by
	t.squares += int(*count)*int(*count) - int(was)*int(was)
}

// count adds rounds to the tally, or takes them from it when by is -1.
func (t *tally) count(rounds [][]int, by int32) {
	for _, round := range rounds {
		for place, e := range round {
			t.add(&t.place[e*t.n+place], by)
			if place > 0 {
				t.add(&t.pair[round[place-1]*t.n+e], by)
			}
		}
	}
}

// unequal is the sum of squares with these rounds, which are not kept.
func (t *tally) unequal(rounds [][]int) int {
	t.count(rounds, 1)
	u := t.squares
	t.count(rounds, -1)
	return u
}

// day adds what the day had so far of those present (sorted), and says who of
// them ran last, -1 if none. Places beyond n are not there any more.
func (t *tally) day(runs []Run, present []string) (last int) {
	last = -1
	for i, r := range runs {
		e, here := slices.BinarySearch(present, r.Entry)
		if !here {
			last = -1
			continue
		}
		if r.Place <= t.n {
			t.add(&t.place[e*t.n+r.Place-1], 1)
		}
		if last >= 0 && runs[i-1].Round == r.Round {
			t.add(&t.pair[last*t.n+e], 1)
		}
		last = e
	}
	return last
}
