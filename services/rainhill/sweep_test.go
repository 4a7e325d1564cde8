package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/wire"
)

// evening is a simulated one, of one locomotive on an oval: sweeps and plain runs, each a
// trial, written as setup and events.
type evening struct {
	t      *testing.T
	train  dynamics.Train
	track  *dynamics.Track
	rng    *rand.Rand
	us     int64
	setup  wire.Setup
	events []wire.Event
}

func newEvening(t *testing.T) *evening {
	e := &evening{t: t, rng: rand.New(rand.NewPCG(7, 7)), us: 1_790_000_000_000_000}
	var pieces []circuit.Piece
	for range 2 {
		pieces = append(pieces, circuit.Piece{StraightMm: 1500}, circuit.Piece{RadiusMm: 800, AngleDeg: 180, Left: true})
		e.setup.Circuit.Pieces = append(e.setup.Circuit.Pieces, wire.Piece{StraightMm: 1500}, wire.Piece{RadiusMm: 800, AngleDeg: 180, Hand: "left"})
	}
	e.track = dynamics.NewTrack(pieces, 0)
	set := dynamics.DriverSet{
		Motor: dynamics.Motor{ResistanceOhm: 3.2, KNmA: 0.0085, NoLoadA: 0.06, RotorKgM2: 8e-7},
		Gear:  18.5, Efficiency: 0.72, WheelDiameterM: 0.036, WeightN: 1.3 * dynamics.Gravity, MuMax: 0.25, Creep: 0.02,
	}
	rear := set
	rear.ResistanceOhm, rear.KNmA = 3.5, 0.0083
	e.train = dynamics.Train{MassKg: 2.84, LengthM: 0.43, A: 0.06, B: 0.03, C: 0.02, CurveM2S2: 0.02, Sets: []dynamics.DriverSet{set, rear},
		Battery: dynamics.Battery{ResistanceOhm: 0.15, CapacityAh: 20, Curve: []dynamics.Charge{{SoC: 0, Volt: 6.4}, {SoC: 1, Volt: 8.3}}}}
	e.setup.Circuit.ID, e.setup.Circuit.Name = "oval", "Oval"
	e.setup.Gates = []wire.Gate{{ID: "g1", Timing: true}}
	driver := func(id string) wire.DriverSet {
		return wire.DriverSet{ID: id, Motor: "m-" + id, WheelDiameterMm: 36, WheelDiameterUMm: 0.02, GearRatio: 18.5, CountsPerRev: 48, WeightG: 1300,
			GearEfficiency: 0.72, GearEfficiencyU: 0.02, Adhesion: 0.25, AdhesionU: 0.02}
	}
	e.setup.Locomotives = []wire.Locomotive{{ID: "heron", Name: "Heron", MassG: 2840, LengthMm: 430, DriverSets: []wire.DriverSet{driver("front"), driver("rear")}}}
	e.setup.Consists = []wire.Consist{
		{ID: "coal", Name: "Coal", Cars: []wire.Car{{MassG: 620, LengthMm: 300}, {MassG: 620, LengthMm: 300}}},
		{ID: "ore", Name: "Ore", Cars: []wire.Car{{MassG: 2500, LengthMm: 600}}},
	}
	e.setup.Batteries = []wire.Battery{{ID: "b1", Name: "First", NominalMv: 7400}}
	return e
}

// run is a trial: the throttles one after the other, each for so long, behind a
// consist or with the wheels free.
func (e *evening) run(id, consist string, duties []float64, holdS float64) {
	t := e.train
	t.Sets = append([]dynamics.DriverSet{}, t.Sets...)
	trial := wire.Trial{ID: id, Locomotive: "heron", FromUs: e.us, Battery: "b1", Conditions: map[string]any{}}
	switch consist {
	case "free":
		trial.Conditions["wheels"] = "free"
		for i := range t.Sets {
			t.Sets[i].MuMax = 1e-9
		}
	case "coal", "ore":
		trial.Consist = consist
		for _, c := range e.setup.Consists {
			for _, car := range c.Cars {
				if c.ID == consist {
					t.MassKg, t.LengthM = t.MassKg+car.MassG/1000, t.LengthM+car.LengthMm/1000
				}
			}
		}
	}
	sim, st := dynamics.NewSim(t, e.track), dynamics.State{SoC: 1, FrontM: 0.5}
	duty, whole := 0.0, func(v, sd float64) *int64 { n := int64(math.Round(v + sd*e.rng.NormFloat64())); return &n }
	samples := make([][]wire.Sample, len(t.Sets))
	for _, want := range duties {
		for range int(holdS * 10) {
			duty += min(max(want-duty, -0.1), 0.1)
			in := dynamics.Input{Duty: [dynamics.MaxSets]float64{math.Round(1000*duty) / 1000, math.Round(1000*duty) / 1000}}
			for left := 0.1; left > 1e-12; {
				var p dynamics.Span
				st, p = sim.Step(st, in, left)
				if at, ok := p.At(e.track.LapM * math.Ceil(p.FromM/e.track.LapM)); ok && p.ToM > p.FromM && consist != "free" {
					e.events = append(e.events, wire.Event{Kind: wire.KindCrossing, Gate: "g1", Edge: wire.EdgePulse, AtUs: e.us + int64(1e6*(0.1-left+at))})
				}
				left -= p.Seconds
			}
			e.us += 100_000
			meter := sim.Electric(st, in)
			for i, s := range t.Sets {
				samples[i] = append(samples[i], wire.Sample{AtUs: e.us, Counts: whole(st.WheelM[i]*dynamics.CountsPerM(48, s.Gear, s.WheelDiameterM)-0.5, 0),
					CurrentMa: whole(1000*meter.MotorA[i], 5), VoltageMv: whole(1000*meter.BatteryV, 8), DutyPermille: whole(1000*in.Duty[i], 0)})
			}
			if len(samples[0]) == 10 {
				for i, name := range []string{"front", "rear"} {
					e.events = append(e.events, wire.Event{Kind: wire.KindMotor, Motor: "m-" + name, AtUs: samples[i][9].AtUs, Samples: samples[i]})
					samples[i] = nil
				}
			}
		}
	}
	trial.ToUs = e.us
	e.us += 5_000_000
	e.setup.Trials = append(e.setup.Trials, trial)
}

// sweep is throttles up and down.
func (e *evening) sweep(id, consist string) {
	var up []float64
	for p := 250; p <= 1000; p += 125 {
		up = append(up, float64(p)/1000)
	}
	all := up
	for i := len(up) - 2; i >= 0; i-- {
		all = append(all, up[i])
	}
	e.run(id, consist, all, 4)
}

// write puts the evening into a folder.
func (e *evening) write(dir string) (setup, events string) {
	setup, events = filepath.Join(dir, "setup.json"), filepath.Join(dir, "events.jsonl")
	if err := writeJSON(setup, e.setup); err != nil {
		e.t.Fatal(err)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	for _, x := range e.events {
		if err := enc.Encode(x); err != nil {
			e.t.Fatal(err)
		}
	}
	if err := os.WriteFile(events, b.Bytes(), 0o644); err != nil {
		e.t.Fatal(err)
	}
	return setup, events
}

// commandLine runs one and gives its exit code and what it wrote.
func commandLine(in string, args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = run(context.Background(), args, stdio{strings.NewReader(in), &o, &e})
	return code, o.String(), e.String()
}

func parsed[T any](t *testing.T, out string) (v T) {
	t.Helper()
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatalf("%v: %.400s", err, out)
	}
	return v
}

// An evening at the track: two sweeps and one with the wheels free give the motors'
// curves, these go into the setup, and the runs of the same evening stand beside what is
// predicted for them.
func TestCurvePredictPairing(t *testing.T) {
	e := newEvening(t)
	e.sweep("light", "")
	e.sweep("loaded", "ore")
	e.sweep("free", "free")
	e.run("run-1", "coal", []float64{0.64}, 120)
	e.run("run-2", "", []float64{0.4}, 120)
	dir := t.TempDir()
	setup, events := e.write(dir)
	curved := filepath.Join(dir, "curved.json")
	code, out, errs := commandLine("", "curve", "--setup", setup, "--trials", "light,loaded,free", "--write", curved, events)
	if code != exitOK {
		t.Fatalf("curve: %d %s", code, errs)
	}
	curves := parsed[[]wire.CurveOf](t, out)
	if len(curves) != 2 {
		t.Fatalf("%d curves, want 2: %.300s", len(curves), out)
	}
	for i, c := range curves {
		s := e.train.Sets[i]
		near := func(what string, got wire.Estimate, want, part float64) {
			t.Helper()
			t.Logf("%s %s: %.5g (%.5g to %.5g), true %.5g", c.Motor, what, *got.Value, *got.Lo, *got.Hi, want)
			if math.Abs(*got.Value/want-1) > part || *got.Lo > *got.Value || *got.Hi < *got.Value {
				t.Errorf("%s: %s %.5g, want %.5g", c.Motor, what, *got.Value, want)
			}
		}
		near("resistance_ohm", c.Curve.ResistanceOhm, s.ResistanceOhm, 0.02)
		near("k_v_s", c.Curve.KVS, s.KNmA, 0.002)
		near("no_load_ma", c.Curve.NoLoadMa, 1000*s.NoLoadA, 0.02)
		if len(c.Curve.Steps) < 36 || c.Curve.Session != "recording" || len(c.Curve.Trials) != 3 {
			t.Errorf("%s: %d steps of session %q, trials %v", c.Motor, len(c.Curve.Steps), c.Curve.Session, c.Curve.Trials)
		}
	}
	p := e.predicts(curved, events)
	e.changes(curved, events, p)
	e.pairs(curved)
}

// predicts asks with measured trials beside, and without any.
func (e *evening) predicts(setup, events string) wire.Prediction {
	e.t.Helper()
	code, out, errs := commandLine("", "predict", "--setup", setup, "--trial", "run-1", "--events", events)
	if code != exitOK {
		e.t.Fatalf("predict: %d %s", code, errs)
	}
	p := parsed[wire.Prediction](e.t, out)
	if p.Locomotive != "heron" || p.Consist != "coal" || p.DutyPermille != 640 || len(p.At) != 19 || len(p.Sets) != 2 || len(p.Measured) != 2 {
		e.t.Errorf("predicted %.1500s", out)
	}
	for _, m := range p.Measured {
		off := *m.Predicted.Value / *m.SpeedMmS.Value - 1
		e.t.Logf("%s at %d: measured %.1f, predicted %.1f (%.1f to %.1f), off by %.2f %%", m.Trial, m.DutyPermille, *m.SpeedMmS.Value, *m.Predicted.Value, *m.Predicted.Lo, *m.Predicted.Hi, 100*off)
		if math.Abs(off) > 0.02 {
			e.t.Errorf("%s: predicted %.1f mm/s, measured %.1f: want within 2 %%", m.Trial, *m.Predicted.Value, *m.SpeedMmS.Value)
		}
	}
	// From standard input, nothing but the setup: the resistance is taken, and wide.
	text, err := os.ReadFile(setup)
	if err != nil {
		e.t.Fatal(err)
	}
	code, out, errs = commandLine(string(text), "predict", "--setup", "-", "--consist", "coal", "--throttle", "640", "--supply-mv", "8300")
	if code != exitOK {
		e.t.Fatalf("predict: %d %s", code, errs)
	}
	alone := parsed[wire.Prediction](e.t, out)
	if len(alone.Assumed) < 5 || *alone.SpeedMmS.Hi-*alone.SpeedMmS.Lo < *p.SpeedMmS.Hi-*p.SpeedMmS.Lo {
		e.t.Errorf("without trials: %d figures taken, speed %v to %v; with them %v to %v", len(alone.Assumed), *alone.SpeedMmS.Lo, *alone.SpeedMmS.Hi, *p.SpeedMmS.Lo, *p.SpeedMmS.Hi)
	}
	return p
}

// changes asks for variants, and holds one against the simulated railway.
func (e *evening) changes(setup, events string, base wire.Prediction) {
	e.t.Helper()
	ask := []string{"predict", "--setup", setup, "--trial", "run-1", "--events", events}
	code, out, errs := commandLine("", append(ask, "--change", "locomotive.driver_sets.*.gear_ratio=30", "--change", "consist=ore")...)
	if code != exitOK {
		e.t.Fatalf("predict: %d %s", code, errs)
	}
	p := parsed[wire.Prediction](e.t, out)
	if p.Variant == nil || p.Difference == nil || p.Variant.Consist != "ore" || *p.SpeedMmS.Value != *base.SpeedMmS.Value {
		e.t.Fatalf("variant: %.600s", out)
	}
	for i := range e.train.Sets {
		e.train.Sets[i].Gear = 30
	}
	other := *e
	other.events, other.setup.Trials, other.us = nil, nil, 1_790_000_000_000_000
	other.run("changed", "ore", []float64{0.64}, 120)
	var at []int64
	for _, x := range other.events {
		if x.Kind == wire.KindCrossing {
			at = append(at, x.AtUs)
		}
	}
	truth := e.track.LapM * 1e9 * float64(len(at)-2) / float64(at[len(at)-1]-at[1])
	e.t.Logf("with other gears and load: predicted %.1f mm/s (%.1f to %.1f), simulated %.1f", *p.Variant.SpeedMmS.Value, *p.Variant.SpeedMmS.Lo, *p.Variant.SpeedMmS.Hi, truth)
	if math.Abs(*p.Variant.SpeedMmS.Value/truth-1) > 0.02 {
		e.t.Errorf("with other gears and load: %.1f mm/s, want %.1f within 2 %%", *p.Variant.SpeedMmS.Value, truth)
	}
	own := math.Hypot(*p.SpeedMmS.Hi-*p.SpeedMmS.Lo, *p.Variant.SpeedMmS.Hi-*p.Variant.SpeedMmS.Lo)
	if diff := *p.Difference.SpeedMmS.Hi - *p.Difference.SpeedMmS.Lo; diff > own {
		e.t.Errorf("the difference is known to %.2f mm/s, the two apart to %.2f: what is common does not cancel", diff, own)
	}
	for change, want := range map[string]string{
		"locomotive.driver_sets.middle.gear_ratio=20": `there is no "middle"`, "locomotive.driver_sets.front.gears=20": `did you mean locomotive.driver_sets.front.gear_ratio?`,
		"locomotive.mass_g=heavy": "mass_g", "consist=none": `no consist "none"`, "locomotive.driver_sets.front.motor=m-spare": "motor m-spare has no curve", "nothing": "PATH=VALUE",
	} {
		if code, _, errs := commandLine("", append(ask, "--change", change)...); code == exitOK || !strings.Contains(errs, want) {
			e.t.Errorf("--change %s: %d %s, want %q", change, code, errs, want)
		}
	}
	code, out, _ = commandLine("", append(ask, "--change", "locomotive.driver_sets.front.wheel_diameter_mm=34", "--csv")...)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil || code != exitOK || len(rows) != 39 || rows[0][2] != "speed_mm_s" || rows[38][0] != "variant" {
		e.t.Errorf("as a table: %d %v %.300s", code, err, out)
	}
}

// pairs asks for pairings.
func (e *evening) pairs(setup string) {
	e.t.Helper()
	code, out, errs := commandLine("", "pairing", "--setup", setup, "--supply-mv", "8300", "--gears", "18.5,19")
	if code != exitOK {
		e.t.Fatalf("pairing: %d %s", code, errs)
	}
	table := parsed[wire.PairingTable](e.t, out)
	if len(table.Pairings) != 4 {
		e.t.Fatalf("%d pairings of two motors with two gears each, want 4: %.300s", len(table.Pairings), out)
	}
	for _, x := range table.Pairings {
		// The rear motor is the faster by its constant, and a gear of fewer turns makes a set
		// faster: free of load the speeds are as 1/(K x gear).
		want := (0.0085*x.GearA - 0.0083*x.GearB) / ((0.0085*x.GearA + 0.0083*x.GearB) / 2)
		if full := x.At[len(x.At)-1].Desync; x.A != "m-front" || math.Abs(*full.Value-want) > 0.01 || !(*full.Lo < *full.Value && *full.Value < *full.Hi) || x.WorstAbs < math.Abs(*full.Value) {
			e.t.Errorf("at full throttle %s at %g and %s at %g are %.4f apart, want about %.4f; worst %.4f", x.A, x.GearA, x.B, x.GearB, *full.Value, want, x.WorstAbs)
		}
	}
	code, out, _ = commandLine("", "pairing", "--setup", setup, "--supply-mv", "8300", "--csv")
	if rows, err := csv.NewReader(strings.NewReader(out)).ReadAll(); err != nil || code != exitOK || len(rows) != 20 {
		e.t.Errorf("as a table: %d %v %.300s", code, err, out)
	}
}

// What cannot be done is said, with the exit code of its kind.
func TestCurveAndPredictRefuse(t *testing.T) {
	e := newEvening(t)
	e.run("run-1", "", []float64{0.5}, 10)
	setup, events := e.write(t.TempDir())
	broken := filepath.Join(t.TempDir(), "broken.json")
	bare := filepath.Join(t.TempDir(), "bare.json") // nothing is said of the trial's battery
	writeFile(t, bare, bytes.ReplaceAll(readFile(t, setup), []byte(`"battery": "b1"`), []byte(`"battery": ""`)))
	writeFile(t, broken, bytes.Replace(readFile(t, setup), []byte(`"mass_g": 2840`), []byte(`"mass_g": "heavy"`), 1))
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"curve", "--setup", setup}, exitUsage, "which events"},
		{[]string{"curve", "--setup", setup, events}, exitBad, "too few steady steps"},
		{[]string{"curve", "--setup", setup, "--motor", "m-none", events}, exitBad, "no readings of m-none"},
		{[]string{"curve", "--setup", setup, "--trials", "t9", events}, exitBad, `no trial "t9"`},
		{[]string{"curve", "--write", "x.json", events}, exitUsage, "--write needs --setup"},
		{[]string{"predict"}, exitUsage, "which setup"},
		{[]string{"predict", "--setup", setup}, exitUsage, "--supply-mv"},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000"}, exitBad, "motor m-front has no curve"},
		{[]string{"predict", "--setup", setup, "--locomotive", "owl"}, exitBad, `no locomotive "owl"`},
		{[]string{"predict", "--setup", setup, "--trial", "t9"}, exitBad, `no trial "t9"`},
		{[]string{"predict", "--setup", setup, "--throttle", "2000", "--supply-mv", "8000"}, exitUsage, "usage: what is to be predicted: --throttle = 2000, want 1 to 1000"},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000", "--change", "mass_g=3"}, exitUsage, `the question has no "mass_g" but circuit, locomotive, consist, motors, duty_permille, supply_mv, supply_ohm, trial; did you mean locomotive.mass_g?`},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000", "--change", "locomotive.driver_sets.front.gear=3"}, exitUsage, "did you mean locomotive.driver_sets.front.gear_ratio?"},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000", "--change", "locomotive.driver_sets.fore.gear_ratio=3"}, exitUsage, `there is no "fore" but front`},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000", "--change", "locomotive.mass_g=heavy"}, exitUsage, "it wants a number, not text"},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000", "--change", "locomotive.mass_g=-3"}, exitUsage, "usage: the variant: "},
		{[]string{"predict", "--setup", bare, "--trial", "run-1"}, exitUsage, "give --supply-mv, or with --events the recording in which trial run-1 was read"},
		{[]string{"predict", "--setup", setup, "--supply-mv", "-3"}, exitUsage, "--supply-mv = -3, which is"},
		{[]string{"predict", "--setup", setup, "--supply-mv", "8000", "--trial", "light"}, exitBad, `no trial "light"`},
		{[]string{"predict", "--setup", broken, "--supply-mv", "8000"}, exitBad, "broken.json: field locomotives.mass_g is a JSON string, want a number"},
		{[]string{"wheels", "--setup", broken, "--trials", "run-1", events}, exitBad, "broken.json: field locomotives.mass_g is a JSON string, want a number"},
		{[]string{"wheels", "--setup", setup, "--trials", "run-1", os.DevNull}, exitBad, "no wheel could be measured: set front: "},
		{[]string{"predict", "--setup", setup, "--throttle", "2000"}, exitUsage, "--throttle = 2000, want 1 to 1000"},
		{[]string{"pairing", "--setup", setup}, exitUsage, "--supply-mv"},
		{[]string{"pairing", "--setup", setup, "--supply-mv", "8000"}, exitBad, "fewer than two motors have a curve"},
		{[]string{"pairing", "--setup", setup, "--supply-mv", "8000", "--gears", "18,x"}, exitUsage, `"x" is not a ratio`},
	} {
		if code, _, errs := commandLine("", c.args...); code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, said %s; want %d, %q", fmt.Sprint(c.args), code, errs, c.code, c.want)
		}
	}
}
