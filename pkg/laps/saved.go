package laps

import (
	"encoding/json"
	"fmt"
)

// saved is a lap as it is written down: its points, each once, and the lengths
// between them. A lap without sectors has its first and last point.
type saved struct {
	N        int       `json:"n"`
	Points   []Point   `json:"points"`
	MM       []float64 `json:"mm,omitempty"`
	Inferred bool      `json:"inferred,omitempty"`
}

// MarshalJSON writes each point once: a sector begins where the last ended.
func (l Lap) MarshalJSON() ([]byte, error) {
	s := saved{N: l.N, Points: []Point{l.From}, Inferred: l.Inferred}
	for _, x := range l.Sectors {
		s.Points, s.MM = append(s.Points, x.To), append(s.MM, x.LengthMm)
	}
	if len(l.Sectors) == 0 {
		s.Points = append(s.Points, l.To)
	}
	return json.Marshal(s)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (l *Lap) UnmarshalJSON(b []byte) error {
	var s saved
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	if len(s.Points) < 2 || len(s.MM) > 0 && len(s.MM) != len(s.Points)-1 {
		return fmt.Errorf("lap %d was saved with %d points and %d lengths", s.N, len(s.Points), len(s.MM))
	}
	*l = Lap{N: s.N, From: s.Points[0], To: s.Points[len(s.Points)-1], Inferred: s.Inferred}
	for i, mm := range s.MM {
		l.Sectors = append(l.Sectors, Sector{From: s.Points[i], To: s.Points[i+1], LengthMm: mm})
	}
	return nil
}
