package motor

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// Set is a driver set of the locomotive that was swept: CountsPerRev of its motor's
// encoder, Gear in motor turns per wheel turn. Gear and wheel are needed only where
// several sets drove at once.
type Set struct {
	Motor                      string
	CountsPerRev, Gear, WheelM float64
}

// Run is one sweep of one locomotive: up and down, at one load. Readings are by
// motor, in order. LoadKg is all that runs on the rails; with the wheels Free it
// does not count.
type Run struct {
	ID       string
	LoadKg   float64
	Free     bool
	Readings map[string][]Reading
}

// Curve is a motor's constants as sweeps show them. NoLoad is NaN where it cannot be
// had. Covariance is of ROhm, KVS and I0A in that order.
type Curve struct {
	ROhm, KVS, NoLoad Interval
	Covariance        [3][3]float64
	ResidualV         float64 // standard deviation of the voltages about the fit
	DF                int
	Steps             []Step
	Doubts            []string
}

// Constants are the best values; an unknown no-load current is NaN.
func (c Curve) Constants() Constants { return Constants{c.ROhm.Value, c.KVS.Value, c.NoLoad.Value} }

// Why a curve cannot be had.
var (
	ErrNoSteps   = errors.New("too few steady steps")
	ErrRange     = errors.New("the currents are too much alike")
	ErrRegulated = errors.New("the voltages do not answer to the current")
)

const leastSteps = 4

// Fit is the curve of each motor that the runs tell of, by motor, and why not of those
// whose curve cannot be had. Runs are of one locomotive with the given sets.
//
// U = R I + K w holds of the means of every step; R and K are fitted to all of them by
// weights from the scatter of the readings, errors in current and speed minded (see
// electrical). The no-load current is that of the wheels turning free; without
// such a run it is what is left at no load when several are extrapolated (see
// noLoad).
func Fit(sets []Set, runs []Run) (map[string]Curve, map[string]error) {
	curves, faults := map[string]Curve{}, map[string]error{}
	for _, s := range sets {
		var steps []Step
		for _, r := range runs {
			for _, x := range Cut(r.Readings[s.Motor], s.CountsPerRev) {
				x.Run, x.LoadKg, x.Free = r.ID, r.LoadKg, r.Free
				steps = append(steps, x)
			}
		}
		if len(steps) == 0 && !slices.ContainsFunc(runs, func(r Run) bool { return len(r.Readings[s.Motor]) > 0 }) {
			continue
		}
		c, err := electrical(s, steps)
		if err != nil {
			faults[s.Motor] = err
			continue
		}
		curves[s.Motor] = c
	}
	for _, s := range sets {
		if c, ok := curves[s.Motor]; ok {
			noLoad(&c, s, sets, runs, curves)
			c.doubt()
			curves[s.Motor] = c
		}
	}
	return curves, faults
}

// electrical fits R and K. What is made least is the sum of (U - R I - K w)2 over its
// variance u(U)2 + R2 u(I)2 + K2 u(w)2, which for errors in all three is the
// greatest likelihood; solved by going on from the weights of the last R and K, with
// the measured I and w in the normal equations put where the errors most likely
// left them (York 1966, Canadian Journal of Physics 44, 1079, for a line; here for a
// plane through the origin). Where the residuals scatter more than the readings
// explain, the covariance grows with them.
func electrical(s Set, steps []Step) (Curve, error) {
	c := Curve{Steps: steps}
	if !(s.CountsPerRev > 0) {
		return c, fmt.Errorf("motor %s: counts per motor turn are not stated", s.Motor)
	}
	used := c.used()
	if len(used) < leastSteps {
		return c, fmt.Errorf("motor %s: %w: %d of %d stretches of constant throttle can be used, and it takes %d%s", s.Motor, ErrNoSteps, len(used), len(steps), leastSteps, why(steps))
	}
	noise := noiseOf(used)
	for _, x := range used {
		_, ps := weighted(x.volts, x.weight)
		x.UVoltV = math.Sqrt(ps) * noise.volt * x.dutyOr1()
		_, ps = weighted(x.amps, x.weight)
		x.UCurrentA = math.Sqrt(ps) * noise.amp
	}
	r, k, inverse, chi, err := york(used, 1)
	if err != nil {
		return c, fmt.Errorf("motor %s: %w: steps at other loads, or with the wheels held back, would tell R from K (%v)", s.Motor, ErrRange, err)
	}
	if grow := growth(used, r, k); grow > 1 {
		r, k, inverse, chi, err = york(used, grow)
		if err != nil {
			return c, fmt.Errorf("motor %s: %w (%v)", s.Motor, ErrRange, err)
		}
	}
	c.DF = len(used) - 2
	scale := max(1, chi/float64(c.DF))
	c.Covariance = [3][3]float64{{inverse[0][0] * scale, inverse[0][1] * scale, 0}, {inverse[1][0] * scale, inverse[1][1] * scale, 0}, {}}
	ur, uk := math.Sqrt(c.Covariance[0][0]), math.Sqrt(c.Covariance[1][1])
	if !(r > 2*ur) {
		return c, fmt.Errorf("motor %s: %w: its resistance comes out as %.3g ± %.2g ohm; is it regulated, so that the board's throttle is not the bridge's, or are the currents too much alike (between %s)?", s.Motor, ErrRegulated, r, 2*ur, rangeOf(used))
	}
	c.ROhm, c.KVS = studentised(r, ur, float64(c.DF)), studentised(k, uk, float64(c.DF))
	var squares float64
	for _, x := range used {
		squares += x.ResidualV * x.ResidualV
	}
	c.ResidualV = math.Sqrt(squares / float64(c.DF))
	return c, nil
}

// used is the steps of the fit.
func (c Curve) used() (out []*Step) {
	for i := range c.Steps {
		if c.Steps[i].Left == "" {
			out = append(out, &c.Steps[i])
		}
	}
	return out
}

func (s Step) dutyOr1() float64 {
	if math.IsNaN(s.Duty) {
		return 1
	}
	return s.Duty
}

// why names what steps were left out for.
func why(steps []Step) string {
	counts, text := map[string]int{}, ""
	for _, s := range steps {
		if s.Left != "" {
			counts[s.Left]++
		}
	}
	for _, s := range steps {
		if n := counts[s.Left]; n > 0 {
			text += fmt.Sprintf("; of %d %s", n, s.Left)
			delete(counts, s.Left)
		}
	}
	return text
}

func rangeOf(used []*Step) string {
	lo, hi := math.Inf(1), 0.0
	for _, s := range used {
		lo, hi = min(lo, s.CurrentA), max(hi, s.CurrentA)
	}
	return fmt.Sprintf("%.0f and %.0f mA", 1000*lo, 1000*hi)
}

// noise is how the readings themselves scatter: of the supply's voltage and of the
// current.
type noise struct{ volt, amp float64 }

// noiseOf is the median over the steps, and at least what a whole millivolt and
// milliampere hide.
func noiseOf(used []*Step) noise {
	var volts, amps []float64
	for _, s := range used {
		volts = append(volts, differences(s.volts)/s.dutyOr1())
		amps = append(amps, differences(s.amps))
	}
	least := 0.001 / math.Sqrt(12)
	return noise{max(median(volts), least), max(median(amps), least)}
}

// median of the values that are there; 0 of none.
func median(x []float64) float64 {
	kept := slices.DeleteFunc(slices.Clone(x), math.IsNaN)
	if len(kept) == 0 {
		return 0
	}
	slices.Sort(kept)
	return stats.Quantile(kept, 0.5)
}

// growth is by how much the scatter of the residuals within the steps, with its
// autocorrelation, is above that of readings which know nothing of each other; the
// median ratio of variances over the steps.
func growth(used []*Step, r, k float64) float64 {
	var ratio []float64
	for _, s := range used {
		e := make([]float64, 0, len(s.volts))
		for i := range s.volts {
			if v := s.volts[i] - r*s.amps[i] - k*s.speeds[i]; !math.IsNaN(v) {
				e = append(e, v)
			}
		}
		if _, _, _, u := stats.MeanInterval(e); u > 0 {
			ratio = append(ratio, u*u/s.variance(r, k))
		}
	}
	return median(ratio)
}

// variance is that of U - R I - K w.
func (s Step) variance(r, k float64) float64 {
	return s.UVoltV*s.UVoltV + r*r*s.UCurrentA*s.UCurrentA + k*k*s.URadS*s.URadS
}

// york makes the sum of squares least, the variances of the readings grown by a
// factor. chi is that sum; inverse the covariance of r and k for chi/df = 1.
func york(used []*Step, grow float64) (r, k float64, inverse [][]float64, chi float64, err error) {
	x, y, w := make([][]float64, len(used)), make([]float64, len(used)), make([]float64, len(used))
	for i, s := range used {
		x[i], y[i], w[i] = []float64{s.CurrentA, s.RadS}, s.VoltV, 1
	}
	fit, err := LeastSquares(x, y, w)
	for range 30 {
		if err != nil {
			return 0, 0, nil, 0, err
		}
		r, k = fit.B[0], fit.B[1]
		for i, s := range used {
			v := grow * s.variance(r, k)
			off := s.VoltV - r*s.CurrentA - k*s.RadS
			w[i] = 1 / v
			x[i] = []float64{s.CurrentA + off*r*grow*s.UCurrentA*s.UCurrentA/v, s.RadS + off*k*grow*s.URadS*s.URadS/v}
		}
		if fit, err = instruments(used, x, w); err == nil && math.Abs(fit.B[0]-r) < 1e-12*math.Abs(r) && math.Abs(fit.B[1]-k) < 1e-12*math.Abs(k) {
			break
		}
	}
	if err != nil {
		return 0, 0, nil, 0, err
	}
	r, k = fit.B[0], fit.B[1]
	for i, s := range used {
		s.ResidualV = s.VoltV - r*s.CurrentA - k*s.RadS
		chi += s.ResidualV * s.ResidualV * w[i]
	}
	return r, k, fit.Inverse, chi, nil
}

// instruments solves sum of w z (U - I R - w K) = 0, z being the likeliest I and w.
func instruments(used []*Step, z [][]float64, w []float64) (Linear, error) {
	var a, b, c, d, e, f float64 // [a b; c d] (r k) = (e f)
	for i, s := range used {
		a, b = a+w[i]*z[i][0]*s.CurrentA, b+w[i]*z[i][0]*s.RadS
		c, d = c+w[i]*z[i][1]*s.CurrentA, d+w[i]*z[i][1]*s.RadS
		e, f = e+w[i]*z[i][0]*s.VoltV, f+w[i]*z[i][1]*s.VoltV
	}
	det := a*d - b*c
	if !(math.Abs(det) > 1e-12*math.Abs(a*d)) {
		return Linear{}, fmt.Errorf("current and speed rise together in all %d steps", len(used))
	}
	return Linear{B: []float64{(e*d - b*f) / det, (a*f - e*c) / det}, Inverse: [][]float64{{d / det, -(b + c) / 2 / det}, {-(b + c) / 2 / det, a / det}}}, nil
}

// doubt says what speaks against the curve.
func (c *Curve) doubt() {
	say := func(format string, a ...any) { c.Doubts = append(c.Doubts, fmt.Sprintf(format, a...)) }
	used := c.used()
	if len(used) < 8 {
		say("only %d steady steps: up and down in six steps or more would tell more", len(used))
	}
	lo, hi := math.Inf(1), 0.0
	slack, full := 0.0, 0.0
	for _, s := range used {
		lo, hi = min(lo, s.CurrentA), max(hi, s.CurrentA)
		full = max(full, s.SupplyV)
	}
	for _, s := range used {
		slack = max(slack, 1-s.SupplyV/full)
		if math.IsNaN(s.Duty) {
			slack = 0
		}
	}
	if hi < 1.5*lo {
		say("the currents lie between %s only: an ammeter that is off by little would pass for another resistance; another load would help", rangeOf(used))
	}
	if slack > 0.1 {
		say("the supply sagged by %.0f %% between steps: its voltage as measured at the board is reckoned with, what is lost in the leads behind it is not", 100*slack)
	}
	c.doubtHeat(used, say)
	if spread := c.ResidualV / meanVolt(used); spread > 0.02 {
		say("the voltages scatter by %.1f %% about the fit: if the motor is regulated, the board's throttle is not the bridge's", 100*spread)
	}
}

func meanVolt(used []*Step) float64 {
	var sum float64
	for _, s := range used {
		sum += s.VoltV
	}
	return sum / float64(len(used))
}

// doubtHeat compares the residuals of falling throttle with those of the same throttle
// in the same run on the way up.
func (c Curve) doubtHeat(used []*Step, say func(string, ...any)) {
	var apart []float64
	for _, down := range used {
		for _, up := range used {
			if !down.Rising && up.Rising && up.Run == down.Run && math.Abs(up.Duty-down.Duty) <= sameDuty {
				apart = append(apart, down.ResidualV-up.ResidualV)
				break
			}
		}
	}
	if len(apart) < 3 {
		return
	}
	mean, sd := meanSD(apart)
	if math.Abs(mean) > stats.TQuantile(0.99, float64(len(apart)-1))*sd/math.Sqrt(float64(len(apart))) {
		say("at the same throttle, rising and falling differ by %.0f mV: the winding warmed up, or the supply's voltage was read elsewhere; shorter steps would tell", 1000*math.Abs(mean))
	}
}
