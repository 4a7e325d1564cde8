package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
)

// Tip is the sequence and chain value of a site's last record; 0 and Genesis
// when it has none.
func Tip(ctx context.Context, js jetstream.JetStream, site string) (uint64, string, error) {
	st, err := js.Stream(ctx, bus.Stream(site))
	if err != nil {
		return 0, "", fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	info, err := st.Info(ctx)
	if err != nil {
		return 0, "", fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	last := info.State.LastSeq
	if last == 0 {
		return 0, Genesis, nil
	}
	m, err := st.GetMsg(ctx, last)
	if err != nil {
		return 0, "", fmt.Errorf("reading record %d of site %s: %w", last, site, err)
	}
	_, chain, err := split(m.Data)
	if err != nil {
		return 0, "", fmt.Errorf("record %d of site %s: %w", last, site, err)
	}
	return last, chain, nil
}

// Read hands records first to last to fn, in order. last 0 is the end as it is
// when Read begins. It returns fn's error, or ctx's.
func Read(ctx context.Context, js jetstream.JetStream, site string, first, last uint64, fn func(seq uint64, record []byte) error) error {
	if last == 0 {
		tip, _, err := Tip(ctx, js, site)
		if err != nil {
			return err
		}
		last = tip
	}
	if first > last {
		return nil
	}
	err := Follow(ctx, js, site, first, func(seq uint64, record []byte, _ int) error {
		if err := fn(seq, record); err != nil {
			return err
		}
		if seq >= last {
			return errDone
		}
		return nil
	})
	if errors.Is(err, errDone) {
		return nil
	}
	return err
}

var errDone = errors.New("done")

// Follow hands records from first on to fn as they are written, until ctx is
// done (it then returns ctx's error) or fn returns one. waiting is how many
// more the bus already has: 0 means that fn has caught up.
func Follow(ctx context.Context, js jetstream.JetStream, site string, first uint64, fn func(seq uint64, record []byte, waiting int) error) error {
	c, err := js.OrderedConsumer(ctx, bus.Stream(site), jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: max(first, 1),
	})
	if err != nil {
		return fmt.Errorf("reading the journal of site %s: %w", site, err)
	}
	it, err := c.Messages(jetstream.PullMaxMessages(5000), jetstream.PullExpiry(30*time.Second))
	if err != nil {
		return fmt.Errorf("reading the journal of site %s: %w", site, err)
	}
	stop := context.AfterFunc(ctx, it.Stop)
	defer it.Stop()
	defer stop()
	for {
		m, err := it.Next()
		if err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return fmt.Errorf("reading the journal of site %s: %w", site, err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return err
		}
		if err := fn(meta.Sequence.Stream, m.Data(), int(meta.NumPending)); err != nil {
			return err
		}
	}
}
