package compare_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"rainhill/pkg/compare"
	"rainhill/testdata/effort"
)

// mixed is the interval of b less a by a mixed model: trials are random with one variance,
// laps about a line of their own in each trial follow one another (AR(1)), and degrees of
// freedom are Satterthwaite's. The variance components are those of the restricted
// likelihood (Patterson and Thompson 1971), of the trial means and the laps within trials,
// which are independent where the lines are taken at the trials' middles.
func mixed(trials []compare.Trial) (d, half float64, alike bool) {
	var means [2][]float64
	var rest [][]float64
	for _, t := range trials {
		n := float64(len(t.Laps))
		at := make([]float64, len(t.Laps))
		for i := range at {
			at[i] = float64(i) - (n-1)/2
		}
		mean, slope := stat.LinearRegression(at, t.Laps, nil, false)
		left := make([]float64, len(at))
		for i, x := range at {
			left[i] = t.Laps[i] - mean - slope*x
		}
		side := int(t.Level[0] - 'a')
		means[side], rest = append(means[side], mean), append(rest, left)
	}
	phi, lap, dfLap := following(rest)
	alike = lapsAlike(trials, rest, phi)
	laps := float64(len(trials[0].Laps))
	within := lap * meanOf(phi, int(laps))
	between, df := 0.0, 0.0
	for _, m := range means {
		between += stat.Variance(m, nil) * float64(len(m)-1)
		df += float64(len(m) - 1)
	}
	between /= df
	v := between
	if between < within { // the restricted likelihood is greatest with no variance between trials
		v, df = (between*df+within*dfLap)/(df+dfLap), df+dfLap
	}
	n := float64(len(means[0]))
	t := distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(0.975)
	return stat.Mean(means[1], nil) - stat.Mean(means[0], nil), t * math.Sqrt(2*v/n), alike
}

// lapsAlike reports whether laps of both sides scatter about their lines alike, by an
// F test (5 %) with as many degrees of freedom as laps that follow one another have.
func lapsAlike(trials []compare.Trial, rest [][]float64, phi float64) bool {
	var squares, df [2]float64
	for k, e := range rest {
		side := trials[k].Level[0] - 'a'
		for _, x := range e {
			squares[side] += x * x
		}
		df[side] += float64(len(e)-2) * (1 - phi*phi) / (1 + phi*phi)
	}
	f := distuv.F{D1: df[1], D2: df[0]}.CDF(squares[1] / df[1] / (squares[0] / df[0]))
	return f > 0.025 && f < 0.975
}

// following is the autocorrelation and variance of laps about their lines, by the greatest
// likelihood of all trials together, allowing for the line that was taken out, and how many
// degrees of freedom the variance of a mean has.
func following(rest [][]float64) (phi, variance, df float64) {
	less := func(x []float64) float64 {
		phi := math.Tanh(x[0])
		sum, n, logs := 0.0, 0.0, 0.0
		for _, e := range rest {
			sum += e[0] * e[0] * (1 - phi*phi)
			for i := 1; i < len(e); i++ {
				sum += (e[i] - phi*e[i-1]) * (e[i] - phi*e[i-1])
			}
			n += float64(len(e) - 2)
			logs += math.Log(1 - phi*phi)
		}
		return n*math.Log(sum/n) - logs
	}
	res, err := optimize.Minimize(optimize.Problem{Func: less}, []float64{0.2}, nil, &optimize.NelderMead{})
	if err != nil && res == nil {
		return 0, math.NaN(), 1
	}
	n := len(rest[0])
	phi = math.Tanh(res.X[0])
	phi = min(0.95, phi+(2+4*phi)/float64(n)) // the bias of a line's residuals, Marriott and Pope 1954 carried to a line: from memory
	shrunk, count := 0.0, 0.0
	for _, e := range rest {
		for _, x := range e {
			shrunk += x * x
		}
		count += float64(len(e) - 2)
	}
	return phi, shrunk / count, count * (1 - phi) / (1 + phi)
}

// A mixed model was tried for two to five trials a side, and is not what the product uses:
// it is much narrower with two, but does not hold where sides scatter unlike, and where
// only their trials do their laps do not tell. The day this test finds that it holds
// everywhere, use it.
func TestMixedModelDoesNotHold(t *testing.T) {
	times := max(*comparisons, effort.Cases(300, 40))
	worlds := []world{
		{name: "independent laps", lap: 0.5, laps: 10, mostLaps: 10, design: "abab"},
		{name: "laps follow one another, 0.6", lap: 0.5, phi: 0.6, laps: 15, mostLaps: 15, design: "abba"},
		{name: "fade within trials", lap: 0.5, fade: 0.05, laps: 12, mostLaps: 12, design: "abab"},
		{name: "trials scatter as their laps make them", lap: 0.5, trial: 0.16, laps: 10, mostLaps: 10, design: "random"},
		{name: "trials scatter", lap: 0.3, trial: 0.5, laps: 10, mostLaps: 10, design: "random"},
		{name: "sides scatter unlike, 3 times", lap: 0.3, phi: 0.3, trial: 0.3, unlike: 3, laps: 10, mostLaps: 10, design: "random"},
		{name: "trials scatter unlike, 3 times", lap: 0.3, phi: 0.3, trial: 0.3, unlike: 3, lapsAlike: true, laps: 10, mostLaps: 10, design: "random"},
	}
	worst := 100.0
	var b strings.Builder
	b.WriteString("\n| world, trials a side | 2 | 3 | 5 |\n")
	for k, w := range worlds {
		fmt.Fprintf(&b, "| %s |", w.name)
		for _, n := range []int{2, 3, 5} {
			r := rand.New(rand.NewPCG(uint64(k)+77, uint64(n)))
			var always, gated tally
			for range times {
				trials, oracle := w.draw(r, n, 0)
				d, half, alike := mixed(trials)
				always.take(math.Abs(d) <= half, half, oracle)
				if !alike {
					res, err := compare.Compare(compare.Question{Factor: "motor", Less: true, Unit: "s"}, trials)
					if err != nil {
						t.Fatal(err)
					}
					p := res.Pairs[0].Difference
					d, half = (p.Lo+p.Hi)/2, (p.Hi-p.Lo)/2
				}
				gated.take(math.Abs(d) <= half, half, oracle)
			}
			worst = min(worst, gated.share(gated.covered))
			fmt.Fprintf(&b, " %.1f, %.2f; %.1f, %.2f |", always.share(always.covered), always.median(), gated.share(gated.covered), gated.median())
		}
		b.WriteString("\n")
	}
	t.Log(b.String())
	if worst >= 94 {
		t.Errorf("the mixed model, where laps scatter alike, holds in %.1f %% and more: use it", worst)
	}
}

func (t *tally) take(covered bool, half, oracle float64) {
	t.n++
	if covered {
		t.covered++
	}
	t.ratios = append(t.ratios, half/(1.959964*math.Sqrt(oracle)))
}
