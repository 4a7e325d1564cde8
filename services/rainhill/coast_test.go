package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// rolling is a car of terms a, b, c and curve on an oval of which it knows where the arcs
// are; coasted gives the instants at the places, by steps of 0.1 ms at their middle speed.
type rolling struct {
	a, b, c, curve float64
	onArc          func(s float64) bool
}

func (r rolling) coasted(v float64, places []float64) (at []float64) {
	const h = 1e-4
	s, t := places[0], 0.0
	slows := func(s, v float64) float64 {
		d := r.a + v*(r.b+v*r.c)
		if r.onArc != nil && r.onArc(s) {
			d += r.curve
		}
		return d
	}
	for _, to := range places {
		for s < to {
			middle := v - h/2*slows(s, v)
			next := v - h*slows(s+h/2*v, middle)
			if next <= 0 {
				return at
			}
			if way := h * middle; s+way >= to {
				part := (to - s) / way
				t, s, v = t+part*h, to, v+part*(next-v)
				continue
			}
			t, s, v = t+h, s+h*middle, next
		}
		at = append(at, t)
	}
	return at
}

// oval is 1 m of straight, 2 m of arc, twice: a lap of 6 m.
func oval(s float64) bool { return math.Mod(s, 3) >= 1 }

const ovalSetup = `{"circuit": {"id": "oval", "name": "Oval", "pieces": [
	{"straight_mm": 1000}, {"radius_mm": 636.6197723675814, "angle_deg": 180, "hand": "left"},
	{"straight_mm": 1000}, {"radius_mm": 636.6197723675814, "angle_deg": 180, "hand": "left"}]},
	"gates": [{"id": "g1", "position_mm": 200}, {"id": "g2", "position_mm": 1700}, {"id": "g3", "position_mm": 3100}, {"id": "g4", "position_mm": 4700}],
	"locomotives": [{"id": "wren", "name": "Wren", "mass_g": 900}],
	"consists": [{"id": "coal", "name": "Coal", "cars": [{"name": "one", "mass_g": 150}, {"name": "two", "mass_g": 250}]},
		{"id": "ore", "name": "Ore", "cars": [{"name": "o1", "mass_g": 300}]}],
	"trials": [{"id": "t1", "locomotive": "wren"}]}`

// coastTable is runs over the oval's gates, wrapped or counting on, noise of sd s.
func coastTable(r rolling, consist string, wrap bool, sd float64, rng *rand.Rand) string {
	var rows strings.Builder
	var places []float64
	for lap := range 3 {
		for _, g := range []float64{0.2, 1.7, 3.1, 4.7} {
			places = append(places, 6*float64(lap)+g)
		}
	}
	for i := range 6 {
		for k, t := range r.coasted(0.65+0.12*float64(i), places) {
			mm := 1000 * places[k]
			if wrap {
				mm = math.Mod(mm, 6000)
			}
			fmt.Fprintf(&rows, "%s%d,%g,%.6f,%s\n", consist, i+1, mm, 10+t+sd*rng.NormFloat64(), consist)
		}
	}
	return rows.String()
}

// builtProgram runs the built command.
func builtProgram(t *testing.T, in string, args ...string) (code int, out, errs string) {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	var o, e strings.Builder
	c := exec.Command(path, args...)
	c.Stdin, c.Stdout, c.Stderr = strings.NewReader(in), &o, &e
	if err := c.Run(); c.ProcessState == nil {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

func holds(t *testing.T, name string, e wire.Estimate, truth, within float64) {
	t.Helper()
	if e.Value == nil || e.Lo == nil || *e.Lo > truth || *e.Hi < truth || math.Abs(*e.Value-truth) > within {
		b, _ := json.Marshal(e)
		t.Errorf("%s: %s, want %g within %g and in the interval", name, b, truth, within)
	}
}

// Six runs over an oval, their places wrapped or counting on: the terms that made them
// come out, forces go by mass and what turns, and nothing is said that was not asked.
func TestCoastTellsResistance(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "setup.json", ovalSetup)
	setup := filepath.Join(dir, "setup.json")
	truth := rolling{0.03, 0.02, 0.03, 0.025, oval}
	for _, wrap := range []bool{true, false} {
		rows := coastTable(truth, "coal", wrap, 0.0003, rand.New(rand.NewPCG(5, 1829)))
		code, out, errs := builtProgram(t, "run,position_mm,at_s,consist\n"+rows, "coast", "--setup", setup, "--rotating", "1.05", "-")
		if code != exitOK || errs != "" {
			t.Fatalf("exit code %d: %s", code, errs)
		}
		r := parsed[wire.CoastResult](t, out)
		if r.Runs != 6 || len(r.Consists) != 1 || r.Consists[0].Consist != "coal" || *r.Consists[0].MassG != 400 {
			t.Fatalf("%.600s", out)
		}
		holds(t, "a", r.A, 0.03, 0.002)
		holds(t, "b", r.B, 0.02, 0.007)
		holds(t, "c", r.C, 0.03, 0.007)
		holds(t, "curve", r.Curve, 0.025, 0.001)
		for _, f := range r.Consists[0].Forces {
			v := f.SpeedMmS / 1000
			holds(t, fmt.Sprintf("force at %g mm/s", f.SpeedMmS), f.ForceMn, 1.05*400*(0.03+0.02*v+0.03*v*v), 0.6)
		}
		holds(t, "start of the last run", r.Consists[0].RunList[5].StartMmS, 1250, 3)
		if x := r.Consists[0].Resistance; math.Abs(x.AMS2-1.05**r.A.Value) > 1e-12 || x.CurveUMS2 == 0 {
			t.Errorf("kept is %+v", x)
		}
	}
}

// Two consists of unlike bearings: terms of each, and which rolls the more easily; the
// table has a row for each.
func TestCoastComparesConsists(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "setup.json", ovalSetup)
	rng := rand.New(rand.NewPCG(6, 1829))
	easy, hard := rolling{0.03, 0.02, 0.03, 0.025, oval}, rolling{0.05, 0.02, 0.03, 0.025, oval}
	table := "run,position_mm,at_s,consist\n" + coastTable(easy, "coal", true, 0.002, rng) + coastTable(hard, "ore", true, 0.002, rng) + coastTable(easy, "coal-again", true, 0.002, rng)
	put(t, dir, "coast.csv", table)
	file := filepath.Join(dir, "coast.csv")
	code, out, errs := builtProgram(t, "", "coast", "--setup", filepath.Join(dir, "setup.json"), file)
	if code != exitOK {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	r := parsed[wire.CoastResult](t, out)
	if r.Runs < 16 || len(r.Consists) != 3 || r.A.Value != nil || len(r.Against) != 9 {
		t.Fatalf("%.900s", out)
	}
	for _, x := range r.Against {
		want := map[string]string{"coal ore": wire.CoastA, "ore coal-again": wire.CoastB, "coal coal-again": wire.CoastUnknown}[x.A+" "+x.B]
		if x.Verdict != want {
			t.Errorf("%s against %s at %g mm/s: %s (%g to %g), want %s", x.A, x.B, x.SpeedMmS, x.Verdict, *x.Difference.Lo, *x.Difference.Hi, want)
		}
	}
	code, out, _ = builtProgram(t, "", "coast", "--setup", filepath.Join(dir, "setup.json"), "--consist", "ore", "--csv", file)
	if lines := strings.Split(strings.TrimSpace(out), "\n"); code != exitOK || len(lines) != 2 || !strings.HasPrefix(lines[0], "consist,runs,instants,a_m_s2,") || !strings.HasPrefix(lines[1], "ore,5,") {
		t.Errorf("exit code %d: %s", code, out)
	}
}

// What cannot be used is told with its place, the rest is used.
func TestCoastComplains(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "setup.json", ovalSetup)
	straight := rolling{a: 0.05}
	var rows strings.Builder
	for i := range 4 {
		for k, x := range straight.coasted(0.6+0.1*float64(i), []float64{0, 0.5, 1, 1.5, 2}) {
			fmt.Fprintf(&rows, "r%d;%d;%s\n", i, 500*k, strings.Replace(fmt.Sprintf("%.4f", x+0.0001*float64(k%2)), ".", ",", 1))
		}
	}
	table := "run;place (mm);at (s)\n" + rows.String()
	code, out, errs := builtProgram(t, table, "coast", "-")
	if r := parsed[wire.CoastResult](t, out); code != exitOK || r.Runs != 4 || r.Curve.Value != nil || math.Abs(*r.A.Value-0.05) > 0.01 || !strings.Contains(out, "slope of 1 mm") {
		t.Errorf("exit code %d, %s, %s", code, errs, out)
	}
	for name, c := range map[string]struct {
		args []string
		in   string
		code int
		want []string
	}{
		"nothing":        {[]string{"coast"}, "", exitUsage, []string{"which instants"}},
		"rotating":       {[]string{"coast", "--rotating", "0.5", "-"}, table, exitUsage, []string{"1 to 10"}},
		"empty":          {[]string{"coast", "-"}, "", exitBad, []string{"no rows"}},
		"no column":      {[]string{"coast", "-"}, "run,at_s\n1,2\n", exitBad, []string{"standard input:1: position_mm: the table has no such column"}},
		"words":          {[]string{"coast", "-"}, table + "r9;fast;1,5\n", exitBad, []string{`standard input:22: place (mm): "fast" is not a number`, "the rest was"}},
		"uncertainty":    {[]string{"coast", "-"}, "run,position_mm,at_s,u_s\n1,0,0,-1\n", exitBad, []string{"standard input:2: u_s: -1 s is no standard uncertainty"}},
		"to and fro":     {[]string{"coast", "-"}, table + "r9;0;1\nr9;500;2\nr9;250;3\n", exitBad, []string{"standard input:24: position_mm: run r9: 250 mm comes later than 500 mm (line 23)"}},
		"too few":        {[]string{"coast", "-"}, "run,position_mm,at_s\n1,0,0\n1,500,1\n", exitBad, []string{"no run can be used", "2 of the 3 instants"}},
		"other consist":  {[]string{"coast", "--consist", "slate", "-"}, "run,position_mm,at_s,consist\n1,0,0,coal\n", exitBad, []string{`no run is of consist "slate": they are of coal`}},
		"no file":        {[]string{"coast", filepath.Join(dir, "none.csv")}, "", exitBad, []string{"none.csv"}},
		"no such gate":   {[]string{"coast", "--setup", filepath.Join(dir, "setup.json"), "-"}, "run,gate,at_s\n1,g9,0\n", exitBad, []string{`there is no gate "g9"`}},
		"unknown option": {[]string{"coast", "--fast"}, "", exitUsage, nil},
	} {
		code, _, errs := builtProgram(t, c.in, c.args...)
		for _, w := range c.want {
			if !strings.Contains(errs, w) {
				t.Errorf("%s: %q does not say %q", name, errs, w)
			}
		}
		if code != c.code {
			t.Errorf("%s: exit code %d, want %d (%s)", name, code, c.code, errs)
		}
	}
}

// A recording tells the same: trials with the condition coast: yes, of which one has
// two pushes, and one without it.
func TestCoastOfARecording(t *testing.T) {
	dir := t.TempDir()
	truth := rolling{0.03, 0.02, 0.03, 0.025, oval}
	rng := rand.New(rand.NewPCG(7, 1829))
	var places []float64
	for i := range 12 {
		places = append(places, 6*float64(i/4)+[]float64{0.2, 1.7, 3.1, 4.7}[i%4])
	}
	var events strings.Builder
	var trials []string
	at := 1790000000.0
	push := func(speed float64) {
		for k, s := range truth.coasted(speed, places) {
			fmt.Fprintf(&events, `{"kind":"crossing","at_us":%d,"gate":"g%d","edge":"pulse"}`+"\n", int64(1e6*(at+s+0.0005*rng.NormFloat64())), k%4+1)
		}
		at += 40
	}
	for i, speeds := range [][]float64{{1.2}, {0.7, 1.0}, {0.8}, {1.3}, {1.1}, {0.9}} {
		from := at
		for _, v := range speeds {
			push(v)
		}
		coasts := "yes"
		if i == 3 {
			coasts = "no"
		}
		trials = append(trials, fmt.Sprintf(`{"id": "c%d", "locomotive": "wren", "consist": "coal", "from_us": %d, "to_us": %d, "conditions": {"coast": %q}}`, i+1, int64(1e6*(from-1)), int64(1e6*(at-2)), coasts))
	}
	put(t, dir, "setup.json", strings.Replace(ovalSetup, `{"id": "t1", "locomotive": "wren"}`, strings.Join(trials, ", "), 1))
	put(t, dir, "events.jsonl", events.String())
	args := []string{"coast", "--setup", filepath.Join(dir, "setup.json"), filepath.Join(dir, "events.jsonl")}
	code, out, errs := builtProgram(t, "", args...)
	if code != exitOK {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	r := parsed[wire.CoastResult](t, out)
	holds(t, "a", r.A, 0.03, 0.003)
	holds(t, "curve", r.Curve, 0.025, 0.002)
	left := map[string]string{}
	for _, x := range r.Consists[0].RunList {
		left[x.Run] = x.Left
	}
	if _, powered := left["c4"]; r.Runs != 6 || powered || left["c2/2"] != "" {
		t.Errorf("%d runs entered, left are %v", r.Runs, left)
	}
	put(t, dir, "setup.json", ovalSetup)
	if code, _, errs := builtProgram(t, "", args...); code != exitBad || !strings.Contains(errs, "no trial has the condition coast: yes") {
		t.Errorf("exit code %d: %s", code, errs)
	}
}
