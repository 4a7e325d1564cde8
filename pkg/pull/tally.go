package pull

import (
	"cmp"
	"slices"
)

// Outcome is what came of an attempt.
type Outcome int

// Outcomes, from worst to best.
const (
	Stalled Outcome = iota
	Struggled
	Moved
)

// Attempt is one pull at a load.
type Attempt struct {
	LoadG   float64
	Outcome Outcome
}

// Tally is the attempts at one load. Moves is how many succeeded; one that
// struggled is half a success, so that it tells of a load about the middle and
// neither definition of success is favoured.
type Tally struct {
	X, N, Moves float64
}

// Count brings attempts together by load, the smallest load first.
func Count(as []Attempt) (out []Tally) {
	sorted := slices.Clone(as)
	slices.SortStableFunc(sorted, func(a, b Attempt) int { return cmp.Compare(a.LoadG, b.LoadG) })
	for _, a := range sorted {
		if len(out) == 0 || out[len(out)-1].X != a.LoadG {
			out = append(out, Tally{X: a.LoadG})
		}
		t := &out[len(out)-1]
		t.N++
		t.Moves += float64(a.Outcome) / float64(Moved)
	}
	return out
}

// Bracket is what was seen, with no shape taken: the greatest load that moved and
// below which none failed, and the smallest that stalled. A side that was not seen
// is not ok. Overlap is that some load moved at or above one that stalled.
type Bracket struct {
	MovedG, StalledG float64
	Moved, Stalled   bool
	Overlap          bool
}

// Between is the bracket of attempts.
func Between(as []Attempt) (b Bracket) {
	most, anyMoved := 0.0, false
	for _, a := range as {
		if a.Outcome == Stalled && (!b.Stalled || a.LoadG < b.StalledG) {
			b.StalledG, b.Stalled = a.LoadG, true
		}
		if a.Outcome == Moved && (!anyMoved || a.LoadG > most) {
			most, anyMoved = a.LoadG, true
		}
	}
	failed := func(g float64) bool {
		return slices.ContainsFunc(as, func(a Attempt) bool { return a.Outcome != Moved && a.LoadG <= g })
	}
	for _, a := range as {
		if a.Outcome == Moved && !failed(a.LoadG) && (!b.Moved || a.LoadG > b.MovedG) {
			b.MovedG, b.Moved = a.LoadG, true
		}
	}
	b.Overlap = anyMoved && b.Stalled && most >= b.StalledG
	return b
}
