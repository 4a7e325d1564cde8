package gateway

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"time"

	"github.com/gorilla/websocket"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

const (
	framePause = 50 * time.Millisecond  // at most 20 frames a second
	heartbeat  = 250 * time.Millisecond // a page that hears nothing for longer is stale
	queueLen   = 32                     // frames a viewer may fall behind before it is cut
	writeWait  = 4 * time.Second
	readWait   = 15 * time.Second
)

// hub passes frames on from the bus to every viewer. A new viewer gets a view,
// then the frames beyond it. One whose queue is full is cut: it connects again
// and begins with a new view; it never delays another.
type hub struct {
	nc          *nats.Conn
	site, build string
	frames      chan wire.Frame
	joins       chan *viewer
	leaves      chan *viewer
	views       chan fetched
	driven      chan wire.Driving

	viewers map[*viewer]bool // true once it has its view
	waiting wire.Frame       // what is new since the last frame sent
	dirty   bool
	lastAt  time.Time
	rev     uint64
	fetch   *fetching
	is      wire.Driving               // what is driven
	driving *websocket.PreparedMessage // the same, nil not known
}

type fetching struct {
	joiners map[*viewer]bool
	late    map[*viewer]bool // came while the question was under way: they need a younger view
	since   []wire.Frame
}

type fetched struct {
	view *websocket.PreparedMessage
	rev  uint64
	err  error
}

type viewer struct {
	out  chan *websocket.PreparedMessage
	gone chan struct{}
}

func newHub(nc *nats.Conn, site, build string) *hub {
	return &hub{
		nc: nc, site: site, build: build, frames: make(chan wire.Frame, 1024), joins: make(chan *viewer), leaves: make(chan *viewer),
		views: make(chan fetched, 1), driven: make(chan wire.Driving, 16), viewers: map[*viewer]bool{},
	}
}

func (h *hub) run(ctx context.Context) error {
	sub, err := h.nc.Subscribe(bus.Frames(h.site), func(m *nats.Msg) {
		var f wire.Frame
		if json.Unmarshal(m.Data, &f) != nil {
			return
		}
		select {
		case h.frames <- f:
		case <-ctx.Done():
		}
	})
	if err != nil {
		return fmt.Errorf("listening for frames: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	driven, err := h.hearDriving(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = driven.Unsubscribe() }()
	if err := h.nc.Flush(); err != nil {
		return err
	}
	defer func() {
		for v := range h.viewers {
			h.cut(v)
		}
	}()
	timer := time.NewTimer(heartbeat)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case f := <-h.frames:
			h.waiting, h.dirty = merge(h.waiting, f), true
		case d := <-h.driven:
			h.drive(d)
		case v := <-h.joins:
			h.viewers[v] = false
			h.ask(map[*viewer]bool{v: true})
		case v := <-h.leaves:
			h.cut(v)
		case got := <-h.views:
			h.give(got)
		case <-timer.C:
		}
		timer.Reset(h.sendDue())
	}
}

// sendDue sends what waits if its time has come, and says when to look again.
func (h *hub) sendDue() time.Duration {
	since := time.Since(h.lastAt)
	if h.dirty && since < framePause {
		return framePause - since
	}
	if !h.dirty && since < heartbeat {
		return heartbeat - since
	}
	h.send()
	return heartbeat
}

func (h *hub) send() {
	f := h.waiting
	f.Type, f.NowUs = "frame", time.Now().UnixMicro()
	h.rev = max(h.rev, f.Rev)
	f.Rev = h.rev
	h.waiting, h.dirty, h.lastAt = wire.Frame{}, false, time.Now()
	msg, err := prepare(f)
	if err != nil {
		return
	}
	for v, ready := range h.viewers {
		if ready {
			h.push(v, msg)
		}
	}
	if h.fetch != nil {
		h.fetch.since = append(h.fetch.since, f)
	}
	if f.Setup {
		all := map[*viewer]bool{}
		for v, ready := range h.viewers {
			if ready {
				all[v] = true
			}
		}
		h.ask(all)
	}
}

func prepare(v any) (*websocket.PreparedMessage, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return websocket.NewPreparedMessage(websocket.TextMessage, b)
}

func (h *hub) push(v *viewer, m *websocket.PreparedMessage) {
	select {
	case v.out <- m:
	default:
		h.cut(v)
	}
}

func (h *hub) cut(v *viewer) {
	if _, ok := h.viewers[v]; ok {
		delete(h.viewers, v)
		close(v.gone)
	}
}

// ask puts viewers among those who get the next view. The question goes out after
// they came, so that no frame between falls through.
func (h *hub) ask(viewers map[*viewer]bool) {
	switch {
	case len(viewers) == 0:
	case h.fetch == nil:
		h.fetch = &fetching{joiners: viewers, late: map[*viewer]bool{}}
		go h.get()
	default:
		maps.Copy(h.fetch.late, viewers)
	}
}

func (h *hub) get() {
	got := fetched{}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	b, err := bus.Enquire(ctx, h.nc, bus.Question(h.site, "view"), nil)
	if err == nil {
		var v wire.View
		if err = json.Unmarshal(b, &v); err == nil {
			v.Build, v.NowUs, got.rev = h.build, time.Now().UnixMicro(), v.Rev
			got.view, err = prepare(v)
		}
	}
	got.err = err
	h.views <- got
}

func (h *hub) give(got fetched) {
	f := h.fetch
	h.fetch = nil
	if got.err != nil {
		maps.Copy(f.late, f.joiners)
		h.fetch = &fetching{joiners: f.late, late: map[*viewer]bool{}}
		time.AfterFunc(500*time.Millisecond, h.get)
		return
	}
	msgs := []*websocket.PreparedMessage{got.view}
	frame := f.beyond(got.rev)
	if msg, err := prepare(frame); err == nil && frame.Type != "" {
		msgs = append(msgs, msg)
	}
	if h.driving != nil {
		msgs = append(msgs, h.driving)
	}
	for v := range f.joiners {
		if _, here := h.viewers[v]; !here {
			continue
		}
		h.viewers[v] = true
		for _, m := range msgs {
			h.push(v, m)
		}
		if frame.Setup {
			f.late[v] = true
		}
	}
	h.ask(f.late)
}

// beyond is what has been sent since and a view does not hold, in one frame: however
// long the view took, who waited for it is not cut for it. It has no type when there
// was nothing.
func (f *fetching) beyond(rev uint64) (all wire.Frame) {
	for _, x := range f.since {
		if x.Rev > rev {
			all = merge(all, x)
			all.Type, all.NowUs = x.Type, x.NowUs
		}
	}
	return all
}

// merge is frame a followed by frame b as one.
func merge(a, b wire.Frame) wire.Frame {
	a.Rev, a.Setup = b.Rev, a.Setup || b.Setup
	a.Motors = append(a.Motors, b.Motors...)
	for _, r := range b.Results {
		a.Results = mergeResult(a.Results, r)
	}
	for _, p := range b.Passages {
		a.Passages = mergePassages(a.Passages, p)
	}
	if b.Order != nil {
		a.Order = b.Order
	}
	return a
}

func mergeResult(list []wire.TrialResult, r wire.TrialResult) []wire.TrialResult {
	for i, old := range list {
		if old.Trial != r.Trial {
			continue
		}
		kept := []wire.Lap{}
		first := r.LapCount - len(r.Laps) + 1
		for _, l := range old.Laps {
			if l.Lap < first {
				kept = append(kept, l)
			}
		}
		r.Laps = append(kept, r.Laps...)
		list[i] = r
		return list
	}
	return append(list, r)
}

func mergePassages(list []wire.PassagesOf, p wire.PassagesOf) []wire.PassagesOf {
	for i, old := range list {
		if old.Trial != p.Trial {
			continue
		}
		var kept []wire.PassageVerdict
		for _, x := range old.Passages {
			if x.AtUs < p.FromUs {
				kept = append(kept, x)
			}
		}
		p.Passages, p.FromUs = append(kept, p.Passages...), min(old.FromUs, p.FromUs)
		list[i] = p
		return list
	}
	return append(list, p)
}

var upgrader = websocket.Upgrader{
	ReadBufferSize: 2048, WriteBufferSize: 16 << 10, EnableCompression: true,
	CheckOrigin: func(r *http.Request) bool {
		o := r.Header.Get("Origin")
		if o == "" {
			return true // not a browser
		}
		u, err := url.Parse(o)
		return err == nil && u.Host == r.Host
	},
}

// socket is one viewer's connection.
func (g *Gateway) socket(w http.ResponseWriter, r *http.Request) {
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	defer func() { _ = conn.Close() }()
	if tcp, ok := conn.NetConn().(interface{ SetWriteBuffer(int) error }); ok {
		_ = tcp.SetWriteBuffer(16 << 10) // or a stuck viewer would not be noticed
	}
	g.viewers.Add(1)
	defer g.viewers.Add(-1)
	v := &viewer{out: make(chan *websocket.PreparedMessage, queueLen), gone: make(chan struct{})}
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	told := make(chan wire.ClockTold, 4)
	go listen(conn, told, cancel)
	select {
	case g.hub.joins <- v:
	case <-ctx.Done():
		return
	}
	defer func() {
		select {
		case g.hub.leaves <- v:
		case <-v.gone:
		case <-time.After(time.Second):
		}
	}()
	write(ctx, conn, v, told)
}

// listen reads what a page says: clock questions, and the pongs of a socket
// that lives.
func listen(conn *websocket.Conn, told chan<- wire.ClockTold, done context.CancelFunc) {
	defer done()
	conn.SetReadLimit(4096)
	alive := func(string) error { return conn.SetReadDeadline(time.Now().Add(readWait)) }
	_ = alive("")
	conn.SetPongHandler(alive)
	for {
		var q struct {
			Type string `json:"type"`
			T1Us int64  `json:"t1_us"`
		}
		_, b, err := conn.ReadMessage()
		if err != nil {
			return
		}
		t2 := time.Now().UnixMicro()
		if json.Unmarshal(b, &q) != nil || q.Type != "ask" {
			continue
		}
		select {
		case told <- wire.ClockTold{T1Us: q.T1Us, T2Us: t2}:
		default: // more questions than answers: the page asks again
		}
	}
}

func write(ctx context.Context, conn *websocket.Conn, v *viewer, told <-chan wire.ClockTold) {
	ping := time.NewTicker(5 * time.Second)
	defer ping.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case <-v.gone:
			return
		case m := <-v.out:
			_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
			err = conn.WritePreparedMessage(m)
		case t := <-told:
			_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
			t.T3Us = time.Now().UnixMicro()
			err = conn.WriteJSON(struct {
				Type string `json:"type"`
				wire.ClockTold
			}{"told", t})
		case <-ping.C:
			err = conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeWait))
		}
		if err != nil {
			return
		}
	}
}
