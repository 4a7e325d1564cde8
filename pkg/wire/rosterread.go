package wire

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// draft is an item that is being read from the rows of a table.
type draft struct {
	id      string
	line    int
	rows    int
	bad     bool
	loco    Locomotive
	consist Consist
	order   []float64 // of the cars, as their column says
	motor   NamedMotor
	battery Battery
}

// tableReader reads the rows of one table.
type tableReader struct {
	*rosterReader
	what   string
	head   []string
	sep    byte
	drafts []*draft
	byID   map[string]*draft
	named  map[string]string // id made of a name, by the name
	taken  map[string]bool
}

// row is a record of the table with its cells by column.
type row struct {
	*tableReader
	record
	draft *draft
}

// mostRows is how many rows a table may have: twenty of the longest consists.
const mostRows = 10_000

func (r *rosterReader) table(name, text string) {
	sep, text, skipped := separator(text)
	rows, open := records(text, sep)
	for i := range rows {
		rows[i].line += skipped
	}
	if open > 0 {
		r.complain(open+skipped, "", "a quote is opened in this row and never closed: the rest of the file cannot be read")
	}
	if len(rows) == 0 {
		r.complain(0, "", "the file holds no rows")
		return
	}
	if len(rows) > mostRows {
		r.complain(rows[mostRows].line, "", fmt.Sprintf("the table has %d rows, at most %d are taken: make two files of it", len(rows), mostRows))
		return
	}
	t := &tableReader{rosterReader: r, sep: sep, byID: map[string]*draft{}, named: map[string]string{}, taken: map[string]bool{}}
	if !t.readHead(name, rows[0]) {
		return
	}
	for _, of := range r.book.names(t.what) {
		t.taken[of[0]] = true
	}
	for _, rec := range rows[1:] {
		t.taken[row{tableReader: t, record: rec}.cell("id")] = true
	}
	for _, rec := range rows[1:] {
		t.read(rec)
	}
	t.finish()
}

func (t *tableReader) readHead(name string, head record) bool {
	for _, c := range head.cells {
		t.head = append(t.head, columnName(c))
	}
	what, err := tableOf(name, t.head)
	if err != nil {
		t.complain(head.line, "", err.Error())
		return false
	}
	t.what = what
	for i, c := range t.head {
		switch {
		case c == "":
		case !slices.Contains(headerOf(what), c):
			t.out.Remarks = append(t.out.Remarks, fmt.Sprintf("column %q is not known and is left out", clip(head.cells[i])))
		case slices.Contains(t.head[:i], c):
			t.complain(head.line, c, "the column stands twice")
			return false
		}
	}
	return true
}

func (t *tableReader) read(rec record) {
	r := row{tableReader: t, record: rec}
	r.draft = t.draftOf(r)
	r.draft.rows++
	if len(rec.cells) > len(t.head) && strings.Join(rec.cells[len(t.head):], "") != "" {
		r.wrong("", "has %d cells, the head names %d columns: is a separator in a name or number without quotes?", len(rec.cells), len(t.head))
		return
	}
	switch t.what {
	case WhatLocomotive:
		r.locomotive(&r.draft.loco)
	case WhatConsist:
		r.consist(&r.draft.consist)
	case WhatMotor:
		r.once()
		m := &r.draft.motor
		m.Name, m.NominalMv, m.VariantOf, m.Note = r.text("name", 200), r.number("nominal_mv", 1e6), r.id("variant_of"), r.text("note", 2000)
	case WhatBattery:
		r.once()
		b := &r.draft.battery
		b.Name, b.Chemistry, b.Cells, b.CapacityMah = r.text("name", 200), r.text("chemistry", 200), r.whole("cells", 1e7), r.number("capacity_mah", 1e7)
		b.NominalMv, b.VariantOf, b.Note = r.number("nominal_mv", 1e7), r.id("variant_of"), r.text("note", 2000)
	}
}

func (r row) once() {
	if r.draft.rows > 1 {
		r.wrong("id", "it stands in line %d already", r.draft.line)
	}
}

func (r row) locomotive(l *Locomotive) {
	l.Name = agree(r, "name", l.Name, r.text("name", 200))
	l.Owner = agree(r, "owner", l.Owner, r.text("owner", 200))
	l.MassG = agree(r, "mass_g", l.MassG, r.number("mass_g", 1e6))
	l.LengthMm = agree(r, "length_mm", l.LengthMm, r.number("length_mm", 1e6))
	l.VariantOf = agree(r, "variant_of", l.VariantOf, r.id("variant_of"))
	l.Note = agree(r, "note", l.Note, r.text("note", 2000))
	s := DriverSet{
		ID: r.id("set"), Motor: r.id("motor"), WheelDiameterMm: r.number("wheel_diameter_mm", 1e6), GearRatio: r.number("gear_ratio", 1e6),
		CountsPerRev: r.number("counts_per_motor_rev", 1e6), WeightG: r.number("weight_g", 1e6), Tyres: r.yes("tyres"),
		WheelDiameterUMm: r.number("wheel_diameter_u_mm", 100), GearEfficiency: r.number("gear_efficiency", 1), GearEfficiencyU: r.number("gear_efficiency_u", 1),
		Adhesion: r.number("adhesion", 100), AdhesionU: r.number("adhesion_u", 100),
	}
	if s == (DriverSet{}) {
		return
	}
	if s.ID == "" {
		r.wrong("set", "the driver set of this row has no name, such as front or rear")
	}
	l.DriverSets = append(l.DriverSets, s)
}

func (r row) consist(c *Consist) {
	c.Name = agree(r, "name", c.Name, r.text("name", 200))
	c.VariantOf = agree(r, "variant_of", c.VariantOf, r.id("variant_of"))
	car := Car{Name: r.text("car_name", 200), MassG: r.number("mass_g", 1e6), LengthMm: r.number("length_mm", 1e6), Axles: r.whole("axles", 64), Bearings: strings.ToLower(r.cell("bearings"))}
	if !slices.Contains([]string{"", "plain", "needle", "ball"}, car.Bearings) {
		r.wrong("bearings", "%q is not plain, needle or ball", clip(car.Bearings))
	}
	if car == (Car{}) && r.cell("car") == "" {
		return
	}
	c.Cars = append(c.Cars, car)
	r.draft.order = append(r.draft.order, r.number("car", 1e6))
}

// draftOf is the item that a row belongs to.
func (t *tableReader) draftOf(r row) *draft {
	id := r.cell("id")
	last := len(t.drafts) - 1
	if id == "" && r.cell("name") == "" && last >= 0 && (t.what == WhatLocomotive || t.what == WhatConsist) {
		return t.drafts[last]
	}
	d := &draft{line: r.line}
	r.draft = d
	switch {
	case id == "" && r.cell("name") == "":
		r.wrong("id", "the row has neither id nor name")
	case id == "":
		id = r.idOfName()
	case !ValidID(id):
		r.wrong("id", "%q is not an id: small letters a to z, digits and hyphens, at most 32; or leave it out, and it is made of the name", clip(id))
	}
	if had := t.byID[id]; had != nil && !d.bad {
		return had
	}
	t.drafts = append(t.drafts, d)
	d.id, d.loco.ID, d.consist.ID, d.motor.ID, d.battery.ID = id, id, id, id, id
	if !d.bad {
		t.byID[id] = d
	}
	return d
}

// idOfName is the id of the one thing in the book that bears the row's name, or
// one made of it.
func (r row) idOfName() string {
	name := r.cell("name")
	if id, ok := r.named[name]; ok {
		return id
	}
	var bear []string
	for _, of := range r.book.names(r.what) {
		if of[1] == name {
			bear = append(bear, of[0])
		}
	}
	id := ""
	switch len(bear) {
	case 0:
		id = slugOf(name, r.what, r.taken)
	case 1:
		id = bear[0]
	default:
		r.wrong("id", "the book has %d of this name: say which by its id (%s)", len(bear), strings.Join(bear, ", "))
		return ""
	}
	r.named[name], r.taken[id] = id, true
	return id
}

// finish takes the items that have no complaint.
func (t *tableReader) finish() {
	for _, d := range t.drafts {
		if d.bad {
			continue
		}
		d.consist.Cars = sorted(d.consist.Cars, d.order)
		t.keep(d)
		switch t.what {
		case WhatLocomotive:
			t.take(d.line, t.what, d.loco)
		case WhatConsist:
			t.take(d.line, t.what, d.consist)
		case WhatMotor:
			t.take(d.line, t.what, d.motor)
		case WhatBattery:
			t.take(d.line, t.what, d.battery)
		}
	}
}

// keep leaves as it is in the book what the table has no column for, or could have none.
// An empty cell is another thing: nothing is stated any more.
func (t *tableReader) keep(d *draft) {
	switch had := t.book.item(t.what, d.id).(type) {
	case Locomotive:
		l := &d.loco
		keep(t, "name", &l.Name, had.Name)
		keep(t, "owner", &l.Owner, had.Owner)
		keep(t, "mass_g", &l.MassG, had.MassG)
		keep(t, "length_mm", &l.LengthMm, had.LengthMm)
		keep(t, "variant_of", &l.VariantOf, had.VariantOf)
		keep(t, "note", &l.Note, had.Note)
		l.Resistance = had.Resistance
		t.keepSets(l, had)
	case Consist:
		c := &d.consist
		keep(t, "name", &c.Name, had.Name)
		keep(t, "variant_of", &c.VariantOf, had.VariantOf)
		c.Resistance = had.Resistance
		t.keepCars(c, had)
	case NamedMotor:
		m := &d.motor
		keep(t, "name", &m.Name, had.Name)
		keep(t, "nominal_mv", &m.NominalMv, had.NominalMv)
		keep(t, "variant_of", &m.VariantOf, had.VariantOf)
		keep(t, "note", &m.Note, had.Note)
		m.Curve = had.Curve
	case Battery:
		b := &d.battery
		keep(t, "name", &b.Name, had.Name)
		keep(t, "chemistry", &b.Chemistry, had.Chemistry)
		keep(t, "cells", &b.Cells, had.Cells)
		keep(t, "capacity_mah", &b.CapacityMah, had.CapacityMah)
		keep(t, "nominal_mv", &b.NominalMv, had.NominalMv)
		keep(t, "variant_of", &b.VariantOf, had.VariantOf)
		keep(t, "note", &b.Note, had.Note)
	}
}

func keep[T any](t *tableReader, column string, now *T, had T) {
	if !slices.Contains(t.head, column) {
		*now = had
	}
}

// keepSets finds a driver set's like by its name. A wheel's calibration stays with the
// diameter and the uncertainty that it gave.
func (t *tableReader) keepSets(l *Locomotive, had Locomotive) {
	if !slices.Contains(t.head, "set") {
		l.DriverSets = had.DriverSets
		return
	}
	for i := range l.DriverSets {
		s := &l.DriverSets[i]
		k := slices.IndexFunc(had.DriverSets, func(o DriverSet) bool { return o.ID == s.ID })
		if k < 0 {
			continue
		}
		o := had.DriverSets[k]
		keep(t, "motor", &s.Motor, o.Motor)
		keep(t, "wheel_diameter_mm", &s.WheelDiameterMm, o.WheelDiameterMm)
		keep(t, "gear_ratio", &s.GearRatio, o.GearRatio)
		keep(t, "counts_per_motor_rev", &s.CountsPerRev, o.CountsPerRev)
		keep(t, "weight_g", &s.WeightG, o.WeightG)
		keep(t, "tyres", &s.Tyres, o.Tyres)
		keep(t, "wheel_diameter_u_mm", &s.WheelDiameterUMm, o.WheelDiameterUMm)
		keep(t, "gear_efficiency", &s.GearEfficiency, o.GearEfficiency)
		keep(t, "gear_efficiency_u", &s.GearEfficiencyU, o.GearEfficiencyU)
		keep(t, "adhesion", &s.Adhesion, o.Adhesion)
		keep(t, "adhesion_u", &s.AdhesionU, o.AdhesionU)
		switch {
		case s.WheelDiameterMm == o.WheelDiameterMm && s.WheelDiameterUMm == o.WheelDiameterUMm:
			s.Calibration = o.Calibration
		case s.WheelDiameterMm != o.WheelDiameterMm && !slices.Contains(t.head, "wheel_diameter_u_mm"):
			s.WheelDiameterUMm = 0 // it was that of the other diameter
		}
	}
}

// keepCars finds a car's like by its place, as long as there are as many as before.
func (t *tableReader) keepCars(c *Consist, had Consist) {
	if !slices.ContainsFunc(ConsistHeader[3:], func(column string) bool { return slices.Contains(t.head, column) }) {
		c.Cars = had.Cars
	}
	if len(c.Cars) != len(had.Cars) {
		return
	}
	for i, o := range had.Cars {
		car := &c.Cars[i]
		keep(t, "car_name", &car.Name, o.Name)
		keep(t, "mass_g", &car.MassG, o.MassG)
		keep(t, "length_mm", &car.LengthMm, o.LengthMm)
		keep(t, "axles", &car.Axles, o.Axles)
		keep(t, "bearings", &car.Bearings, o.Bearings)
	}
}

// sorted puts cars into the order that their column says, where all say one.
func sorted(cars []Car, order []float64) []Car {
	if slices.Contains(order, 0) {
		return cars
	}
	at := make([]int, len(cars))
	for i := range at {
		at[i] = i
	}
	slices.SortStableFunc(at, func(a, b int) int { return int(order[a] - order[b]) })
	var out []Car
	for _, i := range at {
		out = append(out, cars[i])
	}
	return out
}

// wrong complains of the row, and keeps its whole item from being taken: half a
// locomotive is not what the file says.
func (r row) wrong(column, format string, a ...any) {
	r.draft.bad = true
	r.complain(r.line, column, fmt.Sprintf(format, a...))
}

// agree joins what several rows say of the whole they belong to.
func agree[T comparable](r row, column string, had, says T) T {
	var none T
	switch {
	case says == none || says == had:
		return had
	case had == none:
		return says
	}
	r.wrong(column, "the row of line %d says %v, this one %v, of the same %s", r.draft.line, had, says, r.what)
	return had
}

func (r row) cell(column string) string {
	i := slices.Index(r.head, column)
	if i < 0 || i >= len(r.cells) {
		return ""
	}
	return r.cells[i]
}

func (r row) text(column string, most int) string {
	s := r.cell(column)
	if len(s) > most || !utf8.ValidString(s) {
		r.wrong(column, "is longer than %d bytes or not UTF-8", most)
		return ""
	}
	return s
}

func (r row) id(column string) string {
	s := r.cell(column)
	if s != "" && !ValidID(s) {
		r.wrong(column, "%q is not an id: small letters a to z, digits and hyphens, at most 32", clip(s))
		return ""
	}
	return s
}

func (r row) number(column string, most float64) float64 {
	s := r.cell(column)
	if s == "" {
		return 0
	}
	x, err := parseNumber(s, r.sep)
	if err == nil && !within(most, x) {
		err = fmt.Errorf("%s is not from 0 to %g", clip(s), most)
	}
	if err != nil {
		r.wrong(column, "%s", err)
		return 0
	}
	return x
}

func (r row) whole(column string, most float64) int {
	x := r.number(column, most)
	if x != float64(int(x)) {
		r.wrong(column, "%g is not a whole number", x)
	}
	return int(x)
}

func (r row) yes(column string) bool {
	switch s := strings.ToLower(r.cell(column)); s {
	case "", "no", "n", "false", "0", "none":
	case "yes", "y", "true", "1", "x", "fitted":
		return true
	default:
		r.wrong(column, "%q is neither yes nor no", clip(s))
	}
	return false
}

// parseNumber reads a decimal point or comma. Where semicolons part the cells a
// comma is decimal; elsewhere one before three digits might part thousands, and
// a thousandfold error is not guessed at.
func parseNumber(s string, sep byte) (float64, error) {
	whole, part, comma := strings.Cut(s, ",")
	switch {
	case strings.Trim(s, "0123456789.,eE+-") != "":
		return 0, fmt.Errorf("%q is not a number: write it without a unit, its unit is the column's", clip(s))
	case comma && strings.ContainsAny(part, ",.") || comma && strings.Contains(whole, "."):
		return 0, fmt.Errorf("%q has more than one point or comma: write it without marks between thousands", clip(s))
	case comma && sep != ';' && len(part) == 3:
		return 0, fmt.Errorf("%q may be %s.%s or %s%s: write it with a point, or without the comma", clip(s), clip(whole), part, clip(whole), part)
	}
	x, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil {
		return 0, errors.New(strconv.Quote(clip(s)) + " is not a number")
	}
	return x, nil
}
