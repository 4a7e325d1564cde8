package passage_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/passage"
	"rainhill/pkg/unit"
	"rainhill/testdata/reference"
)

// pulse is a stamp of a gate whose clock ticks every q us.
func pulse(clock string, rawUs, offsetUs int64, q float64) passage.Stamp {
	return passage.Stamp{AtUs: rawUs + offsetUs, RawUs: rawUs, Clock: clock, UUs: unit.QuantisationU(q)}
}

// D04: a tick of q is q/sqrt(12), a difference of two q/sqrt(6), the mean of N
// laps between two stamps an Nth of that (GUM 4.3.7 and F.2.2.1).
func TestSinceOfPulsesWithATick(t *testing.T) {
	c := reference.Load(t, "D04")
	var tickMs float64
	c.Input(t, "tick_ms", &tickMs)
	var run struct {
		L  []float64 `json:"L_m"`
		TS float64   `json:"t_s"`
	}
	c.Input(t, "speed_case", &run)
	a := pulse("house/1", 1_000_000, 77, 1000*tickMs)
	b := pulse("house/1", 1_000_000+int64(1e6*run.TS), 77, 1000*tickMs)
	c.Check(t, "u of one stamp, ms = q/sqrt(12)", a.UUs/1000)
	c.Check(t, "GUM F.2.2.1 coefficient u = 0.29 times the resolution", a.UUs/1000/tickMs)
	us, u := b.Since(a)
	c.Check(t, "u of a difference of two independent stamps, ms = q/sqrt(6)", u/1000)
	c.Check(t, "mean lap over N laps from first and last stamp: u = q/(N sqrt(6)), N=10, ms", u/10/1000)
	c.Check(t, "u of one stamp, tick 10 ms", pulse("", 0, 0, 10_000).UUs/1000)
	v, uv := unit.SpeedMmS(1000*run.L[0], 1000*run.L[1], float64(us)/1e6, u/1e6)
	c.Check(t, "v", v/1000)
	c.Check(t, "u(v)", uv/1000)
}

// Of one boot of one agent the offset and its uncertainty cancel; of two they
// add in quadrature (GUM 5.1.2).
func TestSinceOfOneClockAndOfTwo(t *testing.T) {
	a := passage.Stamp{AtUs: 1_050_000, RawUs: 1_000_000, Clock: "house/1", UUs: 300, UClockUs: 4000}
	b := passage.Stamp{AtUs: 21_050_700, RawUs: 21_000_000, Clock: "house/1", UUs: 400, UClockUs: 9000}
	if us, u := b.Since(a); us != 20_000_000 || u != 500 {
		t.Errorf("one clock: %d +/- %g us, want 20 000 000 +/- 500: the offset cancels", us, u)
	}
	for _, other := range []string{"house/2", "house/1/1", "bridge/1", ""} {
		b.Clock = other
		if us, u := b.Since(a); us != 20_000_700 || math.Abs(u-math.Sqrt(300*300+400*400+4000*4000+9000*9000)) > 1e-9 {
			t.Errorf("clock %q after house/1: %d +/- %g us, want 20 000 700 and all four uncertainties", other, us, u)
		}
	}
}

// The rate of a clock does not cancel: dt (1 + skew), with dt u(skew).
func TestSinceWithSkew(t *testing.T) {
	a := passage.Stamp{RawUs: 1_000_000, Clock: "house/1", UUs: 300, Skew: 80e-6, USkew: 5e-6}
	b := a
	b.RawUs = 101_000_000
	us, u := b.Since(a)
	if us != 100_008_000 {
		t.Errorf("100 s on a clock that is 80 ppm slow: %d us, want 100 008 000", us)
	}
	if want := math.Sqrt(300*300 + 300*300 + 500*500); math.Abs(u-want) > 1e-9 {
		t.Errorf("uncertainty %g us, want %g: 5 ppm of 100 s are 500 us", u, want)
	}
	if us, u := a.Since(b); us != -100_008_000 || math.Abs(u-math.Sqrt(300*300+300*300+500*500)) > 1e-9 {
		t.Errorf("backwards: %d +/- %g us", us, u)
	}
	if us, u := a.Since(a); us != 0 || math.Abs(u-300*math.Sqrt2) > 1e-9 {
		t.Errorf("no time at all: %d +/- %g us", us, u)
	}
}

// Stamps of clocks that are off by seconds and up to 100 ppm, known by no more
// than what is stated: the true time lies within 1.96 u 95 times in 100, for one
// clock and for two (3 800 of 4 000, 41 = three standard deviations either way).
func TestSinceIsAsUncertainAsStated(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	const trials, tick = 4000, 1000.0
	for _, two := range []bool{false, true} {
		held := 0
		for range trials {
			uClock, uSkew := 200+800*rng.Float64(), 20e-6*rng.Float64()
			skew, offset := 1e-4*rng.NormFloat64(), 5e6*rng.NormFloat64()
			knownSkew, knownOffset := skew+uSkew*rng.NormFloat64(), offset+uClock*rng.NormFloat64()
			stamp := func(trueUs float64, clock string, known float64) passage.Stamp {
				jitter := 200 * rng.NormFloat64()
				raw := int64(math.Round((trueUs+jitter-offset)/(1+skew)/tick) * tick)
				at := int64(math.Round(float64(raw)*(1+skew) + known))
				return passage.Stamp{AtUs: at, RawUs: raw, Clock: clock, UUs: math.Hypot(200, unit.QuantisationU(tick)), UClockUs: uClock, Skew: knownSkew, USkew: uSkew}
			}
			from := 1e6 * rng.Float64()
			span := 1e6 + 60e6*rng.Float64()
			a, b := stamp(from, "house/1", knownOffset), stamp(from+span, "house/1", knownOffset)
			if two {
				b = stamp(from+span, "house/2", offset+uClock*rng.NormFloat64())
			}
			us, u := b.Since(a)
			if math.Abs(float64(us)-span) <= 1.96*u {
				held++
			}
		}
		if held < 3800-42 || held > 3800+42 {
			t.Errorf("two clocks %v: %d of %d within the stated 95 %%", two, held, trials)
		}
	}
}

func anyStamp(t *rapid.T, name string) passage.Stamp {
	return passage.Stamp{
		AtUs: rapid.Int64Range(0, 1e15).Draw(t, name+" at"), RawUs: rapid.Int64Range(0, 1e12).Draw(t, name+" raw"),
		Clock: rapid.SampledFrom([]string{"", "house/1", "house/2"}).Draw(t, name+" clock"),
		UUs:   rapid.Float64Range(0, 1e4).Draw(t, name+" u"), UClockUs: rapid.Float64Range(0, 1e5).Draw(t, name+" uc"),
		Skew: 60e-6, USkew: 3e-6,
	}
}

// Backwards is the same with the sign turned; what two stamps of one clock know of
// bus time is nothing to their difference; no uncertainty is less than the stamps'.
func TestSinceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyStamp(t, "a"), anyStamp(t, "b")
		us, u := b.Since(a)
		if back, uBack := a.Since(b); back != -us || math.Abs(uBack-u) > 1e-9*u {
			t.Fatalf("%d +/- %g us, backwards %d +/- %g", us, u, back, uBack)
		}
		if u < math.Hypot(a.UUs, b.UUs)*(1-1e-12) {
			t.Fatalf("u %g is less than that of the stamps %g and %g", u, a.UUs, b.UUs)
		}
		if a.Clock != b.Clock {
			return
		}
		a.AtUs, a.UClockUs = a.AtUs+rapid.Int64Range(-1e9, 1e9).Draw(t, "offset"), 1e6
		if us2, u2 := b.Since(a); us2 != us || u2 != u {
			t.Fatalf("the offset of the clock changed the difference from %d +/- %g to %d +/- %g us", us, u, us2, u2)
		}
	})
}

func TestMoved(t *testing.T) {
	s := passage.Stamp{AtUs: 1_000_500, RawUs: 500, Clock: "house/1", UUs: 10, UClockUs: 7, Skew: 1e-5, USkew: 1e-6}
	want := s
	want.AtUs, want.RawUs, want.UUs = 988_155, -11_845, 321
	if got := s.Moved(-12_345.4, 321); got != want {
		t.Errorf("moved: %+v, want %+v", got, want)
	}
}
