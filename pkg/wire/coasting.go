package wire

import "slices"

// CoastColumns are those of a table of coasting. The position may be left out where gate names a gate of
// the setup; a row without an instant is a place that the run did not come to.
var CoastColumns = []SheetColumn{
	{Name: "run", Also: []string{"outing", "lauf", "fahrt"}},
	{Name: "position_mm", Also: []string{"place", "distance", "ort", "weg", "strecke", "stelle"}, Unit: "mm", Units: InMm, Number: true},
	{Name: "at_s", Also: []string{"time", "instant", "t", "zeit", "zeitpunkt", "uhrzeit"}, Unit: "s", Units: InSeconds, Number: true},
	{Name: "u_s", Also: []string{"uncertainty", "unsicherheit"}, Unit: "s", Units: InSeconds, Number: true},
	{Name: "consist", Also: []string{"zug", "wagenzug"}}, {Name: "car", Also: []string{"wagen"}}, {Name: "gate", Also: []string{"lichtschranke"}},
}

// CondCoast is the condition of a trial in which an unpowered train rolled: yes.
const CondCoast = "coast"

// Coasting reports whether the trial's passages are those of a train that coasted.
func (t Trial) Coasting() bool {
	switch v := t.Conditions[CondCoast].(type) {
	case bool:
		return v
	case string:
		return v == "yes" || v == "true"
	}
	return false
}

// CoastAsk asks the scorer what the coasting of a session or several shows; without a
// session of the one in the book. Of a consist all trials that coasted count, or those that
// are named.
type CoastAsk struct {
	Session  string   `json:"session,omitempty"`
	Sessions []string `json:"sessions,omitempty"` // beside Session
	Consist  string   `json:"consist,omitempty"`
	Trials   []string `json:"trials,omitempty"`
	Rotating float64  `json:"rotating,omitempty"`   // effective mass over mass; 0: what turns is left out
	PlaceUMm float64  `json:"place_u_mm,omitempty"` // of each gate's place
}

// mostCoasted bounds how many sessions are read again for one question.
const mostCoasted = 20

// Of is the sessions asked about, "" being the one in the book.
func (a CoastAsk) Of() []string { return sessionsOf(a.Session, a.Sessions) }

// Check validates the question.
func (a CoastAsk) Check() error {
	if len(a.Sessions) > mostCoasted {
		return malformed("at most %d sessions of coasting can be taken together", mostCoasted)
	}
	for _, id := range slices.Concat([]string{a.Session, a.Consist}, a.Sessions, a.Trials) {
		if id != "" && !ValidID(id) {
			return malformed("session, consist or trial %q is not an id", clip(id))
		}
	}
	if a.Rotating != 0 && !(a.Rotating >= 1 && a.Rotating <= 10) {
		return malformed("rotating = %g, want the effective mass over the mass: 1 to 10", a.Rotating)
	}
	if !within(1000, a.PlaceUMm) {
		return malformed("place_u_mm = %g, want 0 to 1000", a.PlaceUMm)
	}
	return nil
}

// CoastResult is what coasting shows of each consist: dv/dt = -(a + b v + c v^2 +
// curve on arcs), v in m/s. Where there is one consist its terms stand at the top as
// well; where there are several these are null.
type CoastResult struct {
	Runs     int            `json:"runs"` // that entered
	A        Estimate       `json:"a_m_s2"`
	B        Estimate       `json:"b_per_s"`
	C        Estimate       `json:"c_per_m"`
	Curve    Estimate       `json:"curve_m_s2"`
	Consists []CoastTerms   `json:"consists"`
	Against  []CoastAgainst `json:"against,omitempty"` // unlike consists, two by two
	Doubts   []string       `json:"doubts"`
}

// CoastTerms are the terms of one consist. A term that the runs cannot tell is null, and
// Held says what was taken for it; one whose interval begins at 0 cannot be told from
// none.
type CoastTerms struct {
	Consist  string     `json:"consist"`
	Name     string     `json:"name"`               // what it is called in the roster, or Consist; of no other terms of the result
	Sessions []string   `json:"sessions,omitempty"` // whose runs these are, of a book
	Runs     int        `json:"runs"`               // that entered
	Instants int        `json:"instants"`
	A        Estimate   `json:"a_m_s2"`
	B        Estimate   `json:"b_per_s"`
	C        Estimate   `json:"c_per_m"`
	Curve    Estimate   `json:"curve_m_s2"`
	Rotating float64    `json:"rotating"`   // effective mass over mass
	PlaceUMm float64    `json:"place_u_mm"` // of each gate's place, as it was asked: 0 takes places as exact
	MassG    *float64   `json:"mass_g"`
	Forces   []CoastAt  `json:"forces"` // resistance over speed on the straight
	Held     []string   `json:"held"`
	ChiDF    *float64   `json:"chi2_df"`   // of the fit, over its degrees of freedom; null where u_s was not stated
	ScatterS *float64   `json:"scatter_s"` // of an instant about the fit, or as stated
	RunList  []CoastRun `json:"run_list"`
	Doubts   []string   `json:"doubts"`
	// Resistance is what a roster keeps of it, forces per mass: with Rotating.
	Resistance Resistance `json:"resistance"`
}

// CoastAt is the resistance at a speed, as a deceleration and, with a mass, as a force.
type CoastAt struct {
	SpeedMmS float64  `json:"speed_mm_s"`
	DecMS2   Estimate `json:"dec_m_s2"`
	ForceMn  Estimate `json:"force_mn"`
}

// CoastRun is one run with what the fit leaves of each instant.
type CoastRun struct {
	Run        string      `json:"run"`
	StartMmS   Estimate    `json:"start_mm_s"` // at its first instant
	EndMmS     *float64    `json:"end_mm_s"`   // at its last
	Residuals  []CoastLeft `json:"residuals"`
	Left       string      `json:"left,omitempty"` // why it did not enter
	DistanceMm *float64    `json:"distance_mm"`
}

// CoastLeft is an instant less what the fit gives for its place. Positions count on
// beyond the lap.
type CoastLeft struct {
	PositionMm float64  `json:"position_mm"`
	AtS        float64  `json:"at_s"`
	LeftS      *float64 `json:"left_s"`
	Stray      bool     `json:"stray,omitempty"` // it lies too far off to be the front's, and did not enter
}

// CoastAgainst is the resistance of b less that of a at a speed both ran at.
type CoastAgainst struct {
	A          string   `json:"a"`
	B          string   `json:"b"`
	NameA      string   `json:"name_a"`
	NameB      string   `json:"name_b"`
	SpeedMmS   float64  `json:"speed_mm_s"`
	Difference Estimate `json:"difference_m_s2"`
	Verdict    string   `json:"verdict"` // CoastA, CoastB or unknown
}

// Which of two consists rolls the more easily.
const (
	CoastA       = "a_rolls"
	CoastB       = "b_rolls"
	CoastUnknown = "unknown"
)
