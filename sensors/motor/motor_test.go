package motor

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
)

const now = int64(1_767_225_600_000_000)

func line(text string) agent.Line { return agent.Line{Text: text, AtUs: now} }

func num(v *int64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprint(*v)
}

// show is motor and, of each sample, instant less now, counts, duty, current
// and voltage.
func show(events []wire.Event) string {
	var b strings.Builder
	for _, e := range events {
		fmt.Fprint(&b, e.Motor)
		for _, s := range e.Samples {
			fmt.Fprint(&b, " ", s.AtUs-now, ":", num(s.Counts), "/", num(s.DutyPermille), "/", num(s.CurrentMa), "/", num(s.VoltageMv))
		}
		fmt.Fprint(&b, ";")
	}
	return b.String()
}

func TestLines(t *testing.T) {
	for text, want := range map[string]string{
		"1234":                  "m1 0:1234/-/-/-;",
		"-77 400":               "m1 0:-77/400/-/-;",
		"5 -400 310":            "m1 0:5/-400/310/-;",
		"5,400,310,7400":        "m1 0:5/400/310/7400;",
		"m2 5 - - 7400":         "m2 0:5/-/-/7400;",
		"- 400":                 "m1 0:-/400/-/-;",
		"5 @4294967295":         "m1 0:5/-/-/-;",
		"m2; 5; 100; @12":       "m2 0:5/100/-/-;",
		`{"counts":9}`:          "m1 0:9/-/-/-;",
		`{"duty_permille":250}`: "m1 0:-/250/-/-;",
		`{"motor":"m2","counts":123,"duty_permille":400,"counter_us":7}`:                                 "m2 0:123/400/-/-;",
		`{"counts":9,"at_us":1767225600000003}`:                                                          "m1 3:9/-/-/-;",
		`{"kind":"motor","motor":"m3","samples":[{"counts":4}]}`:                                         "m3 0:4/-/-/-;",
		`{"samples":[{"at_us":1767225600000001,"counts":4},{"at_us":1767225600000002,"current_ma":30}]}`: "m1 1:4/-/-/- 2:-/-/30/-;",
	} {
		events, err := (&Sensor{Motor: "m1", Most: 1}).Take(line(text))
		if len(events) == 2 { // two samples, one a message
			events = []wire.Event{{Motor: events[0].Motor, Samples: append(events[0].Samples, events[1].Samples...)}}
		}
		if got := show(events); err != nil || got != want {
			t.Errorf("%q: %s, %v; want %s", text, got, err, want)
		}
	}
}

func TestLinesNotUnderstood(t *testing.T) {
	for _, text := range []string{
		"m2", "m1 m2 5", "5 4 3 2 1", "1.5", "5 @", "5 @x", "@5", "-", "- - -", "M2 5", "5 fast",
		`{"counts":"9"}`, `{"counts":1.5}`, `{}`, `{"motor":"m2"}`, `{"counts":9`, `{"kind":"crossing","counts":9}`, `{"motor":"m 2","counts":1}`,
		`{"samples":[{"counts":4},{"counts":5}]}`, // when was each read?
		`{"samples":[{"at_us":1767225600000001}]}`,
	} {
		s := &Sensor{Motor: "m1"}
		events, err := s.Take(line(text))
		if !errors.Is(err, wire.ErrMalformed) || events != nil || s.Due(1<<62) != nil {
			t.Errorf("%q: %v, %v; want it refused", text, events, err)
		}
	}
	for _, text := range []string{"", " ", "# note"} {
		if events, err := (&Sensor{Motor: "m1"}).Take(line(text)); err != nil || events != nil {
			t.Errorf("%q: %v, %v; want nothing", text, events, err)
		}
	}
	if _, err := (&Sensor{}).Take(line("5")); !errors.Is(err, wire.ErrMalformed) {
		t.Errorf("no motor anywhere: %v", err)
	}
}

// Samples wait for each other for WaitUs, and no longer; each motor's on their
// own.
func TestBatches(t *testing.T) {
	s := &Sensor{Motor: "m1", WaitUs: 50_000, Most: 3}
	take := func(text string, after int64) []wire.Event {
		t.Helper()
		events, err := s.Take(agent.Line{Text: text, AtUs: now + after})
		if err != nil {
			t.Fatal(err)
		}
		return events
	}
	if e := slices.Concat(take("1", 0), take("m2 7", 10_000), take("2", 20_000), s.Due(now+49_999)); e != nil {
		t.Errorf("sent before its time: %s", show(e))
	}
	if got := show(s.Due(now + 50_000)); got != "m1 0:1/-/-/- 20000:2/-/-/-;" {
		t.Errorf("after 50 ms %s", got)
	}
	if got := show(s.Due(now + 60_000)); got != "m2 10000:7/-/-/-;" {
		t.Errorf("10 ms later %s", got)
	}
	take("3", 70_000)
	take("4", 71_000)
	if got := show(take("5", 72_000)); got != "m1 70000:3/-/-/- 71000:4/-/-/- 72000:5/-/-/-;" {
		t.Errorf("three are full, got %s", got)
	}
	take("6", 73_000)
	if got := show(s.Due(1 << 62)); got != "m1 73000:6/-/-/-;" || s.Due(1<<62) != nil {
		t.Errorf("at the end %s", got)
	}
}

func TestABatchGoesInPartsThatHold(t *testing.T) {
	var parts []string
	for i := range 7 {
		parts = append(parts, fmt.Sprintf(`{"at_us":%d,"counts":%d}`, now+int64(i), i))
	}
	s := &Sensor{Motor: "m1", Most: 3}
	events, err := s.Take(line(`{"samples":[` + strings.Join(parts, ",") + `]}`))
	if err != nil || len(events) != 3 || len(events[0].Samples) != 3 || len(events[2].Samples) != 1 {
		t.Fatalf("%s, %v; want 3, 3 and 1 samples", show(events), err)
	}
	for _, e := range events {
		if err := e.Check(); err != nil || e.AtUs != e.Samples[len(e.Samples)-1].AtUs {
			t.Errorf("%+v: %v; at_us is that of the last sample", e, err)
		}
	}
}

func TestTooManyMotors(t *testing.T) {
	s := &Sensor{}
	for i := range maxMotors {
		if _, err := s.Take(line(fmt.Sprintf("m%d 1", i))); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Take(line("one-more 1")); !errors.Is(err, wire.ErrMalformed) {
		t.Errorf("motor %d: %v", maxMotors+1, err)
	}
	if _, motors := s.Names(); len(motors) != maxMotors {
		t.Errorf("%d motors named, want %d", len(motors), maxMotors)
	}
	if _, motors := (&Sensor{Motor: "m1"}).Names(); !slices.Equal(motors, []string{"m1"}) {
		t.Errorf("before any sample it names %v, want m1", motors)
	}
}

func FuzzTake(f *testing.F) {
	for _, seed := range []string{"1", "m2 -5 400 @99", `{"counts":3}`, `{"samples":[{"at_us":1,"counts":2}]}`, "@", "- -", "{"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s := &Sensor{Motor: "m1"}
		events, err := s.Take(line(text))
		if err != nil && events != nil {
			t.Errorf("%q: both %v and %v", text, events, err)
		}
		for _, e := range append(events, s.Due(1<<62)...) {
			if err := e.Check(); err != nil {
				t.Errorf("%q: gives an event that does not hold: %v", text, err)
			}
		}
	})
}
