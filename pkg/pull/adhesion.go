package pull

import (
	"math"

	"rainhill/pkg/gum"
)

func combine(u, df, certain float64) (uc, effective float64) {
	return gum.Combine([]float64{u, certain}, []float64{df, math.Inf(1)})
}

func coverage(df float64) float64 { return gum.Coverage(0.95, df) }

// Resolved is the standard uncertainty of a reading in steps of q: q/sqrt(12).
func Resolved(q float64) float64 { return gum.Rectangular(q / 2) }

// DifferenceResolved is that of the difference of two readings in steps of q: q/sqrt(6).
func DifferenceResolved(q float64) float64 { return gum.Triangular(q) }

// Ratio is a figure with its standard uncertainty and 95 % interval.
type Ratio struct {
	Interval
	U float64
}

// Adhesion is the net adhesion coefficient, pull over the locomotive's own weight: with
// the pull in gram-force that is pull over mass. The pull's interval need not be
// symmetric; uPull is what the scale leaves open of the pull and is not in the interval,
// uMass that of the mass:
//
//	u^2 = (half the pull's interval / 1.96 / mass)^2 + (uPull/mass)^2 + (mu uMass/mass)^2
//
// and each end of the interval lies as far out as its own side of the pull's and 1.96 of
// the others together. Without a mass, or a pull, all is NaN.
func Adhesion(pull Interval, uPull, mass, uMass float64) Ratio {
	nan := math.NaN()
	if !(mass > 0) || !(pull.Value > 0) {
		return Ratio{Interval{nan, nan, nan}, nan}
	}
	k := coverage(math.Inf(1))
	mu := pull.Value / mass
	other := k * math.Hypot(uPull/mass, mu*uMass/mass)
	out := func(end float64) float64 { return math.Hypot((end-pull.Value)/mass, other) }
	r := Ratio{Interval{mu, max(0, mu-out(pull.Lo)), mu + out(pull.Hi)}, 0}
	r.U = math.Hypot((pull.Hi-pull.Lo)/2/mass, other) / k
	return r
}

// Adhesion is the net adhesion coefficient by readings of a scale, all that is uncertain of
// it combined by Welch and Satterthwaite. Of one reading there is no interval.
func (r Readings) Adhesion(mass, uMass float64) Ratio {
	nan := math.NaN()
	if !(mass > 0) || !(r.Pull.Value > 0) {
		return Ratio{Interval{nan, nan, nan}, nan}
	}
	mu := r.Pull.Value / mass
	u, df := combine(r.U/mass, r.DF, mu*uMass/mass)
	if r.N < 2 {
		return Ratio{Interval{mu, nan, nan}, u}
	}
	half := coverage(df) * u
	return Ratio{Interval{mu, max(0, mu-half), mu + half}, u}
}

// Net adhesion beyond which a figure is looked at again: most wheels of metal stay well
// below the first, and only tyres come near the second (common practice, no source).
const (
	unusualAdhesion = 0.5
	mostAdhesion    = 1
)

// DoubtAdhesion says what there is to doubt of a net adhesion; nothing of a common one.
func DoubtAdhesion(mu float64) string {
	switch {
	case mu > mostAdhesion:
		return "it would pull " + Written(mu, 3) + " times its own weight: is the mass, the load or a cord's pulley right?"
	case mu > unusualAdhesion:
		return "a pull of " + Written(mu, 3) + " of its own weight is unusual for wheels without tyres: are the mass and the load right?"
	}
	return ""
}

// Wheels is what was seen of the wheels where trains stood: in how many attempts they
// turned, and in how many they stopped.
type Wheels struct{ Turned, Stopped int }

// Limits of a pull.
const (
	ByAdhesion = "adhesion"
	ByMotor    = "motor"
	ByUnknown  = "unknown"
)

// Limit is what holds the pull back: adhesion where wheels turned while the train stood,
// the motor where they stopped. Where both were seen, the commoner only if it is four
// times as common; else nobody can tell.
func (w Wheels) Limit() string {
	switch {
	case w.Turned > 0 && w.Turned >= 4*w.Stopped:
		return ByAdhesion
	case w.Stopped > 0 && w.Stopped >= 4*w.Turned:
		return ByMotor
	}
	return ByUnknown
}

// Gravity is standard gravity in m/s^2, which gram-force is defined by (3rd CGPM 1901).
const Gravity = 9.80665

// PowerMw is drawbar power in milliwatts, force times speed, of gram-force and mm/s.
func PowerMw(loadG, speedMmS float64) float64 { return loadG * Gravity * speedMmS / 1e3 }
