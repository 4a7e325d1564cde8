package dynamics_test

import (
	"math"
	"testing"

	"rainhill/pkg/dynamics"
	"rainhill/testdata/reference"
)

// F14: coast-down, integration of dv/dt = -(a + b v + c v2); closed forms for A
// to C, numerical quadrature for D.
func TestCoastAgreesWithIntegration(t *testing.T) {
	c := reference.Load(t, "F14")
	for _, name := range []string{"A", "B", "C", "D"} {
		var in struct{ A, B, C, V0 float64 }
		c.Input(t, name, &in)
		s, m := dynamics.Coast(in.A, in.B, in.C, in.V0)
		c.Check(t, name+" t,s", s, m)
	}
	if s, _ := dynamics.Coast(0, 1, 1, 1); !math.IsNaN(s) {
		t.Errorf("without dry friction it never stands: got %g s, want NaN", s)
	}
	// b2 > 4ac and b2 = 4ac, against Simpson's rule: no case of F14 has them.
	for _, x := range [][3]float64{{0.1, 0.5, 0.2}, {0.1, 0.2, 0.1}} {
		s, m := dynamics.Coast(x[0], x[1], x[2], 0.7)
		var ws, wm float64
		const n = 2000
		for i := range n + 1 {
			v, w := 0.7*float64(i)/n, float64(2+2*(i%2))
			if i == 0 || i == n {
				w = 1
			}
			g := w * 0.7 / n / 3 / (x[0] + x[1]*v + x[2]*v*v)
			ws, wm = ws+g, wm+g*v
		}
		if math.Abs(s/ws-1) > 1e-9 || math.Abs(m/wm-1) > 1e-9 {
			t.Errorf("%v: %.12g s %.12g m, want %.12g %.12g", x, s, m, ws, wm)
		}
	}
}

// F17: two data sheets of brushed motors.
func TestMotorAgreesWithSheets(t *testing.T) {
	c := reference.Load(t, "F17")
	col := func(name string) []float64 { return reference.Column(t, "motor_sheets.csv", name) }
	rpm := 60 / (2 * math.Pi)
	for i, id := range []string{"A", "B"} {
		u := col("V_nominal")[i]
		k := col("kM_mNm_per_A")[i] / 1000
		m := dynamics.Motor{ResistanceOhm: col("R_ohm")[i], KNmA: k, NoLoadA: col("no_load_mA")[i] / 1000}
		speed := m // the sheet's speed constant in place of its torque constant
		speed.KNmA = rpm / col("kn_rpm_per_V")[i]
		noLoad := speed.NoLoadRadS(u) * rpm
		gradient := m.GradientRadSNm() * rpm / 1000
		c.Check(t, id+" no-load rpm, stall mNm, stall A, gradient", noLoad, m.StallNm(u)*1000, m.StallA(u), gradient)
		c.Check(t, id+" kM x kn in SI (should be 1)", k/speed.KNmA)
		c.Check(t, id+" stall current V/R", m.StallA(u))
		c.Check(t, id+" stall torque kM V/R mNm", m.StallNm(u)*1000)
		c.Check(t, id+" no-load rpm kn (V - I0 R)", noLoad)
		c.Check(t, id+" gradient R/kM^2 x 60/2pi rpm/mNm", gradient)
		c.Check(t, id+" max mechanical power at half speed W = w0 Ts/4 (ideal line, V/kE)", m.MaxPowerW(u))
		c.Check(t, id+" max efficiency %", m.MaxEfficiency(u)*100)
		if id == "A" {
			c.Check(t, "efficiency maximum (1-sqrt(I0/Is))^2, A", m.MaxEfficiency(u))
		}
	}
}

// F18: slip of driving wheels, by definition. The project divides by ground speed.
func TestSlip(t *testing.T) {
	c := reference.Load(t, "F18")
	var a struct {
		Wheel float64 `json:"wheel_surface_m_s"`
		Train float64 `json:"train_m_s"`
	}
	c.Input(t, "a", &a)
	s := dynamics.Slip(a.Wheel, a.Train)
	c.Check(t, "a slip relative to train = (vw-v)/v", s)
	c.Check(t, "a slip relative to wheel = (vw-v)/vw", s/(1+s))
	var b struct {
		Diameter float64 `json:"wheel_diameter_mm"`
		Rpm      float64 `json:"wheel_rpm"`
		Train    float64 `json:"train_m_s"`
	}
	c.Input(t, "b", &b)
	wheel := b.Rpm / 60 / dynamics.CountsPerM(1, 1, b.Diameter/1000)
	c.Check(t, "b wheel surface m/s", wheel)
	c.Check(t, "b slip (vw-v)/v", dynamics.Slip(wheel, b.Train))
	if s := dynamics.Slip(0.1, 0); !math.IsNaN(s) {
		t.Errorf("a standing train slips by %g, want NaN", s)
	}
}

// F19: encoder counts, a public note on a gear motor with a 100-line encoder.
func TestCounts(t *testing.T) {
	c := reference.Load(t, "F19")
	num := func(name string) (x float64) { c.Input(t, name, &x); return x }
	perRev, gear, counts := num("lines_per_turn")*num("quadrature_factor"), num("gear"), num("counts")
	wheel := num("wheel_diameter_mm") / 1000
	turns := counts / dynamics.CountsPerM(perRev, gear, 1/math.Pi)
	metres := counts / dynamics.CountsPerM(perRev, gear, wheel)
	c.Check(t, "increments per motor turn", perRev)
	c.Check(t, "increments per gear output turn", dynamics.CountsPerM(perRev, gear, 1/math.Pi))
	c.Check(t, "output turns", turns)
	c.Check(t, "wheel rev/s", turns/num("seconds"))
	c.Check(t, "speed m/s", metres/num("seconds"))
	c.Check(t, "distance m", metres)
}

// F20: lateral acceleration and overturning speed, rigid-body statics.
func TestOverturning(t *testing.T) {
	c := reference.Load(t, "F20")
	num := func(name string) (x float64) { c.Input(t, name, &x); return x }
	r, b, h := num("R_m")*1000, num("rail_centre_spacing_mm"), num("centre_of_gravity_mm")
	level := dynamics.OverturningMmS(r, b, h, 0)
	c.Check(t, "level track overturning speed sqrt(g R b/(2h)) m/s", level/1000)
	c.Check(t, "with cant: v^2 = g R (b/2h + tan)/(1 - b/2h tan), m/s", dynamics.OverturningMmS(r, b, h, num("cant_degrees"))/1000)
	// v2/R at the overturning speed is g b/(2h); scaled to the case's speed.
	lateral := dynamics.Gravity * b / (2 * h) * math.Pow(num("v_m_s")*1000/level, 2)
	c.Check(t, "lateral acceleration m/s2", lateral)
	if v := dynamics.OverturningMmS(0, b, h, 0); !math.IsInf(v, 1) {
		t.Errorf("a straight overturns at %g, want never", v)
	}
}

// F07: curve resistance of full-scale track, AREMA's rule as a railway thesis
// tabulates it.
func TestCurveResistanceHasTheShapeOfTheRule(t *testing.T) {
	c := reference.Load(t, "F07")
	const g, k = 9.81, 0.0004 * 1746.4 // weight per 1/radius in m
	near := func(r float64) float64 { return dynamics.CurveMS2(k*g, r) }
	c.Check(t, "AREMA 1000 m (N per kg)", near(1000))
	c.Check(t, "AREMA 300 m (N per kg)", near(300))
	c.Check(t, "AREMA w = 0.0004 x degrees, degrees = 1746.4/R(m): 1000 m", near(1000)/g)
	c.Check(t, "AREMA w 300 m", near(300)/g)
	for _, name := range []string{
		"Roeckl 1000 m, coefficient times 9.81 (N per kg)", "Roeckl 300 m (N per kg)", "Roeckl w 1000 m", "Roeckl w 300 m",
	} {
		c.Leave(t, name, "another rule of full-scale track, 650/(R-55): it has no sense at a model's radii and is not used")
	}
}
