package wire

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// The columns of the tables of stock. A locomotive has one row for each driver
// set, a consist one for each car, with the columns of the whole repeated; one
// that has none has a single row. What has a structure of its own stands in no column: a
// wheel's calibration, the resistance of running, a motor's curve. JSON has all of it.
var (
	LocomotiveHeader = []string{"id", "name", "owner", "mass_g", "length_mm", "variant_of", "note", "set", "motor", "wheel_diameter_mm", "gear_ratio", "counts_per_motor_rev", "weight_g", "tyres",
		"wheel_diameter_u_mm", "gear_efficiency", "gear_efficiency_u", "adhesion", "adhesion_u"}
	ConsistHeader = []string{"id", "name", "variant_of", "car", "car_name", "mass_g", "length_mm", "axles", "bearings"}
	MotorHeader   = []string{"id", "name", "nominal_mv", "variant_of", "note"}
	BatteryHeader = []string{"id", "name", "chemistry", "cells", "capacity_mah", "nominal_mv", "variant_of", "note"}
)

func headerOf(what string) []string {
	return map[string][]string{WhatLocomotive: LocomotiveHeader, WhatConsist: ConsistHeader, WhatMotor: MotorHeader, WhatBattery: BatteryHeader}[what]
}

// WriteRosterCSV writes what the roster has of one kind (WhatLocomotive and so
// on) as a table. It begins with a byte order mark, without which spreadsheets
// take the names for another encoding.
func WriteRosterCSV(w io.Writer, what string, r Roster) error {
	header := headerOf(what)
	if header == nil {
		return fmt.Errorf("writing a table of stock: there is no kind %q", what)
	}
	out := bufio.NewWriter(w)
	_, _ = out.WriteString("\ufeff") // an error stays with the writer until Flush
	writeRow(out, header)
	for _, row := range r.rows(what) {
		writeRow(out, row)
	}
	return out.Flush()
}

func (b Roster) rows(what string) (rows [][]string) {
	switch what {
	case WhatLocomotive:
		for _, l := range b.Locomotives {
			rows = append(rows, locomotiveRows(l)...)
		}
	case WhatConsist:
		for _, c := range b.Consists {
			rows = append(rows, consistRows(c)...)
		}
	case WhatMotor:
		for _, m := range b.NamedMotors {
			rows = append(rows, []string{m.ID, m.Name, number(m.NominalMv), m.VariantOf, m.Note})
		}
	case WhatBattery:
		for _, x := range b.Batteries {
			rows = append(rows, []string{x.ID, x.Name, x.Chemistry, number(float64(x.Cells)), number(x.CapacityMah), number(x.NominalMv), x.VariantOf, x.Note})
		}
	}
	return rows
}

func locomotiveRows(l Locomotive) (rows [][]string) {
	whole := []string{l.ID, l.Name, l.Owner, number(l.MassG), number(l.LengthMm), l.VariantOf, l.Note}
	for _, s := range l.DriverSets {
		tyres := ""
		if s.Tyres {
			tyres = "yes"
		}
		rows = append(rows, append(whole[:7:7], s.ID, s.Motor, number(s.WheelDiameterMm), number(s.GearRatio), number(s.CountsPerRev), number(s.WeightG), tyres,
			number(s.WheelDiameterUMm), number(s.GearEfficiency), number(s.GearEfficiencyU), number(s.Adhesion), number(s.AdhesionU)))
	}
	if rows == nil {
		return [][]string{append(whole, make([]string, len(LocomotiveHeader)-len(whole))...)}
	}
	return rows
}

func consistRows(c Consist) (rows [][]string) {
	whole := []string{c.ID, c.Name, c.VariantOf}
	for i, car := range c.Cars {
		rows = append(rows, append(whole[:3:3], strconv.Itoa(i+1), car.Name, number(car.MassG), number(car.LengthMm), number(float64(car.Axles)), car.Bearings))
	}
	if rows == nil {
		return [][]string{append(whole, "", "", "", "", "", "")}
	}
	return rows
}

// number writes what was stated, and nothing for 0: not stated.
func number(x float64) string {
	if x == 0 {
		return ""
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// writeRow quotes more than it must, so that white space at the ends of a name
// and separators of another country come back as they were.
func writeRow(w *bufio.Writer, cells []string) {
	for i, c := range cells {
		if i > 0 {
			_ = w.WriteByte(',')
		}
		c = guarded(c)
		if strings.ContainsAny(c, "\",;\t\r\n") || strings.TrimSpace(c) != c {
			c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
		}
		_, _ = w.WriteString(c)
	}
	_ = w.WriteByte('\n')
}

// guarded keeps a spreadsheet from taking a name for a formula, so that
// unguarded gives the name back: one apostrophe more before any number of them
// and what a formula begins with.
func guarded(s string) string {
	if formula(strings.TrimLeft(s, "'")) {
		return "'" + s
	}
	return s
}

func unguarded(s string) string {
	if strings.HasPrefix(s, "'") && formula(strings.TrimLeft(s, "'")) {
		return s[1:]
	}
	return s
}
