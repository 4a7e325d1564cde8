package circuit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// changes compares a list with the pieces it was made from.
func changes(pieces []Piece, after []placed) []Change {
	var out []Change
	next := 0
	for _, p := range after {
		if p.from == added {
			out = append(out, Change{DoAdd, next, p.Piece})
			continue
		}
		for ; next < p.from; next++ {
			out = append(out, Change{DoRemove, next, Piece{}})
		}
		if p.Piece != pieces[next] {
			out = append(out, Change{DoChange, next, p.Piece})
		}
		next++
	}
	for ; next < len(pieces); next++ {
		out = append(out, Change{DoRemove, next, Piece{}})
	}
	return out
}

// said is the hint in a sentence or two.
func said(h Hint, l Layout, pieces []Piece, given []placed) string {
	var parts []string
	if miss := missing(given); math.Abs(miss) > CloseHeadingDeg {
		what := "are missing"
		if miss*l.EndHeadingDeg < 0 {
			miss, what = -miss, "are too much"
		}
		parts = append(parts, fmt.Sprintf("The track turns through %s° in all: %s° of curve to the %s %s.", num(math.Abs(l.EndHeadingDeg), 2), num(math.Abs(miss), 2), hand(miss > 0), what))
	}
	if len(h.Changes) == 0 {
		return strings.Join(append(parts, fmt.Sprintf("The end lies %s. No one or two lengths put that right.", offset(l))), " ")
	}
	var todo []string
	for i := 0; i < len(h.Changes); {
		n := 1
		for i+n < len(h.Changes) && alike(h.Changes[i], h.Changes[i+n], n) {
			n++
		}
		todo = append(todo, words(h.Changes[i], n, pieces))
		i += n
	}
	text := strings.Join(todo, ", and ")
	return strings.Join(append(parts, strings.ToUpper(text[:1])+text[1:]+"."), " ")
}

// alike reports whether b does n pieces further on what a does.
func alike(a, b Change, n int) bool {
	if a.Do == DoAdd {
		return b == a
	}
	if a.Do == DoRemove {
		return b.Do == DoRemove && b.At == a.At+n
	}
	return a.Do == DoChange && b.Do == DoChange && a.Piece == b.Piece && a.Piece.curve() && b.At == a.At+n
}

// words says one change, made n times or to n neighbouring pieces.
func words(c Change, n int, pieces []Piece) string {
	switch {
	case c.Do == DoAdd:
		return "add " + described(c.Piece, n) + " " + joint(c.At, len(pieces))
	case c.Do == DoRemove && n > 1:
		return fmt.Sprintf("take out pieces %d to %d, %s", c.At+1, c.At+n, described(pieces[c.At], n))
	case c.Do == DoRemove:
		return fmt.Sprintf("take out piece %d, %s", c.At+1, described(pieces[c.At], 1))
	case n > 1:
		return fmt.Sprintf("make the radius of pieces %d to %d %s mm instead of %s mm", c.At+1, c.At+n, num(c.Piece.RadiusMm, 2), num(pieces[c.At].RadiusMm, 2))
	}
	was := pieces[c.At]
	if !c.Piece.curve() {
		verb := "lengthen"
		if c.Piece.StraightMm < was.StraightMm {
			verb = "shorten"
		}
		return fmt.Sprintf("%s the straight piece %d from %s to %s mm", verb, c.At+1, num(was.StraightMm, 2), num(c.Piece.StraightMm, 2))
	}
	var to []string
	if c.Piece.AngleDeg != was.AngleDeg {
		to = append(to, fmt.Sprintf("turn through %s° instead of %s°", num(c.Piece.AngleDeg, 2), num(was.AngleDeg, 2)))
	}
	if c.Piece.RadiusMm != was.RadiusMm {
		to = append(to, fmt.Sprintf("have a radius of %s mm instead of %s mm", num(c.Piece.RadiusMm, 2), num(was.RadiusMm, 2)))
	}
	return fmt.Sprintf("let the curve, piece %d, %s", c.At+1, strings.Join(to, " and "))
}

// joint says before which of n pieces something is added.
func joint(at, n int) string {
	switch at {
	case n:
		return "at the end"
	case 0:
		return "before piece 1"
	}
	return fmt.Sprintf("between pieces %d and %d", at, at+1)
}

func described(p Piece, n int) string {
	what := "straight of " + num(p.StraightMm, 2) + " mm"
	if p.curve() {
		what = fmt.Sprintf("%s-hand curve of %s mm radius and %s°", hand(p.Left), num(p.RadiusMm, 2), num(p.AngleDeg, 2))
	}
	if n == 1 {
		return "a " + what
	}
	return fmt.Sprintf("%d × a %s", n, what)
}

// offset is where the end lies, seen from the start along its heading.
func offset(l Layout) string {
	way := func(mm float64, to, back string) string {
		if mm < 0 {
			return num(-mm, 0) + " mm " + back
		}
		return num(mm, 0) + " mm " + to
	}
	return way(l.EndX, "beyond the start", "short of the start") + " and " + way(l.EndY, "to its left", "to its right")
}

// num writes a number with at most so many decimals.
func num(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if slices.Contains([]byte(s), '.') {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return strings.Replace(s, "-", "−", 1)
}

func hand(left bool) string {
	if left {
		return "left"
	}
	return "right"
}
