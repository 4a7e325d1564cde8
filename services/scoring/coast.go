package scoring

import (
	"encoding/json"
	"fmt"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/coasting"
)

// coast answers what a session's coasting shows: a wire.CoastAsk in, a wire.CoastResult
// out. A session that has left the book is read again, and the sums are done, beside the
// loop.
func (s *scorer) coast(q []byte, reply func([]byte, error)) {
	ask, err := asked[wire.CoastAsk](q, "coasting")
	if err != nil {
		reply(nil, err)
		return
	}
	if b := s.state.Book; ask.Session == "" || b != nil && b.Session.ID == ask.Session {
		rolled, err := coasted(s.state, ask, s.roster())
		s.beside(reply, func() ([]byte, error) { return answered(rolled, err) })
		return
	}
	roster := s.roster()
	s.beside(reply, func() ([]byte, error) {
		state, err := s.past(s.ctx, ask.Session, 0, silently)
		if err != nil {
			return nil, err
		}
		return answered(coasted(state, ask, roster))
	})
}

// rolled is what a question is answered from.
type rolled struct {
	stock   coasting.Stock
	outings []coasting.Outing
}

func coasted(state *trial.State, ask wire.CoastAsk, roster names) (r rolled, err error) {
	if state.Book == nil {
		return r, fmt.Errorf("coasting: there is no session")
	}
	r.stock, r.outings, err = coasting.OfSession(state, ask)
	roster.knew(wire.Results{Consists: r.stock.Consists})
	r.stock.Called = roster.called()[wire.ByConsist]
	return r, err
}

func answered(r rolled, err error) ([]byte, error) {
	if err != nil {
		return nil, err
	}
	res, _, err := r.stock.Answer(r.outings) // passages of one lap always lie in order
	if err != nil {
		return nil, fmt.Errorf("coasting: %w", err)
	}
	return json.Marshal(res)
}
