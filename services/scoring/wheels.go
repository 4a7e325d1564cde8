package scoring

import (
	"encoding/json"
	"fmt"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// WheelsAsk is the question for the diameters of a locomotive's wheels by light, slow
// trials of a session, "" being the one in the book.
type WheelsAsk struct {
	Session string   `json:"session,omitempty"`
	Trials  []string `json:"trials"`
}

// wheels answers with wire.WheelCheck, one a driver set. A session that has left the
// book is read again beside the loop.
func (s *scorer) wheels(q []byte, reply func([]byte, error)) {
	var ask WheelsAsk
	if err := json.Unmarshal(q, &ask); err != nil {
		reply(nil, fmt.Errorf("want {session, trials}: %w", err))
		return
	}
	if b := s.state.Book; ask.Session == "" || b != nil && b.Session.ID == ask.Session {
		reply(checked(s.state, ask.Trials))
		return
	}
	if !wire.ValidID(ask.Session) {
		reply(nil, fmt.Errorf("session %q is not an id", ask.Session))
		return
	}
	s.beside(reply, func() ([]byte, error) {
		state, err := s.past(s.ctx, ask.Session, 0, silently)
		if err != nil {
			return nil, err
		}
		return checked(state, ask.Trials)
	})
}

func checked(state *trial.State, trials []string) ([]byte, error) {
	checks, err := state.WheelChecks(trials)
	if err != nil {
		return nil, err
	}
	return json.Marshal(checks)
}
