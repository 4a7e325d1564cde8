package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// OneWay is a one-way analysis of variance: F with DF1 and DF2 degrees of freedom and
// its P. Between and Within are sums of squares, in the values' unit squared; NaN where
// the test has none.
type OneWay struct {
	Between, Within, DF1, DF2, F, P float64
}

func noOneWay() OneWay {
	nan := math.NaN()
	return OneWay{nan, nan, nan, nan, nan, nan}
}

// Anova is Fisher's one-way analysis of variance; groups are taken to scatter alike.
// All values are centred first, so that large ones keep their last figures.
func Anova(groups ...[]float64) OneWay {
	all := slices.Concat(groups...)
	a := noOneWay()
	if len(groups) < 2 || len(all) <= len(groups) || !finite(all) {
		return a
	}
	centre := all[0]
	for _, x := range all {
		centre = min(centre, x)
	}
	var sum float64
	for _, x := range all {
		sum += x - centre
	}
	grand := sum / float64(len(all))
	a.Between, a.Within = 0, 0
	for _, g := range groups {
		if len(g) == 0 {
			return noOneWay()
		}
		d := make([]float64, len(g))
		for i, x := range g {
			d[i] = x - centre
		}
		m := Mean(d)
		a.Between += float64(len(g)) * (m - grand) * (m - grand)
		for _, x := range d {
			a.Within += (x - m) * (x - m)
		}
	}
	a.DF1, a.DF2 = float64(len(groups)-1), float64(len(all)-len(groups))
	return a.fisher(a.Between / a.DF1 / (a.Within / a.DF2))
}

func (a OneWay) fisher(f float64) OneWay {
	a.F = f
	if !math.IsNaN(f) && !math.IsInf(f, 0) {
		a.P = FAbove(f, a.DF1, a.DF2)
	}
	return a
}

// FAbove is the probability that Fisher's F with d1 and d2 degrees of freedom exceeds f.
func FAbove(f, d1, d2 float64) float64 {
	if math.IsNaN(f+d1+d2) || !(d1 > 0) || !(d2 > 0) {
		return math.NaN()
	}
	return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f)) // gonum's Survival is 1 - CDF

}

// ChiAbove is the probability that chi-squared with df degrees of freedom exceeds x.
func ChiAbove(x, df float64) float64 {
	if math.IsNaN(x) || !(df > 0) {
		return math.NaN()
	}
	return distuv.ChiSquared{K: df}.Survival(x)
}

// WelchAnova is the one-way analysis of groups that may scatter unlike (Welch 1951,
// Biometrika 38, 330). Each group needs two values that differ.
func WelchAnova(groups ...[]float64) OneWay {
	var total, mean float64
	weights, samples := make([]float64, len(groups)), make([]Sample, len(groups))
	for i, g := range groups {
		samples[i] = SampleOf(g)
		weights[i] = float64(len(g)) / (samples[i].SD * samples[i].SD)
		total += weights[i]
		mean += weights[i] * samples[i].Mean
	}
	if len(groups) < 2 || math.IsNaN(total) || math.IsInf(total, 0) {
		return noOneWay()
	}
	mean /= total
	var between, lambda float64
	for i, s := range samples {
		between += weights[i] * (s.Mean - mean) * (s.Mean - mean)
		lambda += (1 - weights[i]/total) * (1 - weights[i]/total) / float64(s.N-1)
	}
	k := float64(len(groups))
	a := noOneWay()
	a.DF1, a.DF2 = k-1, (k*k-1)/(3*lambda)
	return a.fisher(between / (k - 1) / (1 + 2*(k-2)/(k*k-1)*lambda))
}

// Levene is the analysis of variance of the distances from each group's centre: Mean
// (Levene 1960) or, by Brown and Forsythe 1974, the median, which minds outliers less.
func Levene(centre func([]float64) float64, groups ...[]float64) OneWay {
	away := make([][]float64, len(groups))
	for i, g := range groups {
		c := centre(g)
		for _, x := range g {
			away[i] = append(away[i], math.Abs(x-c))
		}
	}
	return Anova(away...)
}

// Median is the middle value; NaN of none.
func Median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return Quantile(s, 0.5)
}

// Bartlett tests whether groups scatter alike, and minds values that are not normal
// (Bartlett 1937): chi-squared k2 with len(groups)-1 degrees of freedom.
func Bartlett(groups ...[]float64) (k2, p float64) {
	var df, squares, logs, inverse float64
	for _, g := range groups {
		s, f := SampleOf(g), float64(len(g)-1)
		df += f
		squares += f * s.SD * s.SD
		logs += f * math.Log(s.SD*s.SD)
		inverse += 1 / f
	}
	k := float64(len(groups))
	k2 = (df*math.Log(squares/df) - logs) / (1 + (inverse-1/df)/(3*(k-1)))
	return k2, ChiAbove(k2, k-1)
}

// Fligner tests by ranks whether groups scatter alike (Fligner and Killeen 1976, with
// medians as centres): chi-squared x2 with len(groups)-1 degrees of freedom.
func Fligner(groups ...[]float64) (x2, p float64) {
	var away []float64
	for _, g := range groups {
		c := Median(g)
		for _, x := range g {
			away = append(away, math.Abs(x-c))
		}
	}
	score := Ranks(away)
	for i, r := range score {
		score[i] = distuv.UnitNormal.Quantile((1 + r/float64(len(away)+1)) / 2)
	}
	all, from := SampleOf(score), 0
	for _, g := range groups {
		m := Mean(score[from : from+len(g)])
		x2 += float64(len(g)) * (m - all.Mean) * (m - all.Mean)
		from += len(g)
	}
	x2 /= all.SD * all.SD
	return x2, ChiAbove(x2, float64(len(groups)-1))
}
