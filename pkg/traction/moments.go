package traction

import (
	"encoding/json"
	"fmt"
	"math"
)

// Moments are means over the N bins of a lap, and sums of squares about the means of
// each of the Holds in which the throttle was not moved: of speed in counts a second,
// current in mA, voltage at the winding (supply x duty) in mV, and throttle in permille.
// NoiseMa2 is the variance of a bin's current that is the meter's own. Meters that were
// not told have 0 throughout. Round is how many bins stood at a throttle of whole tens;
// it is -1 of what was saved by older rules.
type Moments struct {
	N, Holds       int
	Round          int
	V, I, U, D     float64
	VV, VI, VD     float64
	II, IU, ID, DD float64
	NoiseMa2       float64
}

func (m *Moments) fields() []*float64 {
	return []*float64{&m.V, &m.I, &m.U, &m.D, &m.VV, &m.VI, &m.VD, &m.II, &m.IU, &m.ID, &m.DD, &m.NoiseMa2}
}

// MarshalJSON writes moments as a list with six digits each.
func (m Moments) MarshalJSON() ([]byte, error) {
	list := []any{m.N, m.Holds}
	for _, f := range m.fields() {
		list = append(list, json.RawMessage(fmt.Sprintf("%.6g", *f)))
	}
	return json.Marshal(append(list, m.Round))
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (m *Moments) UnmarshalJSON(b []byte) error {
	var v []float64
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	to := m.fields()
	if len(v) != len(to)+2 && len(v) != len(to)+3 {
		return fmt.Errorf("moments were saved with %d numbers, want %d or %d", len(v), len(to)+2, len(to)+3)
	}
	m.N, m.Holds, m.Round = int(v[0]), int(v[1]), -1
	if len(v) == len(to)+3 {
		m.Round = int(v[len(to)+2])
	}
	for i, f := range to {
		*f = v[i+2]
	}
	return nil
}

// settled is m as it will be read again when it was saved.
func (m Moments) settled() *Moments {
	for _, f := range m.fields() {
		var x float64
		if _, err := fmt.Sscanf(fmt.Sprintf("%.6g", *f), "%g", &x); err == nil {
			*f = x
		}
	}
	return &m
}

const (
	jumpPermille = 25 // from bin to bin: the throttle was moved
	stillMoving  = 3  // the same while it is being moved
	settleBins   = 4  // left out after that, while the train gathers speed
)

// moments gathers bins, hold by hold. The bin before a move is left out as well: it may
// hold its beginning.
type moments struct {
	all, hold Moments
	last      *bin
	skip      int
}

type bin struct{ v, i, u, duty float64 }

func (g *moments) add(v, i, mv, duty float64) {
	u := mv * duty / 1000
	if math.IsNaN(v+i) || math.IsNaN(u) != math.IsNaN(mv+duty) {
		return
	}
	if math.IsNaN(u) {
		u = 0
	}
	if math.IsNaN(duty) {
		duty = 0
	}
	b := &bin{v, i, u, duty}
	if g.last != nil {
		move := math.Abs(duty - g.last.duty)
		switch {
		case move > jumpPermille || g.skip > 0 && move > stillMoving:
			g.close()
			g.skip = settleBins
		case g.skip > 0:
			g.skip--
		default:
			g.hold.take(*g.last)
		}
	}
	g.last = b
}

// take adds a bin by Welford's way: sums about the running means.
func (m *Moments) take(b bin) {
	m.N++
	if b.duty != 0 && math.Mod(b.duty, 10) == 0 {
		m.Round++
	}
	n := float64(m.N)
	dv, di, du, dd := b.v-m.V, b.i-m.I, b.u-m.U, b.duty-m.D
	m.V, m.I, m.U, m.D = m.V+dv/n, m.I+di/n, m.U+du/n, m.D+dd/n
	ev, ei, eu, ed := b.v-m.V, b.i-m.I, b.u-m.U, b.duty-m.D
	m.VV, m.VI, m.VD = m.VV+dv*ev, m.VI+dv*ei, m.VD+dv*ed
	m.II, m.IU, m.ID, m.DD = m.II+di*ei, m.IU+di*eu, m.ID+di*ed, m.DD+dd*ed
}

// close adds the hold to the lap.
func (g *moments) close() {
	a, h := &g.all, g.hold
	g.hold = Moments{}
	if h.N < 2 {
		return
	}
	a.N, a.Holds, a.Round = a.N+h.N, a.Holds+1, a.Round+h.Round
	part := float64(h.N) / float64(a.N)
	to, from := a.fields(), h.fields()
	for k := range to {
		if k < 4 {
			*to[k] += part * (*from[k] - *to[k])
		} else {
			*to[k] += *from[k]
		}
	}
}

// done is the moments when there are enough bins with a current.
func (g *moments) done(noise, perBin float64) *Moments {
	if g.last != nil && g.skip == 0 {
		g.hold.take(*g.last)
	}
	g.close()
	if g.all.N < leastBins {
		return nil
	}
	g.all.NoiseMa2 = noise / perBin
	return g.all.settled()
}
