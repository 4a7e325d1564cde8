package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// ranCompare runs the command on a table and returns what it wrote.
func ranCompare(t *testing.T, table string, args ...string) (out, errs string, exit int) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "laps.csv")
	if err := os.WriteFile(file, []byte(table), 0o600); err != nil {
		t.Fatal(err)
	}
	var o, e strings.Builder
	exit = run(t.Context(), append([]string{"compare", file}, args...), stdio{strings.NewReader(table), &o, &e})
	return o.String(), strings.ReplaceAll(e.String(), file, "laps.csv"), exit
}

func compared(t *testing.T, out string) wire.CompareResult {
	t.Helper()
	var r wire.CompareResult
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return r
}

// lapsOf makes a table: for each trial its level, mean and conditions, and six laps that
// scatter a little about the mean.
func lapsOf(head string, trials ...string) string {
	r := rand.New(rand.NewPCG(3, 8))
	var b strings.Builder
	fmt.Fprintf(&b, "trial,lap,lap_time_s,%s\n", head)
	for i, line := range trials {
		var mean float64
		mean0, rest, _ := strings.Cut(line, ",")
		fmt.Sscan(mean0, &mean)
		for lap := 1; lap <= 6; lap++ {
			fmt.Fprintf(&b, "t%d,%d,%.3f,%s\n", i+1, lap, mean+0.05*r.NormFloat64(), rest)
		}
	}
	return b.String()
}

func TestCompareTellsTheFaster(t *testing.T) {
	table := lapsOf("motor,load_g", "20.0,old,500", "19.1,new,500", "20.2,old,500", "19.0,new,500", "20.1,old,500", "19.2,new,500")
	out, errs, exit := ranCompare(t, table, "--factor", "motor")
	if exit != exitOK || errs != "" {
		t.Fatalf("exit %d: %s", exit, errs)
	}
	r := compared(t, out)
	p := r.Pairs[0]
	if p.A != "new" || p.B != "old" || p.Verdict != wire.VerdictAFaster || p.Unit != wire.UnitTrial || len(p.ConfoundedBy) > 0 {
		t.Errorf("%+v", p)
	}
	if *p.Difference.Value < 0.9 || *p.Difference.Value > 1.1 || *p.Difference.Lo < 0.7 || *p.Difference.Hi > 1.3 {
		t.Errorf("difference %g (%g to %g), want about 1", *p.Difference.Value, *p.Difference.Lo, *p.Difference.Hi)
	}
	if *p.Ratio.Lo < 1.03 || *p.Ratio.Hi > 1.08 || *p.EffectSize.Lo > *p.EffectSize.Value || !strings.HasPrefix(p.Says, "new is faster than old by ") {
		t.Errorf("ratio %+v, effect %+v, %q", p.Ratio, p.EffectSize, p.Says)
	}
	if f := r.Fairness[0]; f.Condition != "load_g" || f.State != wire.FairSame {
		t.Errorf("fairness %+v", r.Fairness)
	}
	out, _, _ = ranCompare(t, table, "--factor", "motor", "--a", "old", "--b", "new", "--csv")
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil || len(rows) != 2 || rows[1][1] != "old" || rows[1][12] != wire.VerdictBFaster {
		t.Errorf("%v %v", err, rows)
	}
}

// The same laps as speeds: more is faster.
func TestCompareOfSpeeds(t *testing.T) {
	table := strings.ReplaceAll(lapsOf("motor", "200,old", "210,new", "201,old", "211,new", "199,old", "212,new"), "lap_time_s", "speed_mm_s")
	out, _, _ := ranCompare(t, table, "--factor", "motor")
	if r := compared(t, out); r.Measure != "speed_mm_s" || r.Pairs[0].Verdict != wire.VerdictAFaster || *r.Pairs[0].Difference.Value > 0 {
		t.Errorf("%+v", r.Pairs)
	}
}

func TestCompareSaysWhatConfounds(t *testing.T) {
	table := lapsOf("motor,tyres", "20.0,old,no", "19.1,new,yes", "20.2,old,no", "19.0,new,yes", "20.1,old,no", "19.2,new,yes")
	out, _, _ := ranCompare(t, table, "--factor", "motor")
	p := compared(t, out).Pairs[0]
	if len(p.ConfoundedBy) != 1 || p.ConfoundedBy[0] != "tyres" || !strings.Contains(p.Says, "but new and old differed in tyres too") {
		t.Errorf("%q, confounded by %v", p.Says, p.ConfoundedBy)
	}
	spread := strings.Replace(table, "old,no", "old,yes", 18) // now yes on both sides, no on none
	out, _, _ = ranCompare(t, spread, "--factor", "motor")
	if r := compared(t, out); len(r.Pairs[0].ConfoundedBy) > 0 || r.Fairness[0].State != wire.FairSame {
		t.Errorf("confounded by %v, %+v", r.Pairs[0].ConfoundedBy, r.Fairness)
	}
	unwritten := strings.Replace(table, "old,no", "old,", 18) // on the whole side: nothing tells whether they differ
	out, _, _ = ranCompare(t, unwritten, "--factor", "motor")
	if r := compared(t, out); r.Fairness[0].State != wire.FairUnwritten || len(r.Pairs[0].ConfoundedBy) > 0 || !strings.Contains(strings.Join(r.Doubts, "; "), "not written down: tyres for old") {
		t.Errorf("%+v, doubts %q", r.Fairness, r.Doubts)
	}
	once := strings.Replace(table, "old,no", "old,", 6) // in one trial: the others tell
	out, _, _ = ranCompare(t, once, "--factor", "motor")
	if r := compared(t, out); r.Fairness[0].State != wire.FairDiffers || len(r.Pairs[0].ConfoundedBy) != 1 || !strings.Contains(strings.Join(r.Doubts, "; "), "not written down: tyres for 1 of 3 trials of old") {
		t.Errorf("%+v, doubts %q", r.Fairness, r.Doubts)
	}
}

func TestCompareSameAndUnknown(t *testing.T) {
	table := lapsOf("motor", "20.00,a", "20.03,b", "20.02,a", "20.01,b", "20.01,a", "20.02,b", "20.02,a", "20.0,b")
	out, _, _ := ranCompare(t, table, "--factor", "motor", "--margin", "0.2")
	if p := compared(t, out).Pairs[0]; p.Verdict != wire.VerdictSame || *p.Margin != 0.2 || *p.Equivalence >= 0.05 {
		t.Errorf("%+v", p)
	}
	out, _, _ = ranCompare(t, table, "--factor", "motor")
	if p := compared(t, out).Pairs[0]; p.Verdict != wire.VerdictUnknown || p.Margin != nil || p.MoreTrials == nil && p.MoreWhy == "" {
		t.Errorf("%+v", p)
	}
	wide := lapsOf("motor", "20.0,a", "20.4,b", "20.9,a", "21.0,b", "20.2,a", "21.3,b")
	out, _, _ = ranCompare(t, wide, "--factor", "motor")
	p := compared(t, out).Pairs[0]
	if p.Verdict != wire.VerdictUnknown || p.MoreTrials == nil || *p.MoreTrials < 1 || *p.MoreTrials > 20 || !strings.Contains(p.Says, "more trials of each") {
		t.Errorf("%+v", p)
	}
}

func TestCompareOneTrialASide(t *testing.T) {
	out, _, _ := ranCompare(t, lapsOf("motor", "20,a", "21,b"), "--factor", "motor")
	p := compared(t, out).Pairs[0]
	if p.Unit != wire.UnitLap || p.Verdict != wire.VerdictAFaster || p.MoreTrials != nil || !strings.Contains(p.Says, "how trials scatter is not known") {
		t.Errorf("%+v", p)
	}
}

// One line for each value of the column; a comparison that cannot be made is told of, and
// the others are.
func TestCompareInBatches(t *testing.T) {
	table := lapsOf("motor,meet", "20,a,m1", "21,b,m1", "20.1,a,m1", "21.2,b,m1", "20,a,m2", "20.5,b,m3", "21,a,m3")
	out, errs, exit := ranCompare(t, table, "--factor", "motor", "--pairs", "meet")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if exit != exitBad || len(lines) != 3 || !strings.Contains(errs, "m2: fewer than two sides") {
		t.Fatalf("exit %d, %d lines: %s", exit, len(lines), errs)
	}
	for i, want := range []string{"m1", "m2", "m3"} {
		if r := compared(t, lines[i]); r.Pair != want || len(r.Pairs) != map[bool]int{true: 0, false: 1}[want == "m2"] {
			t.Errorf("line %d: %+v", i, r)
		}
	}
}

func TestCompareOfSeveral(t *testing.T) {
	table := lapsOf("motor", "20.0,a", "20.1,b", "22.0,c", "20.1,a", "20.0,b", "22.1,c", "20.1,a", "20.2,b", "21.9,c")
	r := compared(t, first3(ranCompare(t, table, "--factor", "motor")))
	if len(r.Pairs) != 3 || r.Overall == nil || *r.Overall.P > 0.001 {
		t.Fatalf("%d pairs, overall %+v", len(r.Pairs), r.Overall)
	}
	for i, want := range []string{"a", "a", "b"} {
		if r.Sides[i].Letters != want {
			t.Errorf("%s has letters %q, want %q", r.Sides[i].Level, r.Sides[i].Letters, want)
		}
	}
}

func first3(out, _ string, _ int) string { return out }

// Bad rows are told of by file, line and column; the rest is compared.
func TestCompareTellsOfBadRows(t *testing.T) {
	table := lapsOf("motor", "20,a", "21,b", "20.1,a", "21.1,b") + "t5,1,fast,a\nt5,2,,a\nt5,3,-4,a\n"
	out, errs, exit := ranCompare(t, table, "--factor", "motor")
	for _, want := range []string{`laps.csv:26: lap_time_s: "fast" is not a number`, "laps.csv:27: lap_time_s: is empty", "laps.csv:28: lap_time_s: -4 is not above 0"} {
		if !strings.Contains(errs, want) {
			t.Errorf("%q is not in %q", want, errs)
		}
	}
	if r := compared(t, out); exit != exitBad || len(r.Pairs) != 1 {
		t.Errorf("exit %d, %+v", exit, r.Pairs)
	}
	for _, c := range [][]string{{}, {"--factor", "gear"}, {"--factor", "motor", "--measure", "noise"}, {"--factor", "motor", "--margin", "-1"}, {"--factor", "motor", "--a", "a"}} {
		if _, errs, exit := ranCompare(t, table, c...); exit != exitUsage {
			t.Errorf("%v: exit %d: %s", c, exit, errs)
		}
	}
	if _, errs, exit := ranCompare(t, "trial,lap\n1,1\n", "--factor", "lap"); exit != exitBad || !strings.Contains(errs, "no column") {
		t.Errorf("without a measure: exit %d: %s", exit, errs)
	}
}

// Laps that do not count are counted, and not compared.
func TestCompareHeedsWhatCounts(t *testing.T) {
	var b strings.Builder
	b.WriteString("trial;Lap time [ms];motor;counts\n")
	for i, m := range []string{"a", "b", "a", "b"} {
		fmt.Fprintf(&b, "%d;90000;%s;warmup\n%d;20100,5;%s;yes\n%d;20%d00;%s;\n", i, m, i, m, i, i, m)
	}
	r := compared(t, first3(ranCompare(t, b.String(), "--factor", "motor")))
	if r.Trials[0].Left != 1 || len(r.Trials[0].Laps) != 2 || r.Trials[0].Laps[0] != 20.1005 {
		t.Errorf("%+v", r.Trials[0])
	}
}

// Headings as people write them are known; what is missing is said with what there is.
func TestCompareReadsHeadings(t *testing.T) {
	table := lapsOf("motor", "20,a", "21,b", "20.1,a", "21.1,b")
	want := *compared(t, first3(ranCompare(t, table, "--factor", "motor"))).Pairs[0].Difference.Value
	for _, head := range []string{"Versuch,Runde,Rundenzeit (s),Motor", "Run,Lap,Time (s),motor", "Fahrt,Runde,Zeit,Motor", "trial,lap,LapTime,motor", "Club evening,,,\ntrial,lap,Lap time [s],motor"} {
		r := compared(t, first3(ranCompare(t, strings.Replace(table, "trial,lap,lap_time_s,motor", head, 1), "--factor", "motor")))
		if len(r.Pairs) != 1 || *r.Pairs[0].Difference.Value != want {
			t.Errorf("%s: %+v", head, r.Pairs)
		}
		told := strings.Contains(strings.Join(r.Doubts, ";"), "is taken for lap times")
		if told != (strings.Contains(head, ",Time") || strings.Contains(head, ",Zeit")) {
			t.Errorf("%s: doubts %q", head, r.Doubts)
		}
	}
	_, errs, _ := ranCompare(t, strings.Replace(table, "lap_time_s", "Dauer", 1), "--factor", "motor")
	if !strings.Contains(errs, "laps.csv:1: there is no column of lap times (lap_time_s") || !strings.Contains(errs, "the columns are trial, lap, Dauer, motor") {
		t.Errorf("without a measure: %s", errs)
	}
	if _, errs, _ := ranCompare(t, strings.Replace(table, "trial", "Gang", 1), "--factor", "motor"); !strings.Contains(errs, "there is no column trial (or run)") || !strings.Contains(errs, "Gang, lap, lap_time_s, motor") {
		t.Errorf("without a trial: %s", errs)
	}
}

// What is typed amiss is said shortly; a decimal comma is none of it.
func TestCompareOptions(t *testing.T) {
	table := lapsOf("motor", "20,a", "21,b", "20.1,a", "21.1,b")
	r := compared(t, first3(ranCompare(t, table, "--factor", "motor", "--margin", "0,3")))
	if *r.Pairs[0].Margin != 0.3 {
		t.Errorf("margin %v", r.Pairs[0].Margin)
	}
	t.Chdir(t.TempDir())
	for _, flag := range []string{"--svg", "--sheet"} {
		out, errs, exit := ranCompare(t, table, "--factor", "motor", flag, "-")
		if _, err := os.Stat("-"); err == nil || exit != exitUsage || out != "" || strings.Count(errs, "\n") != 1 || !strings.Contains(errs, "want the name of a file") {
			t.Errorf("%s -: exit %d, %q, a file: %v", flag, exit, errs, err == nil)
		}
	}
	if _, errs, exit := ranCompare(t, "", "--factor", "motor"); exit != exitBad || !strings.Contains(errs, "laps.csv holds no rows") || strings.Contains(errs, "there are") {
		t.Errorf("an empty file: exit %d: %s", exit, errs)
	}
}

// The table of pairs has the difference without what it was adjusted for beside it, and
// nothing where nothing was.
func TestCompareTableHasUnadjusted(t *testing.T) {
	charged := lapsOf("motor,battery_v", "20.0,a,12.0", "20.4,b,11.6", "19.9,a,12.1", "20.5,b,11.5", "19.8,a,12.2", "20.3,b,11.7", "19.7,a,12.3", "20.2,b,11.8")
	for table, want := range map[string]bool{charged: true, lapsOf("motor", "20,a", "21,b", "20.1,a", "21.1,b"): false} {
		adjusted := compared(t, first3(ranCompare(t, table, "--factor", "motor"))).Pairs[0].Unadjusted
		rows, err := csv.NewReader(strings.NewReader(first3(ranCompare(t, table, "--factor", "motor", "--csv")))).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatal(err, rows)
		}
		var got []string
		for i, head := range rows[0] {
			if strings.HasPrefix(head, "unadjusted") {
				got = append(got, rows[1][i])
			}
		}
		if !want && (adjusted != nil || strings.Join(got, "") != "") {
			t.Errorf("not adjusted: %v, %v", adjusted, got)
		}
		if want && (adjusted == nil || len(got) != 3 || got[0] != fmt.Sprintf("%.6f", *adjusted.Value) || got[1] != fmt.Sprintf("%.6f", *adjusted.Lo) || got[2] != fmt.Sprintf("%.6f", *adjusted.Hi)) {
			t.Errorf("adjusted: %v, %v", adjusted, got)
		}
	}
}

// Tables with a column a lap, or a column a locomotive, are told from others, and how one row
// a lap looks is shown by two rows of their own.
func TestCompareShowsOneRowALap(t *testing.T) {
	for _, c := range []struct{ name, table, want string }{
		{"a column a lap", "Run,Loco,Lap 1,Lap 2,Lap 3\n1,heron,12.5,12.4,12.6\n2,swift,12.1,12.0,12.2\n",
			"laps.csv:1: each lap has a column of its own (Lap 1, Lap 2, Lap 3): one row a lap is read, so write\n    trial,lap,Loco,lap_time_s\n    1,1,heron,12.5\n    1,2,heron,12.4\n"},
		{"a column a lap, in German", "Fahrt;Runde 1 (s);Runde 2 (s);Loco\n7;12,5;12,4;heron\n8;12,1;;swift\n",
			"laps.csv:1: each lap has a column of its own (Runde 1 (s), Runde 2 (s)): one row a lap is read, so write\n    trial;lap;Loco;lap_time_s\n    7;1;heron;12,5\n    7;2;heron;12,4\n"},
		{"a column a locomotive", "Lap,heron,swift\n1,12.5,12.1\n2,12.4,12.0\n",
			"laps.csv: the columns heron, swift look like one for each loco: one row a lap is read, so write\n    trial,lap,loco,lap_time_s\n    1,1,heron,12.5\n    2,1,swift,12.1\nwhere trial names"},
		{"a column a locomotive, a row a run", "Run,heron,swift,load_g\n1,12.5,12.1,20\n2,12.4,12.0,20\n",
			"the columns heron, swift look like one for each loco: one row a lap is read, so write\n    trial,loco,lap_time_s\n    1a,heron,12.5\n    1b,swift,12.1\n"},
	} {
		if _, errs, exit := ranCompare(t, c.table, "--factor", "loco"); exit == exitOK || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit %d, said\n%s", c.name, exit, errs)
		}
	}
	for _, table := range []string{"run,loco,load_g,weather\n1,heron,500,2\n2,swift,500,3\n", "run,speed_mm_s,loco,x,y\n1,300,heron,5,6\n2,310,swift,5,6\n", "Run,Gate 1,Gate 2\n1,0.5,0.6\n"} {
		if _, errs, _ := ranCompare(t, table, "--factor", "loco"); strings.Contains(errs, "one row a lap is read") {
			t.Errorf("%q: said\n%s", table, errs)
		}
	}
}
