package control_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/control"
)

func TestRamp(t *testing.T) {
	for _, c := range []struct{ fullS, from, to, dtS, want float64 }{
		{0, 0, 600, 0.1, 600}, {2, 0, 600, 0.1, 50}, {2, 580, 600, 0.1, 600}, {2, 0, -600, 0.1, -50}, {2, 300, -300, 0.1, 250}, {2, 300, 0, -1, 300},
	} {
		if got := (control.Ramp{FullS: c.fullS}).Step(c.from, c.to, c.dtS); got != c.want {
			t.Errorf("%+v: %g", c, got)
		}
	}
}

// Three levels up and down, held 2 s each, a second from 0 to full: by hand.
func TestSweep(t *testing.T) {
	s := control.Sweep{From: 200, To: 600, Steps: 3, HoldS: 2, RampS: 1}
	for n, want := range []float64{200, 400, 600, 400, 200} {
		if got := s.Level(n + 1); got != want {
			t.Errorf("level %d is %g, want %g", n+1, got, want)
		}
	}
	for _, c := range []struct {
		at       float64
		step     int
		permille float64
		over     bool
	}{{0, 1, 200, false}, {2.19, 1, 200, false}, {2.21, 2, 400, false}, {4.7, 3, 600, false}, {10.9, 5, 200, false}, {11.1, 5, 0, true}, {99, 5, 0, true}} {
		step, permille, over := s.At(c.at)
		if step != c.step || permille != c.permille || over != c.over {
			t.Errorf("at %g s: step %d, %g, over %t; want %+v", c.at, step, permille, over, c)
		}
	}
	if s.Count() != 5 || math.Abs(s.TotalS()-11) > 1e-9 {
		t.Errorf("%d steps in %g s", s.Count(), s.TotalS())
	}
}

// Whatever is asked and read: nothing is added, nothing is turned round, no throttle
// gives none, one side at most loses some, and never more than may be taken.
func TestTrimOnlyTakesOff(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		most := float64(rapid.IntRange(0, 1000).Draw(r, "most"))
		trim := control.NewTrim(control.TrimConfig{MostPermille: most, CountMm: [2]float64{0.1, 0.1}})
		if most == 0 {
			most = 200
		}
		var us int64 = 1
		place := [2]float64{}
		for range rapid.IntRange(1, 120).Draw(r, "steps") {
			us += rapid.Int64Range(0, 400_000).Draw(r, "later")
			trim.Switch(rapid.IntRange(0, 9).Draw(r, "on") > 0)
			for i := range place {
				if rapid.Bool().Draw(r, "read") {
					place[i] += rapid.Float64Range(-100, 300).Draw(r, "way")
					trim.Read(i, us-rapid.Int64Range(0, 600_000).Draw(r, "old"), place[i])
				}
			}
			duty := [2]float64{float64(rapid.IntRange(-1000, 1000).Draw(r, "a")), float64(rapid.IntRange(-1000, 1000).Draw(r, "b"))}
			out := trim.Step(us, duty[0], duty[1])
			if out.Off[0] != 0 && out.Off[1] != 0 {
				r.Fatalf("both lose: %v", out.Off)
			}
			for i, off := range out.Off {
				if !(off >= 0) || off > most*math.Abs(duty[i])/1000+1e-9 {
					r.Fatalf("takes %g off %g, where %g may be taken at full throttle", off, duty[i], most)
				}
			}
		}
	})
}

// On and off without a jerk: from one step to the next what is taken off changes by no
// more than the rate.
func TestTrimDoesNotJerk(t *testing.T) {
	b := newBench(rand.New(rand.NewPCG(23, 7)), 1)
	was, most := 0.0, 0.0
	for i := range 800 {
		if i == 300 || i == 600 {
			b.trim.Switch(i == 600)
		}
		out := b.step(700)
		off := out.Off[1] - out.Off[0]
		if i > 0 && math.Abs(off-was) > 0.25*0.05*700+1e-9 {
			t.Fatalf("step %d: from %g to %g", i, was, off)
		}
		was, most = off, math.Max(most, math.Abs(off))
		if i == 500 && off != 0 {
			t.Errorf("off for 10 s, it still takes %g", off)
		}
	}
	if most < 20 {
		t.Errorf("took off %g at most: the two sets are alike, and this shows nothing", most)
	}
	if b.trim.Idle() {
		t.Error("at work, and says it is idle")
	}
}

// Telemetry ends: the trim holds still, says why, and then gives back what it took.
func TestTrimWithoutReadings(t *testing.T) {
	b := newBench(rand.New(rand.NewPCG(23, 7)), 1)
	var out control.Trimmed
	for range 200 {
		out = b.step(700)
	}
	held := out.Off
	if held[0]+held[1] < 5 || out.Why != "" {
		t.Fatalf("takes off %v, %q", held, out.Why)
	}
	b.everyUs = math.MaxInt64
	for i := range 120 {
		out = b.step(700)
		switch s := float64(i) * 0.05; {
		case s > 0.7 && !strings.Contains(out.Why, "old"):
			t.Fatalf("%g s without a reading: %q", s, out.Why)
		case s > 0.7 && s < 2 && math.Abs(out.Off[0]+out.Off[1]-held[0]-held[1]) > 10:
			t.Fatalf("%g s without a reading it takes %v off, before %v", s, out.Off, held)
		}
	}
	if out.Off != [2]float64{} {
		t.Errorf("6 s without a reading it still takes %v off", out.Off)
	}
}

// What keeps a trim from working is said.
func TestTrimSaysWhy(t *testing.T) {
	for _, c := range []struct {
		a, b, mmS float64
		why       string
	}{{500, 500, 300, ""}, {0, 0, 300, "no throttle"}, {500, -500, 300, "opposite"}, {500, 500, 5, "slowly"}, {-500, -500, 300, "not as driven"}, {-500, -500, -300, ""}} {
		trim := control.NewTrim(control.TrimConfig{})
		trim.Switch(true)
		var out control.Trimmed
		for us := int64(50_000); us < 2_000_000; us += 50_000 {
			for i := range 2 {
				trim.Read(i, us, c.mmS*float64(us)/1e6)
			}
			out = trim.Step(us, c.a, c.b)
		}
		if (out.Why == "") != (c.why == "") || !strings.Contains(out.Why, c.why) {
			t.Errorf("%+v: %q", c, out.Why)
		}
	}
}

// A trim whose authority ends before the sets go together says so, also at part throttle,
// where it ends in proportion; one that has come to them, or is off, does not.
func TestTrimSaysItsLimit(t *testing.T) {
	for _, c := range []struct {
		a, b, ahead float64 // how much faster B goes
		off         [2]float64
		saturated   bool
	}{{1000, 1000, 0.1, [2]float64{0, 200}, true}, {700, 500, -0.1, [2]float64{140, 0}, true}, {700, 500, 0, [2]float64{}, false}} {
		trim := control.NewTrim(control.TrimConfig{CountMm: [2]float64{0.1, 0.1}})
		trim.Switch(true)
		var out control.Trimmed
		for us := int64(50_000); us < 8_000_000; us += 50_000 {
			trim.Read(control.A, us, 300*float64(us)/1e6)
			trim.Read(control.B, us, 300*(1+c.ahead)*float64(us)/1e6)
			if us == 200_000 && out.Saturated {
				t.Errorf("%+v: at its limit before it has moved", c)
			}
			out = trim.Step(us, c.a, c.b)
		}
		if math.Abs(out.Off[0]-c.off[0])+math.Abs(out.Off[1]-c.off[1]) > 1e-6 || out.Saturated != c.saturated {
			t.Errorf("%+v: takes %v off, at its limit %t", c, out.Off, out.Saturated)
		}
		trim.Switch(false)
		if out = trim.Step(8_050_000, c.a, c.b); out.Saturated {
			t.Errorf("%+v: off, and at its limit", c)
		}
	}
}

// A counter that begins anew and one wrong reading among good ones make no difference.
func TestTrimBearsOddReadings(t *testing.T) {
	trim := control.NewTrim(control.TrimConfig{})
	trim.Switch(true)
	for n := int64(1); n < 200; n++ {
		us := n * 50_000
		for i := range 2 {
			mm := 300 * float64(us) / 1e6
			if n > 100 && i == 1 {
				mm -= 30_000
			}
			if n == 60 {
				mm += 20 * float64(i)
			}
			trim.Read(i, us, mm)
		}
		out := trim.Step(us, 500, 500)
		if out.Why == "" && math.Abs(out.Desync) > 0.004 || out.Off[0]+out.Off[1] > 10 {
			t.Fatalf("reading %d: desync %g, off %v", n, out.Desync, out.Off)
		}
	}
}
