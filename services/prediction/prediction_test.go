package prediction_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/motor"
	"rainhill/pkg/wire"
	"rainhill/services/prediction"
)

func est(value, u float64) wire.Estimate {
	lo, hi := value-1.96*u, value+1.96*u
	return wire.Estimate{Value: &value, Lo: &lo, Hi: &hi, U: &u}
}

func only(value float64) wire.Estimate { return wire.Estimate{Value: &value} }

// heron has two sets of one kind and all stated.
func heron() wire.Locomotive {
	set := func(id string) wire.DriverSet {
		return wire.DriverSet{ID: id, Motor: "m-" + id, WheelDiameterMm: 36, WheelDiameterUMm: 0.02, GearRatio: 18.5, CountsPerRev: 48, WeightG: 1300, GearEfficiency: 0.72, GearEfficiencyU: 0.02, Adhesion: 0.25, AdhesionU: 0.02}
	}
	return wire.Locomotive{ID: "heron", Name: "Heron", MassG: 2840, LengthMm: 430, DriverSets: []wire.DriverSet{set("front"), set("rear")},
		Resistance: &wire.Resistance{AMS2: 0.06, BPerS: 0.03, CPerM: 0.02, CurveMS2: 0.02, AUMS2: 0.002, BUPerS: 0.002, CUPerM: 0.002, CurveUMS2: 0.002}}
}

func stock() prediction.Stock {
	half := wire.Piece{RadiusMm: 800, AngleDeg: 180, Hand: "left"}
	curve := func(r, k float64) *wire.MotorCurve {
		return &wire.MotorCurve{ResistanceOhm: est(r, 0.02), KVS: est(k, 1e-5), NoLoadMa: est(60, 1)}
	}
	return prediction.Stock{
		Circuit: wire.Circuit{ID: "oval", Name: "Oval", Pieces: []wire.Piece{{StraightMm: 1500}, half, {StraightMm: 1500}, half}},
		Motors:  map[string]wire.NamedMotor{"m-front": {ID: "m-front", Curve: curve(3.2, 0.0085)}, "m-rear": {ID: "m-rear", Curve: curve(3.5, 0.0083)}, "m-spare": {ID: "m-spare"}},
	}
}

func question() wire.PredictAsk {
	return wire.PredictAsk{Locomotive: heron(), DutyPermille: 640, SupplyMv: 8300, SupplyOhm: 0.15}
}

func names(p wire.Prediction) (out []string) {
	for _, a := range p.Assumed {
		out = append(out, a.Name)
	}
	slices.Sort(out)
	return out
}

// An adhesion that is stated is not known without error for that.
func TestAnAdhesionWithoutUncertaintyIsNotExact(t *testing.T) {
	ask := question()
	for i := range ask.Locomotive.DriverSets {
		ask.Locomotive.DriverSets[i].AdhesionU = 0
	}
	p, err := prediction.Predict(stock(), ask, nil)
	if err != nil || p.Limit != wire.LimitAdhesion || !slices.Equal(names(p), []string{"adhesion of front", "adhesion of rear"}) {
		t.Fatalf("%v: %s, %v", err, p.Limit, p.Assumed)
	}
	if width := *p.PullMn.Hi - *p.PullMn.Lo; width < 0.3**p.PullMn.Value {
		t.Errorf("a pull of %.0f mN, which adhesion limits, is said to be known to %.0f", *p.PullMn.Value, width)
	}
}

// A wheel that rolls along to measure drives nothing: with it or without, all is the same.
func TestAMeasuringWheelDrivesNothing(t *testing.T) {
	ask := question()
	for i := range ask.Locomotive.DriverSets {
		ask.Locomotive.DriverSets[i].WeightG = 0 // an even share of the mass each, of those that drive
	}
	plain, err := prediction.Predict(stock(), ask, nil)
	if err != nil {
		t.Fatal(err)
	}
	ask.Locomotive.DriverSets = append([]wire.DriverSet{{ID: "measuring-wheel", Motor: "roller", WheelDiameterMm: 10, GearRatio: 1, CountsPerRev: 100}}, ask.Locomotive.DriverSets...)
	p, err := prediction.Predict(stock(), ask, nil)
	if err != nil || *p.SpeedMmS.Value != *plain.SpeedMmS.Value || *p.PullMn.Value != *plain.PullMn.Value || len(p.Sets) != 2 {
		t.Errorf("%v: %+v, without it %+v", err, p.SpeedMmS, plain.SpeedMmS)
	}
	pairs, err := prediction.Pairs(stock(), wire.PairingAsk{Locomotive: ask.Locomotive, SupplyMv: 8300})
	if err != nil || len(pairs.Pairings) != 1 {
		t.Errorf("%v: %+v", err, pairs.Pairings)
	}
}

// What is stated is not assumed; what is not is listed, and widens the interval.
func TestAssumptionsAreListed(t *testing.T) {
	whole, err := prediction.Predict(stock(), question(), nil)
	if err != nil || len(whole.Assumed) != 0 {
		t.Fatalf("%v, taken although all is stated: %v", err, whole.Assumed)
	}
	width := func(p wire.Prediction) float64 { return *p.SpeedMmS.Hi - *p.SpeedMmS.Lo }
	for _, c := range []struct {
		what   string
		change func(*wire.PredictAsk)
		want   []string
	}{
		{"resistance", func(a *wire.PredictAsk) { a.Locomotive.Resistance = nil }, []string{"a_m_s2", "b_per_s", "c_per_m", "curve_m_s2"}},
		{"efficiency", func(a *wire.PredictAsk) { a.Locomotive.DriverSets[0].GearEfficiency = 0 }, []string{"gear_efficiency"}},
		{"efficiency without uncertainty", func(a *wire.PredictAsk) { a.Locomotive.DriverSets[0].GearEfficiencyU = 0 }, []string{"gear_efficiency of front"}},
		{"supply", func(a *wire.PredictAsk) { a.SupplyOhm = 0 }, []string{"supply_ohm"}},
		{"data sheet without uncertainty", func(a *wire.PredictAsk) {
			a.Motors = []wire.NamedMotor{{ID: "m-front", Curve: &wire.MotorCurve{ResistanceOhm: only(3.2), KVS: only(0.0085), NoLoadMa: only(60)}}}
		}, []string{"k_v_s of m-front", "no_load_ma of m-front", "resistance_ohm of m-front"}},
		{"no-load current not told", func(a *wire.PredictAsk) {
			a.Motors = []wire.NamedMotor{{ID: "m-front", Curve: &wire.MotorCurve{ResistanceOhm: est(3.2, 0.02), KVS: est(0.0085, 1e-5), Steps: []wire.CurveStep{{CurrentMa: 110}, {CurrentMa: 10, Left: "the motor stood"}}}}}
		}, []string{"no_load_ma of m-front"}},
	} {
		ask := question()
		c.change(&ask)
		got, err := prediction.Predict(stock(), ask, nil)
		if err != nil || !slices.Equal(names(got), c.want) || width(got) <= width(whole) {
			t.Errorf("%s: %v, taken %q, want %q; interval of %.2f mm/s, with all stated %.2f", c.what, err, names(got), c.want, width(got), width(whole))
		}
	}
	// Adhesion does not come into the speed, but into the pull.
	for tyres, want := range map[bool]float64{false: 0.25, true: 0.40} {
		ask := question()
		for i := range ask.Locomotive.DriverSets {
			ask.Locomotive.DriverSets[i].Adhesion, ask.Locomotive.DriverSets[i].Tyres = 0, tyres
		}
		got, err := prediction.Predict(stock(), ask, nil)
		if err != nil || len(got.Assumed) != 1 || got.Limit != wire.LimitAdhesion || math.Abs(*got.PullMn.Value-want*2*1300*motor.Gravity) > 0.1 {
			t.Errorf("tyres %v: %v, taken %v, pull %v", tyres, err, got.Assumed, got.PullMn.Value)
		}
	}
}

func TestWhatCannotBePredictedIsSaid(t *testing.T) {
	for want, change := range map[string]func(*wire.PredictAsk){
		"its mass_g is not stated":         func(a *wire.PredictAsk) { a.Locomotive.MassG = 0 },
		"has no driver sets":               func(a *wire.PredictAsk) { a.Locomotive.DriverSets = nil },
		"motor m-spare has no curve":       func(a *wire.PredictAsk) { a.Locomotive.DriverSets[1].Motor = "m-spare" },
		"driver set rear names no motor":   func(a *wire.PredictAsk) { a.Locomotive.DriverSets[1].Motor = "" },
		"gear_ratio is not stated":         func(a *wire.PredictAsk) { a.Locomotive.DriverSets[0].GearRatio = 0 },
		"wheel_diameter_mm is not stated":  func(a *wire.PredictAsk) { a.Locomotive.DriverSets[0].WheelDiameterMm = 0 },
		"supply's voltage is not stated":   func(a *wire.PredictAsk) { a.SupplyMv = 0 },
		"trial t9 tells nothing":           func(a *wire.PredictAsk) { a.Trial = "t9" },
		"the variant: locomotive heron":    func(a *wire.PredictAsk) { v := question(); v.Locomotive.MassG = 0; a.Variant = &v },
		"variant is asked for at another ": func(a *wire.PredictAsk) { v := question(); v.DutyPermille = 500; a.Variant = &v },
	} {
		ask := question()
		change(&ask)
		if _, err := prediction.Predict(stock(), ask, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// A trial whose throttle changed tells nothing of one: it stands beside nothing and its
// laps do not widen the interval; a sweep says that it is one. Throttles are those that
// slip was summed up by, whatever its conditions state.
func TestATrialOfSeveralThrottles(t *testing.T) {
	duty := func(v float64) *float64 { return &v }
	result := func(id string, cv float64, conditions map[string]any, duties ...float64) wire.TrialResult {
		r := wire.TrialResult{Trial: id, Train: "heron", State: "closed", About: &wire.Trial{ID: id, Locomotive: "heron", Conditions: conditions},
			SpeedMmS: est(556, 3), Consistency: wire.Consistency{N: 6, CV: &cv}, Sets: []wire.SetResult{{Set: "front"}}}
		for i, d := range duties {
			r.Sets[0].By = append(r.Sets[0].By, wire.SlipBy{Place: wire.PlaceAll, DutyPermille: duty(d), N: 4 + i}, wire.SlipBy{Place: wire.PlaceCurve, DutyPermille: duty(d), N: 90})
		}
		return r
	}
	steady := result("steady", 0.004, nil, 634, 648)
	plain := prediction.MeasuredOf(wire.Results{Locomotives: []wire.Locomotive{heron()}, Trials: []wire.TrialResult{steady}}, nil)
	want, err := prediction.Predict(stock(), question(), plain)
	if err != nil || len(want.Measured) != 1 || want.Measured[0].DutyPermille != 648 {
		t.Fatal(err, want.Measured)
	}
	ran := prediction.MeasuredOf(wire.Results{Locomotives: []wire.Locomotive{heron()}, Trials: []wire.TrialResult{
		steady, result("moved", 0.15, map[string]any{"throttle_permille": 640.0}, 500, 700), result("swept", 0.3, map[string]any{"purpose": "sweep"}, 200, 800),
	}}, nil)
	p, err := prediction.Predict(stock(), question(), ran)
	if err != nil || len(p.Measured) != 1 || *p.SpeedMmS.Lo != *want.SpeedMmS.Lo || *p.SpeedMmS.Hi != *want.SpeedMmS.Hi {
		t.Errorf("%v: %+v beside; %g to %g, want %g to %g", err, p.Measured, *p.SpeedMmS.Lo, *p.SpeedMmS.Hi, *want.SpeedMmS.Lo, *want.SpeedMmS.Hi)
	}
	if !slices.ContainsFunc(p.Doubts, func(d string) bool {
		return strings.Contains(d, "trial moved is not held against the prediction: its throttle changed")
	}) {
		t.Errorf("doubts %q", p.Doubts)
	}
	for id, want := range map[string]string{"moved": "its throttle changed", "swept": "it is a throttle sweep", "gone": "it is not of this session"} {
		ask := question()
		ask.Trial = id
		if _, err := prediction.Predict(stock(), ask, ran); err == nil || !strings.HasSuffix(err.Error(), "trial "+id+" tells nothing of the resistance: "+want) && !strings.Contains(err.Error(), want+", in which nothing was steady") {
			t.Errorf("%s: %v", id, err)
		}
	}
}

// A trial in which the slip of both sets was told: its creep goes into the prediction,
// which has that slip again at that throttle, and more of it with more load.
func TestCreepFromAToldSlip(t *testing.T) {
	ran := []prediction.Measured{{
		Trial: wire.Trial{ID: "t1", Locomotive: "heron"}, Locomotive: heron(), SpeedMmS: est(580, 0.5), LapCV: math.NaN(), Duty: 0.64, VoltV: math.NaN(),
		Slip: map[string]motor.Input{"front": {Value: 0.004, U: 0.0005}, "rear": {Value: 0.005, U: 0.0005}},
	}}
	p, err := prediction.Predict(stock(), question(), ran)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.004, 0.005} {
		if s := p.Sets[i].Slip; s.Value == nil || math.Abs(*s.Value/want-1) > 0.05 || !(*s.Lo < want && want < *s.Hi) {
			t.Errorf("set %d slips by %g (%g to %g), want %g", i, *s.Value, *s.Lo, *s.Hi, want)
		}
	}
	if slices.ContainsFunc(p.Doubts, func(d string) bool { return strings.Contains(d, "slip is not reckoned with") }) || len(p.Measured) != 1 {
		t.Errorf("doubts %q, %d trials beside", p.Doubts, len(p.Measured))
	}
	heavy := question()
	heavy.Consist = &wire.Consist{ID: "ore", Cars: []wire.Car{{MassG: 5000}}, Resistance: heavy.Locomotive.Resistance}
	q, err := prediction.Predict(stock(), heavy, ran)
	if err != nil || *q.Sets[0].Slip.Value < 1.5**p.Sets[0].Slip.Value {
		t.Errorf("%v: behind 5 kg it slips by %v, alone by %v", err, q.Sets[0].Slip.Value, p.Sets[0].Slip.Value)
	}
	none, err := prediction.Predict(stock(), question(), nil)
	if err != nil || none.Sets[0].Slip.Value != nil || !slices.ContainsFunc(none.Doubts, func(d string) bool { return strings.Contains(d, "slip is not reckoned with") }) {
		t.Errorf("%v: without such a trial slip is %v, doubts %q", err, none.Sets[0].Slip.Value, none.Doubts)
	}
}

// What results say of a motor comes with its curve.
func TestARegulatedMotorsCurveIsDoubted(t *testing.T) {
	var samples []wire.Sample
	turns := 0.0
	for i := range 500 {
		duty, volt, amps := int64(300+60*(i/50)), int64(8000), int64(100+40*(i/50%2)+i%3)
		turns += (float64(duty*volt)/1e6 - 3*float64(amps)/1000) / 0.009 * 0.1 / (2 * math.Pi)
		counts := int64(48 * turns)
		samples = append(samples, wire.Sample{AtUs: int64(i+1) * 100_000, Counts: &counts, CurrentMa: &amps, VoltageMv: &volt, DutyPermille: &duty})
	}
	r := &prediction.Readings{}
	r.Add(wire.Event{Kind: wire.KindMotor, Motor: "m-front", Samples: samples}, func(us int64) int64 { return us })
	r.Sort()
	s := prediction.Swept{Session: "s1", Trials: []wire.Trial{{ID: "t1", Locomotive: "heron"}}, Locomotives: []wire.Locomotive{heron()}, Readings: r}
	for _, regulated := range []bool{false, true} {
		verdict := wire.Regulated{Verdict: wire.IsUnregulated}
		if regulated {
			verdict.Verdict = wire.IsRegulated
		}
		s.Regulated = prediction.RegulatedOf([]wire.TrialResult{{Sets: []wire.SetResult{{Motor: "m-front", Regulated: verdict}}}})
		curves, why, err := s.Curves("", nil)
		if err != nil || len(curves) != 1 || len(why) != 0 {
			t.Fatal(err, why, curves)
		}
		if got := slices.ContainsFunc(curves[0].Curve.Doubts, func(d string) bool { return strings.Contains(d, "holds its speed by itself") }); got != regulated {
			t.Errorf("regulated %v: doubts %q", regulated, curves[0].Curve.Doubts)
		}
	}
}

// Bounds of wire's own check on questions.
func TestQuestionsAreChecked(t *testing.T) {
	for want, change := range map[string]func(*wire.PredictAsk){
		"duty_permille": func(a *wire.PredictAsk) { a.DutyPermille = 1001 }, "supply_mv": func(a *wire.PredictAsk) { a.SupplyMv = math.Inf(1) },
		"which is 1e+03 V: want 0.1 to 100 V": func(a *wire.PredictAsk) { a.SupplyMv = 1e6 }, "supply_mv = -3": func(a *wire.PredictAsk) { a.SupplyMv = -3 },
		"circuit": func(a *wire.PredictAsk) { a.Circuit = "No" }, "trial": func(a *wire.PredictAsk) { a.Trial = "T 1" },
		"variant of its own": func(a *wire.PredictAsk) { v, w := question(), question(); v.Variant = &w; a.Variant = &v },
		"resistance_ohm":     func(a *wire.PredictAsk) { a.Motors = []wire.NamedMotor{{ID: "m", Curve: &wire.MotorCurve{}}} },
	} {
		ask := question()
		change(&ask)
		if err := ask.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// Terms that coasting told together are surer together than one by one: what one is too high
// another is too low. An uncertainty that was changed by hand since takes that away.
func TestTermsMeasuredTogether(t *testing.T) {
	ask := question()
	ask.Consist = &wire.Consist{ID: "coal", Cars: []wire.Car{{MassG: 3000, LengthMm: 900}}}
	width := func(r wire.Resistance) float64 {
		ask.Consist.Resistance = &r
		p, err := prediction.Predict(stock(), ask, nil)
		if err != nil || len(p.Assumed) != 0 {
			t.Fatal(err, p.Assumed)
		}
		return *p.SpeedMmS.Hi - *p.SpeedMmS.Lo
	}
	r := wire.Resistance{AMS2: 0.06, BPerS: 0.05, CPerM: 0.04, CurveMS2: 0.02, AUMS2: 0.01, BUPerS: 0.02, CUPerM: 0.001, CurveUMS2: 0.001, Source: "coasting"}
	apart := width(r)
	r.Covariance = [][]float64{{1e-4, -1.98e-4, 0, 0}, {-1.98e-4, 4e-4, 0, 0}, {0, 0, 1e-6, 0}, {0, 0, 0, 1e-6}}
	together := width(r)
	r.AUMS2 = 0.011
	changed := width(r)
	exact := width(wire.Resistance{AMS2: 0.06, BPerS: 0.05, CPerM: 0.04, CurveMS2: 0.02, AUMS2: 1e-9, BUPerS: 1e-9, CUPerM: 1e-9, CurveUMS2: 1e-9})
	if !(together < 0.8*apart && together > exact && changed > 0.95*apart) {
		t.Errorf("the speed is known to %.1f mm/s with the terms together, %.1f apart, %.1f changed by hand, %.1f exact", together, apart, changed, exact)
	}
	r.CurveMS2, r.CurveUMS2, r.Covariance = 0, 0, nil
	ask.Consist.Resistance = &r
	if p, err := prediction.Predict(stock(), ask, nil); err != nil || !strings.Contains(strings.Join(p.Doubts, "; "), "says nothing of curves") {
		t.Errorf("%v, %v", err, p.Doubts)
	}
}

// A gear of no ratio is refused, not passed over.
func TestGearsAreChecked(t *testing.T) {
	for _, g := range []float64{0, -18, math.NaN(), math.Inf(1)} {
		ask := wire.PairingAsk{Locomotive: heron(), SupplyMv: 8000, Gears: []float64{18, g}}
		if err := ask.Check(); err == nil || !strings.Contains(err.Error(), "is not a ratio") {
			t.Errorf("gear %g: %v", g, err)
		}
	}
}
