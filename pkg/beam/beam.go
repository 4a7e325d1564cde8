// Package beam answers "which sequence of choices explains best what was
// seen?" for a hidden state that each observation moves on. Histories that lead
// to one state are merged, the dearer ones given up (Viterbi), and with limits
// only the best states are kept (beam search). Without limits the answer is
// exact. What the states are is not in it.
package beam

import (
	"math"
	"slices"
)

// Node is one choice of a history. Nodes do not change once made, so that
// histories share their beginnings.
type Node[M any] struct {
	Parent *Node[M]
	Depth  int // number of the observation it was chosen for
	Move   M
}

// Hyp is one state that may be true. Cost is -ln of the probability of the best
// history that leads to it, Mass of all histories that do (those given up on
// the way left out); both count from wherever Rebase was last called.
type Hyp[S, M any] struct {
	Cost, Mass float64
	State      S
	Last       *Node[M]
}

// Model is what may follow a state.
type Model[S, M any] interface {
	// Options calls emit for each choice that the observation at hand leaves:
	// its cost, -ln of its probability or density, and a key, equal for choices
	// that lead to one state.
	Options(s S, emit func(cost float64, key uint64, m M))
	// Apply is the state that a choice leads to. s does not change.
	Apply(s S, m M) S
}

// Limits on what is kept: at most Keep states, none dearer than the best by
// more than Within. Zero values keep all.
type Limits struct {
	Keep   int
	Within float64
}

type option[M any] struct {
	cost, mass float64
	key        uint64
	from       int
	move       M
}

// Step takes one observation in and returns what may be true after it, the best
// first; of equal costs what was emitted first. It returns nil when no state
// has an option.
func Step[S, M any](model Model[S, M], hyps []Hyp[S, M], depth int, lim Limits) []Hyp[S, M] {
	var few [64]option[M]
	list, best := few[:0], math.Inf(1)
	for i := range hyps {
		model.Options(hyps[i].State, func(cost float64, key uint64, m M) {
			if math.IsInf(cost, 1) || math.IsNaN(cost) || lim.Within > 0 && hyps[i].Cost+cost > best+lim.Within {
				return
			}
			best = min(best, hyps[i].Cost+cost)
			list = merge(list, option[M]{hyps[i].Cost + cost, hyps[i].Mass + cost, key, i, m})
		})
	}
	slices.SortStableFunc(list, func(a, b option[M]) int {
		switch {
		case a.cost < b.cost:
			return -1
		case a.cost > b.cost:
			return 1
		}
		return 0
	})
	n := len(list)
	if lim.Keep > 0 {
		n = min(n, lim.Keep)
	}
	if lim.Within > 0 {
		for n > 0 && list[n-1].cost > list[0].cost+lim.Within {
			n--
		}
	}
	if n == 0 {
		return nil
	}
	out := make([]Hyp[S, M], n)
	for i, o := range list[:n] {
		h := hyps[o.from]
		out[i] = Hyp[S, M]{o.cost, o.mass, model.Apply(h.State, o.move), &Node[M]{h.Last, depth, o.move}}
	}
	return out
}

// merge adds o, or joins it to the option that leads to the same state.
func merge[M any](list []option[M], o option[M]) []option[M] {
	for i := range list {
		if list[i].key != o.key {
			continue
		}
		mass := addMass(list[i].mass, o.mass)
		if o.cost < list[i].cost {
			list[i] = o
		}
		list[i].mass = mass
		return list
	}
	return append(list, o)
}

// Join has of all states of one key, between which nothing to come can tell, the
// cheapest only, with the mass of all. hyps is used up; the best come first, before
// and after.
func Join[S, M any](hyps []Hyp[S, M], key func(S) uint64) []Hyp[S, M] {
	if len(hyps) < 2 {
		return hyps
	}
	seen := make(map[uint64]int, len(hyps))
	out := hyps[:0]
	for _, h := range hyps {
		k := key(h.State)
		if i, ok := seen[k]; ok {
			out[i].Mass = addMass(out[i].Mass, h.Mass)
			continue
		}
		seen[k] = len(out)
		out = append(out, h)
	}
	return out
}

// addMass is -ln(exp(-a) + exp(-b)).
func addMass(a, b float64) float64 {
	if a > b {
		a, b = b, a
	}
	return a - math.Log1p(math.Exp(a-b))
}

// Rebase makes the best cost 0, so that costs do not grow without end.
func Rebase[S, M any](hyps []Hyp[S, M]) {
	if len(hyps) == 0 {
		return
	}
	by := hyps[0].Cost
	for i := range hyps {
		hyps[i].Cost -= by
		hyps[i].Mass -= by
	}
}

// Weights are the shares of probability of the states, summing to 1.
func Weights[S, M any](hyps []Hyp[S, M]) []float64 {
	w := make([]float64, len(hyps))
	total := math.Inf(1)
	for i := range hyps {
		total = addMass(total, hyps[i].Mass)
	}
	for i := range hyps {
		w[i] = math.Exp(total - hyps[i].Mass)
	}
	return w
}

// At is the ancestor of n for observation depth or the last before it, n itself
// if it is no later; nil when the history begins after that.
func (n *Node[M]) At(depth int) *Node[M] {
	for n != nil && n.Depth > depth {
		n = n.Parent
	}
	return n
}

// Agreed is the last choice that all states share, nil when there is none.
func Agreed[S, M any](hyps []Hyp[S, M]) *Node[M] {
	if len(hyps) == 0 {
		return nil
	}
	common := hyps[0].Last
	for i := 1; i < len(hyps) && common != nil; i++ {
		n := hyps[i].Last
		for common != n && common != nil && n != nil {
			switch {
			case common.Depth > n.Depth:
				common = common.Parent
			case n.Depth > common.Depth:
				n = n.Parent
			default:
				common, n = common.Parent, n.Parent
			}
		}
		if n == nil {
			return nil
		}
	}
	return common
}

// Force keeps the states whose history goes through n; all when n is nil, the
// nothing that all begin with. hyps is used up.
func Force[S, M any](hyps []Hyp[S, M], n *Node[M]) []Hyp[S, M] {
	if n == nil {
		return hyps
	}
	return slices.DeleteFunc(hyps, func(h Hyp[S, M]) bool { return h.Last.At(n.Depth) != n })
}

// Path is the choices after "after" (nil: from the beginning) up to n, oldest
// first.
func Path[M any](after, n *Node[M]) []*Node[M] {
	var out []*Node[M]
	for ; n != nil && n != after; n = n.Parent {
		out = append(out, n)
	}
	slices.Reverse(out)
	return out
}
