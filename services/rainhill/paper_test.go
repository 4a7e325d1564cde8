package main

import (
	"encoding/xml"
	"path/filepath"
	"strings"
	"testing"
)

// Each command draws its plot, and writes a sheet that opens alone, of a table as people
// make it.
func TestCommandsPutOnPaper(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		writeFile(t, path, []byte(text))
		return path
	}
	laps := file("laps.csv", "\ufeffTrial;Lap;Lap time [s];bearings;battery\r\n\r\na1;1;12,31;plain;full\r\na1;2;12,35;plain;full\r\na2;1;12,40;plain;full\r\na2;2;12,38;plain;full\r\nb1;1;12,02;ball;full\r\nb1;2;12,05;ball;full\r\nb2;1;12,08;ball;full\r\nb2;2;12,11;ball;full\r\n")
	pulls := file("pulls.csv", "locomotive,mass_g,load_g,outcome,method\nheron,900,150,moved,moving\nheron,900,200,moved,moving\nheron,900,250,stalled,moving\nheron,900,225,struggled,moving\notter,700,120,moved,moving\notter,700,180,stalled,moving\n")
	coasts := file("coast.csv", "run,position_mm,at_s\n1,0,0\n1,1000,1.05\n1,2000,2.22\n1,3000,3.53\n1,4000,5.07\n2,0,0\n2,1000,0.88\n2,2000,1.82\n2,3000,2.83\n2,4000,3.93\n")
	for _, c := range []struct {
		args    []string
		drawing []string // files beside out.svg when there are several
	}{
		{[]string{"compare", "--factor", "bearings", laps}, []string{"out.svg"}},
		{[]string{"compare", "--factor", "bearings", "--pairs", "battery", laps}, []string{"out.svg"}},
		{[]string{"pull", pulls}, []string{"out-heron-moving.svg", "out-otter-moving.svg"}},
		{[]string{"coast", coasts}, []string{"out.svg"}},
	} {
		out := t.TempDir()
		args := append([]string{c.args[0], "--svg", filepath.Join(out, "out.svg"), "--sheet", filepath.Join(out, "out.html"), "--question", "Did it help?"}, c.args[1:]...)
		mustRun(t, args...)
		for _, name := range c.drawing {
			var drawing struct{ XMLName xml.Name }
			if err := xml.Unmarshal(readFile(t, filepath.Join(out, name)), &drawing); err != nil || drawing.XMLName.Local != "svg" {
				t.Errorf("%v: %s is %s, %v", c.args, name, drawing.XMLName.Local, err)
			}
		}
		sheet := string(readFile(t, filepath.Join(out, "out.html")))
		if !strings.Contains(sheet, "Did it help?") || !strings.Contains(sheet, "<svg") || strings.Contains(sheet, "<script") || strings.Contains(sheet, " src=") {
			t.Errorf("%v: the sheet is not whole, or does not open alone", c.args)
		}
	}
	if got := runCommand(t, "compare", "--factor", "bearings", "--svg", filepath.Join(dir, "nowhere", "out.svg"), laps); got.code == exitOK || !strings.Contains(got.err, "drawing") {
		t.Errorf("into a folder that is not there: exit %d, said %s", got.code, got.err)
	}
}
