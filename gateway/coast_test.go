package gateway_test

import (
	"encoding/json"
	"math"
	"net/http"
	"testing"

	"rainhill/pkg/wire"
)

// coasts is the passages of cars that hands pushed three times: they lose 0.05 m/s each
// second and pass a gate every 4 m.
func coasts(d *door, fromUs int64) {
	for i, v := range []float64{0.9, 1, 1.1} {
		for k := range 3 {
			s := 4 * float64(k)
			t := (v - math.Sqrt(v*v-2*0.05*s)) / 0.05
			gate := []string{"g1", "g2"}[k%2]
			d.put(wire.Event{Kind: wire.KindCrossing, Gate: gate, Edge: wire.EdgePulse, AtUs: fromUs + int64(i)*30_000_000 + int64(1e6*t) + int64(i*k)*300})
		}
	}
}

// coasting has what the cars lose fitted, keeps it with their consist, and finds it again
// in the roster.
func (s *spec) coasting(d *door) {
	s.t.Helper()
	var r wire.CoastResult
	for _, path := range []string{"/api/coast.svg?session=s1", "/api/coast.html?session=s1&consist=coal"} {
		s.want(d, http.StatusOK, "GET", path, nil, false)
	}
	if err := json.Unmarshal([]byte(s.want(d, http.StatusOK, "GET", "/api/coast?session=s1&consist=coal&trial=c1&trial=c2&trial=c3&rotating=1.1", nil, false).body), &r); err != nil {
		s.t.Fatal(err)
	}
	if len(r.Consists) != 1 || r.Runs != 3 || r.Consists[0].Rotating != 1.1 || *r.Consists[0].MassG != 300 {
		s.t.Fatalf("coasting shows %+v", r)
	}
	one := r.Consists[0]
	for _, f := range one.Forces {
		if math.Abs(*f.DecMS2.Value-0.05) > 0.01 || math.Abs(*f.ForceMn.Value-300*1.1**f.DecMS2.Value) > 1e-9 {
			s.t.Errorf("at %g mm/s it is %g m/s2, %g mN", f.SpeedMmS, *f.DecMS2.Value, *f.ForceMn.Value)
		}
	}
	if one.Resistance.Source != "coasting, 3 runs, session s1" || math.Abs(one.Resistance.AMS2-1.1**one.A.Value) > 1e-12 {
		s.t.Errorf("to keep is %+v", one.Resistance)
	}
	s.decide(d, "consist", "", "", wire.Consist{ID: "coal", Name: "Coal", Cars: []wire.Car{{MassG: 300, Axles: 2}}, Resistance: &one.Resistance})
	var kept wire.Roster
	if err := json.Unmarshal([]byte(d.get("/api/roster.json").body), &kept); err != nil {
		s.t.Fatal(err)
	}
	for _, c := range kept.Consists {
		if c.ID == "coal" && (c.Resistance == nil || c.Resistance.AMS2 != one.Resistance.AMS2) {
			s.t.Errorf("kept was %+v", c.Resistance)
		}
	}
	s.want(d, http.StatusOK, "GET", "/api/coast?place_u_mm=1", nil, false)
}

// What is asked for in a way that says nothing.
func TestCoastIsRefused(t *testing.T) {
	d := newDoor(t)
	for _, path := range []string{"/api/coast?rotating=heavy", "/api/coast?rotating=11", "/api/coast?place_u_mm=-1", "/api/coast?session=No%20id", "/api/coast"} {
		if a := d.get(path); a.status != http.StatusBadRequest {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
}
