package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
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
	"css":    func() template.CSS { return template.CSS(sheetCSS) },
	"svg":    func(f Figure) template.HTML { return template.HTML(f.SVG) }, // drawn here, its lettering escaped
	"number": func(t Table, i int) bool { return i < len(t.Figures) && t.Figures[i] },
	"more":   func(f []Figure, than int) bool { return len(f) > than },
}).Parse(sheetHTML))

// HTML is the sheet as a file that opens alone: it fetches nothing and runs nothing.
func (s Sheet) HTML() ([]byte, error) {
	var b bytes.Buffer
	if err := sheetTemplate.Execute(&b, s); err != nil {
		return nil, fmt.Errorf("writing the report %q: %w", s.Title, err)
	}
	return b.Bytes(), nil
}
