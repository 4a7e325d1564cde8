package scoring

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/pulling"
)

// pull answers what pull tests show, of sessions or of a locomotive's season: a
// wire.PullAsk in, a wire.PullResult out.
func (s *scorer) pull(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.PullAsk](q, "pull tests")
	if err != nil {
		reply(nil, err)
		return
	}
	sessions, open, present := s.sessionsOf(ask.Of()), "", []byte(nil)
	if ask.Season {
		sessions = nil
		for _, x := range s.state.Sessions {
			sessions = append(sessions, x.ID)
		}
	}
	switch b := s.state.Book; {
	case b == nil:
		sessions = slices.DeleteFunc(sessions, func(id string) bool { return id == "" }) // nothing was pulled yet
	case b.Session.ClosedUs == 0 && slices.Contains(sessions, b.Session.ID):
		if present, err = trial.Encode(s.state.Results()); err != nil {
			reply(nil, err)
			return
		}
		open = b.Session.ID
	}
	options, roster := pulling.OptionsOf(ask), s.roster()
	first := pulling.First(s.state.Locomotives, ask.Locomotive, options)
	of := func(session string) ([]byte, error) {
		if session == open {
			return present, nil
		}
		return s.ledger.Results(session)
	}
	s.beside(reply, func() ([]byte, error) {
		as, err := attempts(ask, sessions, roster, of)
		if err != nil {
			return nil, err
		}
		options.Called = roster.called()[wire.ByLocomotive]
		r := pulling.Judge(as, options)
		r.First = first
		return json.Marshal(r)
	})
}

// attempts are those of the sessions asked about; what those knew of the roster is added to it.
func attempts(ask wire.PullAsk, sessions []string, roster names, results func(session string) ([]byte, error)) (as []pulling.Attempt, err error) {
	for _, id := range sessions {
		b, err := results(id)
		if err != nil {
			return nil, err
		}
		if b == nil {
			if ask.Season { // opened and taken back, or closed by a program that kept none
				continue
			}
			return nil, fmt.Errorf("there is no session %q", id)
		}
		var r wire.Results
		if err := json.Unmarshal(b, &r); err != nil {
			return nil, fmt.Errorf("results of session %s: %w", id, err)
		}
		roster.knew(r)
		as = append(as, pulling.OfBook(r, ask.Locomotive)...)
	}
	return as, nil
}

// pullSeen answers what the sensors say of an attempt: a wire.PullSeenAsk in, a
// wire.PullSeen out.
func (s *scorer) pullSeen(q []byte) ([]byte, error) {
	ask, err := asked[wire.PullSeenAsk](q, "an attempt to pull")
	if err != nil {
		return nil, err
	}
	seen, err := s.state.WatchPull(ask)
	if err != nil {
		return nil, err
	}
	sentences(seen.Says)
	sentences(seen.Doubts)
	return json.Marshal(seen)
}

// sentences makes each text one, for a reader who has them one after another.
func sentences(of []string) {
	for i, s := range of {
		if s == "" {
			continue
		}
		if of[i] = strings.ToUpper(s[:1]) + s[1:]; !strings.ContainsAny(s[len(s)-1:], ".?!") {
			of[i] += "."
		}
	}
}
