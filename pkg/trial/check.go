package trial

import (
	"fmt"
	"slices"
	"strings"

	"rainhill/pkg/wire"
)

// Check says why a decision cannot be carried out in this state, before it is
// put into the journal.
func (s *State) Check(e wire.Event) error {
	_, err := s.checked(e)
	return err
}

// checked reads a decision as what it will do, and says why it cannot.
func (s *State) checked(e wire.Event) (act, error) {
	if s.elsewhere(e) {
		if s.sessionIndex(e.Session) < 0 {
			return act{}, fmt.Errorf("%w: there is no session %q here", ErrElsewhere, e.Session)
		}
		if s.opensPast(e) {
			return act{}, refuse("session %q cannot be opened or closed again: another was opened after it", e.Session)
		}
		return act{}, fmt.Errorf("%w: session %s", ErrElsewhere, e.Session)
	}
	a, err := s.acting(e)
	if err != nil {
		return a, err
	}
	if err := s.conflict(e, a); err != nil {
		return a, err
	}
	if err := s.checkBook(a); err != nil {
		return a, err
	}
	if a.value == nil {
		return a, s.checkTakenAway(a)
	}
	if v, ok := dated(a, at(e)).value.(wire.Trial); ok && s.endsBefore(v) {
		return a, refuse("trial %q ends before it begins", v.ID)
	}
	return a, s.checkValue(a)
}

// elsewhere reports whether a decision is about a session that is not in the book.
func (s *State) elsewhere(e wire.Event) bool {
	return e.Session != "" && (s.Book == nil || s.Book.Session.ID != e.Session)
}

// opensPast reports whether a decision is about the opening or close of a session
// that is no longer in the book.
func (s *State) opensPast(e wire.Event) bool {
	if v, err := e.DecisionValue(); err == nil {
		if u, ok := v.(wire.Undo); ok {
			d, _ := s.find(u.Decision)
			return d != nil && d.What == wire.WhatSession
		}
	}
	return e.What == wire.WhatSession
}

// checkBook says why what is in the book cannot be decided on now: no session is
// open and none is named, or its results are signed.
func (s *State) checkBook(a act) error {
	if wire.Defines(a.what) && a.session == "" || a.what == wire.WhatSession && a.value != nil && a.value.(wire.Session).ClosedUs == 0 && !s.reopens(a) {
		return nil
	}
	switch {
	case !s.open() && (s.Book == nil || a.session != s.Book.Session.ID):
		return refuse("no session is open; a decision about a closed one names it")
	case s.Book.Seal != nil && a.what != wire.WhatNote && a.what != wire.WhatSeal:
		return refuse("the results of this session are signed: take the signature (%s) back first", s.Book.Seal.Decision)
	case a.what == wire.WhatMotor || a.what == wire.WhatBattery || a.what == wire.WhatMargin:
		return refuse("a %s is of no session: decide on it without naming one", a.what)
	case wire.Defines(a.what) && s.open():
		return refuse("session %q is open and goes by what all sessions share: decide without naming it", a.session)
	}
	return nil
}

// checkTakenAway says why a thing cannot be taken away again.
func (s *State) checkTakenAway(a act) error {
	_, id, _ := strings.Cut(a.key, "/")
	id, _, _ = strings.Cut(id, "@")
	used := ""
	switch a.what {
	case wire.WhatCircuit:
		if s.Book != nil && s.Book.Session.Circuit == id { // its close may be taken back
			used = "session " + s.Book.Session.ID
		}
	case wire.WhatSession:
		if s.Book == nil || len(s.Book.Trials) > 0 || !s.open() {
			return refuse("a session with trials cannot be taken back: close it")
		}
	case wire.WhatLocomotive, wire.WhatConsist, wire.WhatBattery:
		used = s.userOf(a.what, id)
	case wire.WhatMeet:
		if s.Book.Plan != nil {
			return refuse("the running order is of this meet: take that back first")
		}
		return s.checkClasses(nil)
	case wire.WhatEntry:
		used = s.Book.userOfEntry(id)
	case wire.WhatPlan:
		return s.checkPlan(wire.Plan{})
	}
	if used != "" {
		return refuse("%s %s is used by %s", a.what, id, used)
	}
	return nil
}

// userOf names a trial or an entry that uses a definition, nothing when none does.
func (s *State) userOf(what, id string) string {
	if s.Book == nil {
		return ""
	}
	for _, t := range s.Book.Trials {
		x := t.Trial
		if !t.Gone && (what == wire.WhatLocomotive && x.Locomotive == id || what == wire.WhatConsist && x.Consist == id || what == wire.WhatBattery && x.Battery == id) {
			return "trial " + x.ID
		}
	}
	for _, e := range s.Book.Entries {
		if what == wire.WhatLocomotive && e.Locomotive == id {
			return "entry " + e.ID
		}
	}
	for _, p := range s.Book.Pulls {
		if what == wire.WhatLocomotive && p.Locomotive == id {
			return "pull " + p.ID
		}
	}
	if m := s.Book.Meet; m != nil && what == wire.WhatConsist && m.Consist == id {
		return "the meet"
	}
	return ""
}

// checkValue says why a value does not fit what else is in the book.
func (s *State) checkValue(a act) error {
	switch v := a.value.(type) {
	case wire.CircuitValue:
		return checkGates(lapLength(v.Circuit), v.Gates)
	case wire.Session:
		return s.checkSession(v, a)
	case wire.Trial:
		return s.checkTrial(v)
	case wire.LapValue:
		t := s.Book.entry(v.Trial)
		if t == nil || v.Lap > s.count(t) {
			return refuse("trial %q has no lap %d", v.Trial, v.Lap)
		}
	case wire.NoteValue:
		if v.Trial != "" && s.Book.entry(v.Trial) == nil {
			return refuse("there is no trial %q in this session", v.Trial)
		}
	case wire.PullValue:
		return s.checkPull(v)
	case wire.OrderValue:
		for _, id := range v.Trials {
			if s.Book.entry(id) == nil {
				return refuse("there is no trial %q in this session", id)
			}
		}
	case wire.Meet:
		if _, ok := s.Consists[v.Consist]; v.Consist != "" && !ok {
			return refuse("there is no consist %q", v.Consist)
		}
		return s.checkClasses(v.Classes)
	case wire.Entry:
		return s.checkEntry(v)
	case wire.Plan:
		return s.checkPlan(v)
	case wire.Scoring:
		return s.checkScoring(v)
	case wire.Seal:
		return s.checkSeal(v)
	}
	return nil
}

func checkGates(lap float64, gates []wire.Gate) error {
	for _, g := range gates {
		if lap > 0 && g.PositionMm >= lap+0.5 {
			return refuse("gate %q stands at %g mm, the lap is %.0f mm long", g.ID, g.PositionMm, lap)
		}
	}
	return nil
}

func (s *State) checkSession(v wire.Session, a act) error {
	if s.reopens(a) {
		return nil
	}
	if _, ok := s.Circuits[v.Circuit]; !ok {
		return refuse("there is no circuit %q", v.Circuit)
	}
	if s.open() && s.Book.Session.ID != v.ID {
		return refuse("session %q is still open: close it first", s.Book.Session.ID)
	}
	if i := s.sessionIndex(v.ID); i >= 0 && s.Sessions[i].ClosedUs != 0 {
		return refuse("session %q is closed; a new one needs another id", v.ID)
	}
	return nil
}

// reopens reports whether a decision takes the close of the session in the book
// back: it names it.
func (s *State) reopens(a act) bool {
	v, ok := a.value.(wire.Session)
	return ok && s.Book != nil && !s.open() && v.ID == s.Book.Session.ID && v.ClosedUs == 0 && a.session == v.ID
}

func (s *State) checkTrial(v wire.Trial) error {
	if !s.open() && s.Book.entry(v.ID) == nil {
		return refuse("session %q is closed: no trial can be opened in it", s.Book.Session.ID)
	}
	if _, ok := s.Locomotives[v.Locomotive]; !ok {
		return refuse("there is no locomotive %q", v.Locomotive)
	}
	if _, ok := s.Consists[v.Consist]; v.Consist != "" && !ok {
		return refuse("there is no consist %q", v.Consist)
	}
	if _, ok := s.Batteries[v.Battery]; v.Battery != "" && !ok {
		return refuse("there is no battery %q", v.Battery)
	}
	run := s.Book.run(v.Run)
	switch {
	case v.Run != "" && run == nil:
		return refuse("the running order has no run %q", v.Run)
	case run != nil && run.Entry != v.Entry:
		return refuse("run %s is of entry %s, not of entry %q", v.Run, run.Entry, v.Entry)
	case v.Entry != "" && !s.Book.entered(v.Entry):
		return refuse("there is no entry %q", v.Entry)
	}
	if t := s.Book.begun()[v.Run]; t != nil && t.Trial.ID != v.ID && !v.Void {
		return fmt.Errorf("%w: run %s was opened already, as trial %s", ErrConflict, v.Run, t.Trial.ID)
	}
	return nil
}

func (s *State) sessionIndex(id string) int {
	return slices.IndexFunc(s.Sessions, func(x wire.Session) bool { return x.ID == id })
}
