package main

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"rainhill/pkg/wire"
)

// line is a pseudo-terminal: board is the sensor's end.
func line(t *testing.T) (board, tty *os.File) {
	t.Helper()
	board, tty, err := pty.Open()
	if err != nil {
		t.Fatalf("opening a pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { _, _ = board.Close(), tty.Close() })
	return board, tty
}

// opened waits until somebody has opened the terminal as a serial line.
func opened(t *testing.T, tty *os.File) {
	t.Helper()
	eventually(t, "the agent to open the serial line", func() bool {
		mode, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
		return err == nil && mode.Lflag&unix.ICANON == 0
	})
}

func send(t *testing.T, board *os.File, text string) {
	t.Helper()
	if _, err := board.WriteString(text); err != nil {
		t.Fatal(err)
	}
}

func TestCrossingsFromASerialLine(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1", "g2")
	pw := s.admit("shed-1", []string{"g1", "g2"}, nil)
	board, tty := line(t)
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1", "--source", "serial:"+tty.Name()+"@115200")
	opened(t, tty)
	send(t, board, "1\r\n0\r\ng2 pulse 1000\n{\"edge\":\"ent")
	send(t, board, "er\",\"tag\":\"engine-3\"}\n")
	eventually(t, "four crossings", func() bool { return len(s.events(wire.KindCrossing)) == 4 })
	p.signal(os.Interrupt)
	p.mustExit(exitOK)
	want := []string{"g1 enter ", "g1 leave ", "g2 pulse ", "g1 enter engine-3"}
	for i, e := range s.events(wire.KindCrossing) {
		if got := fmt.Sprint(e.Gate, " ", e.Edge, " ", e.Tag); got != want[i] {
			t.Errorf("crossing %d is %q, want %q", i, got, want[i])
		}
	}
	// Ten bits a byte (8N1): "0\r\n" takes 260 us at 115200 baud.
	if u := *s.events(wire.KindCrossing)[1].UUs; u < 170 || u > 270 {
		t.Errorf("u_us = %g, want the time that the line takes to send", u)
	}
}

// A cable is pulled and put back: the agent goes on by itself.
func TestSerialLineComesBack(t *testing.T) {
	t.Parallel()
	s := newService(t)
	pw := s.admit("loco-1", nil, []string{"m1"})
	device := filepath.Join(t.TempDir(), "ttyBoard")
	first, tty := line(t)
	link(t, tty.Name(), device)
	p := start(t, s.address(), pw, t.TempDir(), "motor", "--agent", "loco-1", "--motor", "m1", "--source", "serial:"+device+"@9600")
	opened(t, tty)
	send(t, first, "100 250\n")
	eventually(t, "the first sample", func() bool { return len(s.events(wire.KindMotor)) == 1 })
	second, again := line(t)
	link(t, again.Name(), device)
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	p.says("went away")
	opened(t, again)
	p.says("is back")
	send(t, second, "180 250\n")
	eventually(t, "the second sample", func() bool { return len(s.events(wire.KindMotor)) == 2 })
	if e := s.events(wire.KindMotor)[1]; *e.Samples[0].Counts != 180 || *e.Samples[0].DutyPermille != 250 {
		t.Errorf("second sample is %+v", e.Samples[0])
	}
	p.signal(os.Interrupt)
	p.mustExit(exitOK)
}

// link makes device mean a terminal, as a device manager does.
func link(t *testing.T, to, device string) {
	t.Helper()
	if err := os.Symlink(to, device+".new"); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(device+".new", device); err != nil {
		t.Fatal(err)
	}
}

// One line for both: the board sends counts and takes throttles.
func TestDrivesOverTheSerialLineThatItReads(t *testing.T) {
	s := newService(t)
	pw := s.admit("loco-1", nil, []string{"m1"})
	board, tty := line(t)
	serial := "serial:" + tty.Name() + "@115200"
	p := start(t, s.address(), pw, t.TempDir(), "motor", "--agent", "loco-1", "--motor", "m1", "--source", serial, "--drive", serial)
	opened(t, tty)
	var mu sync.Mutex
	var got []string
	go func() {
		for r := bufio.NewScanner(board); r.Scan(); {
			mu.Lock()
			got = append(got, strings.TrimSpace(r.Text()))
			mu.Unlock()
		}
	}()
	last := func() string {
		mu.Lock()
		defer mu.Unlock()
		if len(got) == 0 {
			return ""
		}
		return got[len(got)-1]
	}
	send(t, board, "m1 100 0\r\n")
	eventually(t, "a sample", func() bool { return len(s.events(wire.KindMotor)) == 1 })
	opens(t, s.desk().set, 300, func() bool { return last() == "m1 300" })
	send(t, board, "m1 180 300\r\n")
	eventually(t, "another sample", func() bool { return len(s.events(wire.KindMotor)) == 2 })
	p.signal(os.Interrupt)
	p.mustExit(exitOK)
	eventually(t, "zero at the end", func() bool { return last() == "m1 0" })
}
