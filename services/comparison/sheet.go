package comparison

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/compare"
	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
)

// Columns are what a table of laps is read for; all others are conditions of the trial.
var Columns = []wire.SheetColumn{
	{Name: "trial", Else: []string{"run", "versuch", "fahrt"}},
	{Name: "lap", Also: []string{"lap_no", "lap_number"}, Else: []string{"runde", "runde_nr"}, Number: true},
	{Name: MeasureTime, Unit: "s", Units: wire.InSeconds, Also: []string{"laptime", "rundenzeit"}, Else: []string{"time", "zeit"}, Number: true},
	{Name: MeasureSpeed, Unit: "mm_s", Units: wire.InMmPerS, Also: []string{"geschwindigkeit"}, Number: true},
	{Name: "order", Number: true}, {Name: "start_us", Number: true}, {Name: "counts"}, {Name: "source"},
}

// File is one table of laps.
type File struct {
	Name  string
	Sheet *wire.Sheet
}

// Complaint is of a row of a file.
type Complaint struct {
	File string
	wire.Complaint
}

// told are columns that tell of laps or of who enters, and are no conditions.
var told = []string{"u_s", "u_speed_mm_s", "scale_km_h", "final", "why", "evenness_cv", "wheel_cv", "class", "entrant", ""}

// Column finds a column by the name it is asked by: ours, or the heading as it stands.
func Column(files []File, name string) (string, bool) {
	plain := strings.Join(strings.FieldsFunc(strings.ToLower(name), func(c rune) bool { return strings.ContainsRune(" _-()[]/", c) }), "_")
	for _, f := range files {
		for _, c := range f.Sheet.Columns {
			if c == name || c == plain || strings.EqualFold(f.Sheet.Heads[c], name) {
				return c, true
			}
		}
	}
	return name, false
}

// FromSheets parts tables of laps into comparisons: one, or one for each value of
// ask.Pairs, in the order in which they come. Rows that cannot be used are complained of.
func FromSheets(ask Ask, files []File) (sets []Set, bad []Complaint) {
	r := reader{ask: ask, sets: map[string]*gathering{}, measure: ask.Measure}
	r.several = namesInSeveral(files)
	if r.measure == "" {
		r.measure = MeasureTime
		if !slices.ContainsFunc(files, func(f File) bool { return f.Sheet.Has(MeasureTime) }) {
			r.measure = MeasureSpeed
		}
	}
	for _, f := range files {
		r.read(f)
	}
	if len(r.pairs) == 0 && len(r.summaries) > 0 {
		r.complain(files[0].Name, wire.Complaint{Reason: r.leftOut()[0]})
	}
	for _, pair := range r.pairs {
		s := r.sets[pair].set(pair, r.measure, ask)
		s.Doubts = slices.Concat(s.Doubts, r.takenFor(files), r.leftOut(), r.unused(files))
		sets = append(sets, s)
	}
	return sets, r.bad
}

// takenFor says which heading was taken for lap times that may also mean something else, and
// in which unit a heading without one was read.
func (r *reader) takenFor(files []File) (doubts []string) {
	what, unit := "lap times", "s"
	if r.measure == MeasureSpeed {
		what, unit = "speeds", "mm/s"
	}
	for _, f := range files {
		head := f.Sheet.Heads[r.measure]
		word := strings.ToLower(head)
		loose := strings.HasPrefix(word, "time") || strings.HasPrefix(word, "zeit")
		bare := f.Sheet.Has(r.measure) && f.Sheet.Unitless(r.measure) && (loose || r.measure == MeasureSpeed)
		switch {
		case bare:
			doubts = append(doubts, fmt.Sprintf("%s: the column %q is taken for %s in %s, as it states no unit", f.Name, head, what, unit))
		case loose:
			doubts = append(doubts, fmt.Sprintf("%s: the column %q is taken for %s", f.Name, head, what))
		}
	}
	return doubts
}

// namesInSeveral are the trials whose name stands in more than one file.
func namesInSeveral(files []File) map[string]bool {
	in, several := map[string]string{}, map[string]bool{}
	for _, f := range files {
		for _, row := range f.Sheet.Rows {
			name := row.Text("trial")
			if was, ok := in[name]; ok && was != f.Name {
				several[name] = true
			}
			in[name] = f.Name
		}
	}
	return several
}

type reader struct {
	ask     Ask
	measure string
	several map[string]bool
	sets    map[string]*gathering
	pairs   []string
	bad     []Complaint
	// summaries are rows left out as they hold no lap but what several came to.
	summaries []string
}

func (r *reader) complain(file string, c wire.Complaint) {
	r.bad = append(r.bad, Complaint{file, c})
}

// lap is one row that counts, and where it stands.
type lap struct {
	value, number, order, startUs float64
	file                          string
	line                          int
}

// outing is a trial as its rows come.
type outing struct {
	name, level string
	session     string
	laps        []lap
	left        int
	cells       map[string][]string
	numbers     map[string][]float64
	counted     map[string][]float64 // those of numbers that stand in rows that count
}

// gathering is one comparison as its rows come.
type gathering struct {
	columns []string
	keys    []string
	trials  map[string]*outing
	coasted map[string]bool // trials left out as the train rolled by itself
}

func (r *reader) read(f File) {
	if len(f.Sheet.Columns) == 0 {
		return // that it is empty has been said
	}
	if says := Layout(f.Sheet, r.ask.Factor, r.ask.Measure); says != "" {
		r.complain(f.Name, wire.Complaint{Line: f.Sheet.HeadLine, Reason: says})
		return
	}
	if missing := r.missing(f.Sheet); missing != "" {
		r.complain(f.Name, wire.Complaint{Line: f.Sheet.HeadLine, Reason: missing + "; the columns are " + headings(f.Sheet)})
		return
	}
	for _, row := range f.Sheet.Rows {
		if word := summary(row); word != "" {
			r.summaries = append(r.summaries, fmt.Sprintf("%q in %s:%d", word, f.Name, row.Line))
			continue
		}
		r.readRow(f, row)
	}
}

// missing says which column a table lacks to be compared.
func (r *reader) missing(s *wire.Sheet) string {
	switch {
	case !s.Has("trial"):
		return "there is no column trial (or run): which laps were run in one outing?"
	case s.Has(r.measure):
		return ""
	case r.ask.Measure != "":
		return "there is no column " + r.measure
	}
	return "there is no column of lap times (lap_time_s, Lap time, Time) nor of speeds (speed_mm_s, Speed (m/s))"
}

// headings are a sheet's as they stand in the file.
func headings(s *wire.Sheet) string {
	var all []string
	for _, c := range s.Columns {
		if c != "" {
			all = append(all, s.Heads[c])
		}
	}
	return strings.Join(all, ", ")
}

func (r *reader) readRow(f File, row wire.SheetRow) {
	trial, level, pair := row.Text("trial"), row.Text(r.ask.Factor), row.Text(r.ask.Pairs)
	if trial == "" {
		r.complain(f.Name, row.Complain("trial", "names no trial"))
		return
	}
	g := r.sets[pair]
	if g == nil {
		g = &gathering{trials: map[string]*outing{}, coasted: map[string]bool{}}
		r.sets[pair], r.pairs = g, append(r.pairs, pair)
	}
	for _, c := range f.Sheet.Columns {
		if !slices.Contains(g.columns, c) {
			g.columns = append(g.columns, c)
		}
	}
	if s := row.Text("session"); s != "" && r.ask.Pairs != "session" {
		trial = s + " " + trial
	}
	if r.several[row.Text("trial")] {
		trial = f.Name + " " + trial
	}
	said := wire.Trial{Conditions: map[string]any{wire.CondCoast: strings.ToLower(row.Text(wire.CondCoast))}}
	if said.Coasting() {
		g.coasted[trial] = true
		return
	}
	o := g.outing(trial, level)
	o.session = row.Text("session")
	// A lap that our own tables call not final may still change, and waits here as on the page;
	// a spreadsheet writes the word in its own way.
	counts := (row.Text("counts") == "" || row.Text("counts") == wire.CountsYes) && !slices.Contains([]string{"false", "falsch"}, strings.ToLower(row.Text("final")))
	for _, c := range f.Sheet.Columns {
		if v := row.Text(c); v != "" {
			x, _, err := row.Number(c)
			if err != nil {
				x = math.NaN()
			}
			o.cells[c], o.numbers[c] = append(o.cells[c], v), append(o.numbers[c], x)
			if counts {
				o.counted[c] = append(o.counted[c], x)
			}
		}
	}
	if !counts {
		o.left++
		return
	}
	l, ok := r.lap(f, row)
	if ok {
		o.laps = append(o.laps, l)
	}
}

func (g *gathering) outing(trial, level string) *outing {
	key := trial + "\x00" + level
	if g.trials[key] == nil {
		g.trials[key] = &outing{name: trial, level: level, cells: map[string][]string{}, numbers: map[string][]float64{}, counted: map[string][]float64{}}
		g.keys = append(g.keys, key)
	}
	return g.trials[key]
}

func (r *reader) lap(f File, row wire.SheetRow) (l lap, ok bool) {
	v, there, err := row.Number(r.measure)
	switch {
	case err != nil:
		r.complain(f.Name, row.Complain(r.measure, "%v", err))
		return l, false
	case !there:
		r.complain(f.Name, row.Complain(r.measure, "is empty: a lap that was not timed is to be left out, or marked in a column counts"))
		return l, false
	case !(v > 0):
		r.complain(f.Name, row.Complain(r.measure, "%g is not above 0", v))
		return l, false
	}
	l = lap{v, math.NaN(), math.NaN(), math.NaN(), f.Name, row.Line}
	for column, into := range map[string]*float64{"lap": &l.number, "order": &l.order, "start_us": &l.startUs} {
		x, there, err := row.Number(column)
		if err != nil {
			r.complain(f.Name, row.Complain(column, "%v", err))
			return l, false
		}
		if there {
			*into = x
		}
	}
	return l, true
}

// set makes trials of what came.
func (g *gathering) set(pair, measure string, ask Ask) Set {
	s := Set{Pair: pair, Measure: measure}
	s.Conditions, s.Doubts = g.conditions(ask)
	s.Doubts = append(append(s.Doubts, Coasted(len(g.coasted))...), g.twice()...)
	g.placeByStart()
	under := map[string][]string{}
	for _, k := range g.keys {
		under[g.trials[k].name] = append(under[g.trials[k].name], g.trials[k].level)
	}
	for _, k := range g.keys {
		o := g.trials[k]
		t := o.trial(s.Conditions, ask.Block)
		if levels := under[o.name]; len(levels) > 1 {
			t.Name += " (" + cmp.Or(o.level, "no "+ask.Factor) + ")"
		}
		s.Trials = append(s.Trials, t)
	}
	for _, name := range slices.Sorted(maps.Keys(under)) {
		if levels := under[name]; len(levels) > 1 {
			s.Doubts = append(s.Doubts, underSeveral(name, ask.Factor, levels))
			break
		}
	}
	return s
}

// underSeveral tells of a trial that rows put under several levels, or under one and none.
func underSeveral(trial, factor string, levels []string) string {
	written := slices.DeleteFunc(slices.Clone(levels), func(l string) bool { return l == "" })
	says := fmt.Sprintf("trial %s stands under %s", trial, strings.Join(written, " and "))
	if len(written) > 1 {
		says += ": taken as a trial of each"
	}
	if len(written) < len(levels) {
		says += fmt.Sprintf("; rows of it in which no %s is written down are left out", factor)
	}
	return says
}

// twice tells of laps that stand twice: of one trial, under one number.
func (g *gathering) twice() (doubts []string) {
	count, first := 0, ""
	for _, k := range g.keys {
		seen := map[float64]lap{}
		for _, l := range g.trials[k].laps {
			if was, ok := seen[l.number]; ok { // never of NaN, where laps have no numbers
				if count++; count == 1 {
					first = fmt.Sprintf("lap %g of trial %s in %s:%d and %s:%d", l.number, g.trials[k].name, was.file, was.line, l.file, l.line)
				}
			}
			seen[l.number] = l
		}
	}
	if count == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%d row(s) tell of a lap that another row tells of too (first: %s): both are counted; take one away where it is the same lap", count, first)}
}

// conditions are the columns that hold one value within each trial, and numbers that vary
// within trials, of which a trial has its mean. Words that vary, and times and speeds, which
// laps have and nobody sets, are none, and it is said; covariates asked for are.
func (g *gathering) conditions(ask Ask) (names, doubts []string) {
	for _, c := range g.columns {
		if slices.ContainsFunc(Columns, func(k wire.SheetColumn) bool { return k.Name == c }) || slices.Contains(told, c) ||
			c == ask.Factor || c == ask.Pairs || c == ask.Block {
			continue
		}
		steady, number := g.within(c)
		switch wanted := slices.Contains(ask.Covariates, c); {
		case steady:
			names = append(names, c)
		case !number && !wanted:
			doubts = append(doubts, Words(c)+" varies within trials and is not a number throughout: it is taken for no condition, and whether the sides differ in it is not looked at")
		case ofLaps(c) && !wanted:
			doubts = append(doubts, Words(c)+" varies within trials and is a time or a speed: it is taken for what laps came to and for no condition, and whether the sides differ in it is not looked at")
		default:
			names = append(names, c)
			doubts = append(doubts, Words(c)+" varies within trials: the mean of a trial's rows that count is taken as its condition")
		}
	}
	return names, doubts
}

// within reports whether a column holds one value within each trial, and whether all of
// its cells are numbers.
func (g *gathering) within(column string) (steady, number bool) {
	steady, number = true, true
	for _, o := range g.trials {
		for i, v := range o.cells[column] {
			steady = steady && v == o.cells[column][0]
			number = number && !math.IsNaN(o.numbers[column][i])
		}
	}
	return steady, number
}

// ofLaps reports whether a column is a time or a speed by its name: adjusting for a sector's
// time would take the difference away that is asked for.
func ofLaps(column string) bool {
	if strings.HasPrefix(column, "sector") {
		return true
	}
	return slices.ContainsFunc(lapUnits, func(unit string) bool { return strings.HasSuffix(column, "_"+unit) })
}

var lapUnits = slices.Concat(slices.Collect(maps.Keys(wire.InSeconds)), slices.Collect(maps.Keys(wire.InMmPerS)))

// placeByStart puts laps in the order of the day by their instants, where no column order
// does.
func (g *gathering) placeByStart() {
	var all []*lap
	for _, k := range g.keys {
		for i := range g.trials[k].laps {
			l := &g.trials[k].laps[i]
			if !math.IsNaN(l.order) || math.IsNaN(l.startUs) {
				return
			}
			all = append(all, l)
		}
	}
	slices.SortStableFunc(all, func(a, b *lap) int { return cmp.Compare(a.startUs, b.startUs) })
	for i, l := range all {
		l.order = float64(i + 1)
	}
}

func (o *outing) trial(conditions []string, block string) compare.Trial {
	t := compare.Trial{Name: o.name, Session: o.session, Level: o.level, Left: o.left, Conditions: map[string]compare.Condition{}}
	if cells := o.cells[block]; len(cells) > 0 {
		t.Block = cells[0]
	}
	numbered, placed := true, true
	for _, l := range o.laps {
		numbered, placed = numbered && !math.IsNaN(l.number), placed && !math.IsNaN(l.order)
	}
	if numbered {
		slices.SortStableFunc(o.laps, func(a, b lap) int { return cmp.Compare(a.number, b.number) })
	}
	for _, l := range o.laps {
		t.Laps = append(t.Laps, l.value)
		if numbered {
			t.Number = append(t.Number, l.number)
		}
		if placed {
			t.Order = append(t.Order, l.order)
		}
	}
	for _, c := range conditions {
		t.Conditions[c] = condition(o.cells[c], o.numbers[c], o.counted[c])
	}
	return t
}

// condition is a trial's value of a column; of numbers that vary within it, the mean of
// those in rows that count.
func condition(cells []string, numbers, counted []float64) compare.Condition {
	switch {
	case len(cells) == 0:
		return compare.Condition{Value: math.NaN()}
	case !slices.ContainsFunc(cells, func(v string) bool { return v != cells[0] }):
		return compare.Condition{Text: cells[0], Value: numbers[0]}
	case len(counted) > 0:
		numbers = counted
	}
	mean := stats.Mean(numbers)
	if math.IsNaN(mean) {
		return compare.Condition{Text: "several values", Value: mean}
	}
	return compare.Condition{Text: strconv.FormatFloat(mean, 'g', 6, 64), Value: mean}
}
