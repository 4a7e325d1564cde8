package coasting

import (
	"fmt"
	"slices"

	"rainhill/pkg/wire"
)

// ReadTable reads a table of coasting, a row an instant (see wire.CoastColumns). Complaints
// say which rows cannot be used, and why; the rest is.
func ReadTable(text string, gates []wire.Gate) ([]Outing, []wire.Complaint) {
	sheet, bad := wire.ReadSheet(text, wire.CoastColumns)
	byGate := sheet.Has("gate") && !sheet.Has("position_mm")
	for _, c := range []string{"run", "position_mm", "at_s"} {
		if !sheet.Has(c) && !(c == "position_mm" && byGate) {
			bad = append(bad, wire.Complaint{Line: 1, Column: c, Reason: "the table has no such column"})
		}
	}
	if !sheet.Has("run") || !sheet.Has("at_s") || !sheet.Has("position_mm") && !byGate {
		return nil, bad
	}
	var out []Outing
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
	return out, bad
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
