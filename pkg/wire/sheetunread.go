package wire

import (
	"slices"
	"strings"
)

// Unread is the headings of columns that are none of those known and hold something.
func (s *Sheet) Unread(known []SheetColumn) (heads []string) {
	for _, c := range s.Columns {
		if c == "" || slices.ContainsFunc(known, func(k SheetColumn) bool { return k.Name == c }) {
			continue
		}
		if slices.ContainsFunc(s.Rows, func(r SheetRow) bool { return strings.TrimSpace(r.Text(c)) != "" }) {
			heads = append(heads, strings.TrimSpace(s.Heads[c]))
		}
	}
	return heads
}

// Stated reports whether a column says its unit: in the heading or behind each number.
// Times of day say theirs by their colons.
func (s *Sheet) Stated(column string) bool {
	units, plain := s.units[column], headWords(s.Heads[column])
	for u := range units {
		if strings.HasSuffix(plain, "_"+u) {
			return true
		}
	}
	said := false
	for _, r := range s.Rows {
		cell := r.Text(column)
		if cell == "" {
			continue
		}
		if _, unit := unitBehind(cell); unit == "" && !strings.Contains(cell, ":") {
			return false
		}
		said = true
	}
	return said
}

// OneInCapitals is names that are the same but for capitals and blanks, each two as a
// question; such are taken as names of two things.
func OneInCapitals(what string, names []string) (ask []string) {
	plain := func(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
	seen := map[string]string{}
	for _, n := range names {
		was, known := seen[plain(n)]
		if !known {
			seen[plain(n)] = n
			continue
		}
		if text := "the " + what + "s " + was + " and " + n + " are taken as two: are they one?"; was != n && !slices.Contains(ask, text) {
			ask = append(ask, text)
		}
	}
	return ask
}

// Unmade says which columns nothing was made of; "" where there is none.
func Unmade(heads []string) string {
	switch len(heads) {
	case 0:
		return ""
	case 1:
		return "nothing was made of the column " + heads[0]
	}
	return "nothing was made of the columns " + strings.Join(heads, ", ")
}
