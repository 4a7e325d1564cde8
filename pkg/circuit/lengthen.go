package circuit

import (
	"cmp"
	"math"
	"slices"
)

// What a change costs whoever must lay it, in mm of a straight made longer or
// shorter: guesses, which only rank what would all close the circuit.
const (
	addTrouble    = 60.0  // another piece in the track
	radiusTrouble = 250.0 // curves of another radius
	curveTrouble  = 40.0  // a curve more, fewer, or of another angle
	secondTrouble = 5.0   // a second change
	fitBonus      = 4.0   // a length that another straight has already
)

const (
	exactMm     = 0.05 // one change is enough when it leaves no more than this
	shortestMm  = 1.0  // no piece is made shorter
	roundMm     = 0.01
	knobsAtMost = 400
)

// knob is a length that may be changed: a straight there is, a straight that
// may be added before a piece, or the radius of neighbouring equal curves. The
// end moves by (x, y) mm with each mm of it.
type knob struct {
	x, y   float64
	at, n  int // pieces it holds; n = 0 adds one before at
	mm     float64
	curve  bool
	factor float64
	extra  float64
}

// turn is a knob turned by mm.
type turn struct {
	knob
	by float64
}

// lengthen changes one or two lengths so that the end meets the start; ok is
// false when no two of them do. Headings stay as they are.
func lengthen(list []placed) (after []placed, trouble float64, ok bool) {
	end, at := poses(list)
	if math.Hypot(end.x, end.y) <= exactMm {
		return list, 0, true
	}
	all := knobs(list, at)
	lengths := map[float64]bool{}
	for _, p := range list {
		lengths[p.StraightMm] = true
	}
	trouble = math.Inf(1)
	var done []turn
	try := func(turns ...turn) {
		cost := secondTrouble * float64(len(turns)-1)
		for _, t := range turns {
			to := math.Round((t.mm+t.by)/roundMm) * roundMm
			if to < shortestMm || to > 1e6 {
				return
			}
			cost += t.extra + t.factor*math.Abs(t.by) + 1e-3*float64(bit(t.by < 0))
			if !t.curve && lengths[to] {
				cost -= fitBonus
			}
		}
		if cost < trouble-1e-6 {
			trouble, done = cost, slices.Clone(turns)
		}
	}
	for i, a := range all {
		by := -(a.x*end.x + a.y*end.y) / (a.x*a.x + a.y*a.y)
		if math.Hypot(end.x+by*a.x, end.y+by*a.y) <= exactMm {
			try(turn{a, by})
		}
		for _, b := range all[:i] {
			det := a.x*b.y - a.y*b.x
			if math.Abs(det) < 1e-3 {
				continue // parallel, or so nearly that metres would move for a millimetre
			}
			try(turn{b, (a.y*end.x - a.x*end.y) / det}, turn{a, (b.x*end.y - b.y*end.x) / det})
		}
	}
	if done == nil {
		return nil, 0, false
	}
	return with(list, done), trouble, true
}

// with makes the turns, the last in the list first so that places stay true.
func with(list []placed, turns []turn) []placed {
	out := slices.Clone(list)
	slices.SortStableFunc(turns, func(a, b turn) int { return cmp.Compare(b.at, a.at) })
	for _, t := range turns {
		mm := math.Round((t.mm+t.by)/roundMm) * roundMm
		if t.n == 0 {
			out = slices.Insert(out, t.at, placed{Piece{StraightMm: mm}, added})
		}
		for i := t.at; i < t.at+t.n; i++ {
			if t.curve {
				out[i].RadiusMm = mm
			} else {
				out[i].StraightMm = mm
			}
		}
	}
	return out
}

// knobs are the lengths of a list: of straights that point the same way only
// the shortest and the longest, of joints only the last.
func knobs(list []placed, at []pose) []knob {
	straights, joints := map[float64][]knob{}, map[float64]int{}
	var order []float64
	var out []knob
	for i := range at {
		deg := math.Round(wrapDeg(at[i].headingDeg)*1e3) / 1e3
		x, y := rotate(1, 0, at[i].headingDeg)
		if i == len(list) || list[i].curve() {
			k, known := joints[deg]
			if !known {
				k, out = len(out), append(out, knob{})
			}
			joints[deg], out[k] = k, knob{x: x, y: y, at: i, factor: 1.5, extra: addTrouble}
		}
		if i == len(list) {
			break
		}
		if p := list[i]; p.curve() {
			if i == 0 || list[i-1].Piece != p.Piece {
				out = append(out, radiusKnob(list, at, i))
			}
		} else if p.StraightMm > 0 {
			if straights[deg] == nil {
				order = append(order, deg)
			}
			straights[deg] = append(straights[deg], knob{x: x, y: y, at: i, n: 1, mm: p.StraightMm, factor: 1})
		}
	}
	var first []knob
	for _, deg := range order {
		same := straights[deg]
		slices.SortStableFunc(same, func(a, b knob) int { return cmp.Compare(a.mm, b.mm) })
		first = append(first, same[0])
		if len(same) > 1 {
			first = append(first, same[len(same)-1])
		}
	}
	out = slices.DeleteFunc(out, func(k knob) bool { return k.x*k.x+k.y*k.y < 1e-4 })
	out = append(first, out...)
	return out[:min(len(out), knobsAtMost)]
}

// radiusKnob holds the equal curves from i on: their chords grow with R.
func radiusKnob(list []placed, at []pose, i int) knob {
	n := 1
	for i+n < len(list) && list[i+n].Piece == list[i].Piece {
		n++
	}
	r := list[i].RadiusMm
	return knob{x: (at[i+n].x - at[i].x) / r, y: (at[i+n].y - at[i].y) / r, at: i, n: n, mm: r, curve: true, factor: 2, extra: radiusTrouble}
}

func wrapDeg(d float64) float64 { return Wrap(360, d) }
