package gateway

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// driveWithin is how long the driving service may take to answer: it may have to ask
// for the roster first. A stop waits for nothing.
const driveWithin = 5 * time.Second

// driving passes a request on to the driving service, signed by who asks. To look needs
// no sign-in.
func (g *Gateway) driving(w http.ResponseWriter, r *http.Request) {
	var in wire.DrivingAsk
	err := json.NewDecoder(r.Body).Decode(&in)
	if in.By = g.cfg.Key.who(r); in.By == "" && in.Do != wire.DriveLook {
		refuse(w, http.StatusUnauthorized, "sign in with the official's key first")
		return
	}
	if err == nil {
		err = in.Check()
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, "want {\"do\": \"arm\", \"hold\", \"throttle\", \"trim\", \"sweep\", \"release\", \"stop\" or \"look\", and what that needs}: "+strings.TrimPrefix(err.Error(), wire.ErrMalformed.Error()+": "))
		return
	}
	g.askDriving(w, r, in)
}

// stopAll stops every motor. Whoever can see the page may do it, signed in or not.
func (g *Gateway) stopAll(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Why string `json:"why"`
	}
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil && err != io.EOF {
		in.Why = "" // whatever was sent, it is a stop
	}
	if len(in.Why) > 500 {
		in.Why = strings.ToValidUTF8(in.Why[:500], "")
	}
	g.askDriving(w, r, wire.DrivingAsk{Do: wire.DriveStop, By: g.cfg.Key.who(r), Why: in.Why})
}

// askDriving asks the driving service and passes its answer on: 409 when somebody else
// holds authority, 400 when it says no otherwise.
func (g *Gateway) askDriving(w http.ResponseWriter, r *http.Request, in wire.DrivingAsk) {
	b, err := json.Marshal(in)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	site := g.site(r)
	m, err := g.nc.Request(bus.Question(site, "driving"), b, driveWithin)
	if err != nil {
		g.failed(w, fmt.Errorf("asking the driving service of site %s: %w", site, err))
		return
	}
	var reply wire.DrivingReply
	if err := json.Unmarshal(m.Data, &reply); err != nil {
		refuse(w, http.StatusBadGateway, "the driving service's answer could not be read")
		return
	}
	status := http.StatusOK
	switch {
	case reply.OK:
	case reply.Held != "":
		status = http.StatusConflict
	default:
		status = http.StatusBadRequest
	}
	answer(w, status, reply)
}

// hearDriving has the hub hear what is driven, first as it is now.
func (h *hub) hearDriving(ctx context.Context) (*nats.Subscription, error) {
	pass := func(b []byte) {
		var d wire.Driving
		if json.Unmarshal(b, &d) != nil {
			return
		}
		d.Type = "driving"
		select {
		case h.driven <- d:
		case <-ctx.Done():
		}
	}
	sub, err := h.nc.Subscribe(bus.Driving(h.site), func(m *nats.Msg) { pass(m.Data) })
	if err != nil {
		return nil, fmt.Errorf("listening for what is driven: %w", err)
	}
	go func() {
		m, err := h.nc.Request(bus.Question(h.site, "driving"), []byte(`{"do":"look"}`), driveWithin)
		var r struct {
			Driving json.RawMessage `json:"driving"`
		}
		if err == nil && json.Unmarshal(m.Data, &r) == nil {
			pass(r.Driving)
		}
	}()
	return sub, nil
}

// drive tells every viewer what is driven, at once, and keeps it for those to come. The
// first answer may come behind a younger state: a page that joins would not know.
func (h *hub) drive(d wire.Driving) {
	if h.driving != nil && d.Boot == h.is.Boot && d.Revision <= h.is.Revision {
		return
	}
	msg, err := prepare(d)
	if err != nil {
		return
	}
	h.is, h.driving = d, msg
	for v, ready := range h.viewers {
		if ready {
			h.push(v, msg)
		}
	}
}
