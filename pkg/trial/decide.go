package trial

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/tracker"
	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

// decide carries a decision out. One that cannot be is a doubt: it is in the
// journal, and the book says that nothing came of it. One about another session
// is for whoever reads that session's facts again.
func (s *State) decide(e wire.Event, c *Changes) {
	a, err := s.checked(e)
	switch {
	case s.elsewhere(e): // whatever comes of it, it is no doubt of this session's
		if errors.Is(err, ErrElsewhere) && s.sessionIndex(e.Session) >= 0 {
			c.Amended = addDoubt(c.Amended, e.Session)
		}
		return
	case errors.Is(err, ErrElsewhere): // checked by who holds all of this session, before it was written
	case err != nil && (s.Book != nil && !s.open() || e.BaseSeq != nil && errors.Is(err, ErrConflict)):
		return // the results of a session that is over stay; and who comes second is told so
	case err != nil:
		s.Doubts = lastOf(append(s.Doubts, fmt.Sprintf("decision %s had no effect: %v", e.ID, err)), 50)
		return
	}
	at := at(e)
	a = dated(a, at)
	closed := s.Book != nil && !s.open()
	book, stood := s.Book, s.ownCopy(a)
	s.carryOut(e, a, at, c)
	s.note(e, a, stood)
	c.Setup = true
	if closed && s.Book == book && !s.open() && a.session != "" { // its results are others now
		s.flush(c)
		c.Closed, c.Corrected, book.Mended = book.Session.ID, true, true
	}
	c.Short = c.Closed != "" && s.Book == book && s.partial()
}

// at is the instant of a decision.
func at(e wire.Event) int64 {
	if e.BusUs != 0 {
		return e.BusUs
	}
	return e.AtUs
}

// endsBefore reports whether a trial would end before it begins; one of a closed
// session that states no end does so with it.
func (s *State) endsBefore(v wire.Trial) bool {
	if v.ToUs == 0 && !s.open() {
		v.ToUs = s.Book.Session.ClosedUs
	}
	return v.ToUs != 0 && v.ToUs < v.FromUs
}

// dated gives a trial or a session that states no beginning the instant of its
// decision, so that the value can be put back as it was.
func dated(a act, at int64) act {
	switch v := a.value.(type) {
	case wire.Trial:
		if v.FromUs == 0 {
			v.FromUs = at
		}
		a.value, a.raw = v, mustJSON(v)
	case wire.Session:
		if v.OpenedUs == 0 {
			v.OpenedUs = at
		}
		a.value, a.raw = v, mustJSON(v)
	}
	return a
}

func (s *State) carryOut(e wire.Event, a act, at int64, c *Changes) {
	if s.Book != nil {
		s.Book.rev++
	}
	switch {
	case wire.Defines(a.what):
		s.define(a, c)
	case a.what == wire.WhatSession:
		s.session(a, at, c)
	case a.what == wire.WhatTrial:
		s.trial(a, c)
	case a.what == wire.WhatLap:
		s.voidLap(a, c)
	default:
		s.inBook(e, a, c)
	}
}

// define writes a definition down, or takes it away; that of a closed session is
// its own copy.
func (s *State) define(a act, c *Changes) {
	_, id, _ := strings.Cut(a.key, "/")
	id, _, _ = strings.Cut(id, "@")
	circuits, locos, consists := s.Circuits, s.Locomotives, s.Consists
	if a.session != "" {
		circuits, locos, consists = map[string]wire.CircuitValue{}, s.Book.Locomotives, s.Book.Consists
	}
	switch a.what {
	case wire.WhatCircuit:
		put(circuits, id, a.value)
	case wire.WhatLocomotive:
		put(locos, id, a.value)
	case wire.WhatConsist:
		put(consists, id, a.value)
	case wire.WhatMotor:
		put(s.NamedMotors, id, a.value)
		if s.open() { // a motor's curve comes into the verdict on it
			s.know()
			s.Book.touchAll(c)
		}
		return
	case wire.WhatBattery:
		put(s.Batteries, id, a.value)
		return
	case wire.WhatMargin:
		put(s.Margins, id, a.value)
		return
	}
	if v, ok := a.value.(wire.CircuitValue); ok && a.session != "" && id == s.Book.Session.Circuit {
		s.Book.Circuit = v
	}
	if a.session != "" || s.open() {
		s.redraw(c)
	}
}

// put sets m[id] to v, or deletes it when v is nil.
func put[V any](m map[string]V, id string, v any) {
	if v == nil {
		delete(m, id)
		return
	}
	m[id] = v.(V)
}

func (s *State) voidLap(a act, c *Changes) {
	trial, n, _ := strings.Cut(strings.TrimPrefix(a.key, "lap/"), "/")
	lap, _ := strconv.Atoi(n) // the key was made of a number
	t := s.Book.entry(trial)
	if t == nil {
		return
	}
	if t.Void == nil {
		t.Void = map[int]string{}
	}
	delete(t.Void, lap)
	if v, ok := a.value.(wire.LapValue); ok && v.Void {
		t.Void[lap] = a.why
	}
	c.touch(trial, lap-1, math.MaxInt64)
}

// inBook writes what else a session's book holds.
func (s *State) inBook(e wire.Event, a act, c *Changes) {
	b := s.Book
	switch a.what {
	case wire.WhatNote:
		b.putNote(a, a.value)
	case wire.WhatPull:
		b.putPull(e, a)
		s.know()
	case wire.WhatOrder:
		v, _ := a.value.(wire.OrderValue)
		b.Order = v.Trials
		s.redraw(c)
	case wire.WhatMeet:
		b.Meet = pointer[wire.Meet](a.value)
	case wire.WhatEntry:
		b.putEntry(strings.TrimPrefix(a.key, "entry/"), a.value)
	case wire.WhatPlan:
		b.Plan = pointer[wire.Plan](a.value)
	case wire.WhatScoring:
		b.Scoring = pointer[wire.Scoring](a.value)
		s.redraw(c)
	case wire.WhatSeal:
		b.Seal = nil
		if v, ok := a.value.(wire.Seal); ok {
			b.Seal = &wire.SealRecord{Digest: v.Digest, By: a.by, AtUs: a.atUs, Decision: e.ID}
		}
	}
	if s.Book.Meet != nil {
		s.know()
	}
}

func pointer[V any](v any) *V {
	if x, ok := v.(V); ok {
		return &x
	}
	return nil
}

func (b *Book) putNote(a act, v any) {
	id := strings.TrimPrefix(a.key, "note/")
	b.Notes = slices.DeleteFunc(b.Notes, func(n wire.NoteRecord) bool { return n.ID == id })
	if n, ok := v.(wire.NoteValue); ok {
		b.Notes = append(b.Notes, wire.NoteRecord{ID: id, AtUs: a.atUs, By: a.by, Trial: n.Trial, Text: n.Text})
	}
	slices.SortStableFunc(b.Notes, func(x, y wire.NoteRecord) int { return cmp.Compare(x.AtUs, y.AtUs) })
}

func (s *State) session(a act, at int64, c *Changes) {
	if a.value == nil {
		s.unopen()
		return
	}
	v := a.value.(wire.Session)
	if s.reopens(a) {
		s.reopen(c)
		return
	}
	if v.ClosedUs != 0 && s.open() && s.Book.Session.ID == v.ID {
		s.close(v, at, c)
		return
	}
	if s.open() { // renamed, or moved to another circuit
		v.OpenedUs, v.ClosedUs = s.Book.Session.OpenedUs, 0
		s.Book.Session = v
		s.Sessions[s.sessionIndex(v.ID)] = v
		s.redraw(c)
		return
	}
	v.ClosedUs = 0
	s.Sessions = append(s.Sessions, v)
	s.forget(at)
	s.Book = &Book{
		Session: v, Ticks: map[string]int64{}, Stamps: map[string]int{},
		Motors: map[string]*traction.Track{}, keepAll: s.keepAll,
	}
	s.know()
	c.Opened = true
}

// unopen takes the opening of a session without trials back.
func (s *State) unopen() {
	if i := s.sessionIndex(s.Book.Session.ID); i >= 0 {
		s.Sessions = slices.Delete(s.Sessions, i, i+1)
	}
	s.Book = nil
}

// reopen takes the close of the session in the book back: the trials that the
// close ended go on.
func (s *State) reopen(c *Changes) {
	b := s.Book
	b.Session.ClosedUs = 0
	s.Sessions[s.sessionIndex(b.Session.ID)] = b.Session
	for _, id := range b.Shut {
		if t := b.entry(id); t != nil {
			t.Trial.ToUs = 0
		}
	}
	b.Shut = nil
	// It goes by what all sessions share again: its own copies are no more.
	b.Decided = slices.DeleteFunc(b.Decided, func(d Decided) bool { return wire.Defines(d.What) })
	s.redraw(c)
	c.Opened = true
}

// know copies into the book the definitions that its results are reckoned
// with: what changes after a session closed changes no result of it.
func (s *State) know() {
	b := s.Book
	if !s.open() && b.Locomotives != nil {
		for _, t := range b.Trials { // a trial corrected to a locomotive it did not know
			if _, known := b.Locomotives[t.Trial.Locomotive]; !known {
				learn(b.Locomotives, s.Locomotives, t.Trial.Locomotive)
				s.knowMotors(b.Locomotives[t.Trial.Locomotive])
			}
			learn(b.Consists, s.Consists, t.Trial.Consist)
		}
		for _, p := range b.Pulls {
			learn(b.Locomotives, s.Locomotives, p.Locomotive)
		}
		return
	}
	b.Circuit = s.Circuits[b.Session.Circuit]
	b.Locomotives, b.Consists, b.NamedMotors = map[string]wire.Locomotive{}, map[string]wire.Consist{}, nil
	for _, t := range b.Trials {
		if !t.Gone {
			learn(b.Locomotives, s.Locomotives, t.Trial.Locomotive)
			learn(b.Consists, s.Consists, t.Trial.Consist)
		}
	}
	for _, e := range b.Entries {
		learn(b.Locomotives, s.Locomotives, e.Locomotive)
	}
	for _, p := range b.Pulls {
		learn(b.Locomotives, s.Locomotives, p.Locomotive)
	}
	for _, l := range b.Locomotives {
		s.knowMotors(l)
	}
}

// knowMotors copies the motors that a locomotive of the book names.
func (s *State) knowMotors(l wire.Locomotive) {
	for _, d := range l.DriverSets {
		if s.Book.NamedMotors == nil {
			s.Book.NamedMotors = map[string]wire.NamedMotor{}
		}
		learn(s.Book.NamedMotors, s.NamedMotors, d.Motor)
	}
}

func learn[V any](book, all map[string]V, id string) {
	if _, ok := book[id]; ok {
		return
	}
	if v, ok := all[id]; ok {
		book[id] = v
	}
}

// forget lets go of what a session's export does not hold, so that the export
// scores as the session did: clock exchanges older than two minutes, arrivals,
// and what was seen of each agent (the journal has dropped duplicates by then).
func (s *State) forget(atUs int64) {
	for id, k := range s.Clocks {
		if k = k.since(atUs - syncMemoryUs); k == nil {
			delete(s.Clocks, id)
			continue
		}
		s.Clocks[id] = k
	}
	clear(s.Seen)
	s.Unknown, s.Doubts = nil, nil
}

// since is k with its clock exchanges from an instant on, and without arrivals;
// the boot before where it has none itself, nil where neither has.
func (k *Clock) since(us int64) *Clock {
	if k == nil {
		return nil
	}
	out := *k
	out.Arrival, out.Filter, out.Before = nil, k.Filter.Since(us), k.Before.since(us)
	if out.Filter.Len() == 0 {
		return out.Before
	}
	return &out
}

// close ends the session: nothing more is waited for, and all is final.
func (s *State) close(v wire.Session, at int64, c *Changes) {
	b := s.Book
	b.Shut = nil
	for _, t := range b.Trials {
		if t.Trial.ToUs == 0 {
			t.Trial.ToUs = at
			b.Shut = append(b.Shut, t.Trial.ID)
		}
	}
	s.flush(c)
	b.Session.ClosedUs = v.ClosedUs
	s.Sessions[s.sessionIndex(v.ID)] = b.Session
	c.Closed, c.Corrected = v.ID, b.Mended
}

// Finish settles everything, as at the end of a recording.
func (s *State) Finish() Changes {
	var c Changes
	if s.open() {
		s.flush(&c)
	}
	return c
}

func (s *State) flush(c *Changes) {
	if s.Book.Stale {
		s.Book.rescore(s, c)
	}
	s.Book.touchRunning(math.MinInt64, c)
	s.Book.settleTo(s, math.MaxInt64, c)
	for _, t := range s.Book.Trials {
		s.finishTrial(t, c)
	}
}

// trial opens a trial, corrects one, closes one, or takes its opening back.
func (s *State) trial(a act, c *Changes) {
	b := s.Book
	id := strings.TrimPrefix(a.key, "trial/")
	t := b.find(id)
	v, there := a.value.(wire.Trial)
	switch {
	case t == nil:
		b.Trials = append(b.Trials, &Entry{Trial: v, Why: a.why})
	case !there:
		t.Gone = true
		c.Gone = append(c.Gone, id)
	default:
		t.Trial, t.Why, t.Closed, t.Gone = v, a.why, false, false
	}
	if t != nil && !s.open() {
		b.endWithin(t)
	}
	s.redraw(c)
}

// endWithin has a trial of a closed session that states no end, end with it.
func (b *Book) endWithin(t *Entry) {
	b.Shut = slices.DeleteFunc(b.Shut, func(id string) bool { return id == t.Trial.ID })
	if t.Trial.ToUs == 0 {
		t.Trial.ToUs = b.Session.ClosedUs
		b.Shut = append(b.Shut, t.Trial.ID)
	}
}

// entry is a trial of the book, nil when there is none.
func (b *Book) entry(id string) *Entry {
	if t := b.find(id); t != nil && !t.Gone {
		return t
	}
	return nil
}

// find is entry, but finds one whose opening was taken back as well.
func (b *Book) find(id string) *Entry {
	for _, t := range b.Trials {
		if t.Trial.ID == id {
			return t
		}
	}
	return nil
}

// redraw scores the session from its crossings again, after a definition or a
// trial changed. When the first crossings are no longer kept, only what is kept
// is scored by the new definition, and the book says so.
func (s *State) redraw(c *Changes) {
	b := s.Book
	b.line, b.ahead = nil, nil
	s.know()
	if !s.open() {
		b.whole(s.lineOf())
	}
	b.Base.Core, b.Stops = b.Base.Core.Redrawn(s.lineOf()), nil
	if b.Base.AtUs != 0 {
		b.Doubts = addDoubt(b.Doubts, "the session is too long to be scored again from its beginning: a change of definitions holds for its last crossings only")
	}
	b.rescore(s, c)
}

// lineOf is the line as the definitions draw it.
func (s *State) lineOf() *tracker.Line {
	b := s.Book
	if b.line != nil {
		return b.line
	}
	cv := b.ruled()
	var gates []tracker.Gate
	for _, g := range cv.Gates {
		gate := tracker.Gate{ID: g.ID, PositionMm: g.PositionMm, Timing: g.Timing}
		if g.PairMm != nil {
			gate.PairMm = *g.PairMm
		}
		gates = append(gates, gate)
	}
	b.line = tracker.NewLine(lapLength(cv.Circuit), gates, s.trains(), b.rules())
	if b.Core == nil {
		b.Core, b.Base = tracker.New(b.line), Base{Core: tracker.New(b.line), Marks: map[string]Mark{}}
	}
	return b.line
}

// trains are the trials as the line knows them. A trial whose end nobody stated
// ends where a later one begins that cannot be told from it: of the same
// locomotive, with the same tag, or neither with a tag nor a starting place.
func (s *State) trains() []tracker.Train {
	var trains []tracker.Train
	for _, t := range s.Book.Trials {
		tr := tracker.Train{
			ID: t.Trial.ID, Tag: t.Trial.Tag, FromUs: t.Trial.FromUs, ToUs: t.Trial.ToUs, StartMm: math.NaN(),
			LengthMm: s.trainLength(t.Trial), Reverse: t.Trial.Direction == "reverse",
			Order: slices.Index(s.Book.Order, t.Trial.ID) + 1,
		}
		if t.Trial.StartMm != nil {
			tr.StartMm = *t.Trial.StartMm
		}
		if t.Gone { // it keeps its place among the trains, and never runs
			tr.FromUs, tr.ToUs = 1, 1
			trains = append(trains, tr)
			continue
		}
		for _, o := range s.Book.Trials {
			later := !o.Gone && t.Trial.ToUs == 0 && o.Trial.FromUs > t.Trial.FromUs && (tr.ToUs == 0 || o.Trial.FromUs <= tr.ToUs)
			if later && alike(t.Trial, o.Trial) {
				tr.ToUs = o.Trial.FromUs - 1
			}
		}
		trains = append(trains, tr)
	}
	return trains
}

func alike(a, b wire.Trial) bool {
	return a.Locomotive == b.Locomotive || a.Tag != "" && a.Tag == b.Tag || a.Tag == "" && b.Tag == "" && b.StartMm == nil
}

func (s *State) trainLength(t wire.Trial) float64 {
	mm := s.Book.Locomotives[t.Locomotive].LengthMm
	for _, car := range s.Book.Consists[t.Consist].Cars {
		mm += car.LengthMm
	}
	return mm
}

// lapLength is the measured length, else the sum of the pieces.
func lapLength(c wire.Circuit) float64 {
	if c.LapLengthMm > 0 {
		return c.LapLengthMm
	}
	return layout(c).LengthMm
}

func addDoubt(doubts []string, text string) []string {
	if slices.Contains(doubts, text) {
		return doubts
	}
	return append(doubts, text)
}

func lastOf[T any](v []T, n int) []T {
	if len(v) > n {
		return slices.Clone(v[len(v)-n:])
	}
	return v
}
