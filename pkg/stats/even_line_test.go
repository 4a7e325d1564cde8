package stats

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"

	"rainhill/testdata/effort"
)

// evenLines is a question of coverage: two sides of n, a covariate that lies as widely in
// the one as split says (1/2: alike), and the sides so far apart in it that the difference
// has a load.
type evenLines struct {
	n           int
	load, split float64
	basis       *mat.Dense    // of what lines leave over
	weights     *mat.VecDense // of the difference
}

func newEvenLines(n int, load, split float64) evenLines {
	q := evenLines{n: n, load: load, split: split}
	design := mat.NewDense(2*n, 3, nil)
	for side, g := range q.groups(nil) {
		for k, row := range g.X {
			design.Set(side*n+k, side, 1)
			design.Set(side*n+k, 2, row[0])
		}
	}
	var svd mat.SVD
	svd.Factorize(design, mat.SVDFull)
	var u mat.Dense
	svd.UTo(&u)
	q.basis = mat.DenseCopyOf(u.Slice(0, 2*n, 3, 2*n))
	q.weights = mat.NewVecDense(2*n, nil)
	for i := range 2 * n {
		unit := mat.NewVecDense(2*n, nil)
		unit.SetVec(i, 1)
		g := q.groups(unit)
		fit, _ := NewAncova(g[0], g[1])
		c, _ := fit.Difference(0, 1, true)
		q.weights.SetVec(i, c.Value)
	}
	return q
}

// groups lie evenly in the covariate; only how widely and how far apart matters.
func (q evenLines) groups(y *mat.VecDense) (g [2]Group) {
	scatter := float64(q.n*(q.n*q.n-1)) / 12
	gap := math.Sqrt(q.load * 2 * scatter * 2 / float64(q.n))
	for side, wide := range []float64{math.Sqrt(2 * q.split), math.Sqrt(2 * (1 - q.split))} {
		for k := range q.n {
			x, v := wide*(float64(k)-float64(q.n-1)/2)+gap*float64(side), 0.0
			if y != nil {
				v = y.AtVec(side*q.n + k)
			}
			g[side].X, g[side].Y = append(g[side].X, []float64{x}), append(g[side].Y, v)
		}
	}
	return g
}

// lineNode is what lines left over once, with how the difference is then distributed.
type lineNode struct{ share, reach, mean, sd float64 }

// nodes are drawn with a true share of the variance on side a; the difference is normal
// given what was left over, so that few draws do.
func (q evenLines) nodes(share, level float64, draws int, seed uint64) []lineNode {
	variances := make([]float64, 2*q.n)
	for i := range variances {
		variances[i] = []float64{share, 1 - share}[i/q.n]
	}
	var spread, within mat.Dense
	spread.Mul(mat.NewDiagDense(2*q.n, variances), q.basis)
	within.Mul(q.basis.T(), &spread)
	m := 2*q.n - 3
	cov := mat.NewSymDense(m, nil)
	for i := range m {
		for j := range i + 1 {
			cov.SetSym(i, j, within.At(i, j))
		}
	}
	left, ok := distmv.NewNormal(make([]float64, m), cov, rand.NewPCG(seed, uint64(q.n)))
	var chol mat.Cholesky
	if !ok || !chol.Factorize(cov) {
		panic("no scatter is left over")
	}
	var along, lean, own mat.VecDense
	along.MulVec(spread.T(), q.weights)
	if err := chol.SolveVecTo(&lean, &along); err != nil {
		panic(err)
	}
	own.MulVec(mat.NewDiagDense(2*q.n, variances), q.weights)
	sd := math.Sqrt(mat.Dot(q.weights, &own) - mat.Dot(&along, &lean))
	out := make([]lineNode, draws)
	for i := range out {
		e := mat.NewVecDense(m, left.Rand(nil))
		var y mat.VecDense
		y.MulVec(q.basis, e)
		g := q.groups(&y)
		fit, _ := NewAncova(g[0], g[1])
		v, df, _ := fit.own(fit.Loads(0, 1))
		out[i] = lineNode{v[0] / (v[0] + v[1]), math.Sqrt(v[0]+v[1]) * TQuantile(0.5+level/2, WelchDF(v[0], v[1], df[0], df[1])), mat.Dot(&lean, e), sd}
	}
	return out
}

// covers is how often intervals with a multiple hold.
func covers(nodes []lineNode, ln func(share float64) float64) (sum float64) {
	for _, n := range nodes {
		half := n.reach * math.Exp(ln(n.share))
		sum += (math.Erf((half-n.mean)/n.sd/math.Sqrt2) + math.Erf((half+n.mean)/n.sd/math.Sqrt2)) / 2
	}
	return sum / float64(len(nodes))
}

var lineShares = []float64{0.0001, 0.005, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 0.98, 0.995, 0.9999}

// lineRough is how much a step of the curve weighs against a miss of the level.
const lineRough = 0.01

// solve minimises squared misses and steps by Gauss and Newton.
func (q evenLines) solve(level float64) []float64 {
	var nodes [][]lineNode
	for k, share := range lineShares {
		nodes = append(nodes, q.nodes(share, level, 4000, uint64(k)))
	}
	h := make([]float64, evenLineKnots)
	misses := func() (out []float64) {
		for _, of := range nodes {
			out = append(out, covers(of, func(s float64) float64 { return evenLineAt(h, s) })-level)
		}
		return out
	}
	for range 10 {
		base := misses()
		rows := len(base) + len(h) - 1
		a, y := mat.NewDense(rows, len(h), nil), mat.NewVecDense(rows, nil)
		for m, v := range base {
			y.SetVec(m, -v)
		}
		for j := range h {
			h[j] += 1e-3
			for m, v := range misses() {
				a.Set(m, j, (v-base[m])/1e-3)
			}
			h[j] -= 1e-3
			if j > 0 {
				row := len(base) + j - 1
				a.Set(row, j-1, -lineRough)
				a.Set(row, j, lineRough)
				y.SetVec(row, -lineRough*(h[j]-h[j-1]))
			}
		}
		var step mat.VecDense
		_ = step.SolveVec(a, y)
		for j := range h {
			h[j] += max(-0.5, min(0.5, step.AtVec(j)))
		}
	}
	return h
}

func writeEvenLineTable(t *testing.T) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "// Code generated by go test ./pkg/stats -run TestEvenLine -solve-even; DO NOT EDIT.\n\npackage stats\n\n")
	fmt.Fprintf(&b, "// evenLineTable is, by places in evenLineDF, evenLineLoad and evenLineSplit, ln of the multiple at 95 and at 90 %%.\n")
	fmt.Fprintf(&b, "var evenLineTable = [%d][%d][%d][2][evenLineKnots]float64{\n", len(evenLineDF), len(evenLineLoad), len(evenLineSplit))
	for _, df := range evenLineDF {
		b.WriteString("{\n")
		for _, load := range evenLineLoad {
			b.WriteString("{\n")
			for _, split := range evenLineSplit {
				q := newEvenLines(int(df+3)/2, load, split)
				b.WriteString("{")
				for _, level := range []float64{0.95, 0.90} {
					b.WriteString("{")
					for _, v := range q.solve(level) {
						fmt.Fprintf(&b, "%.3f,", v)
					}
					b.WriteString("},")
				}
				b.WriteString("},\n")
			}
			b.WriteString("},\n")
		}
		b.WriteString("},\n")
	}
	b.WriteString("}\n")
	writeSource(t, "even_line_table.go", b.Bytes())
}

// Coverage with the table, over all shares of variance, also between its loads and where
// the covariate lies more widely in one side than in the other.
func TestEvenLine(t *testing.T) {
	if *solveEven {
		writeEvenLineTable(t)
		return // what was built still has the old one
	}
	all := []evenLines{newEvenLines(3, 0.1, 0.5), newEvenLines(3, 0.6, 0.5), newEvenLines(3, 3.4, 0.5), newEvenLines(3, 0.3, 0.25), newEvenLines(3, 1.5, 0.7), newEvenLines(3, 0.1, 0.15), newEvenLines(3, 2.5, 0.2), newEvenLines(4, 0.1, 0.5), newEvenLines(4, 1.5, 0.35), newEvenLines(4, 0.2, 0.8), newEvenLines(4, 3, 0.5), newEvenLines(5, 0.6, 0.5), newEvenLines(6, 0.2, 0.5)}
	for _, q := range all[:effort.Cases(len(all), 4)] {
		for level, name := range []float64{0.95, 0.90} {
			lo, hi := 1.0, 0.0
			for k, share := range []float64{0.5, 0.3, 0.7, 0.1, 0.9, 0.03, 0.97, 0.001, 0.999} {
				v := covers(q.nodes(share, name, 800, uint64(100+k)), func(share float64) float64 {
					e := EvenLine(float64(2*q.n-3), q.load, q.split, share)
					return math.Log([]float64{e.At95, e.At90}[level])
				})
				lo, hi = min(lo, v), max(hi, v)
			}
			t.Logf("%d a side, load %.1f, split %.2f: %.0f %% holds %.1f to %.1f %%", q.n, q.load, q.split, 100*name, 100*lo, 100*hi)
			most := 0.01 + 0.01*float64(level)
			if q.n == 3 {
				most += 0.015 // between places of the table, where the covariate lies unevenly
			}
			if lo < name-most || hi > name+most {
				t.Errorf("%d a side, load %g, split %g: %g holds %.4f to %.4f", q.n, q.load, q.split, name, lo, hi)
			}
		}
	}
}
