package gate

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
)

const now = int64(1_767_225_600_000_000)

func line(text string) agent.Line { return agent.Line{Text: text, AtUs: now, UUs: 260} }

// show is gate, edge, instant less now, uncertainty and tag.
func show(e wire.Event) string {
	return fmt.Sprint(e.Kind, " ", e.Gate, " ", e.Edge, " ", e.AtUs-now, " ", *e.UUs, " ", e.Tag)
}

func TestLines(t *testing.T) {
	for text, want := range map[string]string{
		"1":                          "crossing g1 enter 0 260 ",
		"0":                          "crossing g1 leave 0 260 ",
		"closed":                     "crossing g1 enter 0 260 ",
		"OPEN":                       "crossing g1 leave 0 260 ",
		"  Enter\t":                  "crossing g1 enter 0 260 ",
		"leave":                      "crossing g1 leave 0 260 ",
		"pulse":                      "crossing g1 pulse 0 260 ",
		"g2 1":                       "crossing g2 enter 0 260 ",
		"g2,0,12345":                 "crossing g2 leave 0 260 ",
		"1;77":                       "crossing g1 enter 0 260 ",
		"1 0":                        "crossing g1 enter 0 260 ", // a change and a counter, not gate "1"
		"1 0 5":                      "crossing 1 leave 0 260 ",  // three words: the first is a gate
		`{"edge":"enter"}`:           "crossing g1 enter 0 260 ",
		`{"edge":"leave","u_us":12}`: "crossing g1 leave 0 12 ",
		`{"kind":"crossing","gate":"g7","edge":"pulse","tag":"engine-3"}`: "crossing g7 pulse 0 260 engine-3",
		`{"edge":"enter","at_us":1767225600000009,"u_us":3}`:              "crossing g1 enter 9 3 ",
		`{"edge":"enter","counter_us":5}`:                                 "crossing g1 enter 0 260 ",
	} {
		events, err := (&Sensor{Gate: "g1"}).Take(line(text))
		if err != nil || len(events) != 1 || show(events[0]) != want {
			t.Errorf("%q: %v, %v; want %s", text, events, err, want)
		}
	}
}

func TestLinesThatSayNothing(t *testing.T) {
	for _, text := range []string{"", "   ", "# a remark", "#1"} {
		if events, err := (&Sensor{Gate: "g1"}).Take(line(text)); err != nil || events != nil {
			t.Errorf("%q: %v, %v; want nothing", text, events, err)
		}
	}
}

func TestLinesNotUnderstood(t *testing.T) {
	for text, format := range map[string]string{
		"maybe": "", "2": "", "1 2 3 4": "", "g1 g2 1": "", "1 -5": "", "1 1.5": "", "g2": "",
		"Ä 1": "", "a.b 1": "", "-x 1": "",
		`{"edge":"sideways"}`: "", `{"edge":7}`: "", `{"edge":"enter"`: "", `{}`: "", `{"gate":"g1 "}`: "",
		`{"kind":"motor","motor":"m1"}`: "", `{"edge":"enter","counter_us":-1}`: "",
		`{"edge":"enter","u_us":-1}`: "", `{"edge":"enter","at_us":-1}`: "",
		`"1"`: JSON, "1": JSON, `{"edge":"leave"}`: Contact,
	} {
		events, err := (&Sensor{Gate: "g1", Format: format}).Take(line(text))
		if !errors.Is(err, wire.ErrMalformed) || events != nil {
			t.Errorf("%q as %q: %v, %v; want it refused", text, format, events, err)
		}
	}
	if _, err := (&Sensor{}).Take(line("1")); !errors.Is(err, wire.ErrMalformed) {
		t.Errorf("no gate anywhere: %v", err)
	}
}

// Number and place in the journal are the agent's and the journal's to give.
func TestForeignNumbersAreLeftOut(t *testing.T) {
	events, err := (&Sensor{Gate: "g1"}).Take(line(`{"edge":"enter","bus_us":5,"journal_seq":6}`))
	if err != nil || events[0].BusUs != 0 || events[0].JournalSeq != 0 {
		t.Errorf("%+v, %v; want no bus_us and no journal_seq", events, err)
	}
}

func TestStatedUncertaintyReplacesTheSources(t *testing.T) {
	u := 40.0
	s := &Sensor{Gate: "g1", UUs: &u}
	for _, text := range []string{"1", `{"edge":"enter","u_us":3}`, `{"edge":"enter","at_us":1767225600000009}`} {
		if events, err := s.Take(line(text)); err != nil || *events[0].UUs != 40 {
			t.Errorf("%s: %v, %v; want u_us 40", text, events, err)
		}
	}
}

// Two boards on one wire have a counter each.
func TestCountersAreTheGatesOwn(t *testing.T) {
	s := &Sensor{Gate: "g1"}
	var got []int64
	for _, l := range []agent.Line{
		{Text: "a 1 1000", AtUs: now}, {Text: "b 1 900000", AtUs: now + 10},
		{Text: "a 0 3000", AtUs: now + 9000}, {Text: "b 0 900500", AtUs: now + 9000},
	} {
		events, err := s.Take(l)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, events[0].AtUs-now)
	}
	// The later ones may creep by 200 parts in a million of 9 ms: 2 us.
	for i, want := range []int64{0, 10, 2000, 510} {
		if d := got[i] - want; d < 0 || d > 2 {
			t.Errorf("crossing %d at %d, want %d", i, got[i], want)
		}
	}
}

func TestNames(t *testing.T) {
	s := &Sensor{Gate: "g1"}
	for i := range 200 {
		if _, err := s.Take(line(fmt.Sprintf("x%d pulse 5", i))); err != nil {
			t.Fatal(err)
		}
	}
	gates, motors := s.Names()
	if len(gates) != maxGates+1 || gates[0] != "g1" || !slices.Contains(gates, "x63") || motors != nil {
		t.Errorf("%d gates from %v, motors %v; want g1 and the first %d seen", len(gates), gates, motors, maxGates)
	}
	if e := s.Due(1 << 62); e != nil {
		t.Errorf("crossings waited: %v", e)
	}
}

// Whatever a wire carries, the agent goes on and sends only what holds.
func FuzzTake(f *testing.F) {
	for _, seed := range []string{"1", "g2 0 123", `{"edge":"enter","counter_us":4}`, "1;;;", "\x00", "{", "# x"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		events, err := (&Sensor{Gate: "g1"}).Take(line(text))
		if err != nil && events != nil {
			t.Errorf("%q: both %v and %v", text, events, err)
		}
		for _, e := range events {
			if err := e.Check(); err != nil {
				t.Errorf("%q: gives an event that does not hold: %v", text, err)
			}
		}
	})
}
