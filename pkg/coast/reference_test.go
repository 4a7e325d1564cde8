package coast_test

import (
	"math"
	"testing"

	"rainhill/pkg/coast"
	"rainhill/testdata/reference"
)

// F14: stopping time and distance, closed forms for A to C and numerical quadrature for D.
func TestStoppingAgreesWithIntegration(t *testing.T) {
	c := reference.Load(t, "F14")
	for _, name := range []string{"A", "B", "C", "D"} {
		var in struct{ A, B, C, V0 float64 }
		c.Input(t, name, &in)
		lo, hi := 0.0, 20.0
		for range 200 { // the way from which it comes to stand, by the speed it has there
			mid := (lo + hi) / 2
			if v, _ := coast.BackFromRest([4]float64{in.A, in.B, in.C}, mid); v < in.V0 {
				lo = mid
			} else {
				hi = mid
			}
		}
		_, seconds := coast.BackFromRest([4]float64{in.A, in.B, in.C}, lo)
		c.Check(t, name+" t,s", seconds, lo)
	}
}

// F15: a series made by scipy's solve_ivp without noise; the fit is to the instants at the
// places, which says nothing of how finely they lie.
func TestExactSeriesIsRecovered(t *testing.T) {
	c := reference.Load(t, "F15")
	at, places := reference.Column(t, "coast_exact.csv", "t_s"), reference.Column(t, "coast_exact.csv", "s_m")
	run := coast.Run{ID: "exact"}
	for i := range at {
		run.Instants = append(run.Instants, coast.Instant{AtM: places[i], AtS: at[i]})
	}
	r, err := coast.Fit([]coast.Run{run}, coast.Track{})
	if err != nil {
		t.Fatal(err)
	}
	c.Check(t, "a,b,c recovered by an ODE fit to v(t) or s(t)", r.Terms[coast.A].Value, r.Terms[coast.B].Value, r.Terms[coast.C].Value)
	c.Leave(t, "finite-difference decelerations", "no speeds are differenced: instants are fitted through the integral")
	if v := r.Runs[0].StartMS.Value; math.Abs(v-0.6) > 1e-5 {
		t.Errorf("it began at %g m/s, want 0.6", v)
	}
}

// F16: numpy.linalg.lstsq of decelerations against speed, by the linear least squares that
// every step of the fit takes.
func TestQuadraticAgreesWithLstsq(t *testing.T) {
	c := reference.Load(t, "F16")
	var v, dec []float64
	c.Input(t, "v", &v)
	c.Input(t, "dec", &dec)
	b, inverse, err := coast.Quadratic(v, dec)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for i := range v {
		off := dec[i] - b[0] - b[1]*v[i] - b[2]*v[i]*v[i]
		sum += off * off
	}
	sd := math.Sqrt(sum / float64(len(v)-3))
	c.Check(t, "a,b,c", b...)
	c.Check(t, "se", sd*math.Sqrt(inverse[0][0]), sd*math.Sqrt(inverse[1][1]), sd*math.Sqrt(inverse[2][2]))
	c.Check(t, "residual SD", sd)
}
