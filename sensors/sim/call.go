package sim

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// lookEvery is how often the book is looked into when nothing says that it changed.
const lookEvery = 2 * time.Second

// RunCalled plays the trains of a scenario one at a time, each when it is called:
// while a trial of its locomotive is open it runs, with that trial's tag, and stands
// off the circuit before and after. Of several open trials the newest runs. Like Run
// it returns nil when ctx is done, and an error when the journal refuses an event.
func RunCalled(ctx context.Context, nc *nats.Conn, site string, s Scenario, seed int64) error {
	changed := make(chan struct{}, 1)
	sub, err := nc.Subscribe(bus.Frames(site), func(m *nats.Msg) {
		var f wire.Frame
		if json.Unmarshal(m.Data, &f) == nil && f.Setup {
			select {
			case changed <- struct{}{}:
			default:
			}
		}
	})
	if err != nil {
		return fmt.Errorf("waiting for trials to open: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	running, stop := "", func() error { return nil }
	for {
		if t, ok := called(ctx, nc, site, s); ok && t.Trial != running {
			if err := stop(); err != nil {
				return ended(ctx, err)
			}
			running, stop = t.Trial, func() error { return nil }
			if running != "" {
				seed++
				stop = one(ctx, nc, site, s, t, seed)
			}
		}
		select {
		case <-ctx.Done():
			return ended(ctx, stop())
		case <-changed:
		case <-time.After(lookEvery):
		}
	}
}

// one has a single train run until the function it gives is called, which returns
// how the run ended.
func one(ctx context.Context, nc *nats.Conn, site string, s Scenario, t Train, seed int64) (stop func() error) {
	ctx, cancel := context.WithCancel(ctx)
	s.Trains = []Train{t}
	done := make(chan error, 1)
	go func() { done <- Run(ctx, nc, site, s, seed, 1) }()
	return func() error {
		cancel()
		return <-done
	}
}

// called is the train of the newest open trial, with that trial's id and tag; one
// without an id when none is open. ok is false when the book could not be asked.
func called(ctx context.Context, nc *nats.Conn, site string, s Scenario) (t Train, ok bool) {
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	b, err := bus.Enquire(ctx, nc, bus.Question(site, "view"), nil)
	var v wire.View
	if err != nil || json.Unmarshal(b, &v) != nil {
		return t, false
	}
	for _, open := range slices.Backward(v.Trials) {
		i := slices.IndexFunc(s.Trains, func(t Train) bool { return t.Loco.ID == open.Locomotive && t.Consist.ID == open.Consist })
		if i < 0 {
			i = slices.IndexFunc(s.Trains, func(t Train) bool { return t.Loco.ID == open.Locomotive })
		}
		if i < 0 || open.ToUs != 0 || open.Direction == "reverse" {
			continue
		}
		t = s.Trains[i]
		t.Trial, t.Tag, t.FromS, t.ToS = open.ID, open.Tag, 0, 0
		return t, true
	}
	return t, true
}
