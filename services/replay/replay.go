// Package replay answers "how did that session look at that instant?". It reads a
// session's records from the journal, steps the reducer of the live line through
// them, and tells one viewer what a page would have shown: on a time axis of its
// own, as fast as asked, on a subject of that replay alone. It writes nothing,
// and nothing of it comes near what the live line says.
package replay

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// limits keep replays from taking the machine from the live line.
type limits struct {
	most    int           // replays at a time
	bytes   int64         // that all sessions held take at most, packed
	silence time.Duration // without a word from its viewer a replay ends
}

// standard holds some three million facts with telemetry in all; what each replay
// has unpacked, its state and one block, comes on top: 20 MB after a million facts.
var standard = limits{most: 8, bytes: 256 << 20, silence: 30 * time.Second}

type service struct {
	nc     *nats.Conn
	js     jetstream.JetStream
	site   string
	limits limits
	held   atomic.Int64

	mu    sync.Mutex
	shows map[string]*show
	done  sync.WaitGroup
}

// Run answers for the replays of a site until ctx is done, and then returns nil.
func Run(ctx context.Context, nc *nats.Conn, site string) error {
	return run(ctx, nc, site, standard)
}

func run(ctx context.Context, nc *nats.Conn, site string, limits limits) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	s := &service{nc: nc, js: js, site: site, limits: limits, shows: map[string]*show{}}
	controls, err := nc.Subscribe(bus.ReplayControl(site, "*"), func(m *nats.Msg) {
		s.control(m.Subject[strings.LastIndexByte(m.Subject, '.')+1:], m.Data)
	})
	if err != nil {
		return fmt.Errorf("listening for replays: %w", err)
	}
	asked, err := nc.Subscribe(bus.Question(site, "replay"), func(m *nats.Msg) { // last: who has a replay may control it
		reply := wire.Reply{OK: true}
		if err := s.open(ctx, m.Data); err != nil {
			reply = wire.Reply{Reason: err.Error()}
		}
		b, _ := json.Marshal(reply)
		_ = m.Respond(b)
	})
	if err == nil {
		err = nc.Flush()
	}
	if err != nil {
		return errors.Join(fmt.Errorf("listening for replays: %w", err), controls.Unsubscribe())
	}
	<-ctx.Done()
	_, _ = asked.Unsubscribe(), controls.Unsubscribe()
	s.mu.Lock()
	s.shows = nil // none begins any more
	s.mu.Unlock()
	s.done.Wait()
	return nil
}

// open begins a replay, or says why not.
func (s *service) open(ctx context.Context, asked []byte) error {
	var o wire.ReplayOpen
	if err := json.Unmarshal(asked, &o); err != nil {
		return fmt.Errorf("%w: asking for a replay: %v", wire.ErrMalformed, err)
	}
	if err := o.Check(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.shows == nil || ctx.Err() != nil:
		return errors.New("the service is stopping")
	case s.shows[o.ID] != nil:
		return fmt.Errorf("there is a replay %q already", o.ID)
	case len(s.shows) >= s.limits.most:
		return fmt.Errorf("%d replays run already, and more at a time are not given: close one, or try again later", len(s.shows))
	}
	w := newShow(s, o)
	ctx, w.end = context.WithCancel(ctx)
	s.shows[o.ID] = w
	s.done.Go(func() {
		defer s.leave(w)
		w.run(ctx)
	})
	return nil
}

func (s *service) leave(w *show) {
	w.end()
	s.held.Add(-w.held)
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.shows, w.asked.ID)
}

// control hands what a viewer says to its replay; a close ends whatever it does.
func (s *service) control(id string, said []byte) {
	var c wire.ReplayControl
	if json.Unmarshal(said, &c) != nil || c.Check() != nil {
		return
	}
	s.mu.Lock()
	w := s.shows[id]
	s.mu.Unlock()
	if w == nil {
		return
	}
	w.heard.Store(time.Now().UnixNano())
	if c.Do == wire.ReplayClose {
		w.end()
		return
	}
	select {
	case w.controls <- c:
	default: // more than anybody can mean; the newest that fits counts
	}
}
