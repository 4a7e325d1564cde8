package circuit_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/circuit"
)

// Closed forms of plane geometry: an oval's straights are opposite, so a short
// one leaves its shortfall; a rectangle with arcs has two such pairs; and the
// chord of half a circle is twice its radius.
func TestHintInWords(t *testing.T) {
	for _, c := range []struct {
		name, pieces string
		gap, heading float64
		want         string
		changes      int
	}{
		{"an oval with one short straight", "S 560, L 400/180, S 600, L 400/180", 40, 0,
			"Lengthen the straight piece 1 from 560 to 600 mm.", 1},
		{"one of several straights too short", "3 x S 500, L 360/180, S 500, S 470, S 500, L 360/180", 30, 0,
			"Lengthen the straight piece 6 from 470 to 500 mm.", 1},
		{"a rectangle with arcs, short both ways", "S 800, L 300/90, S 350, L 300/90, S 830, L 300/90, S 400, L 300/90", math.Hypot(30, 50), 0,
			"Lengthen the straight piece 1 from 800 to 830 mm, and lengthen the straight piece 3 from 350 to 400 mm.", 2},
		{"a missing curve of 45 degrees", "S 600, 4 x L 400/45, S 600, 3 x L 400/45", 306.15, -45,
			"The track turns through 315° in all: 45° of curve to the left are missing. Add a left-hand curve of 400 mm radius and 45° at the end.", 1},
		{"a curve too many", "17 x L 400/22.5", 156.07, 22.5,
			"The track turns through 382.5° in all: 22.5° of curve to the left are too much. Take out piece 1, a left-hand curve of 400 mm radius and 22.5°.", 1},
		{"only parallel straights, open sideways", "S 500, L 400/180, S 500, L 437.5/180", 75, 0,
			"Let the curve, piece 2, have a radius of 437.5 mm instead of 400 mm.", 1},
		{"only parallel straights, but joints that point across", "S 500, 6 x L 360/30, S 500, 6 x L 437.5/30", 155, 0,
			"Add a straight of 155 mm between pieces 4 and 5.", 1},
		{"the first half of an oval", "S 600, 4 x L 400/45", math.Hypot(600, 800), -180,
			"The track turns through 180° in all: 180° of curve to the left are missing. Add a straight of 600 mm at the end, and add 4 × a left-hand curve of 400 mm radius and 45° at the end.", 5},
		{"one straight", "S 600", 600, 0, "There is no curve yet: a circuit turns through 360° in all before it closes.", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			given := pieces(t, c.pieces)
			h, open := circuit.Close(given)
			if !open || math.Abs(h.GapMm-c.gap) > 0.01 || math.Abs(h.HeadingErrDeg-c.heading) > 1e-9 {
				t.Fatalf("open %v, gap %g, heading %g; want a gap of %g and %g", open, h.GapMm, h.HeadingErrDeg, c.gap, c.heading)
			}
			if h.Text != c.want || len(h.Changes) != c.changes {
				t.Errorf("%d changes, it says\n%s\nwant %d\n%s", len(h.Changes), h.Text, c.changes, c.want)
			}
			if after := circuit.Lay(circuit.Apply(given, h.Changes)); c.changes > 0 && !after.Closed() {
				t.Errorf("done so, it is still open by %g mm and %g degrees", after.GapMm, after.HeadingErrDeg)
			}
		})
	}
}

func TestNoHintWhereNoneIsNeeded(t *testing.T) {
	for _, text := range []string{"S 500, L 360/180, S 500, L 360/180", "16 x L 400/22.5", "S 500.9, L 360/180, S 500, L 360/180", "L 360/180.05, S 500, L 360/180, S 500"} {
		if h, open := circuit.Close(pieces(t, text)); open {
			t.Errorf("%s: %q, but it closes within %g mm and %g degrees", text, h.Text, circuit.CloseGapMm, circuit.CloseHeadingDeg)
		}
	}
	if _, open := circuit.Close(nil); open {
		t.Error("without pieces there is a hint")
	}
	for _, junk := range [][]circuit.Piece{{{StraightMm: math.NaN()}}, {{StraightMm: -5}, {RadiusMm: 300}}, {{}, {RadiusMm: 400, AngleDeg: 90}, {StraightMm: math.Inf(1)}}} {
		if h, _ := circuit.Close(junk); strings.Contains(h.Text, "NaN") {
			t.Errorf("%v: %q", junk, h.Text)
		}
	}
}

// A figure of eight turns through nothing in all.
func TestHintOfAFigureOfEight(t *testing.T) {
	eight := pieces(t, "S 400, L 300/270, S 400, S 400, R 300/270, S 400")
	near := func(l circuit.Layout) float64 { return math.Abs(l.EndHeadingDeg) }
	if l := circuit.Lay(eight); near(l) > 1e-9 {
		t.Fatalf("it turns through %g", l.EndHeadingDeg)
	}
	h, open := circuit.Close(eight)
	after := circuit.Lay(circuit.Apply(eight, h.Changes))
	if !open || !after.Closed() || near(after) > 1e-9 {
		t.Errorf("%v %q leaves a gap of %g mm, heading %g", h.Changes, h.Text, after.GapMm, after.EndHeadingDeg)
	}
}

// anyClosed repeats a random stretch that turns through 360/k degrees k times:
// by symmetry that closes.
var anyClosed = rapid.Custom(func(t *rapid.T) []circuit.Piece {
	k := rapid.IntRange(2, 5).Draw(t, "times")
	var part []circuit.Piece
	left := 360 / float64(k)
	for range rapid.IntRange(1, 4).Draw(t, "curves") {
		c := circuit.Piece{RadiusMm: rapid.Float64Range(200, 1500).Draw(t, "radius"), AngleDeg: rapid.Float64Range(5, 60).Draw(t, "angle"), Left: rapid.Bool().Draw(t, "left")}
		if c.Left {
			left -= c.AngleDeg
		} else {
			left += c.AngleDeg
		}
		part = append(part, circuit.Piece{StraightMm: rapid.Float64Range(100, 2000).Draw(t, "mm")}, c)
	}
	if math.Abs(left) > 1 {
		part = append(part, circuit.Piece{StraightMm: rapid.Float64Range(100, 2000).Draw(t, "mm")},
			circuit.Piece{RadiusMm: 500, AngleDeg: min(360, math.Abs(left)), Left: left > 0})
	}
	var all []circuit.Piece
	for range k {
		all = append(all, part...)
	}
	return all
}).Filter(func(p []circuit.Piece) bool { return circuit.Lay(p).Closed() })

// Whatever one or two lengths are wrong by, what is suggested closes the circuit.
func TestHintCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		given := slices.Clone(anyClosed.Draw(t, "closed"))
		for range rapid.IntRange(1, 2).Draw(t, "wrong lengths") {
			i := rapid.IntRange(0, len(given)-1).Draw(t, "which")
			by := rapid.Float64Range(0.5, 1.5).Draw(t, "by")
			given[i].StraightMm *= by
			given[i].RadiusMm *= by
		}
		closes(t, given)
	})
}

// A curve left out, or of another angle, is found too.
func TestHintTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		given := slices.Clone(anyClosed.Draw(t, "closed"))
		var curves []int
		for i, p := range given {
			if p.RadiusMm > 0 {
				curves = append(curves, i)
			}
		}
		i := rapid.SampledFrom(curves).Draw(t, "which")
		if rapid.Bool().Draw(t, "left out") {
			given = slices.Delete(given, i, i+1)
		} else {
			given[i].AngleDeg = rapid.Float64Range(1, 360).Draw(t, "angle")
		}
		if slices.ContainsFunc(given, func(p circuit.Piece) bool { return p.RadiusMm > 0 }) {
			closes(t, given)
		}
	})
}

func closes(t *rapid.T, given []circuit.Piece) {
	h, open := circuit.Close(given)
	if !open {
		return
	}
	after := circuit.Lay(circuit.Apply(given, h.Changes))
	if len(h.Changes) == 0 || !after.Closed() {
		t.Fatalf("%+v: %q leaves a gap of %g mm and %g degrees", given, h.Text, after.GapMm, after.HeadingErrDeg)
	}
	for _, p := range circuit.Apply(given, h.Changes) {
		if p.StraightMm < 0 || p.RadiusMm < 0 || p.AngleDeg < 0 || p.AngleDeg > 360 || p.LengthMm() <= 0 {
			t.Fatalf("%q: there is no piece %+v", h.Text, p)
		}
	}
}

func BenchmarkHint(b *testing.B) {
	var given []circuit.Piece
	for i := range 2000 { // as many pieces as are taken, no two alike
		given = append(given, circuit.Piece{StraightMm: 100 + float64(i)}, circuit.Piece{RadiusMm: 400 + float64(i), AngleDeg: 0.3 + 1e-5*float64(i), Left: true})
	}
	given = given[:2000]
	for b.Loop() {
		circuit.Close(given)
	}
}
