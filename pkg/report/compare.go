package report

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"rainhill/pkg/wire"
)

// Compare draws a comparison: every lap a dot, every trial a lane with its mean, and
// below, on an axis of its own, the interval of each difference beside 0 and the margin
// that matters.
func Compare(r wire.CompareResult, paper Paper) ([]byte, error) {
	name, scale := measureOf(r.Measure)
	lanes := lanesOf(r)
	rows := len(lanes)
	above, below := vg.Length(48+13*rows), vg.Length(58+20*max(len(r.Pairs), 1))
	f := paper.figure(compareSays(r), above+below)

	top := paper.axes(name, "")
	top.Y.Tick.Marker = plot.ConstantTicks(nil)
	top.Add(&laneMarks{paper: paper, lanes: lanes, rows: rows, scale: scale})
	f.panel(top, above, paper.gutterWidth())

	under := paper.axes("difference of "+name, "")
	under.Y.Tick.Marker = plot.ConstantTicks(nil)
	under.Add(&differences{paper: paper, pairs: r.Pairs, scale: scale})
	f.panel(under, below, paper.gutterWidth())
	return f.svg()
}

// measureOf is how a figure names a measure, and what one of it is drawn as.
func measureOf(measure string) (name string, scale float64) {
	if measure == "speed_mm_s" {
		return "speed, mm/s", 1
	}
	return "lap time, s", 1
}

// lane is a row of the figure: a side's name, or one of its trials.
type lane struct {
	level string
	ink   int
	trial *wire.ComparedTrial
	side  *wire.ComparedSide
}

// lanesOf are the rows from the top: each side, and under it its trials.
func lanesOf(r wire.CompareResult) (out []lane) {
	for i := range r.Sides {
		out = append(out, lane{level: r.Sides[i].Level, ink: i, side: &r.Sides[i]})
		for j := range r.Trials {
			if r.Trials[j].Level == r.Sides[i].Level {
				out = append(out, lane{level: r.Sides[i].Level, ink: i, trial: &r.Trials[j]})
			}
		}
	}
	return out
}

// laneMarks draws the lanes from the top down.
type laneMarks struct {
	paper Paper
	lanes []lane
	rows  int
	scale float64
}

func (m *laneMarks) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax = math.Inf(1), math.Inf(-1)
	take := func(x float64) { xmin, xmax = math.Min(xmin, x*m.scale), math.Max(xmax, x*m.scale) }
	for _, l := range m.lanes {
		if l.trial == nil {
			continue // an interval of few trials may be wider than anything seen
		}
		take(l.trial.Mean)
		for _, x := range l.trial.Laps {
			take(x)
		}
	}
	xmin, xmax = widened(xmin, xmax)
	return xmin, xmax, 0, float64(m.rows)
}

func (m *laneMarks) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	rules(c, p, tx, m.paper)
	for i, l := range m.lanes {
		y, pen := ty(float64(m.rows-i)-0.5), m.paper.ink(l.ink)
		if l.trial == nil {
			m.heading(c, l, tx, y)
			continue
		}
		c.StrokeLine2(draw.LineStyle{Color: m.paper.Grid, Width: 0.5}, c.Min.X, y, c.Max.X, y)
		m.paper.gutter(c, y, style(small, m.paper.Faint), l.trial.Trial)
		for _, x := range l.trial.Laps {
			disc(c, tx(x*m.scale), y, 1.9, faded(pen, 0x90))
		}
		at := tx(l.trial.Mean * m.scale)
		c.StrokeLine2(draw.LineStyle{Color: pen, Width: 2}, at, y-5, at, y+5)
	}
}

// heading is the side's name and, where it can be had, the interval of its mean.
func (m *laneMarks) heading(c draw.Canvas, l lane, tx func(float64) vg.Length, y vg.Length) {
	pen := m.paper.ink(l.ink)
	m.paper.gutter(c, y, style(plain, m.paper.Ink), l.level)
	c.StrokeLine2(draw.LineStyle{Color: m.paper.Rule, Width: 0.5}, c.Min.X, y+6.5, c.Max.X, y+6.5)
	if e := l.side.Mean; e.Value != nil && e.Lo != nil && e.Hi != nil {
		lo, hi := max(tx(*e.Lo*m.scale), c.Min.X), min(tx(*e.Hi*m.scale), c.Max.X)
		whisker(c, lo, hi, y, pen)
		square(c, tx(*e.Value*m.scale), y, 3, pen)
	}
}

// differences draws one row a pair: the interval of the difference, 0, and the margin.
type differences struct {
	paper Paper
	pairs []wire.ComparedPair
	scale float64
}

func (d *differences) DataRange() (xmin, xmax, ymin, ymax float64) {
	take := func(x *float64) {
		if x != nil && !math.IsInf(*x, 0) {
			xmin, xmax = math.Min(xmin, *x*d.scale), math.Max(xmax, *x*d.scale)
		}
	}
	for _, p := range d.pairs {
		take(p.Difference.Value)
		take(p.Difference.Lo)
		take(p.Difference.Hi)
		if p.Margin != nil {
			minus := -*p.Margin
			take(p.Margin)
			take(&minus)
		}
	}
	xmin, xmax = widened(xmin, xmax)
	return xmin, xmax, 0, float64(max(len(d.pairs), 1))
}

func (d *differences) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	if m := d.margin(); m > 0 {
		l, r := max(tx(-m*d.scale), c.Min.X), min(tx(m*d.scale), c.Max.X)
		c.FillPolygon(d.paper.Grid, []vg.Point{{X: l, Y: c.Min.Y}, {X: r, Y: c.Min.Y}, {X: r, Y: c.Max.Y}, {X: l, Y: c.Max.Y}})
		c.FillText(style(small, d.paper.Faint), vg.Point{X: l + 3, Y: c.Min.Y + 3}, "matters not")
	}
	c.StrokeLine2(draw.LineStyle{Color: d.paper.Ink, Width: 0.75, Dashes: []vg.Length{3, 2}}, tx(0), c.Min.Y, tx(0), c.Max.Y)
	for i, pair := range d.pairs {
		y, pen := ty(float64(len(d.pairs)-i)-0.5), d.paper.Ink
		d.paper.gutter(c, y, style(small, d.paper.Ink), pair.B+" less "+pair.A)
		if e := pair.Difference; e.Lo != nil && e.Hi != nil {
			whisker(c, max(tx(*e.Lo*d.scale), c.Min.X), min(tx(*e.Hi*d.scale), c.Max.X), y, pen)
		}
		if e := pair.Difference; e.Value != nil {
			square(c, tx(*e.Value*d.scale), y, 3, pen)
		}
	}
}

func (d *differences) margin() float64 {
	for _, p := range d.pairs {
		if p.Margin != nil {
			return *p.Margin
		}
	}
	return 0
}

// compareSays is the figure in words.
func compareSays(r wire.CompareResult) string {
	says := ""
	for _, p := range r.Pairs {
		says += p.Says + " "
	}
	return fmt.Sprintf("%s by %s. %s", r.Measure, r.Factor, says)
}
