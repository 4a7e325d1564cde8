package beam_test

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/beam"
)

// drawModel is a small model with a few impossible steps, and what was seen. Its
// shares need not sum to 1.
func drawModel(t *rapid.T) (hmm, []int) {
	n, symbols := rapid.IntRange(1, 3).Draw(t, "states"), rapid.IntRange(1, 3).Draw(t, "symbols")
	row := func(k int) (p []float64) {
		for _, tenths := range rapid.SliceOfN(rapid.IntRange(0, 10), k, k).Draw(t, "tenths") {
			p = append(p, float64(tenths)/10)
		}
		return p
	}
	m := hmm{start: row(n), keep: -1}
	for range n {
		m.trans, m.emit = append(m.trans, row(n)), append(m.emit, row(symbols))
	}
	return m, rapid.SliceOfN(rapid.IntRange(0, symbols-1), 1, 6).Draw(t, "obs")
}

func drawLimits(t *rapid.T) beam.Limits {
	return beam.Limits{Keep: rapid.IntRange(0, 3).Draw(t, "keep"), Within: rapid.Float64Range(0, 3).Draw(t, "within")}
}

// probability of one sequence of states with what was seen.
func (m hmm) probability(path, obs []int) float64 {
	p := m.start[path[0]] * m.emit[path[0]][obs[0]]
	for i := 1; i < len(path); i++ {
		p *= m.trans[path[i-1]][path[i]] * m.emit[path[i]][obs[i]]
	}
	return p
}

// enumerate goes through every sequence of states: the best and the sum of
// those that end in each state.
func (m hmm) enumerate(obs []int) (best, sum []float64) {
	n := len(m.start)
	best, sum = make([]float64, n), make([]float64, n)
	path := make([]int, len(obs))
	for {
		p, end := m.probability(path, obs), last(path)
		best[end], sum[end] = max(best[end], p), sum[end]+p
		i := 0
		for ; i < len(path) && path[i] == n-1; i++ {
			path[i] = 0
		}
		if i == len(path) {
			return best, sum
		}
		path[i]++
	}
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Abs(b) }

func TestNoLimitsIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, obs := drawModel(t)
		best, sum := m.enumerate(obs)
		hyps := last(m.run(obs, beam.Limits{}))
		possible := 0
		for _, p := range best {
			if p > 0 {
				possible++
			}
		}
		if len(hyps) != possible {
			t.Fatalf("%d states, want the %d possible ones", len(hyps), possible)
		}
		if possible == 0 {
			return
		}
		if !near(math.Exp(-hyps[0].Cost), slices.Max(best)) {
			t.Fatalf("best has probability %g, want %g", math.Exp(-hyps[0].Cost), slices.Max(best))
		}
		total, shares := likelihood(hyps), m.filtered(hyps)
		for _, h := range hyps {
			s, path := h.State.now, moves(beam.Path(nil, h.Last))
			if !near(math.Exp(-h.Cost), best[s]) || !near(math.Exp(-h.Mass), sum[s]) || !near(m.probability(path, obs), best[s]) {
				t.Fatalf("state %d by %v: %+v, want best %g, sum %g", s, path, h, best[s], sum[s])
			}
			if !near(shares[s], sum[s]/total) {
				t.Fatalf("state %d has share %g, want %g", s, shares[s], sum[s]/total)
			}
		}
	})
}

func TestLimitsAreKeptAndNeverBetter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, obs := drawModel(t)
		lim := drawLimits(t)
		best, sum := m.enumerate(obs)
		for _, hyps := range m.run(obs, lim) {
			if lim.Keep > 0 && len(hyps) > lim.Keep {
				t.Fatalf("%d states kept, want at most %d", len(hyps), lim.Keep)
			}
			for i, h := range hyps {
				if i > 0 && h.Cost < hyps[i-1].Cost {
					t.Fatalf("not the best first: %+v", hyps)
				}
				if lim.Within > 0 && h.Cost > hyps[0].Cost+lim.Within {
					t.Fatalf("%+v is dearer than the best by more than %g", h, lim.Within)
				}
			}
		}
		for _, h := range last(m.run(obs, lim)) {
			s, p := h.State.now, math.Exp(-h.Cost)
			if p > best[s]*(1+1e-9) || math.Exp(-h.Mass) > sum[s]*(1+1e-9) || h.Mass > h.Cost+1e-9 {
				t.Fatalf("%+v is better than without limits: best %g, sum %g", h, best[s], sum[s])
			}
			if path := moves(beam.Path(nil, h.Last)); !near(m.probability(path, obs), p) {
				t.Fatalf("%v has probability %g, its cost says %g", path, m.probability(path, obs), p)
			}
		}
		if wide := m.run(obs, beam.Limits{Keep: len(m.start), Within: 1e9}); !reflect.DeepEqual(wide, m.run(obs, beam.Limits{})) {
			t.Fatalf("limits that cut nothing changed the answer: %+v", wide)
		}
	})
}

func TestStepIsPure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, obs := drawModel(t)
		lim := drawLimits(t)
		once := m.run(obs, lim)
		for i, hyps := range once {
			m.obs, m.depth = obs[0], i+1
			before := slices.Clone(hyps)
			beam.Step(m, hyps, i+1, lim)
			if !reflect.DeepEqual(before, hyps) {
				t.Fatalf("Step changed its input from %+v to %+v", before, hyps)
			}
		}
		if again := m.run(obs, lim); !reflect.DeepEqual(once, again) {
			t.Fatalf("the same input gave %+v and %+v", once, again)
		}
	})
}

func TestRebaseChangesNoAnswer(t *testing.T) {
	beam.Rebase[place, int](nil)
	rapid.Check(t, func(t *rapid.T) {
		m, obs := drawModel(t)
		hyps := []hyp{{State: place{-1, -1}, Cost: 1000, Mass: 1000}}
		for i, o := range obs {
			m.obs = o
			hyps = beam.Step(m, hyps, i, beam.Limits{})
			shares := beam.Weights(hyps)
			beam.Rebase(hyps)
			if len(hyps) > 0 && hyps[0].Cost != 0 {
				t.Fatalf("best cost %g after Rebase, want 0", hyps[0].Cost)
			}
			for k, w := range beam.Weights(hyps) {
				if !(math.Abs(w-shares[k]) <= 1e-9) {
					t.Fatalf("share of %+v changed from %g to %g", hyps[k], shares[k], w)
				}
			}
		}
		plain := last(m.run(obs, beam.Limits{}))
		if len(plain) != len(hyps) {
			t.Fatalf("%d states, %d without Rebase", len(hyps), len(plain))
		}
		for _, h := range hyps { // equally good ones may have changed places by rounding
			p := plain[slices.IndexFunc(plain, func(p hyp) bool { return p.State == h.State })]
			if d := p.Cost - plain[0].Cost; !(math.Abs(h.Cost-d) <= 1e-9) {
				t.Fatalf("%+v is dearer by %g, without Rebase by %g", h, h.Cost, d)
			}
			if d := p.Mass - p.Cost; !(math.Abs(h.Mass-h.Cost-d) <= 1e-9) {
				t.Fatalf("%+v: mass over cost is %g, without Rebase %g", h, h.Mass-h.Cost, d)
			}
		}
	})
}

// drawTree is histories with shared beginnings, some of them none at all, and
// the nodes they are made of. Observations may be left out.
func drawTree(t *rapid.T) (hyps []hyp, nodes []*beam.Node[int]) {
	for i := range rapid.IntRange(0, 12).Draw(t, "nodes") {
		n := &beam.Node[int]{Depth: rapid.IntRange(0, 2).Draw(t, "depth"), Move: i}
		if p := rapid.IntRange(-1, i-1).Draw(t, "parent"); p >= 0 {
			n.Parent = nodes[p]
			n.Depth += nodes[p].Depth + 1
		}
		nodes = append(nodes, n)
	}
	for i := range rapid.IntRange(0, 4).Draw(t, "hyps") {
		h := hyp{State: place{now: i}}
		if k := rapid.IntRange(-1, len(nodes)-1).Draw(t, "last"); k >= 0 {
			h.Last = nodes[k]
		}
		hyps = append(hyps, h)
	}
	return hyps, nodes
}

// line is n and what it came from, n first.
func line(n *beam.Node[int]) (out []*beam.Node[int]) {
	for ; n != nil; n = n.Parent {
		out = append(out, n)
	}
	return out
}

func TestAgreedIsTheDeepestCommonOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hyps, _ := drawTree(t)
		var want *beam.Node[int]
		if len(hyps) > 0 {
			common := line(hyps[0].Last)
			for _, h := range hyps[1:] {
				other := line(h.Last)
				common = slices.DeleteFunc(common, func(n *beam.Node[int]) bool { return !slices.Contains(other, n) })
			}
			if len(common) > 0 {
				want = common[0]
			}
		}
		if got := beam.Agreed(hyps); got != want {
			t.Fatalf("agreed on %+v, want %+v", got, want)
		}
	})
}

func TestAtForceAndPath(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hyps, nodes := drawTree(t)
		if len(nodes) == 0 {
			return
		}
		n := rapid.SampledFrom(nodes).Draw(t, "node")
		depth := rapid.IntRange(-1, 12).Draw(t, "depth")
		var at *beam.Node[int]
		for _, a := range line(n) {
			if a.Depth <= depth && (at == nil || a.Depth > at.Depth) {
				at = a
			}
		}
		if got := n.At(depth); got != at {
			t.Fatalf("at depth %d: %+v, want %+v", depth, got, at)
		}
		oldestFirst := line(n)
		slices.Reverse(oldestFirst)
		cut := rapid.IntRange(0, len(oldestFirst)).Draw(t, "cut")
		var after *beam.Node[int]
		if cut > 0 {
			after = oldestFirst[cut-1]
		}
		if got := beam.Path(after, n); !slices.Equal(got, oldestFirst[cut:]) {
			t.Fatalf("path after %+v: %v, want %v", after, got, oldestFirst[cut:])
		}
		var want []int
		for _, h := range hyps {
			if slices.Contains(line(h.Last), n) {
				want = append(want, h.State.now)
			}
		}
		var got []int
		for _, h := range beam.Force(hyps, n) {
			got = append(got, h.State.now)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("through %+v go %v, want %v", n, got, want)
		}
	})
}

// What all agree on rules nobody out, also when it is nothing.
func TestForceOfAgreedKeepsAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hyps, _ := drawTree(t)
		before := slices.Clone(hyps)
		if got := beam.Force(hyps, beam.Agreed(hyps)); !slices.Equal(got, before) {
			t.Fatalf("kept %+v of %+v", got, before)
		}
	})
}
