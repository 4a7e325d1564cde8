package passage

// Stroke is what one axle, car or train did to a gate: its first crossing and
// those that its contact's bounce added.
type Stroke struct {
	Crossing
	EndUs int64 `json:"end,omitempty"` // when the gate was free again, 0 if not told
	N     int   `json:"n"`             // crossings
}

// Ended notes when the gate was free again, or with 0 that it is not.
func (s *Stroke) Ended(us int64) {
	if us > 0 {
		us = max(us, s.EndUs)
	}
	s.EndUs = us
}

// Contact is what a gate is doing, crossing by crossing.
type Contact struct {
	LastUs  int64  `json:"last"`
	Stroke  int    `json:"stroke"`            // number of the last stroke, -1 before the first
	Blocked bool   `json:"blocked,omitempty"` // entered and not left
	Beam    int8   `json:"beam,omitempty"`    // of the last stroke
	Tag     string `json:"tag,omitempty"`     // of the last stroke
}

// What a crossing does to a contact.
type Touch int

// A crossing is a new stroke, one more of the last stroke, or the end of it. Free is the end of a
// stroke that nobody saw begin.
const (
	New Touch = iota
	Same
	End
	Free
)

// BounceUs is the longest silence between two crossings of one bouncing
// contact: switches bounce for up to some ms (common practice, no source); axles
// of a bogie 15 mm apart take as long at 1 m/s.
const BounceUs = 15_000

// Touch takes a crossing in and says what it was.
func (c *Contact) Touch(x Crossing) Touch {
	other := x.Tag != "" && c.Tag != "" && x.Tag != c.Tag // another train
	soon := c.Stroke >= 0 && !other && x.AtUs-c.LastUs <= BounceUs && (x.Beam == c.Beam || x.Edge == Leave)
	was := c.Blocked
	if x.Edge == Leave && !was && !soon {
		return Free // what follows it is no bounce of the last stroke
	}
	c.LastUs = max(c.LastUs, x.AtUs)
	c.Blocked = x.Edge == Enter && x.ClearUs == 0
	switch {
	case x.Edge == Leave:
		return End
	case soon:
		if x.Tag != "" {
			c.Tag = x.Tag
		}
		return Same
	}
	c.Beam, c.Tag = x.Beam, x.Tag
	return New
}
