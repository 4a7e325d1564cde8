package dynamics

// Governor is a board that holds a motor's speed by itself. The throttle is then
// not the bridge's but a set point: duty x the motor's free speed at NominalV. It
// has the bridge on for
//
//	pwm = Gain x (set point - speed)/(free speed at NominalV) + z, held to 0..1
//	z' = (pwm - z)/IntegralS
//
// (-1..0 backwards), which is a proportional and integral controller whose
// integral follows what the bridge can really give, so that it does not wind up:
// the automatic reset of the textbooks (K. J. Astrom and T. Hagglund, PID
// Controllers, 1995; from memory). A set point of 0 opens the bridge. Else the
// motor stays on it: at pwm 0 it is short-circuited and brakes.
//
// NominalV 0 is no governor.
type Governor struct {
	NominalV, Gain, IntegralS float64
}

// Regulated is whether the set's motor has a governor.
func (d DriverSet) Regulated() bool { return d.Governor.NominalV > 0 }

// SetPointRadS is the motor speed that the governor holds at a throttle.
func (d DriverSet) SetPointRadS(duty float64) float64 {
	return duty * d.NoLoadRadS(d.Governor.NominalV)
}

// DroopMSN is how much surface speed falls per tractive effort, in m/s per N, at
// one voltage of the bridge: R/K2 (r/gear)2/efficiency. It is the motor's own, 0
// under a governor; a battery's inner resistance comes on top.
func (d DriverSet) DroopMSN() float64 {
	if d.Regulated() {
		return 0
	}
	return d.GradientRadSNm() / (d.turn() * d.turn() * d.Efficiency)
}

// bridge is the part of time that the bridge of set i is on, its sign with the
// way, and whether it moves freely between its ends.
func (k step) bridge(i int, y vector) (pwm float64, free bool) {
	duty, g := k.in.Duty[i], k.govern[i]
	if g == 0 || duty == 0 {
		return duty, false
	}
	d := &k.train.Sets[i]
	lo, hi := 0.0, 1.0
	if duty < 0 {
		lo, hi = -1, 0
	}
	lack := (d.SetPointRadS(duty) - y[2+i]*d.turn()) / d.NoLoadRadS(d.Governor.NominalV)
	pwm = d.Governor.Gain*lack + y[g]
	return min(max(pwm, lo), hi), pwm > lo && pwm < hi
}

// reset adds how the integrals of governors change.
func (k step) reset(y vector, r *rate, jac *matrix) {
	for i := range k.train.Sets {
		g := k.govern[i]
		if g == 0 {
			continue
		}
		s := k.train.Sets[i].Governor.IntegralS
		r.dy[g] = (r.duty[i] - y[g]) / s
		if jac == nil {
			continue
		}
		jac[g][g] = -1 / s
		if r.free[i] {
			jac[g][g], jac[g][2+i] = 0, k.lever(i)/s
		}
	}
}

// lever is how pwm changes with the surface speed of its own set.
func (k step) lever(i int) float64 {
	d := &k.train.Sets[i]
	return -d.Governor.Gain * d.turn() / d.NoLoadRadS(d.Governor.NominalV)
}

// governed adds to row 2+i how the bridges of governors change the current of set
// i: its own, and by way of the battery's voltage the others'.
//
//	I = (p V - b u)/R, V = (open + Rb sum(p b u/R))/(1 + Rb sum(p2/R)), b = K gear/r
func (k step) governed(i int, gain float64, y vector, r *rate, jac *matrix) {
	inner, own := k.train.Battery.ResistanceOhm, k.train.Sets[i].ResistanceOhm
	for j := range k.train.Sets {
		if !r.free[j] {
			continue
		}
		d := &k.train.Sets[j]
		sag := inner * (d.KNmA*d.turn()*y[2+j] - 2*r.duty[j]*r.volt) / d.ResistanceOhm / (1 + inner*r.down)
		c := r.duty[i] / own * sag
		if i == j {
			c += r.volt / own
		}
		jac[2+i][2+j] += gain * c * k.lever(j)
		jac[2+i][k.govern[j]] += gain * c
	}
}
