package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/testdata/relay"
)

func anyPort() server.Options { return server.Options{Port: -1} }

// inOrder wants events 1..n of one start, each once.
func inOrder(t *testing.T, events []wire.Event) {
	t.Helper()
	for i, e := range events {
		if *e.Seq != *events[0].Seq+uint64(i) || e.Boot != events[0].Boot {
			t.Fatalf("event %d is seq %d of start %s; the first is seq %d of %s", i, *e.Seq, e.Boot, *events[0].Seq, events[0].Boot)
		}
	}
}

func TestDeliversNumberedStampedAndInOrder(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 0, ok)
	before := time.Now().UnixMicro()
	a := start(t, srv.ClientURL())
	for range 300 {
		a.cross("g1")
	}
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	got := k.took(wire.KindCrossing)
	if len(got) != 300 {
		t.Fatalf("%d crossings arrived, want 300", len(got))
	}
	k.mu.Lock()
	inOrder(t, k.events) // with the sync and health between them
	k.mu.Unlock()
	for _, e := range got {
		if e.Agent != "gate-a" || e.Gate != "g1" || *e.UUs != 5 || e.AtUs < before || e.AtUs > time.Now().UnixMicro() {
			t.Fatalf("crossing %+v", e)
		}
	}
}

func TestSyncAndHealth(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 7000, ok) // 7 ms ahead
	a := start(t, srv.ClientURL())
	a.cross("g1", "not an id!")
	var h wire.Event
	var d detail
	eventually(t, "two health reports, a sync, and a report that nothing is on its way but itself", func() bool {
		reports := k.took(wire.KindHealth)
		if len(reports) < 2 || len(k.took(wire.KindSync)) == 0 {
			return false
		}
		h, d = reports[len(reports)-1], detail{}
		if err := json.Unmarshal(h.Detail, &d); err != nil {
			t.Fatal(err)
		}
		return *h.KeptFromSeq == *h.Seq && d.Unread == 1
	})
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	s := k.took(wire.KindSync)[0]
	offset := (*s.T2Us - *s.T1Us + *s.T3Us - *s.T4Us) / 2 // RFC 5905 section 8
	if half := (*s.T4Us - *s.T1Us) / 2; offset < 7000-half || offset > 7000+half {
		t.Errorf("the exchange says an offset of %d us, want 7000 within %d", offset, half)
	}
	if h.Version != "test" || !slices.Equal(h.Gates, []string{"g1"}) || d.UnreadLast == "" || d.Input != "a test" {
		t.Errorf("health %+v, detail %s", h, h.Detail)
	}
}

func TestAFullSpoolIsToldByHealth(t *testing.T) {
	t.Parallel()
	a := start(t, "nats://127.0.0.1:1", func(c *Config) { c.SpoolBytes = minSpoolBytes; c.DrainFor = 100 * time.Millisecond })
	for range 1000 {
		a.cross("g1")
	}
	err := a.end()
	if !errors.Is(err, ErrUndelivered) || !strings.Contains(a.out.String(), "the spool is full") {
		t.Fatalf("ended with %v, said %s; want ErrUndelivered and that the spool is full", err, a.out)
	}
}

func TestWaitsForSomebodyWhoTakes(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	a := start(t, srv.ClientURL())
	a.cross("g1", "g1")
	time.Sleep(300 * time.Millisecond)
	k := listen(t, srv, "j", 0, ok)
	eventually(t, "both crossings taken", func() bool {
		seqs := map[uint64]bool{} // one that arrived before the other's refusal comes again behind it
		for _, e := range k.took(wire.KindCrossing) {
			seqs[*e.Seq] = true
		}
		return len(seqs) == 2
	})
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
}

func TestARefusalThatMayPassIsTriedAgain(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 0, func(_ wire.Event, nth int) *wire.Reply {
		if nth <= 3 {
			return &wire.Reply{Reason: "too much at once: try again"}
		}
		return &wire.Reply{OK: true}
	})
	a := start(t, srv.ClientURL())
	a.cross("g1", "g1", "g1", "g1")
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	if n := len(k.took(wire.KindCrossing)); n != 4 {
		t.Errorf("%d crossings taken, want 4", n)
	}
}

func TestARefusalForGoodIsLoggedAndTheRestGoesOn(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 0, func(e wire.Event, _ int) *wire.Reply {
		if e.Gate == "nowhere" {
			return &wire.Reply{Reason: `gate "nowhere" stands on no circuit`}
		}
		return &wire.Reply{OK: true}
	})
	dir := t.TempDir()
	a := start(t, srv.ClientURL(), func(c *Config) { c.SpoolDir = dir })
	a.cross("g1", "nowhere", "g1")
	eventually(t, "a health report that counts the refusal", func() bool {
		h := k.took(wire.KindHealth)
		return len(h) > 0 && strings.Contains(string(h[len(h)-1].Detail), `"refused":1,"refused_last":"gate \"nowhere\" stands on no circuit"`)
	})
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	if n := len(k.took(wire.KindCrossing)); n != 2 {
		t.Errorf("%d crossings taken, want 2", n)
	}
	b, err := os.ReadFile(filepath.Join(dir, "refused.log"))
	if err != nil || strings.Count(string(b), "\n") != 1 || !strings.Contains(string(b), `"gate":"nowhere"`) {
		t.Errorf("refused log: %s, %v; want the one event", b, err)
	}
}

func TestADeniedSubjectIsRefused(t *testing.T) {
	t.Parallel()
	pub := func(s ...string) *server.Permissions {
		return &server.Permissions{Publish: &server.SubjectPermission{Allow: s}}
	}
	srv := startBus(t, server.Options{Port: -1, Users: []*server.User{
		{Username: "j", Password: "pw"},
		{Username: "gate-a", Password: "pw", Permissions: pub(bus.Event(site, "crossing", "g1"), bus.Event(site, "sync", "gate-a"), bus.Event(site, "health", "gate-a"), bus.Ask(site, "gate-a"))},
	}})
	k := listen(t, srv, "j", 0, ok)
	dir := t.TempDir()
	a := start(t, srv.ClientURL(), func(c *Config) { c.SpoolDir = dir })
	a.cross("g1", "g9", "g1")
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	b, _ := os.ReadFile(filepath.Join(dir, "refused.log"))
	if n := len(k.took(wire.KindCrossing)); n != 2 || !strings.Contains(string(b), "does not let agent gate-a publish rh.line.crossing.g9") {
		t.Errorf("%d crossings taken, refused log %s; want 2 and the denied subject", n, b)
	}
}

// An answer may be lost though the event was stored: the mark lets it go.
func TestTheStoredMarkLetsGo(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 0, func(wire.Event, int) *wire.Reply { return nil })
	a := start(t, srv.ClientURL())
	a.cross("g1", "g1")
	eventually(t, "both crossings heard", func() bool { return len(k.took(wire.KindCrossing)) == 2 })
	close(a.in)
	e := k.took(wire.KindCrossing)[1]
	for done := false; !done; {
		mark, err := json.Marshal(wire.Stored{Boot: e.Boot, Seq: *e.Seq + 50})
		if err != nil {
			t.Fatal(err)
		}
		if err := k.nc.Publish(bus.Stored(site, "gate-a"), mark); err != nil {
			t.Fatal(err)
		}
		select {
		case err := <-a.ended:
			done = true
			if err != nil {
				t.Error(err)
			}
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func TestNoAnswerMeansSendAgain(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	first := map[uint64]bool{}
	k := listen(t, srv, "j", 0, func(e wire.Event, _ int) *wire.Reply {
		if e.Kind == wire.KindCrossing && !first[*e.Seq] {
			first[*e.Seq] = true
			return nil
		}
		return &wire.Reply{OK: true, Duplicate: true}
	})
	a := start(t, srv.ClientURL())
	a.cross("g1")
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	if got := k.took(wire.KindCrossing); len(got) != 2 || *got[0].Seq != *got[1].Seq {
		t.Errorf("sent %d times, want the same event twice", len(got))
	}
}

// A small computer without a battery clock: forty days behind. What it saw
// before it met the bus, in this start, is put right too; and so it is when
// the agent was stopped in between.
func TestAClockThatWasNeverSet(t *testing.T) {
	t.Parallel()
	const off = int64(40 * 24 * 3600 * 1_000_000)
	srv := startBus(t, anyPort())
	dir := t.TempDir()
	silent := listen(t, srv, "j", off, func(wire.Event, int) *wire.Reply { return nil })
	a := start(t, srv.ClientURL(), func(c *Config) { c.SpoolDir = dir; c.StopFor = 50 * time.Millisecond })
	before := time.Now().UnixMicro()
	a.cross("g1")
	eventually(t, "the crossing and the exchange heard", func() bool { return len(silent.took(wire.KindCrossing)) > 0 && len(silent.took(wire.KindSync)) > 0 })
	a.stop()
	if err := <-a.ended; err != nil {
		t.Fatal(err)
	}
	silent.nc.Close()
	k := listen(t, srv, "j", off, ok)
	a = start(t, srv.ClientURL(), func(c *Config) { c.SpoolDir = dir })
	a.cross("g2")
	old := silent.took(wire.KindSync)[0]
	eventually(t, "the newer start's exchange", func() bool {
		s := k.took(wire.KindSync)
		return len(s) > 0 && s[len(s)-1].Boot != old.Boot
	})
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	got := k.took(wire.KindCrossing)
	if len(got) != 2 || got[0].Gate != "g1" || got[1].Gate != "g2" || got[0].Boot == got[1].Boot {
		t.Fatalf("got %+v; want g1 of the older start, then g2 of the newer", got)
	}
	now := time.Now().UnixMicro()
	syncs := append([]wire.Event{old}, k.took(wire.KindSync)...)
	for _, e := range got {
		first := syncs[slices.IndexFunc(syncs, func(s wire.Event) bool { return s.Boot == e.Boot })]
		half := (*first.T4Us-*first.T1Us)/2 + 1000 // what the shift may be wrong by
		if at := e.AtUs - off; at < before-half || at > now+half {
			t.Errorf("crossing of %s lies %d us from when the test began by the bus's clock", e.Gate, at-before)
		}
	}
	if *old.T2Us-*old.T1Us > 5_000_000 {
		t.Errorf("the exchange is not told by the shifted clock: %+v", old)
	}
}

func TestServerThatComesLaterAndComesBack(t *testing.T) {
	r := relay.New(t)
	a := start(t, fmt.Sprintf("nats://127.0.0.1:%d", r.Port))
	a.cross("g1")
	newest := uint64(0) // crossing of the rounds before; it comes again where the bus went before the agent had its answer
	for round := range 2 {
		srv := startBus(t, anyPort())
		r.To(srv.Addr().(*net.TCPAddr).Port)
		k := listen(t, srv, "j", 0, ok)
		before := newest
		eventually(t, fmt.Sprintf("the crossing of round %d", round), func() bool {
			for _, e := range k.took(wire.KindCrossing) {
				newest = max(newest, *e.Seq)
			}
			return newest > before
		})
		r.To(0)
		k.nc.Close()
		srv.Shutdown()
		srv.WaitForShutdown()
		a.cross("g1")
	}
	a.stop()
	if err := <-a.ended; err != nil {
		t.Errorf("a stop asked for is not an error, got %v", err)
	}
	if !strings.Contains(a.out.String(), "events are kept in") {
		t.Errorf("it did not say that an event is kept: %s", a.out)
	}
}

func TestWrongPasswordIsSaidAndNothingIsLost(t *testing.T) {
	t.Parallel()
	srv := startBus(t, server.Options{Port: -1, Users: []*server.User{{Username: "j", Password: "pw"}, {Username: "gate-a", Password: "other"}}})
	listen(t, srv, "j", 0, ok)
	dir := t.TempDir()
	a := start(t, srv.ClientURL(), func(c *Config) { c.SpoolDir = dir; c.DrainFor = 500 * time.Millisecond })
	a.cross("g1")
	eventually(t, "the agent to say that the sign-in was refused", func() bool { return strings.Contains(a.out.String(), "refused the sign-in") })
	if err := a.end(); !errors.Is(err, ErrUndelivered) {
		t.Errorf("got %v, want ErrUndelivered", err)
	}
	s := mustOpen(t, dir, 0)
	if s.Pending() != 1 {
		t.Errorf("%d events kept, want 1", s.Pending())
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestFoundByAskingTheNetwork(t *testing.T) {
	t.Parallel()
	srv := startBus(t, anyPort())
	k := listen(t, srv, "j", 0, ok)
	asked := 0
	a := start(t, "", func(c *Config) {
		c.Site = ""
		c.Find = func(context.Context, string) (Found, error) {
			if asked++; asked == 1 {
				return Found{}, ErrNotFound
			}
			return Found{Address: srv.ClientURL(), Site: site}, nil
		}
	})
	a.cross("g1")
	if err := a.end(); err != nil {
		t.Fatal(err)
	}
	if n := len(k.took(wire.KindCrossing)); n != 1 || !strings.Contains(a.out.String(), "no Rainhill service was found") {
		t.Errorf("%d crossings, said %s", n, a.out)
	}
}

func TestConfigIsChecked(t *testing.T) {
	good := Config{Agent: "a", Site: "s", Server: "nats://x", Source: lines(nil), Sensor: taps{}, SpoolDir: t.TempDir()}
	for name, spoil := range map[string]func(*Config){
		"agent not an id":     func(c *Config) { c.Agent = "A b" },
		"site not an id":      func(c *Config) { c.Site = "a.b" },
		"server without site": func(c *Config) { c.Site = "" },
		"no source":           func(c *Config) { c.Source = nil },
		"spool not a folder":  func(c *Config) { c.SpoolDir = os.DevNull },
	} {
		c := good
		spoil(&c)
		if err := Run(context.Background(), c); err == nil {
			t.Errorf("%s: it ran", name)
		}
	}
}
