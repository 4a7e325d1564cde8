package coasting_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/coasting"
)

// lines is four runs under a head, places by one factor and instants by another.
func lines(head string, place, time float64) string {
	return rows(head, func(r string, mm, s float64) string {
		return r + "," + wireNumber(mm*place) + "," + wireNumber(s*time)
	})
}

// A unit that is not stated is told with the speed it makes; where no car rolls so, the table
// is refused.
func TestUnstatedUnitsAreToldOrRefused(t *testing.T) {
	for _, c := range []struct {
		head        string
		place, time float64
		note, bad   string
	}{
		{"run,position_mm,at_s", 1, 1, "", ""},
		{"run,position,time", 1, 1, "position, time: no unit is stated, taken as mm and s, by which the cars rolled at about", ""},
		{"run,Place (m),time", 0.001, 1, "time: no unit is stated, taken as s, by which", ""},
		{"run,position,time", 0.001, 1, "", "no unit is stated and, taken as mm and s, the cars would roll at 0."},
		{"run,position,at_s", 0.001, 1, "", "position: no unit is stated and, taken as mm, the"},
		{"run,position_mm,time", 1, 1000, "", "time: no unit is stated and, taken as s, the cars would roll at 0."},
		{"run,position,at_s", 1000, 1, "", "would roll at"},
	} {
		outings, notes, bad := coasting.ReadTable(lines(c.head, c.place, c.time), nil)
		var said []string
		for _, b := range bad {
			said = append(said, fmt.Sprintf("%d %s: %s", b.Line, b.Column, b.Reason))
		}
		if got := strings.Join(said, "; "); !strings.Contains(got, c.bad) || (c.bad == "") != (got == "" && len(outings) == 4) {
			t.Errorf("%s: %d outings, %q, want %q", c.head, len(outings), got, c.bad)
		}
		if got := strings.Join(notes, "; "); !strings.Contains(got, c.note) || c.note == "" && got != "" {
			t.Errorf("%s: noted %q, want %q", c.head, got, c.note)
		}
	}
	outings, _, _ := coasting.ReadTable(lines("run,position_mm,at_s", 0.001, 1), nil)
	r, _, err := coasting.Stock{}.Answer(outings)
	if err != nil || !strings.Contains(strings.Join(r.Doubts, "; "), "never be faster than 1.1 mm/s") {
		t.Errorf("stated, and slower than anything rolls: %v %q", err, r.Doubts)
	}
}

// Headings are read in German too, below a title; what nothing was made of is named, and
// names that differ in capitals alone.
func TestCoastTablesAsPeopleWriteThem(t *testing.T) {
	text := strings.ReplaceAll(lines("Lauf,Ort (mm),Zeit (s),Zug,Wetter", 1, 1), ",", ";")
	text = strings.ReplaceAll(text, "\na;", "\nA;") + "a;3000;9;Kohle;nass\na;3500;11;kohle;nass\n"
	outings, notes, bad := coasting.ReadTable("Auslauf Wagen;;\n;;\n"+text, nil)
	want := []string{"nothing was made of the column Wetter", "the runs A and a are taken as two: are they one?", "the consists Kohle and kohle are taken as two: are they one?"}
	if len(bad) > 0 || len(outings) != 6 || !slices.Equal(notes, want) {
		t.Errorf("%v, %d outings, %q", bad, len(outings), notes)
	}
	_, _, bad = coasting.ReadTable("Auslauf\n\nLauf;Ort (mm);Dauer\n1;0;0\n", nil)
	if i := slices.IndexFunc(bad, func(c wire.Complaint) bool { return c.Column == "at_s" }); i < 0 || bad[i].Line != 3 {
		t.Errorf("the head stands in line 3: %v", bad)
	}
}

// A column a place is known for what it is, and told how to be written.
func TestAColumnAPlaceIsToldOf(t *testing.T) {
	for _, head := range []string{"Run,Gate 1 (s),Gate 2 (s),Gate 3 (s)", "run,T1,T2,T3", "Lauf,0 mm,500 mm,1000 mm"} {
		outings, _, bad := coasting.ReadTable(head+"\n7,0.002,1.051,2.482\n8,0,0.866,2.003\n", nil)
		name, _, _ := strings.Cut(strings.Split(head, ",")[2], " (")
		if len(outings) > 0 || len(bad) != 1 || bad[0].Line != 1 || !strings.Contains(bad[0].Reason, "one row a passing") || !strings.Contains(bad[0].Reason, "7,"+name+",1.051") {
			t.Errorf("%s: %v", head, bad)
		}
	}
}
