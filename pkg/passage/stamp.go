package passage

import "math"

// Edges of a crossing.
const (
	Enter = "enter"
	Leave = "leave"
	Pulse = "pulse"
)

// Stamp is an instant as a gate gave it. AtUs is bus time; RawUs the agent's own
// clock and Clock names that clock (agent, boot and the times it was set, "" for
// bus time), so that the offset cancels in the difference of two stamps of one
// clock. UUs is the standard uncertainty of the stamp itself, UClockUs that of
// the offset; Skew and USkew are how fast the offset changes, bus time per agent
// time.
type Stamp struct {
	AtUs     int64   `json:"at"`
	RawUs    int64   `json:"raw"`
	Clock    string  `json:"clock,omitempty"`
	UUs      float64 `json:"u"`
	UClockUs float64 `json:"uc,omitempty"`
	Skew     float64 `json:"skew,omitempty"`
	USkew    float64 `json:"us,omitempty"`
}

// Since is the time from a to s in microseconds with its standard uncertainty
// (GUM 5.1.2). Of one clock the offset cancels and only its rate is left:
// dt (1 + skew).
func (s Stamp) Since(a Stamp) (us int64, u float64) {
	if s.Clock == a.Clock {
		raw := s.RawUs - a.RawUs
		rate := float64(raw) * s.USkew
		return raw + int64(math.Round(float64(raw)*s.Skew)), math.Sqrt(s.UUs*s.UUs + a.UUs*a.UUs + rate*rate)
	}
	return s.AtUs - a.AtUs, math.Sqrt(s.UUs*s.UUs + a.UUs*a.UUs + s.UClockUs*s.UClockUs + a.UClockUs*a.UClockUs)
}

// Foreign is s as an instant that no reading of its own clock stands for: one
// reckoned from those of others.
func (s Stamp) Foreign() Stamp {
	s.RawUs, s.Clock, s.Skew, s.USkew = s.AtUs, "", 0, 0
	return s
}

// Moved is s later by us, as uncertain as u says.
func (s Stamp) Moved(us, u float64) Stamp {
	d := int64(math.Round(us))
	s.AtUs, s.RawUs, s.UUs = s.AtUs+d, s.RawUs+d, u
	return s
}

// Crossing is one report of a gate.
type Crossing struct {
	Stamp
	Gate    string `json:"gate"`
	Edge    string `json:"edge"`
	Tag     string `json:"tag,omitempty"`
	ClearUs int64  `json:"clear,omitempty"` // bus time the gate became free, 0 if not told
	Told    bool   `json:"told,omitempty"`  // UUs was stated by the gate, not reckoned from its tick
	Beam    int8   `json:"beam,omitempty"`  // of a two-beam gate: 1 or 2, 0 if not told
	Seq     uint64 `json:"seq,omitempty"`   // its agent's number for it, 0 if not told
}
