// Package circuit answers "how long is the lap, does it close, how would it, and
// where is the point s millimetres along it?" from the pieces of track. It knows
// gates only as positions, and holds no trains, no times and no drawing.
package circuit

import (
	"math"
	"slices"
	"sort"
)

// Piece is a straight (StraightMm) or a curve (RadiusMm of the centre line,
// AngleDeg it turns through, to the left or the right).
type Piece struct {
	StraightMm, RadiusMm, AngleDeg float64
	Left                           bool
}

// LengthMm is the length of the piece's centre line.
func (p Piece) LengthMm() float64 {
	if p.curve() {
		return p.RadiusMm * p.AngleDeg * math.Pi / 180
	}
	return p.StraightMm
}

func (p Piece) curve() bool { return p.RadiusMm > 0 && p.AngleDeg > 0 }

// turnDeg is how far the heading has turned s mm into the piece, left positive.
func (p Piece) turnDeg(s float64) float64 {
	if !p.curve() {
		return 0
	}
	turn := s / p.RadiusMm * 180 / math.Pi
	if s >= p.LengthMm() {
		turn = p.AngleDeg
	}
	if p.Left {
		return turn
	}
	return -turn
}

// pose is a place and the way the track points there.
type pose struct{ x, y, headingDeg float64 }

// along is the pose s mm into the piece that begins at a. On a curve the step
// is the chord 2 R sin(turn/2), which lies at half the turn.
func (p Piece) along(a pose, s float64) pose {
	turn := p.turnDeg(s)
	step := s
	if p.curve() {
		step = 2 * p.RadiusMm * math.Sin(math.Abs(turn)*math.Pi/360)
	}
	dir := (a.headingDeg + turn/2) * math.Pi / 180
	return pose{a.x + step*math.Cos(dir), a.y + step*math.Sin(dir), a.headingDeg + turn}
}

// Layout is pieces laid end to end from (0, 0) heading along +x, left turns
// anticlockwise. Lengths in mm, headings in degrees.
type Layout struct {
	LengthMm      float64
	EndX, EndY    float64
	EndHeadingDeg float64 // not wrapped: once round to the left is 360
	GapMm         float64 // distance from the end to the start; 0 closes
	HeadingErrDeg float64 // end heading from the nearest multiple of 360
	legs          []leg
}

type leg struct {
	piece Piece
	fromS float64
	from  pose
}

// Lay lays the pieces. A piece without length adds nothing. Closing needs both
// GapMm and HeadingErrDeg near 0: an oval with one straight too long turns
// through 360 degrees and still has a gap.
func Lay(pieces []Piece) Layout {
	var l Layout
	var at pose
	for _, p := range pieces {
		n := p.LengthMm()
		if !(n > 0) || math.IsInf(n, 0) {
			continue
		}
		l.legs = append(l.legs, leg{p, l.LengthMm, at})
		at = p.along(at, n)
		l.LengthMm += n
	}
	l.EndX, l.EndY, l.EndHeadingDeg = at.x, at.y, at.headingDeg
	l.GapMm = math.Hypot(at.x, at.y)
	l.HeadingErrDeg = at.headingDeg - 360*math.Round(at.headingDeg/360)
	return l
}

// At is the place and heading sMm along the centre line, in the direction of
// laying; s runs on round the lap, so LengthMm is the start again and -1 lies
// 1 mm before it. A layout without pieces is all at the origin.
func (l Layout) At(sMm float64) (x, y, headingDeg float64) {
	i, s := l.find(sMm)
	if i < 0 {
		return 0, 0, 0
	}
	p := l.legs[i].piece.along(l.legs[i].from, s)
	return p.x, p.y, p.headingDeg
}

// OnCurve reports whether sMm (as in At) lies on a curve, and its radius; a
// straight has radius 0.
func (l Layout) OnCurve(sMm float64) (radiusMm float64, curve bool) {
	i, _ := l.find(sMm)
	if i < 0 || !l.legs[i].piece.curve() {
		return 0, false
	}
	return l.legs[i].piece.RadiusMm, true
}

// find is the leg on which s lies and how far into it; -1 if there is none.
func (l Layout) find(sMm float64) (int, float64) {
	if len(l.legs) == 0 || math.IsNaN(sMm) || math.IsInf(sMm, 0) {
		return -1, 0
	}
	s := Wrap(l.LengthMm, sMm)
	i := sort.Search(len(l.legs), func(i int) bool { return l.legs[i].fromS > s }) - 1
	return i, s - l.legs[i].fromS
}

// maxPlan bounds the points of a Plan: a step too fine for it is widened.
const maxPlan = 20_000

// Point is a point of the centre line: how far along, and where.
type Point struct{ S, X, Y float64 }

// Plan is the centre line as points in order, from S = 0 to S = LengthMm:
// straights by their ends, curves at most stepMm apart (wider when that would
// take more than some 20 000 points; by their ends when stepMm is not positive).
func (l Layout) Plan(stepMm float64) []Point {
	if len(l.legs) == 0 {
		return nil
	}
	if stepMm > 0 {
		stepMm = max(stepMm, l.LengthMm/maxPlan)
	}
	points := []Point{{}}
	for _, g := range l.legs {
		n, parts := g.piece.LengthMm(), 1
		if g.piece.curve() && stepMm > 0 {
			parts = int(math.Ceil(n / stepMm))
		}
		for i := 1; i <= parts; i++ {
			s := n * float64(i) / float64(parts)
			p := g.piece.along(g.from, s)
			points = append(points, Point{g.fromS + s, p.x, p.y})
		}
	}
	return points
}

// Wrap brings s into 0 <= s < lapMm; s itself when lapMm is not positive.
func Wrap(lapMm, s float64) float64 {
	if !(lapMm > 0) {
		return s
	}
	s = math.Mod(s, lapMm)
	if s < 0 {
		s += lapMm
	}
	if s >= lapMm {
		return 0
	}
	return s
}

// Ahead is how far on toMm lies from fromMm going forward round the lap, 0 or
// more and less than lapMm.
func Ahead(lapMm, fromMm, toMm float64) float64 { return Wrap(lapMm, toMm-fromMm) }

// Sector is the stretch from the gate with index From to the next one, To.
type Sector struct {
	From, To         int
	FromMm, LengthMm float64
}

// Sectors puts gates at positionsMm in order round a lap and gives the stretch
// from each to the next; the last runs on over the start of the lap. Their
// lengths add up to lapMm. One gate has one sector, the whole lap. Gates at one
// place keep their order and have a sector of 0 between them. None when lapMm
// is not positive.
func Sectors(lapMm float64, positionsMm []float64) []Sector {
	if !(lapMm > 0) || len(positionsMm) == 0 {
		return nil
	}
	order := make([]int, len(positionsMm))
	for i := range order {
		order[i] = i
	}
	at := func(i int) float64 { return Wrap(lapMm, positionsMm[i]) }
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case at(a) < at(b):
			return -1
		case at(a) > at(b):
			return 1
		}
		return 0
	})
	sectors := make([]Sector, len(order))
	for k, i := range order {
		next := order[(k+1)%len(order)]
		length := at(next) - at(i)
		if k == len(order)-1 {
			length += lapMm
		}
		sectors[k] = Sector{i, next, at(i), length}
	}
	return sectors
}
