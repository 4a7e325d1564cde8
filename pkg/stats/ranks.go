package stats

import (
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Ranks is the place of each value, from 1; equal values share the mean of theirs.
func Ranks(x []float64) []float64 {
	order, rank := sortedBy(x), make([]float64, len(x))
	for from := 0; from < len(order); {
		to := from + 1
		for to < len(order) && x[order[to]] == x[order[from]] {
			to++
		}
		for _, i := range order[from:to] {
			rank[i] = float64(from+to+1) / 2
		}
		from = to
	}
	return rank
}

// ties is the sum of t^3 - t over the groups of t equal ranks.
func ties(rank []float64) (sum float64) {
	s := slices.Clone(rank)
	slices.Sort(s)
	for from := 0; from < len(s); {
		to := from + 1
		for to < len(s) && s[to] == s[from] {
			to++
		}
		t := float64(to - from)
		sum += t*t*t - t
		from = to
	}
	return sum
}

// RankTest is a rank statistic with the two-sided P of "no difference": Normal by the
// normal approximation with correction for continuity and ties, Plain without the one for
// continuity, Exact by counting every arrangement of the ranks as they are, NaN where
// those are too many.
type RankTest struct{ Statistic, Normal, Plain, Exact float64 }

// MannWhitney is the rank test of two independent samples (Mann and Whitney 1947);
// Statistic is U of x over y, equal values counting a half.
func MannWhitney(x, y []float64) RankTest {
	rank := Ranks(slices.Concat(x, y))
	m, n := float64(len(x)), float64(len(y))
	var w float64
	for _, r := range rank[:len(x)] {
		w += r
	}
	u := w - m*(m+1)/2
	spread := math.Sqrt(m * n / 12 * (m + n + 1 - ties(rank)/((m+n)*(m+n-1))))
	t := rankTest(u, m*n/2, spread)
	t.Exact = exactSum(rank, len(x))
	return t
}

func rankTest(s, centre, spread float64) RankTest {
	away := math.Abs(s - centre)
	normal := func(d float64) float64 { return min(1, 2*distuv.UnitNormal.CDF(-math.Max(0, d)/spread)) }
	return RankTest{s, normal(away - 0.5), normal(away), math.NaN()}
}

// exactSum is the share of choices of n of the ranks whose sum lies as far from the
// mean as that of the first n. Ranks are doubled to be whole numbers, and the choices
// counted by their sum.
func exactSum(rank []float64, n int) float64 {
	if len(rank) > 60 {
		return math.NaN()
	}
	var total, seen int
	for i, r := range rank {
		total += int(2 * r)
		if i < n {
			seen += int(2 * r)
		}
	}
	ways := make([][]float64, n+1) // by how many are chosen, and their sum
	for k := range ways {
		ways[k] = make([]float64, total+1)
	}
	ways[0][0] = 1
	for _, r := range rank {
		v := int(2 * r)
		for k := n; k > 0; k-- {
			for s := total; s >= v; s-- {
				ways[k][s] += ways[k-1][s-v]
			}
		}
	}
	centre := float64(total) * float64(n) / float64(len(rank))
	return shareBeyond(ways[n], centre, math.Abs(float64(seen)-centre))
}

func shareBeyond(ways []float64, centre, away float64) float64 {
	var beyond, all float64
	for s, w := range ways {
		all += w
		if math.Abs(float64(s)-centre) >= away-1e-9 {
			beyond += w
		}
	}
	return beyond / all
}

// SignedRank is Wilcoxon's test of differences that come in pairs (1945); differences of
// 0 are left out. Statistic is V, the sum of the ranks of positive differences.
func SignedRank(d []float64) RankTest {
	d = slices.DeleteFunc(slices.Clone(d), func(x float64) bool { return x == 0 })
	away := make([]float64, len(d))
	for i, x := range d {
		away[i] = math.Abs(x)
	}
	rank, n := Ranks(away), float64(len(d))
	var v float64
	for i, r := range rank {
		if d[i] > 0 {
			v += r
		}
	}
	t := rankTest(v, n*(n+1)/4, math.Sqrt(n*(n+1)*(2*n+1)/24-ties(rank)/48))
	t.Exact = exactSigns(rank, v)
	return t
}

func exactSigns(rank []float64, v float64) float64 {
	if len(rank) == 0 || len(rank) > 200 {
		return math.NaN()
	}
	total := int(float64(len(rank)*(len(rank)+1)) + 0.5)
	ways := make([]float64, total+1)
	ways[0] = 1
	for _, r := range rank {
		for s := total; s >= int(2*r); s-- {
			ways[s] += ways[s-int(2*r)]
		}
	}
	return shareBeyond(ways, float64(total)/2, math.Abs(2*v-float64(total)/2))
}

// KruskalWallis tests by ranks whether any of several groups lies apart (1952):
// chi-squared h with len(groups)-1 degrees of freedom, corrected for ties.
func KruskalWallis(groups ...[]float64) (h, p float64) {
	all := slices.Concat(groups...)
	rank, n, from := Ranks(all), float64(len(all)), 0
	for _, g := range groups {
		var sum float64
		for _, r := range rank[from : from+len(g)] {
			sum += r
		}
		h += sum * sum / float64(len(g))
		from += len(g)
	}
	h = (12*h/(n*(n+1)) - 3*(n+1)) / (1 - ties(rank)/(n*n*n-n))
	return h, ChiAbove(h, float64(len(groups)-1))
}

// mostSplits is how many arrangements a permutation test goes through.
const mostSplits = 250_000

// PermuteMeans counts the splits of all values into two sides of these sizes whose means
// lie as far apart as those of x and y, and all splits (Fisher's exact test by
// randomisation). ok is false where there are more than 250,000.
func PermuteMeans(x, y []float64) (beyond, all int, ok bool) {
	v := slices.Concat(x, y)
	if len(x) == 0 || len(y) == 0 || !finite(v) || splits(len(v), len(x)) > mostSplits {
		return 0, 0, false
	}
	var total, seen float64
	for i, a := range v {
		total += a
		if i < len(x) {
			seen += a
		}
	}
	n, m := float64(len(x)), float64(len(y))
	apart := func(sum float64) float64 { return math.Abs(sum/n - (total-sum)/m) }
	slack := 1e-9 * (math.Abs(apart(seen)) + math.Abs(total)/(n+m)*1e-3)
	var choose func(from, left int, sum float64)
	choose = func(from, left int, sum float64) {
		if left == 0 {
			all++
			if apart(sum) >= apart(seen)-slack {
				beyond++
			}
			return
		}
		for i := from; i <= len(v)-left; i++ {
			choose(i+1, left-1, sum+v[i])
		}
	}
	choose(0, len(x), 0)
	return beyond, all, true
}

func splits(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return math.Exp(a - b - c)
}

// PermuteSigns counts the choices of signs of the differences whose sum lies as far from
// 0 as that of d, and all choices. ok is false with more than 17 differences.
func PermuteSigns(d []float64) (beyond, all int, ok bool) {
	if len(d) == 0 || !finite(d) || 1<<len(d) > mostSplits {
		return 0, 0, false
	}
	sum, largest := 0.0, 0.0
	for _, x := range d {
		sum += x
		largest = max(largest, math.Abs(x))
	}
	all = 1 << len(d)
	s := sum
	for k := range all {
		if k > 0 { // a Gray code changes one sign at a time
			i := bits.TrailingZeros(uint(k))
			if (k^k>>1)>>i&1 == 1 {
				s -= 2 * d[i]
			} else {
				s += 2 * d[i]
			}
		}
		if math.Abs(s) >= math.Abs(sum)-1e-9*largest {
			beyond++
		}
	}
	return beyond, all, true
}
