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

	"rainhill/pkg/bus"
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

// Export writes a session as JSON Lines: what Session hands out, with a header
// before each run of records. session "" is the last one. With follow it goes on
// until the session closes; otherwise it ends with the journal's present end.
func Export(ctx context.Context, js jetstream.JetStream, site, session string, follow bool, w io.Writer) error {
	f := file{w: w, site: site}
	if follow {
		return f.follow(ctx, js, session)
	}
	_, err := walk(ctx, js, site, session, func(id string, h held) error {
		f.session = id
		return f.put(h)
	})
	return err
}

// Session hands on, in order, the records that make a session's results: the
// definitions before it, the clock exchanges of the two minutes before it, all
// its facts up to its close, and what was decided about it later, with the
// definitions that these decisions may name. session "" is the last one; its id is
// returned. It ends with fn's error, or ctx's.
func Session(ctx context.Context, js jetstream.JetStream, site, session string, fn func(seq uint64, record []byte) error) (string, error) {
	return walk(ctx, js, site, session, func(_ string, h held) error { return fn(h.seq, h.record) })
}

// Extent is where a session's own facts lie: its id, the sequence of its opening,
// and that of its close, 0 while it is open. session "" is the last one.
func Extent(ctx context.Context, js jetstream.JetStream, site, session string) (id string, first, last uint64, err error) {
	tip, _, err := Tip(ctx, js, site)
	if err != nil {
		return session, 0, 0, err
	}
	if tip == 0 {
		return session, 0, 0, fmt.Errorf("site %s has no session yet", site)
	}
	s, err := spanOf(ctx, js, site, session, tip)
	return s.id, s.first, s.last, err
}

func walk(ctx context.Context, js jetstream.JetStream, site, session string, put func(id string, h held) error) (string, error) {
	last, _, err := Tip(ctx, js, site)
	if err != nil {
		return session, err
	}
	if last == 0 {
		return session, fmt.Errorf("site %s has no session yet", site)
	}
	span, err := spanOf(ctx, js, site, session, last)
	if err != nil {
		return session, err
	}
	x := exporter{put: func(h held) error { return put(span.id, h) }, prev: Genesis, span: span}
	end := span.last
	if end == 0 {
		end = last
	}
	if err := Read(ctx, js, site, 1, end, x.take); err != nil || span.last == 0 {
		return span.id, err
	}
	return span.id, x.later(ctx, js, site, last)
}

// span is where a session's own facts lie: from its opening to its last close, 0
// while it is open.
type span struct {
	id          string
	first, last uint64
	amended     uint64 // the last decision about it after its close, 0: none
	opening     string // the decision that opened it, and whether that was taken back
	gone        bool
}

// heeds reports whether a decision to open or close a session can have had effect: one
// that has closed is named, and goes on only while it is the newest.
func (s *span) heeds(e wire.Event, closes, newest bool) bool {
	if s.last != 0 && !s.gone {
		return !closes && newest && e.Session == s.id
	}
	return e.Session == "" || e.Session == s.id
}

// spanOf finds a session among a site's decisions.
func spanOf(ctx context.Context, js jetstream.JetStream, site, session string, last uint64) (span, error) {
	spans, changes := map[string]*span{}, map[string]change{}
	newest := ""
	err := ReadOnly(ctx, js, site, 1, last, wire.KindDecision, func(seq uint64, record []byte) error {
		var e wire.Event
		if json.Unmarshal(record, &e) != nil {
			return nil
		}
		id, closes, ok, took := e.Session, false, false, ""
		if v, err := e.DecisionValue(); err == nil {
			switch v := v.(type) {
			case wire.Session:
				id, closes, ok = v.ID, v.ClosedUs != 0, true
			case wire.Undo:
				if c, known := changes[v.Decision]; known {
					id, closes, ok, took = c.Session, !c.WasOpen, true, v.Decision
				}
			}
		}
		s := spans[id]
		switch {
		case s == nil && (!ok || closes):
			return nil
		case s == nil:
			s = &span{id: id, first: seq, opening: e.ID}
			spans[id], newest = s, id
		case !ok:
			s.amended = seq
			return nil
		case !s.heeds(e, closes, newest == id):
			return nil
		case s.gone:
			s.opening, newest = e.ID, id
		}
		changes[e.ID], s.last = change{id, s.last == 0 && s.first != seq}, 0
		s.gone = took != "" && took == s.opening
		if closes {
			s.last = seq
		}
		return nil
	})
	if session == "" {
		session = newest
	}
	switch {
	case err != nil:
		return span{}, err
	case session == "":
		return span{}, fmt.Errorf("site %s has no session yet", site)
	case spans[session] == nil:
		return span{}, fmt.Errorf("site %s has no session %q", site, session)
	}
	return *spans[session], nil
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
	put     func(held) error
	prev    string
	span    span
	inside  bool
	context []held          // what goes before the session, not yet written
	sweepAt int             // how long context may grow before old exchanges are let go
	defines map[string]bool // decisions on definitions, by id: one that takes such a one back is of them
}

type held struct {
	seq    uint64
	busUs  int64
	prev   string
	record []byte
	sync   bool
}

// take hands a record of the session on, and what it needs from before.
func (x *exporter) take(seq uint64, record []byte) error {
	prev := x.prev
	if _, chain, err := split(record); err == nil {
		x.prev = chain
	}
	switch {
	case seq == x.span.first:
		x.inside = true
		if err := x.flushContext(busUs(record)); err != nil {
			return err
		}
		fallthrough
	case x.inside:
		var e wire.Event
		if bytes.Contains(record, []byte(`"what":`)) && json.Unmarshal(record, &e) == nil {
			x.defining(e)
		}
		return x.put(held{seq: seq, prev: prev, record: record})
	}
	x.hold(seq, prev, record)
	return nil
}

// later hands on what was decided about a session after its close.
func (x *exporter) later(ctx context.Context, js jetstream.JetStream, site string, last uint64) error {
	if x.span.amended <= x.span.last {
		return nil
	}
	x.context = nil
	st, err := js.Stream(ctx, bus.Stream(site))
	if err != nil {
		return fmt.Errorf("opening the journal of site %s: %w", site, err)
	}
	return ReadOnly(ctx, js, site, x.span.last+1, min(last, x.span.amended), wire.KindDecision, func(seq uint64, record []byte) error {
		before, err := st.GetMsg(ctx, seq-1)
		if err != nil {
			return fmt.Errorf("reading record %d of site %s: %w", seq-1, site, err)
		}
		_, prev, err := split(before.Data)
		if err != nil {
			return fmt.Errorf("record %d of site %s: %w", seq-1, site, err)
		}
		var e wire.Event
		if json.Unmarshal(record, &e) == nil && e.Session == x.span.id {
			if err := x.flushContext(0); err != nil {
				return err
			}
			return x.put(held{seq: seq, prev: prev, record: record})
		}
		x.hold(seq, prev, record)
		return nil
	})
}

// hold keeps a definition or a clock exchange that a session to come needs.
func (x *exporter) hold(seq uint64, prev string, record []byte) {
	var e wire.Event
	if json.Unmarshal(record, &e) != nil {
		return
	}
	if e.Kind == wire.KindSync || x.defining(e) {
		x.context = append(x.context, held{seq, e.BusUs, prev, bytes.Clone(record), e.Kind == wire.KindSync})
	}
	if len(x.context) > max(x.sweepAt, 10_000) {
		x.context = slices.DeleteFunc(x.context, func(h held) bool { return h.sync && h.busUs < e.BusUs-syncMemoryUs })
		x.sweepAt = 2 * len(x.context)
	}
}

// defining reports whether an event is a decision on a definition: one that writes it
// down, or takes such a decision back.
func (x *exporter) defining(e wire.Event) bool {
	if e.Kind != wire.KindDecision {
		return false
	}
	v, err := e.DecisionValue()
	if err != nil {
		return false
	}
	u, undo := v.(wire.Undo)
	if !wire.Defines(e.What) && !(undo && x.defines[u.Decision]) {
		return false
	}
	if x.defines == nil {
		x.defines = map[string]bool{}
	}
	x.defines[e.ID] = true
	return true
}

func busUs(record []byte) int64 {
	e, _ := wire.Read[struct {
		BusUs int64 `json:"bus_us"`
	}](record)
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

// file writes records, with a header where a run of them begins.
type file struct {
	w             io.Writer
	site, session string
	next          uint64 // seq that would continue the present run
}

func (f *file) put(h held) error {
	if h.seq != f.next || f.next == 0 {
		b, err := json.Marshal(Header{KindFile, 1, f.site, f.session, h.seq, h.prev})
		if err != nil {
			return err
		}
		if _, err := f.w.Write(append(b, '\n')); err != nil {
			return err
		}
	}
	f.next = h.seq + 1
	_, err := f.w.Write(append(bytes.Clone(h.record), '\n'))
	return err
}

// follow writes a session that may be open, or yet to open, until it closes.
func (f *file) follow(ctx context.Context, js jetstream.JetStream, session string) error {
	last, _, err := Tip(ctx, js, f.site)
	if err != nil {
		return err
	}
	if session == "" {
		s, err := spanOf(ctx, js, f.site, "", last)
		if err != nil {
			return err
		}
		session = s.id
	}
	f.session = session
	x := exporter{put: f.put, prev: Genesis, span: span{id: session}}
	err = Follow(ctx, js, f.site, 1, func(seq uint64, record []byte, _ int) error {
		s, ok := sessionOf(record)
		if ok && s.ID == session && s.ClosedUs == 0 && !x.inside {
			x.span.first = seq
		}
		if err := x.take(seq, record); err != nil {
			return err
		}
		if ok && s.ID == session && s.ClosedUs != 0 && x.inside {
			return errDone
		}
		return nil
	})
	if errors.Is(err, errDone) {
		return nil
	}
	return err
}

// VerifyFile walks the chain of a session file and reports the first bad
// place. Records before any header begin a journal. each, unless nil, is handed
// every record that holds; its error ends the walk.
func VerifyFile(r io.Reader, each func(record []byte) error) (records int, err error) {
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
		if each == nil {
			return nil
		}
		return each(line)
	})
	return c.N, err
}
