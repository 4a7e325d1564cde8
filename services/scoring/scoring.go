// Package scoring answers questions about the book and keeps it up to date: it
// feeds the reducer from the journal, commits verdicts and cursor together,
// and only then publishes what is new. What a fact means is in pkg/trial.
package scoring

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/store"
)

// Ledger is what the scorer needs of a store.
type Ledger interface {
	Put(store.Commit) error
	Mark() (store.Mark, error)
	Results(session string) ([]byte, error)
	Kept(session, trial string) ([][]byte, error)
}

// How many facts at most go into one transaction. Live they are what waits. When catching
// up nobody waits, and what costs is the transaction: each is synced to the disk, and sums up
// the trials that go on.
const (
	group       = 4096
	groupBehind = 20_000
)

// motorsKept is how many of the newest motor readings a view holds.
const motorsKept = 3000

type fact struct {
	seq   uint64
	event wire.Event
	err   error
}

type scorer struct {
	site   string
	nc     *nats.Conn
	js     jetstream.JetStream
	ledger Ledger
	state  *trial.State
	asks   chan func()
	motors []wire.MotorVerdict
	upto   uint64 // stop after this fact; 0 goes on
	group  int
	news   trial.Changes // of the facts scored and not committed, which are so many
	since  int
	ctx    context.Context // of Run, for what goes on beside the loop
	boot   string
	saver  trial.Saver
	told   uint64               // decisions made by itself so far
	ending map[string]time.Time // trials it has asked to be closed, and when

	rescoring  atomic.Int32  // sessions being scored again
	predicting atomic.Int32  // predictions and curves asked for and not answered
	reckoning  chan struct{} // holds one for each being reckoned
}

// Run scores a site's journal until ctx is done, and then returns nil.
func Run(ctx context.Context, nc *nats.Conn, site string, ledger Ledger) error {
	return run(ctx, nc, site, ledger, 0, group)
}

// CatchUp scores up to the journal's present end and returns. When ctx is done
// before that, it returns ctx's error; what was committed holds.
func CatchUp(ctx context.Context, nc *nats.Conn, site string, ledger Ledger) error {
	return catchUp(ctx, nc, site, ledger, groupBehind)
}

func catchUp(ctx context.Context, nc *nats.Conn, site string, ledger Ledger, group int) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	last, _, err := journal.Tip(ctx, js, site)
	if err != nil || last == 0 {
		return err
	}
	if err := run(ctx, nc, site, ledger, last, group); err != nil {
		return err
	}
	mark, err := ledger.Mark()
	if err == nil && mark.Cursor < last {
		err = ctx.Err()
	}
	return err
}

var errDone = errors.New("done")

func run(ctx context.Context, nc *nats.Conn, site string, ledger Ledger, upto uint64, group int) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	s := &scorer{
		site: site, nc: nc, js: js, ledger: ledger, asks: make(chan func(), 64), upto: upto, group: group,
		boot: fmt.Sprintf("s%d", time.Now().UnixMicro()), ending: map[string]time.Time{}, reckoning: make(chan struct{}, predictsAtOnce),
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s.ctx = ctx
	cursor, err := s.resume(ctx)
	if ctx.Err() != nil {
		return nil // asked to stop before it was ready
	}
	if err != nil {
		return fmt.Errorf("scoring site %s: %w", site, err)
	}
	if upto != 0 && cursor >= upto {
		return nil
	}
	facts := make(chan promise, 16)
	failed := make(chan error, 1)
	go func() { failed <- s.follow(ctx, cursor+1, facts) }()
	if upto == 0 {
		unsubscribe, err := s.answer(ctx)
		if err != nil {
			return err
		}
		defer unsubscribe()
	}
	err = s.loop(ctx, facts, failed)
	if errors.Is(err, errDone) || ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return nil
	}
	return err
}

// resume reads the snapshot and steps again what the store has beyond it.
func (s *scorer) resume(ctx context.Context) (cursor uint64, err error) {
	mark, err := s.ledger.Mark()
	if err != nil {
		return 0, err
	}
	s.state = trial.New(s.site)
	if mark.Snapshot != nil {
		if s.state, err = trial.Load(mark.Snapshot, s.ledger.Kept); err != nil {
			return 0, fmt.Errorf("reading the snapshot of fact %d: %w; rainhill rebuild makes the store anew", mark.SnapshotSeq, err)
		}
		s.saver.Done(s.state)
	}
	last, _, err := journal.Tip(ctx, s.js, s.site)
	if err != nil {
		return 0, err
	}
	if mark.Cursor > last {
		return 0, fmt.Errorf("the store is at fact %d, the journal ends at %d: they do not belong together; rainhill rebuild makes the store anew", mark.Cursor, last)
	}
	if mark.Cursor == mark.SnapshotSeq {
		return mark.Cursor, nil
	}
	err = journal.Read(ctx, s.js, s.site, mark.SnapshotSeq+1, mark.Cursor, func(seq uint64, record []byte) error {
		c := s.step(decode(seq, record))
		s.saver.Note(c)
		s.keepMotors(c.Motors)
		return nil
	})
	return mark.Cursor, err
}

func decode(seq uint64, record []byte) fact {
	e, err := wire.Read[wire.Event](record)
	e.JournalSeq = seq
	return fact{seq, e, err}
}

// decodeTogether is how many records are decoded by one goroutine.
const decodeTogether = 256

// follow reads records and has them decoded on goroutines of their own, so that
// reading, decoding and scoring overlap. What it hands on is in order: each is a
// promise of facts.
func (s *scorer) follow(ctx context.Context, first uint64, out chan<- promise) error {
	var batch []record
	return journal.Follow(ctx, s.js, s.site, first, func(seq uint64, data []byte, waiting int) error {
		batch = append(batch, record{seq, data})
		if len(batch) < min(decodeTogether, s.group) && waiting > 0 {
			return nil
		}
		p := make(chan []fact, 1)
		go func(list []record) { p <- decodeAll(list) }(batch)
		batch = nil
		select {
		case out <- p:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	})
}

type record struct {
	seq  uint64
	data []byte
}

type promise <-chan []fact

func decodeAll(list []record) []fact {
	out := make([]fact, len(list))
	for i, r := range list {
		out[i] = decode(r.seq, r.data)
	}
	return out
}

func (s *scorer) step(f fact) trial.Changes {
	if f.err != nil {
		return trial.Changes{} // damaged on disk: verify says where
	}
	return s.state.Step(f.event)
}

func (s *scorer) loop(ctx context.Context, facts <-chan promise, failed <-chan error) error {
	for {
		select {
		case p := <-facts:
			if err := s.score(s.gather(<-p, facts)); err != nil {
				return err
			}
		case ask := <-s.asks:
			ask()
		case err := <-failed:
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// gather takes what else waits, up to a group, and never waits for more; nothing when
// catching up, as groups are then made of what was scored.
func (s *scorer) gather(batch []fact, more <-chan promise) []fact {
	for s.upto == 0 && len(batch) < s.group {
		select {
		case p := <-more:
			batch = append(batch, <-p...)
		default:
			return batch
		}
	}
	return batch
}

// score steps facts and commits, at the end and wherever a snapshot is due: a
// snapshot's place depends on the facts alone, so that a rebuild has the same.
func (s *scorer) score(batch []fact) error {
	for i, f := range batch {
		c := &s.news
		c.Merge(s.step(f))
		s.since++
		if n := len(c.Motors); n > 2*motorsKept { // behind: nobody can look at them all
			c.Motors = append([]wire.MotorVerdict(nil), c.Motors[n-motorsKept:]...)
		}
		snap := f.seq%s.state.Rules.SnapshotEvery == 0
		done := s.upto != 0 && f.seq >= s.upto
		due := done || s.since >= s.group || s.upto == 0 && i == len(batch)-1
		if !snap && !due && c.Closed == "" && !c.Opened && len(c.Amended) == 0 && len(c.Gone) == 0 {
			continue
		}
		if err := s.commit(f.seq, *c, snap); err != nil {
			return err
		}
		s.news, s.since = trial.Changes{}, 0
		if done {
			return errDone
		}
	}
	return nil
}

func (s *scorer) commit(seq uint64, c trial.Changes, snap bool) error {
	out := store.Commit{Cursor: seq}
	frame := s.state.Frame(c)
	if s.state.Book != nil {
		session := s.state.Book.Session.ID
		for _, r := range frame.Results {
			out.Trials = append(out.Trials, store.Trial{Session: session, Result: r, FromLap: c.Trials[r.Trial].FromLap + 1})
		}
		for _, id := range c.Gone {
			out.Gone = append(out.Gone, store.Gone{Session: session, Trial: id})
		}
	}
	s.saver.Note(c)
	var err error
	switch {
	case c.Closed != "" && c.Short:
		err = s.amend(&out, c.Closed, seq)
	case c.Closed != "":
		err = keep(&out, s.state, c.Corrected)
	}
	if err != nil {
		return err
	}
	for _, id := range c.Amended {
		if err := s.amend(&out, id, seq); err != nil {
			return err
		}
	}
	if snap {
		if out.Saved, err = s.saver.Save(s.state); err != nil {
			return fmt.Errorf("saving the state after fact %d: %w", seq, err)
		}
	}
	if err := s.ledger.Put(out); err != nil {
		return err
	}
	if snap {
		s.saver.Done(s.state)
	}
	s.keepMotors(c.Motors)
	if s.upto != 0 {
		return nil
	}
	s.endDue()
	if c.Empty() {
		return nil
	}
	frame.NowUs = time.Now().UnixMicro()
	b, err := json.Marshal(frame)
	if err != nil {
		return fmt.Errorf("encoding a frame: %w", err)
	}
	if int64(len(b)) > s.nc.MaxPayload() { // a whole long session scored again: pages ask for a view
		if b, err = json.Marshal(wire.Frame{Type: frame.Type, Rev: frame.Rev, NowUs: frame.NowUs, Setup: true}); err != nil {
			return fmt.Errorf("encoding a frame: %w", err)
		}
	}
	return s.nc.Publish(bus.Frames(s.site), b)
}

func (s *scorer) keepMotors(m []wire.MotorVerdict) {
	s.motors = append(s.motors, m...)
	if len(s.motors) > 2*motorsKept {
		s.motors = append([]wire.MotorVerdict(nil), s.motors[len(s.motors)-motorsKept:]...)
	}
}
