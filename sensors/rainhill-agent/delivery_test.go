package main

import (
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"rainhill/pkg/wire"
)

// The service goes away twice while crossings come: none is lost, none twice.
func TestServiceComesBack(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1")
	all := numbered(0, 600)
	feed := func(part []string) chan struct{} {
		fed := make(chan struct{})
		go func() {
			defer close(fed)
			for two := range slices.Chunk(part, 2) {
				if _, err := io.WriteString(p.in, tagLines(two)); err != nil {
					t.Errorf("writing to the agent: %v", err)
					return
				}
				time.Sleep(3 * time.Millisecond)
			}
		}()
		return fed
	}
	arrived := func(tag string) func() bool {
		return func() bool { return slices.Contains(tags(s.events(wire.KindCrossing)), tag) }
	}
	fed := feed(all[:300])
	eventually(t, "the first crossings", arrived(all[20]))
	s.stop()
	time.Sleep(150 * time.Millisecond)
	s.open()
	<-fed
	fed = feed(all[300:])
	eventually(t, "the agent to be back", arrived(all[320]))
	s.stop()
	<-fed
	s.open()
	s.has(len(all))
	p.mustExit(exitOK)
	sameOnce(t, tags(s.events(wire.KindCrossing)), all)
	if a := s.agentHealth("shed-1"); a.Missing != 0 {
		t.Errorf("the service still waits for %d events of the agent", a.Missing)
	}
}

// Killed with everything undelivered, the agent delivers at the next start.
func TestKilledBeforeDelivery(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	s.stop()
	spool, all := t.TempDir(), numbered(0, 500)
	p := start(t, s.address(), pw, spool, "gate", "--agent", "shed-1", "--gate", "g1")
	p.write(tagLines(all))
	eventually(t, "all to be in the spool", func() bool { return len(spooled(t, spool)) == len(all) })
	p.kill()
	s.open()
	p = start(t, s.address(), pw, spool, "gate", "--agent", "shed-1", "--gate", "g1")
	s.has(len(all))
	p.mustExit(exitOK)
	got := tags(s.events(wire.KindCrossing))
	sameOnce(t, got, all)
	if !strings.Contains(p.said.String(), "500 events kept from an earlier start") {
		t.Errorf("the second start said nothing of what was kept:\n%s", p.said)
	}
}

// Killed at several moments of a delivery: what had reached the spool arrives,
// once.
func TestKilledWhileDelivering(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	spool, want := t.TempDir(), map[string]bool{}
	for round := range 4 {
		p := start(t, s.address(), pw, spool, "gate", "--agent", "shed-1", "--gate", "g1")
		part := numbered(1000*round, 1000*round+300)
		before := len(s.events(wire.KindCrossing))
		p.write(tagLines(part))
		eventually(t, "some of them", func() bool { return len(s.events(wire.KindCrossing)) > before+60*round })
		p.kill()
		for _, tag := range append(spooled(t, spool), tags(s.events(wire.KindCrossing))...) {
			want[tag] = true
		}
	}
	p := start(t, s.address(), pw, spool, "gate", "--agent", "shed-1", "--gate", "g1")
	s.has(len(want))
	p.mustExit(exitOK)
	var all []string
	for tag := range want {
		all = append(all, tag)
	}
	if len(all) < 300 {
		t.Errorf("only %d crossings were tried", len(all))
	}
	sameOnce(t, tags(s.events(wire.KindCrossing)), all)
}

// A full spool gives up its oldest events, keeps its bound, and tells the
// journal, which then waits for nothing.
func TestFullSpool(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	s.stop()
	spool, all := t.TempDir(), numbered(0, 9000)
	p := start(t, s.address(), pw, spool, "gate", "--agent", "shed-1", "--gate", "g1", "--spool-max-mb", "1")
	p.write(tagLines(all))
	last := all[len(all)-1]
	eventually(t, "the last to be in the spool", func() bool { return slices.Contains(spooled(t, spool), last) })
	if size := folderSize(t, spool); size > 1<<20+4096 {
		t.Errorf("the spool has %d bytes, more than its bound", size)
	}
	p.says("the spool is full")
	kept := spooled(t, spool)
	if len(kept) == 0 || len(kept) >= len(all) {
		t.Fatalf("%d of %d kept", len(kept), len(all))
	}
	s.open()
	eventually(t, "the last crossing", func() bool { return s.health().Accepted > uint64(len(kept)) })
	p.mustExit(exitOK)
	got := tags(s.events(wire.KindCrossing))
	sameOnce(t, got, all[len(all)-len(kept):])
	told := false
	for _, e := range s.events(wire.KindHealth) {
		var d struct {
			Dropped int `json:"dropped"`
		}
		if err := json.Unmarshal(e.Detail, &d); err != nil {
			t.Fatal(err)
		}
		told = told || *e.KeptFromSeq > 1 && d.Dropped == len(all)-len(kept)
	}
	if !told {
		t.Errorf("no health report tells of the %d given up and of kept_from_seq", len(all)-len(kept))
	}
	if a := s.agentHealth("shed-1"); a.Missing != 0 || a.StoredSeq < uint64(len(all)) {
		t.Errorf("the service waits for %d events, and has all up to %d", a.Missing, a.StoredSeq)
	}
}

func folderSize(t *testing.T, dir string) (n int64) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if i, err := e.Info(); err == nil {
			n += i.Size()
		}
	}
	return n
}

// What is refused, by the journal or by the bus, is written down and not sent
// again for ever; what comes after it is stored, and nothing is waited for.
func TestRefused(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1", "g9"}, nil)
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1")
	p.says("joined the bus")
	p.write("g9 pulse\ng7 pulse\ng1 pulse\n")
	p.says("g9\" stands on no circuit")
	p.says("the bus does not let agent shed-1 publish rh.line.crossing.g7")
	eventually(t, "the mark to pass the refused", func() bool {
		a := s.agentHealth("shed-1")
		return len(s.events(wire.KindCrossing)) == 1 && a.Missing == 0 && a.StoredSeq >= 3
	})
	p.mustExit(exitOK)
	b, err := os.ReadFile(filepath.Join(p.spool, "refused.log"))
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(b), "\n"); n != 2 || !strings.Contains(string(b), `"gate":"g9"`) || !strings.Contains(string(b), `"gate":"g7"`) {
		t.Errorf("the refused log holds %d lines, want g9 and g7:\n%s", n, b)
	}
	if h := s.health(); h.Rejected != 1 || h.Denied != 1 {
		t.Errorf("the service refused %d and denied %d, want each once", h.Rejected, h.Denied)
	}
	start(t, s.address(), pw, p.spool, "gate", "--agent", "shed-1", "--gate", "g1").mustExit(exitOK)
	if h := s.health(); h.Rejected != 1 || h.Denied != 1 {
		t.Error("the next start sent again what was refused")
	}
}

// An input that ends at once still tells the journal what will never come.
func TestRefusedLastOfAll(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1", "g9"}, nil)
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1")
	p.write("g9 pulse\ng1 pulse\n")
	p.mustExit(exitOK)
	if a := s.agentHealth("shed-1"); a.Missing != 0 || a.StoredSeq < 2 {
		t.Errorf("the service waits for %d events, and has all up to %d", a.Missing, a.StoredSeq)
	}
}

func TestClockExchangesAndHealth(t *testing.T) {
	t.Parallel()
	s := newService(t)
	pw := s.admit("shed-1", []string{"g1"}, nil)
	p := start(t, s.address(), pw, t.TempDir(), "gate", "--agent", "shed-1", "--gate", "g1")
	eventually(t, "two clock exchanges and a health report", func() bool {
		return len(s.events(wire.KindSync)) >= 2 && len(s.events(wire.KindHealth)) >= 1
	})
	x := s.events(wire.KindSync)[0]
	if *x.T1Us > *x.T4Us || *x.T2Us > *x.T3Us {
		t.Errorf("the exchange runs backwards: %d %d %d %d", *x.T1Us, *x.T2Us, *x.T3Us, *x.T4Us)
	}
	a := s.agentHealth("shed-1")
	if a.OffsetUs == nil || max(*a.OffsetUs, -*a.OffsetUs) > *a.DelayUs/2+1000 {
		t.Errorf("two clocks of one machine differ: offset %v, delay %v", a.OffsetUs, a.DelayUs)
	}
	if a.Version != "rainhill-agent dev" || !slices.Equal(a.Gates, []string{"g1"}) {
		t.Errorf("health tells version %q and gates %v", a.Version, a.Gates)
	}
	p.signal(syscall.SIGTERM)
	p.mustExit(exitOK)
}

// A wrong password is told, and costs nothing: the next start delivers.
func TestWrongPassword(t *testing.T) {
	t.Parallel()
	s := newService(t)
	s.place("g1")
	pw := s.admit("shed-1", []string{"g1"}, nil)
	spool := t.TempDir()
	p := start(t, s.address(), "wrong", spool, "gate", "--agent", "shed-1", "--gate", "g1")
	p.write("pulse\n")
	p.says("the bus refused the sign-in: check --agent and the password")
	p.signal(os.Interrupt)
	p.mustExit(exitOK)
	if !strings.Contains(p.said.String(), "1 events are kept") {
		t.Errorf("nothing was said of what is kept:\n%s", p.said)
	}
	p = start(t, s.address(), pw, spool, "gate", "--agent", "shed-1", "--gate", "g1")
	p.mustExit(exitOK)
	if n := len(s.events(wire.KindCrossing)); n != 1 {
		t.Errorf("%d crossings arrived, want 1", n)
	}
}

// One spool belongs to one running agent.
func TestSpoolInUse(t *testing.T) {
	t.Parallel()
	spool := t.TempDir()
	first := start(t, "nats://127.0.0.1:1", "x", spool, "gate", "--agent", "shed-1", "--gate", "g1")
	first.write("pulse\n")
	eventually(t, "the first to hold the spool", func() bool {
		names, err := filepath.Glob(filepath.Join(spool, "*.seg"))
		return err == nil && len(names) == 1
	})
	second := start(t, "nats://127.0.0.1:1", "x", spool, "gate", "--agent", "shed-1", "--gate", "g1")
	second.mustExit(exitFail)
	if !strings.Contains(second.said.String(), "in use by another running agent") {
		t.Errorf("said %q", second.said)
	}
	first.signal(os.Interrupt)
	first.mustExit(exitOK)
}
