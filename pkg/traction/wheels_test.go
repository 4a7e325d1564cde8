package traction_test

import (
	"math"
	"testing"

	"rainhill/pkg/traction"
)

// shifted is the laps of two sets of one locomotive by F17 and F18: creep in proportion to
// the rim's force, which is the current above that of no load, times the gears' efficiency
// when the set pulls, by it when it is dragged. Each run is four laps at currents of its own.
func shifted(currents [][2]float64) (runs []traction.WheelRun, trueMm [2]float64) {
	trueMm = [2]float64{36.08, 29.95}
	idle, creepPerMa, eff := [2]float64{58, 83}, [2]float64{5.5e-5, 3.5e-5}, 0.70
	for i, stated := range []float64{36, 30} {
		r := traction.WheelRun{DiameterMm: stated, Gear: 16, CountsPerRev: 400, LapMm: 8000, LocoG: 2800, WeightG: 2800, NoLoadMa: math.NaN()}
		for run, ma := range currents {
			creep := creepPerMa[i] * (ma[i] - idle[i])
			if creep < 0 {
				creep /= eff * eff
			}
			counts := r.LapMm * (1 + creep) / traction.MmPerCount(trueMm[i], r.Gear, r.CountsPerRev)
			for k := range 4 {
				noise := 3e-6 * float64(2*(k%2)-1)
				r.Laps = append(r.Laps, traction.WheelLap{Counts: counts * (1 + noise), UCounts: 0.5, Seconds: 30, USeconds: 0.001, Ma: ma[i], TrainG: 2800, Run: run})
			}
		}
		runs = append(runs, r)
	}
	return runs, trueMm
}

// Load shifted between two unlike sets, each pulling in some runs and dragged in others,
// tells their diameters apart from their creep though nothing is known of the motors; a run
// without says as much less as it knows less. Closed form: see shifted.
func TestShiftedLoadTellsCreepFromDiameter(t *testing.T) {
	both := func(currents [][2]float64) (off, half float64) {
		runs, want := shifted(currents)
		w := traction.MeasureWheels(runs)
		off = math.Log(w[1].Diameter.Value/want[1]) - math.Log(w[0].Diameter.Value/want[0])
		return off, 1.96 * math.Hypot(w[0].OwnUMm/want[0], w[1].OwnUMm/want[1])
	}
	off, half := both([][2]float64{{95, 105}, {140, 70}, {45, 145}, {185, 45}, {30, 185}})
	if math.Abs(off) > 6e-4 || math.Abs(off) > half {
		t.Errorf("load shifted: desync is off by %.4f %% +/- %.4f", 100*off, 100*half)
	}
	plain, wide := both([][2]float64{{95, 105}})
	if wide < 1.4*half || math.Abs(plain) < 2*math.Abs(off) || math.Abs(plain) > wide {
		t.Errorf("one run: off by %.4f %% +/- %.4f, with load shifted +/- %.4f", 100*plain, 100*wide, 100*half)
	}
	t.Logf("off by %.4f %% +/- %.4f, of one run %.4f +/- %.4f", 100*off, 100*half, 100*plain, 100*wide)
}
