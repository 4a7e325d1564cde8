package journal

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/seen"
	"rainhill/pkg/wire"
)

// fact is an event that passed every check and waits for the disk.
type fact struct {
	event wire.Event
	raw   []byte
	busUs int64
	msg   *nats.Msg // nil for a tick
}

// arrive runs on the bus's own goroutine: it notes the instant, and never
// waits. A clock exchange is answered at once; an event queues for the disk.
func (j *Journal) arrive(m *nats.Msg) {
	now := j.cfg.Now()
	_, kind, source, err := bus.Split(m.Subject)
	if err == nil && kind == "ask" {
		j.tellTime(m, source, now)
		return
	}
	if kind == "stored" || kind == "told" || kind == "throttle" {
		return // the service's own words: a command to a motor is no fact, the drive fact beside it is
	}
	size := int64(len(m.Data))
	if j.waitingBytes.Add(size) <= maxWaitingBytes {
		select {
		case j.in <- arrival{m, now}:
			return
		default:
		}
	}
	j.waitingBytes.Add(-size)
	j.mu.Lock()
	j.health.Overloaded++
	j.mu.Unlock()
	respond(m, wire.Reply{Reason: "too much at once: try again"})
}

func (j *Journal) tellTime(m *nats.Msg, agent string, t2 int64) {
	var ask wire.ClockAsk
	if json.Unmarshal(m.Data, &ask) != nil {
		j.refuse(arrival{m, t2}, agent, "a clock exchange is {\"t1_us\": integer}")
		return
	}
	b, err := json.Marshal(wire.ClockTold{T1Us: ask.T1Us, T2Us: t2, T3Us: j.cfg.Now()})
	if err != nil {
		return
	}
	if mayReply(m.Reply) {
		_ = m.Respond(b)
		return
	}
	_ = j.nc.Publish(bus.Told(j.cfg.Site, agent), b)
}

// mayReply keeps a sender from using the journal's permissions: answers go to
// inboxes only.
func mayReply(reply string) bool {
	return strings.HasPrefix(reply, "_INBOX.") || strings.HasPrefix(reply, bus.InboxPrefix+".")
}

func respond(m *nats.Msg, r wire.Reply) {
	if m == nil || !mayReply(m.Reply) {
		return
	}
	if b, err := json.Marshal(r); err == nil {
		_ = m.Respond(b)
	}
}

// write checks what arrived, drops what the journal has, and appends the rest.
func (j *Journal) write(batch []arrival) error {
	facts := make([]fact, 0, len(batch))
	inBatch := map[string]int{}
	var twins []twin // duplicates within the batch: answered after it is stored
	for _, a := range batch {
		e, err := j.check(a)
		if err != nil {
			j.refuse(a, e.Agent, err.Error())
			continue
		}
		key := fmt.Sprintf("%s/%s/%d", e.Agent, e.Boot, *e.Seq)
		if i, twice := inBatch[key]; twice {
			twins = append(twins, twin{a.msg, i})
			j.countDuplicate(e)
			continue
		}
		j.touched[[2]string{e.Agent, e.Boot}] = true
		if j.seen.Boot(e.Agent, e.Boot).Has(*e.Seq) {
			j.countDuplicate(e)
			respond(a.msg, wire.Reply{OK: true, Duplicate: true})
			continue
		}
		inBatch[key] = len(facts)
		facts = append(facts, fact{e, a.msg.Data, a.busUs, a.msg})
	}
	stored, err := j.append(facts)
	for _, t := range twins {
		if t.of < stored {
			respond(t.msg, wire.Reply{OK: true, Duplicate: true})
		} else {
			respond(t.msg, wire.Reply{Reason: errUnwritten.Error()})
		}
	}
	return err
}

// twin is the same event again as fact number of of its batch.
type twin struct {
	msg *nats.Msg
	of  int
}

// check says whether an arrival is an event that its sender may publish.
func (j *Journal) check(a arrival) (wire.Event, error) {
	_, kind, source, err := bus.Split(a.msg.Subject)
	if err != nil {
		return wire.Event{}, err
	}
	e, err := wire.Decode(a.msg.Data)
	if err != nil {
		return e, err
	}
	if err := e.CheckLive(a.busUs, kind, source); err != nil {
		return e, err
	}
	// Before anything is remembered of an agent: whether it is one.
	if j.cfg.Allow != nil && !strings.HasPrefix(a.msg.Subject, "rhi.") {
		if err := j.cfg.Allow(e.Agent, kind, source); err != nil {
			return e, err
		}
	}
	if kind == wire.KindCrossing && !j.placed(source) {
		return e, fmt.Errorf("%w: gate %q stands on no circuit; place it in the book first", wire.ErrMalformed, source)
	}
	if len(j.seen.Boot(e.Agent, e.Boot).Ahead) >= seen.MaxAhead {
		return e, fmt.Errorf("%w: events are missing below seq %d, and %d have come ahead of them; send those first", wire.ErrMalformed, *e.Seq, seen.MaxAhead)
	}
	return e, nil
}

func (j *Journal) placed(gate string) bool {
	for _, ids := range j.gates {
		if slices.Contains(ids, gate) {
			return true
		}
	}
	return false
}

// refuse answers, counts and keeps a message that was not taken.
func (j *Journal) refuse(a arrival, agent, why string) {
	why = strings.TrimPrefix(why, wire.ErrMalformed.Error()+": ")
	// Counted first, answered then: who has the answer finds it counted.
	defer respond(a.msg, wire.Reply{Reason: why})
	j.mu.Lock()
	defer j.mu.Unlock()
	j.health.Rejected++
	j.rejects.add(wire.Reject{
		AtUs: a.busUs, Subject: a.msg.Subject, Agent: agent, Reason: why,
		First: first(a.msg.Data, 200), Bytes: len(a.msg.Data),
	})
}

// first is the first n bytes as text; what is not UTF-8 shows as U+FFFD.
func first(b []byte, n int) string {
	if len(b) > n {
		b = b[:n]
	}
	return strings.ToValidUTF8(string(b), "\uFFFD")
}

// Denied counts a message that the broker's permissions refused.
func (j *Journal) Denied(who, why string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.health.Denied++
	j.rejects.add(wire.Reject{AtUs: j.cfg.Now(), Agent: who, Reason: why})
}

func (j *Journal) countDuplicate(e wire.Event) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.health.Duplicates++
	j.agent(e.Agent).Duplicates++
}
