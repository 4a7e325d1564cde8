package comparison

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/wire"
)

// Layout says how a table is laid out that cannot be read as one row a lap, and shows two rows
// of it as they are wanted; empty where it is none of those that people make. factor is what is
// compared.
func Layout(s *wire.Sheet, factor, measure string) string {
	if s.Has(MeasureTime) || s.Has(MeasureSpeed) || len(s.Rows) == 0 {
		return ""
	}
	measure = cmp.Or(measure, MeasureTime)
	if laps := lapColumns(s); len(laps) > 1 {
		return byLap(s, laps, measure)
	}
	if sides := sideColumns(s); len(sides) > 1 {
		return bySide(s, sides, factor, measure)
	}
	return ""
}

// LayoutOf is the same of the first of some files that is laid out so.
func LayoutOf(files []File, ask Ask) (file, says string) {
	for _, f := range files {
		if says := Layout(f.Sheet, ask.Factor, ask.Measure); says != "" {
			return f.Name, says
		}
	}
	return "", ""
}

// lapWords are what stands before a number in the heading of a lap's column.
var lapWords = []string{"", "lap", "l", "lap_time", "laptime", "time", "t", "runde", "r", "rundenzeit", "zeit"}

// lapColumns are those that hold one lap each: Lap 1, Lap 2 (s), Runde 3, 4.
func lapColumns(s *wire.Sheet) (laps []string) {
	for _, c := range s.Columns {
		word, number := strings.TrimRight(c, "0123456789"), ""
		for unit := range wire.InSeconds {
			if bare, found := strings.CutSuffix(c, "_"+unit); found {
				word = strings.TrimRight(bare, "0123456789")
				number = bare[len(word):]
			}
		}
		number = cmp.Or(number, c[len(word):])
		if number != "" && slices.Contains(lapWords, strings.TrimSuffix(word, "_")) && measured(s, c) > 0 {
			laps = append(laps, c)
		}
	}
	return laps
}

// alike is how many times the greatest of one column that of another may be for both to be
// taken for laps: common practice, no source.
const alike = 3

// sideColumns are those of numbers that are no column known here and lie near each other, as
// many as there are: a column for each locomotive.
func sideColumns(s *wire.Sheet) (sides []string) {
	var all []string
	most := map[string]float64{}
	for _, c := range s.Columns {
		known := c == "" || slices.Contains(told, c) || slices.ContainsFunc(Columns, func(k wire.SheetColumn) bool { return k.Name == c })
		if known || ofOther(c) {
			continue
		}
		if x := measured(s, c); x > 0 {
			most[c], all = x, append(all, c)
		}
	}
	for _, least := range all {
		near := slices.DeleteFunc(slices.Clone(all), func(c string) bool { return most[c] < most[least] || most[c] > alike*most[least] })
		if len(near) > len(sides) {
			sides = near
		}
	}
	return sides
}

// ofOther reports whether a column by its name is a condition or of a place: load_g, gate_1.
func ofOther(column string) bool {
	units := slices.Concat(slices.Collect(maps.Keys(wire.InGrams)), slices.Collect(maps.Keys(wire.InMm)), []string{"v", "mv", "c", "a", "ma", "permille"})
	return strings.HasPrefix(column, "gate") || strings.HasPrefix(column, "sector") ||
		slices.ContainsFunc(units, func(unit string) bool { return strings.HasSuffix(column, "_"+unit) })
}

// measured is the greatest number of a column; 0 where a cell is none above 0, or all are empty.
func measured(s *wire.Sheet, column string) (most float64) {
	for _, row := range s.Rows {
		x, there, err := row.Number(column)
		if err != nil || there && !(x > 0) {
			return 0
		}
		if there {
			most = math.Max(most, x)
		}
	}
	return most
}

// byLap shows the first row's two laps as two rows.
func byLap(s *wire.Sheet, laps []string, measure string) string {
	var beside []string
	for _, c := range s.Columns {
		if c != "" && c != "trial" && !slices.Contains(laps, c) {
			beside = append(beside, c)
		}
	}
	first := s.Rows[0]
	head := append([]string{"trial", "lap"}, heads(s, beside)...)
	var rows [][]string
	for i, c := range laps[:2] {
		row := []string{cmp.Or(first.Text("trial"), "1"), fmt.Sprint(i + 1)}
		for _, b := range beside {
			row = append(row, first.Text(b))
		}
		rows = append(rows, append(row, first.Text(c)))
	}
	return wanted("each lap has a column of its own ("+named(heads(s, laps), 4)+")", append(head, measure), rows)
}

// bySide shows the first row's two sides as two rows: they are of two trials.
func bySide(s *wire.Sheet, sides []string, factor, measure string) string {
	if s.Has(factor) || factor == "" {
		factor = "locomotive"
	}
	head, first := []string{"trial"}, s.Rows[0]
	if s.Has("lap") {
		head = append(head, "lap")
	}
	var rows [][]string
	for i, c := range sides[:2] {
		row := []string{fmt.Sprint(i + 1)}
		if trial := first.Text("trial"); trial != "" {
			row[0] = trial + string(rune('a'+i))
		}
		if s.Has("lap") {
			row = append(row, first.Text("lap"))
		}
		rows = append(rows, append(row, s.Heads[c], first.Text(c)))
	}
	return wanted(fmt.Sprintf("the columns %s look like one for each %s", named(heads(s, sides), 4), factor), append(head, factor, measure), rows) +
		"\nwhere trial names the outing: laps of one outing share a name, and those of two do not"
}

func heads(s *wire.Sheet, columns []string) (all []string) {
	for _, c := range columns {
		all = append(all, s.Heads[c])
	}
	return all
}

// wanted says what a table is, and shows rows as they are wanted.
func wanted(is string, head []string, rows [][]string) string {
	sep := ","
	for _, row := range append(rows, head) {
		if strings.Contains(strings.Join(row, ""), ",") {
			sep = ";" // decimal commas
		}
	}
	says := is + ": one row a lap is read, so write"
	for _, row := range append([][]string{head}, rows...) {
		says += "\n    " + strings.Join(row, sep)
	}
	return says
}
