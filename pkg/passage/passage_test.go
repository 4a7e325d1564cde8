package passage

import (
	"math"
	"slices"
	"testing"
)

// Crossings of one gate by one train, in ms; want is the instants at which a
// passage begins.
func TestOneGate(t *testing.T) {
	for _, c := range []struct {
		name  string
		train Train
		at    []int64
		edges string // e, l, p; "" is all pulses
		want  []int64
	}{
		{name: "one crossing a lap", train: Train{SpeedMmS: 500, LengthMm: 300, LapMm: 5000}, at: []int64{0, 10_000, 20_000}, want: []int64{0, 10_000, 20_000}},
		{name: "a switch bounces", train: Train{SpeedMmS: 500, LengthMm: 300, LapMm: 5000}, at: []int64{0, 3, 7, 10_000, 10_002}, want: []int64{0, 10_000}},
		{name: "every axle of a metre of train at half a metre a second", train: Train{SpeedMmS: 500, LengthMm: 1000, LapMm: 5000}, at: []int64{0, 400, 800, 1200, 1600, 2000, 10_000}, want: []int64{0, 10_000}},
		{name: "the same train creeping: axles two seconds apart", train: Train{SpeedMmS: 100, LengthMm: 1000, LapMm: 5000}, at: []int64{0, 2000, 4000, 6000, 8000, 10_000, 50_000}, want: []int64{0, 50_000}},
		{name: "a train seen axle by axle passes slower than it ran", train: Train{SpeedMmS: 500, LengthMm: 1000, LapMm: 5000}, at: []int64{0, 200, 1000, 2000, 2500, 3000}, want: []int64{0}},
		{name: "stands in the beam for a minute", train: Train{SpeedMmS: 500, LengthMm: 300, LapMm: 5000}, at: []int64{0, 60_000, 70_000, 70_600}, edges: "elel", want: []int64{0, 70_000}},
		{name: "speed unknown: axles within a second of each other", train: Train{LapMm: 5000}, at: []int64{0, 900, 1800, 2700, 9000}, want: []int64{0, 9000}},
		{name: "speed unknown, and no other gate has seen it since", train: Train{LapMm: 5000, Stays: true}, at: []int64{0, 3000, 9000}, want: []int64{0}},
		{name: "stands at the gate between two axles", train: Train{SpeedMmS: 500, LengthMm: 300, LapMm: 5000, Stays: true}, at: []int64{0, 400, 5000}, want: []int64{0}},
		{name: "round past gates that all missed it", train: Train{SpeedMmS: 500, LengthMm: 300, LapMm: 5000, Stays: true}, at: []int64{0, 10_000}, want: []int64{0, 10_000}},
		{name: "length unknown: a quarter metre without an axle at most", train: Train{SpeedMmS: 500, LapMm: 5000}, at: []int64{0, 400, 800, 1800}, want: []int64{0, 1800}},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := Gates{}
			var got []int64
			for i, ms := range c.at {
				x := Crossing{Stamp: Stamp{AtUs: ms * 1000, RawUs: ms * 1000}, Gate: "g", Edge: Pulse}
				if c.edges != "" {
					x.Edge = map[byte]string{'e': Enter, 'l': Leave, 'p': Pulse}[c.edges[i]]
				}
				if o := g.Find(x, Default(), func(string) Train { return c.train }); o != nil {
					o.Grow(x)
					continue
				}
				g.Begin(x)
				got = append(got, ms)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("passages begin at %v ms, want %v", got, c.want)
			}
		})
	}
}

func TestDifferentTagsAreNeverOnePassage(t *testing.T) {
	g := Gates{}
	a := Crossing{Gate: "g", Edge: Pulse, Tag: "a"}
	g.Begin(a)
	b := a
	b.Tag = "b"
	if g.Find(b, Default(), func(string) Train { return Train{} }) != nil {
		t.Error("two tags at one instant were taken for one passage")
	}
	b.Tag = ""
	if g.Find(b, Default(), func(string) Train { return Train{} }) == nil {
		t.Error("a crossing whose tag was not read was not taken for the passage of the tag beside it")
	}
}

func TestAToldClearIsTheEndOfTheBlock(t *testing.T) {
	g := Gates{}
	x := Crossing{Stamp: Stamp{AtUs: 1_000_000}, Gate: "g", Edge: Enter, ClearUs: 31_000_000}
	if o := g.Begin(x); o.Blocked || o.LastUs != 31_000_000 {
		t.Errorf("a block that was told to end is %+v", *o)
	}
}

// The offset of a clock cancels in the difference of its own stamps, and its
// uncertainty with it.
func TestSince(t *testing.T) {
	a := Stamp{AtUs: 1_300_000, RawUs: 1_000_000, Clock: "hut/1", UUs: 3, UClockUs: 100}
	b := Stamp{AtUs: 2_301_000, RawUs: 2_000_000, Clock: "hut/1", UUs: 4, UClockUs: 100}
	if us, u := b.Since(a); us != 1_000_000 || u != 5 {
		t.Errorf("one clock: %d us, u %g; want 1000000, 5", us, u)
	}
	b.Clock = "yard/1"
	if us, u := b.Since(a); us != 1_001_000 || math.Abs(u-math.Sqrt(20025)) > 1e-9 {
		t.Errorf("two clocks: %d us, u %g; want 1001000, %g", us, u, math.Sqrt(20025))
	}
}

func TestOldPassagesAreForgotten(t *testing.T) {
	g := Gates{}
	for i := range 100 {
		g.Begin(Crossing{Stamp: Stamp{AtUs: int64(i) * 1e7}, Gate: "g", Edge: Pulse})
	}
	if n := len(g["g"]); n != keep {
		t.Errorf("%d passages are kept, want %d", n, keep)
	}
}
