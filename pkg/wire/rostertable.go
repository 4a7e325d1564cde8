package wire

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// record is one row of a table; line is where it begins.
type record struct {
	line  int
	cells []string
}

// records reads a table as RFC 4180 writes it and as people make it: cells with
// quotes may hold separators and line ends, a doubled quote is one, blank lines
// are passed over. White space round a cell without quotes is not of it. open is
// the line of a quote that nothing closes, 0 when there is none.
func records(text string, sep byte) (rows []record, open int) {
	line, row := 1, record{line: 1}
	end := func() {
		if slices.ContainsFunc(row.cells, func(c string) bool { return c != "" }) {
			rows = append(rows, row)
		}
		row = record{line: line}
	}
	for i := 0; i < len(text); {
		cell, n, lines, closed := readCell(text[i:], sep)
		if !closed {
			return rows, line
		}
		i, line = i+n, line+lines
		row.cells = append(row.cells, unguarded(cell))
		if i < len(text) && text[i] == sep {
			i++
			if i < len(text) {
				continue
			}
		}
		if strings.HasPrefix(text[i:], "\r\n") {
			i++
		}
		i++ // the end of the line
		line++
		end()
	}
	return rows, 0
}

// readCell reads a cell up to its separator or the end of its line, and says how
// many bytes and line ends it took.
func readCell(s string, sep byte) (cell string, n, lines int, closed bool) {
	begin := strings.TrimLeft(s, " ")
	if !strings.HasPrefix(begin, `"`) {
		n = strings.IndexAny(s, string(sep)+"\r\n")
		if n < 0 {
			n = len(s)
		}
		return strings.TrimSpace(s[:n]), n, 0, true
	}
	var out strings.Builder
	n = len(s) - len(begin) + 1
	for n < len(s) {
		switch {
		case s[n] != '"':
			out.WriteByte(s[n])
			n++
		case strings.HasPrefix(s[n:], `""`):
			out.WriteByte('"')
			n += 2
		default:
			rest := strings.IndexAny(s[n+1:], string(sep)+"\r\n")
			if rest < 0 {
				rest = len(s) - n - 1
			}
			cell = out.String()
			return cell + strings.TrimSpace(s[n+1:n+1+rest]), n + 1 + rest, lineEnds(cell), true
		}
	}
	return "", n, 0, false
}

// lineEnds counts them as editors do: \r\n is one, and so is \r alone.
func lineEnds(s string) int {
	return strings.Count(s, "\n") + strings.Count(s, "\r") - strings.Count(s, "\r\n")
}

// separator is what parts the cells: what most of stands in the first line, or
// what a first line "sep=;" says, which is then taken off. lines is how many.
func separator(text string) (sep byte, rest string, lines int) {
	rest = text
	for rest != "" {
		first, more, _ := strings.Cut(rest, "\n")
		first = strings.TrimSpace(first)
		if s, ok := strings.CutPrefix(strings.ToLower(first), "sep="); ok && len(s) == 1 {
			return s[0], more, lines + 1
		}
		if strings.Trim(first, ",;\"") != "" {
			sep = ','
			for _, other := range []byte{';', '\t'} {
				if strings.Count(first, string(other)) > strings.Count(first, string(sep)) {
					sep = other
				}
			}
			return sep, rest, lines
		}
		rest, lines = more, lines+1
	}
	return ',', rest, lines
}

// columnName makes "Wheel diameter (mm)" wheel_diameter_mm.
func columnName(head string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(head), func(c rune) bool { return !unicode.IsLetter(c) && !unicode.IsDigit(c) }), "_")
}

// tableOf tells from the head of a table, and where that leaves it open from the
// file's name, which kind of stock it holds.
func tableOf(name string, head []string) (what string, err error) {
	best, tied := 0, false
	for _, kind := range []string{WhatLocomotive, WhatConsist, WhatMotor, WhatBattery} {
		score, known := 0, headerOf(kind)
		for _, c := range known {
			if slices.Contains(head, c) {
				score++
			}
		}
		whole := score == len(known) // a motor's columns are all a battery's too
		score *= 4
		if strings.Contains(strings.ToLower(name), kind[:5]) {
			score += 2
		}
		if whole {
			score++
		}
		switch {
		case score > best:
			what, best, tied = kind, score, false
		case score == best:
			tied = true
		}
	}
	switch {
	case !slices.Contains(head, "id") && !slices.Contains(head, "name"):
		return "", fmt.Errorf("the first line names no column id or name: it must be the head of the table, such as %s", strings.Join(headerOf(WhatMotor), ","))
	case tied:
		return "", fmt.Errorf("the columns do not tell whether these are locomotives, consists, motors or batteries: put one of the words into the file's name, or add the other columns")
	}
	return what, nil
}
