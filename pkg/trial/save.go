package trial

import (
	"encoding/json"
	"fmt"
)

// Saved is a state as it is saved: its JSON without the final laps of the book's trials,
// and what has changed of these since the state was last saved.
type Saved struct {
	State   []byte
	Session string // in the book, "" without one; laps kept of other sessions are no more
	Kept    []Kept
}

// Kept is what is saved of a trial's final laps: those from index From on, each apart. Laps
// beyond them are no more.
type Kept struct {
	Trial string
	From  int
	Laps  [][]byte
}

// Saver saves a state again and again, and each time only those final laps that are new or
// not what they were, so that what is written does not grow with the session. A new one
// has saved nothing.
type Saver struct {
	session       string
	kept, changed map[string]int // by trial: laps that are saved, and from which on they have changed since
}

// Note takes in what is new in the state since it was saved.
func (v *Saver) Note(c Changes) {
	if c.Opened {
		v.session, v.kept = "", nil
	}
	for id, t := range c.Trials {
		if from, ok := v.changed[id]; ok && from <= t.FromLap {
			continue
		}
		if v.changed == nil {
			v.changed = map[string]int{}
		}
		v.changed[id] = t.FromLap
	}
}

// Save is the state as it is to be saved.
func (v *Saver) Save(s *State) (out Saved, err error) {
	if s.Book != nil {
		out.Session = s.Book.Session.ID
		for _, t := range s.Book.Trials {
			k, err := t.keep(v.first(out.Session, t.Trial.ID))
			if err != nil {
				return out, err
			}
			out.Kept = append(out.Kept, k)
			list := t.Laps
			t.Laps, t.Elsewhere = nil, len(list)
			defer func() { t.Laps, t.Elsewhere = list, 0 }()
		}
	}
	out.State, err = json.Marshal(s)
	return out, err
}

// first is the index of the first lap that is not saved as it is.
func (v *Saver) first(session, id string) int {
	if session != v.session {
		return 0
	}
	first := v.kept[id]
	if from, ok := v.changed[id]; ok {
		first = min(first, from)
	}
	return first
}

func (t *Entry) keep(from int) (Kept, error) {
	k := Kept{Trial: t.Trial.ID, From: min(from, len(t.Laps))}
	for i := k.From; i < len(t.Laps); i++ {
		b, err := json.Marshal(t.Laps[i])
		if err != nil {
			return k, fmt.Errorf("saving lap %d of trial %s: %w", i+1, k.Trial, err)
		}
		k.Laps = append(k.Laps, b)
	}
	return k, nil
}

// Done notes that what Save gave of the state is on disk.
func (v *Saver) Done(s *State) {
	*v = Saver{kept: map[string]int{}}
	if s.Book == nil {
		return
	}
	v.session = s.Book.Session.ID
	for _, t := range s.Book.Trials {
		v.kept[t.Trial.ID] = len(t.Laps)
	}
}

// Load is the state that was saved; laps gives all that is kept of a trial.
func Load(state []byte, laps func(session, trial string) ([][]byte, error)) (*State, error) {
	s := New("")
	if err := json.Unmarshal(state, s); err != nil {
		return nil, err
	}
	if s.Book != nil {
		for _, t := range s.Book.Trials {
			list, err := laps(s.Book.Session.ID, t.Trial.ID)
			if err == nil {
				err = t.take(list)
			}
			if err != nil {
				return nil, fmt.Errorf("laps of trial %s: %w", t.Trial.ID, err)
			}
		}
	}
	s.Revive()
	return s, nil
}

func (t *Entry) take(list [][]byte) error {
	if len(list) != t.Elsewhere {
		return fmt.Errorf("%d are kept, %d were saved", len(list), t.Elsewhere)
	}
	t.Laps, t.Elsewhere = make([]LapRecord, len(list)), 0
	for i, b := range list {
		if err := json.Unmarshal(b, &t.Laps[i]); err != nil {
			return err
		}
	}
	return nil
}
