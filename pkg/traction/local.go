package traction

import "math"

// Local is counts and counts a second at an instant with their standard
// uncertainties, by local regression over N readings.
type Local struct {
	Counts, UCounts, Rate, URate float64
	N                            int
}

const (
	quantum2   = 1.0 / 12       // variance of rounding to whole counts (GUM 4.3.7)
	halfSpanUs = int64(300_000) // of the centred window
	liveSpanUs = int64(600_000) // of the one that ends with the last reading
	fewest     = 5              // readings that a window has at least
)

// Now is the count and its rate at the last reading, from it and what lies behind;
// ok is false after a gap and before there are enough readings. It is a local
// quadratic: a line would lag behind a train that gathers speed by half the window.
func (m *Track) Now() (l Local, ok bool) {
	n := len(m.AtUs)
	if n == 0 {
		return Local{}, false
	}
	from := m.back(n-1, m.AtUs[n-1]-liveSpanUs)
	if l, ok = m.local(m.AtUs[n-1], from, n); ok && !m.turned(from, l.Rate > 0) {
		l.Rate = 0 // a curve through a sudden stop swings beyond it
	}
	return l, ok
}

// AsOf is as Now was at an instant, from the readings up to it: what is told of two motors
// beside each other leans on equal windows, so that gathering speed is no difference. ok is
// false when the last of them is older than a gap.
func (m *Track) AsOf(us int64) (l Local, ok bool) {
	i := m.after(us)
	if i == len(m.AtUs) || m.AtUs[i] > us {
		i--
	}
	if i < 0 || us-m.AtUs[i] > gapUs {
		return Local{}, false
	}
	return m.local(us, m.back(i, us-liveSpanUs), i+1)
}

// turned reports whether counts rose (fell) anywhere from a reading on.
func (m *Track) turned(from int, rose bool) bool {
	for i := from + 1; i < len(m.Counts); i++ {
		if d := m.Counts[i] - m.Counts[i-1]; d > 0 && rose || d < 0 && !rose {
			return true
		}
	}
	return false
}

// Centred is the count and its rate at an instant from readings before and after
// it; ok is false outside them, within a gap and with too few.
func (m *Track) Centred(us int64) (l Local, ok bool) {
	i := m.after(us)
	if _, ok := m.At(us); !ok {
		return Local{}, false
	}
	from, to := m.back(min(i, len(m.AtUs)-1), us-halfSpanUs), m.on(i, us+halfSpanUs)
	return m.local(us, from, to)
}

// back is the first reading from index i back that lies not before an instant,
// fewest or so of them, and no gap between.
func (m *Track) back(i int, us int64) int {
	from := i
	for from > 0 && (m.AtUs[from-1] >= us || i-from < fewest/2) && m.AtUs[from]-m.AtUs[from-1] <= gapUs {
		from--
	}
	for i == len(m.AtUs)-1 && i-from < fewest-1 && from > 0 && m.AtUs[from]-m.AtUs[from-1] <= gapUs/2 {
		from--
	}
	return from
}

// on is the index behind the last reading from i on that lies not after an instant.
func (m *Track) on(i int, us int64) int {
	to := min(i+1, len(m.AtUs))
	for to < len(m.AtUs) && (m.AtUs[to] <= us || to-i < fewest/2) && m.AtUs[to]-m.AtUs[to-1] <= gapUs {
		to++
	}
	return to
}

// local fits the readings from index from to before to about an instant.
func (m *Track) local(us int64, from, to int) (Local, bool) {
	if to-from < fewest-1 {
		return Local{}, false
	}
	var q quadratic
	base := m.Counts[from]
	for i := from; i < to; i++ {
		q.add(float64(m.AtUs[i]-us)/1e6, float64(m.Counts[i]-base))
	}
	l, ok := q.solve()
	l.Counts += float64(base)
	return l, ok
}

// quadratic is the least-squares fit of y = a + b t + c t2, by moments: t is about
// a second at most, so that they keep their digits.
type quadratic struct {
	n               float64
	t, t2, t3, t4   float64
	y, ty, t2y, yy2 float64
}

func (q *quadratic) add(t, y float64) {
	s := t * t
	q.n++
	q.t, q.t2, q.t3, q.t4 = q.t+t, q.t2+s, q.t3+s*t, q.t4+s*s
	q.y, q.ty, q.t2y, q.yy2 = q.y+y, q.ty+t*y, q.t2y+s*y, q.yy2+y*y
}

// solve is the value and slope at t = 0. The scatter is that of the residuals, at
// least that of rounding to counts; with few degrees of freedom it is made as much
// larger as Student's t is than the normal distribution, so that 1.96 u is an interval
// of 95 %. What rounding does to all readings of a window alike is not in the
// residuals: it is added to the value. Nor is how the gain of speed changes within the
// window, as it does where a curve begins: within changeS by as much as there is of it
// (common practice, no source), of which a slope takes a fifth of the window squared.
func (q *quadratic) solve() (Local, bool) {
	// Inverse of the normal matrix [n t t2; t t2 t3; t2 t3 t4] by cofactors.
	c00, c01, c02 := q.t2*q.t4-q.t3*q.t3, q.t2*q.t3-q.t*q.t4, q.t*q.t3-q.t2*q.t2
	c11, c12, c22 := q.n*q.t4-q.t2*q.t2, q.t*q.t2-q.n*q.t3, q.n*q.t2-q.t*q.t
	det := q.n*c00 + q.t*c01 + q.t2*c02
	if !(det > 1e-12*q.n*q.t2*q.t4) {
		return Local{}, false
	}
	a := (c00*q.y + c01*q.ty + c02*q.t2y) / det
	b := (c01*q.y + c11*q.ty + c12*q.t2y) / det
	c := (c02*q.y + c12*q.ty + c22*q.t2y) / det
	rss := q.yy2 - a*q.y - b*q.ty - c*q.t2y
	s2 := quantum2
	if df := int(q.n) - 3; df > 0 {
		f := wider(df)
		s2 = max(s2, f*f*rss/float64(df))
	}
	window2 := q.t2 / q.n * 3 // of the half window, or of all of one that ends at 0
	change := 0.1 * window2 * 2 * c / changeS
	return Local{Counts: a, UCounts: math.Sqrt(s2*c00/det + quantum2), Rate: b, URate: math.Sqrt(s2*c11/det + change*change), N: int(q.n)}, true
}

const changeS = 0.3

// wider is Student's t over the normal distribution at 97.5 % (GUM, Table G.2).
func wider(df int) float64 {
	table := [...]float64{6.48, 2.195, 1.624, 1.416, 1.312, 1.248, 1.206, 1.176, 1.154, 1.137}
	if df > len(table) {
		return 1 + 1.3/float64(df)
	}
	return table[df-1]
}
