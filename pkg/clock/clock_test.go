package clock_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/clock"
	"rainhill/testdata/reference"
)

func us(s float64) int64 { return int64(math.Round(s * 1e6)) }

// E01: RFC 5905 section 8; the example of RFC errata 5020, which shows that the
// sign of (t3-t4) matters.
func TestOffsetOfEqualClocks(t *testing.T) {
	c := reference.Load(t, "E01")
	var s [4]float64
	for i, name := range []string{"T1", "T2", "T3", "T4"} {
		c.Input(t, name, &s[i])
	}
	offset, delay := clock.Offset(us(s[0]), us(s[1]), us(s[2]), us(s[3]))
	c.Check(t, "offset theta = ((T2-T1)+(T3-T4))/2", float64(offset)/1e6)
	c.Check(t, "delay delta = (T4-T1)-(T3-T2)", float64(delay)/1e6)
}

// E02: RFC 5905 section 8, an agent behind, and microseconds since 1970.
func TestOffsetIsExactAtLongEpochs(t *testing.T) {
	c := reference.Load(t, "E02")
	var a struct{ T1, T2, T3, T4 float64 }
	var b clock.Exchange
	c.Input(t, "a", &a)
	c.Input(t, "b", &b)
	offset, delay := clock.Offset(us(a.T1), us(a.T2), us(a.T3), us(a.T4))
	c.Check(t, "a.offset s", float64(offset)/1e6)
	c.Check(t, "a.delay s", float64(delay)/1e6)
	offset, delay = clock.Offset(b.T1Us, b.T2Us, b.T3Us, b.T4Us)
	c.Check(t, "b.offset us", float64(offset))
	c.Check(t, "b.delay us", float64(delay))
}

func TestHalfAMicrosecondRoundsDown(t *testing.T) {
	for _, c := range []struct{ t2, t3, want int64 }{{10, 13, 6}, {-13, -10, -17}, {0, 1, -5}} {
		if got, _ := clock.Offset(0, c.t2, c.t3, 11); got != c.want {
			t.Errorf("t2 %d, t3 %d: offset %d, want %d", c.t2, c.t3, got, c.want)
		}
	}
}

// E03: the error of an uneven way, from the formulae of RFC 5905.
func TestAsymmetryStaysWithinHalfTheDelay(t *testing.T) {
	c := reference.Load(t, "E03")
	var there, back float64
	c.Input(t, "forward_delay_ms", &there)
	c.Input(t, "return_delay_ms", &back)
	offset, delay := clock.Offset(0, us(there/1e3), us(there/1e3), us((there+back)/1e3))
	c.Check(t, "measured offset ms = (forward-return)/2", float64(offset)/1e3)
	c.Check(t, "delay ms", float64(delay)/1e3)
	c.Check(t, "bound |error| <= delay/2, ms", float64(delay)/2e3)
}

// exchange is one with the given offset and delay, the bus replying at once.
func exchange(t2, offset, delay int64) clock.Exchange {
	t1 := t2 - offset - delay/2
	return clock.Exchange{T1Us: t1, T2Us: t2, T3Us: t2, T4Us: t1 + delay}
}

// E04: the clock filter of RFC 5905 section 10, the sample with the least delay.
func TestFilterTrustsTheLeastDelay(t *testing.T) {
	c := reference.Load(t, "E04")
	var samples [][2]float64
	c.Input(t, "samples_offset_delay_s", &samples)
	var f clock.Filter
	for i, s := range samples {
		f = f.Add(exchange(1_700_000_000_000_000+int64(i)*16_000_000, us(s[0]), us(s[1])))
	}
	offset, delay, ok := f.Best()
	if !ok {
		t.Fatal("nothing kept")
	}
	c.Check(t, "chosen offset", float64(offset)/1e6)
	c.Check(t, "chosen delay", float64(delay)/1e6)
	c.Leave(t, "mean offset (for contrast)", "not used")
	c.Leave(t, "median offset (for contrast)", "not used")
}

func TestFilterKeepsEight(t *testing.T) {
	f := clock.Filter{}.Add(exchange(1e6, 500, 100)) // best, and soon too old
	for i := range int64(8) {
		if offset, _, _ := f.Best(); offset != 500 {
			t.Fatalf("after %d more: offset %d, want 500", i, offset)
		}
		f = f.Add(exchange(2e6+i*1e6, 700, 900))
	}
	if offset, delay, _ := f.Best(); offset != 700 || delay != 900 || len(f.Kept) != 8 {
		t.Errorf("offset %d, delay %d, %d kept, want 700, 900, 8", offset, delay, len(f.Kept))
	}
}

func TestFilterStartsAnewWhenAClockWasSet(t *testing.T) {
	var f clock.Filter
	for i := range int64(4) {
		f = f.Add(exchange(1e9+i*1e6, 1000, 200))
	}
	f = f.Add(exchange(1e9+5e6, 3_600_001_000, 900)) // an hour later by the agent
	if offset, _, _ := f.Best(); offset != 3_600_001_000 || len(f.Kept) != 1 {
		t.Errorf("offset %d with %d kept, want the new clock alone", offset, len(f.Kept))
	}
	f = f.Add(exchange(1e9+1e9+5e6, 3_600_001_000+400_000, 900)) // 400 ppm over 1000 s is skew
	if len(f.Kept) != 2 {
		t.Errorf("skew was taken for a clock set")
	}
}

func TestFilterLeavesOutTheImpossible(t *testing.T) {
	f := clock.Filter{}.Add(exchange(1e9, 1000, 200))
	for name, ex := range map[string]clock.Exchange{
		"agent runs backwards": {T1Us: 10, T2Us: 5, T3Us: 5, T4Us: 9},
		"bus runs backwards":   {T1Us: 10, T2Us: 5, T3Us: 4, T4Us: 19},
		"negative delay":       {T1Us: 10, T2Us: 5, T3Us: 50, T4Us: 19},
	} {
		if got := f.Add(ex); len(got.Kept) != 1 {
			t.Errorf("%s: kept", name)
		}
	}
}

func TestUncertainty(t *testing.T) {
	if u := (clock.Filter{}).UUs(); !math.IsNaN(u) {
		t.Errorf("nothing kept: u = %g, want NaN", u)
	}
	if _, _, ok := (clock.Filter{}).Best(); ok {
		t.Error("nothing kept, and yet a best")
	}
	// By hand: half the delay as a rectangular bound, 600/sqrt(3), and the resolution.
	f := clock.Filter{}.Add(exchange(1e9, 0, 1200))
	want := math.Sqrt(600*600/3.0 + 1.0/12)
	if u := f.UUs(); math.Abs(u-want) > 1e-9 {
		t.Errorf("one exchange: u = %g, want %g", u, want)
	}
	// A late one that its delay explains adds nothing but its count.
	if u := f.Add(exchange(1e9+1e6, 40_000, 81_200)).UUs(); math.Abs(u-want) > 1e-9 {
		t.Errorf("with an explained one: u = %g, want %g", u, want)
	}
	// One that it does not explain is scatter: 300 us beyond, in one of two.
	want = math.Sqrt(want*want + 300*300/2.0)
	if u := f.Add(exchange(1e9+1e6, 300, 1200)).UUs(); math.Abs(u-want) > 1e-6 {
		t.Errorf("with scatter: u = %g, want %g", u, want)
	}
}

func TestFilterIsAValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var f clock.Filter
		for i := range rapid.IntRange(1, 20).Draw(t, "n") {
			before := slices.Clone(f.Kept)
			ex := exchange(int64(i+1)*1e7, rapid.Int64Range(-400, 400).Draw(t, "offset"), rapid.Int64Range(0, 1e5).Draw(t, "delay"))
			next := f.Add(ex)
			f.Add(exchange(1, 7, 7))
			if !slices.Equal(f.Kept, before) {
				t.Fatal("Add changed the old filter")
			}
			f = next
			neverWorseThanItsBest(t, f)
		}
		var back clock.Filter
		b, err := json.Marshal(f)
		if err == nil {
			err = json.Unmarshal(b, &back)
		}
		if err != nil || !slices.Equal(back.Kept, f.Kept) {
			t.Fatalf("does not survive JSON: %v, %s", err, b)
		}
	})
}

func neverWorseThanItsBest(t *rapid.T, f clock.Filter) {
	_, delay, ok := f.Best()
	if !ok || len(f.Kept) > 8 {
		t.Fatalf("ok %v with %d kept", ok, len(f.Kept))
	}
	for _, ex := range f.Kept {
		if _, d := clock.Offset(ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us); d < delay {
			t.Fatalf("best has delay %d, one kept has %d", delay, d)
		}
	}
}

// Whatever the way does, the true offset lies within half the best delay.
func TestTrueOffsetIsWithinTheBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		truth := rapid.Int64Range(-1e12, 1e12).Draw(t, "offset")
		var f clock.Filter
		for i := range int64(8) {
			there, back := rapid.Int64Range(0, 1e5).Draw(t, "there"), rapid.Int64Range(0, 1e5).Draw(t, "back")
			t1 := int64(1e15) + i*1e6
			t2 := t1 + there + truth
			f = f.Add(clock.Exchange{T1Us: t1, T2Us: t2, T3Us: t2 + 50, T4Us: t1 + there + 50 + back})
		}
		offset, delay, _ := f.Best()
		if miss := max(offset-truth, truth-offset); 2*miss > delay+1 {
			t.Fatalf("misses by %d with a delay of %d", miss, delay)
		}
		if len(f.Kept) != 8 {
			t.Fatalf("only %d kept: an honest exchange was taken for a clock set", len(f.Kept))
		}
	})
}
