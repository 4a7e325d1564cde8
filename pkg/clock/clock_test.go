package clock_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

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
	fix, ok := clock.Filter{}.Add(b).At(b.T1Us + (b.T4Us-b.T1Us)/2)
	if !ok || fix.OffsetUs != float64(offset) {
		t.Errorf("a filter of b alone: %v, %v", fix.OffsetUs, ok)
	}
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
	ex := clock.Exchange{T2Us: us(there / 1e3), T3Us: us(there / 1e3), T4Us: us((there + back) / 1e3)}
	offset, delay := clock.Offset(ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us)
	c.Check(t, "measured offset ms = (forward-return)/2", float64(offset)/1e3)
	c.Check(t, "delay ms", float64(delay)/1e3)
	c.Check(t, "bound |error| <= delay/2, ms", float64(delay)/2e3)
	// GUM 4.3.7: a bound of a either way has a standard uncertainty of a/sqrt(3).
	if fix, _ := (clock.Filter{}).Add(ex).At(0); fix.UCommonUs < 5000/math.Sqrt(3) || fix.UCommonUs > 5000 {
		t.Errorf("u of what is common is %g us, want at least %g", fix.UCommonUs, 5000/math.Sqrt(3))
	}
}

// exchange is one with the given offset and delay, the bus replying at once.
func exchange(t2, offset, delay int64) clock.Exchange {
	t1 := t2 - offset - delay/2
	return clock.Exchange{T1Us: t1, T2Us: t2, T3Us: t2, T4Us: t1 + delay}
}

// E04: the clock filter of RFC 5905 section 10 takes the sample with the least delay alone.
// This one weighs all by their delays: it must land nearer to that sample than
// the mean and the median do, and within its own interval.
func TestFilterTrustsTheLeastDelay(t *testing.T) {
	c := reference.Load(t, "E04")
	var samples [][2]float64
	c.Input(t, "samples_offset_delay_s", &samples)
	var f clock.Filter
	for i, s := range samples {
		f = f.Add(exchange(1_700_000_000_000_000+int64(i)*16_000_000, us(s[0]), us(s[1])))
	}
	least := slices.MinFunc(f.Kept, func(a, b clock.Exchange) int { return int((a.T4Us - a.T1Us) - (b.T4Us - b.T1Us)) })
	offset, delay := clock.Offset(least.T1Us, least.T2Us, least.T3Us, least.T4Us)
	c.Check(t, "chosen offset", float64(offset)/1e6)
	c.Check(t, "chosen delay", float64(delay)/1e6)
	fix, _ := f.At(least.T1Us)
	off := math.Abs(fix.OffsetUs - float64(offset))
	if off > 1.96*fix.UUs {
		t.Errorf("%g us from the sample of the least delay, u %g", off, fix.UUs)
	}
	for _, name := range []string{"mean offset (for contrast)", "median offset (for contrast)"} {
		c.Leave(t, name, "nearer to the chosen one than this")
		if contrast := expected(t, c, name) * 1e6; off >= math.Abs(contrast-float64(offset)) {
			t.Errorf("%g us from the sample of the least delay: no better than the %s", off, name)
		}
	}
}

func expected(t *testing.T, c *reference.Case, name string) (x float64) {
	t.Helper()
	for _, e := range c.Expected {
		if e.Name == name && json.Unmarshal(e.Value, &x) == nil {
			return x
		}
	}
	t.Fatalf("%s expects no number %q", c.ID, name)
	return 0
}

// E05 and E06: exact rational least squares, and the median of pairwise slopes by a numerical
// library. The tracker without wander, noise weights and belief is least squares;
// the median of slopes (Theil and Sen) is a second opinion that only tests use.
func TestStraightLines(t *testing.T) {
	for _, id := range []string{"E05", "E06"} {
		c := reference.Load(t, id)
		var at, z []float64
		c.Input(t, "t_s", &at)
		c.Input(t, "offset_s", &z)
		intercept, slope, v := clock.LeastSquares(at, z)
		var ss float64
		for i := range at {
			r := z[i] - intercept - slope*at[i]
			ss += r * r
		}
		c.Check(t, "least squares intercept s", intercept)
		c.Check(t, "least squares slope s/s", slope)
		c.Check(t, "se(slope)", math.Sqrt(v*ss/float64(len(at)-2)))
		c.Check(t, "Theil-Sen slope (median of pairwise slopes)", medianSlope(at, z))
	}
}

func medianSlope(t, z []float64) float64 {
	var s []float64
	for i := range t {
		for k := range i {
			s = append(s, (z[i]-z[k])/(t[i]-t[k]))
		}
	}
	slices.Sort(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// E06 as exchanges: the one outlier, 5.6 ms off with a delay that does not explain it,
// must not bend the line, nor look like a step.
func TestOutlierDoesNotBendTheLine(t *testing.T) {
	c := reference.Load(t, "E06")
	var at, z []float64
	c.Input(t, "t_s", &at)
	c.Input(t, "offset_s", &z)
	var f clock.Filter
	for i := range at {
		f = f.Add(exchange(1_700_000_000_000_000+us(at[i]), us(z[i]), 400+int64(i%2)))
	}
	fix, _ := f.At(1_700_000_000_000_000)
	want := expected(t, c, "Theil-Sen slope (median of pairwise slopes)")
	for _, e := range c.Expected {
		c.Leave(t, e.Name, "looked at in TestStraightLines")
	}
	if math.Abs(fix.Skew-want) > 1e-6 || f.Epoch != 0 || f.Len() != len(at)-1 {
		t.Errorf("skew %g +/- %g, epoch %d, %d kept; want %g, epoch 0, all but one", fix.Skew, fix.USkew, f.Epoch, f.Len(), want)
	}
}

// E07: RFC 5905 section 6 and arithmetic.
func TestDriftOfALine(t *testing.T) {
	c := reference.Load(t, "E07")
	var ppm, minutes float64
	c.Input(t, "ppm", &ppm)
	c.Input(t, "minutes", &minutes)
	l := clock.Line{RefUs: 1_700_000_000_000_000, BaseUs: 5, Skew: ppm / 1e6}
	moved := l.OffsetUs(l.RefUs+us(60*minutes)) - l.OffsetUs(l.RefUs)
	c.Check(t, "drift of a 50 ppm clock over 20 min, s", moved/1e6)
	for _, name := range []string{"seconds from 1900-01-01 to 1970-01-01", "NTP fraction 0x80000000 in s", "resolution of a 2^-32 s fraction, s"} {
		c.Leave(t, name, "instants are microseconds since 1970 everywhere: no such stamp is read")
	}
}

// E08: made data, arithmetic to first order.
func TestCrossingOnTheBusClock(t *testing.T) {
	c := reference.Load(t, "E08")
	var stamp, sync, offset, fast float64
	c.Input(t, "sensor_stamp_s", &stamp)
	c.Input(t, "sync_at_sensor_s", &sync)
	c.Input(t, "offset_at_sync_s", &offset)
	c.Input(t, "skew_ppm_sensor_fast", &fast)
	l := clock.Line{RefUs: us(sync), BaseUs: us(offset), Skew: -fast / 1e6}
	c.Check(t, "server time s", (stamp*1e6+l.At(us(stamp)).OffsetUs)/1e6)
	c.Check(t, "server time s", (stamp*1e6+l.OffsetUs(us(stamp)))/1e6)
}

// The same clock, learnt: exchanges of a clock 38 ppm fast, one every 10 s.
func TestFilterLearnsTheSkew(t *testing.T) {
	var f clock.Filter
	const start = 1_700_000_000_000_000
	for i := range int64(30) {
		f = f.Add(exchange(start+i*10_000_000, -12_500_400-i*380, 600))
	}
	fix, _ := f.At(start + 290_000_000 + 12_500_400 + 34_250_000)
	want := -12_500_400 - 29*380 - 38*34.25
	if math.Abs(fix.Skew+38e-6) > 0.1e-6 || math.Abs(fix.OffsetUs-want) > 20 || fix.UUs > 250 {
		t.Errorf("%+v, want an offset of %g and -38 ppm", fix, want)
	}
}
