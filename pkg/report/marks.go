package report

import (
	"image/color"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"rainhill/pkg/wire"
)

// ticks are round numbers with the decimals that they need, and no more than that.
type ticks struct{}

func (ticks) Ticks(lo, hi float64) []plot.Tick {
	if !(hi > lo) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10((hi-lo)/4)))
	for _, k := range []float64{5, 2} {
		if (hi-lo)/(step*k) >= 4 {
			step *= k
			break
		}
	}
	decimals := int(max(0, -math.Floor(math.Log10(step)+1e-9)))
	var out []plot.Tick
	for k := math.Ceil(lo/step - 1e-9); k*step <= hi+step*1e-9; k++ {
		out = append(out, plot.Tick{Value: k * step, Label: written(k*step, decimals)})
	}
	return out
}

// written is a number with a true minus sign.
func written(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "\u2212", 1)
}

// widened leaves room at both ends, and makes a range of a point.
func widened(lo, hi float64) (float64, float64) {
	if math.IsInf(lo, 0) || math.IsInf(hi, 0) {
		return 0, 1
	}
	room := 0.04 * (hi - lo)
	if room == 0 {
		room = max(math.Abs(lo)*0.05, 1e-3)
	}
	return lo - room, hi + room
}

func style(size font.Length, c color.Color) text.Style {
	return text.Style{Color: c, Font: serif(size), Handler: plot.DefaultTextHandler}
}

// rules are faint lines up from the ticks.
func rules(c draw.Canvas, p *plot.Plot, tx func(float64) vg.Length, paper Paper) {
	for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
		c.StrokeLine2(draw.LineStyle{Color: paper.Grid, Width: 0.75}, tx(t.Value), c.Min.Y, tx(t.Value), c.Max.Y)
	}
}

// gutterWidth is the margin to the left of rows that have names.
func (p Paper) gutterWidth() vg.Length { return min(112, max(66, p.Width*0.23)) }

// gutter writes the name of a row to its left, cut where it is too long.
func (p Paper) gutter(c draw.Canvas, y vg.Length, s text.Style, name string) {
	runes := []rune(name)
	for len(runes) > 1 && s.Width(string(runes)) > p.gutterWidth()-2 {
		runes = append(runes[:len(runes)-2], '\u2026')
	}
	c.FillText(s, vg.Point{X: c.Min.X - 8 - s.Width(string(runes)), Y: y - s.Font.Size/3}, string(runes))
}

func disc(c draw.Canvas, x, y, r vg.Length, pen color.Color) {
	c.SetColor(pen)
	var p vg.Path
	p.Move(vg.Point{X: x + r, Y: y})
	p.Arc(vg.Point{X: x, Y: y}, r, 0, 2*math.Pi)
	p.Close()
	c.Fill(p)
}

func square(c draw.Canvas, x, y, r vg.Length, pen color.Color) {
	c.FillPolygon(pen, []vg.Point{{X: x - r, Y: y - r}, {X: x + r, Y: y - r}, {X: x + r, Y: y + r}, {X: x - r, Y: y + r}})
}

// whisker is an interval with ends; one that goes on beyond the panel, or that has no
// end, has an arrow there.
func whisker(c draw.Canvas, e wire.Estimate, scale float64, tx func(float64) vg.Length, y vg.Length, pen color.Color) {
	if e.Lo == nil && e.Hi == nil {
		return
	}
	line := draw.LineStyle{Color: pen, Width: 1.25}
	end := func(x *float64, edge, back vg.Length) vg.Length {
		if x != nil {
			if at := tx(*x * scale); at >= c.Min.X && at <= c.Max.X {
				c.StrokeLine2(line, at, y-4, at, y+4)
				return at
			}
		}
		c.StrokeLines(line, []vg.Point{{X: edge + back, Y: y - 4}, {X: edge, Y: y}, {X: edge + back, Y: y + 4}})
		return edge
	}
	c.StrokeLine2(line, end(e.Lo, c.Min.X, 5), y, end(e.Hi, c.Max.X, -5), y)
}

// reach widens a range so that it holds intervals, as far as that leaves what was seen
// at least a third of it.
func reach(lo, hi float64, scale float64, of ...wire.Estimate) (float64, float64) {
	most := max(hi-lo, math.Abs(hi)*1e-6)
	from, to := lo-most, hi+most
	for _, e := range of {
		for _, x := range []*float64{e.Value, e.Lo, e.Hi} {
			if x != nil && !math.IsInf(*x, 0) {
				lo, hi = min(lo, max(from, *x*scale)), max(hi, min(to, *x*scale))
			}
		}
	}
	return lo, hi
}

// ring and cross are the marks that a disc is told from without colour.
func ring(c draw.Canvas, x, y, r vg.Length, pen color.Color) {
	c.SetLineStyle(draw.LineStyle{Color: pen, Width: 1})
	var p vg.Path
	p.Move(vg.Point{X: x + r, Y: y})
	p.Arc(vg.Point{X: x, Y: y}, r, 0, 2*math.Pi)
	p.Close()
	c.Stroke(p)
}

func cross(c draw.Canvas, x, y, r vg.Length, pen color.Color) {
	line := draw.LineStyle{Color: pen, Width: 1.25}
	c.StrokeLine2(line, x-r, y-r, x+r, y+r)
	c.StrokeLine2(line, x-r, y+r, x+r, y-r)
}

// point is one of a curve: where, and how much with its interval where it has one.
type point struct {
	x, y   float64
	lo, hi *float64
}

// band fills between the ends of a curve's intervals.
func band(c draw.Canvas, at []point, tx, ty func(float64) vg.Length, fill color.Color) {
	var up, down []vg.Point
	for _, p := range at {
		if p.lo != nil && p.hi != nil {
			up = append(up, vg.Point{X: tx(p.x), Y: min(ty(*p.hi), c.Max.Y)})
			down = append([]vg.Point{{X: tx(p.x), Y: max(ty(*p.lo), c.Min.Y)}}, down...)
		}
	}
	if len(up) > 1 {
		c.FillPolygon(fill, append(up, down...))
	}
}

func curve(c draw.Canvas, at []point, tx, ty func(float64) vg.Length, line draw.LineStyle) {
	var path []vg.Point
	for _, p := range at {
		path = append(path, vg.Point{X: tx(p.x), Y: ty(p.y)})
	}
	if len(path) > 1 {
		c.StrokeLines(line, path)
	}
}

// names is a list of what the pens are, in the upper left of a panel.
type names struct {
	c     draw.Canvas
	paper Paper
	n     int
}

func (n *names) add(name string, pen color.Color) {
	y := n.c.Max.Y - 10 - vg.Length(n.n)*13
	n.n++
	n.c.StrokeLine2(draw.LineStyle{Color: pen, Width: 2}, n.c.Min.X+8, y+3, n.c.Min.X+26, y+3)
	n.c.FillText(style(small, n.paper.Ink), vg.Point{X: n.c.Min.X + 31, Y: y}, name)
}
