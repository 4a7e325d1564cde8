package gateway_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/gorilla/websocket"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"rainhill/pkg/wire"
)

// sockets wants what is said on each to be what the document names.
func (s *spec) sockets(d *door) {
	for _, path := range []string{"/ws", "/ws/replay"} {
		d.get(path)
		d.get(path, header("Connection", "Upgrade"), header("Upgrade", "websocket"), header("Sec-Websocket-Version", "13"), header("Sec-Websocket-Key", "AAAAAAAAAAAAAAAAAAAAAA=="), header("Origin", "http://elsewhere.example"))
	}
	live := s.talk(d, "/ws", "")
	live.until("view")
	live.until("frame")
	live.say(map[string]any{"type": "drive"}, false)
	live.say(map[string]any{"type": "ask", "t1_us": nowUs()}, true)
	live.until("told")

	again := s.talk(d, "/ws/replay", "?session=s1&trial=t1&at_us=1")
	if r, _ := again.until("view")["replay"].(map[string]any); r["trials"] == nil || r["crossings"] == 0.0 {
		s.t.Errorf("the replay begins with %v", r)
	}
	for _, c := range []wire.ReplayControl{{Do: wire.ReplayPlay}, {Do: wire.ReplayPlay, Rate: 101}, {Do: wire.ReplaySeek}, {Do: wire.ReplayStep}, {Do: wire.ReplayLaps}, {Do: wire.ReplayLaps, Trial: "T 1"}, {Do: "drive"}} {
		if c.Check() == nil {
			s.t.Errorf("the service takes %+v", c)
		}
		again.say(c, false)
	}
	for _, c := range []wire.ReplayControl{{Do: wire.ReplayHere}, {Do: wire.ReplayPlay, Rate: 0.25}, {Do: wire.ReplayPause}, {Do: wire.ReplayLaps, Trial: "t1"}, {Do: wire.ReplayStep, By: 1}, {Do: wire.ReplayStep, By: -1}, {Do: wire.ReplaySeek, AtUs: nowUs()}} {
		if err := c.Check(); err != nil {
			s.t.Error(err)
		}
		again.say(c, true)
	}
	if again.until("view"); again.until("frame")["replay"] == nil {
		s.t.Error("a frame of a replay does not say so")
	}
	again.say(wire.ReplayControl{Do: wire.ReplayClose}, true)
	for _, query := range []string{"?session=s9", "?session=s1&trial=t9", "?site=nowhere"} {
		refused := s.talk(d, "/ws/replay", query)
		for refused.until("replay")["reason"] == nil { // before it may come how far it has read
		}
	}
}

// talk is one websocket, and what the document lets be said on it.
type talk struct {
	*spec
	conn           *websocket.Conn
	messages, says *jsonschema.Schema
}

func (s *spec) talk(d *door, path, query string) talk {
	s.t.Helper()
	c, res, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+path+query, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { _ = c.Close() })
	s.seen[fmt.Sprint("get ", path, " ", res.StatusCode)] = true
	in := "/paths/" + strings.ReplaceAll(path, "/", "~1") + "/get/responses/101/"
	return talk{s, c, s.compile(in + "x-messages"), s.compile(in + "x-says")}
}

// until reads messages, each one that the document names, until one of a type.
func (c talk) until(kind string) map[string]any {
	c.t.Helper()
	_ = c.conn.SetReadDeadline(time.Now().Add(time.Minute))
	for {
		_, b, err := c.conn.ReadMessage()
		if err != nil {
			c.t.Fatalf("waiting for a %s: %v", kind, err)
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
		if err == nil {
			err = c.messages.Validate(v)
		}
		if err != nil {
			c.t.Errorf("the message %.300s: %v", b, err)
		}
		var m map[string]any
		if json.Unmarshal(b, &m) == nil && m["type"] == kind {
			return m
		}
	}
}

// say says what the document lets be said, or does not.
func (c talk) say(v any, sound bool) {
	c.t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		c.t.Fatal(err)
	}
	said, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		c.t.Fatal(err)
	}
	if err := c.says.Validate(said); (err == nil) != sound {
		c.t.Errorf("%s: by the document %v, want sound: %v", b, err, sound)
	}
	if err := c.conn.WriteMessage(websocket.TextMessage, b); err != nil {
		c.t.Fatal(err)
	}
}
