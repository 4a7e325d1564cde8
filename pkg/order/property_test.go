package order_test

import (
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/order"
)

// drawnMeet is some entries, rounds, swaps and a seed.
func drawnMeet(t *rapid.T) (names []string, rounds, swapEvery int, seed uint64) {
	names = entries(rapid.IntRange(0, 9).Draw(t, "entries"))
	return names, rapid.IntRange(1, 12).Draw(t, "rounds"), rapid.IntRange(0, 4).Draw(t, "swap_every"), rapid.Uint64().Draw(t, "seed")
}

// checkPlan wants: rounds and places in order, nobody twice in a round, swaps by
// the rule, and from number done nobody twice in a row if that can be avoided
// with those present.
func checkPlan(t *rapid.T, p order.Plan, done int, present []string) {
	runs, inRound := map[string]int{}, map[string]int{}
	for i, r := range p.Runs {
		if i > 0 && r.Round == p.Runs[i-1].Round {
			if r.Place != p.Runs[i-1].Place+1 {
				t.Fatalf("run %d: %+v after %+v", i, r, p.Runs[i-1])
			}
		} else if r.Place != 1 {
			t.Fatalf("run %d begins a round: %+v", i, r)
		}
		if inRound[r.Entry] >= r.Round {
			t.Fatalf("%s runs again in round %d", r.Entry, r.Round)
		}
		inRound[r.Entry] = r.Round
		if want := p.SwapEvery > 0 && runs[r.Entry] > 0 && runs[r.Entry]%p.SwapEvery == 0; r.SwapBattery != want {
			t.Fatalf("%+v is run number %d of its entry, swaps every %d", r, runs[r.Entry]+1, p.SwapEvery)
		}
		runs[r.Entry]++
		must := len(present) == 1 || len(present) == 2 && p.Design == order.Williams
		if i > 0 && i >= done && !must && r.Entry == p.Runs[i-1].Entry {
			t.Fatalf("%s runs twice in a row at %d, %d present, %s", r.Entry, i, len(present), p.Design)
		}
	}
	if b := order.Count(p.Runs); !reflect.DeepEqual(b, p.Balance) {
		t.Fatalf("balance %+v, counted %+v", p.Balance, b)
	}
}

// checkRounds wants each of those present once in each round from first on.
func checkRounds(t *rapid.T, p order.Plan, first int, present []string) {
	in := make([][]string, p.Rounds+1)
	for _, r := range p.Runs {
		in[r.Round] = append(in[r.Round], r.Entry)
	}
	for round := first; round <= p.Rounds; round++ {
		if got := slices.Sorted(slices.Values(in[round])); !slices.Equal(got, slices.Sorted(slices.Values(present))) {
			t.Fatalf("round %d is run by %v, want %v", round, got, present)
		}
	}
}

func TestDrawProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names, rounds, swapEvery, seed := drawnMeet(t)
		p, err := order.Draw(names, rounds, swapEvery, seed)
		if err != nil {
			t.Fatal(err)
		}
		checkPlan(t, p, 0, names)
		checkRounds(t, p, 1, names)
		n, b := len(names), p.Balance
		fits := n >= 2 && (n%2 == 0 && rounds%n == 0 || rounds%(2*n) == 0)
		if (p.Design == order.Williams) != fits {
			t.Fatalf("%d entries, %d rounds: %s", n, rounds, p.Design)
		}
		if fits && (b.PlaceMin != b.PlaceMax || b.PairMin != b.PairMax) {
			t.Fatalf("a Williams design out of balance: %+v", b)
		}
		// Rows of a Williams square are as even as can be, and no choice is worse.
		if n > 2 && n%2 == 0 && (b.PlaceMax > b.PlaceMin+1 || b.PairMax > b.PairMin+1) {
			t.Fatalf("%d entries, %d rounds: %+v", n, rounds, b)
		}
		again, err := order.Draw(rapid.Permutation(names).Draw(t, "given"), rounds, swapEvery, seed)
		if err != nil || !reflect.DeepEqual(p, again) {
			t.Fatalf("the same seed gave %+v and %+v, %v", p, again, err)
		}
		if n < 8 {
			return // few orders: two seeds may well give the same
		}
		other, err := order.Draw(names, rounds, swapEvery, seed+1)
		if err != nil || slices.Equal(p.Runs, other.Runs) {
			t.Fatalf("seeds %d and %d gave the same runs, %v", seed, seed+1, err)
		}
	})
}

// A day at the track: some runs, somebody withdraws, comes late or comes back, and
// the rest is drawn again, several times over.
func TestRedrawProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names, rounds, swapEvery, seed := drawnMeet(t)
		p, err := order.Draw(names, rounds, swapEvery, seed)
		if err != nil {
			t.Fatal(err)
		}
		done := 0
		for range rapid.IntRange(1, 4).Draw(t, "changes") {
			done = rapid.IntRange(done, len(p.Runs)).Draw(t, "done")
			present := rapid.SliceOfNDistinct(rapid.SampledFrom(entries(9)), 0, 9, rapid.ID).Draw(t, "present")
			seed = rapid.Uint64().Draw(t, "seed")
			before := slices.Clone(p.Runs)
			q, err := order.Redraw(p, done, present, seed)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(p.Runs, before) {
				t.Fatalf("Redraw changed the plan it was given")
			}
			if again, err := order.Redraw(p, done, slices.Sorted(slices.Values(present)), seed); err != nil || !reflect.DeepEqual(q, again) {
				t.Fatalf("the same seed gave %+v and %+v, %v", q, again, err)
			}
			checkRedrawn(t, p, q, done, present)
			p = q
		}
	})
}

func checkRedrawn(t *rapid.T, p, q order.Plan, done int, present []string) {
	if !slices.Equal(p.Runs[:done], q.Runs[:done]) {
		t.Fatalf("runs done changed from %+v to %+v", p.Runs[:done], q.Runs[:done])
	}
	for _, r := range q.Runs[done:] {
		if !slices.Contains(present, r.Entry) {
			t.Fatalf("%+v, but present are only %v", r, present)
		}
	}
	checkPlan(t, q, done, present)
	begun := 0
	if done > 0 {
		begun = p.Runs[done-1].Round
	}
	checkRounds(t, q, begun+1, present)
	checkBegun(t, p, q, done, begun, present)
}

// checkBegun wants the round partly run to go on in its order, with everybody
// present who has not run in it; and no more runs in a round that is over.
func checkBegun(t *rapid.T, p, q order.Plan, done, begun int, present []string) {
	planned, want := left(p, done, begun), []string{}
	for _, e := range planned {
		if slices.Contains(present, e) {
			want = append(want, e)
		}
	}
	got := left(q, done, begun)
	inOrder := slices.DeleteFunc(slices.Clone(got), func(e string) bool { return !slices.Contains(planned, e) })
	if !slices.Equal(inOrder, want) {
		t.Fatalf("round %d goes on with %v, want %v in this order", begun, got, want)
	}
	for _, e := range present {
		has := slices.ContainsFunc(p.Runs[:done], func(r order.Run) bool { return r.Round == begun && r.Entry == e })
		if runs := slices.Contains(got, e); runs != (!has && len(planned) > 0) {
			t.Fatalf("round %d goes on with %v: %s has run in it: %v, runs left were %v", begun, got, e, has, planned)
		}
	}
}

// left is who runs after done in the round.
func left(p order.Plan, done, round int) []string {
	names := []string{}
	for _, r := range p.Runs[done:] {
		if r.Round == round {
			names = append(names, r.Entry)
		}
	}
	return names
}
