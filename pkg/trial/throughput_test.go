package trial_test

import (
	"encoding/json"
	"runtime"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// BenchmarkDecodeAndStep is offline scoring without the reading of the file:
// JSON Lines decoded, checked and stepped on one core. One fact in fifty is a
// crossing of four gates, the rest are motor messages of one sample, with
// agent, boot, seq and arrival as a recording has them.
func BenchmarkDecodeAndStep(b *testing.B) {
	lines := benchLines(b, 200_000)
	b.ResetTimer()
	var s *trial.State
	facts := 0
	for b.Loop() {
		s = benchState()
		for _, line := range lines {
			e, err := wire.Decode(line)
			if err != nil {
				b.Fatal(err)
			}
			s.Step(e)
		}
		facts += len(lines)
	}
	b.ReportMetric(float64(facts)/b.Elapsed().Seconds(), "facts/s")
	if n := len(s.Results().Trials[0].Laps); n < 900 {
		b.Fatalf("%d laps, want 900 and more", n)
	}
}

// TestStateStaysBounded steps 300,000 facts of one trial and looks at what
// the state then weighs: it may keep laps, but not what they were made of.
func TestStateStaysBounded(t *testing.T) {
	const n = 300_000
	lines := benchLines(t, 200_000)
	s := benchState()
	size := map[int]int{}
	for i := range n {
		e, err := wire.Decode(lines[i%len(lines)])
		if err != nil {
			t.Fatal(err)
		}
		// The same outing again and again, each after the last.
		shift(&e, uint64(i/len(lines)), uint64(len(lines)))
		s.Step(e)
		if i == n/2 || i == n-1 {
			runtime.GC()
			b, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			size[i] = len(b)
		}
	}
	laps := s.Results().Trials[0].LapCount
	t.Logf("%d facts, %d laps: the state is %d kB half way and %d kB at the end", n, laps, size[n/2]>>10, size[n-1]>>10)
	if size[n-1] > 3<<20 {
		t.Errorf("the state has grown to %d MB", size[n-1]>>20)
	}
	if laps < n/210 {
		t.Errorf("%d laps, want about %d", laps, n/200)
	}
}

const benchSpanUs = int64(10_000_000_000)

func shift(e *wire.Event, round, count uint64) {
	by := int64(round) * benchSpanUs
	e.AtUs += by
	e.BusUs += by
	seq := *e.Seq + round*count
	e.Seq = &seq
	for i := range e.Samples {
		e.Samples[i].AtUs += by
		if e.Samples[i].Counts != nil {
			n := *e.Samples[i].Counts + int64(round)*5_000_000
			e.Samples[i].Counts = &n
		}
	}
}

func benchState() *trial.State {
	o := wire.Setup{
		Circuit: wire.Circuit{ID: "loop", LapLengthMm: 4000},
		Locomotives: []wire.Locomotive{{ID: "owl", LengthMm: 200, DriverSets: []wire.DriverSet{
			{ID: "front", Motor: "m1", WheelDiameterMm: 20, GearRatio: 15, CountsPerRev: 12},
		}}},
		Trials: []wire.Trial{{ID: "t1", Locomotive: "owl", FromUs: t0}},
	}
	for i, id := range []string{"g1", "g2", "g3", "g4"} {
		o.Gates = append(o.Gates, wire.Gate{ID: id, PositionMm: float64(i) * 1000, Timing: i == 0})
	}
	s := trial.New("bench")
	for _, e := range trial.FromSetup(o, "session", t0) {
		s.Step(e)
	}
	return s
}

// benchLines is n facts: 200 of them a lap of 10 s.
func benchLines(t testing.TB, n int) [][]byte {
	gates := []string{"g1", "g2", "g3", "g4"}
	lines := make([][]byte, n)
	for i := range lines {
		seq, at := uint64(i+1), t0+1_000_000+int64(i)*50_000
		e := wire.Event{Agent: "a1", Boot: "b1", Seq: &seq, AtUs: at, BusUs: at + 2000}
		if i%50 == 0 {
			e.Kind, e.Gate, e.Edge = wire.KindCrossing, gates[i/50%4], wire.EdgeEnter
		} else {
			counts := int64(i) * 25
			e.Kind, e.Motor, e.Samples = wire.KindMotor, "m1", []wire.Sample{{AtUs: at, Counts: &counts}}
		}
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		lines[i] = b
	}
	return lines
}
