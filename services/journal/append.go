package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// appendTimeout bounds one write; a disk that takes longer is broken, or a
// cluster is electing a leader.
const appendTimeout = 10 * time.Second

// errUnwritten is what a sender is told whose fact did not get to disk.
var errUnwritten = errors.New("the journal could not be written: try again")

// append writes facts in order, answers each sender and says how many are on
// disk. Senders are told ok only for those. After a failed write the journal's
// end is read again, so that what did get there is answered and the chain goes
// on from it.
func (j *Journal) append(facts []fact) (stored int, err error) {
	if len(facts) == 0 {
		return 0, nil
	}
	msgs, chains, err := j.sealAll(facts)
	if err != nil {
		return 0, err
	}
	before := j.last
	if len(msgs) <= singly {
		err = j.publishSingly(msgs)
	} else {
		err = j.publishBatch(msgs)
	}
	stored = len(facts)
	if err != nil {
		if stored, err = j.recover(before, facts, chains, err); err != nil {
			return 0, err
		}
	} else {
		j.last, j.chain = before+uint64(len(facts)), chains[len(chains)-1]
	}
	for i, f := range facts {
		if i >= stored {
			respond(f.msg, wire.Reply{Reason: errUnwritten.Error()})
			continue
		}
		j.note(f.event)
		j.noteDecision(f.event)
		j.noteHealth(f.event, f.busUs)
		respond(f.msg, wire.Reply{OK: true, Seq: before + uint64(i) + 1})
	}
	j.mu.Lock()
	j.health.JournalSeq = j.last
	j.mu.Unlock()
	return stored, nil
}

func (j *Journal) sealAll(facts []fact) ([]*nats.Msg, []string, error) {
	msgs, chains := make([]*nats.Msg, len(facts)), make([]string, len(facts))
	prev := j.chain
	for i, f := range facts {
		record, chain, err := seal(f.raw, f.busUs, j.last+uint64(i)+1, prev)
		if err != nil {
			return nil, nil, fmt.Errorf("sealing a fact that passed its checks: %w", err)
		}
		msgs[i] = &nats.Msg{Subject: bus.Record(j.cfg.Site, f.event.Kind, f.event.Source()), Data: record}
		chains[i], prev = chain, chain
	}
	return msgs, chains, nil
}

// publishSingly sends each as a message of its own, each bound to its place,
// and waits for all. If one fails, those after it are refused by the bus.
func (j *Journal) publishSingly(msgs []*nats.Msg) error {
	ctx, cancel := context.WithTimeout(context.Background(), appendTimeout)
	defer cancel()
	if len(msgs) == 1 {
		_, err := j.js.PublishMsg(ctx, msgs[0], jetstream.WithExpectLastSequence(j.last))
		return err
	}
	futures := make([]jetstream.PubAckFuture, len(msgs))
	for i, m := range msgs {
		f, err := j.js.PublishMsgAsync(m, jetstream.WithExpectLastSequence(j.last+uint64(i)), jetstream.WithStallWait(appendTimeout))
		if err != nil {
			return err
		}
		futures[i] = f
	}
	for _, f := range futures {
		select {
		case <-f.Ok():
		case err := <-f.Err():
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// publishBatch sends all as one atomic batch: all are stored, or none.
func (j *Journal) publishBatch(msgs []*nats.Msg) error {
	id := nuid.Next()
	for i, m := range msgs {
		m.Header = nats.Header{"Nats-Batch-Id": {id}, "Nats-Batch-Sequence": {strconv.Itoa(i + 1)}}
		if i == 0 {
			m.Header.Set("Nats-Expected-Last-Sequence", strconv.FormatUint(j.last, 10))
		}
		if i < len(msgs)-1 {
			if err := j.nc.PublishMsg(m); err != nil {
				return err
			}
		}
	}
	commit := msgs[len(msgs)-1]
	commit.Header.Set("Nats-Batch-Commit", "1")
	answer, err := j.nc.RequestMsg(commit, appendTimeout)
	if err != nil {
		return err
	}
	var ack struct {
		Seq   uint64              `json:"seq"`
		Error *jetstream.APIError `json:"error"`
	}
	if err := json.Unmarshal(answer.Data, &ack); err != nil {
		return fmt.Errorf("the bus answered a batch with %q: %w", first(answer.Data, 100), err)
	}
	if ack.Error != nil {
		return ack.Error
	}
	if want := j.last + uint64(len(msgs)); ack.Seq != want {
		return fmt.Errorf("a batch ended at %d, want %d", ack.Seq, want)
	}
	return nil
}

// recover finds out after a failed write how many of the facts are on disk. It
// gives up, and with it the journal stops, when the end cannot be read or is
// not ours: another writer would break the chain.
func (j *Journal) recover(before uint64, facts []fact, chains []string, cause error) (stored int, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), appendTimeout)
	defer cancel()
	last, chain, err := Tip(ctx, j.js, j.cfg.Site)
	if err != nil {
		return 0, fmt.Errorf("writing the journal: %w", errors.Join(cause, err))
	}
	stored = int(last - before)
	if last < before || stored > len(facts) || stored > 0 && chains[stored-1] != chain || stored == 0 && chain != j.chain {
		return 0, fmt.Errorf("writing the journal of site %s: somebody else writes it too (its end is %d, expected %d): %w", j.cfg.Site, last, before, cause)
	}
	j.last, j.chain = last, chain
	return stored, nil
}
