package beam_test

import (
	"slices"
	"testing"

	"rainhill/pkg/beam"
	"rainhill/testdata/reference"
)

// gate matches detections at a gate, in time order, to locomotives that cannot
// pass each other: matched ones follow the cyclic order from any rotation, each
// at most once. See the problem in the case. at is the detection at hand; after
// the last comes over, when those not matched are missed.
type gate struct {
	predicted          []float64 // in cyclic order
	at                 float64
	sigma, miss, false float64
	over               bool
	whole              bool // no two assignments are one state
}

// order is who was matched first (-1 nobody yet) and how many places of the
// cyclic order after it the last one stands. labels tells the assignments apart.
type order struct {
	first, last int
	labels      uint64
}

const spurious = -1

func (g gate) Options(s order, emit func(float64, uint64, int)) {
	n := len(g.predicted)
	option := func(cost float64, loco int) { emit(cost, g.key(g.Apply(s, loco)), loco) }
	switch {
	case g.over && s.first < 0:
		option(g.miss*float64(n), spurious)
		return
	case g.over:
		option(g.miss*float64(n-1-s.last), spurious)
		return
	}
	option(g.false, spurious)
	for loco, due := range g.predicted {
		d := (g.at - due) / g.sigma
		switch skipped := (loco-s.first+n)%n - s.last - 1; {
		case s.first < 0:
			option(d*d, loco)
		case skipped >= 0:
			option(d*d+g.miss*float64(skipped), loco)
		}
	}
}

func (g gate) Apply(s order, loco int) order {
	n := len(g.predicted)
	if g.whole {
		s.labels = s.labels*uint64(n+1) + uint64(loco+1)
	}
	switch {
	case g.over && !g.whole:
		return order{}
	case loco == spurious:
		return s
	case s.first < 0:
		return order{loco, 0, s.labels}
	}
	return order{s.first, (loco - s.first + n) % n, s.labels}
}

func (g gate) key(s order) uint64 {
	return s.labels<<16 | uint64(s.first+1)<<8 | uint64(s.last)
}

func (g gate) assign(detections []float64) []beam.Hyp[order, int] {
	hyps := []beam.Hyp[order, int]{{State: order{first: -1}}}
	for i, at := range detections {
		g.at = at
		hyps = beam.Step(g, hyps, i, beam.Limits{})
	}
	g.over = true
	return beam.Step(g, hyps, len(detections), beam.Limits{})
}

// G04 to G07: made problems, solved by full enumeration of the order-preserving
// matchings.
func TestCyclicOrder(t *testing.T) {
	for _, id := range []string{"G04", "G05", "G06", "G07"} {
		c := reference.Load(t, id)
		var names []string
		var due map[string]float64
		var detections []float64
		var g gate
		c.Input(t, "cyclic_order", &names)
		c.Input(t, "predicted", &due)
		c.Input(t, "detections", &detections)
		c.Input(t, "sigma", &g.sigma)
		c.Input(t, "miss", &g.miss)
		c.Input(t, "false", &g.false)
		for _, n := range names {
			g.predicted = append(g.predicted, due[n])
		}
		hyps := g.assign(detections)
		if len(hyps) != 1 {
			t.Fatalf("%s: %d states in the end, want 1", id, len(hyps))
		}
		g.whole = true
		all := g.assign(detections)
		for _, h := range []beam.Hyp[order, int]{hyps[0], all[0]} {
			c.CheckSame(t, "labels per detection (null = false)", labels(names, h.Last, len(detections)))
			c.Check(t, "least cost", h.Cost)
		}
		c.Check(t, "second least cost", all[1].Cost)
	}
}

func labels(names []string, n *beam.Node[int], count int) []any {
	out := make([]any, count)
	for i, loco := range moves(beam.Path(nil, n))[:count] {
		if loco != spurious {
			out[i] = names[loco]
		}
	}
	return out
}

// rows gives the row at hand one of the columns not used yet. The state is the
// used columns as bits.
type rows struct {
	cost [][]float64
	row  int
}

func (r rows) Options(used uint64, emit func(float64, uint64, int)) {
	for col, cost := range r.cost[r.row] {
		if used>>col&1 == 0 {
			emit(cost, r.Apply(used, col), col)
		}
	}
}

func (rows) Apply(used uint64, col int) uint64 { return used | 1<<col }

func (r rows) assign() (columns []int, total float64) {
	hyps := []beam.Hyp[uint64, int]{{}}
	for r.row = range r.cost {
		hyps = beam.Step(r, hyps, r.row, beam.Limits{})
	}
	return moves(beam.Path(nil, hyps[0].Last)), hyps[0].Cost
}

// G08: linear assignment, 3x3 from the scipy documentation, 5x5 made; scipy
// linear_sum_assignment and brute force.
func TestLinearAssignment(t *testing.T) {
	c := reference.Load(t, "G08")
	for _, size := range []string{"3x3", "5x5"} {
		var r rows
		c.Input(t, "cost_"+size, &r.cost)
		columns, total := r.assign()
		c.CheckSame(t, size+" columns, total", []any{columns, total})
		if slices.Sort(columns); slices.Compact(columns)[len(r.cost)-1] != len(r.cost)-1 {
			t.Errorf("%s: columns %v are not each used once", size, columns)
		}
	}
}
