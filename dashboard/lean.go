package dashboard

import (
	"bytes"
	"path"
	"regexp"
	"strings"
)

// typed is a type that stands within a line of code, for the type check alone.
var typed = regexp.MustCompile(`/\*\*[^*\n]*\*/ ?`)

// lean empties the lines of a module that hold nothing but a comment, and takes
// types and indentation out of the others: a phone is not sent what only we
// read, and line numbers stay as they are in page/. A comment is seen where it
// begins a line, so no line of a template literal may begin with // or /*, and
// no text may hold a type; white space at the beginning of a line is nothing.
func lean(module []byte) []byte {
	lines := bytes.Split(module, []byte("\n"))
	inside := false
	for i, line := range lines {
		text := bytes.TrimSpace(line)
		begins := bytes.HasPrefix(text, []byte("/*"))
		ends := bytes.HasSuffix(text, []byte("*/"))
		if inside || bytes.HasPrefix(text, []byte("//")) || begins && (ends || !bytes.Contains(text, []byte("*/"))) {
			lines[i] = nil
		}
		lines[i] = bytes.TrimLeft(typed.ReplaceAll(lines[i], nil), " ")
		inside = (inside || begins && !bytes.Contains(text, []byte("*/"))) && !ends
	}
	return bytes.Join(lines, []byte("\n"))
}

var imported = regexp.MustCompile(`(?m)^(?:import|export) (?:[^;'"]* from )?'(\.[^']+)';`)

// first lists the modules that a module needs before it runs: itself and all
// that it imports, in order of names found. What is fetched later by import()
// is not among them.
func first(read func(string) ([]byte, error), module string) ([]string, error) {
	found := []string{module}
	seen := map[string]bool{module: true}
	for i := 0; i < len(found); i++ {
		b, err := read(found[i])
		if err != nil {
			return nil, err
		}
		for _, m := range imported.FindAllStringSubmatch(string(b), -1) {
			name := path.Join(path.Dir(found[i]), strings.TrimSpace(m[1]))
			if !seen[name] {
				seen[name] = true
				found = append(found, name)
			}
		}
	}
	return found, nil
}
