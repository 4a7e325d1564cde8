package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"math"
	"regexp"
	"strconv"
)

// Sheet is one page to hand round: what was asked, under which conditions, what came
// out, and what to doubt of it.
type Sheet struct {
	Title    string
	Question string
	About    []Line // who, where, when, by which rules
	// Conditions stand before the verdict: what the sides had alike and what not.
	Conditions *Table
	Verdicts   []string
	Figures    []Figure
	Legend     string // of all figures
	Tables     []Table
	Doubts     []string
	Reckoned   []string // by which methods
}

// Line is a name and what is said of it.
type Line struct{ Name, Says string }

// Table has a heading for each cell of a row; Figures are the columns of numbers. More
// says what is left out of it.
type Table struct {
	Caption string
	Head    []string
	Rows    [][]string
	Figures []bool
	More    string
}

// Figure is a drawing, and what to see in it.
type Figure struct {
	SVG     []byte
	Caption string
}

//go:embed sheet.html
var sheetHTML string

//go:embed sheet.css
var sheetCSS string

var sheetTemplate = template.Must(template.New("sheet").Funcs(template.FuncMap{
	"css":     func() template.CSS { return template.CSS(sheetCSS) },
	"svg":     func(f Figure) template.HTML { return template.HTML(f.SVG) }, // drawn here, its lettering escaped
	"number":  func(t Table, i int) bool { return i < len(t.Figures) && t.Figures[i] },
	"columns": columns,
}).Parse(sheetHTML))

// columns are how the figures of a sheet stand, as Paper.beside has them drawn.
func columns(f []Figure) string {
	switch n := len(f); {
	case n <= 1:
		return ""
	case n == 2 || n == 4:
		return " many"
	}
	return " many lots"
}

// Full reports whether all that is said leaves its figures less than their room on one page of
// print: by lines of so many letters, which is near enough to choose a size by.
func (s Sheet) Full() bool {
	const page, letters = 61, 110
	used := 8 + float64(len(s.About)+1)/2
	for _, texts := range [][]string{s.Verdicts, s.Doubts, s.Reckoned} {
		for _, t := range texts {
			used += math.Ceil(float64(len(t)) / letters)
		}
	}
	tables := s.Tables
	if s.Conditions != nil {
		tables = append([]Table{*s.Conditions}, tables...)
	}
	for _, t := range tables {
		used += float64(3 + len(t.Rows))
	}
	return used+s.figureLines() > page
}

// figureLines is how many lines high the figures are in print, their captions with them.
func (s Sheet) figureLines() (lines float64) {
	const line, across = 12, 521 // points: a line, and what a page is wide
	row := map[string]int{"": 1, " many": 2, " many lots": 3}[columns(s.Figures)]
	for i := 0; i < len(s.Figures); i += row {
		if m := viewBox.FindSubmatch(s.Figures[i].SVG); m != nil {
			w, _ := strconv.ParseFloat(string(m[1]), 64)
			h, _ := strconv.ParseFloat(string(m[2]), 64)
			lines += 2 + h/w*across/float64(row)/line
		}
	}
	return lines
}

// viewBox has how wide and how high a drawing is.
var viewBox = regexp.MustCompile(`viewBox="0 0 ([\d.]+) ([\d.]+)"`)

// HTML is the sheet as a file that opens alone: it fetches nothing and runs nothing.
func (s Sheet) HTML() ([]byte, error) {
	var b bytes.Buffer
	if err := sheetTemplate.Execute(&b, s); err != nil {
		return nil, fmt.Errorf("writing the report %q: %w", s.Title, err)
	}
	return b.Bytes(), nil
}
