package gateway_test

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// A reader may have a circuit drawn: it is laid out, and nothing is written down.
func TestDraw(t *testing.T) {
	d := newDoor(t)
	half := wire.Piece{RadiusMm: 400, AngleDeg: 180, Hand: "right"}
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: "draft", Pieces: []wire.Piece{{StraightMm: 600}, half, {StraightMm: 570}, half}}, Gates: []wire.Gate{{ID: "g1", PositionMm: 9000}}}
	before := d.health().Accepted
	a := d.post("/api/draw", v)
	var got wire.CircuitView
	if err := json.Unmarshal([]byte(a.body), &got); err != nil || a.status != http.StatusOK {
		t.Fatalf("%d %s %v", a.status, a.body, err)
	}
	if math.Abs(got.GapMm-30) > 1e-6 || math.Abs(got.LengthMm-(1170+800*math.Pi)) > 1e-6 || len(got.Changes) != 1 || got.Hint == "" || len(got.Plan) < 100 || len(got.Gates) != 1 {
		t.Errorf("drawn as %.600s", a.body)
	}
	for _, c := range []struct {
		body any
		want string
	}{
		{wire.CircuitValue{Circuit: wire.Circuit{ID: "draft"}}, "neither pieces nor a measured lap_length_mm"},
		{wire.CircuitValue{Circuit: wire.Circuit{ID: "draft", Pieces: []wire.Piece{{StraightMm: -1}}}}, "pieces[0] is neither"},
		{wire.CircuitValue{Circuit: wire.Circuit{ID: "draft", LapLengthMm: 1}, Gates: []wire.Gate{{ID: "G 1"}}}, "gate id"},
		{"text", "want {\"circuit\": object, \"gates\": list}"},
	} {
		a := d.post("/api/draw", c.body)
		if reason := a.reply(t).Reason; a.status != http.StatusBadRequest || !strings.Contains(reason, c.want) || strings.Contains(reason, "malformed") {
			t.Errorf("%+v: %d %s, want %q", c.body, a.status, a.body, c.want)
		}
	}
	if a := d.post("/api/draw", map[string]string{"junk": strings.Repeat("x", wire.MaxEventBytes)}); a.status != http.StatusRequestEntityTooLarge {
		t.Errorf("too much to read: %d %s", a.status, a.body)
	}
	if a := d.post("/api/draw", v, header("X-Rainhill", "")); a.status != http.StatusForbidden {
		t.Errorf("from another page: %d %s", a.status, a.body)
	}
	if h := d.health(); h.Accepted != before || h.Rejected != 0 || len(d.results().Trials) != 0 {
		t.Errorf("drawing left something in the journal: %+v", h)
	}
}
