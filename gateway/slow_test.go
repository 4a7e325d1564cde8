package gateway_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

// slow is what a scorer that is far behind does.
type slow struct {
	scored, checked atomic.Uint64 // up to which fact; how many decisions
	asked, release  chan struct{}
}

// newSlowDoor is a service whose scorer is far behind: it answers, and has scored
// nothing yet. A check about session "old" waits until release is closed.
func newSlowDoor(t *testing.T) (*door, *slow) {
	t.Helper()
	data := t.TempDir()
	h, err := host.Open(host.Config{Data: data, Site: site, WebPort: -1, Parts: []string{"journal", "gateway"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Stop(); err != nil {
			t.Error(err)
		}
	})
	s := &slow{asked: make(chan struct{}, 1), release: make(chan struct{})}
	for what, said := range map[string]string{"check": `{"ok":true}`, "scored": `{"seq":%d}`, "decided": `{"ok":false}`} {
		_, err := h.Bus().Subscribe(bus.Question(site, what), func(m *nats.Msg) {
			go func() {
				said := said
				switch {
				case what == "scored":
					said = fmt.Sprintf(said, s.scored.Load())
				case what == "check" && strings.Contains(string(m.Data), `"session":"old"`):
					s.asked <- struct{}{}
					<-s.release
				case what == "check":
					s.checked.Add(1)
				}
				_ = m.Respond([]byte(said))
			}()
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return &door{t: t, Host: h, data: data}, s
}

// A decision that the scorer has not come to yet is on disk: nobody is told that
// another's went before it. It is waited for all the same, and the next one is not
// checked against a book that lacks it.
func TestADecisionNotScoredYetIsNoConflict(t *testing.T) {
	d, s := newSlowDoor(t)
	ada := d.clerk("Ada")
	began := time.Now()
	a := ada.decide("locomotive", wire.Locomotive{ID: "heron"}, sitting{})
	first := a.reply(t)
	if a.status != http.StatusOK || !first.OK || first.Conflict {
		t.Errorf("%d %s", a.status, a.body)
	}
	if took := time.Since(began); took < 4*time.Second {
		t.Errorf("the scorer was waited for %v", took)
	}
	a = ada.decide("locomotive", wire.Locomotive{ID: "wren"}, sitting{})
	if a.status != http.StatusServiceUnavailable || !strings.HasSuffix(a.reply(t).Reason, "try again") || s.checked.Load() != 1 {
		t.Errorf("the next, while the scorer has not come to the first: %d %s; %d were checked", a.status, a.body, s.checked.Load())
	}
	s.scored.Store(first.Seq)
	if a = ada.decide("locomotive", wire.Locomotive{ID: "wren"}, sitting{}); a.reply(t).Seq != first.Seq+1 {
		t.Errorf("the next, after the scorer has: %d %s", a.status, a.body)
	}
}

// While a decision about an old session is checked against that session's own facts,
// which takes as long as they are, the line goes on.
func TestOldSessionsHoldUpNoDecisionOnTheLine(t *testing.T) {
	d, s := newSlowDoor(t)
	ada, ben := d.clerk("Ada"), d.clerk("Ben")
	old := make(chan answer, 1)
	go func() { old <- ada.decide("note", wire.NoteValue{Text: "rain"}, sitting{session: "old"}) }()
	<-s.asked
	live := make(chan answer, 1)
	go func() { live <- ben.decide("locomotive", wire.Locomotive{ID: "heron"}, sitting{}) }()
	select {
	case <-live:
	case <-time.After(time.Minute): // it cannot end before its release
		t.Error("a decision on the line waits for one about an old session")
	}
	close(s.release)
	if a := <-old; a.status != http.StatusOK {
		t.Errorf("%d %s", a.status, a.body)
	}
}
