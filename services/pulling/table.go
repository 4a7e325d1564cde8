package pulling

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/pull"
	"rainhill/pkg/wire"
)

// Columns of a table of pulls.
var columns = []wire.SheetColumn{
	{Name: "locomotive", Also: []string{"loco", "lok", "lokomotive"}},
	{Name: "mass_g", Also: []string{"masse"}, Unit: "g", Units: wire.InGrams, Number: true},
	{Name: "load_g", Also: []string{"pull", "last"}, Unit: "g", Units: wire.InGramForce, Number: true},
	{Name: "outcome", Also: []string{"result", "ergebnis"}},
	{Name: "method"},
	{Name: "set", Also: []string{"sets"}},
	{Name: "direction", Also: []string{"dir", "richtung", "fahrtrichtung"}},
	{Name: "wheels"},
	{Name: "speed_mm_s", Unit: "mm_s", Units: wire.InMmPerS, Number: true},
	{Name: "before_g", Unit: "g", Units: wire.InGramForce, Number: true},
	{Name: "at_pull_g", Unit: "g", Units: wire.InGramForce, Number: true},
	{Name: "load_is"},
}

// ReadTable reads attempts from a table as people make it: one row an attempt. Rows with a
// complaint are not among the attempts. A static pull may give its scale's readings as
// before_g and at_pull_g in the place of load_g and outcome. Notes are what was left or taken
// for granted in reading it.
func ReadTable(text string) (out []Attempt, notes []string, bad []wire.Complaint) {
	s, bad := wire.ReadSheet(text, columns)
	if len(s.Columns) == 0 {
		return nil, nil, bad
	}
	scale := s.Has("before_g") && s.Has("at_pull_g")
	for _, c := range []struct {
		name string
		need bool
	}{{"locomotive", true}, {"load_g", !scale}, {"outcome", !scale}} {
		if c.need && !s.Has(c.name) {
			bad = append(bad, wire.Complaint{Line: s.HeadLine, Column: c.name, Reason: "the column is missing: want locomotive, load_g and outcome, or before_g and at_pull_g of static pulls"})
		}
	}
	if !s.Has("locomotive") || !scale && (!s.Has("load_g") || !s.Has("outcome")) {
		return nil, nil, bad
	}
	for _, row := range s.Rows {
		r := reader{row: row}
		a := r.attempt()
		if bad = append(bad, r.bad...); len(r.bad) == 0 {
			out = append(out, a)
		}
	}
	return out, noted(s, out), bad
}

// noted is what was left of a table, and taken for granted.
func noted(s *wire.Sheet, as []Attempt) (notes []string) {
	if text := wire.Unmade(s.Unread(columns)); text != "" {
		notes = append(notes, text)
	}
	var unstated []string
	for _, c := range columns {
		if !s.Has(c.Name) || c.Unit != "g" {
			continue
		}
		if !s.Stated(c.Name) {
			unstated = append(unstated, s.Heads[c.Name])
		}
		notes = append(notes, farOff(s, c.Name)...)
	}
	if len(unstated) > 0 {
		notes = append(notes, strings.Join(unstated, ", ")+": no unit is stated, taken as g")
	}
	var names []string
	for _, a := range as {
		names = append(names, a.Locomotive)
	}
	return append(notes, wire.OneInCapitals("locomotive", names)...)
}

// farApart is by how much a cell lies from the middle of its column when it is looked at
// again: a thousands point read as a decimal one is a factor of 1000.
const farApart = 100

// farOff asks about cells that lie far from the others of their column.
func farOff(s *wire.Sheet, column string) (ask []string) {
	var all []float64
	for _, r := range s.Rows {
		if x, ok, err := r.Number(column); ok && err == nil && x > 0 {
			all = append(all, x)
		}
	}
	if len(all) < 3 {
		return nil
	}
	slices.Sort(all)
	middle := all[len(all)/2]
	for _, r := range s.Rows {
		x, ok, err := r.Number(column)
		if ok && err == nil && x > 0 && (x*farApart <= middle || x >= middle*farApart) && len(ask) < 5 {
			ask = append(ask, fmt.Sprintf("line %d: %s is %q, taken as %s g, and the middle of that column is %s g: is its point, or its unit, what it was taken for?", r.Line, s.Heads[column], r.Text(column), pull.Written(x, 4), pull.Written(middle, 4)))
		}
	}
	return ask
}

// reader reads one row and gathers what is wrong with it.
type reader struct {
	row wire.SheetRow
	bad []wire.Complaint
}

func (r *reader) complain(column, format string, a ...any) {
	r.bad = append(r.bad, r.row.Complain(column, format, a...))
}

func (r *reader) attempt() (a Attempt) {
	a.Locomotive = strings.TrimSpace(r.row.Text("locomotive"))
	if a.Locomotive == "" {
		r.complain("locomotive", "which locomotive pulled? The cell is empty")
	}
	a.Set = strings.TrimSpace(r.row.Text("set"))
	if a.Direction = said("direction", r.row.Text("direction")); a.Direction != "forward" && a.Direction != "reverse" {
		a.Direction = strings.TrimSpace(r.row.Text("direction"))
	}
	a.Method = r.word("method", wire.PullMoving, wire.PullStatic)
	a.Outcome = r.word("outcome", wire.PullMoved, wire.PullStruggled, wire.PullStalled)
	a.Wheels = r.word("wheels", wire.WheelsTurned, wire.WheelsStopped)
	a.LoadIs = r.word("load_is", wire.LoadForce, wire.LoadTrain)
	a.MassG, _ = r.number("mass_g", true)
	if x, ok := r.number("speed_mm_s", false); ok {
		a.SpeedMmS = &x
	}
	r.load(&a)
	if a.Outcome == "" && a.Method != wire.PullStatic && len(r.bad) == 0 {
		r.complain("outcome", "what came of it? Want moved, struggled or stalled")
	}
	return a
}

// load is the row's load: stated, or the scale's difference.
func (r *reader) load(a *Attempt) {
	before, hasBefore := r.number("before_g", false)
	at, hasAt := r.number("at_pull_g", false)
	stated, hasLoad := r.number("load_g", false)
	switch {
	case hasBefore != hasAt:
		r.complain("at_pull_g", "a scale's reading before the pull and one during it belong together: one is missing")
	case hasBefore && a.Method == wire.PullMoving:
		r.complain("before_g", "readings of a scale are of a static pull, and the method here is moving")
	case hasBefore && at >= before:
		r.complain("at_pull_g", "the scale shows %s g before and %s g during the pull: want less, by what is pulled off it", pull.Written(before, 0), pull.Written(at, 0))
	case hasBefore && hasLoad && math.Abs(stated-(before-at)) > 1e-6*before:
		r.complain("load_g", "is %s g, but the scale's readings differ by %s g", pull.Written(stated, 0), pull.Written(before-at, 6))
	case hasBefore:
		a.Method, a.LoadG, a.Reading = wire.PullStatic, before-at, true
	case !hasLoad && len(r.bad) == 0:
		r.complain("load_g", "how much was pulled? The cell is empty")
	default:
		a.LoadG = stated
	}
}

// number is a cell that must not be below 0, nor 0 where positive is asked.
func (r *reader) number(column string, positive bool) (x float64, ok bool) {
	x, ok, err := r.row.Number(column)
	switch {
	case err != nil:
		r.complain(column, "%v", err)
	case ok && (x < 0 || math.IsInf(x, 0) || math.IsNaN(x)):
		r.complain(column, "is %s: want 0 or more", pull.Written(x, 0))
	case ok && positive && x == 0:
		r.complain(column, "is 0: want more, or an empty cell where it is not known")
	default:
		return x, ok
	}
	return 0, false
}

// written is how people write words of a column otherwise.
var written = map[string]map[string]string{
	"outcome": {
		"yes": wire.PullMoved, "ok": wire.PullMoved, "ja": wire.PullMoved, "bewegt": wire.PullMoved, "stockte": wire.PullStruggled,
		"no": wire.PullStalled, "failed": wire.PullStalled, "stuck": wire.PullStalled, "stood": wire.PullStalled, "nein": wire.PullStalled, "stand": wire.PullStalled,
	},
	"direction": {
		"f": "forward", "fwd": "forward", "fw": "forward", "forwards": "forward", "v": "forward", "vor": "forward", "vorwärts": "forward", "vorwaerts": "forward",
		"r": "reverse", "rev": "reverse", "reversed": "reverse", "backward": "reverse", "backwards": "reverse", "back": "reverse", "rück": "reverse", "zurück": "reverse", "rückwärts": "reverse", "rueckwaerts": "reverse",
	},
}

// said is a cell's word as the wire has it.
func said(column, cell string) string {
	w := strings.ToLower(strings.Trim(cell, " !."))
	return cmp.Or(written[column][w], w)
}

// word is a cell that holds one of a few words, or nothing.
func (r *reader) word(column string, words ...string) string {
	w := said(column, r.row.Text(column))
	if w != "" && !slices.Contains(words, w) {
		r.complain(column, "is %q: want %s", r.row.Text(column), list(words))
		return ""
	}
	return w
}

func list(words []string) string {
	n := len(words) - 1
	return fmt.Sprintf("%s or %s", strings.Join(words[:n], ", "), words[n])
}
