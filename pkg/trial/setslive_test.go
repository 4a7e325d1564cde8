package trial_test

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// As its trains run the roll has wheel speed, slip of the last stretch and desync of
// each set, each with its uncertainty.
func TestTheRollTellsOfSets(t *testing.T) {
	r := newRail(3)
	r.run(outing{id: "t1", duty: 0.6, carsG: 1200, seconds: 90})
	r.setup.Trials[0].ToUs = 0
	slices.SortStableFunc(r.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
	s := trial.New("test")
	for _, e := range trial.FromSetup(r.setup, "recording", t0) {
		s.Step(e)
	}
	var last [2]wire.MotorVerdict
	for _, e := range r.events {
		for _, v := range s.Frame(s.Step(e)).Motors {
			if v.Set == "rear" {
				last[1] = v
			} else {
				last[0] = v
			}
		}
	}
	for i, v := range last {
		if v.WheelSpeedMmS == nil || v.UWheelMmS == nil || v.Slip == nil || v.USlip == nil {
			t.Fatalf("%+v", v)
		}
		if d := math.Abs(*v.Slip - r.slip("t1", i)); d > 3**v.USlip || *v.USlip > 0.01 {
			t.Errorf("slip of %s is %.4f +/- %.4f, want %.4f", v.Set, *v.Slip, *v.USlip, r.slip("t1", i))
		}
	}
	if last[0].Desync != nil || last[1].Desync == nil || last[1].UDesync == nil {
		t.Fatalf("%+v", last)
	}
	if d := math.Abs(*last[1].Desync - r.desync("t1")); d > 3**last[1].UDesync {
		t.Errorf("desync %.4f +/- %.4f, want %.4f", *last[1].Desync, *last[1].UDesync, r.desync("t1"))
	}
}

// A state that was saved on the way, and one whose counters run backwards, say the same.
func TestSetsSavedAndTurnedRound(t *testing.T) {
	r := newRail(5)
	r.run(outing{id: "t1", duty: 0.6, carsG: 1200, seconds: 90})
	plain := r.result(t, r.score(t), "t1")
	s := trial.New("test")
	for _, e := range trial.FromSetup(r.setup, "recording", t0) {
		s.Step(e)
	}
	for i, e := range r.events {
		if i%400 == 399 {
			b, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			s = read(t, b)
		}
		s.Step(e)
	}
	s.Finish()
	saved, _ := s.Result("t1", 0)
	if a, b := text(t, saved), text(t, plain); a != b {
		t.Errorf("saved on the way:\n%s\nwant\n%s", a, b)
	}
	for _, e := range r.events {
		if e.Motor == "m1" {
			n := -*e.Samples[0].Counts
			e.Samples[0].Counts = &n
		}
	}
	back := r.result(t, r.score(t), "t1")
	if d := math.Abs(*back.Sets[1].Slip.Value - *plain.Sets[1].Slip.Value); d > 1e-5 || back.Sets[1].Regulated.Verdict != plain.Sets[1].Regulated.Verdict {
		t.Errorf("counting backwards: slip %g, want %g; %s", *back.Sets[1].Slip.Value, *plain.Sets[1].Slip.Value, back.Sets[1].Regulated.Verdict)
	}
}

func text(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A set whose board was silent for some laps has none of these, and the other has.
func TestASilentBoard(t *testing.T) {
	r := newRail(6)
	r.run(outing{id: "t1", duty: 0.6, carsG: 1200, seconds: 120})
	from := t0 + 40_000_000
	r.events = slices.DeleteFunc(r.events, func(e wire.Event) bool { return e.Motor == "m1" && e.AtUs > from && e.AtUs < from+30_000_000 })
	x := r.result(t, r.score(t), "t1")
	front, rear := x.Sets[0].By[0].N, x.Sets[1].By[0].N
	if rear >= front || rear == 0 || x.Desync[0].By[0].N != rear {
		t.Errorf("%d stretches of the front set, %d of the rear, %d of both", front, rear, x.Desync[0].By[0].N)
	}
	if d := math.Abs(*x.Sets[1].Slip.Value - r.slip("t1", 1)); d > 3**x.Sets[1].Slip.U {
		t.Errorf("slip %+v, want %g", x.Sets[1].Slip, r.slip("t1", 1))
	}
}

// A measuring wheel tells the stretches where gates stand wrong.
func TestAMeasuringWheelIsTheGround(t *testing.T) {
	r := newRail(9)
	r.run(outing{id: "t1", duty: 0.6, carsG: 1200, seconds: 150})
	// The rear set's counter becomes that of a wheel that rolls with the train, which
	// here it does but for its slip; what is wrong is where a gate is said to stand.
	r.loco.DriverSets[1].ID, r.loco.DriverSets[1].WeightG = trial.MeasuringWheel, 0
	r.setup.Gates[2].PositionMm += 20
	x := r.result(t, r.score(t), "t1")
	if len(x.Sets) != 1 || len(x.Desync) != 0 {
		t.Fatalf("%d sets, %d pairs: a measuring wheel drives nothing", len(x.Sets), len(x.Desync))
	}
	o := r.ran["t1"]
	want := o.curveWheel[0]/o.curveM - o.line[0]/o.lineM
	place := map[string]float64{}
	for _, b := range x.Sets[0].By {
		if b.Slip.Value != nil {
			place[b.Place] = *b.Slip.Value
		}
	}
	if got := place[wire.PlaceCurve] - place[wire.PlaceStraight]; math.Abs(got-want) > 0.001 {
		t.Errorf("slip on curves less that on straights is %.4f, want %.4f", got, want)
	}
}

func TestWheelChecksRefuse(t *testing.T) {
	s := trial.New("test")
	if _, err := s.WheelChecks([]string{"t1"}); err == nil || !strings.Contains(err.Error(), "no session") {
		t.Error(err)
	}
	r := newRail(1)
	r.run(outing{id: "t1", duty: 0.4, seconds: 60})
	s = r.score(t)
	for words, trials := range map[string][]string{"which trials": nil, "no trial \"t9\"": {"t1", "t9"}} {
		if _, err := s.WheelChecks(trials); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%v: %v", trials, err)
		}
	}
	checks, err := s.WheelChecks([]string{"t1"})
	if err != nil || len(checks) != 2 || checks[0].Calibration.Circuit != "oval" || checks[0].Calibration.Trials[0] != "t1" {
		t.Errorf("%+v, %v", checks, err)
	}
	if said := strings.Join(checks[0].Doubts, " "); strings.Contains(said, "is not over") {
		t.Errorf("of a trial that is over: %s", said)
	}
	open := trial.New("test")
	r.setup.Trials[0].ToUs = 0
	for _, e := range append(trial.FromSetup(r.setup, "recording", t0), r.events...) {
		open.Step(e)
	}
	checks, err = open.WheelChecks([]string{"t1"})
	if err != nil || checks[0].DiameterMm.Value == nil || !strings.Contains(strings.Join(checks[0].Doubts, " "), "trial t1 is not over") {
		t.Errorf("of a trial that runs: %+v, %v", checks, err)
	}
}

// A calibration holds on its own circuit at its lap length; elsewhere the diameter's own
// uncertainty and the lap length's come in, and what nobody stated is doubted.
func TestWhatUncertaintySlipTakes(t *testing.T) {
	r := newRail(2)
	r.run(outing{id: "t1", duty: 0.6, carsG: 900, seconds: 120})
	lap := 0.0
	for _, p := range r.laid {
		lap += p.LengthMm()
	}
	r.setup.Circuit.LapLengthMm, r.setup.Circuit.LapLengthUMm = lap, 0.002*lap
	trials := []string{"light"}
	for _, c := range []struct {
		name       string
		circuit    string
		u          float64
		slip, pair float64 // relative uncertainties of slip and desync that must be near
	}{
		{"stated here", "oval", 0.3, 0.001, 0.0005 * math.Sqrt2},
		{"elsewhere", "other", 0.3, 0, 0.0005 * math.Sqrt2},
		{"not stated", "", 0, 0, 0},
	} {
		for i := range r.loco.DriverSets {
			d := &r.loco.DriverSets[i]
			d.WheelDiameterUMm, d.Calibration = c.u, nil
			if c.circuit != "" {
				d.Calibration = &wire.WheelCalibration{Circuit: c.circuit, LapLengthMm: lap, Session: "s1", Trials: trials, UMm: 0.001 * d.WheelDiameterMm, OwnUMm: 0.0005 * d.WheelDiameterMm}
			}
		}
		x := r.result(t, r.score(t), "t1")
		d := r.loco.DriverSets[0]
		want, pair := c.slip, c.pair
		if want == 0 {
			u := c.u
			if u == 0 {
				u = 0.1
			}
			want = math.Hypot(u/d.WheelDiameterMm, 0.002)
		}
		if pair == 0 {
			pair = math.Hypot(0.1/d.WheelDiameterMm, 0.1/r.loco.DriverSets[1].WheelDiameterMm)
		}
		if u := *x.Sets[0].Slip.U; math.Abs(u/want-1) > 0.05 {
			t.Errorf("%s: u of slip %.5f, want %.5f", c.name, u, want)
		}
		if u := *x.Desync[0].U; math.Abs(u/pair-1) > 0.05 {
			t.Errorf("%s: u of desync %.5f, want %.5f", c.name, u, pair)
		}
		if doubted := strings.Contains(strings.Join(x.Doubts, " "), "taken as 0.1 mm"); doubted != (c.u == 0) {
			t.Errorf("%s: doubts %q", c.name, x.Doubts)
		}
		if told := strings.Contains(strings.Join(x.Doubts, " "), "not distinguishable from zero"); told == x.Sets[0].SlipTold && told == x.Sets[1].SlipTold {
			t.Errorf("%s: slip told %v, doubts %q", c.name, x.Sets[0].SlipTold, x.Doubts)
		}
	}
}
