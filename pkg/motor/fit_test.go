package motor_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/motor"
)

// board is readings of an ideal motor that a board would give, ten a second.
type board struct {
	r, k, volt float64
	us         int64
	turns      float64
	out        []motor.Reading
	rng        *rand.Rand
}

func newBoard() *board { return &board{3.2, 0.0085, 8, 1_000_000, 0, nil, rand.New(rand.NewPCG(1, 2))} }

// hold goes on for so many readings with a throttle and a current; the speed comes from
// lag times off at first.
func (b *board) hold(n int, duty, amps, lag float64) {
	for i := range n {
		b.us += 100_000
		speed := (duty*b.volt - b.r*amps) / b.k * (1 - lag*math.Exp(-float64(i)/6))
		b.turns += speed * 0.1 / (2 * math.Pi)
		noisy := amps + 0.003*b.rng.NormFloat64()
		b.out = append(b.out, motor.Reading{AtUs: b.us, Counts: int64(48 * b.turns), CurrentA: noisy, VoltageV: b.volt + 0.004*b.rng.NormFloat64(), Duty: duty})
	}
}

// sweep is the board's readings as one run at a load.
func (b *board) sweep(id string, load float64) motor.Run {
	return motor.Run{ID: id, LoadKg: load, Readings: map[string][]motor.Reading{"m1": b.out}}
}

var one = []motor.Set{{Motor: "m1", CountsPerRev: 48, Gear: 18, WheelM: 0.036}}

// climb goes up and down, at a current that rises with the throttle.
func climb(b *board, base float64) {
	for _, d := range []float64{0.3, 0.45, 0.6, 0.75, 0.9, 0.75, 0.6, 0.45, 0.3} {
		b.hold(40, d, base*(1+d), 0)
	}
}

func TestCut(t *testing.T) {
	b := newBoard()
	b.hold(30, 0, 0, 0)                 // no throttle: not a step
	b.hold(60, 0.4, 0.15, 0.8)          // settles from standing
	for d := 0.41; d < 0.6; d += 0.02 { // a ramp
		b.hold(1, d, 0.15, 0)
	}
	b.hold(50, 0.6, 0.2, 0)
	b.turns = 0 // the board started anew within the throttle
	b.hold(40, 0.6, 0.2, 0)
	b.us += 5_000_000 // and was silent
	b.hold(40, 0.6, 0.2, 0)
	b.hold(5, 0.7, 0.2, 0)                // too short
	b.hold(40, 0.05, 0.05*8/3.2, 0)       // stands: all the voltage is on the winding
	b.hold(60, 0.5, 0.2, -0.9)            // comes down to it
	b.out[100].AtUs = b.out[99].AtUs - 10 // a reading that goes back in time is left
	steps := motor.Cut(b.out, 48)
	var got []float64
	for _, s := range steps {
		got = append(got, s.Duty)
	}
	if want := []float64{0.4, 0.6, 0.6, 0.6, 0.05, 0.5}; !slices.Equal(got, want) {
		t.Fatalf("steps at %v, want %v", got, want)
	}
	first := steps[0]
	if first.Readings > 50 || first.Readings < 20 || !first.Rising || math.Abs(first.RadS/((0.4*8-3.2*0.15)/0.0085)-1) > 0.02 {
		t.Errorf("a step that settles: %d readings, %.2f rad/s, left %q", first.Readings, first.RadS, first.Left)
	}
	if steps[4].Left != "the motor stood" || steps[5].Rising != true || steps[1].Left != "" || steps[2].Left != "" {
		t.Errorf("left out: %q, %q, %q; rising after 0.05: %v", steps[1].Left, steps[2].Left, steps[4].Left, steps[5].Rising)
	}
	b = newBoard()
	for i := range 60 { // a flywheel that never settles within it
		b.hold(1, 0.5, 0.2, 1-float64(i)/80)
	}
	if s := motor.Cut(b.out, 48); len(s) != 1 || s[0].Left != "the speed had not settled" {
		t.Errorf("a speed that rises all the time: %+v", s)
	}
}

// A meter without sign, a motor run backwards, an encoder wired the other way, a
// board that does not know its throttle: the constants are the same.
func TestFitMindsSigns(t *testing.T) {
	plain := newBoard()
	climb(plain, 0.1)
	climb(plain, 0.2)
	for name, change := range map[string]func(*motor.Reading){
		"as it is":                        func(*motor.Reading) {},
		"backwards":                       func(r *motor.Reading) { r.Duty, r.Counts, r.CurrentA = -r.Duty, -r.Counts, -r.CurrentA },
		"backwards, a meter without sign": func(r *motor.Reading) { r.Duty, r.Counts = -r.Duty, -r.Counts },
		"encoder wired the other way":     func(r *motor.Reading) { r.Counts = -r.Counts },
		"a supply that is set by hand":    func(r *motor.Reading) { r.VoltageV, r.Duty = r.VoltageV*r.Duty, math.NaN() },
	} {
		run := motor.Run{ID: "a", Readings: map[string][]motor.Reading{"m1": slices.Clone(plain.out)}}
		for i := range run.Readings["m1"] {
			change(&run.Readings["m1"][i])
		}
		curves, faults := motor.Fit(one, []motor.Run{run})
		c, ok := curves["m1"]
		if !ok {
			t.Errorf("%s: %v", name, faults["m1"])
			continue
		}
		if math.Abs(c.ROhm.Value/3.2-1) > 0.01 || math.Abs(c.KVS.Value/0.0085-1) > 0.002 {
			t.Errorf("%s: R %.4f, K %.6f", name, c.ROhm.Value, c.KVS.Value)
		}
	}
}

func TestFitRefusesAndDoubts(t *testing.T) {
	few := newBoard()
	few.hold(40, 0.5, 0.2, 0)
	few.hold(40, 0.6, 0.2, 0)
	alike := newBoard() // current and speed in proportion
	for _, d := range []float64{0.3, 0.4, 0.5, 0.6, 0.7, 0.8} {
		alike.hold(40, d, 0.4*d, 0)
	}
	regulated := newBoard() // speed is the throttle's, whatever the current
	for i := range 12 {
		d := 0.3 + 0.05*float64(i)
		regulated.r = 0
		regulated.hold(40, d, 0.1+0.2*float64(i%2), 0)
	}
	for _, c := range []struct {
		name string
		sets []motor.Set
		b    *board
		want error
		text string
	}{
		{"two steps", one, few, motor.ErrNoSteps, "2 of 2 stretches"},
		{"no encoder told of", []motor.Set{{Motor: "m1"}}, few, nil, "counts per motor turn"},
		{"current and speed in proportion", one, alike, nil, "alike"},
		{"regulated", one, regulated, motor.ErrRegulated, "regulated"},
	} {
		curves, faults := motor.Fit(c.sets, []motor.Run{c.b.sweep("a", 2)})
		if err := faults["m1"]; err == nil || c.want != nil && !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: %v (curve %+v), want %q", c.name, err, curves["m1"].ROhm, c.text)
		}
	}
	if curves, faults := motor.Fit(one, nil); len(curves)+len(faults) != 0 {
		t.Error("a motor that was never read has a curve or a fault")
	}
}

func TestCurveTellsItsDoubts(t *testing.T) {
	has := func(c motor.Curve, text string) bool {
		return slices.ContainsFunc(c.Doubts, func(d string) bool { return strings.Contains(d, text) })
	}
	b := newBoard()
	climb(b, 0.15)
	curves, _ := motor.Fit(one, []motor.Run{b.sweep("a", 2)})
	if c := curves["m1"]; !math.IsNaN(c.NoLoad.Value) || !has(c, "from one load") || has(c, "warmed") {
		t.Errorf("one load: no-load current %v, doubts %q", c.NoLoad, c.Doubts)
	}
	hot := newBoard()
	for i, d := range []float64{0.3, 0.45, 0.6, 0.75, 0.9, 0.75, 0.6, 0.45, 0.3} {
		hot.r = 3.2 * (1 + 0.02*float64(i)) // copper gains 0.4 % a kelvin
		hot.hold(40, d, 0.3*(1+d), 0)
	}
	curves, faults := motor.Fit(one, []motor.Run{hot.sweep("a", 2)})
	if c := curves["m1"]; !has(c, "warmed up") {
		t.Errorf("a winding that warms up: %v, doubts %q", faults, c.Doubts)
	}
	sag := newBoard()
	climb(sag, 0.1)
	sag.volt = 6.5
	climb(sag, 0.3)
	curves, _ = motor.Fit(one, []motor.Run{sag.sweep("a", 2)})
	if c := curves["m1"]; !has(c, "sagged") || math.Abs(c.ROhm.Value/3.2-1) > 0.01 {
		t.Errorf("a supply that sags: R %.3f, doubts %q", c.ROhm.Value, c.Doubts)
	}
	narrow := newBoard()
	for _, d := range []float64{0.3, 0.5, 0.7, 0.9} {
		narrow.hold(80, d, 0.2, 0)
		narrow.hold(80, d, 0.23, 0)
	}
	curves, faults = motor.Fit(one, []motor.Run{narrow.sweep("a", 2)})
	if c := curves["m1"]; !has(c, "currents lie between") {
		t.Errorf("currents alike: %v, doubts %q", faults, c.Doubts)
	}
}

// The same question has the same answer, whatever was asked before.
func TestPredictionIsRepeatable(t *testing.T) {
	b := newBench(1, 2)
	c := of(b.train, b.track.LapM, oval())
	c.Sets[0].Efficiency = motor.Input{Value: 0.75, U: 0.12, Key: "e1", Shared: "e", Most: 1}
	c.Sets[1].Efficiency = motor.Input{Value: 0.75, U: 0.12, Key: "e2", Shared: "e", Most: 1}
	o := motor.Options{Duty: 0.6, Duties: []float64{0.3, 0.6}, Draws: 200, Seed: 5}
	first, err := motor.Predict(c, o)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := motor.Predict(c, o)
	if first.SpeedMS != again.SpeedMS || first.At[1] != again.At[1] {
		t.Errorf("%+v and %+v", first.SpeedMS, again.SpeedMS)
	}
	o.Seed = 6
	if other, _ := motor.Predict(c, o); other.SpeedMS == first.SpeedMS || math.Abs(other.SpeedMS.U/first.SpeedMS.U-1) > 0.3 {
		t.Errorf("another seed: %+v, %+v", other.SpeedMS, first.SpeedMS)
	}
}

// What base and variant have in common cancels in their difference; the truth lies within
// it: resistances drawn from what is taken as known of them, gears changed.
func TestDifferenceHolds(t *testing.T) {
	n := 12
	if *seeds > 0 {
		n = *seeds
	}
	var speed, diff held
	var narrower float64
	rng := rand.New(rand.NewPCG(9, 9))
	for range n {
		b := newBench(1, 1)
		b.train.C = 0
		c := of(b.train, b.track.LapM, oval())
		body := &c.Bodies[0]
		body.A = motor.Input{Value: 0.06, U: 0.005, Key: "a"}
		c.Sets[0].Efficiency = motor.Input{Value: 0.72, U: 0.03, Key: "e"}
		b.train.A, b.train.Sets[0].Efficiency = 0.06+0.005*rng.NormFloat64(), 0.72+0.03*rng.NormFloat64()
		v := c
		v.Sets = slices.Clone(c.Sets)
		v.Sets[0].Gear = 26
		pb, pv, d, err := motor.Against(c, v, motor.Options{Duty: 0.6, Draws: 1000, Seed: 3})
		if err != nil {
			t.Fatal(err)
		}
		before := b.track.LapM / lapTime(b, 0.6)
		b.train.Sets[0].Gear = 26
		after := b.track.LapM / lapTime(b, 0.6)
		speed.see(pb.SpeedMS, before)
		diff.see(d.SpeedMS, after-before)
		narrower = math.Hypot(pb.SpeedMS.U, pv.SpeedMS.U) / d.SpeedMS.U
	}
	t.Logf("speed held %d of %d, difference %d; known %.1f times as well as apart", speed.in, speed.of, diff.in, narrower)
	least := 0.95*float64(n) - 2.4*math.Sqrt(0.0475*float64(n))
	if float64(speed.in) < least || float64(diff.in) < least || narrower < 1.2 {
		t.Errorf("speed held %d of %d, difference %d; known %.1f times as well as apart", speed.in, speed.of, diff.in, narrower)
	}
}

// A trial tells of the resistance: by its currents, and without them by its speed.
func TestTrialTellsTheResistance(t *testing.T) {
	b := newBench(4, 2)
	b.like(0.02)
	c := of(b.train, b.track.LapM, oval())
	v := b.track.LapM / lapTime(b, 0.5)
	p, err := motor.Predict(c, motor.Options{Duty: 0.5, Draws: 2})
	if err != nil {
		t.Fatal(err)
	}
	amps := []motor.Input{motor.Fixed(p.Sets[0].AmpsA.Value), motor.Fixed(p.Sets[1].AmpsA.Value)}
	for name, a := range map[string][]motor.Input{"by currents": amps, "by speed": nil} {
		trial := &motor.Trial{Config: c, Duty: 0.5, SpeedMS: motor.Input{Value: v, U: 1e-4, Key: "v"}, AmpsA: a}
		got := trial.Told(motor.Options{Draws: 50, Seed: 1})
		if math.Abs(got.Value/b.train.A-1) > 0.03 {
			t.Errorf("%s: a = %.5f m/s2, want %.5f", name, got.Value, b.train.A)
		}
		with := c
		with.Bodies = slices.Clone(c.Bodies)
		with.Bodies[0].A = motor.Fixed(0.5) // what is told goes before what is stated
		with.Trial = trial
		if again, err := motor.Predict(with, motor.Options{Duty: 0.5, Draws: 2}); err != nil || math.Abs(again.SpeedMS.Value/v-1) > 0.002 {
			t.Errorf("%s: predicted %.4f m/s (%v), measured %.4f", name, again.SpeedMS.Value, err, v)
		}
	}
}

// Pairs of one motor with two gears, without load: the desync is that of the gears.
func TestPairs(t *testing.T) {
	b := newBench(5, 2)
	c := of(b.train, b.track.LapM, oval())
	for i := range c.Bodies {
		c.Bodies[i].A, c.Bodies[i].B, c.Bodies[i].C, c.Bodies[i].Arc = motor.Fixed(0), motor.Fixed(0), motor.Fixed(0), motor.Fixed(0)
	}
	c.InnerOhm = motor.Fixed(0)
	drives := []motor.Drive{c.Sets[0], c.Sets[0]}
	drives[1].Gear *= 1.1
	for i := range drives {
		drives[i].Motor.Covariance[1][1] = math.Pow(0.01*drives[i].Motor.KVS, 2)
		drives[i].Creep = motor.Fixed(0)
	}
	pairs, err := motor.Pairs(c, drives, motor.Options{Duties: []float64{0.3, 0.9}, Draws: 100, Seed: 1})
	if err != nil || len(pairs) != 1 {
		t.Fatal(err, pairs)
	}
	want := (1/1.1 - 1) / ((1/1.1 + 1) / 2)
	for _, x := range pairs[0].At {
		if math.Abs(x.Value-want) > 1e-9 || x.U > 1e-9 {
			t.Errorf("desync %.6f ± %.2g, want %.6f: the motor's own uncertainty is common", x.Value, x.U, want)
		}
	}
	if math.Abs(pairs[0].WorstAbs+want) > 1e-9 {
		t.Errorf("worst %.6f", pairs[0].WorstAbs)
	}
}

func TestPredictRefuses(t *testing.T) {
	b := newBench(1, 1)
	whole := of(b.train, b.track.LapM, oval())
	for name, change := range map[string]func(*motor.Config){
		"no sets": func(c *motor.Config) { c.Sets = nil }, "no mass": func(c *motor.Config) { c.Bodies = nil },
		"no voltage": func(c *motor.Config) { c.VoltV = motor.Fixed(0) }, "no lap": func(c *motor.Config) { c.LapM = motor.Fixed(0) },
		"no gear": func(c *motor.Config) { c.Sets[0].Gear = 0 }, "no-load current unknown": func(c *motor.Config) { c.Sets[0].Motor.I0A = math.NaN() },
	} {
		c := whole
		c.Sets = slices.Clone(whole.Sets)
		change(&c)
		if _, err := motor.Predict(c, motor.Options{Duty: 0.5, Draws: 2}); !errors.Is(err, motor.ErrInputs) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A train that stands has no lap time.
	whole.Bodies[0].A = motor.Fixed(50)
	p, err := motor.Predict(whole, motor.Options{Duty: 0.5, Duties: []float64{0.5}, Draws: 10})
	if err != nil || p.SpeedMS.Value != 0 || !math.IsNaN(p.LapS.Value) || !(p.PullN.Value > 0) {
		t.Errorf("%+v %v", p, err)
	}
}
