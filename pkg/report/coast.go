package report

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"

	"rainhill/pkg/wire"
)

// Coast draws the resistance of each consist over its speed with its band, and below
// what the fit leaves of every instant over its place.
func Coast(r wire.CoastResult, paper Paper) ([]byte, error) {
	const above, below = 230, 150
	f := paper.figure(coastSays(r), above+below)
	a := paper.axes("speed, mm/s", "resistance, mm/s² of slowing")
	a.Add(&resistance{paper, r.Consists})
	f.panel(a, above, 0)
	b := paper.axes("place on the run, mm", "left, ms")
	b.Add(&coastLeft{paper, r.Consists})
	f.panel(b, below, 0)
	return f.svg()
}

type resistance struct {
	paper    Paper
	consists []wire.CoastTerms
}

// mm is metres in millimetres.
const mm = 1000

func (d *resistance) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax = math.Inf(1), math.Inf(-1)
	for _, c := range d.consists {
		for _, f := range c.Forces {
			xmin, xmax = min(xmin, f.SpeedMmS), max(xmax, f.SpeedMmS)
			for _, y := range []*float64{f.DecMS2.Value, f.DecMS2.Hi} {
				if y != nil {
					ymax = max(ymax, *y*mm)
				}
			}
		}
	}
	xmin, xmax = widened(xmin, xmax)
	return xmin, xmax, 0, max(ymax, 1e-3) * (1.08 + 0.09*float64(len(d.consists))) // room for the names
}

func (d *resistance) Plot(c draw.Canvas, a *plot.Plot) {
	tx, ty := a.Transforms(&c)
	rules(c, a, tx, d.paper)
	names := names{c: c, paper: d.paper}
	for i, of := range d.consists {
		var at []point
		for _, f := range of.Forces {
			if f.DecMS2.Value != nil {
				at = append(at, point{f.SpeedMmS, *f.DecMS2.Value * mm, scaled(f.DecMS2.Lo, mm), scaled(f.DecMS2.Hi, mm)})
			}
		}
		band(c, at, tx, ty, faded(d.paper.ink(i), 0x30))
		curve(c, at, tx, ty, draw.LineStyle{Color: d.paper.ink(i), Width: 1.75})
		if of.Name != "" {
			names.add(of.Name, d.paper.ink(i))
		}
	}
}

type coastLeft struct {
	paper    Paper
	consists []wire.CoastTerms
}

func (d *coastLeft) each(do func(ink int, place, left float64)) {
	for i, c := range d.consists {
		for _, r := range c.RunList {
			for _, x := range r.Residuals {
				if x.LeftS != nil {
					do(i, x.PositionMm, 1000**x.LeftS)
				}
			}
		}
	}
}

func (d *coastLeft) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax = math.Inf(1), math.Inf(-1)
	d.each(func(_ int, x, y float64) {
		xmin, xmax, ymax = min(xmin, x), max(xmax, x), max(ymax, math.Abs(y))
	})
	xmin, xmax = widened(xmin, xmax)
	_, ymax = widened(0, ymax)
	return xmin, xmax, -ymax, ymax
}

func (d *coastLeft) Plot(c draw.Canvas, a *plot.Plot) {
	tx, ty := a.Transforms(&c)
	rules(c, a, tx, d.paper)
	c.StrokeLine2(draw.LineStyle{Color: d.paper.Rule, Width: 0.75}, c.Min.X, ty(0), c.Max.X, ty(0))
	d.each(func(ink int, x, y float64) { disc(c, tx(x), ty(y), 1.7, faded(d.paper.ink(ink), 0xb0)) })
}

func scaled(x *float64, by float64) *float64 {
	if x == nil {
		return nil
	}
	y := *x * by
	return &y
}

func coastSays(r wire.CoastResult) string {
	says := ""
	for _, c := range r.Consists {
		says += fmt.Sprintf("%s, %s: a %s, b %s, c %s, on curves %s. ", c.Name, count(c.Runs, "run"), between(c.A, 4), between(c.B, 4), between(c.C, 4), between(c.Curve, 4))
	}
	return says
}
