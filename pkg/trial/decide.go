package trial

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/circuit"
	"rainhill/pkg/tracker"
	"rainhill/pkg/wire"
)

// Check says why a decision cannot be carried out in this state, before it is
// put into the journal.
func (s *State) Check(e wire.Event) error {
	v, err := e.DecisionValue()
	if err != nil {
		return err
	}
	refuse := func(format string, a ...any) error {
		return fmt.Errorf("%w: %s", wire.ErrMalformed, fmt.Sprintf(format, a...))
	}
	switch v := v.(type) {
	case wire.CircuitValue:
		if lap := lapLength(v.Circuit); lap > 0 {
			for _, g := range v.Gates {
				if g.PositionMm >= lap+0.5 {
					return refuse("gate %q stands at %g mm, the lap is %.0f mm long", g.ID, g.PositionMm, lap)
				}
			}
		}
	case wire.Session:
		if _, ok := s.Circuits[v.Circuit]; !ok {
			return refuse("there is no circuit %q", v.Circuit)
		}
		if s.open() && s.Book.Session.ID != v.ID {
			return refuse("session %q is still open: close it first", s.Book.Session.ID)
		}
		if i := s.sessionIndex(v.ID); i >= 0 && s.Sessions[i].ClosedUs != 0 {
			return refuse("session %q is closed; a new one needs another id", v.ID)
		}
	case wire.Trial:
		if !s.open() {
			return refuse("no session is open")
		}
		if _, ok := s.Locomotives[v.Locomotive]; !ok {
			return refuse("there is no locomotive %q", v.Locomotive)
		}
		if _, ok := s.Consists[v.Consist]; v.Consist != "" && !ok {
			return refuse("there is no consist %q", v.Consist)
		}
	case wire.LapValue:
		if !s.open() {
			return refuse("no session is open")
		}
		t := s.Book.entry(v.Trial)
		if t == nil || v.Lap > s.count(t) {
			return refuse("trial %q has no lap %d", v.Trial, v.Lap)
		}
	case wire.NoteValue:
		if !s.open() {
			return refuse("no session is open")
		}
	case wire.OrderValue:
		if !s.open() {
			return refuse("no session is open")
		}
		for _, id := range v.Trials {
			if s.Book.entry(id) == nil {
				return refuse("there is no trial %q in this session", id)
			}
		}
	}
	return nil
}

func (s *State) sessionIndex(id string) int {
	return slices.IndexFunc(s.Sessions, func(x wire.Session) bool { return x.ID == id })
}

// decide carries a decision out. One that cannot be is a doubt: it is in the
// journal, and the book says that nothing came of it.
func (s *State) decide(e wire.Event, c *Changes) {
	if err := s.Check(e); err != nil {
		s.Doubts = lastOf(append(s.Doubts, fmt.Sprintf("decision %s had no effect: %v", e.ID, err)), 50)
		return
	}
	v, _ := e.DecisionValue()
	at := e.AtUs
	if e.BusUs != 0 {
		at = e.BusUs
	}
	c.Setup = true
	switch v := v.(type) {
	case wire.CircuitValue:
		s.Circuits[v.Circuit.ID] = v
		s.redraw(c)
	case wire.Locomotive:
		s.Locomotives[v.ID] = v
		s.redraw(c)
	case wire.Consist:
		s.Consists[v.ID] = v
		s.redraw(c)
	case wire.Session:
		s.session(v, at, c)
	case wire.Trial:
		s.trial(v, at, c)
	case wire.LapValue:
		t := s.Book.entry(v.Trial)
		if t.Void == nil {
			t.Void = map[int]string{}
		}
		delete(t.Void, v.Lap)
		if v.Void {
			t.Void[v.Lap] = e.Why
		}
		c.touch(v.Trial, v.Lap-1, math.MaxInt64)
	case wire.NoteValue:
		s.Book.Notes = append(s.Book.Notes, v)
	case wire.OrderValue:
		s.Book.Order = v.Trials
		s.redraw(c)
	}
}

func (s *State) session(v wire.Session, at int64, c *Changes) {
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
	if v.OpenedUs == 0 {
		v.OpenedUs = at
	}
	s.Sessions = append(s.Sessions, v)
	s.forget(at)
	s.Book = &Book{
		Session: v, Ticks: map[string]int64{}, Stamps: map[string]int{},
		Motors: map[string]*Motor{},
	}
	s.know()
	c.Opened = true
}

// know copies into the book the definitions that its results are reckoned
// with: what changes after a session closed changes no result of it.
func (s *State) know() {
	b := s.Book
	b.Circuit = s.Circuits[b.Session.Circuit]
	b.Locomotives = map[string]wire.Locomotive{}
	for _, t := range b.Trials {
		b.Locomotives[t.Trial.Locomotive] = s.Locomotives[t.Trial.Locomotive]
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
	for _, t := range b.Trials {
		if t.Trial.ToUs == 0 {
			t.Trial.ToUs = at
		}
	}
	s.flush(c)
	b.Session.ClosedUs = v.ClosedUs
	s.Sessions[s.sessionIndex(v.ID)] = b.Session
	c.Closed = v.ID
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

// trial opens a trial, corrects one, or closes one.
func (s *State) trial(v wire.Trial, at int64, c *Changes) {
	if v.FromUs == 0 {
		v.FromUs = at
	}
	b := s.Book
	if t := b.entry(v.ID); t != nil {
		t.Trial, t.Closed = v, false
	} else {
		b.Trials = append(b.Trials, &Entry{Trial: v})
	}
	s.redraw(c)
}

func (b *Book) entry(id string) *Entry {
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
	if !s.open() {
		return
	}
	b.line, b.ahead = nil, nil
	s.know()
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
	cv := b.Circuit
	var gates []tracker.Gate
	for _, g := range cv.Gates {
		gate := tracker.Gate{ID: g.ID, PositionMm: g.PositionMm, Timing: g.Timing}
		if g.PairMm != nil {
			gate.PairMm = *g.PairMm
		}
		gates = append(gates, gate)
	}
	b.line = tracker.NewLine(lapLength(cv.Circuit), gates, s.trains(), tracker.Default())
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
		for _, o := range s.Book.Trials {
			later := t.Trial.ToUs == 0 && o.Trial.FromUs > t.Trial.FromUs && (tr.ToUs == 0 || o.Trial.FromUs <= tr.ToUs)
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
	mm := s.Locomotives[t.Locomotive].LengthMm
	for _, car := range s.Consists[t.Consist].Cars {
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

func layout(c wire.Circuit) circuit.Layout {
	pieces := make([]circuit.Piece, len(c.Pieces))
	for i, p := range c.Pieces {
		pieces[i] = circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Left: p.Hand == "left"}
	}
	return circuit.Lay(pieces)
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
