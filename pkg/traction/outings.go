package traction

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/stats"
)

// Outing is what a motor did in one trial, with its load: Points are the moments of laps or, on a
// stand, of windows of time; Own is the verdict by what they show within them.
type Outing struct {
	Trial  string
	LoadG  float64 // on the rails
	Points []Moments
	Others []float64 // throttles of the locomotive's other sets meanwhile, together, permille
	Own    Regulation
	// WorkingA is the mean current of all the locomotive's motors.
	WorkingA float64
}

const (
	// clearly is how many times better one account of the speeds must be than the other.
	clearly = 3.0
	// exact and heldExact are how well an account of mean speeds can fit at best: windings
	// grow warm, meters drift; a board's reference is a crystal or a band gap (common
	// practice, no source).
	exact, heldExact = 0.001, 0.0005
	// mostPart of its voltage a running motor spends on its winding (common practice, no source).
	mostPart = 0.8
	// sameDuty is how near throttles belong together, as parts of full.
	sameDuty = 0.003
	// In permille: sameTold is within what told throttles are the same, and bridgeMove and
	// bridgeShake by how much a bridge that holds its speed must have to move, between
	// laps and within them, to be seen in whole numbers.
	sameTold, bridgeMove, bridgeShake = 0.05, 1.5, 0.6
	fewFree                           = 3
)

// mean is a lap's or window's means: rad/s, A, V at the winding if the told throttle
// is the bridge's, throttle as a part of full, supply in V; and sums of squares within:
// of the current in A2 as it was read and without the meter's noise, of the throttle in
// permille2.
type mean struct {
	w, i, u, d, supply float64
	raw, ii, dd        float64
	loadG, others      float64
	n, round           int // bins, and those at a throttle of whole tens
}

func meansOf(o Outing, counts float64) (out []mean) {
	for k, m := range o.Points {
		x := mean{
			w: math.Abs(m.V) * 2 * math.Pi / counts, i: m.I / 1e3, u: math.Abs(m.U) / 1e3, d: math.Abs(m.D) / 1e3,
			raw: m.II / 1e6, ii: (m.II - float64(m.N-m.Holds)*m.NoiseMa2) / 1e6, dd: m.DD,
		}
		x.loadG = o.LoadG
		if k < len(o.Others) {
			x.others = o.Others[k] / 1e3
		}
		x.supply, x.round, x.n = x.u/x.d, m.Round, m.N
		if m.N > 0 && !m.moved() && x.w > 0 && x.u > 0 && x.d > 0 {
			out = append(out, x)
		}
	}
	return out
}

// account is how two accounts of a motor's speeds fit: held by a board, in proportion
// to the throttle or at any speed of its own for each throttle, or as U = R I + k w has
// it. Misfits are root mean squares, as parts of the speed.
type account struct {
	n, free      int
	held, plain  float64
	r, k, ur     float64
	slow, fast   float64 // of the throttles
	throttles    int
	least, most  float64 // of the currents
	fromR, uptoR float64
}

// bounds is what a brushed motor's resistance can be: it spends usual of its voltage or
// more on its winding somewhere, and mostPart nowhere; by its curve when that is known.
func bounds(all []mean, d Drive) (lo, hi float64) {
	if d.ROhm > 0 {
		part := max(3*d.UROhm/d.ROhm, 0.08)
		return d.ROhm * (1 - part), d.ROhm * (1 + part)
	}
	least := math.Inf(1)
	for _, x := range all {
		least = min(least, x.u/max(math.Abs(x.i), 1e-3)) // a set may be pushed by the others
	}
	return usual / (1 + usual) * least, mostPart * least
}

// weigh fits both accounts to means, within classes of one throttle when apart is set.
func weigh(all []mean, d Drive, apart bool) (a account) {
	all = slices.Clone(all)
	slices.SortStableFunc(all, byThrottle)
	a = account{n: len(all), free: len(all), slow: all[0].d, fast: all[len(all)-1].d, least: math.Inf(1)}
	a.fromR, a.uptoR = bounds(all, d)
	var heldSq, xx, xy, yy, ky float64
	fitted := func(part []mean) {
		a.free--
		var h, mx, my []float64
		for _, x := range part {
			h, mx, my = append(h, math.Log(x.w/x.d)), append(mx, x.i/x.w), append(my, x.u/x.w)
			a.least, a.most = min(a.least, x.i), max(a.most, x.i)
		}
		ch, cx, cy := stats.Mean(h), stats.Mean(mx), stats.Mean(my)
		for i := range part {
			heldSq += (h[i] - ch) * (h[i] - ch)
			dx, dy := mx[i]-cx, my[i]-cy
			xx, xy, yy = xx+dx*dx, xy+dx*dy, yy+dy*dy
		}
	}
	from := 0
	for i := range all {
		if i+1 == len(all) || all[i+1].d > all[from].d+sameDuty {
			a.throttles++
			if apart {
				fitted(all[from : i+1])
			}
			from = i + 1
		}
	}
	if !apart {
		fitted(all)
	}
	if a.free < fewFree {
		return a
	}
	a.r = a.fromR
	if xx > 0 {
		a.r = min(max(xy/xx, a.fromR), a.uptoR)
	}
	for _, x := range all {
		ky += (x.u - a.r*x.i) / x.w / float64(a.n)
	}
	a.k = ky
	rest := max(0, yy-2*a.r*xy+a.r*a.r*xx)
	a.held = math.Sqrt(heldSq / float64(a.free))
	a.plain = math.Sqrt(rest/float64(a.free-1)) / a.k
	a.ur = math.Sqrt(rest / float64(a.free-1) / max(xx, 1e-30))
	return a
}

// says is the verdict that an account leads to.
func (a account) says() string {
	switch {
	case a.free < fewFree || !(a.k > 0):
		return CannotTell
	case clearly*math.Hypot(a.held, heldExact) < a.plain:
		return IsRegulated
	case clearly*math.Hypot(a.plain, exact) < a.held:
		return IsUnregulated
	}
	return CannotTell
}

// commanded reports whether the throttle that is told is what was commanded, not what a
// board that holds the speed makes of it, and by what that is seen: it stood still while
// current and supply would have had such a board move its bridge, within laps or between
// them, or it stood at three different throttles or more at round numbers, as people and
// programs set them.
func commanded(all []mean, a account) (how string, ok bool) {
	all = slices.Clone(all)
	slices.SortStableFunc(all, byThrottle)
	between, within := between(all, a), 0.0
	var need, moved, raw, ii, bins float64
	for _, x := range all {
		volt := 1000 * a.r / x.supply
		need, moved, bins = need+x.ii*volt*volt, moved+x.dd, bins+float64(x.n)
		raw, ii = raw+x.raw, ii+x.ii
	}
	if ii > leastSignal*raw && moved < need/(clearly*clearly) {
		within = math.Sqrt(need / bins)
	}
	switch {
	case between >= bridgeMove:
		return fmt.Sprintf("the throttle it tells was the same to the permille where a board that holds the speed would have moved its bridge by %.1f", between), true
	case within >= bridgeShake:
		return fmt.Sprintf("the throttle it tells stood still within laps, where a board that holds the speed would have moved its bridge by %.1f permille to and fro", within), true
	case tens(all) >= fewFree:
		return "the throttles it tells are round numbers, as they are set and not as a board that holds the speed makes them", true
	}
	return "", false
}

// between is by how much, at most, a board that holds the speed would have had to move
// its bridge, in permille, between laps that were told the same throttle.
func between(sorted []mean, a account) (most float64) {
	for i := 0; i < len(sorted); {
		lo, hi, k := math.Inf(1), math.Inf(-1), i
		for ; k < len(sorted) && sorted[k].d <= sorted[i].d+sameTold/1000; k++ {
			if x := sorted[k]; x.dd <= sameTold*sameTold*float64(x.n) {
				need := 1000 * (a.r*x.i + a.k*sorted[i].w) / x.supply
				lo, hi = min(lo, need), max(hi, need)
			}
		}
		most, i = max(most, hi-lo), k
	}
	return most
}

func byThrottle(x, y mean) int { return cmp.Compare(x.d, y.d) }

// tens is at how many throttles of whole tens means stood, when nearly all did; 0 when not.
func tens(sorted []mean) (n int) {
	bins, round, last := 0, 0, -1.0
	for _, x := range sorted {
		bins, round = bins+x.n, round+x.round
		if x.round == x.n && x.d > last+0.02 {
			n, last = n+1, x.d
		}
	}
	if 10*round < 8*bins {
		return 0
	}
	return n
}

// Over judges a motor by all its outings together, for that of index of, whose own
// verdict goes first. What changes between laps and trials counts here: other loads,
// other throttles and a battery that sags. Two accounts are held against each other:
// a board holds a speed for each throttle, or U = R I + k w with a resistance that a
// motor can have. The one that fits clearly times better, to what either can fit at
// best, has it; it must not be because the told throttle is the bridge's of a board
// that holds the speed, for of that U = R I + k w holds as well. Where outings speak
// against each other, as when a board was changed between them, each stands alone.
func Over(outings []Outing, of int, d Drive) Regulation {
	own := outings[of].Own
	own.Evidence = slices.Clone(own.Evidence)
	if !(d.CountsPerRev > 0) {
		return own
	}
	var all []mean
	var trials []string
	said := map[string]bool{}
	for _, o := range outings {
		if x := meansOf(o, d.CountsPerRev); len(x) > 0 {
			all, trials = append(all, x...), append(trials, o.Trial)
		}
		said[o.Own.Verdict] = true
	}
	all = thinned(all)
	switch {
	case said[IsRegulated] && said[IsUnregulated] || unlike(all):
		own.say("its trials speak against each other: was its board changed between them?")
		return own
	case len(all) <= fewFree:
		own.follow(outings, of, nil, account{})
		return own
	}
	own.within(outings, of, trials, d)
	apart, along := weigh(all, d, true), weigh(all, d, false)
	a, verdict := apart, apart.says()
	if verdict == CannotTell && (along.throttles == 1 || along.throttles >= fewFree && along.fast > 1.5*along.slow) {
		if a, verdict = along, along.says(); apart.free >= fewFree && (verdict == IsRegulated) != (apart.held < apart.plain) {
			verdict = CannotTell
		}
	}
	mine := meansOf(outings[of], d.CountsPerRev)
	how, told := "", true
	if verdict == IsUnregulated {
		how, told = commanded(all, a)
	}
	said[own.Verdict] = true
	if against := said[IsRegulated] && verdict == IsUnregulated || said[IsUnregulated] && verdict == IsRegulated; against && told {
		return own
	} else if against || verdict == CannotTell || !told || len(mine) == 0 {
		own.follow(outings, of, mine, a)
		return own
	}
	own.pooled(a, verdict, trials, how, d)
	return own
}

// thinned is all, or of very many evenly chosen ones.
func thinned(all []mean) (out []mean) {
	step := (len(all) + meansMost - 1) / meansMost
	for i := 0; i < len(all); i += max(1, step) {
		out = append(out, all[i])
	}
	return out
}

const meansMost = 1000

// unlike reports whether one load with all sets at one told throttle each was run at
// speeds that no supply explains: something else than load and throttle was changed.
func unlike(all []mean) bool {
	for i, x := range all {
		for _, y := range all[:i] {
			if x.loadG == y.loadG && math.Abs(x.d-y.d) <= sameDuty && math.Abs(x.others-y.others) <= sameDuty && math.Abs(math.Log(x.w/y.w)) > 0.03+3*math.Abs(math.Log(x.supply*x.d/(y.supply*y.d))) {
				return true
			}
		}
	}
	return false
}

// within judges by the answers within laps of all outings together: three laps of one
// trial leave more open than ten of several. A stand, where nothing pulls, is left out.
func (r *Regulation) within(outings []Outing, of int, trials []string, d Drive) {
	var points []Moments
	working, n := 0.0, 0.0
	for _, o := range outings {
		if o.WorkingA > 0 {
			points = append(points, o.Points...)
			working, n = working+o.WorkingA*float64(len(o.Points)), n+float64(len(o.Points))
		}
	}
	if r.Verdict != CannotTell || outings[of].WorkingA == 0 || len(points) == len(outings[of].Points) {
		return
	}
	all := Regulated(points, d, working/n)
	if all.Verdict == CannotTell || r.leans != "" && r.leans != all.Verdict {
		return
	}
	r.settle(all.Verdict)
	r.Droop, r.DroopA = all.Droop, all.DroopA
	r.Evidence = append(all.Evidence, r.Evidence...)
	r.lead("what follows is of the laps of %s together", strings.Join(trials, ", "))
}

// follow takes the verdict that other trials of the motor show by themselves for one that
// shows nothing else: unless its own slopes lie on the other side, no account fits all
// trials, or its throttle was told in another way than theirs, stiller or less so, as when
// the board was changed.
func (r *Regulation) follow(outings []Outing, of int, mine []mean, a account) {
	verdict, trials, flickers := CannotTell, []string{}, []float64{}
	for k, o := range outings {
		if k != of && o.Own.Verdict != CannotTell {
			verdict, trials = o.Own.Verdict, append(trials, o.Trial)
			flickers = append(flickers, flicker(o.Points))
		}
	}
	if r.Verdict != CannotTell || verdict == CannotTell || r.leans != "" && r.leans != verdict {
		return
	}
	if a.k > 0 && min(a.held, a.plain) > 0.01 {
		r.say("neither a held speed nor U = R I + k w fits its trials together (off by %.2f and %.2f %%): was its board changed between them?", 100*a.held, 100*a.plain)
		return
	}
	theirs, its := stats.Summarise(flickers).Median, flicker(outings[of].Points)
	if max(theirs, its) > 0.3 && (its < theirs/6 || theirs < its/6) {
		return
	}
	if verdict == IsUnregulated && (a.k == 0 || len(mine) == 0 || a.plain > 0.005) {
		return
	}
	r.settle(verdict)
	r.lead("it is %s by what %s; this trial alone does not tell, and nothing in it speaks against that", verdict, shows(trials))
}

func shows(trials []string) string {
	return strings.Join(trials, ", ") + " " + agree(len(trials), "shows", "show")
}

// flicker is by how much a told throttle moves within laps, permille.
func flicker(points []Moments) float64 {
	dd, n := 0.0, 0
	for _, m := range points {
		if !m.moved() {
			dd, n = dd+m.DD, n+m.N-m.Holds
		}
	}
	return math.Sqrt(dd / float64(max(1, n)))
}

// settle puts a verdict in the place of none.
func (r *Regulation) settle(verdict string) {
	r.Verdict = verdict
	r.Evidence = slices.DeleteFunc(r.Evidence, func(s string) bool { return s == undecided })
}

// pooled takes the verdict of several outings over.
func (r *Regulation) pooled(a account, verdict string, trials []string, how string, d Drive) {
	fits := fmt.Sprintf("over %d laps or stretches of %s, at %s and %.0f to %.0f mA: a held speed for each throttle is off by %.2f %%, U = R I + k w with R %.2f ohm and k %.2f mV s by %.2f %%",
		a.n, strings.Join(trials, ", "), throttlesOf(a), 1000*a.least, 1000*a.most, 100*a.held, a.r, 1000*a.k, 100*a.plain)
	if r.Verdict != CannotTell {
		r.Evidence = append(r.Evidence, told(fits, how)...)
		return
	}
	r.settle(verdict)
	r.Evidence = append(told(fits, how), r.Evidence...)
	if verdict == IsUnregulated && math.IsNaN(r.Droop.Value) && a.r > a.fromR && a.r < a.uptoR {
		mm := d.DiameterMm / (2 * d.Gear) // of the rim, per radian of the motor, with 1/(V s) as mm/s per V
		part := math.Hypot(a.ur/a.r, 0.05)
		r.DroopA = interval(a.r/a.k*mm, []float64{part * a.r / a.k * mm}, []float64{float64(a.free - 1)})
	}
}

// told is the sentences that say something.
func told(all ...string) []string {
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}

func throttlesOf(a account) string {
	if a.throttles == 1 {
		return fmt.Sprintf("a throttle of %.0f permille", 1000*a.slow)
	}
	return fmt.Sprintf("%d throttles from %.0f to %.0f permille", a.throttles, 1000*a.slow, 1000*a.fast)
}
