package stats

import "math"

// Sample is what a comparison of means needs of one side: how many values, their
// mean and sample SD.
type Sample struct {
	N        int
	Mean, SD float64
}

// SampleOf sums up x; SD is NaN of fewer than two values.
func SampleOf(x []float64) Sample {
	m := Mean(x)
	if len(x) == 0 || !finite(x) {
		return Sample{N: len(x), Mean: math.NaN(), SD: math.NaN()}
	}
	sd, _ := scatter(x, m)
	return Sample{len(x), m, sd}
}

// Contrast is an estimate with what tells how sure it is: Value over SE follows
// Student's t with DF degrees of freedom about the truth. Wide is how much wider or
// narrower than Student's t the interval is: 1, or what Even solved for few degrees
// of freedom.
type Contrast struct {
	Value, SE, DF float64
	Wide          Even
}

// Even is by how much a critical value of Student's t with Welch's degrees of freedom
// is to be multiplied so that intervals at 95 and at 90 % hold that often whatever the
// two scatters are. The zero value means 1.
type Even struct{ At95, At90 float64 }

// At is the multiple at a confidence.
func (e Even) At(confidence float64) float64 {
	switch {
	case e == Even{}:
		return 1
	case confidence < 0.925:
		return max(1, e.At90) // two one-sided tests must not err more often; they may less
	}
	return e.At95
}

// Interval is the two-sided interval at a confidence such as 0.95; NaN without scatter.
func (c Contrast) Interval(confidence float64) (lo, hi float64) {
	half := c.Critical(confidence) * c.SE
	if c.SE == 0 {
		half = 0
	}
	return c.Value - half, c.Value + half
}

// Critical is how many SE the two-sided interval reaches to either side.
func (c Contrast) Critical(confidence float64) float64 {
	return TQuantile(0.5+confidence/2, c.DF) * c.Wide.At(confidence)
}

// T is Value over SE; NaN where there is no scatter.
func (c Contrast) T() float64 {
	if !(c.SE > 0) {
		return math.NaN()
	}
	return c.Value / c.SE
}

// P is the two-sided P of "the truth is 0". It is below 0.05 exactly where the 95 %
// interval excludes 0.
func (c Contrast) P() float64 { return 2 * c.tail(-math.Abs(c.T()), 0.95) }

// Equivalence is the P of "the truth lies outside -margin..margin", the greater of two
// one-sided tests (Schuirmann 1987, Journal of Pharmacokinetics and Biopharmaceutics
// 15, 657). It is below 0.05 exactly where the 90 % interval lies within.
func (c Contrast) Equivalence(margin float64) float64 {
	if !(c.SE > 0) {
		return math.NaN()
	}
	low, high := (c.Value+margin)/c.SE, (c.Value-margin)/c.SE
	return max(c.tail(-low, 0.90), c.tail(high, 0.90))
}

func (c Contrast) tail(t, confidence float64) float64 {
	if math.IsNaN(t) || !(c.DF > 0) {
		return math.NaN()
	}
	return TBelow(t/c.Wide.At(confidence), c.DF)
}

// Welch is the difference of means b - a of two sides that may scatter unlike (Welch
// 1938, Biometrika 29, 350; degrees of freedom by Satterthwaite 1946, Biometrics
// Bulletin 2, 110). NaN where a side has fewer than two values.
func Welch(a, b Sample) Contrast {
	va, vb := a.SD*a.SD/float64(a.N), b.SD*b.SD/float64(b.N)
	return Contrast{Value: b.Mean - a.Mean, SE: math.Sqrt(va + vb), DF: WelchDF(va, vb, float64(a.N-1), float64(b.N-1))}
}

// WelchDF is Satterthwaite's degrees of freedom of va + vb.
func WelchDF(va, vb, fa, fb float64) float64 {
	switch {
	case va+vb == 0:
		return fa + fb
	case !(fa > 0 && fb > 0):
		return math.NaN()
	}
	return (va + vb) * (va + vb) / (va*va/fa + vb*vb/fb)
}

// Pooled is the difference of means b - a of two sides that scatter alike (Student's
// two-sample t). A side may have one value.
func Pooled(a, b Sample) Contrast {
	df := float64(a.N + b.N - 2)
	s := PooledSD(a, b)
	return Contrast{Value: b.Mean - a.Mean, SE: s * math.Sqrt(1/float64(a.N)+1/float64(b.N)), DF: df}
}

// PooledSD is the common SD of samples, those with one value adding nothing; NaN where
// none has two.
func PooledSD(of ...Sample) float64 {
	var squares, df float64
	for _, s := range of {
		if s.N > 1 {
			squares += s.SD * s.SD * float64(s.N-1)
			df += float64(s.N - 1)
		}
	}
	return math.Sqrt(squares / df) // 0/0 is NaN
}

// HedgesJ takes the bias from a standardised difference with df degrees of freedom:
// gamma(df/2) / (sqrt(df/2) gamma((df-1)/2)), exact (Hedges 1981, Journal of
// Educational Statistics 6, 107). 1 - 3/(4 df - 1) is its approximation.
func HedgesJ(df float64) float64 {
	if !(df > 1) {
		return math.NaN()
	}
	a, _ := math.Lgamma(df / 2)
	b, _ := math.Lgamma((df - 1) / 2)
	return math.Exp(a-b) / math.Sqrt(df/2)
}

// Hedges is the standardised difference g = J d with d = t/scale, where scale is
// sqrt(na nb/(na+nb)) of two sides, and its 95 % interval from noncentral t.
func Hedges(t, scale, df float64) (g, lo, hi float64) {
	j := HedgesJ(df)
	l, h := NoncentralInterval(t, df, 0.95)
	return j * t / scale, j * l / scale, j * h / scale
}

// Fieller is the 95 % interval of the ratio b/a of two estimates with variances va, vb
// and covariance vab, c being the critical value (Fieller 1954, Journal of the Royal
// Statistical Society B 16, 175). ok is false where a is not told from 0: then no
// interval holds.
func Fieller(a, b, va, vb, vab, c float64) (lo, hi float64, ok bool) {
	c2 := c * c
	p, q, r := a*a-c2*va, a*b-c2*vab, b*b-c2*vb
	d := q*q - p*r
	if !(p > 0) || !(d >= 0) {
		return math.NaN(), math.NaN(), false
	}
	return (q - math.Sqrt(d)) / p, (q + math.Sqrt(d)) / p, true
}

// Holm adjusts P values so that the chance of any false alarm is kept (Holm 1979,
// Scandinavian Journal of Statistics 6, 65). NaN stays, and is counted as a question.
func Holm(p []float64) []float64 {
	order := sortedBy(p)
	out := make([]float64, len(p))
	least := 0.0
	for rank, i := range order {
		out[i] = min(1, float64(len(p)-rank)*p[i])
		if !math.IsNaN(p[i]) {
			least = max(least, out[i])
			out[i] = least
		}
	}
	return out
}
