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

// mostNamed is how many rows of a kind are named; the others are counted.
const mostNamed = 3

// leftOut tells of rows that are averages or totals.
func (r *reader) leftOut() []string {
	if len(r.summaries) == 0 {
		return nil
	}
	named := strings.Join(r.summaries[:min(mostNamed, len(r.summaries))], ", ")
	if more := len(r.summaries) - mostNamed; more > 0 {
		named += fmt.Sprintf(" and %d more", more)
	}
	return []string{fmt.Sprintf("%d row(s) are left out as averages or totals of others, by their name: %s", len(r.summaries), named)}
}
