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
		if from := args[len(args)-1]; !strings.Contains(sheet, "<dt>made from</dt><dd>"+filepath.Base(from)+"</dd>") || strings.Contains(sheet, dir) {
			t.Errorf("%v: the sheet does not name the file it came from, or names its folder", c.args)
		}
		if !strings.Contains(sheet, "Did it help?") || !strings.Contains(sheet, "<svg") || strings.Contains(sheet, "<script") || strings.Contains(sheet, " src=") {
			t.Errorf("%v: the sheet is not whole, or does not open alone", c.args)
		}
	}
	if got := runCommand(t, "compare", "--factor", "bearings", "--svg", filepath.Join(dir, "nowhere", "out.svg"), laps); got.code == exitOK || !strings.Contains(got.err, "drawing") {
		t.Errorf("into a folder that is not there: exit %d, said %s", got.code, got.err)
	}
}

// Drawings that get names of their own are told of: of every limit, however alike two are
// called, and of how the methods agree. Standard output is no file.
func TestPullsTellWhatTheyDraw(t *testing.T) {
	dir := t.TempDir()
	table := filepath.Join(dir, "pulls.csv")
	writeFile(t, table, []byte("locomotive,mass_g,load_g,outcome,method,set,load_is\nheron,900,150,moved,moving,,\nheron,900,250,stalled,moving,,\nheron,900,250,stalled,moving,,train\nheron,900,240,moved,static,,\nheron,900,260,stalled,static,,\nheron,900,250,stalled,moving,a/b,\nheron,900,250,stalled,moving,a:b,\n"))
	s := runCommand(t, "pull", "--svg", filepath.Join(dir, "out.svg"), table)
	if s.code != exitOK {
		t.Fatalf("exit %d: %s", s.code, s.err)
	}
	drawn, err := filepath.Glob(filepath.Join(dir, "*.svg"))
	if err != nil || len(drawn) != 6 {
		t.Errorf("drawn are %q, want five limits and the agreement", drawn)
	}
	for _, name := range append(drawn, filepath.Join(dir, "out-agreement.svg"), filepath.Join(dir, "out-heron-moving-train.svg")) {
		if !strings.Contains(s.err, name+" is drawn.") || !strings.Contains(string(readFile(t, name)), "<svg") {
			t.Errorf("%s: said %q", name, s.err)
		}
	}
	for _, args := range [][]string{{"pull", "--svg", "-", table}, {"pull", "--sheet", "-", table}, {"coast", "--svg=-", table}} {
		if s := runCommand(t, args...); s.code != exitUsage || !strings.Contains(s.err, "standard output has the answer") {
			t.Errorf("%v: exit %d, %s", args, s.code, s.err)
		}
	}
	if s := runCommand(t, "pull", table); s.code != exitOK || strings.Contains(s.err, "is drawn") {
		t.Errorf("nothing was to be drawn: %s", s.err)
	}
}
