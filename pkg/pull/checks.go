package pull

import "math"

// Check is the limit by another sum: loads moved in 50 and 95 of 100 attempts, NaN
// where it has none.
type Check struct {
	By             string
	Load50, Load95 float64
}

// Checks are the limit by other shapes and by none, to be held against it: maximum
// likelihood of a logistic, a normal and a lopsided share (complementary log-log of the failures), which
// want overlap; the mean of the falling steps (Spearman and Kärber), which wants loads that
// all moved and all failed; and where the steps cross.
func (l Limit) Checks() (out []Check) {
	failures := make([]Tally, len(l.Tallies))
	x := make([]float64, len(l.Tallies))
	for i, t := range l.Tallies {
		failures[i], x[i] = Tally{t.X, t.N, t.N - t.Moves}, t.X
	}
	for _, c := range []struct {
		by         string
		link       Link
		at50, at95 float64 // predictor of the share of failures
	}{
		{"logistic, maximum likelihood", Logit, 0, -sureLogit},
		{"normal, maximum likelihood", Probit, 0, -1.6448536269514722},
		{"complementary log-log, maximum likelihood", CLogLog, math.Log(math.Ln2), math.Log(-math.Log(0.95))},
	} {
		if f, err := MaximumLikelihood(c.link, failures); err == nil && f.B > 0 {
			out = append(out, Check{c.by, f.At(c.at50), f.At(c.at95)})
		}
	}
	if mean, ok := SpearmanKarber(x, l.Steps); ok {
		out = append(out, Check{"mean of the steps (Spearman and Kärber)", mean, math.NaN()})
	}
	half, ok := Crossing(x, l.Steps, 0.5)
	sure, also := Crossing(x, l.Steps, 0.95)
	if !also {
		sure = math.NaN()
	}
	if ok {
		out = append(out, Check{"where the steps cross", half, sure})
	}
	return out
}
