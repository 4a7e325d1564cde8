package dynamics

import "math"

const (
	creepFloorMS = 0.010 // see DriverSet
	turnFloor    = 10.0  // rad/s: the motor's own friction takes hold within this
	none         = 0.0

	speedTol, wheelTol = 1e-7, 1e-5 // m/s a step
	leastStep          = 1e-6       // s
)

// size is place, speed, the surface speed of each set and then what governors hold.
const size = 2 + 2*MaxSets

type vector [size]float64

// Sim is one train on one track. It holds no state of the motion.
type Sim struct {
	train Train
	track *Track
	n     int // unknowns in use

	govern [MaxSets]int // which unknown is the integral of a set's governor, 0 none
}

// NewSim joins a train and a track. Sets beyond MaxSets are left out.
func NewSim(t Train, track *Track) *Sim {
	t.Sets = t.Sets[:min(len(t.Sets), MaxSets)]
	s := &Sim{train: t, track: track, n: 2 + len(t.Sets)}
	for i, d := range t.Sets {
		if d.Regulated() {
			s.govern[i] = s.n
			s.n++
		}
	}
	return s
}

// Span is one stretch of motion: from FromM at FromMS to ToM at ToMS in
// Seconds. The train does not turn round within it.
type Span struct{ Seconds, FromM, FromMS, ToM, ToMS float64 }

// step is what stays the same while a step is worked out.
type step struct {
	*Sim
	in    Input
	way   float64 // +1 or -1: which way the train rolls; 0 stands
	openV float64
}

// Step goes on by at most dt seconds. It ends early where the train comes to
// rest or breaks away, so that neither is stepped over; the span says how far it
// came, and is never empty for a positive dt.
//
// Wheels and rails are stiff (creep settles within a millisecond), so a step is an
// implicit one, stable at any length: see rodas. Where its own estimate of the
// error is above a tenth of a micrometre a second (wheels that spin up or catch)
// the step is cut into finer ones.
func (s *Sim) Step(st State, in Input, dt float64) (State, Span) {
	if in.Load == 0 {
		in.Load = 1
	}
	k := step{s, in, 0, s.train.Battery.OpenV(st.SoC - st.amps*dt/(7200*s.train.Battery.CapacityAh))} // as half-way
	y := s.pack(st)
	hold := func(y vector) float64 { return math.Abs(k.rates(y, nil).pull) - k.friction(y[0]) }
	switch {
	case st.SpeedMS != 0:
		k.way = math.Copysign(1, st.SpeedMS)
	case hold(y) > 0:
		k.way = math.Copysign(1, k.rates(y, nil).pull)
	}
	after, dt := k.try(y, dt, &st.next)
	switch {
	case k.way == 0 && hold(after) > 0: // breaks away
		dt, after = k.find(y, dt, func(y vector) float64 { return hold(y) }, after)
	case k.way != 0 && after[1]*k.way < 0: // comes to rest
		dt, after = k.find(y, dt, func(y vector) float64 { return -y[1] * k.way }, after)
		after[1] = 0
	}
	return k.close(st, y, after, dt)
}

// try goes on by dt or as much less as the tolerance asks, and notes in next
// what to try after it.
func (k step) try(y vector, dt float64, next *float64) (vector, float64) {
	h := dt
	if *next > 0 {
		h = min(h, *next)
	}
	for {
		after, off := k.rodas(y, h)
		err := math.Abs(off[1]) / speedTol
		for i := 2; i < k.n; i++ {
			err = max(err, math.Abs(off[i])/wheelTol)
		}
		if !(err > 1) || h <= leastStep {
			*next = h * min(5, 0.8/math.Cbrt(max(err, 1e-3)))
			return after, h
		}
		h = max(leastStep, h*max(0.1, 0.8/math.Cbrt(err)))
	}
}

// find is the step in which g, not above 0 at its start, reaches 0: by halving
// and false position (the Illinois rule), to a nanosecond.
func (k step) find(y vector, dt float64, g func(vector) float64, after vector) (float64, vector) {
	const least = 1e-9
	lo, hi, glo, ghi := 0.0, dt, g(y), g(after)
	if glo >= 0 { // at rest at once
		return dt, k.stay(y, dt)
	}
	for i := 0; i < 60 && hi-lo > least; i++ {
		mid := (lo*ghi - hi*glo) / (ghi - glo)
		if !(mid > lo && mid < hi) {
			mid = (lo + hi) / 2
		}
		a, _ := k.rodas(y, mid)
		gm := g(a)
		if gm > 0 {
			hi, ghi, after = mid, gm, a
			glo /= 2
		} else {
			lo, glo = mid, gm
			ghi /= 2
		}
		if math.Abs(gm) < 1e-12 && gm > 0 {
			break
		}
	}
	return hi, after
}

// stay is a step of a train that stands.
func (k step) stay(y vector, dt float64) vector {
	k.way = 0
	y[1] = 0
	after, _ := k.rodas(y, dt)
	return after
}

func (s *Sim) pack(st State) (y vector) {
	y[0], y[1] = st.FrontM, st.SpeedMS
	copy(y[2:], st.WheelMS[:])
	for i, g := range s.govern {
		if g > 0 {
			y[g] = st.govern[i]
		}
	}
	return y
}

// close books the step: energy and charge by the trapezium rule.
func (k step) close(st State, before, after vector, dt float64) (State, Span) {
	a, b := k.rates(before, nil), k.rates(after, nil)
	half := dt / 2
	e := &st.Energy
	e.Battery += half * (a.power.Battery + b.power.Battery)
	e.Heat += half * (a.power.Heat + b.power.Heat)
	e.Motor += half * (a.power.Motor + b.power.Motor)
	e.Gear += half * (a.power.Gear + b.power.Gear)
	e.Slip += half * (a.power.Slip + b.power.Slip)
	e.Resistance += half * (a.power.Resistance + b.power.Resistance)
	e.Brake += half * (a.power.Brake + b.power.Brake)
	st.SoC -= half * (a.amps + b.amps) / (3600 * k.train.Battery.CapacityAh)
	st.amps = b.amps
	for i := range k.train.Sets {
		st.WheelM[i] += half * (before[2+i] + after[2+i])
		st.WheelMS[i] = after[2+i]
		if g := k.govern[i]; g > 0 {
			st.govern[i] = after[g]
		}
	}
	st.FrontM, st.SpeedMS = after[0], after[1]
	return st, Span{dt, before[0], before[1], after[0], after[1]}
}

// Electric is what a meter shows in a state under an input.
func (s *Sim) Electric(st State, in Input) Electric {
	k := step{s, in, 0, s.train.Battery.OpenV(st.SoC)}
	r := k.rates(s.pack(st), nil)
	return Electric{r.volt, r.amps, r.motorA, r.duty}
}

// PullN is the tractive effort at the rims of all sets, as the tyres hold it.
func (s *Sim) PullN(st State, in Input) float64 {
	k := step{s, in, 0, s.train.Battery.OpenV(st.SoC)}
	return k.rates(s.pack(st), nil).pull
}
