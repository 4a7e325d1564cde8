package stats_test

import (
	"fmt"
	"math"
	"testing"

	"rainhill/pkg/stats"
	"rainhill/testdata/reference"
)

// C12 and C13: Wilson 1927, Clopper and Pearson 1934, computed with R's qnorm, binom.test and qbeta.
func TestSharesOfFew(t *testing.T) {
	for _, id := range []string{"C12", "C13"} {
		c := reference.Load(t, id)
		var cases [][2]float64
		c.Input(t, "k_n", &cases)
		for _, x := range cases {
			lo, hi := stats.Wilson(x[0], x[1])
			c.Check(t, fmt.Sprintf("%g/%g Wilson 95%%", x[0], x[1]), lo, hi)
			lo, hi = stats.ClopperPearson(x[0], x[1], 0.95)
			c.Check(t, fmt.Sprintf("%g/%g Clopper-Pearson 95%%", x[0], x[1]), lo, hi)
		}
		if id == "C12" { // what 10 of 10 leave open of failures
			c.Check(t, "0/10 one-sided 95% upper = 1-0.05^(1/10)", 1-stats.AtLeast(10, 10))
		}
	}
	if lo, hi := stats.Wilson(0, 0); !math.IsNaN(lo) || !math.IsNaN(hi) {
		t.Errorf("of no trial: %g to %g, want NaN", lo, hi)
	}
}
