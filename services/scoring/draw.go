package scoring

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// answerDrawing listens for circuits that are being drawn up. What is answered
// depends on the question alone, so it waits for no facts and holds none up.
func (s *scorer) answerDrawing() (*nats.Subscription, error) {
	x, err := s.nc.Subscribe(bus.Question(s.site, "draw"), func(m *nats.Msg) {
		b, err := draw(m.Data)
		if err != nil {
			b, _ = json.Marshal(wire.Reply{Reason: err.Error()})
		}
		_ = m.Respond(b)
	})
	if err != nil {
		return nil, fmt.Errorf("listening for drawings: %w", err)
	}
	return x, nil
}

// draw lays a circuit out that is in no book yet: a wire.CircuitValue in, a
// wire.CircuitView out.
func draw(q []byte) ([]byte, error) {
	var v wire.CircuitValue
	if err := json.NewDecoder(bytes.NewReader(q)).Decode(&v); err != nil {
		return nil, fmt.Errorf("drawing a circuit: want {\"circuit\": object, \"gates\": list}: %w", err)
	}
	if err := v.Check(); err != nil {
		return nil, errors.New("drawing a circuit: " + strings.TrimPrefix(err.Error(), wire.ErrMalformed.Error()+": "))
	}
	return json.Marshal(trial.Draw(v))
}
