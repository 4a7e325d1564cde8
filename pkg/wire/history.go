package wire

// RescoreAsk asks what a session would be under other rules. Job names the
// question, for its progress and to cancel it.
type RescoreAsk struct {
	Session string  `json:"session"`
	Scoring Scoring `json:"scoring"`
	Job     string  `json:"job,omitempty"`
}

// Progress is how many facts of a long question have been read.
type Progress struct {
	Done int `json:"done"`
	Of   int `json:"of,omitempty"`
}

// History is what a locomotive did over the sessions, in order.
type History struct {
	Locomotive string      `json:"locomotive"`
	Trials     []PastTrial `json:"trials"`
}

// PastTrial is one trial of a history.
type PastTrial struct {
	Session     string      `json:"session"`
	SessionName string      `json:"session_name"`
	Circuit     string      `json:"circuit"`
	CircuitName string      `json:"circuit_name"`
	LapLengthMm *float64    `json:"lap_length_mm"`
	Signed      bool        `json:"signed,omitempty"`
	About       Trial       `json:"about"`
	Why         string      `json:"why,omitempty"`
	SpeedMmS    Estimate    `json:"speed_mm_s"`
	Consistency Consistency `json:"consistency"`
	Incidents   int         `json:"incidents"`
}

// Add takes a session's trials of the locomotive in; those in which cars rolled by
// themselves are no trials of its own.
func (h *History) Add(session Session, r Results) {
	for _, t := range r.Trials {
		if t.Train != h.Locomotive || t.About != nil && t.About.Coasting() {
			continue
		}
		p := PastTrial{
			Session: session.ID, SessionName: session.Name, Circuit: session.Circuit, LapLengthMm: r.LapLength.Value, Signed: r.Seal != nil,
			Why: t.Why, SpeedMmS: t.SpeedMmS, Consistency: t.Consistency, Incidents: len(t.Incidents),
		}
		if t.About != nil {
			p.About = *t.About
		} else { // stored by rules that did not say more
			p.About = Trial{ID: t.Trial, Locomotive: t.Train, Consist: t.Consist}
		}
		if r.Circuit != nil {
			p.CircuitName = r.Circuit.Circuit.Name
		}
		h.Trials = append(h.Trials, p)
	}
}
