// Package order answers "in what order do the entries of a meet run, so that
// place in the round and carry-over from the run before are balanced?" with a
// plan drawn from a seed that anyone can draw again. Carry-over is that of the
// first order: what one run leaves behind (warm rails, oil, a flat battery) for
// the next. Who may enter, and what the runs showed, is not in it.
package order

import (
	"fmt"
	"slices"
)

// The designs of a plan.
const (
	Williams = "williams" // Williams squares: each entry at each place, and directly after each other one, equally often
	Blocks   = "blocks"   // randomised complete blocks, the most balanced of several draws
)

// What is drawn at most.
const (
	maxEntries = 1000
	maxRuns    = 100_000
)

// Run is one entry's turn in one round; Place is its turn in the round. Both
// count from 1. SwapBattery plans a fresh battery before it.
type Run struct {
	Round       int    `json:"round"`
	Place       int    `json:"place"`
	Entry       string `json:"entry"`
	SwapBattery bool   `json:"swap_battery"`
}

// Plan is a running order: the runs in the order they run. Design is that of the
// rounds drawn last and Seed what they were drawn from. SwapEvery is after how
// many runs an entry swaps its battery, 0 if no swaps are planned. Balance
// counts all of Runs.
type Plan struct {
	Design    string  `json:"design"`
	Seed      uint64  `json:"seed"`
	Rounds    int     `json:"rounds"`
	SwapEvery int     `json:"swap_every"`
	Runs      []Run   `json:"runs"`
	Balance   Balance `json:"balance"`
}

// Draw is the running order of entries that each run once a round. The same
// entries, in whatever order they are given, and the same seed give the same
// plan. No entries give no runs.
//
// Where rounds is a multiple of n, or of 2n if n is odd, the design is Williams
// and the balance exact; of one entry there is nothing to balance. Otherwise it
// is Blocks: with 4, 6, 8, ... entries no two places of an entry and no two pairs
// differ by more than one, with 3, 5, 7, ... by two or so.
//
// No entry runs twice in a row across the end of a round, but for a lone entry
// and for two in a Williams design, where one must. Two entries in Blocks
// therefore take turns, and one of them is first in every round: an even number
// of rounds is fairer.
//
// Swaps are planned before an entry's run number k where k-1 is a positive
// multiple of swapEvery.
//
// Errors: rounds < 1, swapEvery < 0, an entry named twice, more than 1000 entries
// or 100,000 runs.
func Draw(entries []string, rounds, swapEvery int, seed uint64) (Plan, error) {
	p, err := replan(Plan{Design: Blocks, Rounds: rounds, SwapEvery: swapEvery}, 0, entries, seed)
	if err != nil {
		return Plan{}, fmt.Errorf("draw a running order: %w", err)
	}
	return p, nil
}

// Redraw is the plan after entries came late or withdrew: entries are those
// present now. The first done runs stay as they are, be they run or under way.
//
// In a round partly run the entries present keep their drawn order and are
// numbered on; whoever is present, has not run in it and has no run left in it
// (a late entry, or one that comes back) is put at a random place among those
// left. A round of which no run is left is over. Rounds not begun are drawn anew
// as by Draw; Design is theirs, or what it was if there are none. Blocks are
// chosen to balance the whole day, a Williams design only balances itself.
// Battery swaps are counted over the entry's whole day.
//
// Errors: as Draw, done outside the plan, and runs of the plan out of order.
func Redraw(plan Plan, done int, entries []string, seed uint64) (Plan, error) {
	p, err := replan(plan, done, entries, seed)
	if err != nil {
		return Plan{}, fmt.Errorf("draw the running order again after %d runs: %w", done, err)
	}
	return p, nil
}

func replan(plan Plan, done int, entries []string, seed uint64) (Plan, error) {
	if err := plan.check(done); err != nil {
		return Plan{}, err
	}
	present := slices.Sorted(slices.Values(entries))
	if err := checkEntries(present); err != nil {
		return Plan{}, err
	}
	h := newHat(seed)
	next := plan
	next.Seed, next.Runs = seed, append([]Run{}, plan.Runs[:done]...)
	begun := 0
	if done > 0 {
		begun = plan.Runs[done-1].Round
		next.add(begun, h.rest(plan.Runs[:done], plan.Runs[done:], present))
	}
	rounds := plan.Rounds - begun
	if n := len(present); n > 0 && rounds > 0 {
		if rounds > (maxRuns-len(next.Runs))/n {
			return Plan{}, fmt.Errorf("%d rounds of %d entries after %d runs, want at most %d runs in all", rounds, n, len(next.Runs), maxRuns)
		}
		next.draw(h, begun, present)
	}
	next.planSwaps(done)
	next.Balance = Count(next.Runs)
	return next, nil
}

// draw adds the rounds after those begun.
func (p *Plan) draw(h hat, begun int, present []string) {
	n, rounds := len(present), p.Rounds-begun
	t := newTally(n)
	before := t.day(p.Runs, present)
	var drawn [][]int
	if p.Design = design(n, rounds); p.Design == Williams {
		drawn = h.williams(n, rounds, before)
	} else {
		drawn = h.blocks(t, rounds, before)
	}
	for i, round := range drawn {
		names := make([]string, n)
		for k, e := range round {
			names[k] = present[e]
		}
		p.add(begun+1+i, names)
	}
}

// design is Williams where whole Williams designs fill the rounds.
func design(n, rounds int) string {
	if n >= 2 && rounds%size(n) == 0 {
		return Williams
	}
	return Blocks
}

// add lets entries run next in a round.
func (p *Plan) add(round int, entries []string) {
	place := 0
	if len(p.Runs) > 0 && p.Runs[len(p.Runs)-1].Round == round {
		place = p.Runs[len(p.Runs)-1].Place
	}
	for i, e := range entries {
		p.Runs = append(p.Runs, Run{Round: round, Place: place + 1 + i, Entry: e})
	}
}

// planSwaps plans the battery swaps of all runs from number done.
func (p *Plan) planSwaps(done int) {
	before := map[string]int{} // runs of the entry
	for i := range p.Runs {
		r := &p.Runs[i]
		if k := before[r.Entry]; i >= done {
			r.SwapBattery = p.SwapEvery > 0 && k > 0 && k%p.SwapEvery == 0
		}
		before[r.Entry]++
	}
}

// rest is who still runs in the round that kept ends in, in this order: see Redraw.
func (h hat) rest(kept, left []Run, present []string) (names []string) {
	round := kept[len(kept)-1].Round
	if len(left) == 0 || left[0].Round != round {
		return nil
	}
	planned := map[string]bool{}
	for i := len(kept) - 1; i >= 0 && kept[i].Round == round; i-- {
		planned[kept[i].Entry] = true
	}
	for _, r := range left {
		if r.Round != round {
			break
		}
		if _, here := slices.BinarySearch(present, r.Entry); here && !planned[r.Entry] {
			names = append(names, r.Entry)
			planned[r.Entry] = true
		}
	}
	for _, e := range present {
		if !planned[e] {
			names = slices.Insert(names, h.below(len(names)+1), e)
		}
	}
	return names
}

func (p Plan) check(done int) error {
	switch {
	case p.Rounds < 1:
		return fmt.Errorf("rounds = %d, want at least 1", p.Rounds)
	case p.SwapEvery < 0:
		return fmt.Errorf("a battery swap every %d runs, want 0 for none or more", p.SwapEvery)
	case done < 0 || done > len(p.Runs):
		return fmt.Errorf("%d runs done, want 0 to the %d planned", done, len(p.Runs))
	}
	last := Run{Round: 1}
	for i, r := range p.Runs {
		follows := r.Round == last.Round && r.Place == last.Place+1 || r.Round > last.Round && r.Place == 1
		if !follows || r.Round > p.Rounds {
			return fmt.Errorf("run number %d of the plan, of %q, has round %d and place %d after round %d and place %d: want the next of %d rounds",
				i+1, r.Entry, r.Round, r.Place, last.Round, last.Place, p.Rounds)
		}
		last = r
	}
	return nil
}

// checkEntries wants them sorted.
func checkEntries(entries []string) error {
	if len(entries) > maxEntries {
		return fmt.Errorf("%d entries, want at most %d", len(entries), maxEntries)
	}
	for i := 1; i < len(entries); i++ {
		if entries[i] == entries[i-1] {
			return fmt.Errorf("entry %q is named twice, want each once", entries[i])
		}
	}
	return nil
}
