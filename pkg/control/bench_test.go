package control_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/control"
	"rainhill/pkg/dynamics"
)

// plainSeeds is how many pairs of sets a plain test tries, without a table.
const plainSeeds = 4

var seeds = flag.Int("trim-seeds", plainSeeds, "how many pairs of driver sets the trim is tried on")

// bench is a train of two unlike driver sets on an oval, its telemetry and its trim.
type bench struct {
	rng   *rand.Rand
	train dynamics.Train
	sim   *dynamics.Sim
	st    dynamics.State
	trim  *control.Trim
	count [2]float64 // surface distance of an encoder count, mm
	in    dynamics.Input

	us      int64
	late    []reading
	lastUs  [2]int64
	everyUs int64
	delayUs int64
	phaseUs [2]int64
	lost    float64 // share of the readings that never come
}

type reading struct {
	side   int
	dueUs  int64
	atUs   int64
	counts int64
}

// newBench draws a train from the simulator's range: k and R of the sets up to 15 %
// apart, wheels up to 1 mm, creep 1 to 3 %, light and heavy. grip is how firmly the wheels hold, 1 as they do.
func newBench(rng *rand.Rand, grip float64) *bench {
	off := func(d float64) float64 { return d * (2*rng.Float64() - 1) }
	from := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	b := &bench{rng: rng, everyUs: 100_000, delayUs: 50_000}
	set := dynamics.DriverSet{
		Motor: dynamics.Motor{ResistanceOhm: from(2, 6), KNmA: from(0.007, 0.010), NoLoadA: from(0.03, 0.09), RotorKgM2: from(4e-7, 12e-7)},
		Gear:  from(14, 22), Efficiency: from(0.6, 0.85), WheelDiameterM: from(0.028, 0.042), WeightN: from(8, 16), MuMax: from(0.18, 0.30), Creep: from(0.01, 0.03),
	}
	var sets []dynamics.DriverSet
	apart := [3]float64{off(0.15), off(0.15), off(1)}
	cpr := []float64{12, 24, 48, 64}[rng.IntN(4)]
	for i := range 2 {
		s := set
		side := float64(i) - 0.5
		s.ResistanceOhm *= 1 + apart[0]*side
		s.KNmA *= 1 + apart[1]*side
		s.WheelDiameterM += 0.001 * apart[2] * side
		s.NoLoadA *= 1 + off(0.2)
		s.WeightN *= grip
		sets = append(sets, s)
		b.count[i] = 1000 / dynamics.CountsPerM(cpr, s.Gear, s.WheelDiameterM)
		b.phaseUs[i] = int64(rng.IntN(100_000))
	}
	b.train = dynamics.Train{
		MassKg: (set.WeightN*2/dynamics.Gravity + from(0, 2.5)), LengthM: from(0.3, 1.5), Sets: sets,
		A: from(0.03, 0.1), B: from(0, 0.05), C: from(0, 0.03), CurveM2S2: from(0, 0.03),
		Battery: dynamics.Battery{ResistanceOhm: from(0.05, 0.3), CapacityAh: 1.2, Curve: []dynamics.Charge{{SoC: 0, Volt: 6.2}, {SoC: 0.2, Volt: 7.2}, {SoC: 1, Volt: 8.3}}},
	}
	b.sim, b.st.SoC = dynamics.NewSim(b.train, oval()), 1
	b.trim = control.NewTrim(control.TrimConfig{CountMm: b.count})
	b.trim.Switch(true)
	return b
}

func oval() *dynamics.Track {
	var half []circuit.Piece
	for range 3 {
		half = append(half, circuit.Piece{StraightMm: 500})
	}
	for range 6 {
		half = append(half, circuit.Piece{RadiusMm: 800, AngleDeg: 30, Left: true})
	}
	return dynamics.NewTrack(append(half, half...), 0)
}

// step goes on for 50 ms with a throttle given to both sets; the telemetry comes 10
// times a second, late, at instants of its own for each set.
func (b *bench) step(permille float64) control.Trimmed {
	for range 5 {
		b.us += 10_000
		for left := 0.01; left > 1e-12; {
			var p dynamics.Span
			b.st, p = b.sim.Step(b.st, b.in, left)
			left -= p.Seconds
		}
		for i := range 2 {
			if b.us-b.lastUs[i]+b.phaseUs[i] >= b.everyUs {
				b.phaseUs[i], b.lastUs[i] = 0, b.us
				if b.lost > 0 && b.rng.Float64() < b.lost {
					continue
				}
				b.late = append(b.late, reading{i, b.us + b.delayUs, b.us, int64(math.Floor(b.st.WheelM[i] * 1000 / b.count[i]))})
			}
		}
	}
	var kept []reading
	for _, r := range b.late {
		if r.dueUs <= b.us {
			b.trim.Read(r.side, r.atUs, float64(r.counts)*b.count[r.side])
		} else {
			kept = append(kept, r)
		}
	}
	b.late = kept
	out := b.trim.Step(b.us, permille, permille)
	for i := range 2 {
		b.in.Duty[i] = math.Trunc(math.Max(0, permille-out.Off[i])) / 1000
	}
	return out
}

// desync is the true one, NaN at a stand.
func (b *bench) desync() float64 {
	u, v := b.st.WheelMS[0], b.st.WheelMS[1]
	if u+v < 0.04 {
		return math.NaN()
	}
	return 2 * (v - u) / (u + v)
}

// happening is what acts at a second of a run.
type happening struct {
	second   float64
	permille float64 // a throttle step, when not 0
	drag     float64 // m/s2 more
	soc      float64 // the battery's charge from here on, when not 0
}

var evening = []happening{
	{second: 0, permille: 500}, {second: 12, permille: 850}, {second: 24, permille: 400},
	{second: 36, drag: 0.06}, {second: 42}, {second: 48, soc: 0.1}, {second: 54, permille: 700},
}

const eveningS = 66

// outcome of a run.
type outcome struct {
	settled float64 // the largest desync later than 2 s after a throttle step
	calm    float64 // the same without the blinkS after the battery drops by a fifth at once
	wobble  float64 // SD of the share over the last 4 s before each change, largest
	late    float64 // the longest after a step until it is under 0.5 % for good, s
}

// blinkS is how long after an event no reading of it can have come: a reading is taken up
// to 50 ms later, at one of the two sets after another, and is under way for 50 ms.
const blinkS = 0.1

// ride runs the evening.
func (b *bench) ride(trimmed bool) (o outcome) {
	b.trim.Switch(trimmed)
	permille, stepS, dropS, next := 0.0, 0.0, -1.0, 0
	var lastOver float64
	var shares []float64
	for b.us < eveningS*1_000_000 {
		s := float64(b.us) / 1e6
		if next < len(evening) && s >= evening[next].second {
			h := evening[next]
			next++
			o.wobble = math.Max(o.wobble, spread(shares))
			shares = nil
			if h.permille != 0 {
				o.late = math.Max(o.late, lastOver-stepS)
				permille, stepS = h.permille, s
				lastOver = s
			}
			b.in.DragMS2 = h.drag
			if h.soc != 0 {
				b.st.SoC, dropS = h.soc, s
			}
		}
		out := b.step(permille)
		shares = append(shares, (out.Off[1]-out.Off[0])/permille)
		d := math.Abs(b.desync())
		s = float64(b.us) / 1e6
		if d > 0.005 {
			lastOver = s
		}
		if s-stepS > 2 {
			o.settled = math.Max(o.settled, d)
			if dropS < 0 || s-dropS > blinkS {
				o.calm = math.Max(o.calm, d)
			}
		}
	}
	o.late = math.Max(o.late, lastOver-stepS)
	return o
}

// spread is the SD of the last four seconds.
func spread(x []float64) float64 {
	if len(x) < 80 {
		return 0
	}
	x = x[len(x)-80:]
	mean, sum := 0.0, 0.0
	for _, v := range x {
		mean += v / 80
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean) / 79
	}
	return math.Sqrt(sum)
}

// The trim brings two unlike sets under half a per cent within 2 s of a throttle step,
// and keeps them there on curves, under a load that comes and goes and on a battery that
// sags. In the very instant in which the battery drops by a fifth the sets run apart by what
// they are, before any trim can have heard of it: that is told, and held to 0.75 %.
// More seeds, with a table: go test ./pkg/control -run Together -v -trim-seeds 40.
func TestTrimHoldsTwoSetsTogether(t *testing.T) {
	missed, late := 0, 0
	for seed := range uint64(*seeds) {
		with := newBench(rand.New(rand.NewPCG(seed, 7)), 1).ride(true)
		without := newBench(rand.New(rand.NewPCG(seed, 7)), 1).ride(false)
		if *seeds > plainSeeds {
			t.Logf("%3d: desync 2 s after a step and later at most %4.2f %%, %4.2f %% without the instant in which the battery drops, without trim %4.2f %%; under 0.5 %% for good after %4.1f s; the trim wanders by %.2f %%",
				seed, 100*with.settled, 100*with.calm, 100*without.settled, with.late, 100*with.wobble)
		}
		if with.settled > 0.005 {
			missed++
		}
		if with.calm > 0.005 {
			late++
		}
		if with.settled > 0.0075 || with.wobble > 0.015 {
			t.Errorf("seed %d: desync %.2f %% (without trim %.2f %%), the trim wanders by %.2f %% of the throttle", seed, 100*with.settled, 100*without.settled, 100*with.wobble)
		}
	}
	if missed*20 > *seeds {
		t.Errorf("%d of %d pairs were over 0.5 %% later than 2 s after a step", missed, *seeds)
	}
	if late*200 > *seeds {
		t.Errorf("%d of %d pairs were over 0.5 %% later than 2 s after a step, and not as the battery dropped", late, *seeds)
	}
	t.Logf("%d of %d pairs were over 0.5 %% later than 2 s after a step, %d of them at other instants than the battery's drop", missed, *seeds, late)
}

// On rails that hardly hold, and with wheels that spin free, desync answers to the
// throttle up to a hundred times as much: the loop stays calm all the same.
func TestTrimStaysCalmWhereWheelsSlip(t *testing.T) {
	for _, grip := range []float64{0.3, 0.15, 0.001} {
		for seed := range uint64(*seeds) {
			o := newBench(rand.New(rand.NewPCG(seed, 7)), grip).ride(true)
			if o.wobble > 0.015 {
				t.Errorf("grip %g, seed %d: the trim wanders by %.2f %% of the throttle", grip, seed, 100*o.wobble)
			}
		}
	}
}

// Readings that come 150 ms late, and of which one in ten is lost: slower, and calm.
func TestTrimBearsBadTelemetry(t *testing.T) {
	for seed := range uint64(*seeds) {
		for _, grip := range []float64{1, 0.001} {
			b := newBench(rand.New(rand.NewPCG(seed, 7)), grip)
			b.delayUs, b.lost = 150_000, 0.1
			if o := b.ride(true); o.wobble > 0.03 || grip == 1 && o.settled > 0.01 {
				t.Errorf("grip %g, seed %d: desync %.2f %%, the trim wanders by %.2f %% of the throttle", grip, seed, 100*o.settled, 100*o.wobble)
			}
		}
	}
}
