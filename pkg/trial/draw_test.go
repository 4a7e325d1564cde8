package trial_test

import (
	"math"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

func TestDraw(t *testing.T) {
	half := wire.Piece{RadiusMm: 400, AngleDeg: 180, Hand: "left"}
	v := wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Pieces: []wire.Piece{{StraightMm: 560}, half, {StraightMm: 600}, half}, LapLengthMm: 3700}}
	got := trial.Draw(v)
	if math.Abs(got.PiecesMm-(1160+800*math.Pi)) > 1e-6 || got.LengthMm != 3700 || math.Abs(got.GapMm-40) > 1e-6 || math.Abs(got.HeadingDeg) > 1e-9 {
		t.Errorf("drawn as %+v", got)
	}
	if want := (wire.PieceChange{Do: "change", Piece: wire.Piece{StraightMm: 600}}); len(got.Changes) != 1 || got.Changes[0] != want || !strings.Contains(got.Hint, "560 to 600 mm") {
		t.Errorf("%q, %+v, want %+v", got.Hint, got.Changes, want)
	}
	v.Circuit.Pieces[0].StraightMm = 600
	if got := trial.Draw(v); got.Hint != "" || got.Changes != nil {
		t.Errorf("it closes, and is told %q, %+v", got.Hint, got.Changes)
	}
	v.Circuit.Pieces = nil
	if got := trial.Draw(v); got.LengthMm != 3700 || got.PiecesMm != 0 || len(got.Plan) != 0 || got.Hint != "" || got.Gates == nil {
		t.Errorf("a measured length alone is drawn as %+v", got)
	}
	v.Circuit.Pieces = []wire.Piece{{RadiusMm: 1e6, AngleDeg: 360, Hand: "right"}, {RadiusMm: 1, AngleDeg: 90, Hand: "right"}}
	if got := trial.Draw(v); len(got.Plan) > 5000 || len(got.Changes) == 0 || got.Changes[0].Do != "remove" {
		t.Errorf("a vast circuit has %d points, %q", len(got.Plan), got.Hint)
	}
}
