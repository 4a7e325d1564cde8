package scoring_test

import (
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/scoring"
)

// ranIn is a session with two trials, run-1 of one locomotive and run-2 of another.
func ranIn(id string) wire.Results {
	r := wire.Results{Session: &wire.Session{ID: id, Circuit: "oval"}}
	for i, train := range []string{"alder", "birch"} {
		t := wire.TrialResult{Trial: []string{"run-1", "run-2"}[i], Train: train, State: "closed", About: &wire.Trial{}}
		for lap := range 5 {
			t.Laps = append(t.Laps, wire.Lap{Lap: lap, LapTimeS: 20 + float64(i) + 0.01*float64(lap*3%5), Counts: wire.CountsYes, Final: true})
		}
		r.Trials = append(r.Trials, t)
	}
	return r
}

// Two sessions have a run-1 each: either can be left out or taken alone, by session and id.
func TestTrialsAreNamedWithTheirSession(t *testing.T) {
	for _, c := range []struct {
		name        string
		leave, only []string
		want        []string
	}{
		{"all", nil, nil, []string{"evening/run-1", "evening/run-2", "morning/run-1", "morning/run-2"}},
		{"one left out", []string{"evening/run-1"}, nil, []string{"evening/run-2", "morning/run-1", "morning/run-2"}},
		{"an id leaves both out", []string{"run-1"}, nil, []string{"evening/run-2", "morning/run-2"}},
		{"some taken", nil, []string{"evening/run-1", "run-2"}, []string{"evening/run-1", "evening/run-2", "morning/run-2"}},
		{"taken and left out", []string{"morning/run-2"}, []string{"morning/run-1", "run-2"}, []string{"evening/run-2", "morning/run-1"}},
	} {
		ask := wire.CompareAsk{Factor: wire.ByDirection, Leave: c.leave, Trials: c.only}
		sessions := []wire.Results{ranIn("morning"), ranIn("evening")}
		for i := range sessions {
			for k := range sessions[i].Trials {
				sessions[i].Trials[k].About.Direction = []string{"forward", "reverse"}[k]
			}
		}
		out, err := scoring.HeldAgainst(ask, sessions, nil, map[string]map[string]string{})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for i, s := range sessions {
			for _, trial := range s.Trials {
				got = append(got, out.Sessions[i].ID+"/"+trial.Trial)
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	out, err := scoring.HeldAgainst(wire.CompareAsk{Factor: wire.ByLocomotive, Leave: []string{"evening/run-1"}}, []wire.Results{ranIn("morning"), ranIn("evening")}, nil, map[string]map[string]string{})
	if err != nil || len(out.Result.Trials) != 3 {
		t.Fatalf("%v %+v", err, out.Result.Trials)
	}
	for _, trial := range out.Result.Trials {
		if trial.Trial != trial.Session+" run-1" && trial.Trial != trial.Session+" run-2" || trial.Trial == "evening run-1" {
			t.Errorf("%+v", trial)
		}
	}
}

// onDays is two sessions, of two trials each of a locomotive named for each.
func onDays(first, second [2]string) []wire.Results {
	days := []wire.Results{ranIn("tue-1"), ranIn("tue-2")}
	for i, of := range [][2]string{first, second} {
		days[i].Session.Name = []string{"First Tuesday", "Second Tuesday"}[i]
		for k, train := range of {
			x := &days[i].Trials[k]
			x.Train = train
			for lap := range x.Laps {
				x.Laps[lap].LapTimeS = 20 + float64(len(train)) + 0.3*float64(i) + 0.01*float64(lap*3%5+k)
			}
		}
	}
	return days
}

// Of several sessions, which one a trial was run in is a condition: what confounds, what is
// compared, and the rounds.
func TestSessionsAreAConditionOfTrials(t *testing.T) {
	ask := func(ask wire.CompareAsk, days []wire.Results) wire.CompareAnswer {
		t.Helper()
		out, err := scoring.HeldAgainst(ask, days, nil, map[string]map[string]string{})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	apart := ask(wire.CompareAsk{}, onDays([2]string{"heron", "heron"}, [2]string{"heronb", "heronb"})).Result
	if p := apart.Pairs[0]; apart.Factor != wire.ByLocomotive || !slices.Equal(p.ConfoundedBy, []string{wire.BySession}) || !strings.Contains(p.Says, "differed in session too") {
		t.Errorf("each on a day of its own: %q, confounded by %v", p.Says, p.ConfoundedBy)
	}
	mixed := onDays([2]string{"heron", "heronb"}, [2]string{"heronb", "heron"})
	rounds := ask(wire.CompareAsk{Factor: wire.ByLocomotive, Block: wire.BySession}, mixed)
	if p := rounds.Result.Pairs[0]; p.Unit != wire.UnitBlock || rounds.Result.Trials[0].Block != "First Tuesday" {
		t.Errorf("in rounds of sessions: unit %s, trials %+v, doubts %q", p.Unit, rounds.Result.Trials, rounds.Result.Doubts)
	}
	days := ask(wire.CompareAsk{Factor: wire.BySession, A: "tue-1", B: "tue-2"}, onDays([2]string{"heron", "heronb"}, [2]string{"heron", "heronb"})).Result
	if len(days.Sides) != 2 || days.Sides[0].Level != "First Tuesday" || days.Sides[0].ID != "tue-1" || days.Sides[0].Trials != 2 {
		t.Errorf("by session: %+v, doubts %q", days.Sides, days.Doubts)
	}
	at := slices.IndexFunc(rounds.Factors, func(f wire.CompareFactor) bool { return f.Name == wire.BySession })
	if at < 0 || !slices.Equal(rounds.Factors[at].Called, []string{"First Tuesday", "Second Tuesday"}) {
		t.Errorf("to be compared by are %+v", rounds.Factors)
	}
	alone := ask(wire.CompareAsk{}, onDays([2]string{"heron", "heron"}, [2]string{"heronb", "heronb"})[:1]).Result
	if slices.ContainsFunc(alone.Fairness, func(f wire.FairnessRow) bool { return f.Condition == wire.BySession }) {
		t.Errorf("of one session alone: %+v", alone.Fairness)
	}
	same := ask(wire.CompareAsk{}, onDays([2]string{"heron", "heron"}, [2]string{"heron", "heron"})).Result
	if same.Factor != wire.BySession {
		t.Errorf("where nothing else differs it compares by %s", same.Factor)
	}
}

// Vans that were pushed off, with the locomotive aside, are no laps of it.
func TestCoastingTrialsAreNotCompared(t *testing.T) {
	r := ranIn("morning")
	for i, coast := range []any{"yes", true, "no"} {
		x := ranIn("morning").Trials[0]
		x.Trial, x.About = []string{"push-1", "push-2", "run-3"}[i], &wire.Trial{Conditions: map[string]any{wire.CondCoast: coast}}
		r.Trials = append(r.Trials, x)
	}
	void := ranIn("morning").Trials[0]
	void.About = &wire.Trial{Void: true, Conditions: map[string]any{wire.CondCoast: "yes"}}
	r.Trials = append(r.Trials, void)
	out, err := scoring.HeldAgainst(wire.CompareAsk{}, []wire.Results{r}, nil, map[string]map[string]string{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range out.Result.Trials {
		got = append(got, x.Trial)
	}
	if !slices.Equal(got, []string{"run-1", "run-3", "run-2"}) || out.Sessions[0].Trials != 3 {
		t.Errorf("compared %v of %+v", got, out.Sessions)
	}
	if says := strings.Join(out.Result.Doubts, "\n"); !strings.Contains(says, "2 coasting trial(s) left out") {
		t.Errorf("doubts %s", says)
	}
	if slices.ContainsFunc(out.Factors, func(f wire.CompareFactor) bool { return f.Name == wire.CondCoast }) {
		t.Errorf("to be compared by are %+v", out.Factors)
	}
}

// Locomotives stand in verdicts and tables by the names of the roster, and those that bear
// one name with their ids; what may be asked for stays their ids.
func TestComparedByTheNamesOfTheRoster(t *testing.T) {
	sessions := func() []wire.Results {
		r := ranIn("morning")
		r.Locomotives = []wire.Locomotive{{ID: "birch", Name: "As it was"}, {ID: "gone", Name: "Gone"}}
		r.Trials = append(r.Trials, ranIn("morning").Trials...)
		for i := range r.Trials {
			r.Trials[i].Trial += []string{"", "", "-again", "-again"}[i]
		}
		return []wire.Results{r}
	}
	for _, c := range []struct {
		roster map[string]string
		want   []string // of alder and birch
	}{
		{map[string]string{"alder": "Alder Tree", "birch": ""}, []string{"Alder Tree", "birch"}},
		{map[string]string{"alder": "Tree", "birch": "tree"}, []string{"Tree (alder)", "tree (birch)"}},
		{map[string]string{"alder": "birch", "birch": ""}, []string{"birch (alder)", "birch"}},
		{map[string]string{"alder": "Gone"}, []string{"Gone (alder)", "As it was"}},
		{map[string]string{"alder": "A (birch)", "birch": "A", "other": "A"}, []string{"A (birch) (alder)", "birch"}},
		{nil, []string{"alder", "As it was"}},
	} {
		roster := map[string]map[string]string{wire.ByLocomotive: c.roster}
		if c.roster == nil {
			roster = map[string]map[string]string{}
		}
		out, err := scoring.HeldAgainst(wire.CompareAsk{Factor: wire.ByLocomotive}, sessions(), nil, roster)
		if err != nil || len(out.Result.Pairs) != 1 {
			t.Fatalf("%v: %v %+v", c.roster, err, out.Result)
		}
		got := map[string]string{}
		for _, side := range out.Result.Sides {
			got[side.ID] = side.Level
			if p := out.Result.Pairs[0]; !strings.Contains(p.Says, side.Level) || p.A != side.Level && p.B != side.Level {
				t.Errorf("%v: %q does not say %q", c.roster, p.Says, side.Level)
			}
		}
		if got["alder"] != c.want[0] || got["birch"] != c.want[1] {
			t.Errorf("%v: called %v, want %q", c.roster, got, c.want)
		}
		f := out.Factors[0]
		if !slices.Equal(f.Values, []string{"alder", "birch"}) || !slices.Equal(f.Called, c.want) {
			t.Errorf("%v: to be asked for are %+v, want %q", c.roster, f, c.want)
		}
		for _, ask := range [][2]string{{"birch", "alder"}, {c.want[1], c.want[0]}} {
			if c.roster["alder"] == "birch" {
				continue // an id goes before a name
			}
			one, err := scoring.HeldAgainst(wire.CompareAsk{Factor: wire.ByLocomotive, A: ask[0], B: ask[1]}, sessions(), nil, roster)
			if err != nil || len(one.Result.Pairs) != 1 || one.Result.Pairs[0].A != c.want[1] {
				t.Errorf("%v: asked for %q: %v %+v", c.roster, ask, err, one.Result.Pairs)
			}
		}
	}
	roster := map[string]map[string]string{wire.ByLocomotive: {"alder": "Alder Tree"}}
	all := sessions()
	for i := range all[0].Trials {
		all[0].Trials[i].About.Direction = []string{"forward", "reverse"}[i%2]
	}
	out, err := scoring.HeldAgainst(wire.CompareAsk{Factor: wire.ByDirection}, all, nil, roster)
	for _, row := range out.Result.Fairness {
		if err != nil || row.Condition == wire.ByLocomotive && !slices.Equal(row.Values, []string{"Alder Tree", "As it was"}) {
			t.Errorf("%v %+v", err, row)
		}
	}
}
