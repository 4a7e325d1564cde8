package order

import (
	"maps"
	"slices"
)

// Balance is how evenly runs are spread over places and neighbours. Rows and
// columns of its tables are those of Entries.
//
// AtPlace[a][p-1] is how often entry a stands at place p of a round, for every
// place up to the last that anyone has. Before[a][b] is how often entry a runs
// directly before entry b in the same round; the end of a round and the start of
// the next are not a pair. The least and the most are those over all of AtPlace,
// and over all ordered pairs of two entries; all 0 where there is none. Where
// entries came late or withdrew rounds differ in length, and the least says so.
type Balance struct {
	Entries  []string `json:"entries"` // sorted
	AtPlace  [][]int  `json:"at_place"`
	Before   [][]int  `json:"before"`
	PlaceMin int      `json:"place_min"`
	PlaceMax int      `json:"place_max"`
	PairMin  int      `json:"pair_min"`
	PairMax  int      `json:"pair_max"`
}

// Count counts runs, in the order they run. Some of a plan's runs may be left
// out: then the one before and the one after what is missing are no neighbours.
// A place below 1 is no place and is not counted.
func Count(runs []Run) Balance {
	places, index := 0, map[string]int{}
	for _, r := range runs {
		places, index[r.Entry] = max(places, r.Place), 0
	}
	names := slices.AppendSeq(make([]string, 0, len(index)), maps.Keys(index))
	slices.Sort(names)
	for i, e := range names {
		index[e] = i
	}
	b := Balance{Entries: names, AtPlace: table(len(names), places), Before: table(len(names), len(names))}
	for i, r := range runs {
		e := index[r.Entry]
		if r.Place >= 1 {
			b.AtPlace[e][r.Place-1]++
		}
		if i > 0 && runs[i-1].Round == r.Round && runs[i-1].Place == r.Place-1 {
			b.Before[index[runs[i-1].Entry]][e]++
		}
	}
	b.PlaceMin, b.PlaceMax = extremes(b.AtPlace, false)
	b.PairMin, b.PairMax = extremes(b.Before, true)
	return b
}

func table(rows, columns int) [][]int {
	t, all := make([][]int, rows), make([]int, rows*columns)
	for i := range t {
		t[i] = all[i*columns : (i+1)*columns : (i+1)*columns]
	}
	return t
}

// extremes are the least and the most of a table, if need be without the cells
// whose row is their column.
func extremes(t [][]int, others bool) (least, most int) {
	first := true
	for i, row := range t {
		for k, n := range row {
			switch {
			case others && i == k:
			case first:
				least, most, first = n, n, false
			default:
				least, most = min(least, n), max(most, n)
			}
		}
	}
	return least, most
}
