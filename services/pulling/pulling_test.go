package pulling_test

import (
	"fmt"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/services/pulling"
)

// judged is what a table shows.
func judged(t *testing.T, text string) wire.PullResult {
	t.Helper()
	as, _, bad := pulling.ReadTable(text)
	if len(bad) > 0 {
		t.Fatalf("%v", bad)
	}
	return pulling.Judge(as, pulling.Options{ScaleG: pulling.DefaultScaleG})
}

// A pull that no wheel gives is doubted, whether it has a limit or not; a common one is not.
func TestPullsBeyondBeliefAreDoubted(t *testing.T) {
	const head = "locomotive,mass_g,load_g,outcome\n"
	for rows, says := range map[string]string{
		"heron,900,9999999,moved\n":                               "times its own weight",
		"heron,900,2240,moved\nheron,900,2260,stalled\n":          "2.5 times its own weight: is the mass, the load or a cord's pulley right?",
		"heron,900,530,moved\nheron,900,550,stalled\n":            "0.6 of its own weight is unusual for wheels without tyres",
		"heron,900,220,moved\nheron,900,230,stalled\n":            "",
		"heron,,9999999,moved\nheron,,99999999,stalled\n":         "",
		"heron,900,9999999,stalled\nheron,900,99999999,stalled\n": "",
	} {
		doubts := strings.Join(judged(t, head+rows).Locomotives[0].Doubts, "; ")
		if says == "" && strings.Contains(doubts, "its own weight") || !strings.Contains(doubts, says) {
			t.Errorf("%q: doubts %q, want %q", rows, doubts, says)
		}
	}
	static := judged(t, "locomotive,mass_g,before_g,at_pull_g\nheron,900,5000,2750\nheron,900,5000,2751\n").Locomotives[0]
	if !strings.Contains(strings.Join(static.Doubts, "; "), "2.5 times its own weight") {
		t.Errorf("by a scale: %q", static.Doubts)
	}
}

// Limits of one locomotive have names of their own, which say what parts them.
func TestLimitsHaveNamesOfTheirOwn(t *testing.T) {
	r := judged(t, `locomotive,mass_g,load_g,outcome,method,direction,set,load_is
heron,900,150,moved,,,,
heron,900,150,moved,,,,train
heron,900,150,moved,static,,,
heron,900,150,moved,,reverse,front,
heron,1000,150,moved,,,,
heron,,150,moved,,,,
otter,700,150,moved,,,,
"otter, moving",700,150,moved,,,,
otter,700,150,moved,,moving,,
`)
	want := []string{
		"heron, moving, 900 g", "heron, moving, train, 900 g", "heron, static, 900 g", "heron, moving, reverse, set front, 900 g", "heron, moving, 1000 g", "heron, moving, mass not told",
		"otter, moving", "otter, moving, moving", "otter, moving, moving (2)",
	}
	for i, l := range r.Locomotives {
		if i >= len(want) || l.Name != want[i] {
			t.Errorf("limit %d is called %q; want all of %q", i, l.Name, want)
		}
	}
}

// Numbers stand as people write them, and one of a thing is one.
func TestDoubtsReadAsAPersonWrites(t *testing.T) {
	r := judged(t, `locomotive,mass_g,load_g,outcome,wheels
heron,,82000000,moved,
heron,,86000000,moved,
otter,,300,stalled,turned
otter,,200,stalled,stopped
wren,,100,moved,
wren,,0,moved,
`)
	static := judged(t, "locomotive,before_g,at_pull_g\nheron,12000000,4000000\n")
	var all []string
	for _, l := range append(r.Locomotives, static.Locomotives...) {
		all = append(append(all, l.Fit), l.Doubts...)
	}
	text := strings.Join(all, "; ")
	for _, want := range []string{"up to 86000000 g", "turned in 1 attempt and stopped in 1", "1 attempt without a load left out", "mean of 1 reading of a scale"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q does not say %q", text, want)
		}
	}
	if strings.Contains(text, "e+") || strings.Contains(text, "1 attempts") {
		t.Errorf("%q", text)
	}
}

// Headings, outcomes and directions are read as people write them.
func TestTablesAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string]string{
		"loco,mass,load,result\nheron,900,200,Yes\nheron,900,300,no\nheron,900,210,OK\nheron,900,310,failed\nheron,900,220,moved!\nheron,900,320,stuck.\n": "moved stalled moved stalled moved stalled",
		"Lok;Masse (kg);Last (g);Ergebnis;direction\nheron;0,9;200;bewegt;vorwärts\nheron;0,9;250,5;stockte;forward\nheron;0,9;300;stand;Forward\n":        "moved struggled stalled",
	} {
		r := judged(t, text)
		var got []string
		for _, a := range r.Locomotives[0].Attempts {
			got = append(got, a.Outcome)
		}
		if strings.Join(got, " ") != want || len(r.Locomotives) != 1 || *r.Locomotives[0].MassG != 900 {
			t.Errorf("%q: %q, %d limits, mass %v; want %q", text, got, len(r.Locomotives), r.Locomotives[0].MassG, want)
		}
	}
	r := judged(t, "locomotive,load_g,outcome,direction\nheron,200,moved,backward\nheron,300,stalled,reverse\nheron,200,moved,Uphill\n")
	if len(r.Locomotives) != 2 || r.Locomotives[0].Direction != "reverse" || r.Locomotives[1].Direction != "Uphill" {
		t.Errorf("%+v", r.Locomotives)
	}
	if _, _, bad := pulling.ReadTable("locomotive,load_g,outcome\nheron,200,flew\n"); len(bad) != 1 || !strings.Contains(bad[0].Reason, `is "flew": want moved, struggled or stalled`) {
		t.Errorf("%v", bad)
	}
}

// Limits of agreement of a few locomotives are doubted, with how far out they may lie.
func TestFewLocomotivesAgreeOnLittle(t *testing.T) {
	both := func(names ...string) (text string) {
		text = "locomotive,load_g,outcome,method,before_g,at_pull_g\n"
		for i, n := range names {
			for k, g := range []string{"180", "190", "200", "210"} {
				text += n + "," + g + "," + []string{"moved", "moved", "stalled", "stalled"}[k] + ",moving,,\n"
			}
			for k := range 3 {
				text += fmt.Sprintf("%s,,,static,1500,%d\n", n, 1290+8*i+k)
			}
		}
		return text
	}
	for n, want := range []string{"", "1 locomotive alone pulled both ways, so that the limits of agreement are hardly known", "2 locomotives alone pulled both ways, so that the limits of agreement are hardly known: they may lie as far out as -", "", "", ""} {
		doubts := strings.Join(judged(t, both([]string{"a", "b", "c", "d", "e"}[:n]...)+"z,100,moved,moving,,\n").Doubts, "; ")
		if !strings.Contains(doubts, want) || n == 5 && strings.Contains(doubts, "agreement") {
			t.Errorf("%d locomotives: %q, want %q", n, doubts, want)
		}
	}
}

// Advice agrees with the figures beside it: what is not known is not told as 1 g, and a load
// above the one moved in half is none that mostly moves.
func TestAdviceAgreesWithItsFigures(t *testing.T) {
	rows := "locomotive,mass_g,load_g,outcome\n"
	unknown := 0
	for i, a := range []string{"90,moved", "135,moved", "205,stalled", "170,moved", "190,struggled", "235,stalled", "220,moved", "290,stalled", "280,moved", "160,moved", "250,stalled", "120,moved", "120,moved", "180,moved"} {
		rows += "heron,905," + a + "\n"
		l := judged(t, rows).Locomotives[0]
		said := strings.Contains(strings.Join(l.Doubts, "; "), "95 of 100 attempts is not known yet")
		switch {
		case said != l.Load95Open || said && (l.Load95G.Value == nil || l.Load95G.Lo == nil || l.Load95G.Hi == nil):
			t.Errorf("after %d attempts load95 is said not to be known: %t; open: %t, %+v", i+1, said, l.Load95Open, l.Load95G)
		case said:
			unknown++
		case l.Load95G.Value != nil && (*l.Load95G.Lo <= 0 || *l.Load95G.Lo < 90):
			t.Errorf("after %d attempts load95 is %g from %g on, below all that was tried", i+1, *l.Load95G.Value, *l.Load95G.Lo)
		}
		if l.Load50G.Value == nil {
			continue
		}
		above, below := l.Next.LoadG > *l.Load50G.Value, l.Next.LoadG < *l.Load50G.Value
		if strings.Contains(l.Next.Why, "mostly move") && !below || strings.Contains(l.Next.Why, "mostly fail") && !above {
			t.Errorf("after %d attempts, with %g g moved in half: next %g g, %s", i+1, *l.Load50G.Value, l.Next.LoadG, l.Next.Why)
		}
	}
	if unknown == 0 {
		t.Error("load95 was never unknown")
	}
}
