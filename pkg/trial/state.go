// Package trial is the reducer: it answers "given every fact so far, what is
// the book, and what is new in it?". Step joins the words of wire with the sums
// of clock, passage, laps and stats. It is the same code live, in a replay and
// offline. It reads no clock and stores nothing: instants come with the facts.
package trial

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"rainhill/pkg/clock"
	"rainhill/pkg/laps"
	"rainhill/pkg/passage"
	"rainhill/pkg/seen"
	"rainhill/pkg/tracker"
	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

// Rules by which this version scores. A result carries them.
func Rules() wire.Rules {
	r := tracker.Default()
	return wire.Rules{
		Version: "5", DisorderUs: 2_000_000, BounceGapUs: passage.BounceUs, MaxSpeedMmS: r.MaxSpeedMmS, SnapshotEvery: 20_000,
		LagGates: r.LagGates,
	}
}

const (
	// syncMemoryUs is how old a clock exchange may be when a session opens: a
	// session's export holds those and no older ones.
	syncMemoryUs = int64(120_000_000)
	// logMax is how many settled crossings of a session are kept, so that a
	// straggler or a corrected definition can be scored from the beginning.
	logMax = 20_000
	// staleUs is how long stragglers are gathered before they are scored.
	staleUs = int64(200_000)
	// passagesMax is how many passages of a trial are kept for the train graph.
	passagesMax = 4000
)

// State is everything the facts so far have left. It is saved as JSON.
type State struct {
	Site        string                       `json:"site"`
	Rules       wire.Rules                   `json:"rules"`
	Circuits    map[string]wire.CircuitValue `json:"circuits"`
	Locomotives map[string]wire.Locomotive   `json:"locomotives"`
	Consists    map[string]wire.Consist      `json:"consists"`
	Sessions    []wire.Session               `json:"sessions"`
	Clocks      map[string]*Clock            `json:"clocks"`
	Seen        seen.Set                     `json:"seen"`
	Book        *Book                        `json:"book"`
	Seq         uint64                       `json:"seq"`
	NowUs       int64                        `json:"now_us"` // latest bus time
	Doubts      []string                     `json:"doubts"`
	Unknown     []string                     `json:"unknown"` // gates nobody placed
	NamedMotors map[string]wire.NamedMotor   `json:"named_motors"`
	Batteries   map[string]wire.Battery      `json:"batteries"`
	Margins     map[string]wire.Margin       `json:"margins,omitempty"` // by circuit
	Decided     []Decided                    `json:"decided,omitempty"` // on definitions and sessions, and can be taken back

	keepAll bool
}

// Clock is what is known of the clock of one boot of an agent.
type Clock struct {
	Boot   string       `json:"boot"`
	Filter clock.Filter `json:"filter"`
	// Arrival is bus time minus agent time of the quickest arrival of late: for an
	// agent that never syncs.
	Arrival *int64 `json:"arrival,omitempty"`
	AtUs    int64  `json:"at_us"`
	Before  *Clock `json:"before,omitempty"` // that of the boot before, some of whose events may still come
}

// New is the state before the first fact.
func New(site string) *State {
	return &State{
		Site: site, Rules: Rules(), Circuits: map[string]wire.CircuitValue{}, Locomotives: map[string]wire.Locomotive{},
		Consists: map[string]wire.Consist{}, Clocks: map[string]*Clock{}, Seen: seen.Set{},
		NamedMotors: map[string]wire.NamedMotor{}, Batteries: map[string]wire.Battery{},
		Margins: map[string]wire.Margin{},
	}
}

// Book is the open session, or the last one until another opens.
type Book struct {
	Circuit     wire.CircuitValue          `json:"circuit"`     // as the session last knew it
	Locomotives map[string]wire.Locomotive `json:"locomotives"` // of its trials
	Session     wire.Session               `json:"session"`
	Trials      []*Entry                   `json:"trials"`
	Core        *tracker.Tracker           `json:"core"`            // settled: nothing earlier can come but a straggler
	Order       []string                   `json:"order,omitempty"` // of running, as an official told it
	Pending     []passage.Crossing         `json:"pending"`         // in time order, not settled
	Log         []passage.Crossing         `json:"log"`             // settled, in time order
	Base        Base                       `json:"base"`            // what was before the log
	Stops       []Stop                     `json:"stops,omitempty"`
	Stale       bool                       `json:"stale"` // the log is to be scored again
	StaleUs     int64                      `json:"stale_us"`
	Settled     int64                      `json:"settled_us"`
	HighUs      int64                      `json:"high_us"`
	Ticks       map[string]int64           `json:"ticks"` // resolution of each gate's stamps, us
	Stamps      map[string]int             `json:"stamps"`
	Motors      map[string]*traction.Track `json:"motors"`
	Cells       map[string]*traction.Track `json:"cells,omitempty"` // load cells
	Dropped     wire.Dropped               `json:"dropped"`
	Nobody      int                        `json:"nobody"`
	Notes       []wire.NoteRecord          `json:"notes"`
	Pulls       []wire.PullRecord          `json:"pulls,omitempty"`
	Doubts      []string                   `json:"doubts"`
	Consists    map[string]wire.Consist    `json:"consists"`               // of its trials
	NamedMotors map[string]wire.NamedMotor `json:"named_motors,omitempty"` // of its trials
	Meet        *wire.Meet                 `json:"meet,omitempty"`
	Entries     []wire.Entry               `json:"entries,omitempty"`
	Plan        *wire.Plan                 `json:"plan,omitempty"`
	Scoring     *wire.Scoring              `json:"scoring,omitempty"`
	Seal        *wire.SealRecord           `json:"seal,omitempty"`
	Shut        []string                   `json:"shut,omitempty"` // trials that the session's close ended
	Decided     []Decided                  `json:"decided,omitempty"`
	Mended      bool                       `json:"mended,omitempty"` // corrected after its close

	keepAll bool
	rev     int                // goes up with what may change results that are final
	spare   []passage.Crossing // before the log
	line    *tracker.Line
	live    map[string]*tail // what is not final, by trial; nil: to be reckoned
	best    *tracker.Tracker // core and pending together, when live is there
	// ahead is the core stepped on through the first of pending, and outs what each
	// of these settled; nil: to be stepped anew.
	ahead *tracker.Tracker
	outs  []tracker.Out
}

// Entry is one trial and what was scored of it and is final.
type Entry struct {
	Trial     wire.Trial       `json:"trial"`
	Laps      []LapRecord      `json:"laps"`
	Points    []laps.Point     `json:"points"`
	Ends      []int            `json:"ends"` // laps completed at each point
	Shed      int              `json:"shed"` // points no longer kept
	Incidents []IncidentRecord `json:"incidents,omitempty"`
	Run       laps.Run         `json:"run"`
	Void      map[int]string   `json:"void,omitempty"`
	False     int              `json:"false"`
	Closed    bool             `json:"closed"`
	Gone      bool             `json:"gone,omitempty"`      // its opening was taken back
	Why       string           `json:"why,omitempty"`       // of the last decision on it
	Elsewhere int              `json:"elsewhere,omitempty"` // laps that are saved apart: see Save

	// Stands is what motors did in a trial on a stand, which has no laps, by windows of
	// time, and Windows how far it was cut into these.
	Stands  map[string][]traction.Moments `json:"stands,omitempty"`
	Windows map[string]int64              `json:"windows,omitempty"`

	past    []LapRecord // while scoring again: what was reckoned before
	sets    *setsOf     // what was last reckoned of its driver sets
	outings map[[2]string]traction.Outing
	outRev  int // of the book, when outings were gathered
}

// LapRecord is a lap with what was reckoned when it settled.
type LapRecord struct {
	Lap      laps.Lap                   `json:"lap"`
	Evenness *float64                   `json:"evenness,omitempty"`
	Turned   map[string]traction.Turned `json:"turned,omitempty"` // by motor, whosever it is: a trial may turn out to be another locomotive's
}

// Changes are what one or more steps made new.
type Changes struct {
	Setup  bool
	Trials map[string]Change
	Motors []wire.MotorVerdict
	Closed string // a session that closed, or was corrected after its close
	Opened bool
	// Corrected tells that it was the latter; Short, that the book did not hold all
	// that its correction would have had to be scored from.
	Corrected, Short bool
	Gone             []string // trials whose opening was taken back
	// Amended are closed sessions, not in the book, that were decided on: their
	// facts have to be read again.
	Amended []string
}

// Change is what is new in one trial: laps from index FromLap on, passages from
// FromUs on.
type Change struct {
	FromLap int
	FromUs  int64
}

func (c *Changes) touch(trial string, fromLap int, fromUs int64) {
	if c.Trials == nil {
		c.Trials = map[string]Change{}
	}
	if old, ok := c.Trials[trial]; ok {
		fromLap, fromUs = min(fromLap, old.FromLap), min(fromUs, old.FromUs)
	}
	c.Trials[trial] = Change{fromLap, fromUs}
}

// Merge adds what d made new.
func (c *Changes) Merge(d Changes) {
	c.Setup, c.Opened, c.Corrected, c.Short = c.Setup || d.Setup, c.Opened || d.Opened, c.Corrected || d.Corrected, c.Short || d.Short
	for id, t := range d.Trials {
		c.touch(id, t.FromLap, t.FromUs)
	}
	c.Motors = append(c.Motors, d.Motors...)
	if d.Closed != "" {
		c.Closed = d.Closed
	}
	c.Gone = append(c.Gone, d.Gone...)
	for _, id := range d.Amended {
		c.Amended = addDoubt(c.Amended, id)
	}
}

// Empty reports whether nothing is new.
func (c Changes) Empty() bool {
	return !c.Setup && len(c.Trials) == 0 && len(c.Motors) == 0 && c.Closed == "" && len(c.Amended) == 0
}

// Step takes the next fact in the journal's order and returns what is new. A
// fact that makes no sense is a doubt, never an error.
func (s *State) Step(e wire.Event) Changes {
	var c Changes
	if e.JournalSeq != 0 {
		s.Seq = e.JournalSeq
	}
	s.NowUs = max(s.NowUs, e.BusUs)
	if s.taken(e, &c) {
		return c
	}
	rev := 0
	if s.Book != nil {
		rev = s.Book.rev
	}
	switch e.Kind {
	case wire.KindDecision:
		s.decide(e, &c)
	case wire.KindSync:
		s.sync(e)
	case wire.KindCrossing:
		s.crossing(e, &c)
	case wire.KindMotor:
		s.motor(e, &c)
	case wire.KindLoad:
		s.load(e, &c)
	}
	s.settle(&c)
	if e.Kind == wire.KindTick {
		s.overdue(&c)
	}
	s.kin(rev, e.Kind == wire.KindDecision, &c)
	return c
}

// taken drops an event that came before: same agent, boot and seq.
func (s *State) taken(e wire.Event, c *Changes) bool {
	if e.Agent == "" || e.Seq == nil {
		return false
	}
	b := s.Seen.Boot(e.Agent, e.Boot)
	if b.Has(*e.Seq) || len(b.Ahead) >= seen.MaxAhead {
		if s.open() {
			s.Book.Dropped.Duplicates++
			s.Book.touchAll(c)
		}
		return true
	}
	b.Add(*e.Seq)
	return false
}

// touchAll marks every trial's summary as new, and no lap.
func (b *Book) touchAll(c *Changes) {
	for _, t := range b.Trials {
		c.touch(t.Trial.ID, len(t.Laps), math.MaxInt64)
	}
}

func (s *State) open() bool { return s.Book != nil && s.Book.Session.ClosedUs == 0 }

// clockOf is the clock of an agent's boot; a new boot is a new clock, and that of
// the boot before is kept for what comes late.
func (s *State) clockOf(agent, boot string) *Clock {
	c := s.Clocks[agent]
	switch {
	case c != nil && c.Boot == boot:
		return c
	case c != nil && c.Before != nil && c.Before.Boot == boot:
		return c.Before
	case c != nil:
		c.Before = nil
	}
	s.Clocks[agent] = &Clock{Boot: boot, Before: c}
	return s.Clocks[agent]
}

func (s *State) sync(e wire.Event) {
	c := s.clockOf(e.Agent, e.Boot)
	c.Filter = c.Filter.Add(clock.Exchange{T1Us: *e.T1Us, T2Us: *e.T2Us, T3Us: *e.T3Us, T4Us: *e.T4Us})
}

// stamp is an event's instant in bus time. An instant without an agent is bus
// time already; so is one of an agent whose arrival nobody noted.
func (s *State) stamp(e wire.Event, atUs int64) passage.Stamp {
	st := passage.Stamp{AtUs: atUs, RawUs: atUs}
	if e.Agent == "" || e.BusUs == 0 {
		return st
	}
	c := s.clockOf(e.Agent, e.Boot)
	s.noteArrival(c, e.BusUs, atUs)
	st.Clock = e.Agent + "/" + e.Boot
	if fix, ok := c.Filter.At(atUs); ok {
		if c.Filter.Epoch > 0 { // readings before and after it was set are of two clocks
			st.Clock = fmt.Sprintf("%s/%d", st.Clock, c.Filter.Epoch)
		}
		st.AtUs, st.UClockUs = atUs+int64(math.Round(fix.OffsetUs)), fix.UUs
		st.Skew, st.USkew = fix.Skew, fix.USkew
		return st
	}
	st.AtUs, st.UClockUs = atUs+*c.Arrival, clock.ArrivalUUs
	return st
}

// BusTime is the bus time of an instant by the clock of an event's agent, as far as the
// facts so far tell.
func (s *State) BusTime(e wire.Event, atUs int64) int64 { return s.stamp(e, atUs).AtUs }

// noteArrival keeps the quickest arrival. What it knows fades at 100 parts in a
// million, more than cheap crystals part (common practice, no source).
func (s *State) noteArrival(c *Clock, busUs, atUs int64) {
	d := busUs - atUs
	if c.Arrival != nil {
		if faded := *c.Arrival + max(0, busUs-c.AtUs)/10_000; faded < d {
			d = faded
		}
	}
	c.Arrival, c.AtUs = &d, busUs
}

// sorted is the keys of m in order: maps have none, and a result must.
func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
