package pull

import "math"

// Next is the load to try next. Done says that another attempt would hardly make the
// limit surer; the load is what would tell most all the same. LoadG is 0 where
// nothing is known to begin with.
type Next struct {
	LoadG float64
	Why   string
	Done  bool
	fine  bool // of the search past the bracket: Why goes by the share that moves there
}

// Beside is the same load with words that agree with a limit told beside it, by which so large
// a share of attempts moves there.
func (n Next) Beside(share float64) Next {
	if !n.fine || math.IsNaN(share) {
		return n
	}
	n.Why = tells(share)
	if n.Done {
		n.Why = known + n.Why
	}
	return n
}

// known stands before what more there is to tell.
const known = "the limit is known as well as is worth an attempt; "

// tells is what a load is good for at which such a share of attempts moves.
func tells(share float64) string {
	switch {
	case share > 0.6:
		return "where it should mostly move: tells how much less it pulls surely"
	case share < 0.4:
		return "where it should mostly fail: tells how sharply the limit is drawn, from above"
	}
	return "where it should move about as often as not: tells where the limit lies"
}

// How the suggestion goes. Model locomotives on dry rail pull about a quarter of their
// weight (common practice, no source), so a tenth of it is a load that most move.
const (
	firstShare = 0.1     // of the locomotive's mass
	upBy       = 1.5     // while everything moves
	downBy     = 0.6     // while everything stalls
	fineShare  = 0.1     // a bracket this narrow, of its middle, is no longer halved
	stepShare  = 1. / 40 // a load is laid out in steps of about this share of it
	sure50     = 0.05    // the search is done when load50 is known to this share,
	sure95     = 0.1     // and load95
	fewest     = 8       // but not before so many attempts
	most       = 40
)

// StepOf is the step that a load is rounded to: 1, 2 or 5 times a power of ten, a
// fortieth of the load or a little less, and at least the smallest weight to hand.
func StepOf(loadG, smallestG float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(loadG*stepShare)))
	step := p
	for _, k := range []float64{2, 5} {
		if k*p <= loadG*stepShare*(1+1e-9) {
			step = k * p
		}
	}
	return max(step, smallestG)
}

// LayOut is a load in steps that a person can lay out, and never 0.
func LayOut(loadG, smallestG float64) float64 {
	step := StepOf(loadG, smallestG)
	return step * max(1, math.Round(loadG/step))
}

// Suggest is the load to try next after these attempts: up by half as much again until
// one fails, down while all fail, halving the bracket until it is a tenth wide, and from
// then on the load that adds most to what is known of limit and spread together
// (D-optimal: the determinant of their information, at what is believed of them so far). massG
// is the locomotive's mass, 0 when not known.
func Suggest(as []Attempt, massG, smallestG float64) Next {
	as = loaded(as)
	if len(as) == 0 {
		if massG <= 0 {
			return Next{Why: "nothing was tried and the locomotive's mass is not known: begin with a load that it surely moves"}
		}
		return Next{LoadG: LayOut(firstShare*massG, smallestG), Why: "a tenth of its own weight, which most locomotives move"}
	}
	ts := Count(as)
	up, down := ends(ts)
	switch {
	case math.IsInf(down, 1):
		return Next{LoadG: LayOut(up*upBy, smallestG), Why: "everything moved so far: half as much again"}
	case up == 0:
		return Next{LoadG: LayOut(down*downBy, smallestG), Why: "nothing moved so far: well below the least that failed"}
	case up < down && down-up > max(fineShare*(up+down)/2, 1.5*StepOf(up, smallestG)):
		return Next{LoadG: LayOut((up+down)/2, smallestG), Why: "half way between " + Written(up, 0) + " g, which moved, and " + Written(down, 0) + " g, which did not"}
	}
	b := believe(ts, ramp(0.6*min(up, down), 1.6*max(up, down), 60), 16, false)
	n := mostTold(ts, b, smallestG)
	n.Done = enough(len(as), b)
	if n.Done {
		n.Why = known + n.Why
	}
	return n
}

// ends are the greatest load that moved, at least with a struggle, and the least that did
// not move cleanly; 0 and infinity where there is none.
func ends(ts []Tally) (up, down float64) {
	down = math.Inf(1)
	for _, t := range ts {
		if t.Moves > 0 {
			up = max(up, t.X)
		}
		if t.Moves < t.N {
			down = min(down, t.X)
		}
	}
	return up, down
}

func enough(n int, b belief) bool {
	l50, l95 := b.interval(0), b.interval(sureLogit)
	near := func(x Interval, share float64) bool { return (x.Hi-x.Lo)/2 <= share*l50.Value }
	return n >= most || n >= fewest && near(l50, sure50) && near(l95, sure95)
}

// mostTold is the load within four spreads of the limit at which one attempt adds most to
// the determinant of the information on limit and spread.
func mostTold(ts []Tally, b belief, smallestG float64) Next {
	m := b.interval(0).Value
	r := (1 - b.interval(sureLogit).Value/m) / sureLogit
	told := func(x float64) (z, w float64) {
		z = (x - m) / (r * m)
		_, w = Logit(-z)
		return z, w
	}
	const faint = 1e-3 // so that the first attempts already have a best place
	i, j, k := faint, 0.0, faint
	for _, t := range ts {
		z, w := told(t.X)
		i, j, k = i+t.N*w, j+t.N*w*z, k+t.N*w*z*z
	}
	step := StepOf(m, smallestG)
	best, at := -1.0, LayOut(m, smallestG)
	for x := max(step, LayOut(m*(1-4*r), step)); x <= m*(1+4*r)+step; x += step {
		z, w := told(x)
		if d := (i+w)*(k+w*z*z) - (j+w*z)*(j+w*z); d > best*(1+1e-12) {
			best, at = d, x
		}
	}
	z, _ := told(at)
	share, _ := Logit(-z)
	return Next{LoadG: at, Why: tells(share), fine: true}
}
