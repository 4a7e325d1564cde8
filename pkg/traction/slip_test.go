package traction_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/traction"
)

// lapsOf are laps whose ends are off by their instants' errors, so that neighbours
// share one; the true slip scatters by sd about truth.
func lapsOf(rng *rand.Rand, n int, truth, sd, uS float64) (laps []traction.Part) {
	const length, speed = 6000.0, 400.0
	off := uS * rng.NormFloat64()
	for i := range n {
		next := uS * rng.NormFloat64()
		slip := truth + sd*rng.NormFloat64()
		wheel := length*(1+slip) + speed*(next-off)
		off = next
		v, u := traction.SlipOf(wheel, 0, length, length/speed, math.Sqrt2*uS)
		laps = append(laps, traction.Part{Value: v, U: u, LengthMm: length, Seconds: length / speed, Lap: i})
	}
	return laps
}

// The interval of the mean slip holds its truth, wheels and lap length being off by
// what is said of them.
func TestMeanSlipHolds(t *testing.T) {
	for _, c := range []struct{ sd, uS, common float64 }{{0.0005, 0.001, 0}, {0.0001, 0.004, 0.0005}, {0.001, 0.001, 0.003}} {
		for _, n := range []int{3, 8, 30} {
			held := 0
			const runs = 400
			for seed := range uint64(runs) {
				rng := rand.New(rand.NewPCG(seed, uint64(n)))
				common := c.common * rng.NormFloat64()
				e := traction.Mean(lapsOf(rng, n, 0.01+common, c.sd, c.uS), c.common)
				if e.Lo <= 0.01 && 0.01 <= e.Hi {
					held++
				}
			}
			share := float64(held) / runs
			t.Logf("scatter %g, instants %g s, common %g, %2d laps: %.3f", c.sd, c.uS, c.common, n, share)
			if share < 0.92 {
				t.Errorf("scatter %g, instants %g s, common %g, %d laps: the intervals hold in %.3f", c.sd, c.uS, c.common, n, share)
			}
		}
	}
}

// A lap whose end was bridged, and is known to half a second only, hardly counts.
func TestAnInferredLapHardlyCounts(t *testing.T) {
	laps := lapsOf(rand.New(rand.NewPCG(1, 1)), 12, 0.01, 0.0003, 0.001)
	before := traction.Mean(laps, 0)
	laps[4].Value, laps[4].U = 0.05, 0.03
	laps[5].Value, laps[5].U = -0.03, 0.03
	after := traction.Mean(laps, 0)
	if math.Abs(after.Value-before.Value) > 0.0005 || after.U > 2*before.U {
		t.Errorf("%+v, without it %+v", after, before)
	}
}

func TestOfNothing(t *testing.T) {
	if e := traction.Mean(nil, 0); !math.IsNaN(e.Value) || e.Told() {
		t.Errorf("%+v of no laps", e)
	}
	one := traction.Mean([]traction.Part{{Value: 0.01, U: 0.001}}, 0.002)
	if one.Value != 0.01 || math.Abs(one.U-math.Hypot(0.002, math.Sqrt2*0.001)) > 1e-9 || one.Told() != (one.Lo > 0) {
		t.Errorf("%+v of one lap", one)
	}
	if rows, blurred := traction.By(nil, 0, 1, true); len(rows) != 0 || blurred {
		t.Errorf("%+v of nothing", rows)
	}
	for _, v := range []float64{traction.Slip(1, 0), traction.Desync(0, 0)} {
		if !math.IsNaN(v) {
			t.Errorf("%g of a train that stands", v)
		}
	}
}

// stretches are those of laps between gates at the shares of curve given.
func stretches(rng *rand.Rand, laps int, shares []float64, duty func(lap int) float64, slip func(share float64, lap int) float64) (parts []traction.Part) {
	for lap := range laps {
		for i, share := range shares {
			parts = append(parts, traction.Part{
				Value: slip(share, lap) + 0.0004*rng.NormFloat64(), U: 0.0004, LengthMm: 1500, Seconds: 1500 / duty(lap), Lap: lap,
				From: i, To: (i + 1) % len(shares), Share: share, Duty: duty(lap),
			})
		}
	}
	return parts
}

// Slip on straights and on curves is had from stretches that have something of both.
func TestByPlace(t *testing.T) {
	held, n := 0, 0
	for seed := range uint64(150) {
		rng := rand.New(rand.NewPCG(seed, 8))
		parts := stretches(rng, 12, []float64{0.1, 0.8, 0.2, 0.9}, func(int) float64 { return 600 }, func(share float64, _ int) float64 { return 0.004 + 0.006*share })
		rows, blurred := traction.By(parts, 0, 0, true)
		if blurred || len(rows) != 3 {
			t.Fatalf("%+v", rows)
		}
		for i, want := range []float64{0.004 + 0.006*0.5, 0.004, 0.010} {
			if e := rows[i].Value; e.Lo <= want && want <= e.Hi {
				held++
			}
			n++
		}
		if rows[1].Place != traction.Straight || rows[2].Place != traction.Curve || rows[0].N != 48 {
			t.Fatalf("%+v", rows)
		}
	}
	if share := float64(held) / float64(n); share < 0.93 {
		t.Errorf("the intervals hold in %.3f", share)
	}
	rng := rand.New(rand.NewPCG(1, 9))
	rows, blurred := traction.By(stretches(rng, 5, []float64{0.5, 0.52}, func(int) float64 { return 600 }, func(float64, int) float64 { return 0.01 }), 0, 1, true)
	if !blurred || !math.IsNaN(rows[1].Value.Value) || math.IsNaN(rows[0].Value.Value) {
		t.Errorf("without contrast: %+v, %v", rows, blurred)
	}
}

// Gates that stand a millimetre wrong do not come into whole laps, and do into stretches.
func TestGatesCancelOverALap(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	parts := stretches(rng, 20, []float64{0, 1, 0, 1}, func(int) float64 { return 600 }, func(float64, int) float64 { return 0.01 })
	with, _ := traction.By(parts, 0, 1, true)
	without, _ := traction.By(parts, 0, 0, true)
	if math.Abs(with[0].Value.U-without[0].Value.U) > 1e-12 {
		t.Errorf("over whole laps u is %g with gates, %g without", with[0].Value.U, without[0].Value.U)
	}
	if with[1].Value.U < 1/1500.0/2 || with[1].Value.U < 2*without[1].Value.U {
		t.Errorf("on straights u is %g with gates, %g without", with[1].Value.U, without[1].Value.U)
	}
}

// Throttles and speeds make few classes, in order.
func TestClasses(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	duty := func(lap int) float64 { return []float64{400, 405, 640, 900}[lap/6] }
	rows, _ := traction.By(stretches(rng, 24, []float64{0, 1}, duty, func(_ float64, lap int) float64 { return duty(lap) / 1e5 }), 0, 1, false)
	if len(rows) != 3 {
		t.Fatalf("%d classes: %+v", len(rows), rows)
	}
	for i, want := range []float64{402.5, 640, 900} {
		if math.Abs(rows[i].Duty-want) > 1 || math.Abs(rows[i].Value.Value-want/1e5) > 0.0003 {
			t.Errorf("class %d: %+v, want throttle %g", i, rows[i], want)
		}
	}
	parts := stretches(rng, 12, []float64{0}, func(lap int) float64 { return []float64{300, 600}[lap/6] }, func(float64, int) float64 { return 0.01 })
	for i := range parts {
		parts[i].Duty = math.NaN()
	}
	untold, _ := traction.By(parts, 0, 1, false)
	if len(untold) != 2 || math.Abs(untold[0].SpeedMmS-300) > 1 || math.Abs(untold[1].SpeedMmS-600) > 1 || !math.IsNaN(untold[0].Duty) {
		t.Errorf("no throttle told: %+v", untold)
	}
}

func TestShareOfCurve(t *testing.T) {
	pieces := []circuit.Piece{{StraightMm: 1000}, {RadiusMm: 1000 / math.Pi, AngleDeg: 180}, {StraightMm: 1000}, {RadiusMm: 1000 / math.Pi, AngleDeg: 180}}
	c, ok := traction.NewCurves(pieces, 4000)
	if !ok {
		t.Fatal("no curves")
	}
	for _, x := range []struct {
		from, mm, length float64
		back             bool
		want             float64
	}{
		{400, 500, 300, false, 0}, {1500, 400, 300, false, 1}, {0, 4000, 300, false, 0.5}, {3900, 8000, 500, false, 0.5},
		{1000, 200, 400, false, 0.25}, // the front comes on from 0 to a half
		{500, 1000, 200, true, 0.4},   // backwards over the start, its body ahead of it: from 500 to -500
	} {
		if got := c.Share(x.from, x.mm, x.length, x.back); math.Abs(got-x.want) > 0.01 {
			t.Errorf("%+v: %.4f", x, got)
		}
	}
	if _, ok := traction.NewCurves([]circuit.Piece{{StraightMm: 100}}, 100); ok {
		t.Error("a straight has curves")
	}
}

// By hand: without counts, without laps, by currents of a motor whose curve is known.
func TestMeasureWheels(t *testing.T) {
	const lap, per = 6000.0, 0.1
	run := traction.WheelRun{DiameterMm: per * 12 * 15 / math.Pi, Gear: 15, CountsPerRev: 12, LapMm: lap, ULapMm: 3, LocoG: 2000, WeightG: 1800, NoLoadMa: 40, UNoLoadMa: 1}
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range 30 {
		mass, ma := 2000.0, 60.0
		if i >= 15 {
			mass, ma = 4000, 80
		}
		creep := 0.001 * (ma - 40) / 20 // and the wheel is 0.3 % larger than stated
		counts := lap * (1 + creep) / (1.003 * per) * (1 + 0.00003*rng.NormFloat64())
		run.Laps = append(run.Laps, traction.WheelLap{Counts: -counts, UCounts: 0.4, Seconds: 20, USeconds: 0.001, Ma: ma, TrainG: mass})
	}
	w := traction.MeasureWheels([]traction.WheelRun{run})[0]
	want := 1.003 * run.DiameterMm
	if math.Abs(w.Diameter.Value/want-1) > 0.0002 || w.Diameter.Lo > want || w.Diameter.Hi < want || w.Laps != 30 {
		t.Errorf("%+v, want %g", w, want)
	}
	if share := want * 3 / lap; math.Abs(w.Diameter.U*w.Diameter.U-w.UMm*w.UMm-share*share) > 1e-6 {
		t.Errorf("u %g is not %g with the lap length's %g", w.Diameter.U, w.UMm, share)
	}
	short := run
	short.Laps = run.Laps[20:22]
	short.NoLoadMa = math.NaN()
	says(t, traction.MeasureWheels([]traction.WheelRun{short})[0].Doubts, "short", "heavy", "current of no load is not known")
	none := run
	none.Gear = 0
	says(t, traction.MeasureWheels([]traction.WheelRun{none})[0].Doubts, "gear_ratio")
	none = run
	none.Laps = nil
	says(t, traction.MeasureWheels([]traction.WheelRun{none})[0].Doubts, "no counting lap")
	bare := run
	bare.Laps = nil
	for _, l := range run.Laps[:15] {
		l.Ma, l.TrainG, l.Seconds = math.NaN(), 0, 10
		bare.Laps = append(bare.Laps, l)
	}
	bare.LocoG, bare.WeightG, bare.ULapMm = 0, 0, 0
	x := traction.MeasureWheels([]traction.WheelRun{bare})[0]
	says(t, x.Doubts, "fast", "masses are not stated", "no current", "lap length has no uncertainty")
	if math.Abs(x.Diameter.Value/want-1) > 0.002 || !(x.UMm > w.UMm) {
		t.Errorf("%+v, want about %g", x, want)
	}
}

func says(t *testing.T, doubts []string, words ...string) {
	t.Helper()
	all := strings.Join(doubts, "; ")
	for _, w := range words {
		if !strings.Contains(all, w) {
			t.Errorf("nothing of %q is said in: %s", w, all)
		}
	}
}

// momentsOf is laps of a motor by U = I R + k v, on a stiff supply or held at a speed.
func momentsOf(rng *rand.Rand, n int, held float64, volts, noiseMa float64) (laps []traction.Moments) {
	const ohm, k = 3.5, 0.008 // k in V per count/s
	for range n {
		var v, i, u [20]float64
		for b := range v {
			i[b] = 0.2 + 0.03*math.Sin(float64(b)) + 0.01*rng.NormFloat64()
			free := (volts - i[b]*ohm) / k
			v[b] = free + held*((volts-0.2*ohm)/k-free)
			u[b] = i[b]*ohm + k*v[b]
			i[b] += noiseMa / 1000 * rng.NormFloat64()
		}
		laps = append(laps, momentsFrom(v[:], i[:], u[:], volts, noiseMa))
	}
	return laps
}

func momentsFrom(v, i, u []float64, volts, noiseMa float64) (m traction.Moments) {
	n := float64(len(v))
	m.N, m.Holds, m.NoiseMa2 = len(v), 1, noiseMa*noiseMa
	duty := func(b int) float64 { return 1000 * u[b] / (2 * volts) }
	for b := range v {
		m.V, m.I, m.U, m.D = m.V+v[b]/n, m.I+1e3*i[b]/n, m.U+1e3*u[b]/n, m.D+duty(b)/n
	}
	for b := range v {
		dv, di, du, dd := v[b]-m.V, 1e3*i[b]-m.I, 1e3*u[b]-m.U, duty(b)-m.D
		m.VV, m.VI, m.VD = m.VV+dv*dv, m.VI+dv*di, m.VD+dv*dd
		m.II, m.IU, m.ID, m.DD = m.II+di*di, m.IU+di*du, m.ID+di*dd, m.DD+dd*dd
	}
	return m
}

func TestRegulatedByFormula(t *testing.T) {
	nan := math.NaN()
	d := traction.Drive{DiameterMm: 30, Gear: 15, CountsPerRev: 48, Efficiency: 0.8, UEfficiency: 0.02, ROhm: nan, KVS: nan}
	per := traction.MmPerCount(30, 15, 48)
	bare := 3.5 / 0.008 * per // R/k at the rim, mm/s per A
	rng := rand.New(rand.NewPCG(5, 5))
	free := traction.Regulated(momentsOf(rng, 20, 0, 5, 3), d, 0.2)
	if free.Verdict != traction.IsUnregulated || math.Abs(free.DroopA.Value/bare-1) > 0.05 || free.DroopA.Lo > bare || free.DroopA.Hi < bare {
		t.Errorf("%+v, want %g mm/s per A", free, bare)
	}
	// k in V s: 0.008 V per count/s over 2 pi/48 rad a count; newtons an ampere k gear eff/r.
	newtons := 0.008 * 48 / (2 * math.Pi) * 15 * 0.8 / 0.015
	if want := bare / newtons; free.Droop.Lo > want || free.Droop.Hi < want || math.Abs(free.Droop.Value/want-1) > 0.06 {
		t.Errorf("droop %+v, want %g mm/s per N", free.Droop, want)
	}
	held := traction.Regulated(momentsOf(rng, 20, 0.97, 5, 3), d, 0.2)
	if held.Verdict != traction.IsRegulated || held.Droop.Lo > 0 {
		t.Errorf("%+v", held)
	}
	d.ROhm, d.UROhm, d.KVS, d.UKVS = 3.5, 0.1, 0.008*48/(2*math.Pi), 0.0005
	if x := traction.Regulated(momentsOf(rng, 20, 0.3, 5, 3), d, 0.2); x.Verdict != traction.IsUnregulated {
		t.Errorf("a motor that loses 0.7 of what its curve says: %+v", x)
	}
	if x := traction.Regulated(momentsOf(rng, 20, 0.8, 5, 3), d, 0.2); x.Verdict != traction.IsRegulated {
		t.Errorf("a motor that loses 0.2 of what its curve says: %+v", x)
	}
	if x := traction.Regulated(momentsOf(rng, 20, 0.5, 5, 3), d, 0.2); x.Verdict != traction.CannotTell {
		t.Errorf("a motor that loses half of what its curve says: %+v", x)
	}
	for words, laps := range map[string][]traction.Moments{"3 are needed": momentsOf(rng, 2, 0, 5, 3), "does not vary enough": momentsOf(rng, 20, 0, 5, 300)} {
		x := traction.Regulated(laps, d, 0.2)
		says(t, x.Evidence, words)
		if x.Verdict != traction.CannotTell {
			t.Errorf("%+v", x)
		}
	}
	both := traction.Together([]traction.Regulation{free, free})
	if both.Verdict != traction.IsUnregulated || math.Abs(both.Droop.Value/free.Droop.Value-0.5) > 1e-9 {
		t.Errorf("two alike: %+v", both)
	}
	if x := traction.Together([]traction.Regulation{free, held}); x.Verdict != traction.CannotTell || !math.IsNaN(x.Droop.Value) {
		t.Errorf("two unlike: %+v", x)
	}
}
