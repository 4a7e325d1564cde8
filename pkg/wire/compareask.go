package wire

// Columns of a comparison that every trial of the book has; its conditions have names
// of their own.
const (
	ByLocomotive = "locomotive"
	ByConsist    = "consist"
	ByDirection  = "direction"
	ByBattery    = "battery"
	ByCircuit    = "circuit"
	BySession    = "session"
	ByClass      = "class"
)

// CompareAsk asks how the levels of Factor compare over the trials of the sessions named,
// "" the one in the book. No factor: what was changed on purpose, else what differs. Trials,
// when named, are the only ones taken; a trial is named by its id, of whichever session, or
// as SESSION/TRIAL. A and B, when named, are the only levels, each by its id or as it is
// called in the roster. Block is the condition in whose rounds the trials were run. Of several
// sessions, which one a trial was run in is a condition too: BySession.
type CompareAsk struct {
	Sessions   []string `json:"sessions"`
	Factor     string   `json:"factor"`
	Measure    string   `json:"measure,omitempty"` // lap_time_s when empty, or speed_mm_s
	Trials     []string `json:"trials,omitempty"`
	Leave      []string `json:"leave,omitempty"` // trials that are left out, named likewise
	A          string   `json:"a,omitempty"`
	B          string   `json:"b,omitempty"`
	Block      string   `json:"block,omitempty"`
	Covariates []string `json:"covariates,omitempty"`
	MarginS    *float64 `json:"margin_s,omitempty"` // else the circuit's
}

// mostCompared bounds what one comparison reads.
const mostCompared = 200

// Check reports the first thing wrong with a.
func (a CompareAsk) Check() error {
	if len(a.Factor) > 200 || len(a.Block) > 200 {
		return malformed("the name of a condition is longer than 200 bytes")
	}
	if a.Measure != "" && a.Measure != "lap_time_s" && a.Measure != "speed_mm_s" {
		return malformed("measure %q is neither lap_time_s nor speed_mm_s", clip(a.Measure))
	}
	if len(a.Sessions) > mostCompared || len(a.Trials) > 50*mostCompared || len(a.Leave) > 50*mostCompared || len(a.Covariates) > 10 {
		return malformed("at most %d sessions and 10 covariates can be compared at a time", mostCompared)
	}
	for _, id := range a.Sessions {
		if id != "" && !ValidID(id) {
			return malformed("session %q is not an id", clip(id))
		}
	}
	if a.MarginS != nil && !within(3600, *a.MarginS) {
		return malformed("margin_s = %g, want from 0 to 3600", *a.MarginS)
	}
	return nil
}

// CompareAnswer is a comparison of trials of the book with what it was of.
type CompareAnswer struct {
	Result   CompareResult     `json:"result"`
	Sessions []ComparedSession `json:"sessions"`
	Circuits []string          `json:"circuits"`
	MarginS  *float64          `json:"margin_s"` // what the circuit has; null when it was never said
	Factors  []CompareFactor   `json:"factors"`  // what else these trials could be compared by
}

// ComparedSession is a session whose trials entered.
type ComparedSession struct {
	ID      string `json:"id"`
	Name    string `json:"name"`
	Circuit string `json:"circuit"`
	Trials  int    `json:"trials"`
	// OpenedUs is when it was opened, 0 when that is not known.
	OpenedUs int64 `json:"opened_us"`
}

// CompareFactor is a condition that has more than one value among the trials.
type CompareFactor struct {
	Name   string   `json:"name"`
	Words  string   `json:"words"` // Name as people read it
	Values []string `json:"values"`
	// Called is what each of Values is called in the roster, where they are ids of that.
	Called []string `json:"called,omitempty"`
}
