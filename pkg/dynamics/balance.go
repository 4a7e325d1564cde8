package dynamics

import "math"

// Balance is steady running on a track of one curvature (1/radius, 0 straight)
// with volt at the battery's terminals: the speed at which the tractive effort of
// all sets is the train's resistance, and the surface speed of each. All are 0
// where the train does not start. Governors hold their set points as far as volt
// lets them. Duty is 0 or more.
//
// At ground speed v a set runs where its rim force is its grip; both are found by
// halving, the force being the less the faster the wheel.
func (t Train) Balance(duty [MaxSets]float64, volt, curve float64) (speedMS float64, wheelMS [MaxSets]float64) {
	effort := func(v float64) (sum float64) {
		for i, d := range t.Sets {
			wheelMS[i] = d.wheelAt(v, duty[i], volt)
			sum += d.grip(wheelMS[i], v)
		}
		return sum
	}
	if effort(0) <= t.MassKg*(t.A+t.CurveM2S2*curve) {
		return 0, [MaxSets]float64{}
	}
	speedMS = root(0, t.topMS(volt), func(v float64) float64 {
		return effort(v) - t.MassKg*(t.A+t.CurveM2S2*curve+v*(t.B+t.C*v))
	})
	effort(speedMS)
	return speedMS, wheelMS
}

// topMS is more than any set can run.
func (t Train) topMS(volt float64) (most float64) {
	for _, d := range t.Sets {
		most = max(most, volt/d.KNmA/d.turn())
	}
	return most
}

// grip is the tractive effort of a set, see DriverSet.
func (d DriverSet) grip(wheelMS, speedMS float64) float64 {
	return d.MuMax * d.WeightN * math.Tanh((wheelMS-speedMS)/((math.Abs(speedMS)+creepFloorMS)*d.Creep))
}

// wheelAt is the surface speed of a set on a train that runs at speedMS.
func (d DriverSet) wheelAt(speedMS, duty, volt float64) float64 {
	at := func(bridge float64) float64 {
		return root(0, max(speedMS, volt/d.KNmA/d.turn()), func(u float64) float64 {
			return d.rimN(u, bridge, volt, duty != 0) - d.grip(u, speedMS)
		})
	}
	if !d.Regulated() || duty == 0 {
		return at(duty)
	}
	hold := d.SetPointRadS(duty) / d.turn()
	return min(max(hold, at(0)), at(1))
}

// rimN is the force that the motor has at the rim, less its own friction.
func (d DriverSet) rimN(wheelMS, bridge, volt float64, on bool) float64 {
	w, amps := wheelMS*d.turn(), 0.0
	if on {
		amps = (bridge*volt - d.KNmA*w) / d.ResistanceOhm
	}
	shaft := d.KNmA * (amps - d.NoLoadA*w/math.Hypot(w, turnFloor))
	if shaft < 0 {
		return shaft / d.Efficiency * d.turn()
	}
	return shaft * d.Efficiency * d.turn()
}

// root is where f, above 0 at lo and falling, comes to 0.
func root(lo, hi float64, f func(float64) float64) float64 {
	for range 60 {
		if mid := (lo + hi) / 2; f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
