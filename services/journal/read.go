package journal

import (
	"context"
	"errors"
	"fmt"
	"sort"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
)

// Tip is the sequence and chain value of a site's last record; 0 and Genesis
// when it has none.
func Tip(ctx context.Context, js jetstream.JetStream, site string) (uint64, string, error) {
	st, last, err := end(ctx, js, site)
	if err != nil || last == 0 {
		return 0, Genesis, err
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

// end is a site's stream and the sequence of its last record, whatever that holds.
func end(ctx context.Context, js jetstream.JetStream, site string) (jetstream.Stream, uint64, error) {
	st, err := js.Stream(ctx, bus.Stream(site))
	if err != nil {
		return nil, 0, fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	info, err := st.Info(ctx)
	if err != nil {
		return nil, 0, fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	return st, info.State.LastSeq, nil
}

// Read hands records first to last to fn, in order. last 0 is the end as it is
// when Read begins. It returns fn's error, or ctx's.
func Read(ctx context.Context, js jetstream.JetStream, site string, first, last uint64, fn func(seq uint64, record []byte) error) error {
	if last == 0 {
		var err error
		if _, last, err = end(ctx, js, site); err != nil {
			return err
		}
	}
	if first > last {
		return nil
	}
	next := first
	stuck := func() error {
		st, err := js.Stream(ctx, bus.Stream(site))
		if err == nil {
			_, err = st.GetMsg(ctx, next)
		}
		if err != nil {
			return fmt.Errorf("record %d of site %s cannot be read: %w", next, site, err)
		}
		return nil
	}
	err := follow(ctx, js, site, bus.Records(site), first, stuck, func(seq uint64, record []byte, _ int) error {
		next = seq + 1
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

// ReadOnly is Read of the records of one kind. It ends with the last of them at or
// before last.
func ReadOnly(ctx context.Context, js jetstream.JetStream, site string, first, last uint64, kind string, fn func(seq uint64, record []byte) error) error {
	st, err := js.Stream(ctx, bus.Stream(site))
	if err != nil {
		return fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	subject := bus.Record(site, kind, "*")
	newest, err := st.GetLastMsgForSubject(ctx, subject)
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return nil
	case err != nil:
		return fmt.Errorf("looking for the last %s of site %s: %w", kind, site, err)
	case newest.Sequence < first:
		return nil
	}
	err = follow(ctx, js, site, subject, first, func() error { return nil }, func(seq uint64, record []byte, _ int) error {
		if seq > last {
			return errDone
		}
		if err := fn(seq, record); err != nil {
			return err
		}
		if seq >= newest.Sequence {
			return errDone
		}
		return nil
	})
	if errors.Is(err, errDone) {
		return nil
	}
	return err
}

// Between is the first record that arrived at or after an instant and the last that
// arrived before another, by bus time; first > last when there is none.
func Between(ctx context.Context, js jetstream.JetStream, site string, fromUs, toUs int64) (first, last uint64, err error) {
	st, end, err := end(ctx, js, site)
	if err != nil || end == 0 {
		return 1, 0, err
	}
	from := func(us int64) uint64 {
		n := sort.Search(int(end), func(i int) bool {
			m, e := st.GetMsg(ctx, uint64(i)+1)
			if e != nil {
				err = fmt.Errorf("reading record %d of site %s: %w", i+1, site, e)
				return true
			}
			return busUs(m.Data) >= us
		})
		return uint64(n) + 1
	}
	first, last = from(fromUs), from(toUs)-1
	return first, last, err
}

var errDone = errors.New("done")

// Follow hands records from first on to fn as they are written, until ctx is
// done (it then returns ctx's error) or fn returns one. waiting is how many
// more the bus already has: 0 means that fn has caught up. A record that is
// damaged on disk is passed over.
func Follow(ctx context.Context, js jetstream.JetStream, site string, first uint64, fn func(seq uint64, record []byte, waiting int) error) error {
	return follow(ctx, js, site, bus.Records(site), first, func() error { return nil }, fn)
}

// silence is how long nothing comes before follow asks whether it is stuck.
const silence = time.Second

func follow(ctx context.Context, js jetstream.JetStream, site, subject string, first uint64, stuck func() error, fn func(seq uint64, record []byte, waiting int) error) error {
	cfg := jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: max(first, 1)}
	if subject != bus.Records(site) {
		cfg.FilterSubjects = []string{subject}
	}
	c, err := js.OrderedConsumer(ctx, bus.Stream(site), cfg)
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
		m, err := it.Next(jetstream.NextMaxWait(silence))
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, nats.ErrTimeout):
			if err := stuck(); err != nil {
				return err
			}
			continue
		case err != nil:
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
