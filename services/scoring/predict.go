package scoring

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/prediction"
)

// How many predictions, curves, coastings and checks of wheels are reckoned at once beside the loop,
// and how many may wait to be.
const (
	predictsAtOnce = 2
	predictsMost   = 64
)

// beside reckons an answer beside the loop: facts and other questions do not wait
// for it.
func (s *scorer) beside(reply func([]byte, error), f func() ([]byte, error)) {
	if s.predicting.Add(1) > predictsMost {
		s.predicting.Add(-1)
		reply(nil, fmt.Errorf("%d predictions, curves, coastings or checks of wheels are waiting to be reckoned already: try again", predictsMost))
		return
	}
	go func() {
		defer s.predicting.Add(-1)
		select {
		case s.reckoning <- struct{}{}:
			defer func() { <-s.reckoning }()
			reply(f())
		case <-s.ctx.Done():
		}
	}()
}

// asked reads a question and checks it.
func asked[T interface{ Check() error }](q []byte, what string) (ask T, err error) {
	if err := json.Unmarshal(q, &ask); err != nil {
		return ask, fmt.Errorf("%s: the question cannot be read: %w", what, err)
	}
	if err := ask.Check(); err != nil {
		return ask, errors.New(what + ": " + strings.TrimPrefix(err.Error(), wire.ErrMalformed.Error()+": "))
	}
	return ask, nil
}

// predict answers what a train should do, from the roster as it stands and the trials
// of the session in the book: a wire.PredictAsk in, a wire.Prediction out.
func (s *scorer) predict(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.PredictAsk](q, "predicting")
	if err != nil {
		reply(nil, err)
		return
	}
	stock, err := s.stock(ask.Circuit)
	if err != nil {
		reply(nil, err)
		return
	}
	ran := prediction.MeasuredOf(s.ran(ask.Locomotive.ID, ask.Trial), nil)
	s.beside(reply, func() ([]byte, error) {
		p, err := prediction.Predict(stock, ask, ran)
		if err != nil {
			return nil, fmt.Errorf("predicting: %w", err)
		}
		return json.Marshal(p)
	})
}

// pairing answers how far motors would run apart: a wire.PairingAsk in, a
// wire.PairingTable out.
func (s *scorer) pairing(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.PairingAsk](q, "pairing")
	if err != nil {
		reply(nil, err)
		return
	}
	stock, err := s.stock(ask.Circuit)
	if err != nil {
		reply(nil, err)
		return
	}
	s.beside(reply, func() ([]byte, error) {
		t, err := prediction.Pairs(stock, ask)
		if err != nil {
			return nil, fmt.Errorf("pairing: %w", err)
		}
		return json.Marshal(t)
	})
}

// stock is the roster's motors and a circuit: the session's when none is named, or the
// only one that there is.
func (s *scorer) stock(id string) (prediction.Stock, error) {
	out := prediction.Stock{Motors: maps.Clone(s.state.NamedMotors)}
	if b := s.state.Book; b != nil && (id == "" || id == b.Circuit.Circuit.ID) {
		out.Circuit = b.Circuit.Circuit
		return out, nil
	}
	if id == "" && len(s.state.Circuits) == 1 {
		for id = range s.state.Circuits {
		}
	}
	c, ok := s.state.Circuits[id]
	switch {
	case id == "":
		return out, errors.New("which circuit? No session is in the book")
	case !ok:
		return out, fmt.Errorf("there is no circuit %q", id)
	}
	out.Circuit = c.Circuit
	return out, nil
}

// ran is the results of the book's trials of a locomotive, and of one trial more,
// without their laps.
func (s *scorer) ran(locomotive, trialID string) (res wire.Results) {
	b := s.state.Book
	if b == nil {
		return res
	}
	for _, t := range b.Trials {
		if t.Gone || t.Trial.Locomotive != locomotive && t.Trial.ID != trialID {
			continue
		}
		if r, ok := s.state.Result(t.Trial.ID, math.MaxInt); ok {
			about := t.Trial
			r.About = &about
			res.Trials = append(res.Trials, r)
		}
	}
	res.Locomotives = slices.Collect(maps.Values(b.Locomotives))
	res.Consists = slices.Collect(maps.Values(b.Consists))
	return res
}

// curve answers a motor's curve from the readings of a session's trials: a
// wire.CurveAsk in, a wire.CurveOf out.
func (s *scorer) curve(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.CurveAsk](q, "fitting a curve")
	if err != nil {
		reply(nil, err)
		return
	}
	if ask.Session == "" && s.state.Book != nil {
		ask.Session = s.state.Book.Session.ID
	}
	if ask.Session == "" {
		reply(nil, errors.New("fitting a curve: there is no session"))
		return
	}
	var present []wire.TrialResult // of a session in the book; of any other they are stored
	if b := s.state.Book; b != nil && ask.Session == b.Session.ID {
		for _, t := range b.Trials {
			if r, ok := s.state.Result(t.Trial.ID, math.MaxInt); ok && !t.Gone {
				present = append(present, r)
			}
		}
	}
	s.beside(reply, func() ([]byte, error) { return s.curveOf(ask, present) })
}

// stored is the results of a session's trials as they were kept; none where none were.
func (s *scorer) stored(session string) []wire.TrialResult {
	var r wire.Results
	if b, err := s.ledger.Results(session); err != nil || json.Unmarshal(b, &r) != nil {
		return nil
	}
	return r.Trials
}

// curveOf reads the session's own facts again, with the readings of all motors: those
// of sets that drove as well are needed too.
func (s *scorer) curveOf(ask wire.CurveAsk, results []wire.TrialResult) ([]byte, error) {
	state, readings := trial.New(s.site), &prediction.Readings{}
	_, err := journal.Session(s.ctx, s.js, s.site, ask.Session, func(seq uint64, record []byte) error {
		if f := decode(seq, record); f.err == nil && f.event.Kind != wire.KindCrossing { // clocks, decisions and readings tell all
			state.Step(f.event)
			readings.Add(f.event, func(us int64) int64 { return state.BusTime(f.event, us) })
		}
		return s.ctx.Err()
	})
	if err == nil && state.Book == nil {
		err = fmt.Errorf("there is no session %q", ask.Session)
	}
	if err != nil {
		return nil, fmt.Errorf("fitting a curve: %w", err)
	}
	if results == nil {
		results = s.stored(ask.Session)
	}
	readings.Sort()
	swept := prediction.Swept{Session: ask.Session, Readings: readings, Regulated: prediction.RegulatedOf(results)}
	for _, t := range state.Book.Trials {
		if !t.Gone {
			swept.Trials = append(swept.Trials, t.Trial)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(state.Book.Locomotives)) {
		swept.Locomotives = append(swept.Locomotives, state.Book.Locomotives[id])
	}
	swept.Consists = slices.Collect(maps.Values(state.Book.Consists))
	curves, why, err := swept.Curves(ask.Motor, ask.Trials)
	switch {
	case err != nil:
		return nil, fmt.Errorf("fitting a curve: %w", err)
	case why[ask.Motor] != nil:
		return nil, fmt.Errorf("fitting a curve: %w", why[ask.Motor])
	case len(curves) == 0:
		return nil, fmt.Errorf("fitting a curve: session %s has no readings of motor %s within its trials", ask.Session, ask.Motor)
	}
	return json.Marshal(curves[0])
}
