package sim_test

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// readings is a motor's readings by agent's instant.
func readings(events []wire.Event, motor string) (all []wire.Sample) {
	for _, e := range events {
		if e.Motor == motor {
			all = append(all, e.Samples...)
		}
	}
	return all
}

// countAt is the counter between two readings by proportion.
func countAt(list []wire.Sample, atUs float64) float64 {
	i, _ := slices.BinarySearchFunc(list, atUs, func(s wire.Sample, us float64) int { return int(math.Copysign(1, float64(s.AtUs)-us)) })
	if i == 0 || i == len(list) {
		return math.NaN()
	}
	a, b := list[i-1], list[i]
	return float64(*a.Counts) + (atUs-float64(a.AtUs))/float64(b.AtUs-a.AtUs)*float64(*b.Counts-*a.Counts)
}

func trialOf(t *testing.T, run truth.Run, id string) truth.Trial {
	t.Helper()
	i := slices.IndexFunc(run.Trials, func(x truth.Trial) bool { return x.Trial == id })
	if i < 0 {
		t.Fatalf("the truth knows nothing of %s", id)
	}
	return run.Trials[i]
}

// True slip and desync are what the counts say with the true diameters (F18, F19):
// read off between passages, without the simulator's own sums.
func TestTrueSlipIsWhatCountsSay(t *testing.T) {
	s := load(t, "sets", 26)
	events, run := simulate(t, s, 2)
	laps := 0
	for _, tr := range run.Trials {
		for _, l := range tr.Laps[1:] {
			var mm [2]float64
			for i, d := range s.Trains[0].Loco.Sets {
				list := readings(events, d.Motor)
				n := countAt(list, l.StartUs+l.LapTimeS*1e6) - countAt(list, l.StartUs)
				mm[i] = n / (d.CountsPerRev * d.GearRatio) * math.Pi * tr.Sets[i].WheelDiameterMm
				if slip := mm[i]/(1000*lapM(s)) - 1; math.Abs(slip-l.Slip[i].Slip) > 3e-4 || l.Slip[i].Set != d.ID {
					t.Fatalf("%s lap %d, %s: slip %.5f by counts, %.5f by the truth", tr.Trial, l.Lap, d.ID, slip, l.Slip[i].Slip)
				}
			}
			if d := 2 * (mm[1] - mm[0]) / (mm[1] + mm[0]); math.Abs(d-l.Desync[0].Value) > 4e-4 {
				t.Fatalf("%s lap %d: desync %.5f by counts, %.5f by the truth", tr.Trial, l.Lap, d, l.Desync[0].Value)
			}
			laps++
		}
		// Between two passages of one gate, the same from what passages say.
		a, b := tr.Passages[4], tr.Passages[8]
		if slip := (b.WheelMm[0]-a.WheelMm[0])/(1000*lapM(s)) - 1; a.Gate != "g1" || b.Gate != "g1" || math.Abs(slip-tr.Laps[1].Slip[0].Slip) > 1e-9 {
			t.Errorf("%s: slip %.9f between passages of %s and %s, %.9f over the lap", tr.Trial, slip, a.Gate, b.Gate, tr.Laps[1].Slip[0].Slip)
		}
	}
	uneven := trialOf(t, run, "uneven").Laps[3]
	if laps < 70 || uneven.Slip[0].Slip < 0.01 || uneven.Desync[0].Value > -0.01 {
		t.Errorf("%d laps; with unlike throttles %+v", laps, uneven)
	}
}

// Laps run at the balance speed, and the two sets slip as the tyres' law has it.
func TestLapsRunAtTheBalance(t *testing.T) {
	for _, name := range []string{"sets", "regulated", "sweep"} {
		_, run := simulate(t, load(t, name, 26), 3)
		n := 0
		for _, tr := range run.Trials {
			if tr.Balance == nil {
				continue
			}
			n++
			var mean, slip float64
			for _, l := range tr.Laps[1:] {
				mean += l.SpeedMmS / float64(len(tr.Laps)-1)
				slip += l.Slip[1].Slip / float64(len(tr.Laps)-1)
			}
			if math.Abs(slip-tr.Slip[1].Slip) > 2e-4 || math.Abs(mean/tr.SpeedMmS-1) > 0.02 {
				t.Errorf("%s, %s: of all laps %.2f mm/s and slip %.5f; but the first is left out %.2f and %.5f", name, tr.Trial, tr.SpeedMmS, tr.Slip[1].Slip, mean, slip)
			}
			if math.Abs(mean/tr.Balance.SpeedMmS-1) > 0.005 {
				t.Errorf("%s, %s: laps at %.2f mm/s, balance %.2f", name, tr.Trial, mean, tr.Balance.SpeedMmS)
			}
		}
		if n == 0 {
			t.Errorf("%s: no trial has a balance", name)
		}
	}
}

// A regulated motor tells of its bridge or of its set point, and holds its speed
// behind a train; one without loses speed. What the truth says of droop is the
// closed form.
func TestRegulatedTells(t *testing.T) {
	s := load(t, "regulated", 16)
	events, run := simulate(t, s, 1)
	ends := func(trial, motor string) (list []wire.Sample) {
		tr := trialOf(t, run, trial)
		l := tr.Laps[len(tr.Laps)-2]
		for _, x := range readings(events, motor) {
			if float64(x.AtUs) > l.StartUs && float64(x.AtUs) < l.StartUs+l.LapTimeS*1e6 {
				list = append(list, x)
			}
		}
		return list
	}
	mean := func(list []wire.Sample) (duty float64) {
		for _, x := range list {
			duty += float64(*x.DutyPermille) / float64(len(list))
		}
		return duty
	}
	light, loaded := mean(ends("heron-light", "heron-front")), mean(ends("heron-eight", "heron-front"))
	if !(light > 500 && loaded > light+5) {
		t.Errorf("the bridge is on %.0f permille light and %.0f behind a train", light, loaded)
	}
	if d := mean(ends("heron-eight", "heron-rear")); math.Abs(d-600) > 1e-6 {
		t.Errorf("the set point is told as %.1f", d)
	}
	speed := func(trial string) float64 { return trialOf(t, run, trial).Laps[5].SpeedMmS }
	if held, lost := speed("heron-eight")/speed("heron-light"), speed("otter-eight")/speed("otter-light"); held < 0.998 || lost > 0.99 {
		t.Errorf("behind a train: %.4f of the speed with boards that hold it, %.4f without", held, lost)
	}
	for _, tr := range run.Trials {
		for i, d := range tr.Sets {
			rim := d.WheelDiameterMm / 2000 / 18.5
			want := 1000 * d.ResistanceOhm / (d.KVS * d.KVS) * rim * rim / d.Efficiency
			if d.Regulated {
				want = 0
			}
			if math.Abs(d.DroopMmSPerN-want) > 1e-9*(1+want) || d.Regulated != strings.HasPrefix(d.Motor, "heron") {
				t.Errorf("%s set %d: %+v, droop %.3f", tr.Trial, i, d, want)
			}
		}
	}
}

// On stands the motors turn and no gate sees anything; setup.json says so, and each
// trial has its window. The battery and the counters go on from trial to trial.
func TestSweepOnStandsAndOnTrack(t *testing.T) {
	s := load(t, "sweep", 13)
	var events []wire.Event
	setup, run, err := sim.Simulate(s, 1, startUs, func(e wire.Event) error {
		events = append(events, e)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(setup.Locomotives) != 1 || len(setup.Trials) != 4 || setup.Trials[0].Conditions["wheels"] != "free" || setup.Trials[1].Conditions["wheels"] != nil {
		t.Fatalf("setup: %+v", setup)
	}
	for i, tr := range setup.Trials {
		if tr.FromUs != startUs+int64(s.Trains[i].FromS*1e6) || tr.ToUs != startUs+int64(s.Trains[i].ToS*1e6) {
			t.Errorf("%s is open from %d to %d", tr.ID, tr.FromUs, tr.ToUs)
		}
	}
	for _, e := range events {
		if e.Kind == wire.KindCrossing && e.AtUs < setup.Trials[1].FromUs {
			t.Fatalf("%s is crossed at %d while the engine is on stands", e.Gate, e.AtUs)
		}
	}
	d := setup.Locomotives[0].DriverSets[1]
	if tr := run.Trials[0]; d.GearEfficiency != 0.72 || d.GearEfficiencyU != 0.03 || tr.Sets[1].Efficiency == 0.72 || math.Abs(tr.Sets[1].Efficiency-0.72) > 0.15 || tr.Sets[1].Efficiency != run.Trials[2].Sets[1].Efficiency {
		t.Errorf("efficiency %g within %g is stated, %g is true", d.GearEfficiency, d.GearEfficiencyU, tr.Sets[1].Efficiency)
	}
	if w := setup.Locomotives[0].Resistance; w == nil || w.AMS2 != 0.06 || math.Abs(w.AUMS2-0.003) > 1e-12 || math.Abs(w.CurveMS2-0.02/0.8) > 1e-12 {
		t.Errorf("resistance is stated as %+v", w)
	}
	list := readings(events, "heron-rear")
	free := countAt(list, float64(startUs+70e6))
	if !(free > 100_000) { // some 600 rad/s by then
		t.Errorf("%.0f counts on stands", free)
	}
	for i := 1; i < len(list); i++ {
		if d := *list[i].Counts - *list[i-1].Counts; d < -2 || d > 2000 {
			t.Fatalf("the counter jumps by %d at %d", d, list[i].AtUs)
		}
	}
	// At its fastest step on stands: the no-load line of F17.
	for _, x := range list {
		at := float64(x.AtUs-startUs) / 1e6
		if at > 70 && at < 73 {
			if math.Abs(float64(*x.CurrentMa)-75) > 30 {
				t.Fatalf("%d mA on stands, want about its 75", *x.CurrentMa)
			}
		}
	}
}

// Counters wrap, and begin from 0 when the agent has restarted; unwrapped they are
// those that do neither.
func TestCountersWrapAndReset(t *testing.T) {
	plain := load(t, "clean", 6)
	bits := load(t, "clean", 6)
	bits.Trains[0].Loco.Sets = slices.Clone(bits.Trains[0].Loco.Sets)
	bits.Trains[0].Loco.Sets[0].CounterBits = 16
	a, _ := simulate(t, plain, 1)
	b, _ := simulate(t, bits, 1)
	motor := plain.Trains[0].Loco.Sets[0].Motor
	whole, wrapped := readings(a, motor), readings(b, motor)
	wraps := 0
	for i := range whole {
		if *wrapped[i].Counts != int64(int16(*whole[i].Counts)) {
			t.Fatalf("reading %d: %d wrapped, %d whole", i, *wrapped[i].Counts, *whole[i].Counts)
		}
		wraps = max(wraps, int(*whole[i].Counts>>16))
	}
	if wraps < 5 {
		t.Errorf("it wraps %d times", wraps)
	}
	resets := load(t, "clean", 20)
	resets.Faults.RestartsHour = 20
	resets.Trains[0].Loco.Sets = slices.Clone(resets.Trains[0].Loco.Sets)
	resets.Trains[0].Loco.Sets[0].CounterResets = true
	events, _ := simulate(t, resets, 3)
	boots, kept := map[string]int{}, map[string]int64{}
	for _, e := range events {
		if e.Motor != motor {
			if e.Kind == wire.KindMotor && kept[e.Boot] == 0 {
				kept[e.Boot] = *e.Samples[0].Counts
			}
			continue
		}
		if boots[e.Boot]++; boots[e.Boot] == 1 && len(boots) > 1 && *e.Samples[0].Counts != 0 {
			t.Errorf("boot %s begins at %d counts", e.Boot, *e.Samples[0].Counts)
		}
	}
	if len(boots) < 3 || slices.Max(slices.Collect(values(kept))) < 10_000 {
		t.Errorf("%d boots; the other set's counter %v", len(boots), kept)
	}
}

func values(m map[string]int64) func(func(int64) bool) {
	return func(yield func(int64) bool) {
		for _, v := range m {
			if !yield(v) {
				return
			}
		}
	}
}

// Telemetry has the rate, the packing, the delay and the noise that it is given.
func TestTelemetryAsGiven(t *testing.T) {
	s := load(t, "clean", 2)
	one := &s.Trains[0]
	one.Hz, one.Readings, one.DelayUs = 25, 3, 80_000
	one.CurrentSDMa, one.VoltageSDMv = new(0.0), new(0.0)
	events, _ := simulate(t, s, 1)
	n := 0
	var last int64
	for _, e := range events {
		if e.Motor != one.Loco.Sets[0].Motor {
			continue
		}
		n++
		if len(e.Samples) != 3 || e.BusUs-e.AtUs < 80_000 {
			t.Fatalf("%d readings, %d us on their way", len(e.Samples), e.BusUs-e.AtUs)
		}
		for _, x := range e.Samples {
			if last > 0 && x.AtUs-last != 40_000 {
				t.Fatalf("readings are %d us apart", x.AtUs-last)
			}
			last = x.AtUs
			if at := x.AtUs - startUs; at < 2_900_000 && *x.CurrentMa != 0 {
				t.Fatalf("%d mA before the throttle is opened", *x.CurrentMa)
			}
		}
	}
	if n < 980 {
		t.Errorf("%d messages", n)
	}
}

// Wheels differ from seed to seed by what is given, the same in every trial.
func TestWheelsAreDrawn(t *testing.T) {
	s := load(t, "sets", 6)
	var sum, sq float64
	const seeds = 300
	for seed := range int64(seeds) {
		run := sim.New(s, seed, startUs).Truth()
		x := run.Trials[0].Sets[0].WheelDiameterMm - 36
		sum, sq = sum+x, sq+x*x
	}
	if sd := math.Sqrt(sq / seeds); math.Abs(sum/seeds) > 0.025 || math.Abs(sd-0.1) > 0.015 {
		t.Errorf("wheels are off by %.4f mm in the mean and %.4f (SD), want 0 and 0.1", sum/seeds, sd)
	}
	if w := s.Setup(0).Locomotives[0].DriverSets[0]; w.WheelDiameterMm != 36 || w.WheelDiameterUMm != 0.1 {
		t.Errorf("setup states %+v", w)
	}
}

func TestReadSaysWhatIsWrongWithSets(t *testing.T) {
	set := "like = \"clean\"\n[[train]]\ntrial = \"a\"\nthrottle = [[0, 500]]\n%\nlocomotive = { id = \"l\", mass_g = 900, length_mm = 300, set = [{ # }] }\n"
	again := set + "[[train]]\ntrial = \"b\"\nsame_as = \"a\"\nthrottle = [[0, 500]]\n"
	for text, want := range map[string]string{
		strings.Replace(set, "#", `reports_duty = "x"`, 1):      `reports_duty = "x"`,
		strings.Replace(set, "#", `counter_bits = 8`, 1):        "counter_bits = 8",
		strings.Replace(set, "#", `wheel_error_mm = -30`, 1):    "wheel_error_mm = -30",
		strings.Replace(set, "%", `telemetry_hz = 30`, 1):       "telemetry_hz = 30",
		strings.Replace(set, "%", `readings_a_message = -2`, 1): "readings_a_message = -2",
		strings.Replace(set, "%", "from_s = 20\nto_s = 10", 1):  "are no window",
		strings.Replace(set, "%", `same_as = "z"`, 1):           "is no train before it",
		again: "runs in both at once",
		strings.Replace(again, "%", "to_s = 30", 1) + "from_s = 29":                                    "runs in both at once",
		strings.Replace(set, "%", "wheels_free = true\nhappens = [{ kind = \"stall\", at_s = 3 }]", 1): "nothing happens to a train on stands",
	} {
		text = strings.NewReplacer("#", "", "%", "").Replace(text)
		if _, err := sim.Read("mine", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q gave %v, want %q", text, err, want)
		}
	}
	good := strings.NewReplacer("#", "regulated = true", "%", "to_s = 30").Replace(again) + "from_s = 30"
	s, err := sim.Read("mine", []byte(good))
	if err != nil || len(s.Trains) != 2 || !s.Trains[1].Loco.Sets[0].Regulated || s.Trains[1].Consist.ID != "light" {
		t.Errorf("a locomotive with two trials: %+v, %v", s.Trains, err)
	}
}

// A train of no window tells the same whether others have one.
func TestWindowsAddNothingBefore(t *testing.T) {
	s := load(t, "clean", 2)
	a, _ := simulate(t, s, 1)
	late := s.Trains[0]
	late.Trial, late.Loco.ID, late.Agent, late.FromS, late.StartMm = "late", "late", "late", 115, 4000
	s.Trains = append(slices.Clone(s.Trains), late)
	b, _ := simulate(t, s, 1)
	early := func(list []wire.Event) []wire.Event {
		return slices.DeleteFunc(slices.Clone(list), func(e wire.Event) bool { return e.Agent == "late" || e.BusUs > startUs+100_000_000 })
	}
	if !bytes.Equal(text(t, early(a)), text(t, early(b))) {
		t.Error("a train that comes later changes what was told before")
	}
}
