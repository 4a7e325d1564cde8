package circuit_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/circuit"
	"rainhill/testdata/reference"
)

// pieces reads what case F22 writes: "6 x L 360/30, S 500".
func pieces(t testing.TB, text string) []circuit.Piece {
	t.Helper()
	var out []circuit.Piece
	for part := range strings.SplitSeq(text, ", ") {
		n, one := 1, part
		if _, err := fmt.Sscanf(part, "%d x ", &n); err == nil {
			_, one, _ = strings.Cut(part, " x ")
		}
		p := circuit.Piece{Left: one[0] == 'L'}
		var err error
		if one[0] == 'S' {
			_, err = fmt.Sscanf(one, "S %g", &p.StraightMm)
		} else {
			_, err = fmt.Sscanf(one[1:], " %g/%g", &p.RadiusMm, &p.AngleDeg)
		}
		if err != nil {
			t.Fatalf("reading pieces %q: %v", part, err)
		}
		for range n {
			out = append(out, p)
		}
	}
	return out
}

func lay(t *testing.T, c *reference.Case, name string) circuit.Layout {
	var text string
	c.Input(t, name, &text)
	text, _, _ = strings.Cut(text, " (")
	return circuit.Lay(pieces(t, text))
}

// F22: plane geometry, computed by integration in the complex plane.
func TestLayAgreesWithPlaneGeometry(t *testing.T) {
	c := reference.Load(t, "F22")
	pose := func(l circuit.Layout) []float64 { return []float64{l.EndX, l.EndY, l.EndHeadingDeg} }
	c.Check(t, "circle16 length", lay(t, c, "circle16").LengthMm)
	c.Check(t, "circle12 length", lay(t, c, "circle12").LengthMm)
	c.Check(t, "one 22.5 degree piece R 400 length", circuit.Piece{RadiusMm: 400, AngleDeg: 22.5}.LengthMm())
	oval := lay(t, c, "oval")
	c.Check(t, "oval length", oval.LengthMm)
	c.Check(t, "oval closure gap mm", oval.GapMm)
	bad := lay(t, c, "oval_bad")
	c.Check(t, "oval_bad end pose x,y,heading", pose(bad)...)
	c.Check(t, "oval_bad gap mm", bad.GapMm)
	missing := lay(t, c, "circle15")
	c.Check(t, "circle15 end pose", pose(missing)...)
	c.Check(t, "circle15 gap mm", missing.GapMm)
	c.Check(t, "sbend end pose", pose(lay(t, c, "sbend"))...)
	c.Check(t, "kidney end pose (closes)", pose(lay(t, c, "kidney"))...)
	mixed := lay(t, c, "mixed")
	c.Check(t, "mixed end pose", pose(mixed)...)
	c.Check(t, "mixed gap mm = 2 x (437.5-360)", mixed.GapMm)
	// The case's note: closing by heading alone is not enough.
	for name, l := range map[string]circuit.Layout{"oval_bad": bad, "mixed": mixed} {
		if math.Abs(l.HeadingErrDeg) > 1e-9 || l.GapMm < 1 {
			t.Errorf("%s: heading error %g, gap %g, want 0 and a gap", name, l.HeadingErrDeg, l.GapMm)
		}
	}
	if got := missing.HeadingErrDeg; math.Abs(got+22.5) > 1e-9 {
		t.Errorf("circle15 heading error %g, want -22.5", got)
	}
}

// F23: degree of curve by arc and by chord, railway surveying.
func TestDegreeOfCurve(t *testing.T) {
	c := reference.Load(t, "F23")
	var degrees, arc, chord []float64
	c.Input(t, "degrees", &degrees)
	for _, d := range degrees {
		arc = append(arc, circuit.RadiusByArc(d, 100))
		chord = append(chord, circuit.RadiusByChord(d, 100))
		if back := circuit.DegreeByArc(circuit.RadiusByArc(d, 100), 100); math.Abs(back-d) > 1e-9 {
			t.Errorf("arc: %g degrees come back as %g", d, back)
		}
		if back := circuit.DegreeByChord(circuit.RadiusByChord(d, 100), 100); math.Abs(back-d) > 1e-9 {
			t.Errorf("chord: %g degrees come back as %g", d, back)
		}
	}
	c.Check(t, "arc definition, 100 ft: R ft = 5729.578/D", arc...)
	c.Check(t, "chord definition: R ft = 50/sin(D/2)", chord...)
	c.Check(t, "R(m) x degrees", circuit.RadiusByArc(1, 100*0.3048))
}

func TestAtAndOnCurve(t *testing.T) {
	l := circuit.Lay(pieces(t, "S 500, L 360/180, S 500, L 360/180"))
	half := math.Pi * 360
	for _, c := range []struct {
		name             string
		s, x, y, heading float64
		radius           float64
	}{
		{"start", 0, 0, 0, 0, 0},
		{"along the first straight", 120, 120, 0, 0, 0},
		{"top of the first bend", 500 + half/2, 860, 360, 90, 360},
		{"along the far straight", 500 + half + 100, 400, 720, 180, 0},
		{"once round is the start", l.LengthMm, 0, 0, 0, 0},
		{"a little over two laps", 2*l.LengthMm + 120, 120, 0, 0, 0},
		{"before the start", -half / 2, -360, 360, 270, 360},
	} {
		x, y, h := l.At(c.s)
		r, curve := l.OnCurve(c.s)
		if math.Hypot(x-c.x, y-c.y) > 1e-6 || math.Abs(h-c.heading) > 1e-6 || r != c.radius || curve != (c.radius > 0) {
			t.Errorf("%s: (%.6f, %.6f) heading %.6f radius %g, want (%g, %g) %g %g", c.name, x, y, h, r, c.x, c.y, c.heading, c.radius)
		}
	}
}

func TestNoPieces(t *testing.T) {
	l := circuit.Lay(nil)
	x, y, h := l.At(100)
	if _, curve := l.OnCurve(100); x != 0 || y != 0 || h != 0 || curve || l.Plan(10) != nil || l.LengthMm != 0 {
		t.Errorf("an empty layout is not empty: %+v at (%g, %g) %g", l, x, y, h)
	}
	junk := circuit.Lay([]circuit.Piece{{StraightMm: math.NaN()}, {StraightMm: -5}, {RadiusMm: 300}, {StraightMm: math.Inf(1)}})
	if junk.LengthMm != 0 || junk.GapMm != 0 {
		t.Errorf("pieces without length have length %g, gap %g", junk.LengthMm, junk.GapMm)
	}
}

func TestPlan(t *testing.T) {
	l := circuit.Lay(pieces(t, "S 500, L 360/180, S 500, L 360/180"))
	plan := l.Plan(10)
	if first, last := plan[0], plan[len(plan)-1]; first != (circuit.Point{}) || last.S != l.LengthMm {
		t.Errorf("plan runs from %v to %v, want 0 to %g", first, last, l.LengthMm)
	}
	if want := 1 + 2*(1+int(math.Ceil(math.Pi*360/10))); len(plan) != want {
		t.Errorf("%d points, want %d: straights by their ends, curves every 10 mm", len(plan), want)
	}
	for i, p := range plan[1:] {
		x, y, _ := l.At(p.S)
		if math.Hypot(p.X-x, p.Y-y) > 1e-6 {
			t.Errorf("point at %g is (%g, %g), At says (%g, %g)", p.S, p.X, p.Y, x, y)
		}
		if _, curve := l.OnCurve((p.S + plan[i].S) / 2); curve && p.S-plan[i].S > 10+1e-9 {
			t.Errorf("step of %g mm on a curve at %g", p.S-plan[i].S, p.S)
		}
	}
	if n := len(circuit.Lay([]circuit.Piece{{RadiusMm: 1e6, AngleDeg: 360}}).Plan(0.001)); n > 21_000 {
		t.Errorf("a vast curve has %d points, want a bound", n)
	}
	if n := len(l.Plan(0)); n != 5 {
		t.Errorf("without a step: %d points, want the 5 ends", n)
	}
}

func TestSectors(t *testing.T) {
	got, _ := json.Marshal(circuit.Sectors(6000, []float64{4500, 0, 7500, 3000}))
	want := `[{"From":1,"To":2,"FromMm":0,"LengthMm":1500},{"From":2,"To":3,"FromMm":1500,"LengthMm":1500},` +
		`{"From":3,"To":0,"FromMm":3000,"LengthMm":1500},{"From":0,"To":1,"FromMm":4500,"LengthMm":1500}]`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if one := circuit.Sectors(6000, []float64{100}); len(one) != 1 || one[0] != (circuit.Sector{FromMm: 100, LengthMm: 6000}) {
		t.Errorf("one gate: %v, want the whole lap", one)
	}
	if none := circuit.Sectors(0, []float64{1, 2}); none != nil {
		t.Errorf("no lap: %v, want none", none)
	}
	if a := circuit.Ahead(6000, 5500, 500); a != 1000 {
		t.Errorf("from 5500 to 500 is %g ahead, want 1000", a)
	}
}

var anyPieces = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) circuit.Piece {
	if rapid.Bool().Draw(t, "straight") {
		return circuit.Piece{StraightMm: rapid.Float64Range(1, 2000).Draw(t, "mm")}
	}
	return circuit.Piece{
		RadiusMm: rapid.Float64Range(50, 3000).Draw(t, "radius"), AngleDeg: rapid.Float64Range(1, 360).Draw(t, "angle"),
		Left: rapid.Bool().Draw(t, "left"),
	}
}), 0, 12)

func TestLayoutProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyPieces.Draw(t, "a"), anyPieces.Draw(t, "b")
		la, lb, whole := circuit.Lay(a), circuit.Lay(b), circuit.Lay(append(append([]circuit.Piece(nil), a...), b...))
		near(t, "length is additive", whole.LengthMm, la.LengthMm+lb.LengthMm)
		near(t, "turn is additive", whole.EndHeadingDeg, la.EndHeadingDeg+lb.EndHeadingDeg)
		h := la.EndHeadingDeg * math.Pi / 180
		near(t, "b begins where a ends, x", whole.EndX, la.EndX+lb.EndX*math.Cos(h)-lb.EndY*math.Sin(h))
		near(t, "b begins where a ends, y", whole.EndY, la.EndY+lb.EndX*math.Sin(h)+lb.EndY*math.Cos(h))
		if math.Abs(whole.HeadingErrDeg) > 180 || whole.GapMm > whole.LengthMm+1e-6 {
			t.Fatalf("heading error %g, gap %g of length %g", whole.HeadingErrDeg, whole.GapMm, whole.LengthMm)
		}
	})
}

// No two places on the centre line are further apart than the track between.
func TestAtNeverJumps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := circuit.Lay(anyPieces.Draw(t, "pieces"))
		s := rapid.Float64Range(0, 1).Draw(t, "s") * l.LengthMm
		step := min(rapid.Float64Range(0, 50).Draw(t, "step"), math.Nextafter(l.LengthMm, 0)-s)
		if step <= 0 {
			return
		}
		x0, y0, _ := l.At(s)
		x1, y1, _ := l.At(s + step)
		if d := math.Hypot(x1-x0, y1-y0); d > step+1e-6 {
			t.Fatalf("from %g to %g the track jumps %g mm", s, s+step, d)
		}
	})
}

func TestSectorsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lap := rapid.Float64Range(100, 1e5).Draw(t, "lap")
		at := rapid.SliceOfN(rapid.Float64Range(-1e5, 2e5), 1, 12).Draw(t, "positions")
		var sum float64
		seen := map[int]bool{}
		for _, s := range circuit.Sectors(lap, at) {
			if s.LengthMm < 0 || seen[s.From] {
				t.Fatalf("sector %+v", s)
			}
			seen[s.From] = true
			sum += s.LengthMm
		}
		near(t, "sum of sectors", sum, lap)
	})
}

func near(t *rapid.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-6*max(1, math.Abs(want)) {
		t.Fatalf("%s: got %.9f, want %.9f", what, got, want)
	}
}
