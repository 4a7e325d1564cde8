package pulling_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/pulling"
)

// A pull may be told in newtons (9.80665 N are 1 kgf, 3rd CGPM 1901); a unit that is not
// known is refused, and its numbers with it.
func TestLoadsInNewtons(t *testing.T) {
	for head, want := range map[string]float64{"Pull (N)": 1000 / 9.80665, "Pull [mN]": 1 / 9.80665, "load_g": 1, "Load (gf)": 1} {
		as, _, bad := pulling.ReadTable("Loco," + head + ",Result\nheron,1.8,moved\n")
		if len(bad) > 0 || math.Abs(as[0].LoadG-1.8*want) > 1e-9 {
			t.Errorf("%s: %v %v, want %g g", head, as, bad, 1.8*want)
		}
	}
	as, _, bad := pulling.ReadTable("Loco,Pull (pood),Result\nheron,1.8,moved\n")
	if len(as) > 0 || len(bad) != 2 || !strings.Contains(bad[0].Reason, `unit "pood" is not known`) {
		t.Errorf("%v %v", as, bad)
	}
	as, _, bad = pulling.ReadTable("Loco,Mass (pood),Pull,Result\nheron,1.8,200,moved\n")
	if len(as) != 1 || as[0].MassG != 0 || len(bad) != 1 {
		t.Errorf("a mass of an unknown unit: %v %v", as, bad)
	}
}

// The two directions have limits of their own however they are written.
func TestDirectionsAreParted(t *testing.T) {
	r := judged(t, "Lok;Masse;Last;Ergebnis;Richtung\nheron;905;180;ja;vorwärts\nheron;905;200;nein;rückwärts\nheron;905;180;ja;fwd\nheron;905;200;nein;rev\nheron;905;180;ja;F\nheron;905;180;ja;r\n")
	if len(r.Locomotives) != 2 || r.Locomotives[0].Direction != "forward" || r.Locomotives[1].Direction != "reverse" || len(r.Locomotives[0].Attempts) != 3 {
		t.Errorf("%+v", r.Locomotives)
	}
	for _, head := range []string{"Dir", "Richtung", "Direction", "Fahrtrichtung"} {
		as, _, bad := pulling.ReadTable("Loco,Load,Result," + head + "\nheron,180,yes,forward\n")
		if len(bad) > 0 || as[0].Direction != "forward" {
			t.Errorf("%s: %v %v", head, as, bad)
		}
	}
}

// What nothing was made of is named, and names that differ in capitals alone are asked about.
func TestWhatIsLeftOfATableIsTold(t *testing.T) {
	_, notes, bad := pulling.ReadTable("Loco,Load (g),Result,Weather,Empty,Rail\nHeron,180,yes,wet,,old\nheron ,200,no,dry,,new\nHeron,190,yes,dry,,new\n")
	want := []string{"nothing was made of the columns Weather, Rail", "the locomotives Heron and heron are taken as two: are they one?"}
	if len(bad) > 0 || !slices.Equal(notes, want) {
		t.Errorf("%q %v, want %q", notes, bad, want)
	}
	_, notes, _ = pulling.ReadTable("locomotive,load_g,outcome\nheron,180,moved\notter,200,stalled\n")
	if len(notes) > 0 {
		t.Errorf("a plain table is told of: %q", notes)
	}
	_, _, bad = pulling.ReadTable("Club evening,,\n,,\nLoco,Weight,Result\nheron,180,yes\n")
	if i := slices.IndexFunc(bad, func(c wire.Complaint) bool { return c.Column == "load_g" }); i < 0 || bad[i].Line != 3 {
		t.Errorf("the head stands in line 3: %v", bad)
	}
}

// What was taken for granted of numbers is told: that they are grams, that a point stands
// before decimals, that a limit of next to nothing is one.
func TestUnitsTakenAreTold(t *testing.T) {
	_, notes, _ := pulling.ReadTable("Loco,Mass,Load,Result\nheron,905,200,moved\nheron,905 g,1.900,stalled\nheron,0.905 kg,210,stalled\n")
	want := []string{`line 3: Load is "1.900", taken as 1.9 g, and the middle of that column is 200 g: is its point, or its unit, what it was taken for?`, "Mass, Load: no unit is stated, taken as g"}
	if !slices.Equal(notes, want) {
		t.Errorf("%q, want %q", notes, want)
	}
	_, notes, _ = pulling.ReadTable("Loco,Mass,Load,Result\nheron,905 g,200 g,moved\nheron,905 g,220 g,stalled\nheron,,20 g,moved\n")
	if len(notes) > 0 {
		t.Errorf("units behind every number: %q", notes)
	}
	for rows, doubted := range map[string]bool{
		"heron,905,1.900,moved\nheron,905,2.100,stalled\nheron,905,2.000,moved\n": true,
		"heron,905,190,moved\nheron,905,210,stalled\nheron,905,200,moved\n":       false,
		"heron,905,1.9,moved\n": false,
	} {
		doubts := strings.Join(judged(t, "locomotive,mass_g,load_g,outcome\n"+rows).Locomotives[0].Doubts, "; ")
		if strings.Contains(doubts, "next to nothing") != doubted {
			t.Errorf("%q: %q, want doubted %v", rows, doubts, doubted)
		}
	}
}
