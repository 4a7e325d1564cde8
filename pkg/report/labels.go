package report

import (
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// labels are short names for rows of a drawing that stay distinguishable, by the full name,
// and the key that spells those out that were shortened.
type labels struct {
	short    map[string]string
	key      []string
	lettered bool
}

func (l labels) of(name string) string {
	if s, ok := l.short[name]; ok {
		return s
	}
	return name
}

// heading is the label where more room is: a letter with what fits of the name behind it.
func (l labels) heading(name string) string {
	if l.lettered {
		return l.of(name) + " " + name
	}
	return l.of(name)
}

// shortened makes names fit: as they are, else without the words that all of them begin or end
// with, else as letters from first on, which are told apart whatever the names.
func shortened(names []string, first rune, fits func(string) bool) (l labels) {
	l.short = map[string]string{}
	all := func(short []string) bool {
		return !slices.ContainsFunc(short, func(s string) bool { return s == "" || !fits(s) })
	}
	if all(names) {
		return l
	}
	short := apart(names)
	if l.lettered = !all(short); l.lettered {
		for i := range short {
			short[i] = letters(first, i)
		}
	}
	for i, name := range names {
		l.short[name] = short[i]
		l.key = append(l.key, short[i]+": "+name)
	}
	return l
}

// letters counts A to Z, and beyond that AA, AB and so on.
func letters(first rune, i int) string {
	if i < 26 {
		return string(first + rune(i))
	}
	return letters(first, i/26-1) + string(first+rune(i%26))
}

// apart leaves out the words that all of several names begin or end with.
func apart(names []string) []string {
	words := make([][]string, len(names))
	for i, n := range names {
		words[i] = strings.Fields(n)
	}
	if len(names) < 2 {
		return slices.Clone(names)
	}
	shared := func(at func([]string) string) bool {
		return !slices.ContainsFunc(words, func(w []string) bool { return len(w) < 2 || at(w) != at(words[0]) })
	}
	for shared(func(w []string) string { return w[0] }) {
		for i := range words {
			words[i] = words[i][1:]
		}
	}
	for shared(func(w []string) string { return w[len(w)-1] }) {
		for i := range words {
			words[i] = words[i][:len(words[i])-1]
		}
	}
	short := make([]string, len(names))
	for i, w := range words {
		short[i] = strings.Trim(strings.Join(w, " "), ",;: ")
	}
	return short
}

// outings are labels of trials: where their names are long for the sessions that these begin
// with, letters stand for the sessions.
func outings(names []string, fits func(string) bool) labels {
	if l := shortened(names, 'a', fits); !l.lettered {
		l.key = nil // without the words that all share, they need no key
		return l
	}
	var sessions []string
	longest := ""
	for _, n := range names {
		session, own := parted(n)
		if !slices.Contains(sessions, session) {
			sessions = append(sessions, session)
		}
		if len(own) > len(longest) {
			longest = own
		}
	}
	of := shortened(sessions, 'a', func(s string) bool { return fits(s + " " + longest) })
	l := labels{short: map[string]string{}, key: of.key}
	for _, n := range names {
		session, own := parted(n)
		l.short[n] = strings.TrimSpace(of.of(session) + " " + own)
	}
	return l
}

// parted is a trial's name as its session's and its own.
func parted(name string) (session, own string) {
	i := strings.LastIndex(name, " ")
	return strings.TrimSpace(name[:max(i, 0)]), name[i+1:]
}

// key is lines of what short names stand for, each as long as the sheet is wide.
func (p Paper) key(entries []string) (lines []string) {
	s, line := style(small, p.Faint), ""
	for _, e := range entries {
		for i, word := range strings.Fields(e) {
			gap := " "
			if i == 0 && line != "" {
				gap = "   "
			}
			if line != "" && s.Width(line+gap+word) > p.Width-24 {
				lines, line, gap = append(lines, line), "", ""
			}
			if line == "" {
				gap = ""
			}
			line += gap + word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// keyLine is how high a line of a key is.
const keyLine = 12

// keyed writes a key over the next part of the sheet.
func (f *figure) keyed(lines []string) {
	c := draw.Canvas{Canvas: f.canvas, Rectangle: f.all.Rectangle}
	for i, line := range lines {
		c.FillText(style(small, f.paper.Faint), vg.Point{X: 10, Y: f.height - f.used - vg.Length(i+1)*keyLine + 3}, line)
	}
	f.used += vg.Length(len(lines)) * keyLine
}
