package gateway_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/rainhill/host"
)

// newSlowDoor is a service whose scorer is far behind: it answers, and has scored
// nothing yet. A check about session "old" waits until release is closed.
func newSlowDoor(t *testing.T) (d *door, asked, release chan struct{}) {
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
	asked, release = make(chan struct{}, 1), make(chan struct{})
	for what, said := range map[string]string{"check": `{"ok":true}`, "scored": `{"seq":0}`, "decided": `{"ok":false}`} {
		_, err := h.Bus().Subscribe(bus.Question(site, what), func(m *nats.Msg) {
			go func() {
				if what == "check" && strings.Contains(string(m.Data), `"session":"old"`) {
					asked <- struct{}{}
					<-release
				}
				_ = m.Respond([]byte(said))
			}()
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return &door{t: t, Host: h, data: data}, asked, release
}

// A decision that the scorer has not come to yet is on disk: nobody is told that
// another's went before it.
func TestADecisionNotScoredYetIsNoConflict(t *testing.T) {
	d, _, release := newSlowDoor(t)
	defer close(release)
	ada := d.clerk("Ada")
	a := ada.decide("locomotive", wire.Locomotive{ID: "heron"}, sitting{})
	if r := a.reply(t); a.status != http.StatusOK || !r.OK || r.Conflict {
		t.Errorf("%d %s", a.status, a.body)
	}
}

// While a decision about an old session is checked against that session's own facts,
// which takes as long as they are, the line goes on.
func TestOldSessionsHoldUpNoDecisionOnTheLine(t *testing.T) {
	d, asked, release := newSlowDoor(t)
	ada, ben := d.clerk("Ada"), d.clerk("Ben")
	old := make(chan answer, 1)
	go func() { old <- ada.decide("note", wire.NoteValue{Text: "rain"}, sitting{session: "old"}) }()
	<-asked
	live := make(chan answer, 1)
	go func() { live <- ben.decide("locomotive", wire.Locomotive{ID: "heron"}, sitting{}) }()
	select {
	case <-live:
	case <-time.After(8 * time.Second):
		t.Error("a decision on the line waits for one about an old session")
	}
	close(release)
	if a := <-old; a.status != http.StatusOK {
		t.Errorf("%d %s", a.status, a.body)
	}
}
