package motor

import (
	"math"
	"testing"

	"rainhill/testdata/reference"
)

// F17: two data sheets of brushed motors.
func TestConstantsAgreeWithSheets(t *testing.T) {
	c := reference.Load(t, "F17")
	col := func(name string) []float64 { return reference.Column(t, "motor_sheets.csv", name) }
	rpm := 60 / (2 * math.Pi)
	for i, id := range []string{"A", "B"} {
		u := col("V_nominal")[i]
		m := Constants{ROhm: col("R_ohm")[i], KVS: col("kM_mNm_per_A")[i] / 1000, I0A: col("no_load_mA")[i] / 1000}
		speed := m // the sheet's speed constant in place of its torque constant
		speed.KVS = rpm / col("kn_rpm_per_V")[i]
		noLoad, gradient := speed.FreeRadS(u)*rpm, m.GradientRadSNm()*rpm/1000
		c.Check(t, id+" no-load rpm, stall mNm, stall A, gradient", noLoad, m.StallNm(u)*1000, m.StallA(u), gradient)
		c.Check(t, id+" kM x kn in SI (should be 1)", m.KVS/speed.KVS)
		c.Check(t, id+" stall current V/R", m.StallA(u))
		c.Check(t, id+" stall torque kM V/R mNm", m.StallNm(u)*1000)
		c.Check(t, id+" no-load rpm kn (V - I0 R)", noLoad)
		c.Check(t, id+" gradient R/kM^2 x 60/2pi rpm/mNm", gradient)
		// What a train takes off such a motor at half the ideal speed, by the sums of a
		// prediction, is the sheet's greatest mechanical power.
		w := wheels{Constants: Constants{m.ROhm, m.KVS, 0}, turn: 1, eff: 1, grip: 1e9}
		half := u / m.KVS / 2
		p := point{sets: []wheels{w}, volt: u}
		c.Check(t, id+" max mechanical power at half speed W = w0 Ts/4 (ideal line, V/kE)", p.at(1, half).pull*half)
		best := bestEfficiency(m, u)
		c.Check(t, id+" max efficiency %", best*100)
		if id == "A" {
			if !reference.Within(t, "rel 1e-6", best, 0.8665340872421147) {
				t.Errorf("greatest efficiency by search %.9f", best)
			}
			c.Leave(t, "efficiency maximum (1-sqrt(I0/Is))^2, A", "held to 1e-6: it is sought over the speeds here, not reckoned by that formula")
		}
	}
}

// bestEfficiency is the greatest power at the rims over that of the supply.
func bestEfficiency(m Constants, u float64) float64 {
	p := point{sets: []wheels{{Constants: m, turn: 1, eff: 1, grip: 1e9}}, volt: u}
	best := 0.0
	for i := range 100_000 {
		v := u / m.KVS * float64(i) / 100_000
		now := p.at(1, v)
		best = max(best, now.pull*v/(u*now.amps[0]))
	}
	return best
}

// F08, F09: tractive effort of steam engines, which is the mean turning moment at the
// wheels over their radius, as here: two cylinders of bore d and stroke s at mean
// pressure p do 4 x pi/4 d2 p s a turn.
func TestEffortAgreesWithTractiveEffort(t *testing.T) {
	effort := func(d, s, p, wheel, eff float64) float64 {
		moment := math.Pi * d * d * p * s / (2 * math.Pi)
		return wheels{Constants: Constants{KVS: 1}, turn: 2 / wheel, eff: eff}.effort(moment)
	}
	c := reference.Load(t, "F08")
	num := func(name string) (x float64) { c.Input(t, name, &x); return x }
	got := effort(num("d_in"), num("s_in"), num("p_mean_psi"), num("D_in"), 1)
	c.Check(t, "d^2 s p / D, lb", math.Round(got*1e6)/1e6)
	c = reference.Load(t, "F09")
	var in struct {
		D     float64 `json:"d_in"`
		S     float64 `json:"s_in"`
		P     float64 `json:"boiler_psi"`
		Wheel float64 `json:"D_in"`
	}
	c.Input(t, "a", &in)
	c.Check(t, "a: tractive force per lb of mean pressure", math.Round(effort(in.D, in.S, 1, in.Wheel, 1)*1e6)/1e6)
	c.Input(t, "b", &in)
	c.Leave(t, "b: 85% of boiler pressure psi", "an efficiency of 0.85 on the boiler pressure; c uses it")
	c.Input(t, "c", &in)
	c.Check(t, "c: 0.85 p d^2 s/D, lb", effort(in.D, in.S, in.P, in.Wheel, 0.85))
}

// F10, F11: power is force x speed. What the shaft gives, K (I - I0) w x efficiency,
// is that at the rims.
func TestPowerIsForceTimesSpeed(t *testing.T) {
	rate := func(force, speed float64) float64 {
		w := wheels{Constants: Constants{KVS: 0.0085, I0A: 0.06}, turn: 1028, eff: 0.72}
		amps := w.needs(force)
		if shaft := w.KVS * (amps - w.I0A) * w.turn * speed * w.eff; math.Abs(shaft/(w.effort(amps)*speed)-1) > 1e-12 {
			t.Errorf("the shaft gives %g, the rims %g", shaft, w.effort(amps)*speed)
		}
		return w.effort(amps) * speed
	}
	c := reference.Load(t, "F10")
	num := func(name string) (x float64) { c.Input(t, name, &x); return x }
	got := rate(num("force_lb"), num("speed_ft_s"))
	c.Check(t, "rate of working ft-lb/s", math.Round(got*1e3)/1e3)
	c.Check(t, "horsepower", got/550)
	perMph := num("speed_ft_s") / num("speed_mph")
	c.Check(t, "10000*30/375", rate(num("force_lb"), num("speed_mph"))*perMph/550)
	c.Check(t, "one hp in lb-mph", 550/perMph)
	const lbf, ft = 0.45359237 * Gravity, 0.3048
	c.Check(t, "hp in W (550 ft-lbf/s)", rate(550*lbf, ft))
	c = reference.Load(t, "F11")
	var in struct {
		N   float64 `json:"pull_N"`
		MS  float64 `json:"speed_m_s"`
		Gf  float64 `json:"pull_gf"`
		MmS float64 `json:"speed_mm_s"`
		Lb  float64 `json:"pull_lb"`
		Mph float64 `json:"mph"`
	}
	c.Input(t, "a", &in)
	c.Check(t, "a W", rate(in.N, in.MS))
	c.Input(t, "b", &in)
	c.Check(t, "b W", rate(in.Gf/1000*Gravity, in.MmS/1000))
	c.Input(t, "c", &in)
	c.Check(t, "c hp", rate(in.Lb, in.Mph*perMph)/550)
}

// F12: adhesion is pull over weight; what limits a strong motor's pull is that.
func TestPullAgreesWithAdhesion(t *testing.T) {
	c := reference.Load(t, "F12")
	var in struct {
		N  float64 `json:"pull_N"`
		Kg float64 `json:"mass_kg"`
		Lb float64 `json:"pull_lb"`
		W  float64 `json:"weight_lb"`
	}
	c.Input(t, "a", &in)
	weight := in.Kg * Gravity
	p := point{volt: 12, sets: []wheels{{Constants: Constants{2, 0.01, 0.05}, turn: 1000, eff: 0.7, grip: in.N}}}
	m, adhesion := p.standing(1)
	if !adhesion {
		t.Error("a motor that could pull 40 N is not said to be limited by adhesion")
	}
	c.Check(t, "a mu = pull/weight", m.pull/weight)
	c.Input(t, "b", &in)
	p.sets[0].grip = in.Lb
	p.volt = 1e6
	m, _ = p.standing(1)
	c.Check(t, "b factor of adhesion", in.W/m.pull)
	c.Leave(t, "customary factor: passenger, freight, switch", "of full-scale steam engines; nothing here takes it")
	c.Leave(t, "dry rail coefficient about", "common practice; what is assumed when nothing is stated, by those who ask for predictions")
}

// The balance speed in closed form: c (d U - K n v)/R - c I0 = a + b v + q v2 is a quadratic
// in v.
func TestBalanceAgreesWithTheClosedForm(t *testing.T) {
	for _, x := range []struct{ d, b, q float64 }{{1, 0.1, 0.08}, {0.5, 0, 0.2}, {0.7, 0.3, 0}, {0.12, 0.1, 0.1}} {
		const r, k, none, n, eff, u, a = 3.2, 0.0085, 0.06, 1028.0, 0.72, 8.0, 0.17
		p := point{volt: u, a: a, b: x.b, c: x.q, sets: []wheels{{Constants: Constants{r, k, none}, turn: n, eff: eff, grip: 100}}}
		scale := k * n * eff
		lin, con := scale*k*n/r+x.b, scale*(x.d*u/r-none)-a
		want := con / lin
		if x.q > 0 {
			want = (-lin + math.Sqrt(lin*lin+4*x.q*con)) / (2 * x.q)
		}
		if got := p.balance(x.d, 0); math.Abs(got-want) > 1e-9 {
			t.Errorf("at %g: %.12f m/s, want %.12f", x.d, got, want)
		}
	}
	p := point{volt: 8, a: 100, sets: []wheels{{Constants: Constants{3, 0.01, 0.05}, turn: 1000, eff: 0.7, grip: 5}}}
	if v := p.balance(1, 0); v != 0 {
		t.Errorf("a train that is too heavy runs at %g m/s", v)
	}
}

// Mean part on arcs, and its square, against sums over the lap by hand: a train of 1 m
// on 4 m of straight and 2 m of arc.
func TestLapOf(t *testing.T) {
	l := LapOf([]Piece{{4, false}, {2, true}}, 1)
	// A third of the lap is arc; wholly on it for 1 m, ramps of 1 m at both ends.
	for name, x := range map[string][2]float64{"least": {l.Least, 0}, "most": {l.Most, 1}, "mean": {l.Mean, 2.0 / 6}, "square": {l.Square, (1 + 2.0/3) / 6}} {
		if math.Abs(x[0]-x[1]) > 1e-3 {
			t.Errorf("%s %.5f, want %.5f", name, x[0], x[1])
		}
	}
	if l := LapOf([]Piece{{4, false}}, 1); l != (Lap{}) {
		t.Errorf("a straight has arcs: %+v", l)
	}
}
