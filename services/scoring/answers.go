package scoring

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// answer listens for questions; each is answered between two groups of facts, but
// those that read the journal, which go on beside them.
func (s *scorer) answer(ctx context.Context) (unsubscribe func(), err error) {
	var subs []*nats.Subscription
	unsubscribe = func() {
		for _, x := range subs {
			_ = x.Unsubscribe()
		}
	}
	at := func(f func([]byte) ([]byte, error)) func([]byte, func([]byte, error)) {
		return func(q []byte, reply func([]byte, error)) { reply(f(q)) }
	}
	for what, f := range map[string]func([]byte, func([]byte, error)){
		"view": at(s.view), "results": at(s.results), "scored": at(s.scored), "running-order": at(s.runningOrder),
		"decided": at(s.decided), "digest": at(s.digest), "check": s.check, "rescore": s.rescore, "history": s.history, "wheels": s.wheels,
		"curve": s.curve, "coast": s.coast, "predict": s.predict, "pairing": s.pairing,
		"paired": s.paired, "paired-order": at(pairedOrder), "pull": s.pull, "pull-seen": at(s.pullSeen), "compare": s.compare,
	} {
		x, err := s.nc.Subscribe(bus.Question(s.site, what), func(m *nats.Msg) {
			reply := func(b []byte, err error) {
				if err != nil {
					b, _ = json.Marshal(wire.Reply{Reason: err.Error(), Conflict: errors.Is(err, trial.ErrConflict)})
				}
				_ = bus.Answer(m, b) // who asked may be gone
			}
			select {
			case s.asks <- func() { f(m.Data, reply) }:
			case <-ctx.Done():
			}
		})
		if err != nil {
			unsubscribe()
			return nil, fmt.Errorf("listening for %s: %w", what, err)
		}
		subs = append(subs, x)
	}
	x, err := s.answerDrawing()
	if err != nil {
		unsubscribe()
		return nil, err
	}
	subs = append(subs, x)
	return unsubscribe, s.nc.Flush()
}

func (s *scorer) view([]byte) ([]byte, error) {
	v := s.state.View()
	v.NowUs = time.Now().UnixMicro()
	v.Motors = append(v.Motors, s.motors[max(0, len(s.motors)-motorsKept):]...)
	return json.Marshal(v)
}

// results are of the session named in the question; of the present one when
// none is. A closed session's are the bytes that were stored when it closed, or
// was last corrected.
func (s *scorer) results(q []byte) ([]byte, error) {
	id := string(q)
	b := s.state.Book
	if b != nil && (id == "" || id == b.Session.ID) && b.Session.ClosedUs == 0 || id == "" && b == nil {
		return trial.Encode(s.state.Results())
	}
	if id == "" {
		id = b.Session.ID
	}
	out, err := s.ledger.Results(id)
	if err == nil && out == nil {
		err = fmt.Errorf("there is no session %q", id)
	}
	return out, err
}

// check says whether a decision could be carried out. One about a session that is
// not in the book is checked against that session's own facts.
func (s *scorer) check(q []byte, reply func([]byte, error)) {
	e, err := wire.Decode(q)
	if err == nil {
		err = s.state.Check(e)
	}
	if errors.Is(err, trial.ErrElsewhere) {
		go func() { reply(okay(s.checkPast(e))) }()
		return
	}
	reply(okay(err))
}

func okay(err error) ([]byte, error) {
	if err != nil {
		return nil, err
	}
	return json.Marshal(wire.Reply{OK: true})
}

func (s *scorer) checkPast(e wire.Event) error {
	state, err := s.past(s.ctx, e.Session, 0, silently)
	if err != nil {
		return err
	}
	return state.Check(e)
}

// Scored says how far the scorer is and what the health page shows of it.
type Scored struct {
	Seq     uint64   `json:"seq"`
	Unknown []string `json:"unknown_gates"`
	Doubts  []string `json:"doubts"`
}

func (s *scorer) scored([]byte) ([]byte, error) {
	return json.Marshal(Scored{Seq: s.state.Seq, Unknown: s.state.Unknown, Doubts: s.state.Doubts})
}

// decided says whether the decision of that id had effect.
func (s *scorer) decided(q []byte) ([]byte, error) {
	return json.Marshal(wire.Reply{OK: s.state.HadEffect(string(q))})
}

// digest is what an official signs of a session's results.
func (s *scorer) digest(q []byte) ([]byte, error) {
	b, err := s.results(q)
	if err != nil {
		return nil, err
	}
	var r wire.Results
	if err := json.Unmarshal(b, &r); err != nil {
		return nil, fmt.Errorf("reading the results: %w", err)
	}
	d, err := trial.Digest(r)
	if err != nil {
		return nil, err
	}
	return json.Marshal(wire.Seal{Digest: d})
}

// runningOrder proposes a running order from the seed in the question.
func (s *scorer) runningOrder(q []byte) ([]byte, error) {
	seed, err := strconv.ParseUint(string(q), 10, 64)
	if err != nil {
		return nil, fmt.Errorf("seed %q is not a whole number of 0 or more", q)
	}
	p, err := s.state.DrawOrder(seed)
	if err != nil {
		return nil, err
	}
	return json.Marshal(p)
}

// history answers what a locomotive did in every closed session, and in the open one.
// It reads the closed ones beside the loop: they are many.
func (s *scorer) history(q []byte, reply func([]byte, error)) {
	sessions, open, present := slices.Clone(s.state.Sessions), "", []byte(nil)
	if b := s.state.Book; b != nil && b.Session.ClosedUs == 0 {
		var err error
		if present, err = trial.Encode(s.state.Results()); err != nil {
			reply(nil, err)
			return
		}
		open = b.Session.ID
	}
	of := func(session string) ([]byte, error) {
		if session == open {
			return present, nil
		}
		return s.ledger.Results(session)
	}
	go func() { reply(history(string(q), sessions, of)) }()
}

func history(locomotive string, sessions []wire.Session, results func(session string) ([]byte, error)) ([]byte, error) {
	out := wire.History{Locomotive: locomotive, Trials: []wire.PastTrial{}}
	for _, x := range sessions {
		b, err := results(x.ID)
		if err != nil || b == nil {
			continue // opened and taken back, or closed by a program that kept none
		}
		var r wire.Results
		if err := json.Unmarshal(b, &r); err != nil {
			return nil, fmt.Errorf("results of session %s: %w", x.ID, err)
		}
		out.Add(x, r)
	}
	return json.Marshal(out)
}
