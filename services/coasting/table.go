package coasting

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
)

// ReadTable reads a table of coasting, a row an instant (see wire.CoastColumns). Complaints
// say which rows cannot be used, and why; the rest is. Notes are what was left or taken for
// granted in reading it.
func ReadTable(text string, gates []wire.Gate) (out []Outing, notes []string, bad []wire.Complaint) {
	sheet, bad := wire.ReadSheet(text, wire.CoastColumns)
	byGate := sheet.Has("gate") && !sheet.Has("position_mm")
	if lacks := lacking(sheet, byGate); len(lacks) > 0 {
		if len(sheet.Columns) > 0 {
			bad = append(bad, lacks...)
		}
		return nil, nil, bad
	}
	for _, row := range sheet.Rows {
		r, ok, complaint := read(row, gates, byGate)
		if complaint != nil {
			bad = append(bad, *complaint)
			continue
		}
		o := Outing{Run: row.Text("run"), Consist: row.Text("consist"), Car: row.Text("car")}
		i := slices.IndexFunc(out, func(x Outing) bool { return x.Run == o.Run && x.Consist == o.Consist && x.Car == o.Car })
		if i < 0 {
			i, out = len(out), append(out, o)
		}
		if ok {
			out[i].Readings = append(out[i].Readings, r)
		}
	}
	note, refused := units(sheet, out, byGate)
	if refused != nil {
		return nil, nil, append(bad, *refused)
	}
	return out, noted(sheet, out, note), bad
}

// lacking is what is wrong with the columns, once where each place has one of its own.
func lacking(s *wire.Sheet, byGate bool) (bad []wire.Complaint) {
	for _, c := range []string{"run", "position_mm", "at_s"} {
		if !s.Has(c) && !(c == "position_mm" && byGate) {
			bad = append(bad, wire.Complaint{Line: s.HeadLine, Column: c, Reason: "the table has no such column"})
		}
	}
	if says := wide(s); says != "" && !s.Has("at_s") && !s.Has("position_mm") {
		return []wire.Complaint{{Line: s.HeadLine, Reason: says}}
	}
	return bad
}

// wide says how a table with a column a place is to be written; "" where it is none.
func wide(s *wire.Sheet) string {
	var rows []string
	for _, c := range s.Columns {
		if len(s.Rows) == 0 || c == "run" || c == "consist" || c == "car" {
			continue
		}
		head, _, _ := strings.Cut(strings.ReplaceAll(s.Heads[c], "[", "("), "(")
		if x, ok, err := s.Rows[0].Number(c); ok && err == nil && head != "" {
			rows = append(rows, fmt.Sprintf("%s,%s,%g", cmp.Or(s.Rows[0].Text("run"), "1"), strings.TrimSpace(head), x))
		}
	}
	if len(rows) < 2 {
		return ""
	}
	return fmt.Sprintf("each place seems to have a column of its own: give one row a passing, with the columns run, gate (of --setup, or position_mm in its stead) and at_s: run,gate,at_s then %s then %s and so on", rows[0], rows[1])
}

// Medians of speeds below and above which no car of a model rolls by itself (common
// practice, no source): the units are then not those that were taken.
const leastMmS, mostMmS = 10, 10_000

// units says what was taken where no unit is stated, and refuses what no car does.
func units(s *wire.Sheet, out []Outing, byGate bool) (note string, refused *wire.Complaint) {
	var heads, taken []string
	for _, c := range []struct{ name, unit string }{{"position_mm", "mm"}, {"at_s", "s"}, {"u_s", "s"}} {
		if s.Has(c.name) && !(c.name == "position_mm" && byGate) && !s.Stated(c.name) {
			heads, taken = append(heads, s.Heads[c.name]), append(taken, c.unit)
		}
	}
	speeds := speedsOf(out)
	if len(heads) == 0 || len(speeds) == 0 {
		return "", nil
	}
	as := strings.Join(slices.Compact(taken), " and ")
	middle := speeds[len(speeds)/2]
	if middle < leastMmS || middle > mostMmS {
		return "", &wire.Complaint{Line: s.HeadLine, Column: strings.Join(heads, ", "), Reason: fmt.Sprintf("no unit is stated and, taken as %s, the cars would roll at %s mm/s: say the unit in the heading, such as Place (m) or Time (ms)", as, written(middle))}
	}
	return fmt.Sprintf("%s: no unit is stated, taken as %s, by which the cars rolled at about %s mm/s", strings.Join(heads, ", "), as, written(middle)), nil
}

// written is a speed to three figures, without an exponent.
func written(x float64) string {
	if x >= 100 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'g', 3, 64)
}

// speedsOf is the speeds from one instant to the next, in mm/s, the least first.
func speedsOf(out []Outing) (speeds []float64) {
	for _, o := range out {
		rs := slices.SortedStableFunc(slices.Values(o.Readings), func(a, b Reading) int { return cmp.Compare(a.AtS, b.AtS) })
		for i := 1; i < len(rs); i++ {
			way, time := math.Abs(rs[i].PositionMm-rs[i-1].PositionMm), rs[i].AtS-rs[i-1].AtS
			if way > 0 && time > 0 {
				speeds = append(speeds, way/time)
			}
		}
	}
	slices.Sort(speeds)
	return speeds
}

// noted is what was left of a table, and taken for granted.
func noted(s *wire.Sheet, out []Outing, units string) (notes []string) {
	for _, text := range []string{wire.Unmade(s.Unread(wire.CoastColumns)), units} {
		if text != "" {
			notes = append(notes, text)
		}
	}
	var runs, consists []string
	for _, o := range out {
		runs, consists = append(runs, o.Run), append(consists, o.Consist)
	}
	return slices.Concat(notes, wire.OneInCapitals("run", runs), wire.OneInCapitals("consist", consists))
}

// read is one row; ok is false of a place that the run did not come to.
func read(row wire.SheetRow, gates []wire.Gate, byGate bool) (r Reading, ok bool, bad *wire.Complaint) {
	complain := func(column, format string, a ...any) (Reading, bool, *wire.Complaint) {
		c := row.Complain(column, format, a...)
		return r, false, &c
	}
	r.Line = row.Line
	if row.Text("run") == "" {
		return complain("run", "no run is named")
	}
	var err error
	if byGate {
		i := slices.IndexFunc(gates, func(g wire.Gate) bool { return g.ID == row.Text("gate") })
		if i < 0 {
			return complain("gate", "there is no gate %q in the setup, and no position_mm", row.Text("gate"))
		}
		r.PositionMm = gates[i].PositionMm
	} else if r.PositionMm, ok, err = row.Number("position_mm"); err != nil || !ok {
		return complain("position_mm", "%s", because(err, "the place is missing"))
	}
	if r.AtS, ok, err = row.Number("at_s"); err != nil {
		return complain("at_s", "%s", err)
	} else if !ok {
		return r, false, nil
	}
	if r.US, ok, err = row.Number("u_s"); err != nil || ok && !(r.US > 0) {
		return complain("u_s", "%s", because(err, fmt.Sprintf("%g s is no standard uncertainty: leave the cell empty where it is not known", r.US)))
	}
	return r, true, nil
}

func because(err error, otherwise string) string {
	if err != nil {
		return err.Error()
	}
	return otherwise
}
