package sim

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// How often events are sent, how long an answer may take, and how long to wait
// before the same event is sent again.
const (
	sendEvery  = 20 * time.Millisecond
	answerTime = 2 * time.Second
	again      = 200 * time.Millisecond
)

// Run plays a railway over the bus from now on, speedup times as fast as a
// clock (1 is real time; above 1 instants run ahead of bus time, which takes them
// for at most a day). Each agent's events go in order and each is sent again until
// the journal answers that it has it; while the bus is away nothing piles up, the
// railway waits.
//
// Motors obey the throttle commands of the bus as an agent with an output does
// (wire.Throttle): from its first command on a motor has what was commanded last,
// and stops when none has come for 500 ms (the next command drives it again, also one that
// is not 0: in that it is laxer than an agent); its readings then go out one by one.
// Run returns nil when ctx is done, and an error when the
// journal refuses an event for good.
func Run(ctx context.Context, nc *nats.Conn, site string, s Scenario, seed int64, speedup float64) error {
	if !(speedup > 0) {
		return fmt.Errorf("playing the simulated railway: speedup = %g, want more than 0", speedup)
	}
	start := time.Now()
	startUs := start.UnixMicro()
	r := New(s, seed, startUs)
	now := func() int64 { return startUs + int64(float64(time.Since(start).Microseconds())*speedup) }
	commands := newOrders(now)
	for _, motor := range r.motors() {
		sub, err := nc.Subscribe(bus.Throttle(site, motor), func(m *nats.Msg) { commands.hear(motor, int64(deadmanUs*speedup), m) })
		if err != nil {
			return ended(ctx, fmt.Errorf("listening for commands to simulated motor %s: %w", motor, err))
		}
		defer func() { _ = sub.Unsubscribe() }()
	}
	sub, err := nc.Subscribe(bus.Driving(site), func(m *nats.Msg) { commands.driven(startUs, m) })
	if err != nil {
		return ended(ctx, fmt.Errorf("listening for who drives simulated motors: %w", err))
	}
	defer func() { _ = sub.Unsubscribe() }()
	ticker := time.NewTicker(sendEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-commands.came:
		case <-ticker.C:
		}
		nowUs := now()
		for _, c := range commands.take() {
			r.Command(c)
		}
		if err := sendAll(ctx, nc, site, r.Next(nowUs)); err != nil {
			return ended(ctx, err)
		}
	}
}

// ended takes the end of ctx for an ordinary end.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// sendAll sends each agent's events in order, the agents side by side, and
// returns when all are stored or one of them never will be.
func sendAll(ctx context.Context, nc *nats.Conn, site string, events []wire.Event) error {
	byAgent := map[string][]wire.Event{}
	for _, e := range events {
		byAgent[e.Agent] = append(byAgent[e.Agent], e)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ends := make(chan error, len(byAgent))
	for _, list := range byAgent {
		go func() { ends <- sendList(ctx, nc, site, list) }()
	}
	var first error
	for range byAgent {
		if err := <-ends; err != nil && first == nil {
			first = err
			cancel()
		}
	}
	return first
}

func sendList(ctx context.Context, nc *nats.Conn, site string, list []wire.Event) error {
	for _, e := range list {
		if err := send(ctx, nc, site, e); err != nil {
			return err
		}
	}
	return nil
}

// send asks the journal to store e until it says that it has.
func send(ctx context.Context, nc *nats.Conn, site string, e wire.Event) error {
	e.BusUs = 0 // the journal's to say
	b, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("writing event %d of %s: %w", *e.Seq, e.Agent, err)
	}
	for {
		answer, err := ask(ctx, nc, bus.Internal(site, e.Kind, e.Source()), b)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, nats.ErrConnectionClosed):
			return fmt.Errorf("sending event %d of %s: %w", *e.Seq, e.Agent, err)
		case err == nil && answer.OK:
			return nil
		case err == nil && !strings.HasSuffix(answer.Reason, "try again"):
			return fmt.Errorf("the journal refuses event %d of %s: %s", *e.Seq, e.Agent, answer.Reason)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(again):
		}
	}
}

func ask(ctx context.Context, nc *nats.Conn, subject string, b []byte) (wire.Reply, error) {
	var answer wire.Reply
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	m, err := nc.RequestWithContext(ctx, subject, b)
	if err != nil {
		return answer, err
	}
	return answer, json.Unmarshal(m.Data, &answer)
}
