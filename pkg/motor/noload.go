package motor

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"rainhill/pkg/stats"
)

// unlike is how far two motors' no-load currents lie apart where only their sum can be
// told, as a part: common practice, no source.
const unlike = 0.25

// noLoad finds the no-load current: from runs with the wheels free when there are
// two such steps, else by extrapolation over loads.
func noLoad(c *Curve, s Set, sets []Set, runs []Run, curves map[string]Curve) {
	c.NoLoad = unknown()
	say := func(format string, a ...any) { c.Doubts = append(c.Doubts, fmt.Sprintf(format, a...)) }
	var free []float64
	loads := map[float64]bool{}
	for _, x := range c.used() {
		if x.Free {
			free = append(free, x.CurrentA)
		} else {
			loads[x.LoadKg] = true
		}
	}
	switch {
	case len(free) >= 3:
		c.free(free, say)
	case len(loads) < 2 || loads[0]:
		say("the no-load current cannot be told from one load: another, or a run with the wheels free, would tell")
	default:
		c.extrapolate(s, sets, runs, curves, say)
	}
	if c.NoLoad.Value < 0 || math.IsNaN(c.NoLoad.U) {
		if c.NoLoad.Value < 0 {
			say("the no-load current comes out below 0 (%.0f mA): the loads are too much alike, or do not run alike", 1000*c.NoLoad.Value)
		}
		c.NoLoad = unknown()
		return
	}
	c.Covariance[2][2] = c.NoLoad.U * c.NoLoad.U
}

// free is the mean current of steps with the wheels free.
func (c *Curve) free(amps []float64, say func(string, ...any)) {
	n := float64(len(amps))
	mean, sd := meanSD(amps)
	var own float64
	for _, x := range c.used() {
		if x.Free {
			own += x.UCurrentA * x.UCurrentA / n / n
		}
	}
	u := math.Max(sd/math.Sqrt(n), math.Sqrt(own))
	c.NoLoad = studentised(mean, u, n-1)
	if lo, hi := slices.Min(amps), slices.Max(amps); hi-lo > 0.25*mean {
		say("with the wheels free the current goes from %.0f to %.0f mA over the speeds: one no-load current does not tell all", 1000*lo, 1000*hi)
	}
}

// extrapolate fits I = I0 + M (a + b w + c w2) over the steps, M being the mass on the
// rails: the running resistance is per mass, alike for locomotive and cars. c is
// left out where too few speeds tell of it.
//
// Where other sets drove as well, only the sum of all efforts is set against the
// mass: sum of q (I - I0) = M (...), q the effort per current of each set over that of
// this one. The sum's part at no load is then shared out alike, and how unlike motors
// are is added to its uncertainty.
func (c *Curve) extrapolate(s Set, sets []Set, runs []Run, curves map[string]Curve, say func(string, ...any)) {
	t, ok := c.table(s, sets, runs, curves)
	if !ok {
		say("other driver sets of the locomotive turned with it and cannot be reckoned with: the no-load current cannot be told")
		return
	}
	columns := 3
	if t.speeds >= 5 && len(t.y) >= 10 {
		columns = 4
	}
	if len(t.y) < columns+2 {
		say("the no-load current cannot be told from %d steps over the loads", len(t.y))
		return
	}
	for i := range t.x {
		t.x[i] = t.x[i][:columns]
	}
	fit, err := scattered(t.x, t.y, t.masses)
	if err != nil {
		say("the no-load current cannot be told: speeds and loads go together (%v)", err)
		return
	}
	u := fit.U(0)
	if len(t.others) > 0 {
		u = math.Hypot(u, unlike*fit.B[0]*math.Sqrt(1-1/max(1, meanOf(t.sums))))
		say("%s turned as well: of the no-load currents only the sum is told, and it is shared out alike", names(t.others))
	}
	c.NoLoad = studentised(fit.B[0], u, float64(fit.DF))
	say("the no-load current is extrapolated from loads of %s: locomotive and cars are taken to run alike, mass for mass", massesText(t.masses))
}

// loads is the steps under load as a table: x the columns of extrapolate, y the sum
// of the currents, sums the sum of q.
type loads struct {
	x               [][]float64
	y, sums, masses []float64
	others          map[string]bool
	speeds          int // how many throttles
}

// table is the steps under load; ok is false where another set's part in one of them is
// not known.
func (c *Curve) table(s Set, sets []Set, runs []Run, curves map[string]Curve) (t loads, ok bool) {
	t.others = map[string]bool{}
	speeds := map[int]bool{}
	for _, st := range c.used() {
		if st.Free {
			continue
		}
		total, of := st.CurrentA, 1.0
		for _, o := range sets {
			if o.Motor == s.Motor {
				continue
			}
			q, amps, known := beside(*st, s, o, runs, curves)
			if !known {
				return t, false
			}
			total, of = total+q*amps, of+q
			t.others[o.Motor] = true
		}
		m := st.LoadKg
		t.x = append(t.x, []float64{of, m, m * st.RadS, m * st.RadS * st.RadS})
		t.y, t.sums, t.masses = append(t.y, total), append(t.sums, of), append(t.masses, m)
		speeds[int(math.Round(200*st.dutyOr1()))] = true
	}
	t.speeds = len(speeds)
	return t, true
}

// scattered is least squares with weights that fall with the load: what scatters is
// the running resistance, in proportion to the mass.
func scattered(x [][]float64, y, masses []float64) (Linear, error) {
	w := make([]float64, len(y))
	for i, m := range masses {
		w[i] = 1 / (m * m)
	}
	return LeastSquares(x, y, w)
}

// beside is what another set did while a step lasted: q, its effort per current over
// that of set s, and its current. known is false where nothing tells.
func beside(st Step, s, o Set, runs []Run, curves map[string]Curve) (q, amps float64, known bool) {
	i := slices.IndexFunc(runs, func(r Run) bool { return r.ID == st.Run })
	curve, ok := curves[o.Motor]
	if i < 0 || !ok || !(s.Gear > 0 && s.WheelM > 0 && o.Gear > 0 && o.WheelM > 0) {
		return 0, 0, false
	}
	q = curve.KVS.Value * o.Gear / o.WheelM / (curves[s.Motor].KVS.Value * s.Gear / s.WheelM)
	all := runs[i].Readings[o.Motor]
	from := sort.Search(len(all), func(i int) bool { return all[i].AtUs >= st.FromUs })
	var currents []float64
	for _, r := range all[from:] {
		if r.AtUs > st.ToUs {
			break
		}
		if !math.IsNaN(r.CurrentA) {
			currents = append(currents, math.Abs(r.CurrentA))
		}
	}
	if len(currents) < leastReadings {
		return 0, 0, false
	}
	return q, stats.Mean(currents), true
}

func names(set map[string]bool) string {
	var list []string
	for n := range set {
		list = append(list, n)
	}
	slices.Sort(list)
	text := ""
	for i, n := range list {
		if i > 0 {
			text += ", "
		}
		text += n
	}
	return text
}

func massesText(masses []float64) string {
	list := slices.Clone(masses)
	slices.Sort(list)
	text := ""
	for i, m := range slices.Compact(list) {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprintf("%.0f g", 1000*m)
	}
	return text
}
