package circuit

import (
	"cmp"
	"math"
	"slices"
)

// A circuit counts as closed when both errors are at most these: rail joints of
// model track give as much (common practice, no source).
const (
	CloseGapMm      = 1.0
	CloseHeadingDeg = 0.1
)

// What a Change does.
const (
	DoChange = "change"
	DoAdd    = "add"
	DoRemove = "remove"
)

// Change is one thing to do to the pieces as they were given. At counts them
// from 0; an added piece stands before piece At, and at the end when At is
// their number. Piece is what stands there afterwards.
type Change struct {
	Do    string
	At    int
	Piece Piece
}

// Hint says how an open circuit may be closed. Applying all Changes closes it
// within the tolerance; none are given when no few pieces do it.
type Hint struct {
	GapMm, HeadingErrDeg float64
	Changes              []Change
	Text                 string
}

// Closed reports whether the end meets the start within the tolerance.
func (l Layout) Closed() bool {
	return len(l.legs) > 0 && l.GapMm <= CloseGapMm && math.Abs(l.HeadingErrDeg) <= CloseHeadingDeg
}

// Close gives the hint for pieces that do not close; ok is false when they do,
// or when there are none. The heading is put right first, by one curve added,
// changed or taken out where that leaves the least to do. Then no heading is
// touched any more, and the end moves in proportion to every length, so that
// one or two changed or added lengths are the solution of two linear equations.
func Close(pieces []Piece) (h Hint, ok bool) {
	l := Lay(pieces)
	if len(l.legs) == 0 || l.Closed() {
		return Hint{}, false
	}
	h = Hint{GapMm: l.GapMm, HeadingErrDeg: l.HeadingErrDeg}
	if !slices.ContainsFunc(pieces, Piece.curve) {
		h.Text = "There is no curve yet: a circuit turns through 360° in all before it closes."
		return h, true
	}
	given := make([]placed, len(pieces))
	for i, p := range pieces {
		given[i] = placed{p, i}
	}
	if after, _, found := best(given); found {
		h.Changes = changes(pieces, after)
	}
	h.Text = said(h, l, pieces, given)
	return h, true
}

// Apply makes the changes.
func Apply(pieces []Piece, list []Change) []Piece {
	var out []Piece
	for i := range len(pieces) + 1 {
		stays := i < len(pieces)
		p := Piece{}
		if stays {
			p = pieces[i]
		}
		for _, c := range list {
			switch {
			case c.At != i:
			case c.Do == DoAdd:
				out = append(out, c.Piece)
			case c.Do == DoChange:
				p = c.Piece
			case c.Do == DoRemove:
				stays = false
			}
		}
		if stays {
			out = append(out, p)
		}
	}
	return out
}

// placed is a piece and its place among those given; added is of none.
type placed struct {
	Piece
	from int
}

const added = -1

// most is how many ways to put the heading right are followed to their end.
const most = 24

// best is the least troublesome list that closes.
func best(given []placed) (after []placed, trouble float64, found bool) {
	trouble = math.Inf(1)
	for _, w := range turned(given) {
		if list, cost, ok := lengthen(w.list); ok && w.trouble+cost < trouble-1e-6 {
			after, trouble, found = list, w.trouble+cost, true
		}
	}
	return after, trouble, found
}

// way is a list whose heading closes, and what it cost to make it so.
type way struct {
	list    []placed
	trouble float64
}

// edit takes drop pieces out from at on and puts a curve there, if it is one.
type edit struct {
	at, drop      int
	piece         Piece
	trouble, rank float64 // rank adds the gap that it leaves
}

// turned gives lists that close in heading: the given one if it does, else
// those with curves changed, taken out or added, by the gap they leave.
func turned(given []placed) []way {
	end, at := poses(given)
	miss := missing(given)
	if math.Abs(miss) <= CloseHeadingDeg {
		return []way{{given, 0}}
	}
	edits := append(fewer(given, miss), more(given, miss)...)
	for i, e := range edits {
		from, to := at[e.at], at[e.at+e.drop]
		if e.piece.curve() {
			from = e.piece.along(from, e.piece.LengthMm())
		}
		x, y := rotate(end.x-to.x, end.y-to.y, from.headingDeg-to.headingDeg)
		edits[i].rank = math.Round((e.trouble+math.Hypot(from.x+x, from.y+y))*1e3) / 1e3 // the first of equal ones
	}
	slices.SortStableFunc(edits, func(a, b edit) int { return cmp.Compare(a.rank, b.rank) })
	var out []way
	for _, e := range edits[:min(most, len(edits))] {
		out = append(out, way{e.of(given), e.trouble})
	}
	return out
}

// of makes the edit; a curve that is added is laid in pieces there are, where
// they go into it.
func (e edit) of(given []placed) []placed {
	list := slices.Clone(given[:e.at])
	switch {
	case e.piece.curve() && e.drop > 0:
		list = append(list, placed{e.piece, given[e.at].from})
	case e.piece.curve():
		n, one := parts(given, e.piece)
		for range n {
			list = append(list, placed{one, added})
		}
	}
	return append(list, given[e.at+e.drop:]...)
}

// parts is how many equal curves of those there are make up p; 1 and p itself
// when none do.
func parts(given []placed, p Piece) (int, Piece) {
	for _, g := range given {
		n := math.Round(p.AngleDeg / g.AngleDeg)
		if g.curve() && g.RadiusMm == p.RadiusMm && math.Abs(n*g.AngleDeg-p.AngleDeg) < 1e-3 && n >= 1 {
			one := g.Piece
			one.Left = p.Left
			return int(n), one
		}
	}
	return 1, p
}

// missing is how many degrees are to be turned yet, left positive, until the
// track has turned once round, or as often as it nearly has. Only where it
// turns through half a circle or more to both hands may it be a figure of
// eight, and turn through nothing in all.
func missing(given []placed) float64 {
	var left, right float64
	for _, p := range given {
		switch {
		case p.curve() && p.Left:
			left += p.AngleDeg
		case p.curve():
			right += p.AngleDeg
		}
	}
	rounds := math.Round((left - right) / 360)
	if rounds == 0 && min(left, right) < 180-CloseHeadingDeg {
		rounds = sign(left >= right)
	}
	return math.Round((360*rounds-(left-right))*1e4) / 1e4
}

// fewer are the edits of the curves there are: one that turns through another
// angle, or neighbouring equal ones taken out.
func fewer(given []placed, miss float64) []edit {
	var out []edit
	for i, p := range given {
		if !p.curve() {
			continue
		}
		q := p.Piece
		if q.AngleDeg = math.Round((q.AngleDeg+miss*sign(p.Left))*1e4) / 1e4; q.AngleDeg > 0 && q.AngleDeg <= 360 {
			out = append(out, edit{at: i, drop: 1, piece: q, trouble: 2*curveTrouble - curveTrouble*float64(bit(holds(given, q)))})
		}
		for n := 1; i+n <= len(given) && given[i+n-1].Piece == p.Piece; n++ {
			if math.Abs(miss+float64(n)*p.AngleDeg*sign(p.Left)) < 1e-3 {
				out = append(out, edit{at: i, drop: n, trouble: curveTrouble / 2})
			}
		}
	}
	return out
}

// more are the edits that add the missing curve, of a radius there is, at any
// joint: best of a piece there is.
func more(given []placed, miss float64) []edit {
	var out []edit
	for _, r := range radii(given, miss > 0) {
		p := Piece{RadiusMm: r, AngleDeg: math.Abs(miss), Left: miss > 0}
		trouble := 1.5 * curveTrouble
		if n, one := parts(given, p); n > 1 || holds(given, one) {
			trouble = curveTrouble / 2
		}
		if !slices.ContainsFunc(given, func(g placed) bool { return g.curve() && g.Left == p.Left }) {
			trouble += 2 * curveTrouble
		}
		for i := len(given); i >= 0; i-- { // the end first: there a circuit is drawn on
			out = append(out, edit{at: i, piece: p, trouble: trouble})
		}
	}
	return out
}

func holds(given []placed, p Piece) bool {
	return slices.ContainsFunc(given, func(g placed) bool { return g.Piece == p })
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

func sign(left bool) float64 {
	if left {
		return 1
	}
	return -1
}

func rotate(x, y, deg float64) (float64, float64) {
	s, c := math.Sincos(deg * math.Pi / 180)
	return c*x - s*y, s*x + c*y
}

// radii are those of the curves there are, of the hand wanted first, at most
// three: a modeller has pieces of them.
func radii(given []placed, left bool) []float64 {
	var out []float64
	for _, hand := range []bool{left, !left} {
		for _, p := range given {
			if p.curve() && p.Left == hand && !slices.Contains(out, p.RadiusMm) && len(out) < 3 {
				out = append(out, p.RadiusMm)
			}
		}
	}
	return out
}

// poses is where each piece begins, and the end, also as the last of at.
func poses(list []placed) (end pose, at []pose) {
	for _, p := range list {
		at = append(at, end)
		if n := p.LengthMm(); n > 0 {
			end = p.along(end, n)
		}
	}
	return end, append(at, end)
}
