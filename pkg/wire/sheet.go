package wire

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// SheetColumn is a column that a table is read for. Name is how the result calls it,
// with its unit; Also are other names without a unit, Else names that mean it where no other
// heading does, such as time. Unit is the unit in Name,
// Units what one of a unit that a heading may state instead is in it.
type SheetColumn struct {
	Name   string
	Also   []string
	Else   []string
	Unit   string
	Units  map[string]float64
	Number bool
}

// Units that headings state, by what they measure, in the unit that the wire has.
var (
	InSeconds = map[string]float64{"s": 1, "sec": 1, "secs": 1, "second": 1, "seconds": 1, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60}
	InMmPerS  = map[string]float64{"mm_s": 1, "cm_s": 10, "m_s": 1000, "m_min": 1000. / 60, "km_h": 1e6 / 3600}
	InMm      = map[string]float64{"mm": 1, "cm": 10, "m": 1000, "in": 25.4, "inch": 25.4, "ft": 304.8}
	InGrams   = map[string]float64{"g": 1, "gram": 1, "grams": 1, "kg": 1000, "oz": 28.349523125, "lb": 453.59237}
	// A pull in gram-force, by standard gravity (3rd CGPM 1901).
	InGramForce = map[string]float64{"g": 1, "gram": 1, "grams": 1, "kg": 1000, "oz": 28.349523125, "lb": 453.59237, "gf": 1, "kgf": 1000, "n": 1000 / 9.80665, "cn": 10 / 9.80665, "mn": 1 / 9.80665}
)

// Sheet is a table as people make it: commas, semicolons or tabs, decimal points or
// commas, units in the headings, blank lines, a title above the head, a byte order mark. Columns are as the
// reader names them, those that it does not know by their own heading.
type Sheet struct {
	Columns  []string
	HeadLine int               // of its file; 0 where there is none
	Heads    map[string]string // the heading as it stands in the file, by column
	Rows     []SheetRow
	sep      byte
	comma    bool // decimal commas are certain: one stands where it can be nothing else
	factor   map[string]float64
	units    map[string]map[string]float64 // those that may stand behind a number of a column
}

// SheetRow is one row of a sheet; Line is where it begins in its file.
type SheetRow struct {
	Line  int
	cells []string
	of    *Sheet
}

// ReadSheet reads a table. Complaints say which lines cannot be read and why; such
// rows are not among the rows.
func ReadSheet(text string, known []SheetColumn) (*Sheet, []Complaint) {
	text = strings.TrimPrefix(unicodeText(text), "\ufeff")
	if strings.ContainsRune(text, 0) {
		return &Sheet{}, []Complaint{{0, "", "the file is no table of text: save it as CSV"}}
	}
	text, above, found := fromHead(text, known)
	sep, text, skipped := separator(text)
	skipped += above
	rows, open := records(text, sep)
	s, bad := &Sheet{Heads: map[string]string{}, factor: map[string]float64{}, units: map[string]map[string]float64{}, sep: sep, comma: sep == ';'}, []Complaint(nil)
	if open > 0 {
		bad = append(bad, Complaint{open + skipped, "", "a quote is opened in this row and never closed: the rest of the file cannot be read"})
	}
	if len(rows) == 0 {
		return s, append(bad, Complaint{0, "", "the file holds no rows"})
	}
	s.HeadLine = rows[0].line + skipped
	bad = append(bad, s.readHead(rows[0], skipped, known)...)
	return s, append(bad, s.readRows(rows, skipped, found, known)...)
}

// readRows takes the rows below the head. Where the head was not found but taken to be the
// first row, that is complained of once and not row by row.
func (s *Sheet) readRows(rows []record, skipped int, found bool, known []SheetColumn) (bad []Complaint) {
	longer := 0
	for _, r := range rows[1:] {
		line := r.line + skipped
		if len(r.cells) > len(s.Columns) && strings.Join(r.cells[len(s.Columns):], "") != "" {
			if longer++; found {
				bad = append(bad, Complaint{line, "", fmt.Sprintf("has %d cells, the head names %d columns: is a separator in a name or number without quotes?", len(r.cells), len(s.Columns))})
			}
			continue
		}
		s.Rows = append(s.Rows, SheetRow{Line: line, cells: r.cells, of: s})
		s.comma = s.comma || slices.ContainsFunc(r.cells, certainComma)
	}
	if !found && longer > 0 {
		var names []string
		for _, k := range known {
			names = append(names, k.Name)
		}
		bad = append(bad, Complaint{rows[0].line + skipped, "", fmt.Sprintf("was taken for the head, as no line names a column known here (%s), and %d row(s) have more cells than it: which line names the columns?", strings.Join(names, ", "), longer)})
	}
	return bad
}

// titleLines is how many lines above the head are looked through for it.
const titleLines = 10

// longestHead is how many bytes of a row are looked at, at most, to tell whether it is the head.
const longestHead = 1 << 14

// fromHead leaves out the lines above the head: the first of two cells and more that names
// a known column and holds no number. Where there is none, found is false and nothing is
// left out.
func fromHead(text string, known []SheetColumn) (rest string, lines int, found bool) {
	rest = text
	for range titleLines + 1 {
		sep, body, blank := separator(rest)
		_, more, _ := strings.Cut(body, "\n")
		// A quoted heading may go on over lines: more than one line is read, but not the file.
		if rows, _ := records(body[:min(len(body), longestHead)], sep); len(rows) > 0 && looksLikeHead(rows[0].cells, known) {
			return rest, lines, true
		}
		rest, lines = more, lines+blank+1
	}
	return text, 0, false
}

func looksLikeHead(cells []string, known []SheetColumn) bool {
	filled, names := 0, false
	for _, c := range cells {
		if _, err := parseNumber(c, ';'); err == nil {
			return false
		}
		if c != "" {
			filled++
		}
		strong, _, _ := columnOf(c, known)
		weak, _, _ := columnOf(c, elseOf(known))
		names = names || strong != nil || weak != nil
	}
	return names && filled > 1
}

// certainComma reports whether a cell is a number with a decimal comma and can be
// nothing else.
func certainComma(cell string) bool {
	whole, part, found := strings.Cut(strings.TrimLeft(cell, "+-"), ",")
	digits := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	return found && digits(whole) && digits(part) && len(part) != 3
}

func (s *Sheet) readHead(head record, skipped int, known []SheetColumn) (bad []Complaint) {
	claimed := map[string]bool{}
	for _, h := range head.cells {
		if k, _, _ := columnOf(h, known); k != nil {
			claimed[k.Name] = true
		}
	}
	for _, h := range head.cells {
		k, factor, err := columnOf(h, known)
		if k == nil {
			if weak, f, unsure := columnOf(h, elseOf(known)); weak != nil && unsure == nil && !claimed[weak.Name] {
				k, factor = weak, f
				claimed[k.Name] = true
			}
		}
		if err != nil {
			bad = append(bad, Complaint{head.line + skipped, h, err.Error()})
		}
		name := headWords(h)
		if k != nil && err == nil { // numbers of a unit that is not known are no numbers
			name, s.units[k.Name] = k.Name, k.Units
		}
		if name != "" && slices.Contains(s.Columns, name) {
			bad = append(bad, Complaint{head.line + skipped, h, fmt.Sprintf("the column stands twice: %q says the same", s.Heads[name])})
		}
		s.Columns = append(s.Columns, name)
		s.Heads[name], s.factor[name] = h, factor
	}
	return bad
}

// elseOf are columns by the names that mean them where no other heading does.
func elseOf(known []SheetColumn) (all []SheetColumn) {
	for _, k := range known {
		k.Also = k.Else
		all = append(all, k)
	}
	return all
}

// columnOf finds which column a heading names and what its unit is worth; k is nil where
// none claims it.
func columnOf(head string, known []SheetColumn) (k *SheetColumn, factor float64, err error) {
	plain := headWords(head)
	for i := range known {
		k := &known[i]
		for _, base := range append([]string{strings.TrimSuffix(k.Name, "_"+k.Unit)}, k.Also...) {
			unit, found := strings.CutPrefix(plain, base)
			switch {
			case !found || unit != "" && unit[0] != '_':
			case unit == "" || unit == "_"+k.Unit:
				return k, 1, nil
			case k.Units[unit[1:]] != 0:
				return k, k.Units[unit[1:]], nil
			case k.Unit != "" && strings.ContainsAny(head, "(["):
				return k, 1, unknownUnit(unit[1:], k.Units)
			}
		}
	}
	return nil, 1, nil
}

func unknownUnit(unit string, units map[string]float64) error {
	return fmt.Errorf("the unit %q is not known here: %s", strings.ReplaceAll(unit, "_", "/"), strings.Join(slices.Sorted(maps.Keys(units)), ", "))
}

// headWords makes "Lap time [s]" lap_time_s and "Speed (m/s)" speed_m_s; letters of
// any language and the micro sign stay.
func headWords(head string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(head), func(c rune) bool {
		return !unicode.IsLetter(c) && !unicode.IsDigit(c) && c != 'µ'
	}), "_")
}

// Has reports whether the sheet has a column.
func (s *Sheet) Has(column string) bool { return slices.Contains(s.Columns, column) }

// Unitless reports whether neither a column's heading nor any of its cells states a unit
// that is known for it.
func (s *Sheet) Unitless(column string) bool {
	units, head := s.units[column], headWords(s.Heads[column])
	for unit := range units {
		if strings.HasSuffix(head, "_"+unit) {
			return false
		}
	}
	return !slices.ContainsFunc(s.Rows, func(r SheetRow) bool {
		_, unit := unitBehind(r.Text(column))
		return units[headWords(unit)] != 0
	})
}

// Headless are the columns, counted from 1, that hold something under no heading.
func (s *Sheet) Headless() (columns []int) {
	for i, c := range s.Columns {
		if c == "" && slices.ContainsFunc(s.Rows, func(r SheetRow) bool { return i < len(r.cells) && r.cells[i] != "" }) {
			columns = append(columns, i+1)
		}
	}
	return columns
}

// Text is a cell; empty where there is none.
func (r SheetRow) Text(column string) string {
	i := slices.Index(r.of.Columns, column)
	if i < 0 || i >= len(r.cells) {
		return ""
	}
	return r.cells[i]
}

// Number is a cell in the unit of its column; ok is false where it is empty. A unit known
// for the column may stand behind the number and goes before the heading's, and times may
// be written as minutes:seconds or hours:minutes:seconds. An error says why it cannot be
// read.
func (r SheetRow) Number(column string) (x float64, ok bool, err error) {
	cell := r.Text(column)
	if cell == "" {
		return 0, false, nil
	}
	sep := r.of.sep
	if r.of.comma {
		sep = ';'
	}
	number, unit := unitBehind(cell)
	units, factor := r.of.units[column], r.of.factor[column]
	if unit != "" && len(units) > 0 {
		if factor = units[headWords(unit)]; factor == 0 {
			return 0, false, fmt.Errorf("%q is not a number: %w", clip(cell), unknownUnit(headWords(unit), units))
		}
	} else {
		number = cell
	}
	if strings.Contains(number, ":") && units["s"] == 1 {
		x, err = sexagesimal(number)
		return x, err == nil, err
	}
	if x, err = parseNumber(number, sep); err == nil && math.Abs(x) > mostNumber {
		err = fmt.Errorf("%s is more than anything that is measured", clip(number))
	}
	if err != nil {
		return 0, false, err
	}
	return x * factor, true, nil
}

// mostNumber bounds what a cell may say: beyond an instant in microseconds nothing is
// meant, and sums would leave what a computer counts.
const mostNumber = 1e16

// unicodeText is the text of a file that a spreadsheet saved as "Unicode text", which is
// UTF-16 with a mark before it, or in the letters of western Europe (ISO 8859-1).
func unicodeText(text string) string {
	mark := func(hi, lo int) bool { return len(text) >= 2 && text[hi] == 0xfe && text[lo] == 0xff }
	hi, lo := 0, 1
	switch {
	case mark(1, 0):
		hi, lo = 1, 0
	case !mark(0, 1) && utf8.ValidString(text):
		return text
	case !mark(0, 1):
		runes := make([]rune, len(text))
		for i := range len(text) {
			runes[i] = rune(text[i])
		}
		return string(runes)
	}
	units := make([]uint16, 0, len(text)/2)
	for i := 2; i+1 < len(text); i += 2 {
		units = append(units, uint16(text[i+hi])<<8|uint16(text[i+lo]))
	}
	return string(utf16.Decode(units))
}

// unitBehind parts a cell behind its last digit; unit is empty where the cell ends with one
// or has none.
func unitBehind(cell string) (number, unit string) {
	end := strings.LastIndexAny(cell, "0123456789") + 1
	if end == 0 {
		return cell, ""
	}
	if unit = strings.TrimSpace(cell[end:]); headWords(unit) == "" {
		return cell, "" // 12. and the like
	}
	return cell[:end], unit
}

// sexagesimal is minutes:seconds or hours:minutes:seconds, in seconds, with a decimal point
// or comma.
func sexagesimal(text string) (seconds float64, err error) {
	parts := strings.Split(text, ":")
	for i, p := range parts {
		x, err := parseNumber(p, ';')
		whole := i == len(parts)-1 || strings.Trim(p, "0123456789") == ""
		if err != nil || !whole || !(x >= 0) || strings.HasPrefix(p, "-") || i > 0 && x >= 60 || len(parts) > 3 {
			return 0, fmt.Errorf("%q is no time: want seconds, minutes:seconds or hours:minutes:seconds", clip(text))
		}
		seconds = 60*seconds + x
	}
	return seconds, nil
}

// Complain makes a complaint of a cell of the row.
func (r SheetRow) Complain(column, format string, a ...any) Complaint {
	head := r.of.Heads[column]
	if head == "" {
		head = column
	}
	return Complaint{r.Line, head, fmt.Sprintf(format, a...)}
}
