package wire

// What ranks the entries of a class.
const (
	RankMeanTime = "mean_time" // mean of the trials' mean lap times
	RankBestTime = "best_time" // quickest counting lap
	RankEvenness = "evenness"  // mean of the trials' coefficients of variation of lap time
)

// Class is one of a meet's classes.
type Class struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Meet is what makes a session a meet: its classes, and how each run is made.
// Laps or Seconds end a run by themselves, 0: by hand. SwapEvery is after how
// many runs a locomotive's battery is changed, 0: no change is planned.
type Meet struct {
	Classes    []Class `json:"classes"`
	Rank       string  `json:"rank"`
	Rounds     int     `json:"rounds"`
	Laps       int     `json:"laps,omitempty"`
	Seconds    float64 `json:"seconds,omitempty"`
	WarmupLaps int     `json:"warmup_laps,omitempty"`
	Consist    string  `json:"consist,omitempty"`
	Direction  string  `json:"direction,omitempty"`
	SwapEvery  int     `json:"swap_every,omitempty"`
}

// Entry is a person with a locomotive in a class.
type Entry struct {
	ID         string `json:"id"`
	Person     string `json:"person"`
	Locomotive string `json:"locomotive"`
	Class      string `json:"class,omitempty"`
	Withdrawn  bool   `json:"withdrawn,omitempty"`
}

// Run is one place of the running order; its trial names it.
type Run struct {
	ID          string `json:"id"`
	Round       int    `json:"round"`
	Place       int    `json:"place"`
	Entry       string `json:"entry"`
	SwapBattery bool   `json:"swap_battery,omitempty"` // before it
	Skipped     bool   `json:"skipped,omitempty"`      // it will not run
}

// Plan is the running order. Seed makes it again; Design is williams or blocks.
type Plan struct {
	Seed      uint64 `json:"seed"`
	Design    string `json:"design"`
	Rounds    int    `json:"rounds"`
	SwapEvery int    `json:"swap_every,omitempty"`
	Runs      []Run  `json:"runs"`
}

// Scoring is rules of a session's own, in place of the usual ones: the least
// time of a lap, where gates really stood, how long the lap really is. What is
// not named, or 0, stays as the circuit has it.
type Scoring struct {
	MinLapS      float64            `json:"min_lap_s,omitempty"`
	LapLengthMm  float64            `json:"lap_length_mm,omitempty"`
	LapLengthUMm float64            `json:"lap_length_u_mm,omitempty"`
	Gates        map[string]float64 `json:"gates,omitempty"` // position_mm by gate
}

// Seal signs the results of a closed session: Digest is the SHA-256, in
// hexadecimal, of its results as they are encoded without seal, notes and site.
type Seal struct {
	Digest string `json:"digest"`
}

// Undo takes the decision of that id back.
type Undo struct {
	Decision string `json:"decision"`
}

// SealRecord is a seal as it stands in the results.
type SealRecord struct {
	Digest   string `json:"digest"`
	By       string `json:"by"`
	AtUs     int64  `json:"at_us"`
	Decision string `json:"decision"`
}

// NoteRecord is a note as it stands in the book.
type NoteRecord struct {
	ID    string `json:"id"` // of its decision
	AtUs  int64  `json:"at_us"`
	By    string `json:"by"`
	Trial string `json:"trial,omitempty"`
	Text  string `json:"text"`
}

// Standing is one entry's place in its class. Place 0: it has no figure to be
// ranked by. Tied: another has the same place. Value is in seconds, or a
// fraction for evenness; its interval is over the entry's trials.
type Standing struct {
	Place      int      `json:"place"`
	Tied       bool     `json:"tied,omitempty"`
	Entry      string   `json:"entry"`
	Person     string   `json:"person"`
	Locomotive string   `json:"locomotive"`
	Trials     []string `json:"trials"`
	Laps       int      `json:"laps"`
	Value      Estimate `json:"value"`
	BestS      *float64 `json:"best_s"`
	Withdrawn  bool     `json:"withdrawn,omitempty"`
}

// ClassResult is the order of a class by what ranks it.
type ClassResult struct {
	Class     string     `json:"class"`
	Name      string     `json:"name"`
	Standings []Standing `json:"standings"`
}

// MeetResults are the classes of a meet, and how far its runs are.
type MeetResults struct {
	Rank    string        `json:"rank"`
	Classes []ClassResult `json:"classes"`
	Runs    int           `json:"runs"` // planned, withdrawn ones not counted
	Done    int           `json:"done"`
}

// Check validates a meet.
func (m Meet) Check() error {
	switch m.Rank {
	case RankMeanTime, RankBestTime, RankEvenness:
	default:
		return malformed("rank %q is not mean_time, best_time or evenness", clip(m.Rank))
	}
	if m.Rounds < 1 || m.Rounds > 1000 || m.Laps < 0 || m.Laps > 100_000 || m.WarmupLaps < 0 || m.WarmupLaps > 10_000 || m.SwapEvery < 0 || m.SwapEvery > 1000 || !within(1e6, m.Seconds) {
		return malformed("rounds, laps, seconds, warmup_laps or swap_every is out of range (rounds 1 to 1000)")
	}
	if m.Consist != "" && !ValidID(m.Consist) {
		return malformed("consist %q is not an id", clip(m.Consist))
	}
	switch m.Direction {
	case "", "forward", "reverse":
	default:
		return malformed("direction %q is not forward or reverse", clip(m.Direction))
	}
	if len(m.Classes) > 64 {
		return malformed("%d classes, at most 64 are taken", len(m.Classes))
	}
	seen := map[string]bool{}
	for _, c := range m.Classes {
		if err := needID("class id", c.ID); err != nil {
			return err
		}
		if seen[c.ID] {
			return malformed("class %q stands twice", c.ID)
		}
		seen[c.ID] = true
		if err := checkName("class name", c.Name); err != nil {
			return err
		}
	}
	return nil
}

// Check validates an entry.
func (e Entry) Check() error {
	if err := needID("entry id", e.ID); err != nil {
		return err
	}
	if err := needID("entry locomotive", e.Locomotive); err != nil {
		return err
	}
	if e.Class != "" && !ValidID(e.Class) {
		return malformed("entry %q: class %q is not an id", e.ID, clip(e.Class))
	}
	if e.Person == "" {
		return malformed("entry %q: person is missing", e.ID)
	}
	return checkName("person", e.Person)
}

// Check validates a running order: every run once, in order.
func (p Plan) Check() error {
	if len(p.Runs) > 5000 || p.Rounds < 1 || p.Rounds > 1000 {
		return malformed("a running order has 1 to 1000 rounds and at most 5000 runs, not %d and %d", p.Rounds, len(p.Runs))
	}
	if p.Design != "williams" && p.Design != "blocks" {
		return malformed("design %q is not williams or blocks", clip(p.Design))
	}
	seen := map[string]bool{}
	for _, r := range p.Runs {
		if err := needID("run id", r.ID); err != nil {
			return err
		}
		if err := needID("run entry", r.Entry); err != nil {
			return err
		}
		if seen[r.ID] {
			return malformed("run %q stands twice", r.ID)
		}
		seen[r.ID] = true
		if r.Round < 1 || r.Place < 1 {
			return malformed("run %q: round and place count from 1", r.ID)
		}
	}
	return nil
}

// Check validates rules of a session's own.
func (s Scoring) Check() error {
	if !within(1e5, s.MinLapS) || !within(1e7, s.LapLengthMm, s.LapLengthUMm) || len(s.Gates) > 256 {
		return malformed("min_lap_s, lap_length_mm or lap_length_u_mm is out of range, or too many gates")
	}
	for id, mm := range s.Gates {
		if err := needID("gate", id); err != nil {
			return err
		}
		if !within(1e7, mm) {
			return malformed("gates.%s = %g, want 0 or more", id, mm)
		}
	}
	return nil
}

// Check validates a seal.
func (s Seal) Check() error {
	if len(s.Digest) != 64 {
		return malformed("digest is not a SHA-256 in hexadecimal")
	}
	for _, c := range []byte(s.Digest) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return malformed("digest is not a SHA-256 in hexadecimal")
		}
	}
	return nil
}

// Check validates an undo.
func (u Undo) Check() error { return needID("decision", u.Decision) }
