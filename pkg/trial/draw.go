package trial

import (
	"rainhill/pkg/circuit"
	"rainhill/pkg/wire"
)

const (
	planStepMm = 20.0   // a chord of it leaves a curve of 400 mm by 0.13 mm
	planPoints = 4000.0 // of a longer circuit the steps are wider
)

// Draw is a circuit as a page shows it: its lengths, its centre line, by how
// much it fails to close and how it may be closed.
func Draw(c wire.CircuitValue) wire.CircuitView {
	out := wire.CircuitView{Circuit: c.Circuit, Gates: c.Gates, LengthMm: lapLength(c.Circuit), Plan: []wire.PlanPoint{}}
	if out.Gates == nil {
		out.Gates = []wire.Gate{}
	}
	if len(c.Circuit.Pieces) == 0 {
		return out
	}
	pieces := piecesOf(c.Circuit)
	l := circuit.Lay(pieces)
	out.PiecesMm, out.GapMm, out.HeadingDeg = l.LengthMm, l.GapMm, l.HeadingErrDeg
	for _, p := range l.Plan(max(planStepMm, l.LengthMm/planPoints)) {
		out.Plan = append(out.Plan, wire.PlanPoint{SMm: p.S, XMm: p.X, YMm: p.Y})
	}
	hint, _ := circuit.Close(pieces)
	out.Hint = hint.Text
	for _, h := range hint.Changes {
		out.Changes = append(out.Changes, wire.PieceChange{Do: h.Do, At: h.At, Piece: pieceOf(h.Piece)})
	}
	return out
}

func layout(c wire.Circuit) circuit.Layout { return circuit.Lay(piecesOf(c)) }

func piecesOf(c wire.Circuit) []circuit.Piece {
	pieces := make([]circuit.Piece, len(c.Pieces))
	for i, p := range c.Pieces {
		pieces[i] = circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Left: p.Hand == "left"}
	}
	return pieces
}

func pieceOf(p circuit.Piece) wire.Piece {
	switch {
	case p.RadiusMm > 0 && p.Left:
		return wire.Piece{RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Hand: "left"}
	case p.RadiusMm > 0:
		return wire.Piece{RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Hand: "right"}
	}
	return wire.Piece{StraightMm: p.StraightMm}
}
