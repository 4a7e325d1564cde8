package gateway

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gorilla/websocket"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// hereEvery is how often a replay is told that its viewer still looks on.
const hereEvery = 5 * time.Second

// replay gives one socket a replay of its own and passes on what its viewer says to
// it. It has an address of its own and never meets the hub, so that no page of the
// live line can be given a replay, nor the other way about. Whoever may read may
// replay.
func (g *Gateway) replay(w http.ResponseWriter, r *http.Request) {
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	defer func() { _ = conn.Close() }()
	if tcp, ok := conn.NetConn().(interface{ SetWriteBuffer(int) error }); ok {
		_ = tcp.SetWriteBuffer(16 << 10) // or a stuck viewer would not be noticed
	}
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	x := replaying{g: g, site: g.site(r), out: make(chan []byte, queueLen), end: cancel}
	x.asked = wire.ReplayOpen{ID: "w" + strings.ToLower(rand.Text()), Session: r.URL.Query().Get("session"), Trial: r.URL.Query().Get("trial")}
	x.asked.AtUs, _ = strconv.ParseInt(r.URL.Query().Get("at_us"), 10, 64) // not a number: from the beginning
	if err := x.open(); err != nil {
		_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
		_ = conn.WriteJSON(wire.ReplayNote{Type: "replay", Reason: strings.TrimPrefix(err.Error(), "refused: ")})
		_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), time.Now().Add(writeWait))
		return
	}
	defer x.close()
	go x.listen(conn)
	x.write(ctx, conn)
}

// replaying is one socket and its replay.
type replaying struct {
	g     *Gateway
	site  string
	asked wire.ReplayOpen
	sub   *nats.Subscription
	out   chan []byte
	end   context.CancelFunc
}

// open listens before it asks, so that the first message is not missed.
func (x *replaying) open() (err error) {
	x.sub, err = x.g.nc.Subscribe(bus.Replay(x.site, x.asked.ID), func(m *nats.Msg) {
		select {
		case x.out <- m.Data:
		default: // too slow: it comes again, where it was
			x.end()
		}
	})
	if err != nil {
		return fmt.Errorf("listening for the replay: %w", err)
	}
	b, err := json.Marshal(x.asked)
	if err == nil {
		_, err = x.g.question(x.site, "replay", b)
	}
	if err != nil {
		_ = x.sub.Unsubscribe()
	}
	return err
}

func (x *replaying) close() {
	x.tell(wire.ReplayControl{Do: wire.ReplayClose})
	_ = x.sub.Unsubscribe()
}

func (x *replaying) tell(c wire.ReplayControl) {
	if b, err := json.Marshal(c); err == nil {
		_ = x.g.nc.Publish(bus.ReplayControl(x.site, x.asked.ID), b)
	}
}

// listen passes on what the viewer says, as far as it makes sense.
func (x *replaying) listen(conn *websocket.Conn) {
	defer x.end()
	conn.SetReadLimit(4096)
	alive := func(string) error { return conn.SetReadDeadline(time.Now().Add(readWait)) }
	_ = alive("")
	conn.SetPongHandler(alive)
	for {
		_, b, err := conn.ReadMessage()
		if err != nil {
			return
		}
		var c wire.ReplayControl
		if json.Unmarshal(b, &c) == nil && c.Check() == nil {
			x.tell(c)
		}
	}
}

// write sends what the replay shows, until its viewer is gone or too slow.
func (x *replaying) write(ctx context.Context, conn *websocket.Conn) {
	ping := time.NewTicker(hereEvery)
	defer ping.Stop()
	for {
		var err error
		_ = conn.SetWriteDeadline(time.Now().Add(writeWait))
		select {
		case <-ctx.Done():
			return
		case b := <-x.out:
			err = conn.WriteMessage(websocket.TextMessage, b)
		case <-ping.C:
			x.tell(wire.ReplayControl{Do: wire.ReplayHere})
			err = conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeWait))
		}
		if err != nil {
			return
		}
	}
}
