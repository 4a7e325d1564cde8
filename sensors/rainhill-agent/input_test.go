package main

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/wire"
)

func TestCrossingsFromStandardInput(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1", "g2")
	pw := s.admit("shed-1", []string{"g1", "g2"}, nil)
	from := time.Now().UnixMicro()
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1")
	p.write("{\"edge\":\"enter\"}\n1\n0 \nclosed\r\nOPEN\npulse\n\n# a remark\ng2 enter\n" +
		"{\"gate\":\"g2\",\"edge\":\"leave\",\"tag\":\"engine-3\",\"u_us\":7}\nnonsense here too\nleave")
	p.says("joined the bus")
	p.mustExit(exitOK)
	want := []string{"g1 enter", "g1 enter", "g1 leave", "g1 enter", "g1 leave", "g1 pulse", "g2 enter", "g2 leave engine-3", "g1 leave"}
	got := s.events(wire.KindCrossing)
	if len(got) != len(want) {
		t.Fatalf("%d crossings in the journal, want %d", len(got), len(want))
	}
	for i, e := range got {
		if text := strings.TrimSpace(e.Gate + " " + e.Edge + " " + e.Tag); text != want[i] {
			t.Errorf("crossing %d is %q, want %q", i, text, want[i])
		}
		if e.Agent != "shed-1" || e.Boot == "" || e.Boot != got[0].Boot || i > 0 && *e.Seq <= *got[i-1].Seq {
			t.Errorf("crossing %d: agent %q, boot %q, seq %d", i, e.Agent, e.Boot, *e.Seq)
		}
		if e.AtUs < from || e.AtUs > time.Now().UnixMicro() {
			t.Errorf("crossing %d: at_us = %d is not within the test", i, e.AtUs)
		}
		if u := *e.UUs; u != 1000 && (u != 7 || e.Tag == "") {
			t.Errorf("crossing %d: u_us = %g", i, u)
		}
	}
	if !strings.Contains(p.said.String(), "line not understood (1 so far)") {
		t.Errorf("nothing was said of the line of nonsense:\n%s", p.said)
	}
}

// A format that is named takes nothing else.
func TestFormats(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	for format, edge := range map[string]string{"json": "enter", "contact": "leave"} {
		p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1", "--format", format, "--u-us", "55")
		p.write("{\"edge\":\"enter\"}\n0\n")
		p.says("joined the bus")
		p.mustExit(exitOK)
		got := s.events(wire.KindCrossing)
		if e := got[len(got)-1]; e.Edge != edge || *e.UUs != 55 {
			t.Errorf("--format %s: took %s with u_us %g", format, e.Edge, *e.UUs)
		}
	}
	if n := len(s.events(wire.KindCrossing)); n != 2 {
		t.Errorf("%d crossings, want one of each format", n)
	}
}

// The counter of the sensor decides the interval, however late the second line
// comes, and over the wrap of 2^32.
func TestCounterOfTheSensor(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1")
	from := time.Now()
	p.write("1 4294957296\n")
	eventually(t, "the first crossing", func() bool { return len(s.events(wire.KindCrossing)) == 1 })
	time.Sleep(60 * time.Millisecond)
	p.write("0 10000\n") // 20 ms later by the counter, at least 60 ms by arrival
	p.mustExit(exitOK)
	got := s.events(wire.KindCrossing)
	if len(got) != 2 {
		t.Fatalf("%d crossings, want 2", len(got))
	}
	creep := int64(200e-6*float64(time.Since(from).Microseconds())) + 1
	if d := got[1].AtUs - got[0].AtUs; d < 20_000 || d > 20_000+creep {
		t.Errorf("interval over the wrap is %d us, want 20000 and at most %d", d, creep)
	}
}

func TestMotorFromStandardInput(t *testing.T) {
	t.Parallel()
	s := newService(t)
	pw := s.admit("loco-1", nil, []string{"m1", "m2"})
	p := start(t, s.address(), pw, t.TempDir(), "motor", "--agent", "loco-1", "--motor", "m1")
	p.write("100 400 310 7400\n{\"counts\":120,\"duty_permille\":410}\nm2 -5\n140 - 320\n{\"motor\":\"m2\",\"counts\":-9}\n")
	p.says("joined the bus")
	p.mustExit(exitOK)
	got := map[string][]string{}
	for _, e := range s.events(wire.KindMotor) {
		for _, x := range e.Samples {
			got[e.Motor] = append(got[e.Motor], show(x.Counts)+show(x.DutyPermille)+show(x.CurrentMa)+show(x.VoltageMv))
		}
	}
	want := map[string][]string{"m1": {"100 400 310 7400 ", "120 410 - - ", "140 - 320 - "}, "m2": {"-5 - - - ", "-9 - - - "}}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("samples %v, want %v", got, want)
	}
}

func show(v *int64) string {
	if v == nil {
		return "- "
	}
	return fmt.Sprint(*v, " ")
}

func TestMissingGPIOChip(t *testing.T) {
	t.Parallel()
	p := start(t, "nats://127.0.0.1:1", "x", t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1", "--source", "gpio:/dev/gpiochip-none:17")
	p.mustExit(exitFail)
	for _, want := range []string{"gpio /dev/gpiochip-none line 17", "ls /dev/gpiochip*"} {
		if !strings.Contains(p.said.String(), want) {
			t.Errorf("said %q, want a mention of %q", p.said, want)
		}
	}
}

func TestMissingSerialLine(t *testing.T) {
	t.Parallel()
	p := start(t, "nats://127.0.0.1:1", "x", t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1", "--source", "serial:/dev/ttyNone@9600")
	p.mustExit(exitFail)
	if !strings.Contains(p.said.String(), "opening serial line /dev/ttyNone at 9600 baud") {
		t.Errorf("said %q", p.said)
	}
}

func TestUsage(t *testing.T) {
	t.Setenv("RAINHILL_PASSWORD", "x")
	good := []string{"--agent", "shed-1", "--gate", "g1"}
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{nil, exitUsage, "gate"},
		{[]string{"--help"}, exitOK, "Exit codes"},
		{[]string{"--version"}, exitOK, "rainhill-agent dev"},
		{[]string{"gate", "--version"}, exitOK, "rainhill-agent dev"},
		{[]string{"gate", "-h"}, exitOK, "[gate] change [counter]"},
		{[]string{"motor", "--help"}, exitOK, "[motor] counts"},
		{[]string{"lamp"}, exitUsage, `"lamp" is not a kind`},
		{[]string{"gate"}, exitUsage, "--agent is missing"},
		{[]string{"gate", "--agent", "../x"}, exitUsage, "is not an id"},
		{append([]string{"gate", "--gat", "x"}, good...), exitUsage, "-gat"},
		{append([]string{"gate", "--server", "h"}, good...), exitUsage, "--site is missing"},
		{append([]string{"gate", "--server", "nats://:4", "--site", "line"}, good...), exitUsage, "is not nats://HOST:PORT"},
		{append([]string{"gate", "--source", "tape:1"}, good...), exitUsage, "serial:DEVICE@BAUD"},
		{append([]string{"gate", "--source", "serial:/dev/ttyUSB0@fast"}, good...), exitUsage, "not a baud rate"},
		{append([]string{"gate", "--source", "gpio:/dev/gpiochip0:x"}, good...), exitUsage, "not a line number"},
		{append([]string{"gate", "--format", "xml"}, good...), exitUsage, "json, contact or auto"},
		{append([]string{"gate", "--spool-max-mb", "0"}, good...), exitUsage, "at least 1"},
		{append([]string{"gate", "--password-file", filepath.Join(t.TempDir(), "none")}, good...), exitUsage, "reading the password"},
		{[]string{"motor", "--agent", "loco-1", "--source", "gpio:/dev/gpiochip0:17"}, exitUsage, "tells no counts"},
		{append(append([]string{"gate"}, good...), "more"), exitUsage, "one word too many"},
	} {
		var out, errs bytes.Buffer
		code := run(context.Background(), c.args, strings.NewReader(""), &out, &errs)
		if text := out.String() + errs.String(); code != c.code || !strings.Contains(text, c.says) {
			t.Errorf("%q: exit %d, want %d; said %q, want a mention of %q", c.args, code, c.code, text, c.says)
		}
	}
}

func TestAddress(t *testing.T) {
	for in, want := range map[string]string{
		"nats://h:4137": "nats://h:4137", "nats://h": "nats://h:4137", "h": "nats://h:4137",
		"192.168.1.10:5000": "nats://192.168.1.10:5000", "[::1]": "nats://[::1]:4137", "": "",
	} {
		if got, err := address(in); got != want || err != nil {
			t.Errorf("address(%q) = %q, %v, want %q", in, got, err, want)
		}
	}
}
