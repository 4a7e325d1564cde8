package coasting_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/coasting"
)

// A hand that pushes twice in one trial makes two outings, one that turns the train round
// as well; what was inferred is not among them.
func TestPushesArePartedFromEachOther(t *testing.T) {
	pass := func(mm, s float64) wire.PassageVerdict {
		return wire.PassageVerdict{PositionMm: mm, AtUs: int64(1e6 * s), Source: wire.Measured, UUs: 500}
	}
	back := func(mm, s float64) wire.PassageVerdict {
		p := pass(mm, s)
		p.Reverse = true
		return p
	}
	inferred := pass(2500, 5)
	inferred.Source = wire.Inferred
	for _, c := range []struct {
		name string
		in   []wire.PassageVerdict
		want [][]float64
	}{
		{"one push", []wire.PassageVerdict{pass(0, 0), pass(1000, 1), inferred, pass(2000, 2.2), pass(0, 5)}, [][]float64{{0, 1000, 2000, 0}}},
		{"pushed as it stood before a gate", []wire.PassageVerdict{pass(0, 0), pass(1000, 1), pass(2000, 2.2), pass(3000, 20), pass(0, 21), pass(1000, 22.2)}, [][]float64{{0, 1000, 2000}, {0, 1000}}},
		{"pushed between two gates", []wire.PassageVerdict{pass(0, 0), pass(1000, 2), pass(2000, 4.2), pass(3000, 5.5), pass(0, 6.5), pass(1000, 7.6)}, [][]float64{{0, 1000, 2000}, {3000, 0, 1000}}},
		{"turned round", []wire.PassageVerdict{pass(0, 0), pass(1000, 1), back(1000, 9), back(0, 10)}, [][]float64{{0, 1000}, {1000, 0}}},
		{"nothing", nil, [][]float64{nil}},
	} {
		var got [][]float64
		for _, o := range coasting.OfPassages(wire.Trial{ID: "c1", Consist: "coal"}, c.in, 4000) {
			var places []float64
			for _, r := range o.Readings {
				places = append(places, r.PositionMm)
			}
			got = append(got, places)
		}
		if !slices.EqualFunc(got, c.want, func(a, b []float64) bool { return slices.Equal(a, b) }) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// rows is runs of constant slowing over places of a straight.
func rows(head string, cell func(run string, mm, s float64) string) string {
	text := head + "\n"
	for i, v := range []float64{0.8, 0.9, 1.0, 1.1} {
		for mm := 0.0; mm <= 2000; mm += 500 {
			text += cell(string(rune('a'+i)), mm, (v-math.Sqrt(v*v-2*0.05*mm/1000))/0.05+1e-5*math.Mod(7*mm+float64(i), 3)) + "\n"
		}
	}
	return text
}

// Tables as people make them say the same: units in the heads, gates for places, places
// that were not come to.
func TestTablesSayTheSame(t *testing.T) {
	gates := []wire.Gate{{ID: "g0"}, {ID: "g500", PositionMm: 500}, {ID: "g1000", PositionMm: 1000}, {ID: "g1500", PositionMm: 1500}, {ID: "g2000", PositionMm: 2000}}
	num := func(x float64) string { return wireNumber(x) }
	for name, text := range map[string]string{
		"plain":  rows("run,position_mm,at_s", func(r string, mm, s float64) string { return r + "," + num(mm) + "," + num(s) }),
		"metres": rows("Run;Place (m);Time (ms)", func(r string, mm, s float64) string { return r + ";" + num(mm/1000) + ";" + num(s*1000) }),
		"gates":  rows("run\tgate\tat_s", func(r string, mm, s float64) string { return r + "\tg" + num(mm) + "\t" + num(s) }),
		"stops":  rows("run,position_mm,at_s", func(r string, mm, s float64) string { return r + "," + num(mm) + "," + num(s) }) + "a,9000,\n",
	} {
		outings, _, bad := coasting.ReadTable(text, gates)
		if len(bad) > 0 || len(outings) != 4 {
			t.Fatalf("%s: %v, %d outings", name, bad, len(outings))
		}
		r, bad, err := coasting.Stock{}.Answer(outings)
		if err != nil || len(bad) > 0 || r.Runs != 4 || r.Consists[0].Instants != 20 {
			t.Fatalf("%s: %v, %v, %+v", name, err, bad, r)
		}
		if x := r.Consists[0].Forces[4]; math.Abs(*x.DecMS2.Value-0.05) > 1e-3 || x.ForceMn.Value != nil {
			t.Errorf("%s: at %g mm/s it slows by %g, %v mN", name, x.SpeedMmS, *x.DecMS2.Value, x.ForceMn.Value)
		}
	}
}

// Seconds under a heading of milliseconds are doubted, and millimetres under one of metres;
// what rolls is not.
func TestUnitsBeyondBeliefAreDoubted(t *testing.T) {
	for head, says := range map[string]string{
		"run,position_mm,at (ms)": "more than anything that falls gains", "run,position_mm,at_s": "", "run,position (m),at_s": "in the units that their headings say",
	} {
		outings, _, bad := coasting.ReadTable(rows(head, func(r string, mm, s float64) string { return r + "," + wireNumber(mm) + "," + wireNumber(s) }), nil)
		r, _, err := coasting.Stock{}.Answer(outings)
		if err != nil || len(bad) > 0 {
			t.Fatalf("%s: %v %v", head, bad, err)
		}
		if got := strings.Join(r.Doubts, "; "); !strings.Contains(got, says) || says == "" && strings.Contains(got, "headings") {
			t.Errorf("%s: doubts %q, want %q", head, got, says)
		}
	}
}

func wireNumber(x float64) string {
	whole := int64(math.Round(x * 1e7))
	text := ""
	for i := 0; i < 8 || whole > 0; i++ {
		if i == 7 {
			text = "." + text
		}
		text = string(rune('0'+whole%10)) + text
		whole /= 10
	}
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// Cars of one consist are told apart, each with its own mass; a consist of which one car's
// mass is not stated has none.
func TestCarsAreToldApart(t *testing.T) {
	text := rows("run,position_mm,at_s,consist,car", func(r string, mm, s float64) string {
		car := "one"
		if r == "c" || r == "d" {
			car = "two"
		}
		return r + "," + wireNumber(mm) + "," + wireNumber(s) + ",coal," + car
	})
	outings, _, bad := coasting.ReadTable(text, nil)
	stock := coasting.Stock{Rotating: 1.2, Session: "s1", Consists: []wire.Consist{{ID: "coal", Cars: []wire.Car{{Name: "one", MassG: 100}, {Name: "two"}}}}}
	r, more, err := stock.Answer(outings)
	if err != nil || len(bad)+len(more) > 0 || len(r.Consists) != 2 {
		t.Fatalf("%v %v %v %+v", err, bad, more, r)
	}
	one, two := r.Consists[0], r.Consists[1]
	if got := strings.Join(r.Doubts, "; "); !strings.Contains(got, "each has terms of its own") {
		t.Errorf("of several consists it says %q", got)
	}
	if one.Consist != "coal one" || *one.MassG != 100 || two.MassG != nil || len(r.Against) == 0 || r.Against[0].Verdict != wire.CoastUnknown {
		t.Errorf("%s %v, %s %v, %+v", one.Consist, one.MassG, two.Consist, two.MassG, r.Against)
	}
	if x := one.Resistance; x.Source != "coasting, 2 runs, session s1" || math.Abs(x.AMS2-1.2**one.A.Value) > 1e-12 || len(x.Covariance) != 4 || math.Abs(x.Covariance[0][0]-x.AUMS2*x.AUMS2) > 1e-9*x.Covariance[0][0] {
		t.Errorf("to keep is %+v", x)
	}
}

// One run is one run, and one instant is one.
func TestCoastingCountsAsAPersonWrites(t *testing.T) {
	outings, _, _ := coasting.ReadTable(rows("run,position_mm,at_s,u_s", func(r string, mm, s float64) string {
		u := ""
		if r == "a" && mm == 0 {
			u = "0.001"
		}
		if r != "a" && mm > 0 {
			mm, s = 3000, 9 // all the same reading: two of a run are left
		}
		return r + "," + wireNumber(mm) + "," + wireNumber(s) + "," + u
	}), nil)
	r, _, err := coasting.Stock{}.Answer(outings)
	if err != nil || r.Runs != 1 {
		t.Fatalf("%v, %+v", err, r)
	}
	if x := r.Consists[0].Resistance.Source; x != "coasting, 1 run" || !strings.Contains(strings.Join(r.Doubts, "; "), "instants 1 have") {
		t.Errorf("%q, %q", x, r.Doubts)
	}
}

// Sessions in which the cars and the circuit were the same tell one resistance together,
// more narrowly than one does alone; where they were not, each tells its own.
func TestSessionsAreTakenTogether(t *testing.T) {
	straight := wire.Circuit{ID: "line", LapLengthMm: 40_000}
	rolled := func(session string, massG, lapMm float64) coasting.Rolled {
		outings, _, _ := coasting.ReadTable(rows("run,position_mm,at_s", func(r string, mm, s float64) string {
			return r + "," + wireNumber(mm) + "," + wireNumber(s)
		}), nil)
		c := straight
		c.LapLengthMm = lapMm
		for i := range outings {
			outings[i].Consist = "coal"
		}
		return coasting.Rolled{Stock: coasting.Stock{Session: session, Circuit: c, Consists: []wire.Consist{{ID: "coal", Cars: []wire.Car{{MassG: massG}}}}, Called: map[string]string{"coal": "Coal"}}, Outings: outings}
	}
	one, _, err := coasting.Together(wire.CoastAsk{}, []coasting.Rolled{rolled("s1", 100, 40_000)})
	if err != nil || one.Consists[0].Name != "Coal" || one.Consists[0].RunList[0].Run != "a" {
		t.Fatalf("%v %+v", err, one)
	}
	both, _, err := coasting.Together(wire.CoastAsk{}, []coasting.Rolled{rolled("s1", 100, 40_000), rolled("s2", 100, 40_000)})
	if err != nil || len(both.Consists) != 1 || both.Runs != 8 || both.Consists[0].Name != "Coal" || both.Consists[0].Resistance.Source != "coasting, 8 runs, sessions s1, s2" || both.Consists[0].RunList[4].Run != "s2 a" {
		t.Fatalf("%v %+v", err, both)
	}
	width := func(r wire.CoastResult) float64 {
		x := r.Consists[0].Forces[4].DecMS2
		return *x.Hi - *x.Lo
	}
	if width(both) > 0.85*width(one) {
		t.Errorf("two sessions tell to within %g, one to %g", width(both), width(one))
	}
	for name, other := range map[string]coasting.Rolled{"another mass": rolled("s2", 101, 40_000), "another lap": rolled("s2", 100, 41_000)} {
		r, _, err := coasting.Together(wire.CoastAsk{}, []coasting.Rolled{rolled("s1", 100, 40_000), other, rolled("s3", 100, 40_000)})
		if err != nil || len(r.Consists) != 2 || r.Consists[0].Name != "Coal, sessions s1, s3" || r.Consists[1].Name != "Coal, session s2" || r.Consists[1].Consist != "coal" {
			t.Errorf("%s: %v %+v", name, err, r)
		}
	}
}
