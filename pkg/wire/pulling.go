package wire

import (
	"slices"
	"strconv"
	"strings"
)

// Outcomes of an attempt to pull.
const (
	PullMoved     = "moved"
	PullStruggled = "struggled"
	PullStalled   = "stalled"
)

// Methods of a pull test.
const (
	PullMoving = "moving" // a train of known load, started and kept moving
	PullStatic = "static" // against a scale
)

// PullResult is what pull tests show.
type PullResult struct {
	Locomotives []PullLimit    `json:"locomotives"`
	Agreement   *PullAgreement `json:"agreement,omitempty"`
	First       []PullFirst    `json:"first,omitempty"` // of the locomotive asked about, or of all in the roster
	Doubts      []string       `json:"doubts"`
}

// PullLimit is the limit of one locomotive by one method, one direction, one choice of
// driver sets and one mass. Load50G and Load95G are the loads that it moves in half and
// in 95 of 100 attempts; Bracket is what was seen. Of static readings they are the mean
// pull and the one that 95 of 100 pulls reach. Load95Open: no attempt bears out how far below
// its Hi the one for 95 of 100 lies; its value is a guess by the shape of the fit then.
type PullLimit struct {
	Name       string        `json:"name"` // what it is of in words, of no other limit of the result
	Locomotive string        `json:"locomotive"`
	Method     string        `json:"method"`
	Direction  string        `json:"direction,omitempty"`
	Set        string        `json:"set,omitempty"`
	LoadIs     string        `json:"load_is"` // LoadForce or LoadTrain
	MassG      *float64      `json:"mass_g"`
	Attempts   []PullAttempt `json:"attempts"`
	Bracket    PullBracket   `json:"bracket"`
	Load50G    Estimate      `json:"load50_g"`
	Load95G    Estimate      `json:"load95_g"`
	Load95Open bool          `json:"load95_open,omitempty"`
	Adhesion   Estimate      `json:"adhesion"` // net: pull over the locomotive's own weight
	Limit      string        `json:"limit"`    // LimitAdhesion, LimitMotor or unknown
	Turned     int           `json:"turned"`   // attempts in which the train stood and wheels turned,
	Stopped    int           `json:"stopped"`  // and stopped
	PowerMw    Estimate      `json:"power_mw"` // the greatest drawbar power at one load, where speeds were read
	Loads      []PullTally   `json:"loads"`
	Curve      []PullAt      `json:"curve"`
	Steps      []PullAt      `json:"steps"`  // isotonic: no shape taken
	Checks     []PullCheck   `json:"checks"` // the limit by other sums
	Next       *PullNext     `json:"next,omitempty"`
	Fit        string        `json:"fit"`
	Doubts     []string      `json:"doubts"`
}

// Called is what the limit is of in words, with the locomotive's mass where it is
// told for several.
func (l PullLimit) Called(mass bool) string {
	parts := []string{l.Locomotive, l.Method}
	if l.Direction != "" {
		parts = append(parts, l.Direction)
	}
	if l.Set != "" {
		parts = append(parts, "set "+l.Set)
	}
	if l.LoadIs == LoadTrain {
		parts = append(parts, LoadTrain)
	}
	switch {
	case mass && l.MassG == nil:
		parts = append(parts, "mass not told")
	case mass:
		parts = append(parts, plainly(*l.MassG)+" g")
	}
	return strings.Join(parts, ", ")
}

// What the load of an attempt is.
const (
	LoadForce = "force" // the pull itself in gram-force: a mass lifted on a cord, a known drag
	LoadTrain = "train" // the mass of a train that is pulled
)

// PullAttempt is one attempt as it entered. LoadG is the pull in gram-force or the
// train's mass, as LoadIs says; of a static reading the scale's difference. A reading
// may have no outcome.
type PullAttempt struct {
	LoadG    float64  `json:"load_g"`
	Outcome  string   `json:"outcome"`
	Wheels   string   `json:"wheels,omitempty"` // WheelsTurned, WheelsStopped where the train stood
	SpeedMmS *float64 `json:"speed_mm_s,omitempty"`
	ByTele   bool     `json:"by_telemetry,omitempty"`
	// Of one in a book: its id, the session, the decision that made it what it is, and when.
	ID       string `json:"id,omitempty"`
	Session  string `json:"session,omitempty"`
	Decision string `json:"decision,omitempty"`
	AtUs     int64  `json:"at_us,omitempty"`
}

// PullTally is the attempts at one load. Share counts one that struggled as half, Lo and Hi are
// its 95 % interval (Wilson 1927), AtLeast what it is at least (Clopper and Pearson 1934).
type PullTally struct {
	LoadG     float64 `json:"load_g"`
	Moved     int     `json:"moved"`
	Struggled int     `json:"struggled"`
	Stalled   int     `json:"stalled"`
	Share     float64 `json:"share"`
	Lo        float64 `json:"lo"`
	Hi        float64 `json:"hi"`
	AtLeast   float64 `json:"at_least"`
}

// PullCheck is the limit by another sum than Load50G and Load95G are of; null where that
// has none.
type PullCheck struct {
	By      string   `json:"by"`
	Load50G *float64 `json:"load50_g"`
	Load95G *float64 `json:"load95_g"`
}

// What the wheels did when the train stood.
const (
	WheelsTurned  = "turned"
	WheelsStopped = "stopped"
)

// PullValue is one attempt as a decision carries it. The pull stands in LoadG or, of a
// static one, in what a scale showed before and during it. MassG is the locomotive's as
// it stood, the roster's where it is not told. Void leaves it out, with the reason in why.
type PullValue struct {
	ID         string   `json:"id"`
	Locomotive string   `json:"locomotive"`
	MassG      float64  `json:"mass_g,omitempty"`
	Method     string   `json:"method,omitempty"` // PullMoving when not told
	LoadG      float64  `json:"load_g,omitempty"`
	LoadIs     string   `json:"load_is,omitempty"` // LoadForce when not told
	BeforeG    *float64 `json:"before_g,omitempty"`
	AtPullG    *float64 `json:"at_pull_g,omitempty"`
	Outcome    string   `json:"outcome,omitempty"` // a scale's reading needs none
	Direction  string   `json:"direction,omitempty"`
	Set        string   `json:"set,omitempty"` // which driver sets had power, in words
	Wheels     string   `json:"wheels,omitempty"`
	SpeedMmS   *float64 `json:"speed_mm_s,omitempty"`
	ByTele     bool     `json:"by_telemetry,omitempty"` // a load cell and encoders said so, and the official agreed
	Void       bool     `json:"void,omitempty"`
}

// PullRecord is an attempt as it stands in the book.
type PullRecord struct {
	PullValue
	Decision string `json:"decision"`
	By       string `json:"by"`
	AtUs     int64  `json:"at_us"`
	Why      string `json:"why,omitempty"`
}

// Check validates an attempt.
func (v PullValue) Check() error {
	if err := needID("pull", v.ID); err != nil {
		return err
	}
	if err := needID("locomotive", v.Locomotive); err != nil {
		return err
	}
	for _, w := range []struct {
		name, word string
		words      []string
	}{
		{"the method", v.Method, []string{PullMoving, PullStatic}},
		{"what the load is", v.LoadIs, []string{LoadForce, LoadTrain}},
		{"the outcome", v.Outcome, []string{PullMoved, PullStruggled, PullStalled}},
		{"the direction", v.Direction, []string{"forward", "reverse"}},
		{"what the wheels did", v.Wheels, []string{WheelsTurned, WheelsStopped}},
	} {
		if w.word != "" && !slices.Contains(w.words, w.word) {
			return malformed("%s is %q: want %s", w.name, clip(w.word), strings.Join(w.words, ", "))
		}
	}
	switch {
	case !within(1e9, v.LoadG):
		return malformed("the load is %s g: want from 0 to a million kilograms", plainly(v.LoadG))
	case !within(1e9, v.MassG):
		return malformed("the locomotive's mass is %s g: want from 0 to a million kilograms", plainly(v.MassG))
	case v.SpeedMmS != nil && !within(1e6, *v.SpeedMmS):
		return malformed("the speed is %s mm/s: want from 0 to 1000 m/s", plainly(*v.SpeedMmS))
	case len(v.Set) > 64:
		return malformed("the name of the driver sets is longer than 64 bytes")
	}
	return v.checkReading()
}

// checkReading asks for a load and an outcome, or for a scale's readings.
func (v PullValue) checkReading() error {
	if v.BeforeG == nil && v.AtPullG == nil {
		switch {
		case v.LoadG == 0:
			return malformed("the load is missing: want how much was pulled or, of a static pull, what the scale showed before and during it")
		case v.Outcome == "" && v.Method != PullStatic:
			return malformed("the outcome is missing: did it move, struggle or stall?")
		}
		return nil
	}
	switch {
	case v.BeforeG == nil || v.AtPullG == nil || !within(1e9, *v.BeforeG, *v.AtPullG):
		return malformed("what the scale showed before the pull and during it belong together, 0 or more each")
	case v.Method != PullStatic || v.LoadIs == LoadTrain:
		return malformed("readings of a scale are of a static pull, and of no train")
	case *v.AtPullG >= *v.BeforeG:
		return malformed("the scale shows %s g before and %s g during the pull: want less, by what is pulled off it", plainly(*v.BeforeG), plainly(*v.AtPullG))
	case v.LoadG != 0:
		return malformed("the load is what the scale's readings differ by: give those or the load, not both")
	}
	return nil
}

// plainly is a number without an exponent.
func plainly(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// PullG is the load: as told, or the difference of the scale's readings.
func (v PullValue) PullG() float64 {
	if v.BeforeG != nil && v.AtPullG != nil {
		return *v.BeforeG - *v.AtPullG
	}
	return v.LoadG
}

// PullAsk is the question for what pulls show: those of a session or several, "" being the
// one in the book; with a locomotive its own alone; with Season those of every session.
type PullAsk struct {
	Session          string   `json:"session,omitempty"`
	Sessions         []string `json:"sessions,omitempty"` // beside Session
	Locomotive       string   `json:"locomotive,omitempty"`
	Season           bool     `json:"season,omitempty"`
	ScaleG           float64  `json:"scale_resolution_g,omitempty"` // 1 when not told
	MassUG           float64  `json:"mass_u_g,omitempty"`
	StepG            float64  `json:"step_g,omitempty"`
	RollingPermille  float64  `json:"rolling_permille,omitempty"`
	RollingUPermille float64  `json:"rolling_u_permille,omitempty"`
}

// Of is the sessions asked about, "" being the one in the book.
func (a PullAsk) Of() []string { return sessionsOf(a.Session, a.Sessions) }

// sessionsOf are those that a question names, or the one in the book.
func sessionsOf(one string, several []string) []string {
	if one == "" && len(several) > 0 {
		return several
	}
	return append([]string{one}, several...)
}

// Check validates the question.
func (a PullAsk) Check() error {
	if len(a.Sessions) > mostCompared {
		return malformed("at most %d sessions can be taken together", mostCompared)
	}
	for _, id := range append([]string{a.Session, a.Locomotive}, a.Sessions...) {
		if id != "" && !ValidID(id) {
			return malformed("session or locomotive %q is not an id", clip(id))
		}
	}
	if a.Season && (a.Session != "" || len(a.Sessions) > 0 || a.Locomotive == "") {
		return malformed("a season is of one locomotive, and of no one session")
	}
	if !within(1e6, a.ScaleG, a.MassUG, a.StepG, a.RollingPermille, a.RollingUPermille) {
		return malformed("scale_resolution_g, mass_u_g, step_g or rolling is out of range")
	}
	return nil
}

// PullSeenAsk asks what a locomotive seems to have done between two instants of the session
// in the book; UntilUs 0 is now.
type PullSeenAsk struct {
	Locomotive string `json:"locomotive"`
	FromUs     int64  `json:"from_us"`
	UntilUs    int64  `json:"until_us,omitempty"`
	Direction  string `json:"direction,omitempty"`
}

// Check validates the question.
func (a PullSeenAsk) Check() error {
	if err := needID("locomotive", a.Locomotive); err != nil {
		return err
	}
	if a.FromUs <= 0 || a.UntilUs < 0 || a.UntilUs != 0 && a.UntilUs <= a.FromUs || a.FromUs > maxInstantUs || a.UntilUs > maxInstantUs {
		return malformed("from_us and until_us: want an instant and a later one, or 0 for now")
	}
	if a.Direction != "" && a.Direction != "forward" && a.Direction != "reverse" {
		return malformed("direction %q is not forward or reverse", clip(a.Direction))
	}
	return nil
}

// PullSeen is what encoders, gates and load cell say of an attempt, for an official to
// agree with. Outcome is empty where they do not tell.
type PullSeen struct {
	FromUs   int64    `json:"from_us"`
	UntilUs  int64    `json:"until_us"`
	Outcome  string   `json:"outcome"`
	Wheels   string   `json:"wheels"`
	LoadG    *float64 `json:"load_g"` // by the load cell
	SpeedMmS *float64 `json:"speed_mm_s"`
	Says     []string `json:"says"`
	Doubts   []string `json:"doubts"`
}

// PullBracket is the greatest load that moved below which none failed, and the least
// that ever stalled.
type PullBracket struct {
	MovedG   *float64 `json:"moved_g"`
	StalledG *float64 `json:"stalled_g"`
	Overlap  bool     `json:"overlap"` // some load moved above one that stalled
}

// PullAt is the share of attempts that succeed at a load, with its interval where it
// has one.
type PullAt struct {
	LoadG float64  `json:"load_g"`
	Share float64  `json:"share"`
	Lo    *float64 `json:"lo"`
	Hi    *float64 `json:"hi"`
}

// PullNext is the load to try next, and why.
type PullNext struct {
	LoadG float64 `json:"load_g"`
	Why   string  `json:"why"`
	Done  bool    `json:"done"` // nothing more is to be learnt worth an attempt
}

// PullFirst is the load to begin with of a locomotive whose pull is not known yet, by its
// mass in the roster.
type PullFirst struct {
	Locomotive string `json:"locomotive"`
	PullNext
}

// PullAgreement is static pull less moving pull over locomotives, with the 95 % limits
// of agreement (Bland and Altman 1986) and the 95 % interval of each limit.
type PullAgreement struct {
	N        int              `json:"n"`
	BiasG    Estimate         `json:"bias_g"`
	LowerG   *float64         `json:"lower_g"`
	LowerLoG *float64         `json:"lower_lo_g"`
	LowerHiG *float64         `json:"lower_hi_g"`
	UpperG   *float64         `json:"upper_g"`
	UpperLoG *float64         `json:"upper_lo_g"`
	UpperHiG *float64         `json:"upper_hi_g"`
	Says     string           `json:"says"`
	Points   []PullAgreePoint `json:"points"`
}

// PullAgreePoint is one locomotive by both methods.
type PullAgreePoint struct {
	Locomotive string  `json:"locomotive"`
	MovingG    float64 `json:"moving_g"`
	StaticG    float64 `json:"static_g"`
}
