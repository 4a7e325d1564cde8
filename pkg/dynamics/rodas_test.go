package dynamics

import (
	"math"
	"testing"
)

// Third order: halving a step takes the error down by eight where nothing is
// stiff or kinked. The method is as A. Sandu et al. (1997) gave it.
func TestRodasIsOfThirdOrder(t *testing.T) {
	train := Train{MassKg: 1, A: 0.05, B: 0.4, C: 0.9, Sets: []DriverSet{{
		Motor: Motor{ResistanceOhm: 3, KNmA: 0.008, NoLoadA: 0.05, RotorKgM2: 1e-6},
		Gear:  15, Efficiency: 0.8, WheelDiameterM: 0.03, WeightN: 1, MuMax: 0.3, Creep: 3,
	}}}
	k := step{Sim: NewSim(train, NewTrack(nil, 10)), in: Input{Load: 1}, way: 1, openV: 8}
	k.in.Duty[0] = 0.7
	end := func(n int) vector {
		y := vector{0, 0.3, 0.5}
		for range n {
			y, _ = k.rodas(y, 0.2/float64(n))
		}
		return y
	}
	exact := end(20000)
	off := func(n int) float64 {
		y := end(n)
		return math.Abs(y[1]-exact[1]) + math.Abs(y[2]-exact[2])
	}
	for n := 20; n <= 80; n *= 2 {
		if r := off(n) / off(2*n); r < 7 || r > 9.5 {
			t.Errorf("%d steps are off by %.3g, twice as many by %.3g: %.2f times, want 8", n, off(n), off(2*n), r)
		}
	}
}

// The Jacobian is that of the equations, by central differences: with a governor
// that moves freely, one at its end and a set without.
func TestJacobianIsTheSlope(t *testing.T) {
	set := DriverSet{
		Motor: Motor{ResistanceOhm: 3, KNmA: 0.008, NoLoadA: 0.05, RotorKgM2: 1e-6},
		Gear:  15, Efficiency: 0.8, WheelDiameterM: 0.03, WeightN: 1, MuMax: 0.3, Creep: 3,
	}
	held := set
	held.Governor = Governor{NominalV: 7, Gain: 3, IntegralS: 0.2}
	train := Train{MassKg: 1, A: 0.05, B: 0.4, C: 0.9, Sets: []DriverSet{held, set, held}, Battery: Battery{ResistanceOhm: 0.5}}
	k := step{Sim: NewSim(train, NewTrack(nil, 10)), in: Input{Load: 1, Duty: [MaxSets]float64{0.5, 0.7, 0.5}}, way: 1, openV: 8}
	y := vector{0, 0.3, 0.42, 0.44, 0.3, 0.4, 0.95}
	if _, free := k.bridge(0, y); !free {
		t.Fatal("the first governor is at its end")
	}
	if _, free := k.bridge(2, y); free {
		t.Fatal("the second governor is not at its end")
	}
	var jac matrix
	k.rates(y, &jac)
	for c := 1; c < k.n; c++ {
		const h = 1e-6
		lo, hi := y, y
		lo[c], hi[c] = y[c]-h, y[c]+h
		a, b := k.rates(lo, nil).dy, k.rates(hi, nil).dy
		for r := range k.n {
			if want := (b[r] - a[r]) / (2 * h); math.Abs(jac[r][c]-want) > 1e-6*(1+math.Abs(want)) {
				t.Errorf("row %d, column %d: %.9g, want %.9g", r, c, jac[r][c], want)
			}
		}
	}
}
