package wire_test

import (
	"math"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

var sheetColumns = []wire.SheetColumn{
	{Name: "trial", Else: []string{"versuch"}},
	{Name: "lap", Else: []string{"runde"}, Number: true},
	{Name: "lap_time_s", Also: []string{"time"}, Else: []string{"zeit"}, Unit: "s", Units: wire.InSeconds, Number: true},
	{Name: "speed_mm_s", Unit: "mm_s", Units: wire.InMmPerS, Number: true},
}

// TestSheets reads tables as people make them.
func TestSheets(t *testing.T) {
	for _, c := range []struct {
		name, text, column string
		want               float64
	}{
		{"as the contract has it", "trial,lap,lap_time_s\nt1,1,12.5\n", "lap_time_s", 12.5},
		{"decimal comma, semicolons, unit, mark, blank lines", "\ufeff\r\n;;\r\nTrial;Lap;Lap time [s]\r\n\r\nt1;1;12,345\r\n", "lap_time_s", 12.345},
		{"milliseconds", "trial,lap,Lap time (ms)\nt1,1,12500\n", "lap_time_s", 12.5},
		{"another name", "Trial\tLap\tTime\nt1\t1\t12.5\n", "lap_time_s", 12.5},
		{"tabs and decimal commas made certain by another cell", "trial\tlap\ttime\nt1\t1\t12,345\nt1\t2\t12,3\n", "lap_time_s", 12.345},
		{"metres a second", "trial,lap,Speed (m/s)\nt1,1,0.5\n", "speed_mm_s", 500},
		{"kilometres an hour", "trial,lap,speed km/h\nt1,1,3.6\n", "speed_mm_s", 1000},
		{"a title and a blank line above the head", "Club evening, 3 May;;\n\nTrial;Lap;Lap time [s]\nt1;1;12,5\n", "lap_time_s", 12.5},
		{"a title in one cell above commas", "Club evening\ntrial,lap,lap_time_s\nt1,1,12.5\n", "lap_time_s", 12.5},
		{"a heading over two lines", "trial,\"Lap\ntime\",\"Lap\"\nt1,12.5,1\n", "lap_time_s", 12.5},
		{"a head whose second line names columns too", "\"Notes,\nlap,x\",trial,Lap time\na,t1,12.5\n", "lap_time_s", 12.5},
		{"names in German", "Versuch;Runde;Zeit (s)\nt1;1;12,5\n", "lap_time_s", 12.5},
		{"a name that may mean it, beside one that does", "trial,Zeit,lap_time_s\nt1,14.03,12.5\n", "lap_time_s", 12.5},
		{"minutes and seconds", "trial,lap,lap_time_s\nt1,1,1:12.5\n", "lap_time_s", 72.5},
		{"minutes and seconds with a comma", "trial;lap;Lap time (min)\nt1;1;0:12,5\n", "lap_time_s", 12.5},
		{"three decimals after minutes are no thousands", "trial,lap,lap_time_s\nt1,1,\"0:12,345\"\n", "lap_time_s", 12.345},
		{"hours, as a spreadsheet writes them", "trial,lap,lap_time_s\nt1,1,00:01:12.5\n", "lap_time_s", 72.5},
		{"a unit behind the number", "trial,lap,lap_time_s\nt1,1,12.5 s\n", "lap_time_s", 12.5},
		{"another unit than the heading's", "trial,lap,Lap time (s)\nt1,1,12500ms\n", "lap_time_s", 12.5},
		{"minutes and seconds with a unit", "trial;lap;lap_time_s\nt1;1;1:12,5 min\n", "lap_time_s", 72.5},
		{"a speed with its unit", "trial,lap,speed_mm_s\nt1,1,0.5 m/s\n", "speed_mm_s", 500},
		{"a line that names the separator", "sep=;\ntrial;lap;lap_time_s\nt1;1;12,5\n", "lap_time_s", 12.5},
	} {
		s, bad := wire.ReadSheet(c.text, sheetColumns)
		if len(bad) > 0 || len(s.Rows) == 0 {
			t.Errorf("%s: %d rows, complaints %v", c.name, len(s.Rows), bad)
			continue
		}
		x, ok, err := s.Rows[0].Number(c.column)
		if !ok || err != nil || math.Abs(x-c.want) > 1e-12*c.want || s.Rows[0].Text("trial") != "t1" {
			t.Errorf("%s: %s is %v, %v, %v, want %v", c.name, c.column, x, ok, err, c.want)
		}
	}
}

// TestSheetsOfOtherBytes: a spreadsheet's "Unicode text" is read; what is no text, and
// numbers beyond anything measured, are told.
func TestSheetsOfOtherBytes(t *testing.T) {
	text := "trial\tlap\ttime\nt1\t1\t12,5\n"
	for name, big := range map[string]bool{"little end first": false, "big end first": true} {
		bytes := []byte{0xff, 0xfe}
		if big {
			bytes = []byte{0xfe, 0xff}
		}
		for _, c := range text {
			if big {
				bytes = append(bytes, 0, byte(c))
			} else {
				bytes = append(bytes, byte(c), 0)
			}
		}
		s, bad := wire.ReadSheet(string(bytes), sheetColumns)
		if len(bad) > 0 || len(s.Rows) != 1 {
			t.Errorf("%s: %d rows, %v", name, len(s.Rows), bad)
			continue
		}
		if x, ok, err := s.Rows[0].Number("lap_time_s"); !ok || err != nil || x != 12.5 {
			t.Errorf("%s: %v, %v, %v", name, x, ok, err)
		}
	}
	for _, bytes := range []string{"trial,lap\x00,time\n", "\x7fELF\x02\x01\x00\x00"} {
		if _, bad := wire.ReadSheet(bytes, sheetColumns); len(bad) != 1 || !strings.Contains(bad[0].Reason, "save it as CSV") {
			t.Errorf("%q: %v", bytes, bad)
		}
	}
	s, bad := wire.ReadSheet("trial;lap;time\nL\xf6we;1;12,5\n", sheetColumns)
	if len(bad) > 0 || s.Rows[0].Text("trial") != "Löwe" {
		t.Errorf("western letters: %v, %q", bad, s.Rows[0].Text("trial"))
	}
	s, _ = wire.ReadSheet("trial,lap,lap_time_s\nt1,1,1e308\n", sheetColumns)
	if _, _, err := s.Rows[0].Number("lap_time_s"); err == nil {
		t.Error("a lap of 1e308 s is taken")
	}
}

// TestSheetComplaints holds each complaint to its line, and to what to do.
func TestSheetComplaints(t *testing.T) {
	for _, c := range []struct {
		name, text, says string
		line             int
	}{
		{"empty", "", "holds no rows", 0},
		{"a column twice", "trial,lap,Time,lap_time_s\nt1,1,2,3\n", "stands twice", 1},
		{"too many cells", "trial,lap,lap_time_s\nt1,1,12,5\n", "4 cells", 2},
		{"a quote left open", "trial,lap,lap_time_s\n\"t1,1,12.5\n", "never closed", 2},
		{"no line names a column", "Club evening\na,b,c\nd,e,f\n1,2,3\n", "taken for the head", 1},
		{"too many cells below a title", "Club evening\ntrial,lap,lap_time_s\nt1,1,12,5\n", "4 cells", 3},
		{"a unit nobody knows", "trial,lap,Lap time (fortnights)\nt1,1,12.5\n", `unit "fortnights"`, 1},
	} {
		_, bad := wire.ReadSheet(c.text, sheetColumns)
		if len(bad) != 1 || bad[0].Line != c.line || !strings.Contains(bad[0].Reason, c.says) {
			t.Errorf("%s: %+v, want line %d and %q", c.name, bad, c.line, c.says)
		}
	}
	s, _ := wire.ReadSheet("trial,lap,Lap time (fortnights)\nt1,1,12.5\n", sheetColumns)
	if s.Has("lap_time_s") {
		t.Error("numbers of a unit that nobody knows are taken")
	}
	s, _ = wire.ReadSheet("trial,lap,lap_time_s\n\nt1,1,fast\n", sheetColumns)
	if _, _, err := s.Rows[0].Number("lap_time_s"); err == nil || s.Rows[0].Complain("lap_time_s", "%v", err).Line != 3 {
		t.Errorf("a word for a number: %v", err)
	}
	for _, cell := range []string{"12.5 furlongs", "1:72.5", "1.5:12", "-1:12", "1:2:3:4", "1:", ":12", "1:-2", "12:a"} {
		s, _ = wire.ReadSheet("trial,lap,lap_time_s\nt1,1,"+cell+"\n", sheetColumns)
		if x, ok, err := s.Rows[0].Number("lap_time_s"); err == nil || ok {
			t.Errorf("%s was read as %g", cell, x)
		}
	}
	s, _ = wire.ReadSheet("trial,lap,lap_time_s\nt1,1:05,12\n", sheetColumns)
	if x, ok, err := s.Rows[0].Number("lap"); err == nil || ok {
		t.Errorf("a lap number of 1:05 was read as %g", x)
	}
	s, _ = wire.ReadSheet("trial,lap,\"lap_time_s\"\nt1,1,\"12,345\"\n", sheetColumns)
	if _, _, err := s.Rows[0].Number("lap_time_s"); err == nil {
		t.Error("12,345 among commas may be either: it must not be guessed")
	}
}
