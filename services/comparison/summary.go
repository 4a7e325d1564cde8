package comparison

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"rainhill/pkg/wire"
)

// Words that begin the name of a row which is no lap but what several came to, and those
// that are such a name only alone: "Best" is a total, "Best tyres" may be a trial. Common
// practice, no source.
var (
	summaryWords = []string{"average", "averages", "avg", "mean", "means", "median", "total", "totals", "sum", "subtotal", "mittel", "mittelwert", "durchschnitt", "schnitt", "summe", "gesamt", "ø"}
	summaryAlone = []string{"min", "max", "minimum", "maximum", "best", "worst", "fastest", "slowest", "range", "sd", "stdev", "stddev", "std", "std dev", "standard deviation", "standardabweichung", "streuung", "bestzeit", "spannweite"}
)

// summary is what a row calls itself in the column of trials or of laps where it is an
// average or a total; else empty.
func summary(row wire.SheetRow) string {
	for _, column := range []string{"trial", "lap"} {
		cell := row.Text(column)
		words := strings.FieldsFunc(strings.ToLower(cell), func(c rune) bool { return !unicode.IsLetter(c) })
		if len(words) > 0 && (slices.Contains(summaryWords, words[0]) || slices.Contains(summaryAlone, strings.Join(words, " "))) {
			return cell
		}
	}
	return ""
}

// leftOut tells of rows that are averages or totals.
func (r *reader) leftOut() []string {
	if len(r.summaries) == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%d row(s) are left out as averages or totals of others, by their name: %s", len(r.summaries), named(r.summaries, 3))}
}

// named is a list in words, of which the first most are named and the others counted.
func named(all []string, most int) string {
	if len(all) <= most {
		return strings.Join(all, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(all[:most], ", "), len(all)-most)
}

// unused names the columns that hold something of which nothing was made. What our own table
// of laps tells beside is known to be no condition, and left unsaid.
func (r *reader) unused(files []File) []string {
	var all []string
	for _, f := range files {
		own := f.Sheet.Has("u_speed_mm_s") && f.Sheet.Has("counts")
		for _, c := range f.Sheet.Columns {
			ignored := slices.Contains(told, c) || c == "source" || (c == MeasureTime || c == MeasureSpeed) && c != r.measure
			ours := own && c != "class" && c != "entrant"
			head := f.Sheet.Heads[c]
			if c != "" && c != r.ask.Factor && c != r.ask.Pairs && c != r.ask.Block && ignored && !ours && filled(f.Sheet, c) && !slices.Contains(all, head) {
				all = append(all, head)
			}
		}
		for _, n := range f.Sheet.Headless() {
			all = append(all, fmt.Sprintf("column %d of %s (without a heading)", n, f.Name))
		}
	}
	if len(all) == 0 {
		return nil
	}
	return []string{"nothing was made of " + named(all, 12)}
}

func filled(s *wire.Sheet, column string) bool {
	return slices.ContainsFunc(s.Rows, func(r wire.SheetRow) bool { return r.Text(column) != "" })
}
