package coast

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"rainhill/pkg/stats"
)

// Fit finds the terms of runs of one train. What is made least is the sum of the squared
// differences of instants, over their variance where every one is stated, of the solution
// of dv/dt = -(a + b v + c v2 + curve x part on arcs) through the run's own speed and
// instant. The best values are those of which none is negative. The intervals are those of
// the same fit without bounds, whose errors are even about the truth, by the ordering of
// Feldman and Cousins where 0 is near (see unified); Student's t where the scatter is
// taken from the instants.
func Fit(runs []Run, track Track) (Resistance, error) {
	f, res := newFit(runs, track)
	if len(f.courses) == 0 {
		return res, fmt.Errorf("%w%s", ErrNoRuns, whyNot(res.Runs))
	}
	p, looks := f.begin(&res)
	if len(f.courses) == 0 {
		return res, fmt.Errorf("%w%s", ErrNoRuns, whyNot(res.Runs))
	}
	if err := f.spedUp(looks); err != nil {
		return res, err
	}
	f.use(p)
	p, ok := f.seek(p, f.least())
	if !ok {
		return res, ErrFit
	}
	f.choose()
	for again := true; again; again = f.leaveStray() {
		if p, ok = f.seek(keep(p, f.used), f.least()); !ok {
			return res, ErrFit
		}
	}
	res.best = p
	for j := range terms {
		res.Held[j] = !f.used[j]
	}
	free, ok := f.seek(p, anything())
	if !ok {
		free = p
		f.total(p)
	}
	f.uncertain(&res, free)
	f.total(p)
	f.courseResults(&res)
	res.capped()
	f.doubt(&res)
	return res, nil
}

// fit is the courses that are fitted and the terms that are.
type fit struct {
	courses []*course
	used    [terms]bool
	stated  bool // every instant's uncertainty is
	track   Track
	strays  int // instants that were left
}

func newFit(runs []Run, track Track) (*fit, Resistance) {
	f, res := &fit{track: track}, Resistance{}
	with, without := 0, 0
	for _, r := range runs {
		for _, i := range r.Instants {
			if i.US > 0 {
				with++
			} else {
				without++
			}
		}
	}
	f.stated = without == 0
	if with > 0 && without > 0 {
		res.Doubts = append(res.Doubts, fmt.Sprintf("of %d instants %d have their uncertainty stated: all are taken as equally sure", with+without, with))
	}
	weight := func(i Instant) float64 {
		if f.stated {
			return 1 / i.US
		}
		return 1
	}
	for _, r := range runs {
		out := Course{ID: r.ID, StartMS: None(), EndMS: math.NaN(), WayM: math.NaN(), Why: unusable(r)}
		if out.Why == "" {
			f.courses = append(f.courses, newCourse(r, track, weight))
		}
		res.Runs = append(res.Runs, out)
	}
	return f, res
}

// unusable says why a run tells nothing.
func unusable(r Run) string {
	for i, x := range r.Instants[min(1, len(r.Instants)):] {
		if before := r.Instants[i]; !(x.AtS > before.AtS) {
			return fmt.Sprintf("at %g m it is not later than at %g m", x.AtM, before.AtM)
		}
	}
	switch n := len(r.Instants); n {
	case 0:
		return "no instant was read"
	case 1, 2:
		return fmt.Sprintf("%d of the %d instants that tell of slowing at least", n, leastInstants)
	}
	return ""
}

func whyNot(runs []Course) (text string) {
	for _, r := range runs {
		if len(text) < 500 {
			text += fmt.Sprintf("; run %s: %s", r.ID, r.Why)
		}
	}
	return text
}

// begin is a first guess: the median even slowing of the runs. One that gains speed, beyond
// what the scatter of all explains, is left.
func (f *fit) begin(res *Resistance) (p [terms]float64, left []parabola) {
	var looks []parabola
	var squares, df float64
	for _, c := range f.courses {
		look := c.begin()
		looks, squares, df = append(looks, look), squares+look.squares, df+float64(look.df)
	}
	scatter := math.Sqrt(squares / df) // NaN without any to spare
	limit, doubtful := stats.TQuantile(0.9999, df)*scatter, stats.TQuantile(0.975, df)*scatter
	var kept []*course
	var slowing []float64
	for i, c := range f.courses {
		if x := looks[i]; x.slowing < -limit*x.bySecond {
			at := slices.IndexFunc(res.Runs, func(r Course) bool { return r.ID == c.run.ID && r.Why == "" })
			res.Runs[at].Why = fmt.Sprintf("it gains speed, %.2g m/s2: was it pushed, or is the track downhill there?", -x.slowing)
			continue
		}
		if x := looks[i]; len(looks) > 1 && x.slowing < -leastGain && x.slowing < -doubtful*x.bySecond {
			res.Doubts = append(res.Doubts, fmt.Sprintf("run %s gains speed, %.2g m/s2, by no more than its instants may scatter, and is taken in: was it pushed?", c.run.ID, -x.slowing))
		}
		kept, left, slowing = append(kept, c), append(left, looks[i]), append(slowing, max(looks[i].slowing, 0))
	}
	f.courses = kept
	slices.Sort(slowing)
	p[A] = max(stats.Quantile(slowing, 0.5), 1e-4)
	return p, left
}

// leastGain is from how many m/s2 on a gain of speed is one: below it instants are round.
const leastGain = 1e-5

// spedUp refuses runs that gain speed in the mean, by more than its standard uncertainty: an
// interval of what slows them would be as narrow as it is wrong.
func (f *fit) spedUp(looks []parabola) error {
	var sum, weights, squares, df, stated, n float64
	for i, c := range f.courses {
		x := looks[i]
		w := 1 / (x.bySecond * x.bySecond)
		sum, weights, squares, df = sum+w*x.slowing, weights+w, squares+x.squares, df+float64(x.df)
		for _, at := range c.run.Instants {
			stated, n = stated+at.US*at.US, n+1
		}
	}
	scatter := math.Sqrt(stated / n) // 0 where it is not stated
	if df > 0 {
		scatter = math.Sqrt(squares / df)
	}
	if gain := -sum / weights; gain > max(leastGain, scatter/math.Sqrt(weights)) {
		return fmt.Errorf("%w, by %.2g m/s2 in the mean of the runs: does the track fall that way, or was it pushed on? What holds it back cannot be told", ErrSpedUp, gain)
	}
	return nil
}

// use says which terms the shape of the runs could tell at all: a always, the curve where
// the part on arcs is not the same throughout.
func (f *fit) use(p [terms]float64) {
	f.used[A] = true
	for _, c := range f.courses {
		for _, l := range c.legs {
			if math.Abs(l.share-f.courses[0].legs[0].share) > 1e-9 || math.Abs(l.slope*l.lengthM) > 1e-9 {
				f.used[Curve] = true
			}
		}
	}
	f.total(p)
	f.choose()
}

// least is the bounds of the fit: nothing is negative.
func (f *fit) least() [terms]float64 { return [terms]float64{} }

func anything() (least [terms]float64) {
	for j := range least {
		least[j] = math.Inf(-1)
	}
	return least
}

func keep(p [terms]float64, used [terms]bool) [terms]float64 {
	for j := range p {
		if !used[j] {
			p[j] = 0
		}
	}
	return p
}

// alike is how little of a term's effect may be left beside those of the others.
const alike = 1e-6

// choose takes terms in turn, a, curve, b, c, as long as each adds something that those
// before it do not do as well, and there are instants enough.
func (f *fit) choose() {
	_, rows := f.rows()
	most := -2 * len(f.courses)
	for _, c := range f.courses {
		most += c.count()
	}
	arcs := f.used[Curve]
	f.used = [terms]bool{}
	var basis [][]float64
	for _, j := range []int{A, Curve, B, C} {
		x := make([]float64, len(rows))
		for i := range rows {
			x[i] = rows[i][j]
		}
		whole := math.Sqrt(dot(x, x))
		for range 2 {
			for _, q := range basis {
				part := dot(x, q)
				for i := range x {
					x[i] -= part * q[i]
				}
			}
		}
		left := math.Sqrt(dot(x, x))
		if len(basis) >= most || j == Curve && !arcs || !(left > alike*whole) {
			continue
		}
		for i := range x {
			x[i] /= left
		}
		basis, f.used[j] = append(basis, x), true
	}
}

// total settles every course, and is the sum of their squares.
func (f *fit) total(p [terms]float64) (sum float64, ok bool) {
	for _, c := range f.courses {
		s, ok := c.settle(p)
		if !ok {
			return 0, false
		}
		sum += s
	}
	return sum, true
}

// rows are the residuals of all courses and how they change with the terms.
func (f *fit) rows() (r []float64, rows [][]float64) {
	for _, c := range f.courses {
		a, b := c.shift()
		r, rows = append(r, a...), append(rows, b...)
	}
	return r, rows
}

// seek goes from p to the terms that make the squares least, none below its bound
// (Levenberg and Marquardt, the damping by the columns' lengths).
func (f *fit) seek(p, least [terms]float64) ([terms]float64, bool) {
	sum, ok := f.total(p)
	if !ok {
		return p, false
	}
	damp := 1e-6
	for range 200 {
		r, rows := f.rows()
		next, after, step, found := f.step(p, least, r, rows, sum, &damp)
		if !found {
			break
		}
		gain := sum - after
		p, sum = next, after
		if gain <= 1e-12*sum && step < 1e-6 || gain <= 1e-15*sum {
			break
		}
	}
	_, ok = f.total(p)
	return p, ok
}

// step is the first damped step that makes the squares less; step is its length in what
// it changes of the residuals over those.
func (f *fit) step(p, least [terms]float64, r []float64, rows [][]float64, sum float64, damp *float64) (next [terms]float64, after, length float64, found bool) {
	var room [terms]float64
	var norm [terms]float64
	for j := range room {
		room[j] = least[j] - p[j]
		for i := range rows {
			norm[j] = math.Hypot(norm[j], rows[i][j])
		}
	}
	n := len(rows)
	for j := range terms {
		rows, r = append(rows, make([]float64, terms)), append(r, 0)
		if norm[j] == 0 {
			rows[n+j][j] = 1
		}
	}
	for range 30 {
		for j := range terms {
			if norm[j] > 0 {
				rows[n+j][j] = math.Sqrt(*damp) * norm[j]
			}
		}
		d, err := bounded(rows, r, f.used, room)
		if err == nil {
			next = p
			for j := range terms {
				next[j] = max(p[j]+d[j], least[j])
			}
			if after, ok := f.total(next); ok && after <= sum {
				*damp = max(*damp/30, 1e-14)
				zero := make([]float64, n)
				return next, after, math.Sqrt(squares(rows[:n], zero, d) / sum), true
			}
		}
		*damp = max(*damp*20, 1e-9)
	}
	f.total(p)
	return p, sum, 0, false
}

// uncertain takes the intervals from the fit without bounds at p.
func (f *fit) uncertain(res *Resistance, p [terms]float64) {
	r, rows := f.rows()
	res.free = p
	df, n := f.freedom()
	res.N = n
	chi := dot(r, r)
	scale := chi / df
	res.DF, res.ChiDF = df, math.NaN()
	switch {
	case f.stated:
		res.DF, scale = math.Inf(1), 1
		if df > 0 {
			res.ChiDF = chi / df
		}
		if p := (distuv.ChiSquared{K: max(df, 1)}).CDF(chi); df > 0 && min(p, 1-p) < unlikely {
			res.DF, scale = df, chi/df
		}
	case !(df > 0):
		scale = math.NaN()
	}
	res.scale, res.ScatterS = math.Sqrt(scale), math.NaN()
	if !f.stated {
		res.ScatterS = res.scale
	}
	res.covariance = f.covariance(rows, scale)
	if f.differ(r, rows, df) {
		if all, ok := f.jackknife(r, rows); ok {
			res.covariance, res.DF = all, float64(len(f.courses)-1)
		}
		res.Doubts = append(res.Doubts, "the runs differ by more than their instants scatter: the intervals go by how much the terms change when a run is left out")
	}
	f.places(res, rows)
	for j := range terms {
		res.Terms[j] = None()
		if !f.used[j] {
			continue
		}
		u := math.Sqrt(res.covariance[j][j])
		x := Interval{Value: res.best[j], U: u}
		x.Lo, x.Hi = unified(p[j], u, res.DF)
		res.Terms[j] = x.with(x.Value)
	}
}

// with is the interval made to hold v.
func (x Interval) with(v float64) Interval {
	x.Lo, x.Hi = min(x.Lo, v), max(x.Hi, v)
	return x
}

func (f *fit) covariance(rows [][]float64, scale float64) (out [terms][terms]float64) {
	var at []int
	for j := range terms {
		if f.used[j] {
			at = append(at, j)
		}
	}
	part := make([][]float64, len(rows))
	for i := range rows {
		for _, j := range at {
			part[i] = append(part[i], rows[i][j])
		}
	}
	l, err := solve(part, make([]float64, len(rows)))
	for a, j := range at {
		for b, k := range at {
			out[j][k] = math.NaN()
			if err == nil {
				out[j][k] = l.inverse[a][b] * scale
			}
		}
	}
	return out
}

// courseResults tells how the runs went, by the best terms.
func (f *fit) courseResults(res *Resistance) {
	next := 0
	for i := range res.Runs {
		if res.Runs[i].Why != "" {
			continue
		}
		c := f.courses[next]
		next++
		out := &res.Runs[i]
		out.Left, out.WayM, out.EndMS = c.left(), c.wayM(), c.vEnd
		for _, w := range c.w {
			out.Stray = append(out.Stray, w == 0)
		}
		out.StartMS = c.start(res.covariance, res.scale, res.DF)
	}
}

// start is the speed at the first instant: what its own instants leave open of the course,
// and what the terms do.
func (c *course) start(covariance [terms][terms]float64, scatter, df float64) Interval {
	g := c.column(terms)
	norm, first := dot(g, g), c.places[0]
	var with [terms]float64
	for j := range terms {
		with[j] = first.dv[j] - first.dv[terms]*dot(c.column(j), g)/norm
	}
	variance := scatter * scatter * first.dv[terms] * first.dv[terms] / norm
	for j := range terms {
		for k := range terms {
			variance += with[j] * with[k] * covariance[j][k]
		}
	}
	x := Interval{Value: first.v, U: math.Sqrt(variance)}
	t := stats.TQuantile(0.975, df)
	x.Lo, x.Hi = max(x.Value-t*x.U, 0), x.Value+t*x.U
	return x
}
