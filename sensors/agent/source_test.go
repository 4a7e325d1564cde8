package agent

import (
	"context"
	"io"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"
)

func containsLine(s, part string) bool {
	for _, l := range strings.Split(s, "\n") {
		if strings.Contains(l, part) {
			return true
		}
	}
	return false
}

// slow gives its pieces one read at a time.
type slow struct{ pieces []string }

func (s *slow) Read(b []byte) (int, error) {
	if len(s.pieces) == 0 {
		return 0, io.EOF
	}
	n := copy(b, s.pieces[0])
	s.pieces = s.pieces[1:]
	return n, nil
}

func TestLineIsStampedAtItsFirstByte(t *testing.T) {
	type line struct {
		text string
		at   int64
	}
	for _, c := range []struct {
		name   string
		pieces []string
		torn   bool
		want   []line
	}{
		{"each in one read", []string{"a\n", "b\n"}, true, []line{{"a", 1}, {"b", 2}}},
		{"in three reads", []string{"hel", "lo", "\nx\n"}, true, []line{{"hello", 1}, {"x", 3}}},
		{"end of line alone", []string{"1", "\r\n", "0\r\n"}, true, []line{{"1", 1}, {"0", 3}}},
		{"last line without an end", []string{"a\nb"}, true, []line{{"a", 1}, {"b", 1}}},
		{"last line torn off", []string{"a\nb"}, false, []line{{"a", 1}}},
		{"empty lines", []string{"\n\na\n"}, true, []line{{"", 1}, {"", 1}, {"a", 1}}},
	} {
		tick := int64(0)
		var got []line
		err := readLines(context.Background(), &slow{c.pieces}, func() int64 { tick++; return tick }, c.torn, func(text string, at int64) {
			got = append(got, line{text, at})
		})
		if err != nil || len(got) != len(c.want) {
			t.Errorf("%s: got %v, %v; want %v", c.name, got, err, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: line %d is %v, want %v", c.name, i, got[i], c.want[i])
			}
		}
	}
}

func TestEndlessLineIsCutOff(t *testing.T) {
	var got []string
	in := strings.NewReader(strings.Repeat("x", 3*maxLine) + "\nok\n")
	err := readLines(context.Background(), in, func() int64 { return 1 }, true, func(text string, _ int64) { got = append(got, text) })
	if err != nil || len(got) != 2 || len(got[0]) != maxLine || got[1] != "ok" {
		t.Errorf("got %d lines, first of %d bytes, %v; want one of %d and then ok", len(got), len(got[0]), err, maxLine)
	}
}

func TestParseSource(t *testing.T) {
	for _, c := range []struct{ spec, want string }{
		{"-", "standard input"},
		{"", "standard input"},
		{"serial:/dev/ttyUSB0@57600", "serial /dev/ttyUSB0@57600"},
		{"serial:COM3", "serial COM3@115200"},
		{"gpio:/dev/gpiochip0:17", "gpio /dev/gpiochip0 line 17"},
		{"gpio:gpiochip1:4:pull-up:active-low", "gpio gpiochip1 line 4"},
	} {
		s, err := ParseSource(c.spec, strings.NewReader(""))
		if err != nil || s.Describe() != c.want {
			t.Errorf("%q: %v, %v; want %s", c.spec, s, err, c.want)
		}
	}
	for _, bad := range []string{"file:/x", "serial:", "serial:/dev/ttyUSB0@fast", "serial:@9600", "gpio:17", "gpio:/dev/gpiochip0:x", "gpio:/dev/gpiochip0:-1", "gpio:/dev/gpiochip0:1:loud"} {
		if s, err := ParseSource(bad, nil); err == nil {
			t.Errorf("%q was taken as %s", bad, s.Describe())
		}
	}
}

func TestEdgeToLine(t *testing.T) {
	const hour = time.Hour
	now := instants{agentUs: 1_000_000_000, steady: 5 * hour, realtime: 490_000 * hour}
	for _, c := range []struct {
		name   string
		rising bool
		stamp  time.Duration
		want   Line
	}{
		{"steady stamp, 3 ms old", true, 5*hour - 3*time.Millisecond, Line{"enter", 999_997_000, gpioUUs}},
		{"falling", false, 5*hour - time.Second, Line{"leave", 999_000_000, gpioUUs}},
		{"time of day, before Linux 5.7", true, 490_000*hour - 250*time.Microsecond, Line{"enter", 999_999_750, gpioUUs}},
	} {
		if got := edgeLine(c.rising, c.stamp, now); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

func TestMissingChipIsExplained(t *testing.T) {
	g, err := ParseSource("gpio:/dev/no-such-chip:17", nil)
	if err != nil {
		t.Fatal(err)
	}
	err = g.Read(context.Background(), Out{Clock: NewClock()})
	want := "no such chip"
	if runtime.GOOS != "linux" {
		want = "on Linux only"
	}
	if err == nil || !strings.Contains(err.Error(), "/dev/no-such-chip line 17") || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want an error that names the chip, the line, and says %q", err, want)
	}
	if _, statErr := os.Stat("/dev/null"); statErr == nil && runtime.GOOS == "linux" {
		if err := (&GPIO{Chip: "/dev/null", Line: 1}).Read(context.Background(), Out{Clock: NewClock()}); err == nil {
			t.Error("/dev/null was opened as a GPIO chip")
		}
	}
}

func TestMissingSerialLineIsAnError(t *testing.T) {
	s := &Serial{Device: "/dev/no-such-line", Baud: 9600}
	err := s.Read(context.Background(), Out{Clock: NewClock()})
	if err == nil || !strings.Contains(err.Error(), "/dev/no-such-line at 9600 baud") {
		t.Errorf("got %v, want an error that names the line and its speed", err)
	}
}

func TestTransmitTime(t *testing.T) {
	// 10 bits a byte at 9600 baud: 1041.67 us a byte.
	if got := (&Serial{Baud: 9600}).transmitUs(2); got < 2083.3 || got > 2083.4 {
		t.Errorf("two bytes at 9600 baud take %g us, want 2083.33", got)
	}
}
