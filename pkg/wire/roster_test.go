package wire

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// awkward draws names as people and mischief write them.
func awkward(t *rapid.T, label string, most int) string {
	s := rapid.OneOf(
		rapid.StringN(0, 30, most),
		rapid.SampledFrom([]string{"", `=HYPERLINK("http://x","y")`, "'=1+1", "''", "'", "-5", "+1", "@SUM(A1)", "\tx", "\r", "\n", "a\r\nb", "a,b;c\td", `say "so"`, " both ends ", "車", "é", "<b>x</b>", "0", "x\u00a0", "\ufeffx", "sep=;"}),
		rapid.StringOfN(rapid.RuneFrom([]rune("'=+-@\t\r\n\",; aß車")), 0, 12, most),
	).Draw(t, label)
	return strings.ToValidUTF8(s, "")
}

func anID(t *rapid.T, label string) string {
	return rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,31}`).Draw(t, label)
}

func maybeID(t *rapid.T, label string) string {
	if rapid.Bool().Draw(t, label+"?") {
		return ""
	}
	return anID(t, label)
}

func figure(t *rapid.T, label string, most float64) float64 {
	return rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0, most), rapid.SampledFrom([]float64{1, 0.1, 18.125, 1234, 1e-7})).Draw(t, label) + 0
}

func part(t *rapid.T, label string) float64 {
	return rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0, 1)).Draw(t, label) + 0
}

func maybe[T any](t *rapid.T, label string, x T) *T {
	if rapid.Bool().Draw(t, label) {
		return &x
	}
	return nil
}

func aCurve() MotorCurve {
	r, k, i0 := 3.2, 0.0085, 60.0
	return MotorCurve{ResistanceOhm: Estimate{Value: &r}, KVS: Estimate{Value: &k}, NoLoadMa: Estimate{Value: &i0}, Source: "data sheet"}
}

func listOf[T any](t *rapid.T, label string, most int, one func(*rapid.T) T) (out []T) {
	for range rapid.IntRange(0, most).Draw(t, label) {
		out = append(out, one(t))
	}
	return out
}

// unlike keeps the first of each id.
func unlike[T any](in []T, id func(T) string) (out []T) {
	seen := map[string]bool{}
	for _, x := range in {
		if !seen[id(x)] {
			out = append(out, x)
		}
		seen[id(x)] = true
	}
	return out
}

func someStock(t *rapid.T) (r Roster) {
	r.Locomotives = unlike(listOf(t, "locomotives", 4, func(t *rapid.T) Locomotive {
		return Locomotive{ID: anID(t, "id"), Name: awkward(t, "name", 90), Owner: awkward(t, "owner", 90), MassG: figure(t, "mass", 1e6), LengthMm: figure(t, "length", 1e6), VariantOf: maybeID(t, "of"), Note: awkward(t, "note", 200),
			Resistance: maybe(t, "resistance", Resistance{AMS2: 0.04, AUMS2: 0.01, Source: "coasting down"}),
			DriverSets: unlike(listOf(t, "sets", 3, func(t *rapid.T) DriverSet {
				return DriverSet{ID: anID(t, "set"), Motor: maybeID(t, "motor"), WheelDiameterMm: figure(t, "wheel", 1e6), GearRatio: figure(t, "gear", 1e6), CountsPerRev: figure(t, "counts", 1e6), WeightG: figure(t, "weight", 1e6), Tyres: rapid.Bool().Draw(t, "tyres"),
					WheelDiameterUMm: part(t, "wheel u"), GearEfficiency: part(t, "efficiency"), GearEfficiencyU: part(t, "efficiency u"), Adhesion: part(t, "adhesion"), AdhesionU: part(t, "adhesion u"),
					Calibration: maybe(t, "calibration", WheelCalibration{Circuit: "long", LapLengthMm: 24345.5, Trials: []string{"slow"}, Laps: 7, UMm: 0.01, OwnUMm: 0.004})}
			}), func(d DriverSet) string { return d.ID })}
	}), func(l Locomotive) string { return l.ID })
	r.Consists = unlike(listOf(t, "consists", 4, func(t *rapid.T) Consist {
		return Consist{ID: anID(t, "id"), Name: awkward(t, "name", 90), VariantOf: maybeID(t, "of"), Resistance: maybe(t, "resistance", Resistance{BPerS: 0.02}), Cars: listOf(t, "cars", 4, func(t *rapid.T) Car {
			return Car{Name: awkward(t, "car", 90), MassG: figure(t, "mass", 1e6), LengthMm: figure(t, "length", 1e6), Axles: rapid.IntRange(0, 64).Draw(t, "axles"), Bearings: rapid.SampledFrom([]string{"", "plain", "needle", "ball"}).Draw(t, "bearings")}
		})}
	}), func(c Consist) string { return c.ID })
	r.NamedMotors = unlike(listOf(t, "motors", 3, func(t *rapid.T) NamedMotor {
		return NamedMotor{ID: anID(t, "id"), Name: awkward(t, "name", 90), NominalMv: figure(t, "mv", 1e6), VariantOf: maybeID(t, "of"), Note: awkward(t, "note", 200), Curve: maybe(t, "curve", aCurve())}
	}), func(m NamedMotor) string { return m.ID })
	r.Batteries = unlike(listOf(t, "batteries", 3, func(t *rapid.T) Battery {
		return Battery{ID: anID(t, "id"), Name: awkward(t, "name", 90), Chemistry: awkward(t, "chemistry", 90), Cells: rapid.IntRange(0, 1000).Draw(t, "cells"), CapacityMah: figure(t, "mah", 1e7), NominalMv: figure(t, "mv", 1e7), VariantOf: maybeID(t, "of"), Note: awkward(t, "note", 200)}
	}), func(b Battery) string { return b.ID })
	return r
}

var kinds = []string{WhatLocomotive, WhatConsist, WhatMotor, WhatBattery}

func tableText(t testing.TB, what string, r Roster) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteRosterCSV(&b, what, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// gather makes a roster of what was read.
func gather(c RosterCheck) (r Roster) {
	for _, i := range c.Items {
		switch v := i.Value.(type) {
		case Locomotive:
			r.Locomotives = append(r.Locomotives, v)
		case Consist:
			r.Consists = append(r.Consists, v)
		case NamedMotor:
			r.NamedMotors = append(r.NamedMotors, v)
		case Battery:
			r.Batteries = append(r.Batteries, v)
		}
	}
	return r
}

// What is written is read again as it was, as tables and as JSON, and nothing
// written begins a cell with what a spreadsheet takes for a formula.
func TestRosterComesBack(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		want := someStock(rt)
		var got Roster
		for _, what := range kinds {
			text := tableText(t, what, want)
			if len(want.names(what)) == 0 {
				continue
			}
			for _, cells := range asOthersReadIt(rt, text) {
				for _, c := range cells {
					if c != "" && strings.ContainsRune("=+-@\t\r\n", rune(c[0])) {
						rt.Fatalf("%s: the cell %q begins as a formula does:\n%s", what, c, text)
					}
				}
			}
			c := ReadRoster("x.csv", text, want)
			if len(c.Complaints)+len(c.Remarks) > 0 {
				rt.Fatalf("%s: %v %v\n%s", what, c.Complaints, c.Remarks, text)
			}
			for _, i := range c.Items {
				if i.What != what || i.Is != ItemSame {
					rt.Fatalf("%s: %+v\n%s", what, i, text)
				}
			}
			part := gather(c)
			got.Locomotives, got.Consists = append(got.Locomotives, part.Locomotives...), append(got.Consists, part.Consists...)
			got.NamedMotors, got.Batteries = append(got.NamedMotors, part.NamedMotors...), append(got.Batteries, part.Batteries...)
		}
		if !reflect.DeepEqual(got, want) {
			rt.Fatalf("tables: got\n%+v, want\n%+v", got, want)
		}
		b, err := json.Marshal(want)
		if err != nil {
			rt.Fatal(err)
		}
		c := ReadRoster("roster.json", string(b), Roster{})
		if len(c.Complaints)+len(c.Remarks) > 0 || !reflect.DeepEqual(gather(c), want) {
			rt.Fatalf("JSON: %v %v\n%s", c.Complaints, c.Remarks, b)
		}
	})
}

// asOthersReadIt reads a table with the reader of Go's own library (RFC 4180).
func asOthersReadIt(t *rapid.T, text string) [][]string {
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\ufeff"))).ReadAll()
	if err != nil {
		t.Fatalf("%v:\n%s", err, text)
	}
	return rows
}

// Any text at all is answered, and never with an item that fails its own check.
func TestRosterReadsAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		text := rapid.OneOf(rapid.String(),
			rapid.StringOf(rapid.RuneFrom([]rune("id,name;set\"\r\n\t123={}[]:"))),
			rapid.Map(rapid.SliceOf(rapid.SampledFrom([]string{"id", "name", "set", "motor", "mass_g", ",", "\n", `"`, "1,5", ";", `{"locomotives":[`, "]", "}", "{"})), func(s []string) string { return strings.Join(s, "") }),
		).Draw(rt, "text")
		for _, i := range ReadRoster("locomotives.csv", text, Roster{}).Items {
			if _, err := checkItem(i.Value); err != nil {
				rt.Fatalf("%q gave %+v: %v", text, i, err)
			}
		}
	})
}

// A book with a locomotive in two sets, as one that people's tables meet.
func bookOfTwo() Roster {
	return Roster{
		Locomotives: []Locomotive{{ID: "wren", Name: "Wren", MassG: 450.5, DriverSets: []DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 18, CountsPerRev: 12}}}},
		NamedMotors: []NamedMotor{{ID: "m1", Name: "Coreless"}, {ID: "m2", Name: "Twin"}, {ID: "m3", Name: "Twin"}},
	}
}

func TestTablesAsPeopleMakeThem(t *testing.T) {
	for _, c := range []struct {
		story, file, text string
		items             string // what id is@line
		complaints        string // line column: part of the reason
		remarks           string
	}{
		{"the same, with semicolons, decimal commas, other order and case, a mark and blank lines", "x.csv",
			"\ufeff\r\n;;;\r\nName;ID;Mass (g);Set;Motor;Wheel Diameter [mm];Gear-Ratio;Counts per motor rev\r\n\r\nWren;wren;450,5;front;m1;30;18,0;12\r\n", "locomotive wren same@5", "", ""},
		{"with tabs, and a row for a second set that leaves the rest out", "x.txt",
			"id\tname\tmass_g\tset\tgear_ratio\nwren\tWren\t450.5\tfront\t18\n\t\t\trear\t22\n", "locomotive wren changed@2", "", ""},
		{"without ids they are found or made", "motors.csv",
			"name,nominal_mv,colour\nCoreless,6000,red\nGrüne Lady,\"3,7\",\n", "motor m1 changed@2|motor grune-lady new@3", "", `column "colour" is not known`},
		{"a name that two bear must say its id", "motors.csv", "name,nominal_mv\nTwin,6000\n", "", "2 id: the book has 2 of this name", ""},
		{"Excel's first line says the separator", "batteries.csv", "sep=;\nid;name;cells\nb1;Pack;2\n", "battery b1 new@3", "", ""},
		{"a bad number keeps its locomotive out and the other in", "x.csv",
			"id,name,mass_g,set,gear_ratio\nwren,Wren,450 g,front,18\nwren,Wren,,rear,18\nowl,Owl,300,front,20\n", "locomotive owl new@4", `2 mass_g: "450 g" is not a number`, ""},
		{"a comma that may part thousands is not guessed at", "x.csv", "id,name,mass_g,set\nwren,Wren,\"1,234\",front\n", "", "2 mass_g: may be 1.234 or 1234", ""},
		{"rows that disagree", "x.csv", "id,name,mass_g,set\nwren,Wren,1,front\nwren,Wren,2,rear\n", "", "3 mass_g: the row of line 2 says 1, this one 2", ""},
		{"a quote that nothing closes", "x.csv", "id,name,set,motor\nowl,Owl,front,m1\nwren,\"Wren,front,m1\n", "locomotive owl new@2", "3 : never closed", ""},
		{"names over two lines keep the count", "x.csv", "id,name,set,motor\nowl,\"Owl\nof night\",front,M1\n\nwren,Wren,,\n", "locomotive wren changed@5", `2 motor: "M1" is not an id`, ""},
		{"a separator too many", "x.csv", "id,name,cells,chemistry\nb1,Pack,2,Li,2S\n", "", "2 : has 5 cells, the head names 4", ""},
		{"twice", "motors.csv", "id,name,nominal_mv,note\nm9,A,1,\nm9,B,2,\n", "", "3 id: it stands in line 2 already", ""},
		{"cars sorted by their number, bearings as they come", "x.csv", "id,name,car,car_name,mass_g,axles,bearings\nc,Coal,2,Last,80,2,Ball\nc,Coal,1,First,90,2,roller\n", "", `3 bearings: "roller" is not plain`, ""},
		{"it does not tell what it is", "stock.csv", "id,name,note\nx,X,\n", "", "1 : put one of the words into the file's name", ""},
		{"no head", "stock.csv", "wren,Wren,450\n", "", "1 : must be the head of the table", ""},
		{"nothing", "stock.csv", "\n\n", "", "0 : holds no rows", ""},
		{"too many rows", "motors.csv", "id,name\n" + strings.Repeat("x,X\n", 10_000), "", "10001 : has 10001 rows, at most 10000", ""},
		{"a column twice", "motors.csv", "id,name,name\nx,X,Y\n", "", "1 name: stands twice", ""},
		{"not whole, not in range, neither yes nor no", "x.csv", "id,name,chemistry,cells\nb,B,x,1.5\nc,C,x,-2\n", "", "2 cells: 1.5 is not a whole number|3 cells: -2 is not from 0", ""},
		{"JSON with what is not stock, a strange field and a bad item", "s.json",
			"{\"circuit\": {},\n \"locomotives\": [\n  {\"id\": \"wren\", \"colour\": 1},\n  {\"id\": \"X y\"},\n  {\"id\": \"owl\", \"mass_g\": \"heavy\"}, 5],\n \"batteries\": null}", "locomotive wren changed@3",
			"4 : \"X y\" is not an id|5 mass_g: is a JSON string, want a number|5 : is a JSON number, want an object", `"circuit" is no stock|line 3: field "colour" is not known`},
		{"JSON that breaks off", "s.json", "{\"locomotives\": [\n{\"id\": \"owl\"}", "locomotive owl new@2", "2 locomotives: EOF", ""},
		{"JSON with an id twice", "s.json", `{"batteries": [{"id": "b"}, {"id": "b"}]}`, "battery b new@1", `1 id: "b" stands twice`, ""},
		{"a list", "s.json", `[{"id": "b"}]`, "", "1 : is an object", ""},
	} {
		t.Run(c.story, func(t *testing.T) {
			got := ReadRoster(c.file, c.text, bookOfTwo())
			var items, complaints []string
			for _, i := range got.Items {
				items = append(items, i.What+" "+i.ID+" "+i.Is+"@"+digits(i.Line))
			}
			if s := strings.Join(items, "|"); s != c.items {
				t.Errorf("items %s, want %s", s, c.items)
			}
			for _, k := range got.Complaints {
				complaints = append(complaints, digits(k.Line)+" "+k.Column+": "+k.Reason)
			}
			match(t, "complaints", complaints, c.complaints)
			match(t, "remarks", got.Remarks, c.remarks)
		})
	}
}

func digits(n int) string {
	b, _ := json.Marshal(n)
	return string(b)
}

// match holds each line to a part of it: "2 id: reason" begins so and holds the reason.
func match(t *testing.T, what string, got []string, want string) {
	t.Helper()
	parts := strings.Split(want, "|")
	if want == "" {
		parts = nil
	}
	if len(got) != len(parts) {
		t.Fatalf("%s: got %q, want %q", what, got, parts)
	}
	for i, p := range parts {
		place, reason, ok := strings.Cut(p, ": ")
		if !ok || what == "remarks" {
			place, reason = "", p
		}
		if !strings.HasPrefix(got[i], place) || !strings.Contains(got[i], reason) {
			t.Errorf("%s: got %q, want %q", what, got[i], p)
		}
	}
}

func TestCarsComeInTheOrderOfTheirNumbers(t *testing.T) {
	got := gather(ReadRoster("x.csv", "id,name,car,car_name,bearings\nc,Coal,2,Last,Ball\nc,Coal,1,First,\n", Roster{}))
	if want := []Car{{Name: "First"}, {Name: "Last", Bearings: "ball"}}; len(got.Consists) != 1 || !reflect.DeepEqual(got.Consists[0].Cars, want) {
		t.Fatalf("got %+v, want %+v", got.Consists, want)
	}
}

// A column that is not there leaves the book's word; an empty cell takes it away.
func TestColumnsThatAreNotThereChangeNothing(t *testing.T) {
	book := bookOfTwo()
	book.Locomotives[0].DriverSets = append(book.Locomotives[0].DriverSets, DriverSet{ID: "rear", Motor: "m2", GearRatio: 18})
	book.Consists = []Consist{{ID: "coal", Name: "Coal", Cars: []Car{{Name: "First", MassG: 80, Bearings: "ball"}, {MassG: 90}}}}
	book.Batteries = []Battery{{ID: "a", Name: "Pack", Chemistry: "LiPo", Cells: 2, Note: "old"}}
	read := func(name, text string) any {
		t.Helper()
		c := ReadRoster(name, text, book)
		if len(c.Items) != 1 || len(c.Complaints) > 0 {
			t.Fatalf("%q: %+v", text, c)
		}
		return c.Items[0].Value
	}
	want := book.Locomotives[0]
	want.Owner = "Ada"
	if got := read("locomotives.csv", "id,owner\nwren,Ada\n"); !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	front := want
	front.Owner, front.DriverSets = "", []DriverSet{{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 22, CountsPerRev: 12}}
	if got := read("x.csv", "id,set,gear_ratio\nwren,front,22\n"); !reflect.DeepEqual(got, front) {
		t.Errorf("got %+v, want %+v", got, front)
	}
	cars := Consist{ID: "coal", Name: "Coal", Cars: []Car{{Name: "First", MassG: 85, Bearings: "ball"}, {MassG: 90}}}
	if got := read("consists.csv", "id,car,mass_g\ncoal,1,85\ncoal,2,90\n"); !reflect.DeepEqual(got, cars) {
		t.Errorf("got %+v, want %+v", got, cars)
	}
	named := Consist{ID: "coal", Name: "Black", Cars: cars.Cars}
	named.Cars[0].MassG = 80
	if got := read("consists.csv", "id,name\ncoal,Black\n"); !reflect.DeepEqual(got, named) {
		t.Errorf("got %+v, want %+v", got, named)
	}
	if got, want := read("batteries.csv", "id,chemistry,cells\na,,3\n"), (Battery{ID: "a", Name: "Pack", Cells: 3, Note: "old"}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// What is measured of driver sets outlives a table that was edited: a calibration as long
// as the diameter is the one it gave, the resistance of running and a motor's curve always.
func TestTablesLeaveWhatIsMeasured(t *testing.T) {
	had := WheelCalibration{Circuit: "long", LapLengthMm: 24345.5, Laps: 7, UMm: 0.01, OwnUMm: 0.004}
	curve := aCurve()
	book := Roster{
		Locomotives: []Locomotive{{ID: "wren", Name: "Wren", Resistance: &Resistance{AMS2: 0.04}, DriverSets: []DriverSet{
			{ID: "front", Motor: "m1", WheelDiameterMm: 36.02, WheelDiameterUMm: 0.02, GearRatio: 18.5, GearEfficiency: 0.7, Adhesion: 0.25, Calibration: &had},
		}}},
		Consists:    []Consist{{ID: "coal", Name: "Coal", Resistance: &Resistance{BPerS: 0.02}}},
		NamedMotors: []NamedMotor{{ID: "m1", Name: "Red", Curve: &curve}},
	}
	read := func(name, text string) any {
		t.Helper()
		c := ReadRoster(name, text, book)
		if len(c.Items) != 1 || len(c.Complaints) > 0 {
			t.Fatalf("%q: %+v", text, c)
		}
		return c.Items[0].Value
	}
	whole := strings.Replace(tableText(t, WhatLocomotive, book), "18.5", "22", 1)
	for _, text := range []string{whole, "id,set,motor,gear_ratio\nwren,front,m1,22\n"} {
		l := read("locomotives.csv", text).(Locomotive)
		want := book.Locomotives[0].DriverSets[0]
		want.GearRatio = 22
		if l.Resistance == nil || len(l.DriverSets) != 1 || l.DriverSets[0] != want {
			t.Errorf("%q: %+v", text, l)
		}
	}
	if l := read("locomotives.csv", "id,set,wheel_diameter_mm\nwren,front,36\n").(Locomotive); l.DriverSets[0].Calibration != nil || l.DriverSets[0].WheelDiameterUMm != 0 {
		t.Errorf("another diameter: %+v", l.DriverSets[0])
	}
	if m := read("motors.csv", "id,name\nm1,Blue\n").(NamedMotor); m.Curve != &curve || m.Name != "Blue" {
		t.Errorf("%+v", m)
	}
	if c := read("consists.csv", "id,name\ncoal,Black\n").(Consist); c.Resistance == nil {
		t.Errorf("%+v", c)
	}
}

func TestMadeIDs(t *testing.T) {
	taken := map[string]bool{"wren": true}
	for name, want := range map[string]string{
		"Wren": "wren-2", "Große Éclair No. 5": "grosse-eclair-no-5", "車": "locomotive", "=HYPERLINK(\"x\")": "hyperlink-x", "--": "locomotive",
		strings.Repeat("long ", 20): "long-long-long-long-long-lon",
	} {
		if got := slugOf(name, "locomotive", taken); got != want || !ValidID(got) {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}
