package beam_test

import (
	"math"
	"strings"
	"testing"

	"rainhill/pkg/beam"
	"rainhill/testdata/reference"
)

// hmm is a hidden Markov model, states and observations numbered from 0. It
// begins in no state (-1). obs is what is seen at depth, -1 nothing. The state
// of depth keep is carried along, so that its smoothed probability is the
// filtered one of what is carried; keep -1 carries nothing.
type hmm struct {
	start       []float64
	trans, emit [][]float64
	obs, depth  int
	keep        int
}

type place struct{ now, kept int }

type hyp = beam.Hyp[place, int]

func (m hmm) Options(s place, emit func(float64, uint64, int)) {
	for next, p := range m.start {
		if s.now >= 0 {
			p = m.trans[s.now][next]
		}
		if m.obs >= 0 {
			p *= m.emit[next][m.obs]
		}
		to := m.Apply(s, next)
		emit(-math.Log(p), uint64(to.now)<<32|uint64(to.kept+1), next)
	}
}

func (m hmm) Apply(s place, next int) place {
	if m.depth == m.keep {
		s.kept = next
	}
	return place{next, s.kept}
}

// run is the states after each observation.
func (m hmm) run(obs []int, lim beam.Limits) (steps [][]hyp) {
	hyps := []hyp{{State: place{-1, -1}}}
	for i, o := range obs {
		m.obs, m.depth = o, i
		hyps = beam.Step(m, hyps, i, lim)
		steps = append(steps, hyps)
	}
	return steps
}

func last[T any](list []T) T { return list[len(list)-1] }

// filtered is the probability of each state, by its number.
func (m hmm) filtered(hyps []hyp) []float64 {
	p := make([]float64, len(m.start))
	for i, w := range beam.Weights(hyps) {
		p[hyps[i].State.now] += w
	}
	return p
}

// smoothed is the probability of each state at depth k, all seen.
func (m hmm) smoothed(obs []int, k int) []float64 {
	m.keep = k
	hyps, p := last(m.run(obs, beam.Limits{})), make([]float64, len(m.start))
	for i, w := range beam.Weights(hyps) {
		p[hyps[i].State.kept] += w
	}
	return p
}

func likelihood(hyps []hyp) (p float64) {
	for _, h := range hyps {
		p += math.Exp(-h.Mass)
	}
	return p
}

func moves[M any](path []*beam.Node[M]) []M {
	out := []M{}
	for _, n := range path {
		out = append(out, n.Move)
	}
	return out
}

func pick(names []string, index []int) (out []string) {
	for _, i := range index {
		out = append(out, names[i])
	}
	return out
}

func byName(names []string, p []float64) map[string]float64 {
	m := map[string]float64{}
	for i, n := range names {
		m[n] = p[i]
	}
	return m
}

// G01, G02: worked example of the Viterbi algorithm (healthy or fever), and the
// other figures of the same model by exact fractions.
func TestHealthyOrFever(t *testing.T) {
	for _, id := range []string{"G01", "G02"} {
		c := reference.Load(t, id)
		m, obs, names := healthy(t, c)
		hyps := last(m.run(obs, beam.Limits{}))
		path, p := pick(names, moves(beam.Path(nil, hyps[0].Last))), math.Exp(-hyps[0].Cost)
		c.CheckSame(t, "best path", path)
		c.CheckSame(t, "viterbi path", path)
		c.Check(t, "probability of best path", p)
		c.Check(t, "viterbi probability", p)
		c.Check(t, "forward likelihood", likelihood(hyps))
		c.CheckNamed(t, "filtered at the last step", byName(names, m.filtered(hyps)))
		c.CheckNamed(t, "smoothed at the first step", byName(names, m.smoothed(obs, 0)))
	}
}

func healthy(t *testing.T, c *reference.Case) (m hmm, obs []int, names []string) {
	var start map[string]float64
	var trans, emit map[string]map[string]float64
	var seen []string
	c.Input(t, "states", &names)
	c.Input(t, "start", &start)
	c.Input(t, "trans", &trans)
	c.Input(t, "emit", &emit)
	c.Input(t, "obs", &seen)
	m.keep = -1
	for _, a := range names {
		m.start = append(m.start, start[a])
		var row, out []float64
		for _, b := range names {
			row = append(row, trans[a][b])
		}
		for _, o := range seen { // what is seen first is observation 0, and so on
			out = append(out, emit[a][o])
		}
		m.trans, m.emit = append(m.trans, row), append(m.emit, out)
	}
	for i := range seen {
		obs = append(obs, i)
	}
	return m, obs, names
}

// G03: Russell & Norvig, Artificial Intelligence, the umbrella world. Step 0 is
// the prior state, in which nothing is seen.
func TestUmbrella(t *testing.T) {
	c := reference.Load(t, "G03")
	m, names := umbrella(t, c)
	obs, short := umbrellas(t, c, "obs"), umbrellas(t, c, "obs_short")
	steps := m.run(obs, beam.Limits{})
	best := last(steps)[0]
	c.CheckSame(t, "viterbi path", pick(names, moves(beam.Path(nil, best.Last))))
	c.Check(t, "viterbi probability (joint)", math.Exp(-best.Cost))
	c.Check(t, "likelihood", likelihood(last(steps)))
	var filtered, messages, smoothed, withPrior []float64
	for k, hyps := range steps {
		filtered = append(filtered, m.filtered(hyps)[0])
		messages = append(messages, math.Exp(-hyps[0].Cost)/likelihood(steps[0]))
		smoothed = append(smoothed, m.smoothed(obs, k)[0])
	}
	for k := range len(obs) + 1 {
		withPrior = append(withPrior, m.smoothed(append([]int{-1}, obs...), k)[0])
	}
	c.Check(t, "filtered P(Rain) steps 1..5", filtered...)
	c.Check(t, "viterbi messages, first one normalised", messages...)
	c.Check(t, "smoothed P(Rain) steps 1..5", smoothed...)
	c.Check(t, "smoothed P(Rain), steps 0..5 (step 0 is the prior state)", withPrior...)
	two := m.run(short, beam.Limits{})
	c.Check(t, "filtered P(Rain) after T and after T,T", m.filtered(two[0])[0], m.filtered(two[1])[0])
}

func umbrella(t *testing.T, c *reference.Case) (hmm, []string) {
	var names []string
	var start, emit map[string]float64
	var trans map[string]map[string]float64
	c.Input(t, "states", &names)
	c.Input(t, "start", &start)
	c.Input(t, "trans", &trans)
	c.Input(t, "emit_umbrella", &emit)
	m := hmm{keep: -1}
	for _, a := range names {
		m.start = append(m.start, start[a])
		m.trans = append(m.trans, []float64{trans[a][names[0]], trans[a][names[1]]})
		m.emit = append(m.emit, []float64{emit[a], 1 - emit[a]})
	}
	return m, names
}

// umbrellas reads "T,F" as seen (0) and not seen (1).
func umbrellas(t *testing.T, c *reference.Case, name string) (obs []int) {
	var s string
	c.Input(t, name, &s)
	for _, o := range strings.Split(s, ",") {
		obs = append(obs, strings.Index("TF", o))
	}
	return obs
}

// Two states that never change. The second observation favours the one that was
// behind, so that whoever gave it up is left with the worse.
var lateTurn = hmm{
	start: []float64{0.6, 0.4}, trans: [][]float64{{1, 0}, {0, 1}}, emit: [][]float64{{1, 0.1}, {1, 0.9}}, keep: -1,
}

func TestLimitsGiveUp(t *testing.T) {
	for _, c := range []struct {
		name string
		lim  beam.Limits
		best int
		p    float64
		n    int
	}{
		{"no limits", beam.Limits{}, 1, 0.36, 2},
		{"one kept", beam.Limits{Keep: 1}, 0, 0.06, 1},
		{"two kept", beam.Limits{Keep: 2}, 1, 0.36, 2},
		{"ln(0.6/0.4) = 0.405 is too dear", beam.Limits{Within: 0.40}, 0, 0.06, 1},
		{"within 0.41, but ln(0.36/0.06) = 1.79 is not", beam.Limits{Within: 0.41}, 1, 0.36, 1},
		{"within 2", beam.Limits{Within: 2}, 1, 0.36, 2},
	} {
		hyps := last(lateTurn.run([]int{0, 1}, c.lim))
		if len(hyps) != c.n || hyps[0].State.now != c.best || math.Abs(math.Exp(-hyps[0].Cost)-c.p) > 1e-12 {
			t.Errorf("%s: %+v, want state %d with probability %g, best of %d", c.name, hyps, c.best, c.p, c.n)
		}
	}
}

// fixed offers the same options whatever the state.
type fixed []struct {
	cost float64
	key  uint64
	move string
}

func (f fixed) Options(_ struct{}, emit func(float64, uint64, string)) {
	for _, o := range f {
		emit(o.cost, o.key, o.move)
	}
}

func (fixed) Apply(s struct{}, _ string) struct{} { return s }

func TestStepOrderAndOddCosts(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		name    string
		options fixed
		want    string
	}{
		{"equal costs stay as emitted", fixed{{1, 1, "a"}, {1, 2, "b"}, {1, 3, "c"}}, "a b c"},
		{"the best first", fixed{{3, 1, "a"}, {1, 2, "b"}, {2, 3, "c"}}, "b c a"},
		{"one state, the cheaper history", fixed{{2, 7, "a"}, {1, 7, "b"}, {3, 7, "c"}}, "b"},
		{"one state, equal costs, the first", fixed{{1, 7, "a"}, {1, 7, "b"}}, "a"},
		{"costs below 0 are densities above 1", fixed{{-1, 1, "a"}, {-2, 2, "b"}}, "b a"},
		{"impossible and undefined ones are no options", fixed{{inf, 1, "a"}, {nan, 2, "b"}, {5, 3, "c"}}, "c"},
		{"none left", fixed{{inf, 1, "a"}, {nan, 2, "b"}}, ""},
	} {
		var got []string
		for _, h := range beam.Step(c.options, []beam.Hyp[struct{}, string]{{}}, 4, beam.Limits{}) {
			got = append(got, h.Last.Move)
			if h.Last.Depth != 4 || h.Last.Parent != nil {
				t.Errorf("%s: node %+v, want depth 4 and no parent", c.name, h.Last)
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	if got := beam.Step(fixed{{1, 1, "a"}}, nil, 0, beam.Limits{}); got != nil {
		t.Errorf("from no state: %+v, want nil", got)
	}
}

// even offers a hundred options, all of one cost but every other dearer by one.
type even struct{}

func (even) Options(_ int, emit func(float64, uint64, int)) {
	for i := range 100 {
		emit(float64(i%2), uint64(i), i)
	}
}

func (even) Apply(_, m int) int { return m }

// So many that a sort that is not stable would show.
func TestManyEqualCostsStayAsEmitted(t *testing.T) {
	for i, h := range beam.Step(even{}, []beam.Hyp[int, int]{{}}, 0, beam.Limits{}) {
		if want := 2*(i%50) + i/50; h.Last.Move != want || h.State != want {
			t.Fatalf("place %d: option %d, state %d, want %d", i, h.Last.Move, h.State, want)
		}
	}
}

// Of states that nothing to come can tell apart the cheapest is kept, with the mass of
// all: what is believed of the others does not change.
func TestJoinKeepsWhatIsBelieved(t *testing.T) {
	list := func() []beam.Hyp[int, int] {
		return []beam.Hyp[int, int]{{Cost: 0, Mass: -0.1, State: 3}, {Cost: 1, Mass: 1, State: 14}, {Cost: 2, Mass: 1.5, State: 13}, {Cost: 7, Mass: 7, State: 25}}
	}
	before := beam.Weights(list())
	got := beam.Join(list(), func(s int) uint64 { return uint64(s % 10) })
	if len(got) != 3 || got[0].State != 3 || got[1].State != 14 || got[2].State != 25 || got[0].Cost != 0 {
		t.Fatalf("%+v", got)
	}
	after := beam.Weights(got)
	for i, want := range []float64{before[0] + before[2], before[1], before[3]} {
		if math.Abs(after[i]-want) > 1e-12 {
			t.Errorf("weight %d is %g, want %g", i, after[i], want)
		}
	}
}
