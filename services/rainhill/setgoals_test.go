package main

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/truth"
	"rainhill/sensors/sim"
)

// varied is a scenario whose locomotives, cars, batteries, track, throttles and meters
// are not those of its file but drawn from a seed about them, alike in all trials of a
// locomotive.
func varied(t *testing.T, name string, seed uint64) (sim.Scenario, *rand.Rand) {
	t.Helper()
	s, err := sim.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(seed, 1829))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	straight, radius := math.Round(between(450, 650)), math.Round(between(700, 950))
	for i := range s.Circuit.Pieces {
		p := &s.Circuit.Pieces[i]
		if p.RadiusMm > 0 {
			p.RadiusMm = radius
		} else {
			p.StraightMm = straight
		}
	}
	locos, cars, opened := map[string]sim.Train{}, map[string]float64{}, map[string]float64{}
	to := []float64{1, 5, 10}[rng.IntN(3)]
	for i := range s.Trains {
		x := &s.Trains[i]
		first, known := locos[x.Loco.ID]
		if !known {
			drawLoco(x, rng, between)
			first = *x
			locos[x.Loco.ID], opened[x.Loco.ID] = first, between(0.92, 1.08)
		}
		x.Loco, x.Battery, x.Telemetry = first.Loco, first.Battery, first.Telemetry
		x.Loco.Sets = slices.Clone(first.Loco.Sets)
		for k := range x.Loco.Sets {
			if k < len(x.Factors) {
				x.Loco.Sets[k].ThrottleFactor = x.Factors[k]
			}
		}
		r := &x.Resistance
		r.A, r.B, r.C, r.Curve = r.A*between(0.8, 1.3), r.B*between(0.8, 1.3), r.C*between(0.8, 1.3), r.Curve*between(0.6, 1.5)
		if s.Name == "sweep" && known { // its terms are stated, and are the locomotive's
			*r = first.Resistance
		}
		if cars[x.Consist.ID] == 0 {
			cars[x.Consist.ID] = between(0.75, 1.2)
		}
		x.Consist.Cars = slices.Clone(x.Consist.Cars)
		for k := range x.Consist.Cars {
			x.Consist.Cars[k].MassG = math.Round(x.Consist.Cars[k].MassG * cars[x.Consist.ID])
		}
		driven(x, opened[x.Loco.ID], to)
	}
	return s, rng
}

// drawLoco draws a locomotive with its battery and its board.
func drawLoco(x *sim.Train, rng *rand.Rand, between func(lo, hi float64) float64) {
	mass := between(0.85, 1.2)
	x.Loco.MassG = math.Round(x.Loco.MassG * mass)
	counts := []float64{12, 48, 64, 256}[rng.IntN(4)]
	ohm, k, creep := between(0.8, 1.3), between(0.92, 1.08), between(0.015, 0.035)
	for i := range x.Loco.Sets {
		d := &x.Loco.Sets[i]
		off := func(sd float64) float64 { return 1 + sd*min(max(rng.NormFloat64(), -2.5), 2.5) }
		d.WeightG, d.CountsPerRev, d.Creep = math.Round(d.WeightG*mass), counts, creep
		d.ResistanceOhm, d.KMnmA, d.NoLoadMa = d.ResistanceOhm*ohm*off(0.03), d.KMnmA*k*off(0.02), d.NoLoadMa*off(0.15)
		d.WheelErrorSDMm, d.WheelDiameterUMm = 0.1, 0.1
		if d.Regulated {
			d.ReportsDuty = []string{sim.ReportsBridge, sim.ReportsCommand}[rng.IntN(2)]
		}
	}
	x.Battery.ResistanceOhm, x.Battery.CapacityMah = between(0.08, 0.3), between(800, 2500)
	x.Battery.Curve = slices.Clone(x.Battery.Curve)
	volt := between(0.95, 1.1)
	for i := range x.Battery.Curve {
		x.Battery.Curve[i][1] *= volt
	}
	ma, mv := between(2, 12), between(4, 20)
	x.CurrentSDMa, x.VoltageSDMv = &ma, &mv
	x.Hz = []float64{10, 10, 5, 25}[rng.IntN(4)]
}

// driven has a train run at other throttles, in steps of so many permille, and says so in
// its conditions.
func driven(x *sim.Train, part, to float64) {
	x.Throttle = slices.Clone(x.Throttle)
	for i := range x.Throttle {
		x.Throttle[i][1] = to * math.Round(min(1000, x.Throttle[i][1]*part)/to)
	}
	if v, ok := x.Conditions["throttle_permille"].(int64); ok {
		x.Conditions = maps.Clone(x.Conditions)
		x.Conditions["throttle_permille"] = to * math.Round(float64(v)*part/to)
	}
}

// shifts are the throttles of the short passages of a guided measurement in which load is
// shifted between the sets, as parts of the throttle, and their trials.
var (
	shifts        = [][2]float64{{1.06, 0.94}, {0.94, 1.06}, {1.12, 0.88}, {0.88, 1.12}}
	shiftedTrials = []string{"wheels-front", "wheels-rear", "wheels-front-more", "wheels-rear-more"}
)

// guided is the scenario "sets" with the rest of what a guided measurement of wheels
// wants: a second light, slow run with some cars, short passages with load shifted between
// the sets by their throttles, and a sweep on stands.
func guided(t *testing.T, seed uint64, whole bool) sim.Scenario {
	s, _ := varied(t, "sets", seed)
	of := func(trial string) sim.Train {
		return s.Trains[slices.IndexFunc(s.Trains, func(x sim.Train) bool { return x.Trial == trial })]
	}
	cars, stands := of("wheels"), of("wheels")
	cars.Trial, cars.Consist, cars.FromS, cars.ToS = "wheels-cars", of("four-cars").Consist, 1550, 1840
	cars.Throttle = [][2]float64{{2, cars.Throttle[0][1] + 50}, {275, 0}}
	stands.Trial, stands.FromS, stands.ToS, stands.WheelsFree, stands.RampS = "stands", 1850, 2000, true, 1
	stands.Throttle = nil
	for i := range 17 {
		stands.Throttle = append(stands.Throttle, [2]float64{2 + 8*float64(i), 900 - 100*math.Abs(float64(i)-8)})
	}
	stands.Throttle = append(stands.Throttle, [2]float64{138, 0})
	cars.Conditions, stands.Conditions = map[string]any{"purpose": "wheels"}, map[string]any{"purpose": "sweep"}
	s.Trains = append(s.Trains, cars, stands)
	for i, shift := range shifts {
		pass := of("wheels")
		pass.Trial, pass.Factors = shiftedTrials[i], shift[:]
		pass.FromS, pass.ToS = 2010+200*float64(i), 2200+200*float64(i)
		pass.Throttle = [][2]float64{{2, pass.Throttle[0][1]}, {175, 0}}
		pass.Loco.Sets = slices.Clone(pass.Loco.Sets)
		for k, part := range shift {
			pass.Loco.Sets[k].ThrottleFactor = part
		}
		s.Trains = append(s.Trains, pass)
	}
	if !whole {
		s.Trains = slices.DeleteFunc(s.Trains, func(x sim.Train) bool { return x.Trial == "ten-cars" || x.Trial == "uneven" || x.Trial == "light" })
	}
	s.Minutes = 2810.0 / 60
	return s
}

// done runs a command of the program that must succeed, and gives what it wrote.
func done(t *testing.T, args ...string) string {
	t.Helper()
	code, out, errs := commandLine("", args...)
	if code != exitOK {
		t.Fatalf("%v: exit code %d: %s", args, code, errs)
	}
	return out
}

// held is a simulated run with what was made of it, held against its truth.
func held(t *testing.T, dir string) truth.Report {
	t.Helper()
	r, bad, err := compareRun(t.Context(), dir, stdio{strings.NewReader(""), os.Stderr, os.Stderr})
	if err != nil || bad > 0 {
		t.Fatal(bad, err)
	}
	return r.Report
}

// swap puts a file of a run in the place of another.
func swap(t *testing.T, dir, from, to string) {
	t.Helper()
	if err := os.Rename(filepath.Join(dir, from), filepath.Join(dir, to)); err != nil {
		t.Fatal(err)
	}
}

// setRuns is one seed's runs, by what was known when they were scored.
func setRuns(t *testing.T, seed uint64, whole bool) map[string]truth.Report {
	t.Helper()
	out := map[string]truth.Report{}
	simulated := func(s sim.Scenario) (dir, setup, events string) {
		dir = t.TempDir()
		if err := writeRun(t.Context(), s, int64(seed), dir); err != nil {
			t.Fatal(err)
		}
		return dir, filepath.Join(dir, setupFile), filepath.Join(dir, eventsFile)
	}
	// Slip and desync: wheels by a caliper, by the guided run with and without load
	// shifted between the sets, and by both with the motors swept before.
	dir, setup, events := simulated(guided(t, seed, whole))
	out["caliper"] = held(t, dir)
	curved, again := filepath.Join(dir, "curved.json"), filepath.Join(dir, "again.json")
	put(t, dir, "curve.json", done(t, "curve", "--setup", setup, "--trials", "stands", "--write", curved, events))
	measure := func(from string, shifted ...string) {
		trials := strings.Join(append([]string{"wheels", "wheels-cars"}, shifted...), ",")
		put(t, dir, "wheels.json", done(t, "wheels", "--setup", from, "--trials", trials, "--write", again, events))
		swap(t, dir, "again.json", setupFile)
	}
	plain := filepath.Join(dir, "plain.json")
	swap(t, dir, setupFile, "plain.json")
	measure(plain)
	out["unshifted"] = held(t, dir)
	measure(curved)
	out["swept, unshifted"] = held(t, dir)
	measure(plain, shiftedTrials...)
	out["calibrated"] = held(t, dir)
	measure(curved, shiftedTrials...)
	out["swept"] = held(t, dir)

	// Curves and what is predicted of them.
	s, _ := varied(t, "sweep", seed)
	dir, setup, events = simulated(s)
	curved = filepath.Join(dir, "curved.json")
	put(t, dir, "curve.json", done(t, "curve", "--setup", setup, "--trials", "stands,light,twelve-cars", "--write", curved, events))
	put(t, dir, "predict.json", `[{"trial":"six-cars","prediction":`+done(t, "predict", "--setup", curved, "--trial", "six-cars", "--events", events)+`}]`)
	out["sweep"] = held(t, dir)

	s, _ = varied(t, "regulated", seed)
	dir, _, _ = simulated(s)
	out["regulated"] = held(t, dir)
	return out
}

// reached is a line of the table: how far off, and how often the interval held.
func reached(s truth.Spread, unit string, scale float64) string {
	return fmt.Sprintf("%d: %.3g, %.3g, %.3g%s; %.1f %%", s.N, scale*float64(s.Median), scale*float64(s.P95), scale*float64(s.Max), unit, 100*float64(s.Coverage.Value))
}

// The goals of driver sets on the project's own simulator, through the commands that
// people have. Without -goals one seed and fewer trials.
func TestSetsGoals(t *testing.T) {
	t.Parallel()
	seeds := max(1, *goalSeeds)
	all := map[string][]truth.Report{}
	for seed := range seeds {
		for what, r := range setRuns(t, uint64(seed)+1, *goalSeeds > 0) {
			all[what] = append(all[what], r)
			for _, l := range r.SetLines {
				if l.Verdict == "wrong" || l.Verdict == "unknown" {
					t.Logf("seed %d, %s: %s of %s is %s", seed+1, what, l.Of, l.Trial, l.Verdict)
				}
			}
		}
	}
	var table []string
	row := func(what, goal, got string) { table = append(table, fmt.Sprintf("| %s | %s | %s |", what, goal, got)) }
	total := func(what string) truth.SetReport { return truth.Total(all[what]).Sets }
	for _, c := range []struct{ of, name string }{{"swept", "swept and calibrated"}, {"calibrated", "calibrated"}, {"swept, unshifted", "swept and calibrated, no load shifted"}, {"unshifted", "calibrated, no load shifted"}, {"caliper", "known to 0.1 mm"}} {
		s := total(c.of)
		row("slip, wheels "+c.name, "0.2 points", reached(s.Slip, " points", 100))
		row("desync, wheels "+c.name, "0.1 points", reached(s.Desync, " points", 100))
		if c.of != "caliper" {
			row("wheel", "", reached(s.WheelMm, " mm", 1))
		}
	}
	swept := total("sweep")
	row("resistance", "95 % in their intervals", reached(swept.ResistanceOhm, " %", 100))
	row("k", "the same", reached(swept.KVS, " %", 100))
	row("no-load current", "the same", reached(swept.NoLoadMa, " %", 100))
	row("balance speed", "2 %", reached(swept.Predicted, " %", 100))
	v := truth.Verdicts{}
	for _, what := range []string{"caliper", "sweep", "regulated"} {
		x := total(what).Regulated
		row("regulated or not, "+strings.Replace(what, "caliper", "sets", 1), "99 %", fmt.Sprintf("%d right, %d wrong, %d unknown", x.Right, x.Wrong, x.Unknown))
		v.Right, v.Wrong, v.Unknown = v.Right+x.Right, v.Wrong+x.Wrong, v.Unknown+x.Unknown
	}
	text := strings.Join(append([]string{"| what | goal | reached: n: median, 95 %, most; intervals hold |", "| --- | --- | --- |"}, table...), "\n")
	t.Log("\n" + text)
	if *goalSeeds > 0 {
		fmt.Fprintln(os.Stderr, text)
	}
	for of, most := range map[string][2]float64{
		"swept": {0.002, 0.001}, "calibrated": {0.002, 0.001}, "swept, unshifted": {0.002, 0.002}, "unshifted": {0.002, 0.002}, "caliper": {math.Inf(1), math.Inf(1)},
	} {
		x := total(of)
		atMost(t, of+": slip", x.Slip, 2*seeds, 0.5*most[0], most[0])
		atMost(t, of+": desync", x.Desync, seeds, 0.7*most[1], most[1])
	}
	atMost(t, "resistance", swept.ResistanceOhm, 2*seeds, 0.01, 0.03)
	atMost(t, "k", swept.KVS, 2*seeds, 0.001, 0.003)
	atMost(t, "no-load current", swept.NoLoadMa, 2*seeds, 0.01, 0.05)
	atMost(t, "balance speed", swept.Predicted, seeds, 0.01, 0.02)
	if v.Wrong > 0 || 100*v.Right < 99*(v.Right+v.Unknown) && v.Unknown > 2 {
		t.Errorf("regulated or not: %d right, %d wrong, %d unknown", v.Right, v.Wrong, v.Unknown)
	}
}

// atMost holds errors against what they may be at the median and of 95 %, and the share of
// intervals that hold against 95 %, n being how many draws stand behind it: the trials of a
// locomotive share its wheels.
func atMost(t *testing.T, what string, s truth.Spread, n int, median, p95 float64) {
	t.Helper()
	if s.N < n || s.Untold > 0 || float64(s.Median) > median || float64(s.P95) > p95 {
		t.Errorf("%s: %d told, %d not; off by %.3g at the median and %.3g of 95 %%, want %g and %g", what, s.N, s.Untold, float64(s.Median), float64(s.P95), median, p95)
	}
	if least := 0.95 - 3*math.Sqrt(0.95*0.05/float64(n)); float64(s.Coverage.Value) < least {
		t.Errorf("%s: %.1f %% of the intervals hold", what, 100*float64(s.Coverage.Value))
	}
}
