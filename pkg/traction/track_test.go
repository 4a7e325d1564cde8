package traction_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/traction"
	"rainhill/testdata/reference"
)

// F18: slip against the train's speed; the other denominator is not ours.
func TestSlipAgreesWithItsDefinition(t *testing.T) {
	c := reference.Load(t, "F18")
	var a struct {
		Wheel float64 `json:"wheel_surface_m_s"`
		Train float64 `json:"train_m_s"`
	}
	var b struct {
		Diameter float64 `json:"wheel_diameter_mm"`
		Rpm      float64 `json:"wheel_rpm"`
		Train    float64 `json:"train_m_s"`
	}
	c.Input(t, "a", &a)
	c.Input(t, "b", &b)
	c.Check(t, "a slip relative to train = (vw-v)/v", traction.Slip(a.Wheel, a.Train))
	c.Leave(t, "a slip relative to wheel = (vw-v)/vw", "ours is relative to the train")
	// One count a turn and no gear: mm per count is the wheel's circumference.
	wheel := traction.MmPerCount(b.Diameter, 1, 1) * b.Rpm / 60 / 1000
	c.Check(t, "b wheel surface m/s", wheel)
	c.Check(t, "b slip (vw-v)/v", traction.Slip(wheel, b.Train))
}

// F19: an encoder's counts to speed and way, by the readings of a steady motor.
func TestCountsToSpeed(t *testing.T) {
	c := reference.Load(t, "F19")
	num := func(name string) (x float64) { c.Input(t, name, &x); return x }
	lines, quadrature, gear, counts, seconds := num("lines_per_turn"), num("quadrature_factor"), num("gear"), num("counts"), num("seconds")
	per := traction.MmPerCount(num("wheel_diameter_mm"), gear, lines*quadrature)
	var m traction.Track
	for i := range 26 { // 25 steps of 0.1 s, 864 counts each
		m.Add(traction.Reading{AtUs: 1 + int64(i)*100_000, Counts: int64(counts/25) * int64(i)})
	}
	l, ok := m.Now()
	if !ok {
		t.Fatal("no speed")
	}
	s, ok := m.Between(1, 1+int64(seconds*1e6))
	if !ok {
		t.Fatal("no counts")
	}
	c.Check(t, "increments per motor turn", lines*quadrature)
	c.Check(t, "increments per gear output turn", lines*quadrature*gear)
	c.Check(t, "output turns", s.Counts/(lines*quadrature*gear))
	c.Check(t, "wheel rev/s", l.Rate/(lines*quadrature*gear))
	c.Check(t, "speed m/s", l.Rate*per/1000)
	c.Check(t, "distance m", s.Counts*per/1000)
}

// What a counter of a few bits shows is followed as if it had all of them, whichever
// way it turns.
func TestWrapsAreFollowed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		show := map[string]func(int64) int64{
			"signed 16":   func(n int64) int64 { return int64(int16(n)) },
			"unsigned 16": func(n int64) int64 { return int64(uint16(n)) },
			"signed 32":   func(n int64) int64 { return int64(int32(n)) },
			"unsigned 32": func(n int64) int64 { return int64(uint32(n)) },
		}[rapid.SampledFrom([]string{"signed 16", "unsigned 16", "signed 32", "unsigned 32"}).Draw(t, "counter")]
		n := rapid.Int64Range(-1<<33, 1<<33).Draw(t, "begins at")
		way := rapid.SampledFrom([]float64{1, -1}).Draw(t, "way")
		speed := rapid.Float64Range(0, 20_000).Draw(t, "counts a second")
		every := rapid.SampledFrom([]int64{10_000, 50_000, 100_000}).Draw(t, "us between readings")
		var m traction.Track
		at, turned := int64(1), float64(n)
		for i := range 400 {
			m.Add(traction.Reading{AtUs: at, Counts: show(int64(math.Floor(turned)))})
			if i%50 == 49 { // gathers and loses speed, never at once
				speed = min(20_000, speed*rapid.Float64Range(0.7, 1.3).Draw(t, "faster"))
			}
			at, turned = at+every, turned+way*speed*float64(every)/1e6
		}
		last := len(m.Counts) - 1
		if got, want := m.Counts[last]-m.Counts[0], int64(math.Floor(turned-way*speed*float64(every)/1e6))-n; got != want || len(m.Breaks) != 0 {
			t.Fatalf("%d counts, want %d; %d breaks", got, want, len(m.Breaks))
		}
	})
}

// A counter that turns back through 0 at once, with nothing known of its speed, was not reset.
func TestTurningBackThroughNoughtIsNoReset(t *testing.T) {
	var m traction.Track
	for i := range int64(10) {
		m.Add(traction.Reading{AtUs: 1 + i*10_000, Counts: 134 - 200*i})
	}
	if got := m.Counts[len(m.Counts)-1]; got != 134-1800 || len(m.Breaks) != 0 {
		t.Errorf("%d counts, %d breaks", got, len(m.Breaks))
	}
}

// A motor that stops at once is not said to run backwards, nor one that sets off to have done.
func TestASuddenStopIsNoRunBack(t *testing.T) {
	var m traction.Track
	turned := int64(0)
	for i := range int64(60) {
		if i >= 20 && i < 40 {
			turned += 300
		}
		m.Add(traction.Reading{AtUs: 1 + i*100_000, Counts: turned})
		if l, ok := m.Now(); ok && l.Rate < 0 {
			t.Errorf("reading %d: %.0f counts a second of a motor that never turned back", i, l.Rate)
		}
	}
}

// A board that restarts begins at 0: the speed so far bridges it, and says how surely.
func TestResetsAreBridged(t *testing.T) {
	for _, way := range []int64{1, -1} {
		var m traction.Track
		for i := range int64(100) {
			counts := way * (50_000 + 500*i)
			if i >= 60 {
				counts = way * 500 * (i - 60)
			}
			m.Add(traction.Reading{AtUs: 1 + i*100_000, Counts: counts})
		}
		s, ok := m.Between(2_000_001, 8_000_001)
		if !ok || math.Abs(s.Counts-float64(way*30_000)) > 2 || len(m.Breaks) != 1 || s.U < 100 {
			t.Errorf("%+v, %v, %d breaks; want %d counts with more than 100 uncertain", s, ok, len(m.Breaks), way*30_000)
		}
		l, ok := m.Now()
		if !ok || math.Abs(l.Rate-float64(way*5000)) > 1 {
			t.Errorf("speed %+v, want %d", l, way*5000)
		}
	}
}

// There is no speed after a silence, nor across one.
func TestGapsGiveNoSpeed(t *testing.T) {
	var m traction.Track
	add := func(us, counts int64) { m.Add(traction.Reading{AtUs: us, Counts: counts}) }
	for i := range int64(20) {
		add(1+i*100_000, i*100)
	}
	add(6_000_000, 6000)
	if l, ok := m.Now(); ok {
		t.Errorf("%+v after a silence of four seconds", l)
	}
	for i := range int64(6) {
		add(6_100_000+i*100_000, 6100+i*100)
	}
	if _, ok := m.Now(); !ok {
		t.Error("no speed half a second later")
	}
	if _, ok := m.Centred(4_000_000); ok {
		t.Error("a speed within the silence")
	}
	var late traction.Track
	late.Add(traction.Reading{AtUs: 10, Counts: 5})
	late.Add(traction.Reading{AtUs: 10, Counts: 6})
	late.Add(traction.Reading{AtUs: 4, Counts: 7})
	if len(late.AtUs) != 1 {
		t.Errorf("%d readings, want the first alone", len(late.AtUs))
	}
}

// drive has a motor turn by a speed in counts a second, read with stamps that jitter;
// it gives the true counts at an instant.
func drive(rng *rand.Rand, m *traction.Track, hz, seconds, jitterUs float64, speed func(s float64) float64) func(us int64) float64 {
	const step = 1e-3
	way := []float64{rng.Float64() * 10}
	for s := 0.0; s < seconds; s += step {
		way = append(way, way[len(way)-1]+step*speed(s+step/2))
	}
	at := func(us int64) float64 {
		x := float64(us) / 1e6 / step
		i := min(int(x), len(way)-2)
		return way[i] + (x-float64(i))*(way[i+1]-way[i])
	}
	for i := range int(hz*seconds) - 1 {
		us := int64(1e6*float64(i)/hz) + 5000
		stamp := us + int64(jitterUs*rng.NormFloat64())
		m.Add(traction.Reading{AtUs: stamp, Counts: int64(math.Floor(at(us)))})
	}
	return at
}

// The standard uncertainty of a speed is that of its error, for coarse and fine
// encoders, quick and slow readings, steady and gathering speed.
func TestSpeedUncertaintyHolds(t *testing.T) {
	for _, c := range []struct {
		name            string
		hz, jitter      float64
		speed           func(float64) float64
		leastly, mostly float64 // share within 1.96 u
	}{
		{"fine, 10 Hz, jitter", 10, 500, func(float64) float64 { return 5000 }, 0.88, 0.99},
		{"fine, 100 Hz, jitter", 100, 300, func(float64) float64 { return 5000 }, 0.85, 1},
		{"coarse, 10 Hz", 10, 0, func(float64) float64 { return 173.3 }, 0.88, 1},
		{"coarse and slow, 20 Hz", 20, 0, func(float64) float64 { return 9.7 }, 0.88, 1},
		{"gathering speed, 20 Hz", 20, 300, func(s float64) float64 { return 1000 + 400*s }, 0.88, 1},
		// Where the gain of speed turns round it says nothing of how fast it changes.
		{"swaying, 20 Hz", 20, 300, func(s float64) float64 { return 2000 + 150*math.Sin(2*s) }, 0.8, 1},
	} {
		within, live, n := 0, 0, 0
		for seed := range uint64(150) {
			rng := rand.New(rand.NewPCG(seed, 3))
			var m traction.Track
			drive(rng, &m, c.hz, 4+3*rng.Float64(), c.jitter, c.speed) // ends anywhere in the sway
			us, midUs := m.AtUs[len(m.AtUs)-1], int64(1e6*(1+2*rng.Float64()))
			l, ok := m.Now()
			mid, okMid := m.Centred(midUs)
			if !ok || !okMid {
				t.Fatalf("%s: no speed", c.name)
			}
			n++
			if math.Abs(l.Rate-c.speed(float64(us)/1e6)) <= 1.96*l.URate {
				live++
			}
			if math.Abs(mid.Rate-c.speed(float64(midUs)/1e6)) <= 1.96*mid.URate {
				within++
			}
		}
		a, b := float64(live)/float64(n), float64(within)/float64(n)
		t.Logf("%-26s live %.3f, centred %.3f within 1.96 u", c.name, a, b)
		if a < c.leastly || b < c.leastly || a > c.mostly && b > c.mostly {
			t.Errorf("%s: %.3f and %.3f within 1.96 u, want %.2f to %.2f", c.name, a, b, c.leastly, c.mostly)
		}
	}
}

// Why the live window is fitted with a quadratic: a line over the same readings is
// surer at steady speed, and wrong by half the window's gain when speed is gathered.
func TestAQuadraticDoesNotLag(t *testing.T) {
	const gain = 400.0
	var line, curve float64
	for seed := range uint64(100) {
		var m traction.Track
		drive(rand.New(rand.NewPCG(seed, 4)), &m, 20, 6, 300, func(s float64) float64 { return 500 + gain*s })
		n := len(m.AtUs)
		us := m.AtUs[n-1]
		want := 500 + gain*float64(us)/1e6
		var tt, y, ty, t2 float64
		k := 0.0
		for i := n - 1; i >= 0 && us-m.AtUs[i] <= 600_000; i-- {
			x, c := float64(m.AtUs[i]-us)/1e6, float64(m.Counts[i]-m.Counts[n-1])
			k, tt, y, ty, t2 = k+1, tt+x, y+c, ty+x*c, t2+x*x
		}
		slope := (ty - tt*y/k) / (t2 - tt*tt/k)
		l, _ := m.Now()
		line, curve = line+(slope-want)*(slope-want), curve+(l.Rate-want)*(l.Rate-want)
	}
	line, curve = math.Sqrt(line/100), math.Sqrt(curve/100)
	t.Logf("off by (root mean square) %.1f counts/s with a line, %.1f with a quadratic", line, curve)
	if curve > line/2 {
		t.Errorf("a line is off by %.1f counts/s, a quadratic by %.1f", line, curve)
	}
}

// Counts over a stretch hold within their uncertainty.
func TestStretchUncertaintyHolds(t *testing.T) {
	within, n := 0, 0
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 5))
		var m traction.Track
		v := 60 + 3000*rng.Float64()
		at := drive(rng, &m, 10, 8, 500, func(s float64) float64 { return v * (1 + 0.1*math.Sin(s)) })
		from, to := int64(1_000_000+1_000_000*rng.Float64()), int64(5_000_000+1_000_000*rng.Float64())
		s, ok := m.Between(from, to)
		if !ok {
			t.Fatal("no counts")
		}
		n++
		if math.Abs(s.Counts-(at(to)-at(from))) <= 1.96*s.U {
			within++
		}
	}
	if share := float64(within) / float64(n); share < 0.9 {
		t.Errorf("%.3f of stretches within 1.96 u", share)
	}
}

// A track is bounded, and what is saved of it is read again as it was.
func TestTracksAreSavedAndBounded(t *testing.T) {
	var m traction.Track
	duty := int64(600)
	for i := range int64(20_000) {
		r := traction.Reading{AtUs: 1 + i*10_000, Counts: i * 30}
		if i > 500 {
			r.DutyPermille = &duty
		}
		m.Add(r)
	}
	if len(m.AtUs) > 4096 || len(m.Duty) != len(m.AtUs) || len(m.Ma) != 0 {
		t.Fatalf("%d readings, %d throttles, %d currents", len(m.AtUs), len(m.Duty), len(m.Ma))
	}
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var again traction.Track
	if err := json.Unmarshal(b, &again); err != nil {
		t.Fatal(err)
	}
	old, _ := m.Over([]int64{100_000_000, 105_000_000, 112_000_000})
	if _, ok := m.Over([]int64{100_000_000}); ok {
		t.Error("one instant is no lap")
	}
	x, ok := again.Over([]int64{100_000_000, 105_000_000, 112_000_000})
	if a, b := mustJSON(t, old), mustJSON(t, x); !ok || a != b {
		t.Errorf("read again %s, want %s", b, a)
	}
	// As rules before 4 saved it.
	var before traction.Track
	if err := json.Unmarshal([]byte(`{"at":[1,100001,200001,300001,400001],"counts":[0,100,200,300,400]}`), &before); err != nil {
		t.Fatal(err)
	}
	if l, ok := before.Now(); !ok || math.Abs(l.Rate-1000) > 1e-6 {
		t.Errorf("%+v, %v", l, ok)
	}
	var turned traction.Turned
	if err := json.Unmarshal([]byte(`{"counts":1234.5,"cv":0.01}`), &turned); err != nil || turned.Counts != 1234.5 || len(turned.Stretches) != 0 {
		t.Errorf("%+v, %v", turned, err)
	}
}

func mustJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// What a lap says is the same before and after it was saved: a replay that began from
// a saved state must not differ.
func TestTurnedIsTheSameSaved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 6))
		var m traction.Track
		meters := rapid.Bool().Draw(t, "meters")
		for i := range int64(150) {
			r := traction.Reading{AtUs: 1 + i*100_000, Counts: i*i + rng.Int64N(5)}
			if meters {
				ma, mv, duty := 100+rng.Int64N(90), 7400+rng.Int64N(50), 500+rng.Int64N(3)
				r.CurrentMa, r.VoltMv, r.DutyPermille = &ma, &mv, &duty
			}
			m.Add(r)
		}
		x, ok := m.Over([]int64{1_000_000, 4_000_000 + rng.Int64N(1_000_000), 9_000_000, 13_000_000})
		if !ok {
			t.Fatal("no counts")
		}
		b, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		var again traction.Turned
		if err := json.Unmarshal(b, &again); err != nil {
			t.Fatal(err)
		}
		same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
		for i, s := range x.Stretches {
			z := again.Stretches[i]
			if !same(s.Counts, z.Counts) || !same(s.U, z.U) || s.N != z.N || !same(s.Duty, z.Duty) || !same(s.Ma, z.Ma) || !same(s.Mv, z.Mv) {
				t.Fatalf("%+v, want %+v", z, s)
			}
		}
		if again.Counts != x.Counts || again.U != x.U || *again.CV != *x.CV || (again.Moments == nil) != (x.Moments == nil) || x.Moments != nil && *again.Moments != *x.Moments {
			t.Fatalf("%+v, want %+v", again, x)
		}
	})
	var s traction.Stretch
	for _, bad := range []string{`[1,2]`, `{}`, `"x"`} {
		if json.Unmarshal([]byte(bad), &s) == nil {
			t.Errorf("%s is read as a stretch", bad)
		}
	}
	var m traction.Moments
	if json.Unmarshal([]byte(`[1,2,3]`), &m) == nil {
		t.Error("three numbers are read as moments")
	}
	// As rules before 5 saved them: how many bins were at round throttles nobody knows.
	if err := json.Unmarshal([]byte(`[9,1,100,200,4000,500,1,2,3,4,5,6,7,8]`), &m); err != nil || m.N != 9 || m.D != 500 || m.DD != 7 || m.NoiseMa2 != 8 || m.Round != -1 {
		t.Errorf("%+v, %v", m, err)
	}
}

// BenchmarkLive is a reading with its wheel speed, of 32 motors at 100 Hz: 3,200 a
// second.
func BenchmarkLive(b *testing.B) {
	tracks := make([]traction.Track, 32)
	for i := 0; b.Loop(); i++ {
		m := &tracks[i%32]
		m.Add(traction.Reading{AtUs: 1 + int64(i/32)*10_000, Counts: int64(i/32) * 50})
		m.Now()
	}
}
