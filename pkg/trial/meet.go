package trial

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"

	running "rainhill/pkg/order"
	"rainhill/pkg/stats"
	"rainhill/pkg/tracker"
	"rainhill/pkg/wire"
)

// ruled is the circuit as the session's own rules have it.
func (b *Book) ruled() wire.CircuitValue {
	cv := b.Circuit
	if b.Scoring == nil {
		return cv
	}
	if b.Scoring.LapLengthMm > 0 {
		cv.Circuit.LapLengthMm, cv.Circuit.LapLengthUMm = b.Scoring.LapLengthMm, b.Scoring.LapLengthUMm
	}
	cv.Gates = slices.Clone(cv.Gates)
	for i, g := range cv.Gates {
		if mm, ok := b.Scoring.Gates[g.ID]; ok {
			cv.Gates[i].PositionMm = mm
		}
	}
	return cv
}

// rules are the tracker's, with the least time of a lap where one is set.
func (b *Book) rules() tracker.Rules {
	r := tracker.Default()
	if b.Scoring != nil {
		r.LeastLapS = b.Scoring.MinLapS
	}
	return r
}

func (s *State) checkScoring(v wire.Scoring) error {
	b := *s.Book
	b.Scoring = &v
	for id := range v.Gates {
		if !slices.ContainsFunc(b.Circuit.Gates, func(g wire.Gate) bool { return g.ID == id }) {
			return refuse("the circuit has no gate %q", id)
		}
	}
	cv := b.ruled()
	return checkGates(lapLength(cv.Circuit), cv.Gates)
}

func (s *State) checkEntry(v wire.Entry) error {
	if _, ok := s.Locomotives[v.Locomotive]; !ok {
		return refuse("there is no locomotive %q", v.Locomotive)
	}
	if m := s.Book.Meet; v.Class != "" && (m == nil || !slices.ContainsFunc(m.Classes, func(c wire.Class) bool { return c.ID == v.Class })) {
		return refuse("the meet has no class %q", v.Class)
	}
	for _, e := range s.Book.Entries {
		if e.ID != v.ID && !e.Withdrawn && !v.Withdrawn && e.Person == v.Person && e.Locomotive == v.Locomotive && e.Class == v.Class {
			return refuse("%s has entered %s in this class already, as %s", v.Person, v.Locomotive, e.ID)
		}
	}
	if len(s.Book.Entries) >= 2000 {
		return refuse("a meet takes at most 2000 entries")
	}
	return nil
}

// checkClasses says why a meet cannot have these classes alone: somebody has entered
// another.
func (s *State) checkClasses(classes []wire.Class) error {
	for _, e := range s.Book.Entries {
		if e.Class != "" && !slices.ContainsFunc(classes, func(c wire.Class) bool { return c.ID == e.Class }) {
			return refuse("entry %s is in class %q, which the meet would not have", e.ID, e.Class)
		}
	}
	return nil
}

func (b *Book) entered(id string) bool {
	return slices.ContainsFunc(b.Entries, func(e wire.Entry) bool { return e.ID == id })
}

// userOfEntry names what an entry is for: a run or a trial; nothing when for none.
func (b *Book) userOfEntry(id string) string {
	if b.Plan != nil && slices.ContainsFunc(b.Plan.Runs, func(r wire.Run) bool { return r.Entry == id }) {
		return "the running order"
	}
	for _, t := range b.Trials {
		if !t.Gone && t.Trial.Entry == id {
			return "trial " + t.Trial.ID
		}
	}
	return ""
}

func (b *Book) putEntry(id string, v any) {
	i := slices.IndexFunc(b.Entries, func(e wire.Entry) bool { return e.ID == id })
	e, ok := v.(wire.Entry)
	switch {
	case !ok && i >= 0:
		b.Entries = slices.Delete(b.Entries, i, i+1)
	case ok && i >= 0:
		b.Entries[i] = e
	case ok:
		b.Entries = append(b.Entries, e)
	}
}

// checkPlan says why a running order cannot stand: it names who is not entered,
// or leaves out a run that was made.
func (s *State) checkPlan(p wire.Plan) error {
	for _, r := range p.Runs {
		if !s.Book.entered(r.Entry) {
			return refuse("run %q is of entry %q, which there is not", r.ID, r.Entry)
		}
	}
	for _, t := range s.Book.Trials {
		id := t.Trial.Run
		if id != "" && !t.Gone && !t.Trial.Void && !slices.ContainsFunc(p.Runs, func(r wire.Run) bool { return r.ID == id && r.Entry == t.Trial.Entry }) {
			return refuse("run %q was made by trial %s and must stay in the running order", id, t.Trial.ID)
		}
	}
	return nil
}

// run is a place of the running order, nil when there is none of that id.
func (b *Book) run(id string) *wire.Run {
	if b.Plan == nil {
		return nil
	}
	for i := range b.Plan.Runs {
		if b.Plan.Runs[i].ID == id {
			return &b.Plan.Runs[i]
		}
	}
	return nil
}

// begun are the trials, by run, that stand for a run: it is made or under way. A
// void trial stands for none.
func (b *Book) begun() map[string]*Entry {
	out := map[string]*Entry{}
	for _, t := range b.Trials {
		if t.Trial.Run != "" && !t.Gone && !t.Trial.Void {
			out[t.Trial.Run] = t
		}
	}
	return out
}

// DrawOrder proposes a running order: a new one, or, once runs were made, the old
// one with only what has not run drawn again for those who are entered now. It
// changes nothing: the official decides on what it returns.
func (s *State) DrawOrder(seed uint64) (wire.Plan, error) {
	if !s.open() {
		return wire.Plan{}, refuse("no session is open")
	}
	b := s.Book
	if b.Meet == nil {
		return wire.Plan{}, refuse("this session is not a meet yet: say its classes and rounds first")
	}
	var ids []string
	for _, e := range b.Entries {
		if !e.Withdrawn {
			ids = append(ids, e.ID)
		}
	}
	made := b.made()
	var owed []wire.Run
	var p running.Plan
	var err error
	if len(made) == 0 {
		p, err = running.Draw(ids, b.Meet.Rounds, b.Meet.SwapEvery, seed)
	} else {
		owed = b.owed(made, ids)
		old := running.Plan{Design: b.Plan.Design, Seed: b.Plan.Seed, Rounds: b.Meet.Rounds, SwapEvery: b.Meet.SwapEvery, Runs: b.inTurn(made, owed)}
		p, err = running.Redraw(old, len(made), ids, seed)
	}
	if err != nil {
		return wire.Plan{}, refuse("drawing the running order: %v", err)
	}
	return b.planned(p, made, owed), nil
}

// inTurn is the running order as it came about, without the runs owed: those made,
// then what is left.
func (b *Book) inTurn(made, owed []wire.Run) []running.Run {
	kept := func(r wire.Run) bool {
		is := func(m wire.Run) bool { return m.ID == r.ID }
		return slices.ContainsFunc(made, is) || slices.ContainsFunc(owed, is)
	}
	all := slices.Concat(made, slices.DeleteFunc(slices.Clone(b.Plan.Runs), kept))
	var out []running.Run
	round, place := 1, 0
	for _, r := range all {
		if r.Round > round {
			round, place = r.Round, 0
		}
		place++
		out = append(out, running.Run{Round: round, Place: place, Entry: r.Entry, SwapBattery: r.SwapBattery})
	}
	return out
}

// made are the runs made, under way or skipped, round by round in the order they
// were made; one skipped stays behind the run planned before it.
func (b *Book) made() []wire.Run {
	if b.Plan == nil {
		return nil
	}
	begun := b.begun()
	var made []wire.Run
	at, last := map[string]int64{}, int64(0)
	for _, r := range b.Plan.Runs {
		t := begun[r.ID]
		if t != nil {
			last = t.Trial.FromUs
		}
		if t != nil || r.Skipped {
			made, at[r.ID] = append(made, r), last
		}
	}
	slices.SortStableFunc(made, func(x, y wire.Run) int {
		return cmp.Or(cmp.Compare(x.Round, y.Round), cmp.Compare(at[x.ID], at[y.ID]))
	})
	return made
}

// owed are the runs to come of rounds before the one begun last, as of a trial that
// was voided later: they stay as they are and run next.
func (b *Book) owed(made []wire.Run, present []string) (owed []wire.Run) {
	for _, r := range b.Plan.Runs {
		is := func(m wire.Run) bool { return m.ID == r.ID }
		if r.Round < made[len(made)-1].Round && !slices.ContainsFunc(made, is) && slices.Contains(present, r.Entry) {
			owed = append(owed, r)
		}
	}
	return owed
}

// planned gives the runs of a drawn order their ids: those made keep theirs, and so
// do those owed, which come next.
func (b *Book) planned(p running.Plan, made, owed []wire.Run) wire.Plan {
	out := wire.Plan{Seed: p.Seed, Design: p.Design, Rounds: p.Rounds, SwapEvery: p.SwapEvery, Runs: []wire.Run{}}
	next := 1
	if b.Plan != nil {
		for _, r := range b.Plan.Runs {
			n := 0
			if _, err := fmt.Sscanf(r.ID, "run-%d", &n); err == nil {
				next = max(next, n+1)
			}
		}
	}
	out.Runs = append(append(out.Runs, made...), owed...)
	for _, r := range p.Runs[len(made):] {
		out.Runs = append(out.Runs, wire.Run{ID: fmt.Sprintf("run-%d", next), Round: r.Round, Place: r.Place, Entry: r.Entry, SwapBattery: r.SwapBattery})
		next++
	}
	return out
}

// meetResults ranks the entries of each class; nil when the session is no meet.
func (s *State) meetResults() *wire.MeetResults {
	b := s.Book
	if b.Meet == nil {
		return nil
	}
	out := &wire.MeetResults{Rank: b.Meet.Rank, Classes: []wire.ClassResult{}}
	begun := b.begun()
	if b.Plan != nil {
		for _, r := range b.Plan.Runs {
			t := begun[r.ID]
			if t != nil && t.Trial.ToUs != 0 {
				out.Done++
			}
			if t != nil || !r.Skipped && !b.withdrawn(r.Entry) {
				out.Runs++
			}
		}
	}
	classes := b.Meet.Classes
	if slices.ContainsFunc(b.Entries, func(e wire.Entry) bool { return e.Class == "" }) {
		classes = append(slices.Clone(classes), wire.Class{})
	}
	for _, c := range classes {
		out.Classes = append(out.Classes, wire.ClassResult{Class: c.ID, Name: c.Name, Standings: s.standings(c.ID)})
	}
	return out
}

func (b *Book) withdrawn(entry string) bool {
	return slices.ContainsFunc(b.Entries, func(e wire.Entry) bool { return e.ID == entry && e.Withdrawn })
}

// standings are the entries of a class in their order. Equal figures, as printed
// to a thousandth of a second or a thousandth of a percent, share a place, and the
// places after them are left out (1, 2, 2, 4).
func (s *State) standings(class string) []wire.Standing {
	list := []wire.Standing{}
	for _, e := range s.Book.Entries {
		if e.Class == class {
			list = append(list, s.standing(e))
		}
	}
	shown := func(x wire.Standing) int64 { return printed(x.Value.Value, s.Book.Meet.Rank) }
	slices.SortStableFunc(list, func(x, y wire.Standing) int { return cmp.Compare(shown(x), shown(y)) })
	for i := range list {
		switch {
		case list[i].Value.Value == nil:
		case i > 0 && shown(list[i]) == shown(list[i-1]):
			list[i].Place = list[i-1].Place
			list[i].Tied, list[i-1].Tied = true, true
		default:
			list[i].Place = i + 1
		}
	}
	return list
}

// printed is a figure in units of its last printed place; those without one come
// last.
func printed(x *float64, rank string) int64 {
	switch {
	case x == nil:
		return math.MaxInt64
	case rank == wire.RankEvenness:
		return int64(math.Round(*x * 1e5))
	}
	return int64(math.Round(*x * 1e3))
}

// standing sums up an entry's trials. Void ones, and those that ended otherwise
// than planned, do not count.
func (s *State) standing(e wire.Entry) wire.Standing {
	out := wire.Standing{Entry: e.ID, Person: e.Person, Locomotive: e.Locomotive, Trials: []string{}, Withdrawn: e.Withdrawn}
	var of []float64
	best := math.Inf(1)
	for _, t := range s.Book.Trials {
		if t.Trial.Entry != e.ID || t.Gone || t.Trial.Void || t.Trial.Outcome != "" {
			continue
		}
		times, _ := s.counted(t, s.incidents(t))
		if len(times) == 0 {
			continue
		}
		m := stats.Summarise(times)
		out.Trials, out.Laps, best = append(out.Trials, t.Trial.ID), out.Laps+m.N, min(best, m.Min)
		if x := ranked(s.Book.Meet.Rank, m); !math.IsNaN(x) {
			of = append(of, x)
		}
	}
	out.BestS = num(best)
	if s.Book.Meet.Rank == wire.RankBestTime {
		out.Value = wire.Estimate{Value: num(best)}
		return out
	}
	out.Value = estimate(of)
	return out
}

// ranked is the figure of one trial that its entry is ranked by.
func ranked(rank string, m stats.Summary) float64 {
	if rank == wire.RankEvenness {
		return m.CV
	}
	return m.Mean
}

// Digest is the SHA-256, in hexadecimal, of results as Encode writes them, without
// the seal, the notes and the site's name (a file is scored under any): what an
// official signs.
func Digest(r wire.Results) (string, error) {
	r.Seal, r.Notes, r.Site = nil, nil, ""
	b, err := Encode(r)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// Under is the session in the book as it would be scored under other rules. It
// changes the state: ask it of one made for this. A recording still open is
// settled as at its end.
func (s *State) Under(v wire.Scoring) (wire.Results, error) {
	if s.Book == nil {
		return wire.Results{}, refuse("there is no session")
	}
	if err := s.checkScoring(v); err != nil {
		return wire.Results{}, err
	}
	var c Changes
	s.Book.Scoring, s.Book.Seal = &v, nil
	s.Book.line = nil
	s.Book.whole(s.lineOf())
	s.redraw(&c)
	s.flush(&c)
	return s.Results(), nil
}

// partial reports whether the book was corrected after its close and holds too little
// to say what its results are now: they are kept elsewhere.
func (s *State) partial() bool {
	return s.Book != nil && s.Book.Mended && s.Book.Base.AtUs != 0 && !s.keepAll
}

func (s *State) checkSeal(v wire.Seal) error {
	if s.open() {
		return refuse("session %q is still open: close it before its results are signed", s.Book.Session.ID)
	}
	if s.Book.Seal != nil {
		return fmt.Errorf("%w: %s has signed these results already", ErrConflict, s.Book.Seal.By)
	}
	if s.partial() {
		return fmt.Errorf("%w: the book does not hold all of session %s", ErrElsewhere, s.Book.Session.ID)
	}
	now, err := Digest(s.Results())
	if err == nil && now != v.Digest {
		err = fmt.Errorf("%w: the results are not those that you saw; look at them again and sign", ErrConflict)
	}
	return err
}
