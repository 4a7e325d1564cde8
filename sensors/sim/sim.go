// Package sim answers "what would sensors say of a railway that runs well?": a
// simulated railway, played over the same bus messages as hardware, for the
// demonstration and for tests. Railway is pure: the same seed gives the same
// events, byte for byte, and it reads no clock. Run plays one in real time.
//
// It is kinematic: speeds are made up, not worked out from motors, adhesion
// and resistance. Sensors here are honest but for a little jitter; faults and
// physics are not in it.
package sim

import (
	"math"

	"rainhill/pkg/circuit"
	"rainhill/pkg/wire"
)

// Setup is the definitions of the simulated railway: circuit, gates,
// locomotives, consists and two trials with tags, open from no stated instant.
func Setup() wire.Setup {
	s := wire.Setup{
		Circuit: wire.Circuit{ID: "long-oval", Name: "Long oval", Pieces: oval(), ScaleRatio: 45},
		Gates: []wire.Gate{
			{ID: "g1", PositionMm: 750, Timing: true}, {ID: "g2", PositionMm: 2750},
			{ID: "g3", PositionMm: 4700}, {ID: "g4", PositionMm: 6800},
		},
	}
	for _, p := range plans() {
		start := p.startMm
		s.Locomotives = append(s.Locomotives, p.locomotive)
		s.Consists = append(s.Consists, p.consist)
		s.Trials = append(s.Trials, wire.Trial{
			ID: p.trial, Locomotive: p.locomotive.ID, Consist: p.consist.ID, WarmupLaps: 1, Direction: "forward",
			Tag: p.tag, Entrant: p.locomotive.Owner, StartMm: &start,
			Conditions: map[string]any{"throttle_permille": p.duty, "battery": "2 cells, full", "motors": "brushed"},
		})
	}
	return s
}

// oval is two straights of 3 x 500 mm and two bends of 6 x 30 degrees: it
// closes exactly and is 8026.5 mm long.
func oval() []wire.Piece {
	var half []wire.Piece
	for range 3 {
		half = append(half, wire.Piece{StraightMm: 500})
	}
	for range 6 {
		half = append(half, wire.Piece{RadiusMm: 800, AngleDeg: 30, Hand: "left"})
	}
	return append(half, half...)
}

func layout() circuit.Layout {
	var pieces []circuit.Piece
	for _, p := range oval() {
		pieces = append(pieces, circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Left: p.Hand == "left"})
	}
	return circuit.Lay(pieces)
}

// plan is what one train is and how it likes to run.
type plan struct {
	trial, tag string
	agent      string
	locomotive wire.Locomotive
	consist    wire.Consist
	startMm    float64
	speedMmS   float64 // on the straight at full battery
	duty       int64
	pilot      bool    // keeps its distance from the other by the throttle
	curveLoss  float64 // part of its speed lost on curves
	noise      float64 // scatter of a lap's speed, as a part of it
	slips      []float64
}

func plans() []plan {
	cars := func(name string, n int, each wire.Car) wire.Consist {
		c := wire.Consist{ID: name + "-cars", Name: "Cars of the " + name}
		for range n {
			c.Cars = append(c.Cars, each)
		}
		return c
	}
	sets := func(a, b string, wheel, gear, counts float64, weight float64) []wire.DriverSet {
		one := wire.DriverSet{ID: "front", Motor: a, WheelDiameterMm: wheel, GearRatio: gear, CountsPerRev: counts, WeightG: weight}
		two := one
		two.ID, two.Motor = "rear", b
		return []wire.DriverSet{one, two}
	}
	return []plan{{
		trial: "demo-heron", tag: "tag-heron", agent: "sim-m1", startMm: 600, speedMmS: 430, duty: 640,
		curveLoss: 0.06, noise: 0.004, slips: []float64{0.009, 0.003},
		locomotive: wire.Locomotive{ID: "heron", Name: "Grey Heron", Owner: "North bench", MassG: 2840, LengthMm: 430,
			DriverSets: sets("m1-front", "m1-rear", 36, 18.5, 48, 1300)},
		consist: cars("heron", 4, wire.Car{Name: "hopper", MassG: 310, LengthMm: 190, Axles: 4, Bearings: "needle"}),
	}, {
		trial: "demo-otter", tag: "tag-otter", agent: "sim-m2", startMm: 4600, speedMmS: 437, duty: 600, pilot: true,
		curveLoss: 0.09, noise: 0.009, slips: []float64{0.005, 0.014},
		locomotive: wire.Locomotive{ID: "otter", Name: "River Otter", Owner: "South bench", MassG: 2310, LengthMm: 360,
			DriverSets: sets("m2-front", "m2-rear", 30, 15.2, 64, 1050)},
		consist: cars("otter", 3, wire.Car{Name: "van", MassG: 280, LengthMm: 205, Axles: 4, Bearings: "plain"}),
	}}
}

func (p plan) lengthMm() float64 {
	n := p.locomotive.LengthMm
	for _, c := range p.consist.Cars {
		n += c.LengthMm
	}
	return n
}

// countsPerMm is encoder counts per mm of wheel surface.
func countsPerMm(d wire.DriverSet) float64 {
	return d.CountsPerRev * d.GearRatio / (math.Pi * d.WheelDiameterMm)
}
