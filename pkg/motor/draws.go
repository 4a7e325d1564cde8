package motor

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Input is a figure with its standard uncertainty. What has the same Key is drawn
// alike wherever it stands, so that it cancels in a difference; of what has a Shared
// key as well, half the variance is common to all that have that. A figure whose
// uncertainty is a good part of it is drawn from a log-normal distribution of that mean
// and deviation, since nothing here is negative. Most, if not 0, is not exceeded.
type Input struct {
	Value, U, Most float64
	Key, Shared    string
}

// Fixed is a figure without uncertainty.
func Fixed(v float64) Input { return Input{Value: v} }

// dice gives standard normal figures by key: n of each, stratified (a Latin hypercube:
// McKay, Beckman and Conover 1979, Technometrics 21, 239), the same for the same seed
// and key whatever else is drawn.
type dice struct {
	n    int
	seed uint64
	seen map[string][]float64
}

func newDice(n int, seed uint64) *dice { return &dice{n, seed, map[string][]float64{}} }

func (d *dice) normals(key string) []float64 {
	if z, ok := d.seen[key]; ok {
		return z
	}
	h := fnv.New64a()
	_, _ = h.Write([]byte(key)) // a hash never fails
	rng := rand.New(rand.NewPCG(d.seed, h.Sum64()))
	z := make([]float64, d.n)
	for i, at := range rng.Perm(d.n) {
		z[i] = distuv.UnitNormal.Quantile((float64(at) + rng.Float64()) / float64(d.n))
	}
	d.seen[key] = z
	return z
}

// draw is figure k of an input; k -1 is its best value.
func (d *dice) draw(in Input, k int) float64 {
	if k < 0 || in.U == 0 || in.Key == "" {
		return in.Value
	}
	z := d.normals(in.Key)[k]
	if in.Shared != "" {
		z = (z + d.normals(in.Shared)[k]) / math.Sqrt2
	}
	x := in.Value + in.U*z
	if in.U > 0.1*in.Value && in.Value > 0 {
		spread := math.Log1p(in.U * in.U / (in.Value * in.Value))
		x = in.Value * math.Exp(math.Sqrt(spread)*z-spread/2)
	}
	if in.Most > 0 {
		x = min(x, in.Most)
	}
	return max(x, 0)
}

// constants draws a motor's three constants together.
func (d *dice) constants(m Motor, k int) Constants {
	c := m.Constants
	if k < 0 {
		return c
	}
	x := d.together("motor "+m.ID, []float64{c.ROhm, c.KVS, c.I0A}, square(m.Covariance[0][:], m.Covariance[1][:], m.Covariance[2][:]), k)
	return Constants{max(x[0], 0.01*c.ROhm), max(x[1], 0.01*c.KVS), max(x[2], 0)}
}

// resistance draws the terms of a body. Those drawn together may be below 0 one by one,
// the others being the higher then.
func (d *dice) resistance(b Body, k int) [4]float64 {
	if b.Covariance == nil || k < 0 {
		return [4]float64{d.draw(b.A, k), d.draw(b.B, k), d.draw(b.C, k), d.draw(b.Arc, k)}
	}
	return [4]float64(d.together(b.A.Key, []float64{b.A.Value, b.B.Value, b.C.Value, b.Arc.Value}, square(b.Covariance[0][:], b.Covariance[1][:], b.Covariance[2][:], b.Covariance[3][:]), k))
}

func square(rows ...[]float64) [][]float64 { return rows }

// together draws figures of one covariance.
func (d *dice) together(key string, mean []float64, covariance [][]float64, k int) []float64 {
	l := cholesky(covariance)
	out := slices.Clone(mean)
	for j := range out {
		z := d.normals(key + string(rune('0'+j)))[k]
		for i := j; i < len(out); i++ {
			out[i] += l[i][j] * z
		}
	}
	return out
}

// cholesky is the lower triangle L with L L' = c; what is 0 or below by rounding is
// taken as certain.
func cholesky(c [][]float64) [][]float64 {
	l := make([][]float64, len(c))
	for i := range l {
		l[i] = make([]float64, len(c))
	}
	for j := range c {
		for i := j; i < len(c); i++ {
			sum := c[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			switch {
			case i == j:
				l[j][j] = math.Sqrt(max(sum, 0))
			case l[j][j] > 0:
				l[i][j] = sum / l[j][j]
			}
		}
	}
	return l
}
