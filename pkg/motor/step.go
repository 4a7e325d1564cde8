package motor

import (
	"math"
	"slices"
)

// Reading is one reading of a motor. CurrentA and VoltageV (of the supply, at the
// driver board) are NaN where it has none; Duty is the part of time that the bridge
// is on, -1 to 1, NaN when the board does not know it: the voltage is then the
// winding's own.
type Reading struct {
	AtUs                     int64
	Counts                   int64
	CurrentA, VoltageV, Duty float64
}

// Step is one steady stretch of a sweep, means over it, forward whichever way the motor
// ran. VoltV is the winding's, supply x duty; SupplyV the supply's. UVoltV, UCurrentA
// and UAtRadS are the standard uncertainties of the three. Left says why the fit left the
// step out, nothing when it did not; ResidualV is U - R I - K w.
type Step struct {
	Run                         string
	LoadKg                      float64
	Free                        bool
	FromUs, ToUs                int64
	Duty                        float64
	Rising                      bool
	VoltV, CurrentA, RadS       float64
	UVoltV, UCurrentA, URadS    float64
	SupplyV, ResidualV          float64
	Readings                    int
	Left                        string
	volts, amps, speeds, weight []float64 // reading by reading, for the scatter of the residuals
}

const (
	leastReadings = 8
	leastSpanS    = 0.8
	sameDuty      = 0.0025 // duties this near are one throttle: boards count in permille
	gapUs         = int64(1_000_000)
	leastDuty     = 1e-3 // below it the bridge is open
	standingTurns = 1.0  // turns of the motor in a step: fewer is standing
)

// Cut cuts the readings of one motor in one run into steps of constant throttle,
// and leaves of each what comes before the speed had settled. perRev is counts per
// motor turn.
func Cut(readings []Reading, perRev float64) []Step {
	var out []Step
	before := 0.0
	for _, piece := range pieces(readings) {
		duty := math.Abs(piece[0].Duty)
		if duty < leastDuty {
			before = 0
			continue
		}
		if s, ok := stepOf(piece, perRev); ok {
			s.Rising = duty > before || math.IsNaN(duty) && s.VoltV > before
			out = append(out, s)
			before = duty
			if math.IsNaN(duty) {
				before = s.VoltV
			}
		}
	}
	return out
}

// pieces cuts where the throttle changes, readings are missing, or the counter began
// anew. Readings that go back in time are left out.
func pieces(all []Reading) (out [][]Reading) {
	from := 0
	kept := make([]Reading, 0, len(all))
	for _, r := range all {
		if n := len(kept); n > 0 && r.AtUs <= kept[n-1].AtUs {
			continue
		}
		kept = append(kept, r)
	}
	for i := 1; i <= len(kept); i++ {
		if i < len(kept) && !ends(kept[from:i], kept[i]) {
			continue
		}
		out = append(out, kept[from:i])
		from = i
	}
	return out
}

// ends reports whether a reading is of another step than those before it.
func ends(piece []Reading, r Reading) bool {
	first, last := piece[0], piece[len(piece)-1]
	if r.AtUs-last.AtUs > gapUs || math.IsNaN(first.Duty) != math.IsNaN(r.Duty) {
		return true
	}
	if math.Abs(r.Duty-first.Duty) > sameDuty {
		return true
	}
	if math.IsNaN(r.Duty) && math.Abs(r.VoltageV-first.VoltageV) > 0.04*math.Abs(first.VoltageV) {
		return true
	}
	if len(piece) < 2 {
		return false
	}
	// A counter that jumps, where it had gone evenly, was reset or has wrapped.
	pace := float64(last.Counts-piece[len(piece)-2].Counts) / float64(last.AtUs-piece[len(piece)-2].AtUs)
	off := float64(r.Counts-last.Counts) - pace*float64(r.AtUs-last.AtUs)
	return math.Abs(off) > 1000 && math.Abs(off) > 20*math.Abs(pace)*float64(r.AtUs-last.AtUs)
}

// stepOf sums a piece up; ok is false for a piece that is too short to be a step of
// anything, such as one reading of a ramp.
func stepOf(piece []Reading, perRev float64) (s Step, ok bool) {
	if len(piece) < leastReadings || spanS(piece) < leastSpanS {
		return s, false
	}
	from, steady := settled(piece, perRev)
	rest := piece[from:]
	s = means(rest, perRev)
	switch {
	case len(rest) < leastReadings || spanS(rest) < leastSpanS:
		s.Left = "the speed settled too late in it"
	case !steady:
		s.Left = "the speed had not settled"
	case math.IsNaN(s.CurrentA) || math.IsNaN(s.VoltV):
		s.Left = "too few of its readings tell current and voltage"
	case s.RadS*spanS(rest)/(2*math.Pi) < standingTurns:
		s.Left = "the motor stood"
	}
	return s, true
}

func spanS(r []Reading) float64 { return float64(r[len(r)-1].AtUs-r[0].AtUs) / 1e6 }

// settled is the reading from which on the speed no longer changes with the
// throttle's change: windows of the piece are dropped from its front while their speed
// lies outside what the second half of it shows. steady is false where the speed
// still drifts after that.
func settled(piece []Reading, perRev float64) (from int, steady bool) {
	size := max(4, len(piece)/8)
	var speeds []float64
	for i := 0; i+size <= len(piece); i += size {
		speeds = append(speeds, paceOf(piece[i:i+size], perRev))
	}
	half := speeds[len(speeds)/2:]
	lo, hi := slices.Min(half), slices.Max(half)
	// One count more or less at both ends of a window is its coarseness.
	coarse := 2 * 2 * math.Pi / perRev / spanS(piece[:size])
	slack := max((hi-lo)/2, 0.01*math.Abs(hi), coarse)
	k := 0
	for k < len(speeds)-1 && (speeds[k] < lo-slack || speeds[k] > hi+slack) {
		k++
	}
	kept := speeds[k:]
	if len(kept) < 3 {
		return k * size, true
	}
	third := len(kept) / 3
	drift := meanOf(kept[len(kept)-third:]) - meanOf(kept[:third])
	monotone := true
	for i := 1; i < len(kept); i++ {
		monotone = monotone && (kept[i]-kept[i-1])*drift > 0
	}
	return k * size, !(monotone && math.Abs(drift) > 0.03*math.Abs(hi)+coarse)
}

// paceOf is the mean speed of a window in rad/s, from its ends.
func paceOf(r []Reading, perRev float64) float64 {
	return float64(r[len(r)-1].Counts-r[0].Counts) / perRev * 2 * math.Pi / spanS(r)
}

func meanOf(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// means is the step's speed by regression of its counts, and current and voltage by
// the same weights in time as that regression gives the speed: U = R I + K w holds at
// every instant, so it holds of these three also where a curve of the track or
// the train behind made the speed vary.
func means(r []Reading, perRev float64) Step {
	n := len(r)
	s := Step{FromUs: r[0].AtUs, ToUs: r[n-1].AtUs, Duty: math.Abs(r[0].Duty), Readings: n}
	at := make([]float64, n)
	for i := range r {
		at[i] = float64(r[i].AtUs-r[0].AtUs) / 1e6
	}
	middle := meanOf(at)
	var square float64
	for _, t := range at {
		square += (t - middle) * (t - middle)
	}
	turn := 2 * math.Pi / perRev
	for i := range r {
		s.RadS += (at[i] - middle) / square * turn * float64(r[i].Counts-r[0].Counts)
	}
	s.weight = kernel(at, middle, square)
	s.URadS = turn * countNoise(at, r) / math.Sqrt(square)
	sign := math.Copysign(1, s.RadS)
	s.RadS = math.Abs(s.RadS)
	volts, supply, amps := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, x := range r {
		supply[i], volts[i], amps[i] = math.Abs(x.VoltageV), math.Abs(x.VoltageV), x.CurrentA
		if !math.IsNaN(x.Duty) {
			volts[i] *= math.Abs(x.Duty)
		}
	}
	s.VoltV, _ = weighted(volts, s.weight)
	s.SupplyV, _ = weighted(supply, s.weight)
	s.CurrentA, _ = weighted(amps, s.weight)
	if s.CurrentA < 0 { // running in reverse, with a meter that has a sign
		s.CurrentA = -s.CurrentA
		for i := range amps {
			amps[i] = -amps[i]
		}
	}
	s.volts, s.amps, s.speeds = volts, amps, local(at, r, sign*turn)
	return s
}

// kernel is the weight of each instant's speed in the slope of a regression over
// the instants at, as a trapezium rule: with c the integral of w, slope = sum of q_i w_i
// dt_i, q_i = sum over j > i of (t_j - mean)/sum of squares.
func kernel(at []float64, middle, square float64) []float64 {
	out := make([]float64, len(at))
	q := 0.0
	for i := len(at) - 1; i > 0; i-- {
		q += (at[i] - middle) / square
		half := q * (at[i] - at[i-1]) / 2
		out[i] += half
		out[i-1] += half
	}
	return out
}

// weighted is the mean of the values that are there, NaN when they hold less than
// four fifths of the weight, and the sum of squares of their weights.
func weighted(x, w []float64) (mean, squares float64) {
	var sum, of float64
	for i, v := range x {
		if !math.IsNaN(v) {
			sum, of, squares = sum+w[i]*v, of+w[i], squares+w[i]*w[i]
		}
	}
	if of < 0.8 {
		return math.NaN(), math.NaN()
	}
	return sum / of, squares / (of * of)
}

// local is the speed about each reading, from its neighbours.
func local(at []float64, r []Reading, turn float64) []float64 {
	out := make([]float64, len(r))
	for i := range r {
		a, b := max(0, i-1), min(len(r)-1, i+1)
		out[i] = turn * float64(r[b].Counts-r[a].Counts) / (at[b] - at[a])
	}
	return out
}

// countNoise is the standard deviation of a count about the smooth motion: the
// scatter about the straight line through a reading's neighbours, and at least the
// 1/sqrt(12) of a whole number.
func countNoise(at []float64, r []Reading) float64 {
	var squares, of float64
	for i := 2; i < len(r)-2; i++ {
		// Second difference of a second difference: a smooth motion has little of it.
		d := float64(r[i-2].Counts-r[i].Counts) - 4*float64(r[i-1].Counts-r[i].Counts) - 4*float64(r[i+1].Counts-r[i].Counts) + float64(r[i+2].Counts-r[i].Counts)
		if even(at[i-2 : i+3]) {
			squares, of = squares+d*d/70, of+1
		}
	}
	if of == 0 {
		return 1 / math.Sqrt(12)
	}
	return max(math.Sqrt(squares/of), 1/math.Sqrt(12))
}

// even reports whether instants are evenly spaced, within a fifth.
func even(at []float64) bool {
	want := (at[len(at)-1] - at[0]) / float64(len(at)-1)
	for i := 1; i < len(at); i++ {
		if math.Abs(at[i]-at[i-1]-want) > 0.2*want {
			return false
		}
	}
	return true
}

// differences is the standard deviation of what a series scatters from reading to
// reading, slow changes apart: the root of the mean squared second difference over 6.
func differences(x []float64) float64 {
	var squares, of float64
	for i := 1; i+1 < len(x); i++ {
		if d := x[i-1] - 2*x[i] + x[i+1]; !math.IsNaN(d) {
			squares, of = squares+d*d/6, of+1
		}
	}
	if of == 0 {
		return math.NaN()
	}
	return math.Sqrt(squares / of)
}
