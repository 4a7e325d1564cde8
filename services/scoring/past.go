package scoring

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/store"
)

// past reads a session's own facts, and what was decided about it up to a record
// (0: all), into a state of its own: what it says is what an export of the session
// would score. each hears how many facts were read; its error ends the reading.
func (s *scorer) past(ctx context.Context, session string, upto uint64, each func(n int) error) (*trial.State, error) {
	state, n := trial.New(s.site), 0
	state.KeepAll()
	_, err := journal.Session(ctx, s.js, s.site, session, func(seq uint64, record []byte) error {
		if upto != 0 && seq > upto {
			return nil
		}
		if f := decode(seq, record); f.err == nil {
			state.Step(f.event)
		}
		n++
		return each(n)
	})
	if err == nil && state.Book == nil {
		err = fmt.Errorf("there is no session %q", session)
	}
	return state, err
}

func silently(int) error { return nil }

// amend adds to a commit the results of a session that is no longer in the book, by
// all that was decided about it up to a record.
func (s *scorer) amend(out *store.Commit, session string, upto uint64) error {
	state, err := s.past(s.ctx, session, upto, silently)
	if err != nil {
		return fmt.Errorf("scoring session %s again: %w", session, err)
	}
	for _, r := range state.Results().Trials {
		out.Trials = append(out.Trials, store.Trial{Session: session, Result: r, FromLap: 1})
	}
	for _, t := range state.Book.Trials {
		if t.Gone {
			out.Gone = append(out.Gone, store.Gone{Session: session, Trial: t.Trial.ID})
		}
	}
	return keep(out, state, true)
}

// keep adds the results of the session in a state's book to a commit.
func keep(out *store.Commit, state *trial.State, corrected bool) error {
	b, err := trial.Encode(state.Results())
	if err != nil {
		return err
	}
	out.Sessions = append(out.Sessions, store.Session{ID: state.Book.Session.ID, Results: b, Version: state.Rules.Version, Corrected: corrected})
	return nil
}

// endAgain is how long the scorer waits for a trial to close that it has asked to
// be closed before it asks once more.
const endAgain = 5 * time.Second

// endDue closes the trials that end by themselves, by a decision like any other.
func (s *scorer) endDue() {
	for _, t := range s.state.Due() {
		if time.Since(s.ending[t.ID]) < endAgain {
			continue
		}
		s.ending[t.ID] = time.Now()
		s.told++
		seq, base := s.told, s.state.Seq
		value, err := json.Marshal(t)
		if err != nil {
			continue // it came from JSON
		}
		why := fmt.Sprintf("it has its %d laps", t.EndsAfterLaps)
		if t.EndsAfterS > 0 && t.ToUs-t.FromUs >= int64(t.EndsAfterS*1e6) {
			why = fmt.Sprintf("its %g seconds are over", t.EndsAfterS)
		}
		e := wire.Event{
			Kind: wire.KindDecision, Agent: "scoring", Boot: s.boot, Seq: &seq, AtUs: time.Now().UnixMicro(),
			ID: fmt.Sprintf("end%d-%d", time.Now().UnixMicro(), seq), By: "the trial's own rule", What: wire.WhatTrial, Why: why, Value: value,
			BaseSeq: &base, // what an official decides on it meanwhile stands
		}
		b, err := json.Marshal(e)
		if err == nil {
			// Nobody waits for the answer: if it is lost, the trial is still due.
			_ = s.nc.Publish(bus.Internal(s.site, e.Kind, e.Source()), b)
		}
	}
	for id, at := range s.ending {
		if time.Since(at) > time.Minute {
			delete(s.ending, id)
		}
	}
}

// rescore answers what a session would be under other rules. It reads the journal
// beside the loop, says how far it is, and stops when it is cancelled.
func (s *scorer) rescore(q []byte, reply func([]byte, error)) {
	var ask wire.RescoreAsk
	if err := json.Unmarshal(q, &ask); err != nil {
		reply(nil, fmt.Errorf("want {session, scoring, job}: %w", err))
		return
	}
	if err := ask.Scoring.Check(); err != nil {
		reply(nil, err)
		return
	}
	if ask.Session == "" && s.state.Book != nil {
		ask.Session = s.state.Book.Session.ID
	}
	if s.rescoring.Add(1) > rescoresMost {
		s.rescoring.Add(-1)
		reply(nil, fmt.Errorf("%d sessions are being scored again already: try again in a moment", rescoresMost))
		return
	}
	go func() {
		defer s.rescoring.Add(-1)
		reply(s.rescored(ask))
	}()
}

// rescoresMost is how many sessions are scored again at once: each holds one whole.
const rescoresMost = 3

func (s *scorer) rescored(ask wire.RescoreAsk) ([]byte, error) {
	ctx, cancel := context.WithCancel(s.ctx)
	defer cancel()
	if wire.ValidID(ask.Job) {
		stop, err := s.nc.Subscribe(bus.Cancel(s.site, ask.Job), func(*nats.Msg) { cancel() })
		if err == nil {
			defer func() { _ = stop.Unsubscribe() }()
		}
	}
	told := time.Now()
	state, err := s.past(ctx, ask.Session, 0, func(n int) error {
		if wire.ValidID(ask.Job) && n%512 == 0 && time.Since(told) > 100*time.Millisecond {
			told = time.Now()
			b, err := json.Marshal(wire.Progress{Done: n})
			if err != nil {
				return err
			}
			return s.nc.Publish(bus.Progress(s.site, ask.Job), b)
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	res, err := state.Under(ask.Scoring)
	if err != nil {
		return nil, err
	}
	return trial.Encode(res)
}
