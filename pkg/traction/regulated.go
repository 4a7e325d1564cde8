package traction

import (
	"fmt"
	"math"

	"rainhill/pkg/stats"
)

// Verdicts on whether a motor holds its speed by itself.
const (
	IsRegulated   = "regulated"
	IsUnregulated = "unregulated"
	CannotTell    = "unknown"
)

// Drive is what is known of the way from a motor to the rim: the wheel, gear (motor
// turns per wheel turn), counts, the efficiency of the gears with its standard
// uncertainty (0: not stated), and the motor's curve where it was measured, NaN
// otherwise: resistance and k (volts per radian a second) with theirs.
type Drive struct {
	DiameterMm, Gear, CountsPerRev float64
	Efficiency, UEfficiency        float64
	ROhm, UROhm, KVS, UKVS         float64
}

// Gears whose efficiency nobody stated: common practice, no source.
const (
	UsualEfficiency, UsualEfficiencyU = 0.75, 0.12
)

// Regulation is the verdict with what speaks for it: droop, the loss of speed at a
// fixed throttle per newton at the rim and per ampere, and sentences.
type Regulation struct {
	Verdict  string
	Droop    Estimate // mm/s per N
	DroopA   Estimate // mm/s per A
	Evidence []string

	leans string // to which verdict the slopes lie by more than their uncertainty, if to one
}

const undecided = "the interval does not lie on one side of what tells them apart: it cannot be told"

const (
	leastLaps = 3
	// half: a motor that loses less than half of what an unregulated one would is
	// regulated, one that loses more is not.
	half = 0.5
	// usual is the part of its speed that an unregulated motor loses at least when its
	// working current doubles (common practice, no source).
	usual = 0.03
	// leastSignal is the share of the scatter of the current that must be the load's.
	leastSignal = 0.15
)

// Regulated judges a motor by how its speed answered to its current within laps at a
// fixed throttle, where curves, load and chance change what it has to pull; what
// changes from lap to lap (the battery) does not come in. workingA is the mean current
// of all the locomotive's motors: where sets are unlike one may idle.
//
// A brushed motor has U = I R + k w at any instant, regulated or not. With the fall of
// speed -dv/dI and the rise of the voltage at the winding e = dU/dI as lines through
// the bins of laps show them, R/k = -dv/dI + e/k: so much an unregulated motor loses per
// ampere at one voltage. The droop d is the fall less what the sagging supply makes of
// it. With the curve that a sweep measured, R/k is known beforehand; otherwise k
// follows from the means, k = (U - e I)/(v - I dv/dI).
//
// The rule: regulated when the 95 % interval of the fall over R/k lies below one half,
// unregulated when it lies above, unknown otherwise. Without a measured curve it
// is regulated so only where the voltage is seen to rise with the current; else what
// counts is the part of its speed that doubling the working current would cost: a motor
// at work draws more than some 3 % of its stall current (usual), so that an unregulated
// one loses more than that. Regulated when the interval lies below, unregulated when it
// lies above and the voltage is not seen to rise. Uncertainties are those of the
// jackknife over laps. The meter's own noise is taken out of the variance of the current
// (it would flatten the slope); where nearly all of it is noise, nothing is said. The
// droop of a regulated motor is uncertain by all of itself, as a board that is still
// catching up looks like one that droops.
func Regulated(laps []Moments, d Drive, workingA float64) Regulation {
	out := Regulation{Verdict: CannotTell, Droop: None(), DroopA: None()}
	perCount := MmPerCount(d.DiameterMm, d.Gear, d.CountsPerRev)
	var steady []Moments
	for _, m := range laps {
		if !m.moved() {
			steady = append(steady, m)
		}
	}
	switch {
	case perCount == 0:
		out.say("wheel, gear or encoder is not stated: it cannot be told")
		return out
	case len(steady) < leastLaps:
		out.say("this trial has %s at a fixed throttle that %s current and speed; for it to show by itself, %d are needed", counted(len(steady), "lap"), agree(len(steady), "tells", "tell"), leastLaps)
		return out
	}
	all := gather(steady)
	if share := all.ii / all.raw; !(share > leastSignal) {
		out.say("the current scatters by %.0f mA within laps, and %.0f %% of that is the meter's: the load does not vary enough to tell",
			1000*math.Sqrt(all.raw/all.n), 100*math.Sqrt(max(0, 1-max(share, 0))))
		return out
	}
	r := jackknife(steady, perCount, d, workingA)
	out.judge(r, d)
	if out.Verdict == IsRegulated { // what a board has not yet caught up with looks like droop
		r.droop = interval(r.droop.Value, []float64{r.droop.U, math.Abs(r.droop.Value) / math.Sqrt(3)}, []float64{float64(r.laps - 1), math.Inf(1)})
		r.droop.Lo, r.droop.Hi = min(r.droop.Lo, 0), max(r.droop.Hi, 0)
	}
	out.DroopA = r.droop
	if r.droop.Value != r.fall.Value {
		out.say("its droop, at a supply that does not sag, is %s mm/s per ampere of that", words(r.droop, 1))
	}
	out.atRim(r, d)
	return out
}

// lead is say of what decides, which goes before what does not.
func (r *Regulation) lead(format string, a ...any) {
	r.Evidence = append([]string{fmt.Sprintf(format, a...)}, r.Evidence...)
}

// counted is a number of things: 1 lap, 2 laps, no lap.
func counted(n int, thing string) string {
	switch n {
	case 0:
		return "no " + thing
	case 1:
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// agree is a verb's form after so many.
func agree(n int, one, many string) string {
	if n <= 1 {
		return one
	}
	return many
}

func (r *Regulation) say(format string, a ...any) {
	r.Evidence = append(r.Evidence, fmt.Sprintf(format, a...))
}

// moved reports whether the throttle was moved in a lap: it and the speed change
// together, and by more than a motor's own holding of its speed would leave.
func (m Moments) moved() bool {
	if m.N < leastBins || !(m.V != 0) {
		return true
	}
	n := float64(m.N)
	duty, speed := math.Sqrt(m.DD/n), math.Sqrt(m.VV/n)/math.Abs(m.V)
	r := m.VD / math.Sqrt(m.VV*m.DD)
	if m.V < 0 {
		r = -r
	}
	return duty > 10 && speed > 0.03 && r > 0.5
}

// sums are over laps, in volts, amperes and counts a second; ii without noise.
type sums struct{ n, v, i, u, d, vi, iu, id, ii, raw, dd float64 }

func (s *sums) add(m Moments, sign float64) {
	n := sign * float64(m.N)
	way := 1.0
	if m.V < 0 { // counts fall when the train runs
		way = -1
	}
	s.n, s.v, s.i, s.u = s.n+n, s.v+n*way*m.V, s.i+n*m.I/1e3, s.u+n*m.U/1e3
	s.vi, s.iu, s.id = s.vi+sign*way*m.VI/1e3, s.iu+sign*m.IU/1e6, s.id+sign*m.ID/1e6
	s.d += n * m.D / 1e3
	s.raw, s.ii, s.dd = s.raw+sign*m.II/1e6, s.ii+sign*(m.II-float64(m.N-m.Holds)*m.NoiseMa2)/1e6, s.dd+sign*m.DD
}

func gather(laps []Moments) (s sums) {
	for _, m := range laps {
		s.add(m, 1)
	}
	return s
}

// answers are the fall of speed and, without the supply's sag, the droop in mm/s per A,
// the rise of voltage in V/A, the droop that R/k stands for, the share of it that is seen,
// the part of speed lost per doubling of the working current, and k at the rim in V per
// mm/s.
type answers [7]float64

const (
	aFall = iota
	aDroop
	aRise
	aBare
	aShare
	aPart
	aK
)

func (s sums) answers(perCount float64, d Drive, workingA float64) (a answers) {
	v, i, u := s.v/s.n*perCount, s.i/s.n, s.u/s.n
	a[aFall], a[aRise] = -s.vi/s.ii*perCount, s.iu/s.ii
	a[aK] = (u - a[aRise]*i) / (v + a[aFall]*i)
	a[aBare] = a[aFall] + a[aRise]/a[aK]
	a[aDroop] = a[aFall]
	if s.d != 0 && a[aK] > 0 { // the part of the rise that is the supply's, at one throttle
		a[aDroop] += (a[aRise] - u*s.n/s.d*s.id/s.ii) / a[aK]
	}
	if bare := d.bare(); !math.IsNaN(bare) {
		a[aBare] = bare
	}
	a[aShare], a[aPart] = a[aFall]/a[aBare], a[aFall]*workingA/v
	return a
}

// bare is R/k by the measured curve, in mm/s at the rim per A.
func (d Drive) bare() float64 {
	if !(d.ROhm > 0) || !(d.KVS > 0) {
		return math.NaN()
	}
	return d.ROhm / d.KVS * d.DiameterMm / (2 * d.Gear)
}

type reckoned struct {
	fall, droop, rise, bare, share, part, k Estimate
	laps                                    int
	dutyTold                                bool
	current, scatter                        float64
}

func jackknife(laps []Moments, perCount float64, d Drive, workingA float64) reckoned {
	all := gather(laps)
	n := float64(len(laps))
	whole := all.answers(perCount, d, workingA)
	var mean, square answers
	for _, m := range laps {
		less := all
		less.add(m, -1)
		for k, x := range less.answers(perCount, d, workingA) {
			off := x - whole[k]
			mean[k], square[k] = mean[k]+off/n, square[k]+off*off
		}
	}
	of := func(k int) Estimate {
		u := math.Sqrt((n - 1) / n * max(0, square[k]-n*mean[k]*mean[k]))
		wide := stats.TQuantile(0.975, n-1) * u
		return Estimate{whole[k], whole[k] - wide, whole[k] + wide, u}
	}
	r := reckoned{
		fall: of(aFall), droop: of(aDroop), rise: of(aRise), bare: of(aBare), share: of(aShare), part: of(aPart), k: of(aK),
		laps: len(laps), dutyTold: all.u != 0,
		current: all.i / all.n, scatter: math.Sqrt(all.ii / all.n),
	}
	if d.ROhm > 0 && d.KVS > 0 { // the curve's own uncertainty
		curve := math.Hypot(d.UROhm/d.ROhm, d.UKVS/d.KVS) * math.Abs(r.share.Value)
		r.share = interval(r.share.Value, []float64{r.share.U, curve}, []float64{n - 1, math.Inf(1)})
	}
	return r
}

func (r *Regulation) judge(x reckoned, d Drive) {
	curve := d.ROhm > 0 && d.KVS > 0
	r.say("over %d laps its current varied by %.0f mA about %.0f, and its speed fell by %s mm/s per ampere", x.laps, 1000*x.scatter, 1000*x.current, words(x.fall, 1))
	switch {
	case x.share.Hi < half && (curve || x.rise.Lo > 0), !curve && x.part.Hi < usual:
		r.Verdict = IsRegulated
	case x.share.Lo > half && (curve || x.part.Lo > usual):
		r.Verdict = IsUnregulated
	}
	r.leans = x.leaning(curve)
	if x.dutyTold {
		r.say("the voltage at its winding changed by %s V per ampere: %s", words(x.rise, 2), risen(x.rise))
	} else {
		r.say("nothing tells the voltage at its winding")
	}
	switch {
	case curve:
		r.say("by its measured curve an unregulated motor would lose %.1f mm/s per ampere: it loses %s of that", x.bare.Value, words(x.share, 2))
	case x.dutyTold && x.rise.Lo > 0:
		r.say("with its voltage held it would lose about %.1f mm/s per ampere: it loses %s of that", x.bare.Value, words(x.share, 2))
	default:
		r.say("a doubling of the working current would cost %s of its speed, of an unregulated motor's 0.03 and more", words(x.part, 3))
	}
	if r.Verdict == CannotTell {
		r.say("%s", undecided)
	}
}

// leaning is on which side of what tells motors apart the share or part lies.
func (x reckoned) leaning(curve bool) string {
	e, at := x.part, usual
	if curve || x.rise.Lo > 0 {
		e, at = x.share, half
	}
	switch {
	case e.Value+e.U < at:
		return IsRegulated
	case e.Value-e.U > at:
		return IsUnregulated
	}
	return ""
}

func risen(e Estimate) string {
	switch {
	case e.Lo > 0:
		return "it rises as the load does, as a regulator has it"
	case e.Hi < 0:
		return "it sags as the load rises, as a battery's does"
	}
	return "no rise with the load is seen"
}

func words(e Estimate, digits int) string {
	return fmt.Sprintf("%.*f (%.*f to %.*f)", digits, e.Value, digits, e.Lo, digits, e.Hi)
}

// atRim is the droop per newton: an ampere gives k x gear x efficiency/(radius)
// newtons at the rim.
func (r *Regulation) atRim(x reckoned, d Drive) {
	eff, uEff := d.Efficiency, d.UEfficiency
	if eff == 0 {
		eff, uEff = UsualEfficiency, UsualEfficiencyU
		r.say("the efficiency of its gears is not stated and taken as %.2f +/- %.2f (common practice, no source)", eff, uEff)
	}
	turn := 2000 * d.Gear / d.DiameterMm // motor radians per m of rim
	k, uk := d.KVS, d.UKVS
	if !(k > 0) {
		k, uk = 1000*x.k.Value/turn, 1000*x.k.U/turn // V per mm/s to V s
		if !x.dutyTold {
			r.say("nothing tells its k: droop per newton cannot be had")
			return
		}
		r.say("its k of %.2f mV s is had from this trial's own voltages", 1000*k)
	}
	if !(k > 0) {
		return
	}
	newtons := k * eff * turn
	part := math.Hypot(uEff/eff, uk/k) * math.Abs(x.droop.Value) / newtons
	r.Droop = interval(x.droop.Value/newtons, []float64{x.droop.U / newtons, part}, []float64{float64(x.laps - 1), math.Inf(1)})
	if r.Verdict == IsRegulated {
		r.Droop.Lo, r.Droop.Hi = min(r.Droop.Lo, 0), max(r.Droop.Hi, 0)
	}
}

// Together is the verdict on a locomotive whose sets pull side by side: droops in
// parallel, 1/sum(1/d), and a verdict when all sets have the same.
func Together(sets []Regulation) Regulation {
	out := Regulation{Verdict: CannotTell, Droop: None(), DroopA: None()}
	if len(sets) == 0 {
		return out
	}
	out.Verdict = sets[0].Verdict
	var per, perA []Estimate
	for _, s := range sets {
		if s.Verdict != out.Verdict {
			out.Verdict = CannotTell
			out.Evidence = []string{"the driver sets are not alike: see each"}
		}
		per, perA = append(per, s.Droop), append(perA, s.DroopA)
	}
	out.Droop, out.DroopA = parallel(per), parallel(perA)
	return out
}

// parallel is 1/sum(1/d). Where a droop is not known or, within its uncertainty, not
// above 0 there is none to be had.
func parallel(all []Estimate) Estimate {
	if len(all) == 1 {
		return all[0]
	}
	sum, u2 := 0.0, 0.0
	for _, d := range all {
		if !(d.Lo > 0) {
			return None()
		}
		sum += 1 / d.Value
	}
	for _, d := range all {
		s := 1 / (d.Value * d.Value * sum * sum) // of the result to d
		u2 += s * s * d.U * d.U
	}
	u := math.Sqrt(u2)
	return Estimate{1 / sum, 1/sum - 1.96*u, 1/sum + 1.96*u, u}
}
