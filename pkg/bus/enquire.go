package bus

import (
	"context"
	"fmt"

	"github.com/nats-io/nats.go"
)

// partBytes is the most that one message of an answer carries: half of what the
// bus takes, as it is set up here and in deploy/bus.
const partBytes = 1 << 20

// partHeader is set on every part of a long answer but the last.
const partHeader = "Rainhill-More"

// Answer replies to a question. What does not fit into one message goes as
// several, which Enquire joins again.
func Answer(m *nats.Msg, b []byte) error {
	for len(b) > partBytes {
		part := nats.NewMsg(m.Reply)
		part.Header.Set(partHeader, "1")
		part.Data = b[:partBytes]
		if err := m.RespondMsg(part); err != nil {
			return fmt.Errorf("answering %s: %w", m.Subject, err)
		}
		b = b[partBytes:]
	}
	return m.Respond(b)
}

// Enquire puts a question and gives the whole answer, however long. It ends with the
// answer, with ctx, or with nats.ErrNoResponders when nobody listens.
func Enquire(ctx context.Context, nc *nats.Conn, subject string, data []byte) ([]byte, error) {
	inbox := nc.NewInbox()
	sub, err := nc.SubscribeSync(inbox)
	if err != nil {
		return nil, err
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		return nil, err
	}
	if err := nc.PublishRequest(subject, inbox, data); err != nil {
		return nil, err
	}
	var whole []byte
	for {
		m, err := sub.NextMsgWithContext(ctx)
		switch {
		case err != nil:
			return nil, err
		case len(m.Data) == 0 && m.Header.Get("Status") == "503":
			return nil, nats.ErrNoResponders
		case m.Header.Get(partHeader) == "" && whole == nil:
			return m.Data, nil
		}
		whole = append(whole, m.Data...)
		if m.Header.Get(partHeader) == "" {
			return whole, nil
		}
	}
}
