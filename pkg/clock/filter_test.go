package clock_test

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/clock"
)

func TestNothingKept(t *testing.T) {
	if fix, ok := (clock.Filter{}).At(5); ok || fix != (clock.Fix{}) {
		t.Errorf("nothing kept, and yet %v", fix)
	}
	if f := (clock.Filter{}).Since(5); f.Len() != 0 {
		t.Error("something since, of nothing")
	}
}

// One exchange tells the offset at its instant to half its delay; an hour later a crystal
// of 0 +/- 100 ppm may have parted by 0.36 s.
func TestOneExchangeIsHonest(t *testing.T) {
	f := clock.Filter{}.Add(exchange(1e15, 123_456, 1202))
	at, _ := f.At(1e15 - 123_456)
	later, _ := f.At(1e15 - 123_456 + 3_600_000_000)
	if at.OffsetUs != 123_456 || at.UUs < 601/math.Sqrt(3) || at.UUs > 601 {
		t.Errorf("at once: %+v", at)
	}
	if later.OffsetUs != at.OffsetUs || later.UUs < 360_000 || later.UUs > 800_000 || later.USkew < 100e-6 {
		t.Errorf("an hour later: %+v", later)
	}
}

// Two exchanges a second apart with 1 ms of noise would make a skew of 1000 ppm.
func TestTwoCloseExchangesGiveNoWildSkew(t *testing.T) {
	f := clock.Filter{}.Add(exchange(1e15, 0, 2000)).Add(exchange(1e15+1e6, 900, 2000))
	if fix, _ := f.At(1e15); math.Abs(fix.Skew) > 50e-6 || fix.USkew < 50e-6 {
		t.Errorf("skew %g +/- %g", fix.Skew, fix.USkew)
	}
}

func TestMillisecondClocksAreTold(t *testing.T) {
	var f clock.Filter
	for i := range int64(20) {
		t1 := int64(1e15) + i*7_000_000
		f = f.Add(clock.Exchange{T1Us: t1, T2Us: t1 + 437, T3Us: t1 + 440, T4Us: t1 + 1000})
	}
	if fix, _ := f.At(1e15); fix.UCommonUs < 1000/math.Sqrt(12) {
		t.Errorf("u of what is common is %g us for a clock that counts milliseconds", fix.UCommonUs)
	}
}

func TestFilterLeavesOutTheImpossible(t *testing.T) {
	f := clock.Filter{}.Add(exchange(1e9, 1000, 200))
	for name, ex := range map[string]clock.Exchange{
		"agent runs backwards": {T1Us: 10, T2Us: 5, T3Us: 5, T4Us: 9},
		"bus runs backwards":   {T1Us: 10, T2Us: 5, T3Us: 4, T4Us: 19},
		"negative delay":       {T1Us: 10, T2Us: 5, T3Us: 50, T4Us: 19},
		"beyond all time":      {T1Us: math.MinInt64, T2Us: 5, T3Us: 5, T4Us: math.MaxInt64},
	} {
		if got := f.Add(ex); !reflect.DeepEqual(got, f) {
			t.Errorf("%s: taken", name)
		}
	}
}

func TestSinceForgets(t *testing.T) {
	var f clock.Filter
	for i := range int64(10) {
		f = f.Add(exchange(1e15+i*10_000_000, 500+i*100, 800))
	}
	late := f.Since(1e15 + 70_000_000)
	var alone clock.Filter
	for i := int64(7); i < 10; i++ {
		alone = alone.Add(exchange(1e15+i*10_000_000, 500+i*100, 800))
	}
	if late.Len() != 3 || f.Len() != 10 || late.Line != alone.Line {
		t.Errorf("%d kept of %d: %+v, want %+v", late.Len(), f.Len(), late.Line, alone.Line)
	}
	if none := f.Since(2e15); none.Len() != 0 || none.Epoch != f.Epoch {
		t.Errorf("%+v", none)
	}
}

// An exchange that was long on its way and comes after newer ones still counts.
func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	a, b, c := exchange(1e15, 500, 800), exchange(1e15+10e6, 600, 900), exchange(1e15+20e6, 700, 1000)
	x, y := clock.Filter{}.Add(a).Add(b).Add(c), clock.Filter{}.Add(a).Add(c).Add(b)
	if x.Line != y.Line || !slices.Equal(x.Kept, y.Kept) {
		t.Errorf("%+v, in another order %+v", x.Line, y.Line)
	}
}

func TestOldAndSurplusExchangesAreLetGo(t *testing.T) {
	var f clock.Filter
	for i := range int64(2000) {
		f = f.Add(exchange(1e15+i*1_000_000, 500, 800+i%17))
		if f.Len() > clock.Most {
			t.Fatalf("%d kept", f.Len())
		}
	}
	first, last := f.Kept[0].T2Us, f.Kept[f.Len()-1].T2Us
	if span := last - first; span > 600_000_000 || span < 450_000_000 || f.Len() < clock.Most-2 {
		t.Errorf("%d kept over %d s", f.Len(), span/1_000_000)
	}
	var sum int64
	for _, ex := range f.Kept {
		sum += ex.T4Us - ex.T1Us
	}
	if mean := float64(sum) / float64(f.Len()); mean > 803 { // of all of them: 808
		t.Errorf("the kept ones have a mean delay of %g us, there were better ones", mean)
	}
}

func TestFilterIsAValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(rapid.Uint64().Draw(t, "seed"))
		var f clock.Filter
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			before := clone(t, f)
			next := f.Add(r.exchange())
			f.Add(exchange(1, 7, 7))
			f.Since(math.MaxInt64)
			if !reflect.DeepEqual(f, before) {
				t.Fatal("Add changed the old filter, or it does not survive JSON")
			}
			f = next
			r.pass(rapid.Float64Range(0.1, 60).Draw(t, "dt"))
			if rapid.IntRange(0, 30).Draw(t, "set") == 0 {
				r.set(rapid.Float64Range(-5, 5).Draw(t, "by"))
			}
		}
	})
}

func clone(t interface{ Fatal(...any) }, f clock.Filter) (back clock.Filter) {
	b, err := json.Marshal(f)
	if err == nil {
		err = json.Unmarshal(b, &back)
	}
	if err != nil {
		t.Fatal(err)
	}
	return back
}

// On any schedule: the interval holds the truth nearly always, one of six uncertainties always,
// and what it says of the past is not surer than what it says of now.
func TestAnySchedule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(rapid.Uint64().Draw(t, "seed"))
		var f clock.Filter
		for range rapid.IntRange(1, 80).Draw(t, "n") {
			f = f.Add(r.exchange())
			r.pass(rapid.Float64Range(0.05, 120).Draw(t, "dt"))
			raw, truth := r.now()
			fix, ok := f.At(raw)
			if !ok || math.Abs(fix.OffsetUs-truth) > 6*fix.UUs || math.Abs(fix.Skew-r.skew) > 8*fix.USkew {
				t.Fatalf("%+v, true offset %g, skew %g", fix, truth, r.skew)
			}
		}
		if f.Epoch != 0 {
			t.Fatalf("%d steps seen where there was none", f.Epoch)
		}
	})
}

func FuzzAdd(f *testing.F) {
	f.Add([]byte("any bytes, eight a stamp"))
	f.Add(binary.LittleEndian.AppendUint64(nil, math.MaxInt64))
	edge := []int64{-1 << 60, 1 << 60, 1 << 60, 1 << 60, 0, 0, 0, 1 << 60, 5, -1 << 60, -1 << 60, 7}
	var b []byte
	for _, x := range edge {
		b = binary.LittleEndian.AppendUint64(b, uint64(x))
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		var fl clock.Filter
		for len(b) >= 32 {
			var s [4]int64
			for i := range s {
				s[i] = int64(binary.LittleEndian.Uint64(b[8*i:]))
			}
			b = b[8:]
			fl = fl.Add(clock.Exchange{T1Us: s[0], T2Us: s[1], T3Us: s[2], T4Us: s[3]})
			for _, raw := range []int64{s[0], 0, math.MinInt64, math.MaxInt64} {
				fix, ok := fl.At(raw)
				if ok && !(finite(fix.OffsetUs, fix.Skew) && fix.UUs > 0 && fix.USkew > 0 && finite(fix.UUs, fix.USkew)) {
					t.Fatalf("at %d: %+v of %+v", raw, fix, fl)
				}
			}
		}
		if !reflect.DeepEqual(clone(t, fl), fl) {
			t.Fatal("does not survive JSON")
		}
	})
}

func finite(x ...float64) bool {
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func BenchmarkAdd(b *testing.B) {
	r := newRig(1)
	var f clock.Filter
	for b.Loop() {
		f = f.Add(r.exchange())
		r.pass(3)
	}
}

func BenchmarkAt(b *testing.B) {
	r := newRig(1)
	var f clock.Filter
	for range 50 {
		f = f.Add(r.exchange())
		r.pass(3)
	}
	raw, _ := r.now()
	b.ReportAllocs()
	for b.Loop() {
		f.At(raw)
	}
}
