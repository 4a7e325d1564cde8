package gateway_test

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// sweep puts readings of a motor of 3 ohm and 0.009 V s in steps of throttle, 5 s each,
// ten a second, at two currents by turns.
func sweep(d *door, id string, fromUs int64) {
	var samples []wire.Sample
	turns := 0.0
	for i := range 500 {
		step := i / 50
		duty := int64(300 + 70*step)
		current, volt := int64(100+10*step+90*(step%2)), int64(8000)
		speed := (float64(duty*volt)/1e6 - 3*float64(current)/1000) / 0.009
		turns += speed * 0.1 / (2 * math.Pi)
		counts := int64(12 * turns)
		seen := current + int64(i%3) - 1
		samples = append(samples, wire.Sample{AtUs: fromUs + int64(i)*100_000, Counts: &counts, CurrentMa: &seen, VoltageMv: &volt, DutyPermille: &duty})
	}
	d.put(wire.Event{Kind: wire.KindMotor, AtUs: fromUs, Motor: id, Samples: samples})
}

func wren() wire.Locomotive {
	return wire.Locomotive{ID: "wren", Name: "Wren", MassG: 900, DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12}}}
}

// predictions has a curve fitted, keeps it, and asks what follows from it.
func (s *spec) predictions(d *door) {
	s.t.Helper()
	s.want(d, http.StatusBadRequest, "POST", "/api/predict", wire.PredictAsk{Locomotive: wren(), DutyPermille: 600, SupplyMv: 8000}, false) // no curve yet
	var c wire.CurveOf
	if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "GET", "/api/curve?motor=m1&session=s1&trial=t1", nil, false).body), &c); err != nil {
		s.t.Fatal(err)
	}
	if c.Motor != "m1" || math.Abs(*c.Curve.ResistanceOhm.Value-3) > 0.05 || math.Abs(*c.Curve.KVS.Value/0.009-1) > 0.005 || c.Curve.Session != "s1" || len(c.Curve.Steps) != 10 {
		s.t.Errorf("fitted %+v", c)
	}
	s.decide(d, "motor", "", "", wire.NamedMotor{ID: "m1", Name: "Flat can", Curve: &c.Curve})
	ask := wire.PredictAsk{Locomotive: wren(), DutyPermille: 600, SupplyMv: 8000}
	other := ask
	other.Locomotive = wren()
	other.Locomotive.DriverSets[0].GearRatio = 20
	ask.Variant = &other
	var p wire.Prediction
	if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "POST", "/api/predict", ask, false).body), &p); err != nil {
		s.t.Fatal(err)
	}
	if p.Circuit != "oval" || len(p.At) != 19 || p.Variant == nil || *p.Difference.SpeedMmS.Value > -300 || *p.Difference.SpeedMmS.Hi > 0 {
		s.t.Errorf("predicted %+v", p)
	}
	second := wire.NamedMotor{ID: "m2", Name: "Round can", Curve: &wire.MotorCurve{ResistanceOhm: given(4), KVS: given(0.0095), NoLoadMa: given(50)}}
	var table wire.PairingTable
	pair := wire.PairingAsk{Locomotive: wren(), Motors: []wire.NamedMotor{second}, Gears: []float64{10, 10.5}, SupplyMv: 8000}
	if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "POST", "/api/pairing", pair, false).body), &table); err != nil {
		s.t.Fatal(err)
	}
	if len(table.Pairings) != 4 || table.Pairings[0].WorstAbs > table.Pairings[3].WorstAbs {
		s.t.Errorf("paired %+v", table)
	}
	s.predictionsRefused(d, ask, pair)
}

func given(v float64) wire.Estimate { return wire.Estimate{Value: &v} }

func (s *spec) predictionsRefused(d *door, ask wire.PredictAsk, pair wire.PairingAsk) {
	s.t.Helper()
	for path, want := range map[string]string{
		"/api/curve?motor=m9": "no readings of motor m9", "/api/curve?motor=m1&session=s9": `no session "s9"`, "/api/curve?motor=m1&trial=t9": `no trial "t9"`,
	} {
		if a := s.want(d, http.StatusBadRequest, "GET", path, nil, false); !strings.Contains(a.reply(s.t).Reason, want) {
			s.t.Errorf("%s: %s, want %q", path, a.body, want)
		}
	}
	s.want(d, http.StatusBadRequest, "GET", "/api/curve?motor=No%20id", nil, true)
	s.want(d, http.StatusBadRequest, "GET", "/api/curve", nil, true)
	ask.Variant, ask.Trial = nil, "t9"
	s.want(d, http.StatusBadRequest, "POST", "/api/predict", ask, false)
	ask.Trial, ask.DutyPermille = "", 0
	s.want(d, http.StatusBadRequest, "POST", "/api/predict", ask, true)
	s.want(d, http.StatusBadRequest, "POST", "/api/predict", "text", true)
	pair.Compare = []string{"m2"}
	s.want(d, http.StatusBadRequest, "POST", "/api/pairing", pair, false)
	s.want(d, http.StatusBadRequest, "POST", "/api/pairing", "text", true)
	for _, path := range []string{"/api/predict", "/api/pairing"} {
		s.want(d, http.StatusRequestEntityTooLarge, "POST", path, map[string]any{"junk": strings.Repeat("x", wire.MaxEventBytes)}, true)
	}
}

// Many who move a slider at once are all answered, alike, and nothing else waits.
func TestPredictionsHoldUpNothing(t *testing.T) {
	d := newDoor(t)
	d.signIn()
	m := wire.NamedMotor{ID: "m1", Name: "Flat can", Curve: &wire.MotorCurve{ResistanceOhm: given(3), KVS: given(0.009), NoLoadMa: given(50)}}
	d.decided("motor", m)
	d.decided("circuit", wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 8000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}})
	ask := wire.PredictAsk{Locomotive: wren(), DutyPermille: 600, SupplyMv: 8000}
	answers := make(chan answer, 12)
	for range cap(answers) {
		go func() { answers <- d.post("/api/predict", ask) }()
	}
	if h := d.health(); h.Rejected != 0 {
		t.Errorf("health while predictions are asked for: %+v", h)
	}
	first := ""
	for range cap(answers) {
		a := <-answers
		if first == "" {
			first = a.body
		}
		if a.status != http.StatusOK || a.body != first {
			t.Errorf("%d %.300s, and before %.300s", a.status, a.body, first)
		}
	}
}
