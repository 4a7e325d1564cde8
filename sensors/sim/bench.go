package sim

import (
	"math"
	"slices"

	"rainhill/pkg/dynamics"
	"rainhill/pkg/wire"
)

// Bench is one train of a scenario in a closed loop, without gates and without a
// bus, for tests of what commands throttles by readings: the train obeys what
// each step is given, and what its board says comes back with the scenario's
// noise and delays. Pure like Railway; equal arguments give equal readings.
type Bench struct {
	r *Railway
	b *body
}

// Reading is one reading of a motor as it is heard: Set is the place of its set in
// the locomotive, HeardUs bus time. Instants of the sample are the agent's clock.
type Reading struct {
	Set     int
	Motor   string
	HeardUs int64
	wire.Sample
}

// BenchState is how things truly are, by sets where it is a list. Slip is NaN for
// a standing train, Desync (second set against first, over their mean) without two
// turning sets.
type BenchState struct {
	AtUs                              int64
	FrontMm, SpeedMmS, Desync         float64
	WheelMmS, Slip, Bridge, CurrentMa []float64
	Curve                             bool // the front is on one
}

// NewBench sets the scenario's first train on its track, standing, at instant 0.
func NewBench(s Scenario, seed int64) *Bench {
	s.Gates, s.Trains = nil, slices.Clone(s.Trains[:1])
	s.Trains[0].FromS, s.Trains[0].ToS = 0, 0
	r := New(s, seed, 0)
	return &Bench{r, r.trains[0]}
}

// Step goes on by some seconds, to the next 20 ms, with these throttles in permille,
// one a set (0 where there are fewer), and gives the readings that came meanwhile.
func (b *Bench) Step(seconds float64, permille ...int64) (heard []Reading) {
	for i, d := range b.b.Loco.Sets {
		c := Command{Motor: d.Motor, FromUs: b.nowUs()}
		if i < len(permille) {
			c.DutyPermille = permille[i]
		}
		b.r.Command(c)
	}
	for range max(1, int(math.Round(seconds/stepS))) {
		b.r.step()
	}
	for _, e := range b.r.told(b.nowUs()) {
		for _, s := range e.Samples {
			set := slices.IndexFunc(b.b.Loco.Sets, func(d Set) bool { return d.Motor == e.Motor })
			heard = append(heard, Reading{set, e.Motor, e.BusUs, s})
		}
	}
	return heard
}

// Load changes what the train has to pull from now on: factor times its running
// resistance, and a brake of dragMS2 per mass.
func (b *Bench) Load(factor, dragMS2 float64) { b.b.loaded, b.b.dragged = factor, dragMS2 }

func (b *Bench) nowUs() int64 { return b.r.us(b.r.nowS()) }

// Now is how things are.
func (b *Bench) Now() BenchState {
	st := b.b.st
	s := BenchState{AtUs: b.nowUs(), FrontMm: 1000 * st.FrontM, SpeedMmS: 1000 * st.SpeedMS, Desync: math.NaN(), Curve: b.b.track.At(st.FrontM) > 0}
	var in dynamics.Input
	b.b.obey(&in.Duty, b.r.nowS()-stepS, math.Inf(1), math.Inf(1))
	meter := b.b.sim.Electric(st, in)
	for i := range b.b.Loco.Sets {
		s.WheelMmS = append(s.WheelMmS, 1000*st.WheelMS[i])
		s.Slip = append(s.Slip, dynamics.Slip(st.WheelMS[i], st.SpeedMS))
		s.Bridge, s.CurrentMa = append(s.Bridge, meter.Duty[i]), append(s.CurrentMa, 1000*meter.MotorA[i])
	}
	if n := len(s.WheelMmS); n > 1 && s.WheelMmS[0]+s.WheelMmS[1] != 0 {
		s.Desync = 2 * (s.WheelMmS[1] - s.WheelMmS[0]) / (s.WheelMmS[0] + s.WheelMmS[1])
	}
	return s
}
