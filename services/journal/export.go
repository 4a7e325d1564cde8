package journal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/wire"
)

// Header begins each run of records in a session file: what they follow, so
// that the chain can be checked from there. Its kind is "file".
type Header struct {
	Kind    string `json:"kind"`
	Format  int    `json:"format"`
	Site    string `json:"site"`
	Session string `json:"session,omitempty"`
	FromSeq uint64 `json:"from_seq"`
	Prev    string `json:"prev"`
}

// KindFile marks a header line.
const KindFile = "file"

// syncMemoryUs is how far back before a session a file holds clock exchanges:
// as far as the reducer remembers them when a session opens.
const syncMemoryUs = int64(120_000_000)

// Export writes a session as JSON Lines: the definitions before it, the clock
// exchanges of the two minutes before it, and all its facts up to its close.
// session "" is the last one. With follow it goes on until the session closes;
// otherwise it ends with the journal's present end.
func Export(ctx context.Context, js jetstream.JetStream, site, session string, follow bool, w io.Writer) error {
	last, _, err := Tip(ctx, js, site)
	if err != nil {
		return err
	}
	if last == 0 && !follow {
		return fmt.Errorf("site %s has no session yet", site)
	}
	if session == "" {
		if session, err = lastSession(ctx, js, site, last); err != nil {
			return err
		}
	}
	x := exporter{w: w, site: site, session: session, prev: Genesis, follow: follow, last: last}
	err = Follow(ctx, js, site, 1, func(seq uint64, record []byte, _ int) error { return x.take(seq, record) })
	if errors.Is(err, errDone) {
		err = nil
	}
	if err == nil && !x.inside && !x.found {
		return fmt.Errorf("site %s has no session %q", site, session)
	}
	return err
}

func lastSession(ctx context.Context, js jetstream.JetStream, site string, last uint64) (string, error) {
	id := ""
	err := Read(ctx, js, site, 1, last, func(_ uint64, record []byte) error {
		if s, ok := sessionOf(record); ok && s.ClosedUs == 0 {
			id = s.ID
		}
		return nil
	})
	if err == nil && id == "" {
		err = fmt.Errorf("site %s has no session yet", site)
	}
	return id, err
}

// sessionOf reads a record that opens or closes a session.
func sessionOf(record []byte) (wire.Session, bool) {
	if !bytes.Contains(record, []byte(`"what":"session"`)) {
		return wire.Session{}, false
	}
	var e wire.Event
	if json.Unmarshal(record, &e) != nil || e.Kind != wire.KindDecision || e.What != wire.WhatSession {
		return wire.Session{}, false
	}
	v, err := e.DecisionValue()
	if err != nil {
		return wire.Session{}, false
	}
	return v.(wire.Session), true
}

type exporter struct {
	w                   io.Writer
	site, session, prev string
	follow              bool
	last                uint64
	inside, found       bool
	context             []held // what goes before the session, not yet written
	sweepAt             int    // how long context may grow before old exchanges are let go
	next                uint64 // seq that would continue the present run
}

type held struct {
	seq    uint64
	busUs  int64
	prev   string
	record []byte
	sync   bool
}

func (x *exporter) take(seq uint64, record []byte) error {
	prev := x.prev
	if _, chain, err := split(record); err == nil {
		x.prev = chain
	}
	s, isSession := sessionOf(record)
	opens := isSession && s.ID == x.session && s.ClosedUs == 0 && !x.inside
	switch {
	case opens:
		x.inside, x.found = true, true
		if err := x.flushContext(busUs(record)); err != nil {
			return err
		}
		fallthrough
	case x.inside:
		if err := x.put(held{seq: seq, prev: prev, record: record}); err != nil {
			return err
		}
		if isSession && s.ID == x.session && s.ClosedUs != 0 {
			return errDone
		}
	default:
		x.hold(seq, prev, record)
	}
	if seq >= x.last && !x.follow {
		return errDone
	}
	return nil
}

// hold keeps a definition or a clock exchange that a session to come needs.
func (x *exporter) hold(seq uint64, prev string, record []byte) {
	var e wire.Event
	if json.Unmarshal(record, &e) != nil {
		return
	}
	definition := e.Kind == wire.KindDecision && (e.What == wire.WhatCircuit || e.What == wire.WhatLocomotive || e.What == wire.WhatConsist)
	if definition || e.Kind == wire.KindSync {
		x.context = append(x.context, held{seq, e.BusUs, prev, bytes.Clone(record), e.Kind == wire.KindSync})
	}
	if len(x.context) > max(x.sweepAt, 10_000) {
		x.context = slices.DeleteFunc(x.context, func(h held) bool { return h.sync && h.busUs < e.BusUs-syncMemoryUs })
		x.sweepAt = 2 * len(x.context)
	}
}

func busUs(record []byte) int64 {
	var e struct {
		BusUs int64 `json:"bus_us"`
	}
	_ = json.Unmarshal(record, &e)
	return e.BusUs
}

func (x *exporter) flushContext(openUs int64) error {
	for _, h := range x.context {
		if h.sync && h.busUs < openUs-syncMemoryUs {
			continue
		}
		if err := x.put(h); err != nil {
			return err
		}
	}
	x.context = nil
	return nil
}

func (x *exporter) put(h held) error {
	if h.seq != x.next || x.next == 0 {
		b, err := json.Marshal(Header{KindFile, 1, x.site, x.session, h.seq, h.prev})
		if err != nil {
			return err
		}
		if _, err := x.w.Write(append(b, '\n')); err != nil {
			return err
		}
	}
	x.next = h.seq + 1
	_, err := x.w.Write(append(bytes.Clone(h.record), '\n'))
	return err
}

// VerifyFile walks the chain of a session file and reports the first bad
// place. Records before any header begin a journal.
func VerifyFile(r io.Reader) (records int, err error) {
	var c Chain
	err = EachLine(r, func(n int, line []byte) error {
		var h Header
		if json.Unmarshal(line, &h) == nil && h.Kind == KindFile {
			c.Begin(h.Prev, h.FromSeq)
			return nil
		}
		if err := c.Add(line); err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		return nil
	})
	return c.N, err
}
