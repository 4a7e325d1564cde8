package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// builtSays runs the built program with a text on its standard input.
func builtSays(t *testing.T, in string, args ...string) (code int, out, errs string) {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(path, args...)
	var o, e strings.Builder
	c.Stdin, c.Stdout, c.Stderr = strings.NewReader(in), &o, &e
	err = c.Run()
	if c.ProcessState == nil {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), o.String(), e.String()
}

func pulled(t *testing.T, in string, args ...string) wire.PullResult {
	t.Helper()
	code, out, errs := builtSays(t, in, append([]string{"pull", "-"}, args...)...)
	var r wire.PullResult
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != exitOK {
		t.Fatalf("exit code %d: %s%s %v", code, out, errs, err)
	}
	return r
}

// c09 is the reference case C09 as a table of pulls: four attempts at each load.
func c09(locomotive, more string) string {
	var b strings.Builder
	for _, g := range []string{"100", "150", "200", "250", "300", "350"} {
		outcome := "moved"
		if g >= "250" {
			outcome = "stalled"
		}
		for range 4 {
			b.WriteString(locomotive + ",900," + g + "," + outcome + more + "\n")
		}
	}
	return b.String()
}

// Pulls of a table give limits, adhesion, what limits, and the next load; C09 is computed with brglm2.
func TestPullOfATable(t *testing.T) {
	t.Parallel()
	r := pulled(t, "locomotive,mass_g,load_g,outcome,method,set,wheels\n"+c09("heron", ",moving,both,turned"))
	if len(r.Locomotives) != 1 {
		t.Fatalf("%+v", r)
	}
	l := r.Locomotives[0]
	if l.Load50G.Value == nil || math.Abs(*l.Load50G.Value-225) > 1e-3 || l.Set != "both" || len(l.Attempts) != 24 {
		t.Errorf("load50 is %+v of %d attempts of %q, want 225 by symmetry (C09)", l.Load50G, len(l.Attempts), l.Set)
	}
	if *l.Bracket.MovedG != 200 || *l.Bracket.StalledG != 250 || l.Limit != wire.LimitAdhesion || l.Turned != 12 {
		t.Errorf("bracket %+v, limit %s, turned %d", l.Bracket, l.Limit, l.Turned)
	}
	if l.Adhesion.Value == nil || math.Abs(*l.Adhesion.Value-0.25) > 1e-5 || *l.Adhesion.U <= 0 || *l.Adhesion.Lo >= 0.25 || *l.Adhesion.Hi <= 0.25 {
		t.Errorf("adhesion %+v", l.Adhesion)
	}
	if l.Next == nil || l.Next.LoadG < 190 || l.Next.LoadG > 260 || l.Next.Why == "" {
		t.Errorf("next %+v", l.Next)
	}
	if len(l.Curve) < 10 || l.Curve[0].Share < 0.9 || l.Curve[len(l.Curve)-1].Share > 0.1 || len(l.Steps) != 6 || len(l.Loads) != 6 || len(l.Checks) == 0 {
		t.Errorf("curve %v, steps %v, loads %v, checks %v", l.Curve, l.Steps, l.Loads, l.Checks)
	}
	if r.Agreement != nil {
		t.Errorf("nothing was pulled by both methods: %+v", r.Agreement)
	}
}

// A static pull may give the scale's readings; over locomotives it is held against the moving one.
func TestStaticAgainstMoving(t *testing.T) {
	t.Parallel()
	table := "locomotive;mass_g;load_g;outcome;method;before_g;at_pull_g\n"
	for _, x := range []struct {
		name     string
		readings [3]string
	}{{"heron", [3]string{"1500;1262", "1500;1265", "1500;1258"}}, {"otter", [3]string{"1500;1255", "1500;1251", "1500;1254"}}, {"wren", [3]string{"1500;1260", "1500;1262", "1500;1264"}}} {
		for _, row := range strings.Split(strings.TrimSpace(c09(x.name, "")), "\n") {
			table += strings.ReplaceAll(row, ",", ";") + ";moving;;\n"
		}
		for _, scale := range x.readings {
			table += x.name + ";900;;;;" + scale + "\n"
		}
	}
	r := pulled(t, table, "--scale-resolution-g", "2", "--mass-u-g", "3")
	a := r.Agreement
	if a == nil || a.N != 3 || len(a.Points) != 3 {
		t.Fatalf("%+v", a)
	}
	want := ((238.+235+242)/3 + (245+249+246)/3. + (240+238+236)/3. - 3*225) / 3
	if math.Abs(*a.BiasG.Value-want) > 1e-6 || *a.LowerG >= *a.BiasG.Value || *a.LowerLoG >= *a.LowerG || *a.UpperHiG <= *a.UpperG || !strings.Contains(a.Says, "overstates") {
		t.Errorf("%+v, want a bias of %g", a, want)
	}
	for _, l := range r.Locomotives {
		if l.Method == wire.PullStatic && (l.Load50G.U == nil || *l.Load50G.U < 2/math.Sqrt(6) || len(l.Attempts) != 3 || *l.Load50G.Lo > *l.Load50G.Value) {
			t.Errorf("%+v", l.Load50G)
		}
	}
}

// A train's mass is no pull: what it takes to roll makes it one. Speeds give drawbar power.
func TestPullOfTrains(t *testing.T) {
	t.Parallel()
	head, rows := "locomotive,mass_g,load_g,outcome,load_is,speed_mm_s\n", ""
	for _, row := range strings.Split(strings.TrimSpace(c09("heron", ",train,")), "\n") {
		rows += row
		if strings.Contains(row, ",200,moved") {
			rows += "100"
		}
		rows += "\n"
	}
	l := pulled(t, head+rows).Locomotives[0]
	if l.Adhesion.Value != nil || l.PowerMw.Value != nil || !strings.Contains(strings.Join(l.Doubts, ";"), "keep it rolling") {
		t.Errorf("without the rolling resistance: %+v, %+v, %q", l.Adhesion, l.PowerMw, l.Doubts)
	}
	l = pulled(t, head+rows, "--rolling-permille", "20", "--rolling-u-permille", "2").Locomotives[0]
	if l.Adhesion.Value == nil || math.Abs(*l.Adhesion.Value-0.005) > 1e-6 || *l.Adhesion.U < 0.1*0.005 {
		t.Errorf("%+v", l.Adhesion)
	}
	if want := 200 * 0.02 * 9.80665 * 100 / 1000; l.PowerMw.Value == nil || math.Abs(*l.PowerMw.Value-want) > 1e-9 || l.PowerMw.Lo == nil {
		t.Errorf("%+v, want %g mW", l.PowerMw, want)
	}
}

// Rows that cannot be read are told by line and column, the rest is used, and the exit
// code says so.
func TestPullComplains(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "pulls.csv")
	for _, c := range []struct{ row, says string }{
		{"heron,900,100,flew", `:2: outcome: is "flew": want moved, struggled or stalled`},
		{"heron,900,100,", `:2: outcome`},
		{"heron,900,,moved", `:2: load_g`},
		{"heron,0,100,moved", `:2: mass_g: is 0`},
		{"heron,900,-5,moved", `:2: load_g: is -5`},
		{",900,100,moved", `:2: locomotive`},
		{"heron,900,ten,moved", `:2: load_g`},
		{"heron,900,100,moved,moving,3,2,1", ":2:"},
	} {
		if err := os.WriteFile(file, []byte("locomotive,mass_g,load_g,outcome\n"+c.row+"\n"+c09("heron", "")), 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, errs := builtSays(t, "", "pull", file)
		var r wire.PullResult
		if code != exitBad || !strings.Contains(errs, file+c.says) || json.Unmarshal([]byte(out), &r) != nil || len(r.Locomotives) != 1 || len(r.Locomotives[0].Attempts) != 24 {
			t.Errorf("%q: exit code %d, %s; want %q and the other 24 attempts, got %.200s", c.row, code, errs, c.says, out)
		}
	}
	for in, says := range map[string]string{"": "holds no rows", "locomotive,load_g\nx,1\n": `outcome: the column is missing`} {
		if code, _, errs := builtSays(t, in, "pull", "-"); code != exitBad || !strings.Contains(errs, says) {
			t.Errorf("%q: exit code %d, %s", in, code, errs)
		}
	}
	for _, bad := range [][]string{{"pull"}, {"pull", "a.csv", "b.csv"}, {"pull", "--scale-resolution-g", "-1", "-"}, {"pull", "--never", "-"}} {
		if code, _, _ := builtSays(t, "", bad...); code != exitUsage {
			t.Errorf("%v: exit code %d, want %d", bad, code, exitUsage)
		}
	}
}

// The table has a row a limit, empty where there is nothing.
func TestPullAsTable(t *testing.T) {
	t.Parallel()
	in := "locomotive,mass_g,load_g,outcome\n" + c09("heron", "") + "otter,,100,moved\n"
	code, out, errs := builtSays(t, in, "pull", "--csv", "-")
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if code != exitOK || err != nil || len(rows) != 3 {
		t.Fatalf("exit code %d, %v, %v, %s", code, err, rows, errs)
	}
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
	}
	if rows[1][at["load50_g"]] != "225.00" || rows[1][at["limit"]] != "unknown" || rows[2][at["load50_g"]] != "" || rows[2][at["next_g"]] != "150" {
		t.Errorf("%v", rows)
	}
}
