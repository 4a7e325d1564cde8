package report

import (
	"fmt"
	"math"
	"slices"

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
	shown := r.Pairs[:min(len(r.Pairs), mostPairs)]
	lane, row := clamp(190/vg.Length(max(rows, 1)), 4, 13), clamp(100/vg.Length(max(len(shown), 1)), 9, 20)
	called := paper.called(r, shown, lane)
	if called.twoLines {
		row = max(row, twoLines)
	}
	key := paper.key(called.key())
	above, below := 48+lane*vg.Length(rows), 58+row*vg.Length(max(len(shown), 1))
	f := paper.figure(compareSays(r), above+below+keyLine*vg.Length(len(key)))

	top := paper.axes(name, "")
	top.Y.Tick.Marker = plot.ConstantTicks(nil)
	top.Add(&laneMarks{paper: paper, lanes: lanes, called: called, rows: rows, scale: scale, high: lane})
	f.panel(top, above, paper.gutterWidth())

	under := paper.axes("difference of "+name, "")
	under.Y.Tick.Marker = plot.ConstantTicks(nil)
	under.Add(&differences{paper: paper, pairs: shown, called: called, scale: scale})
	f.panel(under, below, paper.gutterWidth())
	f.keyed(key)
	return f.svg()
}

// mostPairs is how many pairs a drawing or a table of a sheet holds: the rest is in the
// figures.
const mostPairs = 36

// twoLines is how high a row of two lines is, and of so few pairs at most rows have two.
const (
	twoLines      = 21
	mostTwoLines  = 10
	leastLettered = 7 // so high a lane has its trial's name beside it: lower, names would run into each other
)

// calledRows are how sides, trials and pairs are called beside their rows.
type calledRows struct {
	sides, trials labels
	twoLines      bool // a pair has its sides one over the other
}

func (c calledRows) key() []string { return slices.Concat(c.sides.key, c.trials.key) }

// pair is the label of a difference, in one line or two.
func (c calledRows) pair(p wire.ComparedPair) []string {
	a, b := c.sides.of(p.A), c.sides.of(p.B)
	if c.twoLines {
		return []string{b, "less " + a}
	}
	return []string{b + " less " + a}
}

// called finds labels that fit beside the rows of a comparison whose lanes are so high.
func (p Paper) called(r wire.CompareResult, shown []wire.ComparedPair, lane vg.Length) (c calledRows) {
	wide := func(size vg.Length, text string) bool { return style(size, p.Ink).Width(text) <= p.gutterWidth()-2 }
	var sides, trials []string
	for _, s := range r.Sides {
		sides = append(sides, s.Level)
	}
	for _, t := range r.Trials {
		trials = append(trials, t.Trial)
	}
	fits := func(name string) bool { return wide(headingSize(lane), name) && wide(small, "less "+name) }
	long := func() bool {
		return slices.ContainsFunc(shown, func(p wire.ComparedPair) bool { return !wide(small, c.pair(p)[0]) })
	}
	c.sides = shortened(sides, 'A', fits)
	if long() && len(shown) > mostTwoLines {
		c.sides = shortened(sides, 'A', func(name string) bool { return len(name) == 1 })
	}
	c.twoLines = long()
	if lane >= leastLettered {
		c.trials = outings(trials, func(name string) bool { return wide(min(small, lane), name) })
	}
	return c
}

func headingSize(lane vg.Length) vg.Length { return clamp(lane, 6, plain) }

func clamp(x, least, most vg.Length) vg.Length { return min(max(x, least), most) }

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
	paper  Paper
	lanes  []lane
	called calledRows
	rows   int
	scale  float64
	high   vg.Length // of a lane
}

func (m *laneMarks) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax = math.Inf(1), math.Inf(-1)
	take := func(x float64) { xmin, xmax = math.Min(xmin, x*m.scale), math.Max(xmax, x*m.scale) }
	for _, l := range m.lanes {
		if l.trial == nil {
			continue
		}
		take(l.trial.Mean)
		for _, x := range l.trial.Laps {
			take(x)
		}
	}
	for _, l := range m.lanes {
		if l.trial == nil {
			xmin, xmax = reach(xmin, xmax, m.scale, l.side.Mean)
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
		if m.high >= leastLettered {
			m.paper.gutter(c, y, style(min(small, m.high), m.paper.Faint), m.called.trials.of(l.trial.Trial))
		}
		for _, x := range l.trial.Laps {
			disc(c, tx(x*m.scale), y, min(1.9, m.high/4), faded(pen, 0x90))
		}
		at := tx(l.trial.Mean * m.scale)
		c.StrokeLine2(draw.LineStyle{Color: pen, Width: 2}, at, y-m.high*0.4, at, y+m.high*0.4)
	}
}

// heading is the side's name and, where it can be had, the interval of its mean.
func (m *laneMarks) heading(c draw.Canvas, l lane, tx func(float64) vg.Length, y vg.Length) {
	pen := m.paper.ink(l.ink)
	m.paper.gutter(c, y, style(headingSize(m.high), m.paper.Ink), m.called.sides.heading(l.level))
	c.StrokeLine2(draw.LineStyle{Color: m.paper.Rule, Width: 0.5}, c.Min.X, y+m.high/2, c.Max.X, y+m.high/2)
	if e := l.side.Mean; e.Value != nil {
		whisker(c, e, m.scale, tx, y, pen)
		square(c, tx(*e.Value*m.scale), y, 3, pen)
	}
}

// differences draws one row a pair: the interval of the difference, 0, and the margin.
type differences struct {
	paper  Paper
	pairs  []wire.ComparedPair
	called calledRows
	scale  float64
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
		label := d.called.pair(pair)
		for k, line := range label {
			d.paper.gutter(c, y+(vg.Length(len(label)-1)/2-vg.Length(k))*small, style(small, d.paper.Ink), line)
		}
		whisker(c, pair.Difference, d.scale, tx, y, pen)
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
	for _, p := range r.Pairs[:min(len(r.Pairs), mostPairs)] {
		says += p.Says + ". "
	}
	if more := len(r.Pairs) - mostPairs; more > 0 {
		says += fmt.Sprintf("%s more in the figures.", count(more, "pair"))
	}
	name, _ := measureOf(r.Measure)
	return fmt.Sprintf("%s by %s. %s", name, said(r, r.Factor), says)
}
