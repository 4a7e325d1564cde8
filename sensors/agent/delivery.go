package agent

import (
	"encoding/json"
	"log"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// delivery sends what the spool keeps, in order, up to a window ahead of the
// answers, and lets go what the journal has. It is used by the body's loop only.
type delivery struct {
	agent string
	spool *Spool
	log   *log.Logger

	replies chan *nats.Msg // answers to events
	stored  chan *nats.Msg // the journal's stored marks
	denied  chan string    // subjects that the bus does not let us publish

	nc    *nats.Conn // nil: not connected
	site  string
	inbox string
	ready bool // the clock is settled

	token   uint64
	flying  map[uint64]*Record
	pause   time.Time     // nothing is sent before
	backoff time.Duration // how long the next pause is

	complaint string // last reason for a pause that was logged
	duplicate uint64
	dropped   uint64 // logged so far
}

const (
	// answerWithin is when an unanswered event is sent again.
	answerWithin = 5 * time.Second
	minPause     = 250 * time.Millisecond
	maxPause     = 5 * time.Second
)

func newDelivery(agent string, spool *Spool, l *log.Logger) *delivery {
	return &delivery{
		agent: agent, spool: spool, log: l, flying: map[uint64]*Record{}, backoff: minPause,
		replies: make(chan *nats.Msg, 4*windowSize), stored: make(chan *nats.Msg, 64), denied: make(chan string, 64),
	}
}

// joined takes a change of the connection: what was on its way may be lost.
func (d *delivery) joined(l link) {
	d.nc, d.site, d.inbox = l.nc, l.site, l.inbox
	d.pause, d.backoff, d.complaint = time.Time{}, minPause, ""
	for token, r := range d.flying {
		r.sent = time.Time{}
		delete(d.flying, token)
	}
}

// send publishes what is in the window and not on its way.
func (d *delivery) send() {
	if d.nc == nil || !d.ready || time.Now().Before(d.pause) {
		return
	}
	for _, r := range d.spool.Window() {
		if !r.sent.IsZero() {
			continue
		}
		e := d.spool.Outgoing(r)
		b, err := json.Marshal(e)
		if err != nil {
			d.refuse(r, err.Error())
			continue
		}
		d.token++
		if d.nc.PublishRequest(d.subject(r), d.inbox+"."+strconv.FormatUint(d.token, 10), b) != nil {
			return // the connection was lost just now: the linker says so
		}
		r.token, r.sent = d.token, time.Now()
		d.flying[r.token] = r
	}
}

func (d *delivery) subject(r *Record) string {
	return bus.Event(d.site, r.Event.Kind, r.Event.Source())
}

// answered takes a reply to one event.
func (d *delivery) answered(m *nats.Msg) {
	i := strings.LastIndexByte(m.Subject, '.')
	token, err := strconv.ParseUint(m.Subject[i+1:], 10, 64)
	r := d.flying[token]
	if err != nil || r == nil {
		return // of an earlier sending
	}
	delete(d.flying, token)
	if m.Header.Get("Status") == "503" {
		d.again(r, "nobody takes events on the bus yet")
		return
	}
	var reply wire.Reply
	if err := json.Unmarshal(m.Data, &reply); err != nil {
		d.again(r, "the answer is not JSON: "+err.Error())
		return
	}
	switch {
	case reply.OK:
		d.backoff, d.complaint = minPause, ""
		if reply.Duplicate {
			d.duplicate++
		}
		d.spool.Done(r)
	case mayPass(reply.Reason):
		d.again(r, reply.Reason)
	default:
		d.refuse(r, reply.Reason)
	}
}

// mayPass reports whether a refusal speaks of the moment and not of the event:
// the journal ends such a reason with these words.
func mayPass(reason string) bool { return strings.HasSuffix(reason, "try again") }

// again sends a record, and all that was sent behind it without an answer,
// once more after a pause.
func (d *delivery) again(r *Record, why string) {
	r.sent = time.Time{}
	if why != d.complaint {
		d.log.Printf("%s; keeping %d events and trying again", why, d.spool.Pending())
		d.complaint = why
	}
	if now := time.Now(); !now.Before(d.pause) {
		d.pause = now.Add(d.backoff)
		d.backoff = min(2*d.backoff, maxPause)
	}
}

func (d *delivery) refuse(r *Record, reason string) {
	d.log.Printf("refused: %s: %s seq %d of %s (see refused.log in the spool)", reason, r.Event.Kind, *r.Event.Seq, r.Event.Source())
	if err := d.spool.Refuse(r, reason); err != nil {
		d.log.Printf("%v", err)
	}
}

// told takes the journal's mark: all of that start up to seq is on its disk.
func (d *delivery) told(m *nats.Msg) {
	var s wire.Stored
	if json.Unmarshal(m.Data, &s) != nil {
		return
	}
	for _, r := range append([]*Record(nil), d.spool.Window()...) {
		if r.Event.Boot == s.Boot && *r.Event.Seq <= s.Seq {
			delete(d.flying, r.token)
			d.spool.Done(r)
		}
	}
}

// expire sends again what was not answered in time.
func (d *delivery) expire(now time.Time) {
	for token, r := range d.flying {
		if now.Sub(r.sent) > answerWithin {
			delete(d.flying, token)
			d.again(r, "no answer from the journal")
		}
	}
}

var publishDenied = regexp.MustCompile(`Permissions Violation for Publish to "([^"]+)"`)

// deny refuses every event on its way to a subject that the bus does not let
// this agent publish. The bus drops such a message and never answers it.
func (d *delivery) deny(subject string) {
	for token, r := range d.flying {
		if d.subject(r) == subject {
			delete(d.flying, token)
			d.refuse(r, "the bus does not let agent "+d.agent+" publish "+subject)
		}
	}
}

// forgetDropped says when the spool had to give up its oldest events.
func (d *delivery) forgetDropped() {
	if d.spool.dropped == d.dropped {
		return
	}
	for token, r := range d.flying {
		if seg := d.spool.segmentFor(r.at.seg); seg == nil || seg.num != r.at.seg {
			delete(d.flying, token)
		}
	}
	d.log.Printf("the spool is full: %d oldest events were given up, %d in all", d.spool.dropped-d.dropped, d.spool.dropped)
	d.dropped = d.spool.dropped
}
