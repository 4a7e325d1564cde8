package scoring

import (
	"encoding/json"
	"errors"
	"fmt"

	"rainhill/pkg/wire"
	"rainhill/services/coasting"
)

// coast answers what the coasting of a session or several shows: a wire.CoastAsk in, a
// wire.CoastResult out. Sessions that have left the book are read again, one after another,
// and the sums are done, beside the loop.
func (s *scorer) coast(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.CoastAsk](q, "coasting")
	if err != nil {
		reply(nil, err)
		return
	}
	ids, roster := s.sessionsOf(ask.Of()), s.roster()
	of := make([]coasting.Rolled, len(ids))
	for i, id := range ids {
		b := s.state.Book
		switch {
		case id == "" && b == nil:
			reply(nil, errors.New("coasting: there is no session"))
			return
		case b != nil && id == b.Session.ID:
			of[i] = coasting.OfSession(s.state, ask)
		}
	}
	s.beside(reply, func() ([]byte, error) {
		for i, id := range ids {
			if of[i].Stock.Session == "" {
				state, err := s.past(s.ctx, id, 0, silently)
				if err != nil {
					return nil, err
				}
				of[i] = coasting.OfSession(state, ask)
			}
			roster.knew(wire.Results{Consists: of[i].Stock.Consists})
		}
		called := roster.called()[wire.ByConsist]
		for i := range of {
			of[i].Stock.Called = called
		}
		res, _, err := coasting.Together(ask, of) // passages of one lap always lie in order
		if err != nil {
			return nil, fmt.Errorf("coasting: %w", err)
		}
		return json.Marshal(res)
	})
}

// sessionsOf is the sessions that a question names, each once: "" is the one in the book,
// and stays so where there is none.
func (s *scorer) sessionsOf(ids []string) (out []string) {
	seen := map[string]bool{}
	for _, id := range ids {
		if b := s.state.Book; id == "" && b != nil {
			id = b.Session.ID
		}
		if !seen[id] {
			seen[id], out = true, append(out, id)
		}
	}
	return out
}
