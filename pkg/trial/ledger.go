package trial

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rainhill/pkg/wire"
)

// ErrConflict marks a decision on a thing that somebody else has decided on since
// its author looked. ErrElsewhere marks one about a session that is not in the
// book: it is checked against that session's own facts.
var (
	ErrConflict  = errors.New("conflict")
	ErrElsewhere = errors.New("about another session")
)

// Decided is a decision that had effect: on what (Key), and what stood there
// before and after it; null where nothing did.
type Decided struct {
	Seq    uint64          `json:"seq"`
	ID     string          `json:"id"`
	By     string          `json:"by"`
	Why    string          `json:"why,omitempty"` // of the value
	AtUs   int64           `json:"at_us"`
	What   string          `json:"what"`
	Key    string          `json:"key"`
	Before json.RawMessage `json:"before,omitempty"`
	After  json.RawMessage `json:"after,omitempty"`
	// Whose value After is, and since when: not By and AtUs where it was put back.
	Whose   string `json:"whose"`
	SinceUs int64  `json:"since_us"`
}

// decidedMax is how many decisions on definitions, and how many of a session, can
// still be taken back; older ones have to be written anew.
const decidedMax = 5000

// act is a decision as it will be carried out: an undo is the decision that puts
// back what stood before.
type act struct {
	what, key, why string
	value          any             // nil: the thing is taken away
	raw            json.RawMessage // of value
	session        string
	by             string // whose value it is, and since when
	atUs           int64
}

// keyOf names the thing that a decision is about, within its session or, of a
// definition, everywhere.
func keyOf(e wire.Event, v any) string {
	switch v := v.(type) {
	case wire.CircuitValue:
		return own(e, v.Circuit.ID)
	case wire.Locomotive:
		return own(e, v.ID)
	case wire.Consist:
		return own(e, v.ID)
	case wire.NamedMotor:
		return own(e, v.ID)
	case wire.Battery:
		return own(e, v.ID)
	case wire.Margin:
		return own(e, v.Circuit)
	case wire.Session:
		return "session/" + v.ID
	case wire.Trial:
		return "trial/" + v.ID
	case wire.LapValue:
		return "lap/" + v.Trial + "/" + strconv.Itoa(v.Lap)
	case wire.NoteValue:
		return "note/" + e.ID
	case wire.Entry:
		return "entry/" + v.ID
	case wire.PullValue:
		return "pull/" + v.ID
	}
	return e.What
}

// own is the key of a definition; of a session's own copy of it when the decision
// is about a session.
func own(e wire.Event, id string) string {
	if e.Session != "" {
		return e.What + "/" + id + "@" + e.Session
	}
	return e.What + "/" + id
}

// acting reads a decision as what it will do.
func (s *State) acting(e wire.Event) (act, error) {
	v, err := e.DecisionValue()
	if err != nil {
		return act{}, err
	}
	u, undo := v.(wire.Undo)
	if !undo {
		return act{e.What, keyOf(e, v), e.Why, v, e.Value, e.Session, e.By, e.AtUs}, nil
	}
	d, list := s.find(u.Decision)
	if d == nil {
		return act{}, refuse("there is no decision %q in this session that could be taken back", u.Decision)
	}
	if last := latest(list, d.Key); last.ID != d.ID {
		return act{}, refuse("%s decided on the same thing at %s, after it: take that decision (%s) back first", last.By, clockOfDay(last.AtUs), last.ID)
	}
	if d.What == wire.WhatSession && s.Book != nil && !s.open() && e.Session == "" && d.Key == "session/"+s.Book.Session.ID {
		return act{}, refuse("the session is closed: a decision about a closed one names it")
	}
	if _, _, own := strings.Cut(d.Key, "@"); wire.Defines(d.What) && own != (e.Session != "") {
		if own {
			return act{}, refuse("%s is the session's own copy: a decision about a closed one names it", d.Key)
		}
		return act{}, refuse("%s is of no session: take the decision back without naming one", d.Key)
	}
	a := act{d.What, d.Key, e.Why, nil, d.Before, e.Session, e.By, e.AtUs}
	if isNull(d.Before) {
		return a, nil
	}
	// What stood there was somebody's, for a reason.
	if was := before(list, d); was != nil {
		a.why, a.by, a.atUs = was.Why, was.Whose, was.SinceUs
	}
	back := wire.Event{What: d.What, Value: d.Before, Why: "taken back"}
	a.value, err = back.DecisionValue()
	if v, ok := a.value.(wire.Trial); ok && v.ToUs == 0 && s.Book != nil && !s.open() { // it was open until the session closed
		v.ToUs = max(s.Book.Session.ClosedUs, v.FromUs+1)
		a.value, a.raw = v, mustJSON(v)
	}
	return a, err
}

func isNull(raw json.RawMessage) bool {
	return len(raw) == 0 || bytes.Equal(raw, []byte("null"))
}

// find is a decision that had effect, and the list it stands in.
func (s *State) find(id string) (*Decided, []Decided) {
	lists := [][]Decided{s.Decided}
	if s.Book != nil {
		lists = [][]Decided{s.Book.Decided, s.Decided}
	}
	for _, list := range lists {
		for i := len(list) - 1; i >= 0; i-- {
			if list[i].ID == id {
				return &list[i], list
			}
		}
	}
	return nil, nil
}

// HadEffect reports whether the decision of that id did something to the book, or
// to the definitions.
func (s *State) HadEffect(id string) bool {
	d, _ := s.find(id)
	return d != nil
}

// latest is the last decision on a thing, nil when there is none.
func latest(list []Decided, key string) *Decided {
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Key == key {
			return &list[i]
		}
	}
	return nil
}

// before is the decision on the same thing that made what d found.
func before(list []Decided, d *Decided) *Decided {
	for i := len(list) - 1; i >= 0; i-- {
		x := &list[i]
		if x.Key == d.Key && x.Seq < d.Seq && bytes.Equal(x.After, d.Before) {
			return x
		}
	}
	return nil
}

// listOf is where decisions on such a thing are kept.
func (s *State) listOf(a act) *[]Decided {
	if (wire.Defines(a.what) && a.session == "") || a.what == wire.WhatSession || s.Book == nil {
		return &s.Decided
	}
	return &s.Book.Decided
}

// conflict says who decided on the same thing since the author looked.
func (s *State) conflict(e wire.Event, a act) error {
	if e.BaseSeq == nil {
		return nil
	}
	last := latest(*s.listOf(a), a.key)
	if last == nil || last.Seq <= *e.BaseSeq {
		return nil
	}
	return fmt.Errorf("%w: %s changed this at %s, after you opened it; look at what stands there now and decide again", ErrConflict, last.By, clockOfDay(last.AtUs))
}

// ownCopy is a closed session's own copy of a definition, null when it has none or
// the decision is on something else.
func (s *State) ownCopy(a act) json.RawMessage {
	_, id, _ := strings.Cut(a.key, "/")
	id, _, own := strings.Cut(id, "@")
	if !own || !wire.Defines(a.what) {
		return nil
	}
	if a.what == wire.WhatCircuit && s.Book.Session.Circuit == id {
		return mustJSON(s.Book.Circuit)
	}
	if v, ok := s.Book.Locomotives[id]; ok && a.what == wire.WhatLocomotive {
		return mustJSON(v)
	}
	if v, ok := s.Book.Consists[id]; ok && a.what == wire.WhatConsist {
		return mustJSON(v)
	}
	return nil
}

// note keeps a decision that had effect; stood is what nobody has decided on before.
func (s *State) note(e wire.Event, a act, stood json.RawMessage) {
	list := s.listOf(a)
	d := Decided{Seq: s.Seq, ID: e.ID, By: e.By, Why: a.why, AtUs: e.AtUs, What: a.what, Key: a.key, Before: stood, After: a.raw, Whose: a.by, SinceUs: a.atUs}
	if last := latest(*list, a.key); last != nil {
		d.Before = last.After
	}
	*list = lastOf(append(*list, d), decidedMax)
}

// clockOfDay is an instant as UTC shows it: for a person to find a decision by.
func clockOfDay(us int64) string { return time.UnixMicro(us).UTC().Format("15:04:05") + " UTC" }

func refuse(format string, a ...any) error {
	return fmt.Errorf("%w: %s", wire.ErrMalformed, fmt.Sprintf(format, a...))
}

// Due are the open trials that end by themselves by now, each as the decision that
// closes it says it. A lap ends a trial once nothing can come before its end.
func (s *State) Due() []wire.Trial {
	var due []wire.Trial
	if !s.open() {
		return nil
	}
	for _, t := range s.Book.Trials {
		x := t.Trial
		if t.Gone || x.ToUs != 0 {
			continue
		}
		if end := x.FromUs + int64(math.Round(x.EndsAfterS*1e6)); x.EndsAfterS > 0 && end <= s.NowUs {
			x.ToUs = end
		} else if s.ranOut(t) {
			x.ToUs = s.NowUs
		}
		if x.ToUs != 0 {
			due = append(due, x)
		}
	}
	return due
}

// ranOut reports whether a trial has all the laps it was to have.
func (s *State) ranOut(t *Entry) bool {
	want := t.Trial.WarmupLaps + t.Trial.EndsAfterLaps
	if t.Trial.EndsAfterLaps == 0 || s.count(t) < want {
		return false
	}
	rec, _ := s.lapAt(t, want-1)
	return rec.Lap.To.AtUs <= s.NowUs-s.Rules.DisorderUs
}
