package order_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rainhill/pkg/order"
)

func entries(n int) (names []string) {
	for i := range n {
		names = append(names, fmt.Sprintf("e%03d", i))
	}
	return names
}

func draw(t testing.TB, names []string, rounds, swapEvery int, seed uint64) order.Plan {
	t.Helper()
	p, err := order.Draw(names, rounds, swapEvery, seed)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func redraw(t testing.TB, p order.Plan, done int, names []string, seed uint64) order.Plan {
	t.Helper()
	q, err := order.Redraw(p, done, names, seed)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// names of the runs, a word for each round.
func inWords(runs []order.Run) string {
	var words []string
	for i, r := range runs {
		if i == 0 || runs[i-1].Round != r.Round {
			words = append(words, "")
		}
		words[len(words)-1] += r.Entry
	}
	return strings.Join(words, " ")
}

// The published property: n treatments are balanced for the effect of the
// preceding one in n replications where n is even and in 2n where it is odd (E. J.
// Williams, Experimental designs balanced for the estimation of residual effects
// of treatments, Australian Journal of Scientific Research A 2, 1949, 149-168,
// summary). In n rounds of such a design an entry is at each place once and each
// ordered pair comes once, in 2n rounds twice.
func TestWilliamsBalance(t *testing.T) {
	for n := 2; n <= 12; n++ {
		for times := 1; times <= 3; times++ {
			rounds := n * (1 + n%2) * times
			t.Run(fmt.Sprintf("%d entries, %d rounds", n, rounds), func(t *testing.T) {
				p := draw(t, entries(n), rounds, 0, uint64(n))
				if p.Design != order.Williams || len(p.Runs) != n*rounds {
					t.Fatalf("design %q with %d runs", p.Design, len(p.Runs))
				}
				each := rounds / n
				if b := p.Balance; b.PlaceMin != each || b.PlaceMax != each || b.PairMin != each || b.PairMax != each {
					t.Errorf("counted as %d to %d and %d to %d, want %d", b.PlaceMin, b.PlaceMax, b.PairMin, b.PairMax, each)
				}
				wantEach(t, p.Runs, n, each)
			})
		}
	}
}

// wantEach counts places and pairs, apart from Count: n entries at n places, and
// n(n-1) pairs, each so many times.
func wantEach(t *testing.T, runs []order.Run, n, each int) {
	t.Helper()
	count, kinds := map[string]int{}, n*n+n*(n-1)
	for i, r := range runs {
		if r.Round != i/n+1 || r.Place != i%n+1 {
			t.Fatalf("run %d has round %d, place %d", i, r.Round, r.Place)
		}
		count[fmt.Sprint(r.Entry, " at ", r.Place)]++
		if r.Place > 1 {
			count[runs[i-1].Entry+" before "+r.Entry]++
		}
	}
	if len(count) != kinds {
		t.Errorf("%d kinds of place and pair, want %d", len(count), kinds)
	}
	for what, c := range count {
		if c != each {
			t.Errorf("%s %d times, want %d", what, c, each)
		}
	}
}

// Published Williams designs, a row a word.
var published = []struct{ source, rows string }{
	{"bioequivalence forum bebac.at, entry 23053, the 4x4 Williams design", "ABCD BDAC CADB DCBA"},
	{"R package crossdes, williams(4), as printed in Creating Williams designs with even number of products, r-bloggers.com", "ABDC BCAD CDBA DACB"},
	{"R package crossdes, manual page williams, example williams(3)", "ABC BCA CAB CBA ACB BAC"},
	{"the same, williams(10)", "ABJCIDHEGF BCADJEIFHG CDBEAFJGIH DECFBGAHJI EFDGCHBIAJ FGEHDICJBA GHFIEJDACB HIGJFAEBDC IJHAGBFCED JAIBHCGDFE"},
}

func TestPublishedDesigns(t *testing.T) {
	for _, c := range published {
		want := strings.Fields(c.rows)
		p := draw(t, strings.Split(want[0], ""), len(want), 0, 5)
		if got := inWords(p.Runs); !sameDesign(strings.Fields(got), want) {
			t.Errorf("drew %s, which is not the design of %s", got, c.source)
		}
	}
	cyclic := strings.Fields("ABCD BCDA CDAB DABC") // a Latin square without balance for carry-over
	if sameDesign(cyclic, strings.Fields(published[0].rows)) {
		t.Error("took a cyclic square for a Williams square")
	}
}

// sameDesign: are there names under which the rows of a, in another order, are
// those of b? Whatever names they are, some row of a becomes the first of b.
func sameDesign(a, b []string) bool {
	b = slices.Sorted(slices.Values(b))
	for _, row := range a {
		var pairs []string
		for i := range row {
			pairs = append(pairs, row[i:i+1], b[0][i:i+1])
		}
		var renamed []string
		for _, r := range a {
			renamed = append(renamed, strings.NewReplacer(pairs...).Replace(r))
		}
		slices.Sort(renamed)
		if slices.Equal(renamed, b) {
			return true
		}
	}
	return false
}

// Counted by hand.
func TestCount(t *testing.T) {
	runs := []order.Run{
		{1, 1, "C", false}, {1, 2, "A", false}, {1, 3, "B", false},
		{2, 1, "B", false}, {2, 2, "C", false}, {2, 3, "A", false},
		{3, 1, "A", false}, {3, 3, "C", false}, // the second did not run
	}
	want := order.Balance{
		Entries:  []string{"A", "B", "C"},
		AtPlace:  [][]int{{1, 1, 1}, {1, 0, 1}, {1, 1, 1}},
		Before:   [][]int{{0, 1, 0}, {0, 0, 1}, {2, 0, 0}},
		PlaceMin: 0, PlaceMax: 1, PairMin: 0, PairMax: 2,
	}
	if got := order.Count(runs); !reflect.DeepEqual(got, want) {
		t.Errorf("counted %+v, want %+v", got, want)
	}
	lone := order.Balance{Entries: []string{"A"}, AtPlace: [][]int{{1}}, Before: [][]int{{0}}, PlaceMin: 1, PlaceMax: 1}
	if got := order.Count(runs[6:7]); !reflect.DeepEqual(got, lone) {
		t.Errorf("counted %+v of one run, want %+v", got, lone)
	}
	apart := []order.Run{{1, 1, "A", false}, {2, 2, "B", false}}
	if got := order.Count(apart); got.PairMax != 0 {
		t.Errorf("counted %+v: runs of two rounds are no neighbours", got)
	}
	none := order.Balance{Entries: []string{}, AtPlace: [][]int{}, Before: [][]int{}}
	if got := order.Count(nil); !reflect.DeepEqual(got, none) {
		t.Errorf("counted %+v of no run, want %+v", got, none)
	}
}

// A seed in an old book must still give its plan: these were drawn when the
// package was written, and come from nowhere else.
func TestSeedsKeepTheirPlans(t *testing.T) {
	for _, c := range []struct {
		rounds int
		seed   uint64
		want   string
	}{
		{4, 1829, "ADCB CABD BCDA DBAC"},
		{3, 1829, "DACB ABDC BCAD"},
	} {
		if got := inWords(draw(t, []string{"A", "B", "C", "D"}, c.rounds, 0, c.seed).Runs); got != c.want {
			t.Errorf("seed %d, %d rounds: %s, want %s", c.seed, c.rounds, got, c.want)
		}
	}
}

func TestEdges(t *testing.T) {
	none := draw(t, nil, 1_000_000_000, 2, 1)
	if none.Design != order.Blocks || len(none.Runs) != 0 {
		t.Errorf("no entries: %+v", none)
	}
	if p := draw(t, []string{"A"}, 3, 0, 1); inWords(p.Runs) != "A A A" || p.Design != order.Blocks {
		t.Errorf("one entry: %+v", p)
	}
	if p := draw(t, []string{"A", "B"}, 3, 0, 1); !slices.Contains([]string{"AB AB AB", "BA BA BA"}, inWords(p.Runs)) {
		t.Errorf("two entries, three rounds: %+v, want them to take turns", p)
	}
	if p := draw(t, []string{"A", "B"}, 4, 0, 1); !slices.Contains([]string{"AB BA BA AB", "BA AB AB BA", "AB BA AB BA", "BA AB BA AB"}, inWords(p.Runs)) {
		t.Errorf("two entries, four rounds: %s", inWords(p.Runs))
	}
	most := draw(t, entries(100), 1000, 0, 1)
	if p := redraw(t, most, 90_050, entries(100), 2); len(most.Runs) != 100_000 || len(p.Runs) != 100_000 {
		t.Errorf("%d runs and %d after Redraw, want 100000", len(most.Runs), len(p.Runs))
	}
	const want = "999 rounds of 100 entries after 199 runs, want at most 100000"
	if _, err := order.Redraw(most, 99, entries(200)[100:], 2); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("all exchanged for others in the first round: %v, want %q", err, want)
	}
}

func TestErrors(t *testing.T) {
	many := entries(1001)
	for _, c := range []struct {
		names             []string
		rounds, swapEvery int
		want              string
	}{
		{entries(3), 0, 0, "rounds = 0, want at least 1"},
		{nil, -1, 0, "rounds = -1, want at least 1"},
		{entries(3), 1, -2, "a battery swap every -2 runs"},
		{[]string{"A", "B", "A"}, 1, 0, `entry "A" is named twice`},
		{many, 1, 0, "1001 entries, want at most 1000"},
		{many[:1000], 101, 0, "101 rounds of 1000 entries after 0 runs, want at most 100000"},
		{many[:3], 1 << 62, 0, "want at most 100000 runs"},
	} {
		if _, err := order.Draw(c.names, c.rounds, c.swapEvery, 1); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%d entries, %d rounds: %v, want %q", len(c.names), c.rounds, err, c.want)
		}
	}
	p := draw(t, entries(4), 3, 0, 1)
	swapped := p
	swapped.Runs = slices.Clone(p.Runs)
	swapped.Runs[5], swapped.Runs[4] = swapped.Runs[4], swapped.Runs[5]
	for _, c := range []struct {
		plan  order.Plan
		done  int
		names []string
		want  string
	}{
		{p, -1, entries(4), "-1 runs done, want 0 to the 12 planned"},
		{p, 13, entries(4), "13 runs done, want 0 to the 12 planned"},
		{p, 1, []string{"A", "A"}, `entry "A" is named twice`},
		{swapped, 1, entries(4), "run number 5 of the plan"},
		{p, 4, entries(1001), "1001 entries"},
		{order.Plan{}, 0, nil, "rounds = 0"},
	} {
		if _, err := order.Redraw(c.plan, c.done, c.names, 1); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%d done: %v, want %q", c.done, err, c.want)
		}
	}
}

func TestRedrawStories(t *testing.T) {
	p := draw(t, []string{"A", "B", "C", "D"}, 4, 2, 1)
	first := strings.Split(inWords(p.Runs)[:4], "")

	same := redraw(t, p, len(p.Runs), []string{"A", "E"}, 9)
	if !slices.Equal(same.Runs, p.Runs) || same.Design != order.Williams {
		t.Errorf("everything was done, and still: %+v", same)
	}

	gone := redraw(t, p, 2, nil, 9)
	if !slices.Equal(gone.Runs, p.Runs[:2]) {
		t.Errorf("all withdrew after two runs, and still: %s", inWords(gone.Runs))
	}
	back := redraw(t, gone, 2, first[1:2], 9)
	if got := inWords(back.Runs); got != strings.Join([]string{first[0] + first[1], first[1], first[1], first[1]}, " ") {
		t.Errorf("one came back into the rounds left: %s", got)
	}

	late := redraw(t, p, 1, append([]string{"E"}, first...), 9)
	words := strings.Fields(inWords(late.Runs))
	if got := strings.Replace(words[0], "E", "", 1); got != strings.Join(first, "") || len(words[0]) != 5 || words[0][0] == 'E' {
		t.Errorf("E is late in %v and should come after the first run of %v", words, first)
	}
	if late.Design != order.Blocks {
		t.Errorf("three rounds of five are %q", late.Design)
	}

	// The third withdraws after the first round and comes back in the middle of the second.
	three := redraw(t, p, 4, slices.Concat(first[:2], first[3:]), 9)
	if three.Design != order.Blocks || len(three.Runs) != 4+3*3 {
		t.Errorf("three rounds of three: %+v", three)
	}
	again := redraw(t, three, 5, first, 9)
	if words := strings.Fields(inWords(again.Runs)); len(words) != 4 || len(words[1]) != 4 || !strings.Contains(words[1][1:], first[2]) {
		t.Errorf("%s came back: %v", first[2], words)
	}

	two := redraw(t, p, 8, first[:2], 9)
	if two.Design != order.Williams || len(two.Runs) != 12 {
		t.Errorf("two rounds of two: %+v", two)
	}
	for _, r := range two.Runs[8:] { // both have run twice, so their third run has a fresh battery and their fourth has not
		if r.SwapBattery != (r.Round == 3) {
			t.Errorf("%+v: every second run", r)
		}
	}
}

// After a first round ABC, C may not begin the second. Counted by hand, the squares
// of the counts of place and pair sum to 20 with ABC again, to 12 with each of BCA,
// BAC and ACB; of places alone BCA would be the best, of pairs alone the worst.
func TestBlocksBalanceTheWholeDay(t *testing.T) {
	second := map[string]int{}
	for seed := range uint64(60) {
		p := draw(t, []string{"A", "B", "C"}, 2, 0, seed)
		first := strings.Split(inWords(p.Runs)[:3], "")
		words := strings.Fields(inWords(redraw(t, p, 3, first, seed+1).Runs))
		second[strings.NewReplacer(first[0], "A", first[1], "B", first[2], "C").Replace(words[1])]++
	}
	if second["BCA"] == 0 || second["BAC"] == 0 || second["ACB"] == 0 || len(second) != 3 {
		t.Errorf("second rounds %v", second)
	}
}

// Who wants other battery swaps from now on changes none that were.
func TestSwapsDoneStay(t *testing.T) {
	p := draw(t, entries(3), 6, 1, 1)
	p.SwapEvery = 0
	q := redraw(t, p, 9, entries(3), 2)
	for i, r := range q.Runs {
		if r.SwapBattery != (i >= 3 && i < 9) {
			t.Errorf("%+v: swaps after every run in the first three rounds, none later", r)
		}
	}
}

// Every order of three and every place of a late entry is equally likely: Pearson's
// chi-square below its 99.9 % point, the seeds being fixed.
func TestDrawsAreEven(t *testing.T) {
	first, late, square := map[string]int{}, map[string]int{}, map[string]int{}
	const many = 6000
	for seed := range uint64(many) {
		p := draw(t, []string{"A", "B", "C"}, 1, 0, seed)
		first[inWords(p.Runs)]++
		late[strings.Replace(inWords(redraw(t, p, 1, []string{"A", "B", "C", "E"}, seed+1).Runs), p.Runs[0].Entry, "", 1)]++
		square[inWords(draw(t, []string{"A", "B", "C", "D"}, 4, 0, seed).Runs)[:4]]++
	}
	for what, c := range map[string]struct {
		counts map[string]int
		kinds  int
	}{"orders of three": {first, 6}, "late places": {byPlace(late), 3}, "first rounds of a Williams square": {square, 24}} {
		want, chi := many/float64(c.kinds), 0.0
		for _, n := range c.counts {
			chi += (float64(n) - want) * (float64(n) - want) / want
		}
		if limit := (distuv.ChiSquared{K: float64(c.kinds - 1)}).Quantile(0.999); len(c.counts) != c.kinds || chi > limit {
			t.Errorf("%s: %v, chi-square %.1f, want at most %.1f", what, c.counts, chi, limit)
		}
	}
}

// byPlace counts at which place of the rest E stands.
func byPlace(orders map[string]int) map[string]int {
	places := map[string]int{}
	for o, n := range orders {
		places[fmt.Sprint(strings.Index(o, "E"))] += n
	}
	return places
}

// Ten times the entries are a hundred times the work, whatever the machine.
func TestManyEntriesAreQuick(t *testing.T) {
	best := func(n int) time.Duration {
		names, least := entries(n), time.Hour
		for range 5 {
			began := time.Now()
			draw(t, names, 3, 2, 1)
			least = min(least, time.Since(began))
		}
		return least
	}
	few, many := best(50), best(500)
	t.Logf("3 rounds of 50 entries: %v, of 500: %v", few, many)
	if many > 300*few {
		t.Errorf("3 rounds of 50 entries took %v, of 500 %v: more than their square", few, many)
	}
}

func BenchmarkDraw(b *testing.B) {
	for _, c := range []struct{ n, rounds int }{{8, 3}, {500, 3}, {100, 100}, {1000, 100}} {
		b.Run(fmt.Sprintf("%dx%d", c.n, c.rounds), func(b *testing.B) {
			names := entries(c.n)
			for b.Loop() {
				draw(b, names, c.rounds, 2, 1)
			}
		})
	}
}
