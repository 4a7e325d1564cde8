// Package report puts what the results say on paper: figures as SVG and one page that
// a person can hand round, as HTML that opens alone. It judges nothing and reckons
// nothing but where a mark stands. No clock, files or goroutines.
package report

import (
	"bytes"
	"fmt"
	"image/color"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Paper is what a figure is drawn on: the colours of the sheet and its inks.
type Paper struct {
	Sheet, Ink, Faint, Rule, Grid, Wash color.NRGBA
	Inks                                []color.NRGBA
	Width                               vg.Length // of a figure
	High                                vg.Length // of a limit's figure; others are as high as what is on them
}

// Narrow is the same paper for the hand: lettering stays as large where a figure is
// shown at the width of a phone.
func (p Paper) Narrow() Paper {
	p.Width, p.High = 300, 240
	return p
}

// beside is the paper of one of n figures on a sheet: as wide as it is printed there, so that
// lettering is as large as it says, and so high that few figures fill the sheet and many fit.
func (p Paper) beside(n int) Paper {
	switch {
	case n <= 1:
		p.High = 330
	case n == 2:
		p.Width, p.High = half, 250
	case n == 3:
		p.Width, p.High = third, 240
	case n == 4:
		p.Width, p.High = half, 190
	case n <= 6:
		p.Width, p.High = third, 170
	default:
		p.Width, p.High = third, 125
	}
	return p
}

// Light is the paper of print and of a page by day, Dark that of a page by night. Their
// colours are the page's own.
var (
	Light = Paper{
		Sheet: hex(0xfbf8ef), Ink: hex(0x211d17), Faint: hex(0x665c4b), Rule: hex(0x8d8068), Grid: hex(0xefe2cb), Wash: hex(0xf3ecdc),
		Inks: []color.NRGBA{hex(0x1f4480), hex(0x8f2f1a), hex(0x29603d), hex(0x5f2d80), hex(0x7a5210), hex(0x211d17)}, Width: column, High: 270,
	}
	Dark = Paper{
		Sheet: hex(0x12212f), Ink: hex(0xece6d6), Faint: hex(0xa9b4ba), Rule: hex(0x6d8598), Grid: hex(0x1b3144), Wash: hex(0x182b3c),
		Inks: []color.NRGBA{hex(0x9fc3fa), hex(0xf5a98f), hex(0xa5d6ae), hex(0xd8b8f2), hex(0xe6c680), hex(0xf0eadb)}, Width: column, High: 270,
	}
)

func hex(rgb uint32) color.NRGBA {
	return color.NRGBA{uint8(rgb >> 16), uint8(rgb >> 8), uint8(rgb), 0xff}
}

// ink is the pen of the i-th of several things on one figure.
func (p Paper) ink(i int) color.NRGBA { return p.Inks[i%len(p.Inks)] }

// faded is a colour through which another shows.
func faded(c color.NRGBA, alpha uint8) color.NRGBA {
	c.A = alpha
	return c
}

// serif is the face of all lettering; a browser takes what it has of that family.
func serif(size vg.Length) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Serif", Size: size}
}

// family is the page's own, the one measured with for where that is missing.
const family = "Iowan Old Style,Palatino,Liberation Serif,Times New Roman,serif"

// sizes of lettering, and the widths of a figure that fills a sheet in print, half of it or a
// third: sheet.css prints figures in as many columns.
const (
	small  = 9
	plain  = 10.5
	column = 480
	half   = 250
	third  = 166
)

// figure is a sheet that panels are drawn on from its top down.
type figure struct {
	paper         Paper
	says          string // for who cannot see it
	width, height vg.Length
	canvas        *vgsvg.Canvas
	all           draw.Canvas
	used          vg.Length
}

func (p Paper) figure(says string, height vg.Length) *figure {
	c := vgsvg.NewWith(vgsvg.UseWH(p.Width, height))
	f := &figure{paper: p, says: says, width: p.Width, height: height, canvas: c, all: draw.New(c)}
	f.all.FillPolygon(p.Sheet, []vg.Point{{X: 0, Y: 0}, {X: p.Width, Y: 0}, {X: p.Width, Y: height}, {X: 0, Y: height}})
	return f
}

// panel draws a plot over the next part of the sheet, right of a margin.
func (f *figure) panel(p *plot.Plot, height, margin vg.Length) {
	top := f.height - f.used
	f.used += height
	p.Draw(draw.Canvas{Canvas: f.canvas, Rectangle: vg.Rectangle{Min: vg.Point{X: 6 + margin, Y: top - height + 4}, Max: vg.Point{X: f.width - 16, Y: top - 4}}})
}

// svg writes the sheet.
func (f *figure) svg() ([]byte, error) {
	var b bytes.Buffer
	if _, err := f.canvas.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("writing a figure: %w", err)
	}
	return titled(b.String(), f.says), nil
}

// titled takes what stands before the drawing off, which a page may not hold twice, and
// says in words what the drawing shows.
func titled(svg, says string) []byte {
	svg = svg[strings.Index(svg, "<svg"):]
	head, rest, _ := strings.Cut(svg, ">")
	return []byte(head + ` role="img" style="` + face + `"><title>` + escape(says) + `</title>` + lean(rest))
}

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}

// axes is an empty plot with the sheet's rules and lettering.
func (p Paper) axes(x, y string) *plot.Plot {
	a := plot.New()
	a.BackgroundColor = nil
	for _, axis := range []*plot.Axis{&a.X, &a.Y} {
		axis.LineStyle = draw.LineStyle{Color: p.Rule, Width: 0.75}
		axis.Tick.LineStyle = axis.LineStyle
		axis.Tick.Length = 4
		axis.Tick.Label.Font, axis.Tick.Label.Color = serif(small), p.Faint
		axis.Label.TextStyle.Font, axis.Label.TextStyle.Color = serif(plain), p.Ink
		axis.Padding = 4
		axis.Tick.Marker = ticks{}
	}
	a.X.Label.Text, a.Y.Label.Text = x, y
	return a
}
