package comparison_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/comparison"
)

// session is results of trials of two batteries: means, direction, and laps of which the
// first does not count.
func session() wire.Results {
	r := wire.Results{Session: &wire.Session{ID: "s1", Circuit: "oval"}}
	for k := range 6 {
		battery, mean := []string{"old", "new"}[k%2], []float64{20, 19.5}[k%2]
		t := wire.TrialResult{
			Trial: fmt.Sprint("t", k), Train: "loco",
			About: &wire.Trial{Battery: battery, Direction: "forward", Conditions: map[string]any{"throttle_permille": 600.0, "temperature_c": 20 + float64(k)/10}},
		}
		for lap := range 6 {
			counts := wire.CountsYes
			if lap == 0 {
				counts = wire.CountsWarmup
			}
			s := mean + 0.01*float64((lap*7+k*5)%11)
			t.Laps = append(t.Laps, wire.Lap{Lap: lap, StartUs: int64(k*1e9) + int64(lap)*2e7, LapTimeS: s, SpeedMmS: 4000 / s, Counts: counts, Final: true})
		}
		r.Trials = append(r.Trials, t)
	}
	return r
}

func TestFromResults(t *testing.T) {
	for measure, sign := range map[string]float64{"": 1, comparison.MeasureSpeed: -1} {
		ask := comparison.Ask{Factor: "battery", Measure: measure}
		r, err := comparison.Compare(ask, comparison.FromResults(ask, session()))
		if err != nil {
			t.Fatal(err)
		}
		p := r.Pairs[0]
		if p.A != "new" || p.Verdict != wire.VerdictAFaster || sign**p.Difference.Value < 0 || len(p.ConfoundedBy) > 0 {
			t.Errorf("%+v", p)
		}
		if len(r.Trials) != 6 || r.Trials[0].Left != 1 || len(r.Trials[0].Laps) != 5 {
			t.Errorf("trials %+v", r.Trials)
		}
		states := map[string]string{}
		for _, f := range r.Fairness {
			states[f.Condition] = f.State
		}
		for name, want := range map[string]string{
			"locomotive": wire.FairSame, "circuit": wire.FairSame, "direction": wire.FairSame, "throttle_permille": wire.FairSame,
			"temperature_c": wire.FairVaries, "consist": wire.FairUnwritten,
		} {
			if states[name] != want {
				t.Errorf("%s: %q, want %q", name, states[name], want)
			}
		}
		if len(r.Adjusted) != 1 || r.Adjusted[0].Covariate != "order" {
			t.Errorf("adjusted for %+v", r.Adjusted)
		}
	}
}

func sheet(t *testing.T, name, text string) comparison.File {
	t.Helper()
	s, bad := wire.ReadSheet(text, comparison.Columns)
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	return comparison.File{Name: name, Sheet: s}
}

// Trials of two files that go by one name are two; a name under both levels is one of each.
func TestTrialsByName(t *testing.T) {
	a := sheet(t, "a.csv", "trial,lap_time_s,motor\n1,20,old\n1,20.1,old\n2,21,new\n2,21.1,new\n")
	b := sheet(t, "b.csv", "trial,lap_time_s,motor\n1,20.2,old\n1,20.3,old\n3,21.3,new\n3,21.2,new\n")
	ask := comparison.Ask{Factor: "motor"}
	sets, bad := comparison.FromSheets(ask, []comparison.File{a, b})
	if len(bad) > 0 || len(sets) != 1 || len(sets[0].Trials) != 4 {
		t.Fatalf("%v %+v", bad, sets)
	}
	both := sheet(t, "c.csv", "trial,lap_time_s,motor\n1,20,old\n1,20.1,old\n1,21,new\n1,21.1,new\n")
	sets, _ = comparison.FromSheets(ask, []comparison.File{both})
	if len(sets[0].Trials) != 2 || sets[0].Trials[0].Name != "1 (old)" || len(sets[0].Doubts) != 1 {
		t.Errorf("%+v", sets[0])
	}
}

// Words that differ within a trial are no condition; the place in the day may come of instants.
func TestConditionsAndOrder(t *testing.T) {
	f := sheet(t, "a.csv", "trial,lap,start_us,lap_time_s,motor,load_g,note\n1,1,100,20,old,500,x\n1,2,120,20.1,old,500,y\n2,1,50,21,new,500,x\n2,2,70,21.1,new,500,x\n")
	sets, _ := comparison.FromSheets(comparison.Ask{Factor: "motor"}, []comparison.File{f})
	s := sets[0]
	if len(s.Doubts) != 1 || !strings.HasPrefix(s.Doubts[0], "note varies within trials") {
		t.Errorf("doubts %q", s.Doubts)
	}
	if fmt.Sprint(s.Conditions) != "[load_g]" || fmt.Sprint(s.Trials[0].Order, s.Trials[1].Order) != "[3 4] [1 2]" {
		t.Errorf("%v %v %v", s.Conditions, s.Trials[0].Order, s.Trials[1].Order)
	}
}

// Laps that a battery alone drives, noted on each lap: the trial's mean of it is adjusted
// for, and no difference is left. A sector's time is none to adjust for.
func TestANumberNotedOnEachLap(t *testing.T) {
	var b strings.Builder
	b.WriteString("loco,trial,lap,order,lap_time_s,battery_v,sector_1_s,counts\n")
	order := 0
	for k := range 12 {
		volts := []float64{12.4, 11.6}[k%2] + 0.04*float64(k*5%7)
		for lap := range 6 {
			order++
			v, counts := volts-0.02*float64(lap), "yes"
			if lap == 0 {
				v, counts = 20, "warmup"
			}
			fmt.Fprintf(&b, "%c,t%d,%d,%d,%.4f,%.2f,%.3f,%s\n", 'A'+k%2, k, lap, order, 32-v+0.003*float64((k*7+lap*3)%11), v, 10-v/3, counts)
		}
	}
	ask := comparison.Ask{Factor: "loco"}
	sets, bad := comparison.FromSheets(ask, []comparison.File{sheet(t, "a.csv", b.String())})
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	r, err := comparison.Compare(ask, sets[0])
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Fairness) != 1 || r.Fairness[0].Condition != "battery_v" || r.Fairness[0].State != wire.FairAdjusted {
		t.Fatalf("fairness %+v", r.Fairness)
	}
	if d := *r.Pairs[0].Difference.Value; math.Abs(d) > 0.05 || *r.Pairs[0].Unadjusted.Value < 0.7 {
		t.Errorf("difference %g, unadjusted %g", d, *r.Pairs[0].Unadjusted.Value)
	}
	if says := strings.Join(r.Doubts, "\n"); !strings.Contains(says, "battery in V varies within trials: the mean") || !strings.Contains(says, "sector 1 in s varies within trials and is a time") {
		t.Errorf("doubts %s", says)
	}
}

// A row that stands twice is told of, by its lines.
func TestRowsThatStandTwice(t *testing.T) {
	f := sheet(t, "a.csv", "trial,lap,lap_time_s,motor\n1,1,20,old\n1,2,20.1,old\n1,2,20.1,old\n2,1,21,new\n2,2,21.1,new\n")
	sets, _ := comparison.FromSheets(comparison.Ask{Factor: "motor"}, []comparison.File{f})
	if d := sets[0].Doubts; len(d) != 1 || !strings.Contains(d[0], "1 row(s)") || !strings.Contains(d[0], "lap 2 of trial 1 in a.csv:3 and a.csv:4") {
		t.Errorf("doubts %q", d)
	}
	once := sheet(t, "a.csv", "trial,lap_time_s,motor\n1,20,old\n1,20,old\n2,21,new\n2,21,new\n")
	sets, _ = comparison.FromSheets(comparison.Ask{Factor: "motor"}, []comparison.File{once})
	if len(sets[0].Doubts) > 0 {
		t.Errorf("without lap numbers: %q", sets[0].Doubts)
	}
}

// Trials that a column coast says rolled by themselves are left out, and counted.
func TestCoastingRowsAreLeftOut(t *testing.T) {
	f := sheet(t, "a.csv", "trial,lap_time_s,loco,coast\n1,20,a,no\n2,21,b,\n3,7,a,yes\n3,8,a,yes\n4,7,a,Yes\n5,20.1,a,no\n")
	sets, bad := comparison.FromSheets(comparison.Ask{Factor: "loco"}, []comparison.File{f})
	if s := sets[0]; len(bad) > 0 || len(s.Trials) != 3 || len(s.Doubts) != 1 || !strings.HasPrefix(s.Doubts[0], "2 coasting trial(s) left out") {
		t.Errorf("%v %+v", bad, s)
	}
}

// Averages below a table, or between its trials, are no laps; what only reads like one is.
func TestAveragesAreNoLaps(t *testing.T) {
	f := sheet(t, "a.csv", "Run;Lap;Tyres;Time (s)\n1;1;new;12,5\n1;2;new;12,4\n1;Mittel:;new;12,45\n2;1;old;12,9\nBest tyres;1;old;12,7\nMeander;1;new;12,2\nAverage;;new;12,35\nMean old;;old;12,8\nTOTAL 1;;old;50\nBest;;old;12,1\n")
	sets, bad := comparison.FromSheets(comparison.Ask{Factor: "tyres"}, []comparison.File{f})
	var names []string
	for _, trial := range sets[0].Trials {
		names = append(names, fmt.Sprint(trial.Name, len(trial.Laps)))
	}
	if len(bad) > 0 || strings.Join(names, ", ") != "12, 21, Best tyres1, Meander1" {
		t.Errorf("%v, trials %q", bad, names)
	}
	if says := strings.Join(sets[0].Doubts, "\n"); !strings.Contains(says, `5 row(s) are left out as averages or totals of others, by their name: "Mittel:" in a.csv:4, "Average" in a.csv:8, "Mean old" in a.csv:9 and 2 more`) {
		t.Errorf("doubts %s", says)
	}
	only := sheet(t, "a.csv", "Run;Tyres;Time (s)\nAverage;new;12,5\nAverage;old;12,4\n")
	if sets, bad := comparison.FromSheets(comparison.Ask{Factor: "tyres"}, []comparison.File{only}); len(sets) > 0 || len(bad) != 1 || !strings.Contains(bad[0].Reason, "2 row(s) are left out") {
		t.Errorf("of averages alone: %v %v", sets, bad)
	}
}

// A covariate that was asked for is adjusted for, or a doubt says why it is not.
func TestCovariatesAskedForAreAnswered(t *testing.T) {
	row := func(trial int, motor string, volts float64) string {
		return fmt.Sprintf("%d,%.2f,%s,%g,%d\n", trial, 30-volts+0.01*float64(trial*7%5), motor, volts, trial%2)
	}
	two := row(1, "old", 12) + row(2, "new", 12.2) + row(3, "old", 11.8) + row(4, "new", 11.9) + row(5, "old", 11.7) + row(6, "new", 12.3) + row(7, "old", 12.4) + row(8, "new", 11.6)
	for _, c := range []struct {
		name, rows string
		ask        comparison.Ask
		want       string
	}{
		{"a lone third side", two + row(9, "third", 12), comparison.Ask{}, "battery in V is not adjusted for: third has one trial"},
		{"rounds", two, comparison.Ask{Block: "pair"}, "battery in V is not adjusted for: trials are compared within rounds"},
		{"the rounds themselves", two, comparison.Ask{Block: "battery_v"}, "battery in V is not adjusted for: the trials are compared within its rounds"},
		{"used", two, comparison.Ask{}, ""},
	} {
		c.ask.Factor, c.ask.Covariates = "motor", []string{"battery_v"}
		sets, bad := comparison.FromSheets(c.ask, []comparison.File{sheet(t, "a.csv", "trial,lap_time_s,motor,battery_v,pair\n"+c.rows)})
		if len(bad) > 0 {
			t.Fatal(bad)
		}
		r, err := comparison.Compare(c.ask, sets[0])
		used := slices.ContainsFunc(r.Adjusted, func(a wire.AdjustedFor) bool { return a.Covariate == "battery_v" })
		said := slices.DeleteFunc(r.Doubts, func(d string) bool { return !strings.HasPrefix(d, "battery in V ") })
		if err != nil || used != (c.want == "") || len(said) > 1 || !strings.HasPrefix(strings.Join(said, ""), c.want) {
			t.Errorf("%s: %v, adjusted %v, %q", c.name, err, used, said)
		}
	}
	ask := comparison.Ask{Factor: "battery", Covariates: []string{"humidity", "battery"}}
	r, err := comparison.Compare(ask, comparison.FromResults(ask, session()))
	if says := strings.Join(r.Doubts, "\n"); err != nil || !strings.Contains(says, "humidity is not adjusted for: of these trials nothing") || !strings.Contains(says, "battery is not adjusted for: it is what is compared") {
		t.Errorf("%v, %s", err, says)
	}
}

// A heading without a unit is told of with the unit that it was read in; one that states
// its unit is not said to be in another.
func TestUnitsThatHeadingsLeaveOut(t *testing.T) {
	for _, c := range []struct{ head, one, two, want string }{
		{"Speed", "1.5", "1.7", `a.csv: the column "Speed" is taken for speeds in mm/s, as it states no unit`},
		{"Geschwindigkeit", "1.5", "1.7", `a.csv: the column "Geschwindigkeit" is taken for speeds in mm/s, as it states no unit`},
		{"Speed (m/s)", "1.5", "1.7", ""},
		{"speed_mm_s", "150", "170", ""},
		{"Speed", "1.5 m/s", "1.7 m/s", ""},
		{"Time", "12.5", "12.7", `a.csv: the column "Time" is taken for lap times in s, as it states no unit`},
		{"Time (ms)", "12500", "12700", `a.csv: the column "Time (ms)" is taken for lap times`},
		{"lap_time_s", "12.5", "12.7", ""},
	} {
		sets, bad := comparison.FromSheets(comparison.Ask{Factor: "loco"}, []comparison.File{sheet(t, "a.csv", "run,loco,"+c.head+"\n1,a,"+c.one+"\n2,b,"+c.two+"\n")})
		if got := strings.Join(sets[0].Doubts, "\n"); len(bad) > 0 || got != c.want {
			t.Errorf("%s: %v %q, want %q", c.head, bad, got, c.want)
		}
	}
}

// A trial under two levels and under none, and a level that there is not, are told of by name.
func TestLevelsThatAreNot(t *testing.T) {
	f := sheet(t, "a.csv", "trial,lap_time_s,motor\n1,20,new\n2,20.1,old\n2,20.2,Old\n2,20.3,\n3,20,new\n3,20,\n")
	ask := comparison.Ask{Factor: "motor"}
	sets, _ := comparison.FromSheets(ask, []comparison.File{f})
	if got := sets[0].Doubts; len(got) != 1 || got[0] != "trial 2 stands under old and Old: taken as a trial of each; rows of it in which no motor is written down are left out" {
		t.Errorf("%q", got)
	}
	ask.A, ask.B = "new", "nwe"
	_, err := comparison.Compare(ask, sets[0])
	if err == nil || err.Error() != "there is no motor called nwe among the trials with laps that count; there are Old, new, old" {
		t.Errorf("%v", err)
	}
}

// Columns of which nothing was made are named, but for what our own table tells beside.
func TestColumnsThatNothingWasMadeOf(t *testing.T) {
	for _, c := range []struct{ table, want string }{
		{"Run;Loco;Lap time;Class;;Speed (km/h);Load (g);why\n1;a;12,5;N;wet;2;500;\n2;b;12,6;N;;2;500;\n", "nothing was made of Class, Speed (km/h), column 5 of a.csv (without a heading)"},
		{"run,loco,lap_time_s,load_g,\n1,a,12.5,500,\n2,b,12.6,500,\n", ""},
		{"trial,train,lap_time_s,u_s,speed_mm_s,source,counts,u_speed_mm_s,final,class,entrant,loco\n1,x,12.5,0.1,300,measured,yes,1,true,,,a\n2,y,12.6,0.1,300,measured,yes,1,true,,,b\n", ""},
		{"trial,train,lap_time_s,counts,u_speed_mm_s,class,entrant,loco\n1,x,12.5,yes,1,N,,a\n2,y,12.6,yes,1,N,,b\n", "nothing was made of class"},
		{"run,class,lap_time_s\n1,a,12.5\n2,b,12.6\n", ""},
	} {
		ask := comparison.Ask{Factor: "loco"}
		if strings.HasPrefix(c.table, "run,class") {
			ask.Factor = "class"
		}
		sets, bad := comparison.FromSheets(ask, []comparison.File{sheet(t, "a.csv", c.table)})
		if got := strings.Join(sets[0].Doubts, "\n"); len(bad) > 0 || got != c.want {
			t.Errorf("%q: %v %q, want %q", c.table, bad, got, c.want)
		}
	}
}

// A lap that a table calls not final is left out and told of, as on the page.
func TestLapsThatAreNotFinal(t *testing.T) {
	ask := comparison.Ask{Factor: "loco"}
	sets, bad := comparison.FromSheets(ask, []comparison.File{sheet(t, "a.csv", "trial,lap,lap_time_s,counts,final,loco\n1,1,12.5,yes,true,a\n1,2,12.7,yes,false,a\n1,3,12.9,yes,FALSE,a\n1,4,12.9,yes,Falsch,a\n2,1,12.6,yes,,b\n")})
	if len(bad) > 0 || len(sets[0].Trials) != 2 || len(sets[0].Trials[0].Laps) != 1 || sets[0].Trials[0].Left != 3 || len(sets[0].Trials[1].Laps) != 1 || sets[0].Trials[1].Left != 0 {
		t.Errorf("%v %+v", bad, sets)
	}
}

// A condition's key is words in one place, and a result brings those of its columns along.
func TestColumnsBecomeWords(t *testing.T) {
	for column, want := range map[string]string{
		"load_g": "load in g", "battery_v": "battery in V", "temperature_c": "temperature in °C", "throttle_permille": "throttle in permille", "wind_m_s": "wind in m/s",
		"front_mm_s": "front in mm/s", "tyres": "tyres", "driver_set": "driver set", "g": "g", "m_s": "m in s", "order": "place in the day",
	} {
		if got := comparison.Words(column); got != want {
			t.Errorf("%s is %q, want %q", column, got, want)
		}
	}
	ask := comparison.Ask{Factor: "battery"}
	r, err := comparison.Compare(ask, comparison.FromResults(ask, session()))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range append(r.Fairness, wire.FairnessRow{Condition: "battery"}) {
		if r.Words[f.Condition] != comparison.Words(f.Condition) {
			t.Errorf("%s is called %q in the result", f.Condition, r.Words[f.Condition])
		}
	}
}

// Trials of several sessions are told apart by the sessions' names, and by ids as well where
// two bear one.
func TestTrialsBearTheirSessionsNames(t *testing.T) {
	evening, again, unnamed := session(), session(), session()
	evening.Session.Name = "Evening"
	again.Session = &wire.Session{ID: "s2", Name: "evening"}
	unnamed.Session = &wire.Session{ID: "s3"}
	named := func(sessions ...wire.Results) string {
		var names []string
		for _, trial := range comparison.FromResults(comparison.Ask{Factor: "battery"}, sessions...).Trials {
			if strings.HasSuffix(trial.Name, "t0") {
				names = append(names, trial.Name)
			}
		}
		return strings.Join(names, "; ")
	}
	if got := named(evening); got != "t0" {
		t.Errorf("of one session: %s", got)
	}
	if got := named(evening, unnamed); got != "Evening t0; s3 t0" {
		t.Errorf("of two: %s", got)
	}
	if got := named(evening, again); got != "Evening (s1) t0; evening (s2) t0" {
		t.Errorf("of two of one name: %s", got)
	}
}
