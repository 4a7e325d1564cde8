package report

import (
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"rainhill/pkg/wire"
)

// Pull draws the limit of one locomotive: each attempt a mark at its load, above what
// moved and below what stalled, the share that succeeds with its band, the steps that
// take no shape for granted, and the loads of 50 and 95 % with their intervals.
func Pull(l wire.PullLimit, paper Paper) ([]byte, error) {
	if l.Method == wire.PullStatic {
		return readings(l, paper)
	}
	f := paper.figure(pullSays(l), paper.High)
	says := "moves, % of attempts"
	if paper.High < 150 {
		says = "moves, %"
	}
	a := paper.axes("load, g", says)
	a.Add(&pulls{paper, l})
	f.panel(a, paper.High, 0)
	return f.svg()
}

// readings draws static pulls: each a disc, their mean and the pull that 95 of 100 reach.
func readings(l wire.PullLimit, paper Paper) ([]byte, error) {
	f := paper.figure(pullSays(l), 130)
	a := paper.axes("pull, g", "")
	a.Y.Tick.Marker = plot.ConstantTicks(nil)
	a.Add(&read{paper, l})
	f.panel(a, 130, paper.gutterWidth())
	return f.svg()
}

type read struct {
	paper Paper
	wire.PullLimit
}

func (r *read) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax, _, _ = (&pulls{r.paper, r.PullLimit}).DataRange()
	return xmin, xmax, 0, 3
}

func (r *read) Plot(c draw.Canvas, a *plot.Plot) {
	tx, ty := a.Transforms(&c)
	rules(c, a, tx, r.paper)
	r.paper.gutter(c, ty(2.5), style(small, r.paper.Faint), "readings")
	for _, at := range r.Attempts {
		disc(c, tx(at.LoadG), ty(2.5), 2.4, faded(r.paper.ink(0), 0xb0))
	}
	for _, row := range []struct {
		name string
		y    float64
		e    wire.Estimate
	}{{"mean", 1.5, r.Load50G}, {"95 of 100 reach", 0.5, r.Load95G}} {
		r.paper.gutter(c, ty(row.y), style(small, r.paper.Ink), row.name)
		whisker(c, row.e, 1, tx, ty(row.y), r.paper.Ink)
		if row.e.Value != nil {
			square(c, tx(*row.e.Value), ty(row.y), 3, r.paper.Ink)
		}
	}
}

type pulls struct {
	paper Paper
	wire.PullLimit
}

func (p *pulls) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax = math.Inf(1), math.Inf(-1)
	for _, x := range p.Attempts {
		xmin, xmax = min(xmin, x.LoadG), max(xmax, x.LoadG)
	}
	xmin, xmax = reach(xmin, xmax, 1, p.Load50G)
	if !p.Load95Open {
		xmin, xmax = reach(xmin, xmax, 1, p.Load95G)
	}
	xmin, xmax = widened(xmin, xmax)
	return xmin, xmax, -14, 114
}

func (p *pulls) Plot(c draw.Canvas, a *plot.Plot) {
	a.Y.Tick.Marker = ticks{}
	tx, ty := a.Transforms(&c)
	rules(c, a, tx, p.paper)
	at := slices.DeleteFunc(shares(p.Curve), func(at point) bool { return at.x < a.X.Min || at.x > a.X.Max })
	band(c, at, tx, ty, faded(p.paper.ink(0), 0x30))
	curve(c, at, tx, ty, draw.LineStyle{Color: p.paper.ink(0), Width: 1.75})
	p.steps(c, tx, ty)
	for _, l := range []struct {
		share float64
		e     wire.Estimate
	}{{50, p.Load50G}, {95, p.Load95G}} {
		if l.e.Value == nil || l.share == 95 && p.Load95Open {
			continue
		}
		whisker(c, l.e, 1, tx, ty(l.share), p.paper.Ink)
		square(c, tx(*l.e.Value), ty(l.share), 3, p.paper.Ink)
	}
	p.attempts(c, tx, ty)
}

// shares are a curve's points in per cent.
func shares(curve []wire.PullAt) (out []point) {
	for _, p := range curve {
		out = append(out, point{p.LoadG, 100 * p.Share, scaled(p.Lo, 100), scaled(p.Hi, 100)})
	}
	return out
}

// steps are the isotonic shares.
func (p *pulls) steps(c draw.Canvas, tx, ty func(float64) vg.Length) {
	line := draw.LineStyle{Color: p.paper.Faint, Width: 0.75, Dashes: []vg.Length{2, 2}}
	for i := 1; i < len(p.Steps); i++ {
		x, was, is := tx(p.Steps[i].LoadG), ty(100*p.Steps[i-1].Share), ty(100*p.Steps[i].Share)
		c.StrokeLine2(line, tx(p.Steps[i-1].LoadG), was, x, was)
		c.StrokeLine2(line, x, was, x, is)
	}
}

// attempts stand one over the other where several had one load.
func (p *pulls) attempts(c draw.Canvas, tx, ty func(float64) vg.Length) {
	seen := map[string]int{}
	for _, at := range p.Attempts {
		key := fmt.Sprint(at.LoadG, at.Outcome == wire.PullStalled)
		up := vg.Length(seen[key]) * 5
		seen[key]++
		x := tx(at.LoadG)
		switch at.Outcome {
		case wire.PullMoved, "": // a scale's reading has no outcome
			disc(c, x, ty(104)+up, 2.2, p.paper.ink(0))
		case wire.PullStruggled:
			ring(c, x, ty(104)+up, 2, p.paper.ink(0))
		default:
			cross(c, x, ty(-4)-up, 2.2, p.paper.ink(1))
		}
	}
}

func pullSays(l wire.PullLimit) string {
	says := fmt.Sprintf("%s, %s", named(l), count(len(l.Attempts), "attempt"))
	if l.Method == wire.PullStatic {
		return fmt.Sprintf("%s, %s: mean %s g; 95 of 100 reach %s g.", named(l), count(len(l.Attempts), "reading"), between(l.Load50G, 0), between(l.Load95G, 0))
	}
	switch {
	case l.Load95Open:
		return fmt.Sprintf("%s; moves %s g in half, and what in 95 of 100 is %s g.", says, between(l.Load50G, 0), sure(l))
	case l.Load95G.Value != nil:
		says += fmt.Sprintf("; moves %s g in 95 of 100", between(l.Load95G, 0))
	}
	if l.Load50G.Value != nil {
		says += fmt.Sprintf(", %s g in half", between(l.Load50G, 0))
	}
	return says + "."
}

// sure is the load moved in 95 of 100, or what it lies below where it is not known yet.
func sure(l wire.PullLimit) string {
	if l.Load95Open {
		return "not known yet, below " + written(*l.Load95G.Hi, 0)
	}
	return between(l.Load95G, 0)
}

// mostMoved is the greatest load that moved.
func mostMoved(l wire.PullLimit) (most float64) {
	for _, a := range l.Attempts {
		if a.Outcome == wire.PullMoved {
			most = max(most, a.LoadG)
		}
	}
	return most
}

// pulled is what the limits are of: each locomotive's mass, what its loads were, and the power
// at the drawbar.
func pulled(r wire.PullResult) Table {
	t := Table{
		Caption: "What pulled what; power is the greatest at one load, where speeds were read", Figures: []bool{false, true, false, true},
		Head: []string{"locomotive", "its mass, g", "the load", "power at the drawbar, mW"},
	}
	for _, l := range r.Locomotives {
		load := "is the pull itself"
		if l.LoadIs == wire.LoadTrain {
			load = "is the mass of a train"
		}
		if l.Method == wire.PullStatic {
			load = "is a scale’s reading"
		}
		t.Rows = append(t.Rows, []string{named(l), value(l.MassG, 0), load, between(l.PowerMw, 0)})
	}
	return t
}

// Agreement draws static less moving pull over their mean, a mark a locomotive, with the
// bias and the limits of agreement, each limit with its own interval.
func Agreement(g wire.PullAgreement, paper Paper) ([]byte, error) {
	f := paper.figure(agreementSays(g), 240)
	a := paper.axes("mean of both, g", "static less moving, g")
	a.Add(&agreement{paper, g})
	f.panel(a, 240, 0)
	return f.svg()
}

// agreementCaption is what there is to see in it.
const agreementCaption = "Static less moving pull, a disc a locomotive: the line is the mean difference with its 95 % interval, the dashes are the limits between which 95 % of locomotives are expected, the upright bars the limits’ own 95 % intervals."

// agreementSays is the figures in words.
func agreementSays(g wire.PullAgreement) string {
	lower, upper := limits(g)
	says := fmt.Sprintf("Static less moving pull of %s: bias %s g", count(g.N, "locomotive"), between(g.BiasG, 0))
	if lower.Value == nil || upper.Value == nil {
		return says + "."
	}
	return fmt.Sprintf("%s; limits of agreement %s g and %s g.", says, between(lower, 0), between(upper, 0))
}

// limits are those of agreement with their intervals.
func limits(g wire.PullAgreement) (lower, upper wire.Estimate) {
	return wire.Estimate{Value: g.LowerG, Lo: g.LowerLoG, Hi: g.LowerHiG}, wire.Estimate{Value: g.UpperG, Lo: g.UpperLoG, Hi: g.UpperHiG}
}

type agreement struct {
	paper Paper
	wire.PullAgreement
}

func (g *agreement) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, xmax = math.Inf(1), math.Inf(-1)
	take := func(y *float64) {
		if y != nil {
			ymin, ymax = min(ymin, *y), max(ymax, *y)
		}
	}
	for _, p := range g.Points {
		d := p.StaticG - p.MovingG
		take(&d)
		xmin, xmax = min(xmin, (p.StaticG+p.MovingG)/2), max(xmax, (p.StaticG+p.MovingG)/2)
	}
	for _, y := range []*float64{g.BiasG.Value, g.LowerG, g.UpperG} {
		take(y)
	}
	lower, upper := limits(g.PullAgreement)
	xmin, xmax = widened(xmin, xmax)
	xmax += 0.08 * (xmax - xmin) // for the uprights
	ymin, ymax = reach(ymin, ymax, 1, g.BiasG, lower, upper)
	ymin, ymax = widened(ymin, ymax)
	return xmin, xmax, ymin, ymax
}

func (g *agreement) Plot(c draw.Canvas, a *plot.Plot) {
	tx, ty := a.Transforms(&c)
	rules(c, a, tx, g.paper)
	if e := g.BiasG; e.Lo != nil && e.Hi != nil {
		lo, hi := max(ty(*e.Lo), c.Min.Y), min(ty(*e.Hi), c.Max.Y)
		c.FillPolygon(faded(g.paper.ink(0), 0x30), []vg.Point{{X: c.Min.X, Y: lo}, {X: c.Max.X, Y: lo}, {X: c.Max.X, Y: hi}, {X: c.Min.X, Y: hi}})
	}
	across := func(y *float64, line draw.LineStyle) {
		if y != nil {
			c.StrokeLine2(line, c.Min.X, ty(*y), c.Max.X, ty(*y))
		}
	}
	zero := 0.0
	across(&zero, draw.LineStyle{Color: g.paper.Rule, Width: 0.75})
	across(g.BiasG.Value, draw.LineStyle{Color: g.paper.ink(0), Width: 1.75})
	dashed := draw.LineStyle{Color: g.paper.ink(0), Width: 1, Dashes: []vg.Length{4, 3}}
	across(g.LowerG, dashed)
	across(g.UpperG, dashed)
	lower, upper := limits(g.PullAgreement)
	upright(c, lower, c.Max.X-18, ty, g.paper.Ink)
	upright(c, upper, c.Max.X-8, ty, g.paper.Ink)
	for _, p := range g.Points {
		disc(c, tx((p.StaticG+p.MovingG)/2), ty(p.StaticG-p.MovingG), 2.6, g.paper.Ink)
	}
}

// upright is an interval that stands, with an arrow where it goes on beyond the panel.
func upright(c draw.Canvas, e wire.Estimate, x vg.Length, ty func(float64) vg.Length, pen color.Color) {
	if e.Lo == nil || e.Hi == nil {
		return
	}
	line := draw.LineStyle{Color: pen, Width: 1.25}
	end := func(y float64, edge, back vg.Length) vg.Length {
		if at := ty(y); at >= c.Min.Y && at <= c.Max.Y {
			c.StrokeLine2(line, x-4, at, x+4, at)
			return at
		}
		c.StrokeLines(line, []vg.Point{{X: x - 4, Y: edge + back}, {X: x, Y: edge}, {X: x + 4, Y: edge + back}})
		return edge
	}
	c.StrokeLine2(line, x, end(*e.Lo, c.Min.Y, 5), x, end(*e.Hi, c.Max.Y, -5))
}
