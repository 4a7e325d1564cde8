package pull

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"rainhill/pkg/stats"
)

// Interval is an estimate with its 95 % interval; NaN where there is none.
type Interval struct{ Value, Lo, Hi float64 }

// Agreement is how far one method of measuring lies from another over several things
// measured by both (Bland and Altman 1986, Lancet 327, 307): the mean of the differences,
// and the limits between which 95 of 100 differences are expected, each with its own
// interval, the standard error of a limit being sqrt(3 s^2/n). The intervals and limits
// of fewer than two differences are NaN.
type Agreement struct {
	N            int
	SD, LimitSE  float64
	Bias         Interval
	Lower, Upper Interval
}

// Agree is of differences, limits lying factor standard deviations from the bias: 1.96,
// or the paper's 2.
func Agree(differences []float64, factor float64) Agreement {
	p := stats.PairedMean(make([]float64, len(differences)), differences)
	a := Agreement{N: p.N, SD: p.SD, Bias: Interval{p.Mean, p.Lo, p.Hi}}
	a.LimitSE = p.SD * math.Sqrt(3/float64(p.N))
	half := stats.TQuantile(0.975, p.DF) * a.LimitSE
	for _, side := range []struct {
		of   *Interval
		sign float64
	}{{&a.Lower, -1}, {&a.Upper, 1}} {
		at := p.Mean + side.sign*factor*p.SD
		*side.of = Interval{at, at - half, at + half}
	}
	return a
}

// Readings sums up pulls that were each read off a scale to uReading: Pull is their mean, U
// its standard uncertainty with DF degrees of freedom, what scatters and the reading combined by
// Welch and Satterthwaite; Sure is the pull that 95 of 100 reach. One reading has no
// intervals and no Sure: how pulls scatter it cannot tell.
type Readings struct {
	N          int
	Pull, Sure Interval
	SD, U, DF  float64
}

// Read sums up pulls, in gram-force.
func Read(pulls []float64, uReading float64) Readings {
	nan := math.NaN()
	s := stats.Summarise(pulls)
	r := Readings{N: s.N, SD: s.SD, U: uReading, DF: math.Inf(1), Pull: Interval{s.Mean, nan, nan}, Sure: Interval{nan, nan, nan}}
	if s.N < 2 {
		return r
	}
	n := float64(s.N)
	r.U, r.DF = combine(s.SD/math.Sqrt(n), n-1, uReading)
	half := coverage(r.DF) * r.U
	r.Pull.Lo, r.Pull.Hi = s.Mean-half, s.Mean+half
	sd := math.Hypot(s.SD, uReading)
	z := distuv.UnitNormal.Quantile(0.95)
	below := func(p float64) float64 { return max(0, s.Mean-ToleranceFactor(p, s.N)*sd) }
	r.Sure = Interval{max(0, s.Mean-z*sd), below(0.975), below(0.025)}
	return r
}

// ToleranceFactor is how many standard deviations of n normal values below their mean
// lies what 95 of 100 values exceed, with confidence p: noncentral t over sqrt(n).
func ToleranceFactor(p float64, n int) float64 {
	root := math.Sqrt(float64(n))
	return noncentral(p, float64(n-1), distuv.UnitNormal.Quantile(0.95)*root) / root
}

// noncentral is the quantile of noncentral Student's t, by halving, the probability being
// the mean of Phi(t sqrt(w/df) - delta) over chi-square w.
func noncentral(p, df, delta float64) float64 {
	chi := distuv.ChiSquared{K: df}
	var roots []float64
	for _, q := range ramp(0, 1, 200) {
		roots = append(roots, math.Sqrt(chi.Quantile(q)/df))
	}
	below := func(t float64) (sum float64) {
		for _, r := range roots {
			sum += distuv.UnitNormal.CDF(t*r-delta) / float64(len(roots))
		}
		return sum
	}
	lo, hi := -10.0, 10+20*delta
	for range 60 {
		if mid := (lo + hi) / 2; below(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
