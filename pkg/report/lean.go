package report

import (
	"regexp"
	"strconv"
	"strings"
)

// How a drawing comes to be written: a disc or a ring as a path of two arcs, with its style;
// lettering with all that is said of a face.
var (
	mark     = regexp.MustCompile(`^<(path) d="([^"]+)" style="([^"]+)" />$`)
	round    = regexp.MustCompile(`^M([-+.\de]+),([-+.\de]+)A([+.\de]+),[+.\de]+ 0 1 1 [-+.\de]+,[-+.\de]+A[^AZ]+Z$`)
	lettered = regexp.MustCompile(`font-family:Liberation Serif;font-variant:normal;font-weight:normal;font-style:normal;`)
)

// face is what all lettering of a drawing has, said once of the whole.
const face = "font-family:" + family + ";font-variant:normal;font-weight:normal;font-style:normal"

// lean writes a drawing with fewer bytes and nothing changed in what is seen: discs and rings
// as circles, marks of one style that follow each other under one style. A comparison of
// many trials is nearly all discs.
func lean(svg string) string {
	var b strings.Builder
	style := ""
	end := func() {
		if style != "" {
			b.WriteString("</g>\n")
		}
		style = ""
	}
	for line := range strings.Lines(lettered.ReplaceAllLiteralString(svg, "")) {
		m := mark.FindStringSubmatch(strings.TrimSuffix(line, "\n"))
		if m == nil {
			end()
			b.WriteString(line)
			continue
		}
		if m[3] != style {
			end()
			style = m[3]
			b.WriteString(`<g style="` + style + `">`)
		}
		b.WriteString(shape(m[2]))
	}
	end()
	return b.String()
}

// shape is a circle where the path is one, else the path.
func shape(d string) string {
	if m := round.FindStringSubmatch(d); m != nil {
		x, errX := strconv.ParseFloat(m[1], 64)
		r, errR := strconv.ParseFloat(m[3], 64)
		if errX == nil && errR == nil {
			return `<circle cx="` + strconv.FormatFloat(x-r, 'g', 5, 64) + `" cy="` + m[2] + `" r="` + m[3] + `"/>`
		}
	}
	return `<path d="` + d + `"/>`
}
