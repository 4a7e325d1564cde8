package driving

import (
	"context"
	"encoding/json"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// facts brings drive facts into the journal: in order, again until it has them. Putting
// one never waits.
type facts struct {
	nc         *nats.Conn
	site, boot string
	wake       chan struct{}

	mu    sync.Mutex
	seq   uint64
	queue []fact // the first of them may be on its way
	no    string // why the journal will never take one
}

type fact struct {
	motor string
	body  []byte
	at    time.Time
}

const (
	answerWithin = 500 * time.Millisecond
	burst        = 64
	againEvery   = 50 * time.Millisecond
)

func newFacts(nc *nats.Conn, site, boot string) *facts {
	return &facts{nc: nc, site: site, boot: boot, wake: make(chan struct{}, 1)}
}

// put queues a fact: the throttle of a motor was changed, by whom and why.
func (f *facts) put(motor string, duty int64, by, why string, at time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.seq++
	seq := f.seq
	e := wire.Event{Kind: wire.KindDrive, Agent: agentName, Boot: f.boot, Seq: &seq, AtUs: at.UnixMicro(), Motor: motor, DutyPermille: &duty, By: by, Why: why}
	b, err := json.Marshal(e)
	if err != nil {
		return // no field of these can fail
	}
	f.queue = append(f.queue, fact{motor, b, at})
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// waiting is how long the oldest fact has waited for the journal.
func (f *facts) waiting() time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.queue) == 0 {
		return 0
	}
	return time.Since(f.queue[0].at)
}

// refused is why the journal refused a fact for good since the last time of asking.
func (f *facts) refused() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	no := f.no
	f.no = ""
	return no
}

// finish waits until nothing is left, or for so long.
func (f *facts) finish(most time.Duration) {
	for end := time.Now().Add(most); f.waiting() > 0 && time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
	}
}

// run sends until ctx is done.
func (f *facts) run(ctx context.Context) {
	for {
		f.mu.Lock()
		batch := append([]fact(nil), f.queue[:min(len(f.queue), burst)]...)
		f.mu.Unlock()
		if len(batch) == 0 {
			select {
			case <-ctx.Done():
				return
			case <-f.wake:
			}
			continue
		}
		n := f.send(ctx, batch)
		f.mu.Lock()
		f.queue = append(f.queue[:0:0], f.queue[n:]...)
		f.mu.Unlock()
		if n < len(batch) {
			select {
			case <-ctx.Done():
				return
			case <-time.After(againEvery):
			}
		}
	}
}

// send sends a batch and gives how many, from the first on, the journal has or never
// will have. The others go again, which the journal bears.
func (f *facts) send(ctx context.Context, batch []fact) (done int) {
	inbox := f.nc.NewInbox()
	sub, err := f.nc.SubscribeSync(inbox + ".*")
	if err != nil {
		return 0
	}
	defer func() { _ = sub.Unsubscribe() }()
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	settled := make([]bool, len(batch))
	for i, x := range batch {
		if err := f.nc.PublishRequest(bus.Internal(f.site, wire.KindDrive, x.motor), inbox+"."+strconv.Itoa(i), x.body); err != nil {
			return 0
		}
	}
	for range batch {
		m, err := sub.NextMsgWithContext(ctx)
		if err != nil {
			break
		}
		var r wire.Reply
		i, err := strconv.Atoi(strings.TrimPrefix(m.Subject, inbox+"."))
		if err == nil && i < len(settled) && json.Unmarshal(m.Data, &r) == nil {
			settled[i] = r.OK || r.Reason != "" && !strings.HasSuffix(r.Reason, "try again")
			if settled[i] && !r.OK {
				f.mu.Lock()
				f.no = r.Reason
				f.mu.Unlock()
			}
		}
	}
	for done < len(batch) && settled[done] {
		done++
	}
	return done
}
