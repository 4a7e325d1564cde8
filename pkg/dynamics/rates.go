package dynamics

import "math"

// rate is how a state changes, and what flows meanwhile.
type rate struct {
	dy     vector
	pull   float64 // N at the rims
	volt   float64 // at the battery's terminals
	amps   float64
	motorA [MaxSets]float64
	duty   [MaxSets]float64 // at the bridges
	free   [MaxSets]bool    // a governor's, not at its end
	down   float64          // sum of duty2/R
	power  Energy           // W
}

// friction is the greatest force with which a standing train stays put.
func (k step) friction(x float64) float64 {
	curve, _ := k.track.Curve(x, k.train.LengthM)
	return k.train.MassKg * (k.train.A*k.in.Load + k.in.DragMS2 + k.train.CurveM2S2*curve)
}

// rates is the equations of motion, and with jac not nil their derivatives:
//
//	x' = v
//	m v' = sum F - m (way (A load + drag + curve) + B v + C v |v|)
//	J (gear/r)2 u' = rim - F            for each set, u its surface speed
//	F = MuMax N tanh(creep/Creep), creep = (u - v)/(|v| + 10 mm/s)
//	rim = gear/r x eff (or 1/eff when the train drives the motor) x (K I - T0)
//	I = (duty V - K w)/R, V = open - Rb sum(duty I)
//
// A governor makes duty of speed and of its integral, one unknown more: see
// Governor.
func (k step) rates(y vector, jac *matrix) (r rate) {
	t := &k.train
	v := y[1]
	speed := math.Abs(v) + creepFloorMS
	k.electric(y, &r)
	if jac != nil {
		for i := range k.n {
			clear(jac[i][:k.n])
		}
	}
	for i := range t.Sets {
		d := &t.Sets[i]
		u, turn := y[2+i], d.turn()
		w := u * turn
		z := math.Tanh((u - v) / (speed * d.Creep))
		grip := d.MuMax * d.WeightN
		f := grip * z
		root := math.Sqrt(w*w + turnFloor*turnFloor)
		own := d.KNmA * d.NoLoadA * w / root
		shaft := d.KNmA*r.motorA[i] - own
		eff := d.Efficiency
		if shaft*w < 0 {
			eff = 1 / eff
		}
		rim, mass := shaft*eff*turn, d.rimKg()
		r.dy[2+i] = (rim - f) / mass
		r.pull += f
		r.power.Heat += r.motorA[i] * r.motorA[i] * d.ResistanceOhm
		r.power.Motor += own * w
		r.power.Gear += shaft*w - rim*u
		r.power.Slip += f * (u - v)
		if jac == nil {
			continue
		}
		du := grip * (1 - z*z) / (speed * d.Creep)
		dv := -du * (1 + (u-v)*math.Copysign(1, v)/speed)
		jac[1][2+i] = du / t.MassKg
		jac[1][1] += dv / t.MassKg
		jac[2+i][1] = -dv / mass
		jac[2+i][2+i] = (-d.KNmA*d.NoLoadA*turnFloor*turnFloor/(root*root*root)*turn*eff*turn - du) / mass
		k.couple(i, eff*turn*d.KNmA/mass, &r, jac)
		k.governed(i, eff*turn*d.KNmA/mass, y, &r, jac)
	}
	k.reset(y, &r, jac)
	k.resist(y, &r, jac)
	return r
}

// resist adds running and curve resistance and the brake.
func (k step) resist(y vector, r *rate, jac *matrix) {
	t := &k.train
	v := y[1]
	if k.way == 0 {
		if jac != nil {
			jac[1] = [size]float64{}
		}
		return
	}
	curve, slope := k.track.Curve(y[0], t.LengthM)
	running := k.way*(t.A*k.in.Load+t.CurveM2S2*curve) + t.B*v + t.C*v*math.Abs(v)
	r.dy[0] = v
	r.dy[1] = r.pull/t.MassKg - running - k.way*k.in.DragMS2
	r.power.Resistance = t.MassKg * running * v
	r.power.Brake = t.MassKg * k.way * k.in.DragMS2 * v
	if jac != nil {
		jac[0][1] = 1
		jac[1][0] = -k.way * t.CurveM2S2 * slope
		jac[1][1] -= t.B + 2*t.C*math.Abs(v)
	}
}

// electric solves the battery and its motors together, which is linear.
func (k step) electric(y vector, r *rate) {
	var up, down float64
	for i := range k.train.Sets {
		d := &k.train.Sets[i]
		r.duty[i], r.free[i] = k.bridge(i, y)
		duty := r.duty[i]
		up += duty * d.KNmA * d.turn() * y[2+i] / d.ResistanceOhm
		down += duty * duty / d.ResistanceOhm
	}
	inner := k.train.Battery.ResistanceOhm
	r.down = down
	r.volt = (k.openV + inner*up) / (1 + inner*down)
	for i := range k.train.Sets {
		d := &k.train.Sets[i]
		if duty := r.duty[i]; k.in.Duty[i] != 0 {
			r.motorA[i] = (duty*r.volt - d.KNmA*d.turn()*y[2+i]) / d.ResistanceOhm
			r.amps += duty * r.motorA[i]
		}
	}
	r.power.Battery = k.openV * r.amps
	r.power.Heat = inner * r.amps * r.amps
}

// couple adds how the speed of every set changes the current of set i: its own
// back voltage, and the battery's that they share.
func (k step) couple(i int, gain float64, r *rate, jac *matrix) {
	if k.in.Duty[i] == 0 {
		return
	}
	inner, own := k.train.Battery.ResistanceOhm, k.train.Sets[i].ResistanceOhm
	for j := range k.train.Sets {
		d := &k.train.Sets[j]
		back := d.KNmA * d.turn() / d.ResistanceOhm
		c := r.duty[i] / own * inner * r.duty[j] * back / (1 + inner*r.down)
		if i == j {
			c -= back
		}
		jac[2+i][2+j] += gain * c
	}
}
