package report

import (
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
)

// count is how many of something, with its plural.
func count(n int, of string) string {
	if n == 1 {
		return "1 " + of
	}
	return strconv.Itoa(n) + " " + of + "s"
}

// none stands where a number cannot be had.
const none = "\u2014"

// value is a number, or what stands for one that cannot be had.
func value(x *float64, decimals int) string {
	if x == nil {
		return none
	}
	return written(*x, decimals)
}

// between is an estimate with its interval; an end that cannot be had is open.
func between(e wire.Estimate, decimals int) string {
	if e.Value == nil {
		return none
	}
	end := func(x *float64, open string) string {
		if x == nil {
			return open
		}
		return written(*x, decimals)
	}
	if e.Lo == nil && e.Hi == nil {
		return written(*e.Value, decimals)
	}
	return written(*e.Value, decimals) + " (" + end(e.Lo, "no lower end") + " to " + end(e.Hi, "no upper end") + ")"
}

// shared are doubts, each once, with the names of what it is of.
type shared struct {
	texts []string
	of    [][]string
}

func (s *shared) add(name string, texts ...string) {
	for _, text := range texts {
		i := slices.Index(s.texts, text)
		if i < 0 {
			i = len(s.texts)
			s.texts, s.of = append(s.texts, text), append(s.of, nil)
		}
		s.of[i] = append(s.of[i], name)
	}
}

func (s *shared) lines() (lines []string) {
	for i, text := range s.texts {
		of := strings.Join(slices.DeleteFunc(slices.Clone(s.of[i]), func(name string) bool { return name == "" }), "; ")
		lines = append(lines, strings.TrimPrefix(of+": "+text, ": "))
	}
	return lines
}
