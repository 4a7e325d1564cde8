// Package journal answers "what has happened?": the one record of every fact,
// appended before anything else is done with it, synced before it is
// acknowledged, chained by hash. It takes events from the bus, refuses what is
// malformed, and reads the record back. What the facts mean is not in it.
//
// A site's journal is one JetStream file stream. A newly made stream file's
// directory entry is left to the file system to keep across a power cut.
package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/seen"
	"rainhill/pkg/wire"
)

// Config says for which site a journal is kept and how.
type Config struct {
	Site string
	Dir  string // for the reject log and the agents' checkpoint
	// Allow reports why an agent may not speak of a source; nil allows all.
	Allow func(agent, kind, source string) error
	// Now is the bus clock in microseconds; nil is the system's.
	Now func() int64
	// Tick is how often time passing is recorded while a session is open;
	// 0 is once a second, negative never.
	Tick     time.Duration
	Replicas int
}

// Journal is the writing side. There is one a site.
type Journal struct {
	cfg Config
	nc  *nats.Conn
	js  jetstream.JetStream
	in  chan arrival

	// owned by Run
	last     uint64
	chain    string
	seen     seen.Set
	saved    uint64 // sequence of the checkpoint on disk
	sessions map[string]bool
	changes  map[string]change   // what decisions did to sessions, by their ids
	gates    map[string][]string // circuit -> its gates
	touched  map[[2]string]bool  // agents and boots whose stored mark must be told

	waitingBytes atomic.Int64 // of what is in the channel

	mu      sync.Mutex
	health  wire.Health
	agents  map[string]*agent
	rejects rejectLog
}

type arrival struct {
	msg   *nats.Msg
	busUs int64
}

// maxWaiting is how many messages may wait for the disk; more are refused.
const (
	maxWaiting      = 8192
	maxWaitingBytes = 64 << 20
)

// maxBatch is the most facts written as one atomic batch; JetStream takes 1000.
const maxBatch = 1000

// singly is up to how many facts go one by one: an atomic batch costs about
// 4 ms however small it is, a synced message about 0.3 ms.
const singly = 12

// Open makes the stream if it is new, and reads what it needs to go on.
func Open(ctx context.Context, nc *nats.Conn, cfg Config) (*Journal, error) {
	if cfg.Now == nil {
		cfg.Now = func() int64 { return time.Now().UnixMicro() }
	}
	if cfg.Tick == 0 {
		cfg.Tick = time.Second
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, err
	}
	j := &Journal{
		cfg: cfg, nc: nc, js: js, in: make(chan arrival, maxWaiting), chain: Genesis, seen: seen.Set{},
		sessions: map[string]bool{}, changes: map[string]change{}, gates: map[string][]string{}, touched: map[[2]string]bool{}, agents: map[string]*agent{},
	}
	j.health = wire.Health{Site: cfg.Site, StartedUs: cfg.Now()}
	if err := j.rejects.open(j.rejectsPath()); err != nil {
		return nil, err
	}
	if err := EnsureStream(ctx, js, cfg.Site, cfg.Replicas); err != nil {
		return nil, err
	}
	return j, j.resume(ctx)
}

// EnsureStream makes a site's stream if it is not there.
func EnsureStream(ctx context.Context, js jetstream.JetStream, site string, replicas int) error {
	_, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: bus.Stream(site), Subjects: []string{bus.Records(site)},
		Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardNew,
		DenyDelete: true, DenyPurge: true, AllowAtomicPublish: true, Replicas: max(1, replicas), AllowDirect: true,
	})
	if err != nil {
		return fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	return nil
}

type checkpoint struct {
	Seq      uint64              `json:"seq"`
	Seen     seen.Set            `json:"seen"`
	Sessions map[string]bool     `json:"sessions"`
	Gates    map[string][]string `json:"gates"`
	Changes  map[string]change   `json:"changes,omitempty"`
}

// change is the session that a decision opened or closed, and whether it was open
// before: so that taking the decision back is understood.
type change struct {
	Session string `json:"session"`
	WasOpen bool   `json:"was_open,omitempty"`
}

func (j *Journal) checkpointPath() string {
	return filepath.Join(j.cfg.Dir, "journal-agents-"+j.cfg.Site+".json")
}

func (j *Journal) rejectsPath() string {
	return filepath.Join(j.cfg.Dir, "rejects-"+j.cfg.Site+".jsonl")
}

// resume reads the last record and, from the checkpoint on, which events of
// which agent the journal has. A missing checkpoint costs time, nothing else.
func (j *Journal) resume(ctx context.Context) error {
	last, chain, err := Tip(ctx, j.js, j.cfg.Site)
	if err != nil {
		return err
	}
	j.last, j.chain, j.health.JournalSeq = last, chain, last
	var cp checkpoint
	if b, err := os.ReadFile(j.checkpointPath()); err == nil && json.Unmarshal(b, &cp) == nil && cp.Seq <= last && cp.Seen != nil {
		j.seen, j.saved = cp.Seen, cp.Seq
		maps.Copy(j.sessions, cp.Sessions)
		maps.Copy(j.gates, cp.Gates)
		maps.Copy(j.changes, cp.Changes)
	}
	return Read(ctx, j.js, j.cfg.Site, j.saved+1, last, func(seq uint64, record []byte) error {
		var e wire.Event
		if err := json.Unmarshal(record, &e); err != nil {
			return nil // verify says where the journal is damaged; here it must not stop
		}
		j.note(e)
		j.noteDecision(e)
		return nil
	})
}

// save writes the checkpoint.
func (j *Journal) save() error {
	b, err := json.Marshal(checkpoint{j.last, j.seen, j.sessions, j.gates, j.changes})
	if err != nil {
		return err
	}
	tmp := j.checkpointPath() + ".new"
	if err := os.WriteFile(tmp, b, 0o600); err != nil {
		return fmt.Errorf("writing the journal's checkpoint: %w", err)
	}
	j.saved = j.last
	return os.Rename(tmp, j.checkpointPath())
}

// note marks an event as being in the journal.
func (j *Journal) note(e wire.Event) {
	if e.Agent == "" || e.Seq == nil {
		return
	}
	b := j.seen.Boot(e.Agent, e.Boot)
	b.Add(*e.Seq)
	if e.Kind == wire.KindHealth && e.KeptFromSeq != nil {
		b.SkipTo(*e.KeptFromSeq)
	}
}

// noteDecision keeps what the intake must know: which sessions are open, and
// which gates stand on a circuit.
func (j *Journal) noteDecision(e wire.Event) {
	if e.Kind != wire.KindDecision {
		return
	}
	v, err := e.DecisionValue()
	if err != nil {
		return
	}
	switch v := v.(type) {
	case wire.CircuitValue:
		ids := []string{}
		for _, g := range v.Gates {
			ids = append(ids, g.ID)
		}
		j.gates[v.Circuit.ID] = ids
	case wire.Session:
		j.turn(e.ID, v.ID, v.ClosedUs == 0)
	case wire.Undo:
		if c, ok := j.changes[v.Decision]; ok {
			j.turn(e.ID, c.Session, c.WasOpen)
		}
	}
}

// turn marks a session as open or closed by a decision.
func (j *Journal) turn(decision, session string, open bool) {
	j.changes[decision] = change{session, j.sessions[session]}
	delete(j.sessions, session)
	if open {
		j.sessions[session] = true
	}
}

// Run takes events until ctx is done, then writes what it has taken and
// returns nil. It returns an error when the journal cannot be written.
func (j *Journal) Run(ctx context.Context) error {
	var subs []*nats.Subscription
	defer func() {
		for _, s := range subs {
			_ = s.Unsubscribe()
		}
		j.mu.Lock()
		defer j.mu.Unlock()
		j.rejects.close()
	}()
	for _, on := range []struct {
		subject string
		f       nats.MsgHandler
	}{
		{bus.Events(j.cfg.Site), j.arrive},
		{bus.Internals(j.cfg.Site), j.arrive},
		{bus.Question(j.cfg.Site, "health"), j.answerHealth}, // last: who has an answer may send events
	} {
		s, err := j.nc.Subscribe(on.subject, on.f)
		if err != nil {
			return fmt.Errorf("listening on %s: %w", on.subject, err)
		}
		_ = s.SetPendingLimits(200_000, 256<<20)
		subs = append(subs, s)
	}
	if err := j.nc.Flush(); err != nil {
		return err
	}
	return j.loop(ctx)
}

func (j *Journal) loop(ctx context.Context) error {
	tick := time.NewTicker(max(j.cfg.Tick, time.Millisecond))
	defer tick.Stop()
	if j.cfg.Tick < 0 {
		tick.Stop()
	}
	tell := time.NewTicker(50 * time.Millisecond)
	defer tell.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			j.drain()
			j.tellStored()
			return errors.Join(j.save(), j.nc.Flush())
		case a := <-j.in:
			err = j.write(j.waiting(a))
		case <-tick.C:
			err = j.tick()
		case <-tell.C:
			j.tellStored()
		}
		if err != nil {
			return err
		}
		if j.last-j.saved >= 20_000 {
			if err := j.save(); err != nil {
				return err
			}
		}
	}
}

// waiting is a together with everything else that waits, up to a batch.
func (j *Journal) waiting(a arrival) []arrival {
	batch := []arrival{a}
	j.waitingBytes.Add(-int64(len(a.msg.Data)))
	for len(batch) < maxBatch {
		select {
		case b := <-j.in:
			j.waitingBytes.Add(-int64(len(b.msg.Data)))
			batch = append(batch, b)
		default:
			return batch
		}
	}
	return batch
}

// drain writes what has been taken when the journal is asked to stop.
func (j *Journal) drain() {
	for {
		select {
		case a := <-j.in:
			if j.write(j.waiting(a)) != nil {
				return
			}
		default:
			return
		}
	}
}

func (j *Journal) tick() error {
	if len(j.sessions) == 0 {
		return nil
	}
	now := j.cfg.Now()
	raw, err := json.Marshal(wire.Event{Kind: wire.KindTick, AtUs: now})
	if err != nil {
		return err
	}
	_, err = j.append([]fact{{event: wire.Event{Kind: wire.KindTick, AtUs: now}, raw: raw, busUs: now}})
	return err
}

// tellStored tells each agent that sent something what the journal now has. It
// says nothing while that is nothing: 0 would tell an agent that numbers from 0
// that its first event is stored.
func (j *Journal) tellStored() {
	for who := range j.touched {
		agent, boot := who[0], j.seen.Boot(who[0], who[1])
		delete(j.touched, who)
		if boot.Stored() == 0 && !boot.Zero {
			continue
		}
		if b, err := json.Marshal(wire.Stored{Boot: who[1], Seq: boot.Stored()}); err == nil {
			_ = j.nc.Publish(bus.Stored(j.cfg.Site, agent), b)
		}
	}
}
