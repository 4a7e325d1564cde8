package order

import (
	"fmt"
	"testing"
)

// firsts counts how often each level is first in its pair.
func firsts(t *testing.T, pairs int, seed uint64) map[string]int {
	t.Helper()
	runs, err := Pairs("off", "on", pairs, seed)
	if err != nil || len(runs) != 2*pairs {
		t.Fatalf("%d pairs, seed %d: %d runs, %v", pairs, seed, len(runs), err)
	}
	n := map[string]int{}
	for i := 0; i < len(runs); i += 2 {
		one, two := runs[i], runs[i+1]
		if one.Round != i/2+1 || two.Round != one.Round || one.Place != 1 || two.Place != 2 || one.Entry == two.Entry {
			t.Fatalf("seed %d: pair %d is %+v and %+v", seed, i/2+1, one, two)
		}
		n[one.Entry]++
	}
	return n
}

func TestPairsAreBalanced(t *testing.T) {
	odd := map[string]int{}
	seen := map[string]bool{}
	for seed := range uint64(200) {
		for _, pairs := range []int{1, 2, 3, 6, 7} {
			n := firsts(t, pairs, seed)
			if d := n["on"] - n["off"]; d < -1 || d > 1 {
				t.Errorf("%d pairs, seed %d: first %v", pairs, seed, n)
			}
			if pairs == 7 && n["on"] > n["off"] {
				odd["on"]++
			}
		}
		runs, _ := Pairs("off", "on", 6, seed)
		seen[fmt.Sprint(runs)] = true
	}
	// Of 200 fair coins 70 to 130 heads: outside once in 40,000 or so.
	if odd["on"] < 70 || odd["on"] > 130 {
		t.Errorf("of 200 draws of 7 pairs, on is first in most in %d", odd["on"])
	}
	if len(seen) != 20 { // 6 over 3
		t.Errorf("200 seeds give %d of the 20 balanced orders of 6 pairs", len(seen))
	}
}

func TestPairsAreDrawnAgain(t *testing.T) {
	a, _ := Pairs("off", "on", 5, 31)
	b, _ := Pairs("off", "on", 5, 31)
	if fmt.Sprint(a) != fmt.Sprint(b) {
		t.Error("one seed, two orders")
	}
	for _, bad := range []struct {
		a, b  string
		pairs int
	}{{"on", "on", 2}, {"on", "off", 0}, {"on", "off", 1001}} {
		if _, err := Pairs(bad.a, bad.b, bad.pairs, 1); err == nil {
			t.Errorf("%+v was drawn", bad)
		}
	}
}
