package control

import (
	"fmt"
	"math"
)

// TrimConfig is how a trim works; 0 takes the default.
type TrimConfig struct {
	MostPermille float64    // it takes off at full throttle, and in proportion below: 200
	RatePermille float64    // a second, at full throttle: 250
	CountMm      [2]float64 // surface distance of one encoder count, for the uncertainty
	StaleS       float64    // readings older than this are not gone by: 0.5
	BleedS       float64    // how long it holds still before it gives its share back: 2
}

// Sides of a trim.
const (
	A = 0
	B = 1
)

// The loop, in units of the share of the throttle that is taken off. Desync answers a
// share of s by -gain x s, where gain is from 0.01 for two sets that a slow train's
// weight ties together to about 1.5 for wheels that spin free. So it is learnt on the
// way: quickly up, which calms the loop, and slowly down. All tuned on pkg/dynamics.
const (
	firstGain, leastGain, mostGain = 0.08, 0.05, 2.0

	settleS  = 0.45 // time constant of the closed loop
	leadS    = 0.15 // of the proportional part
	freshS   = 0.2  // the loop is slower by calmer times what readings are older
	calmer   = 3
	answerUs = int64(60_000)  // from a command to what the wheels make of it
	lagUs    = int64(300_000) // over which answers are compared
	spinS    = 0.6            // after a change of throttle no window is gone by: wheels spun in it
	ownS     = 0.9            // and so long desync falls by itself, which the proportional part would take for its own doing
	quietS   = 1.0            // and nothing is learnt
	tiredS   = 1.0            // desync of one sign for longer makes the loop quicker
	leastMmS = 20.0           // below it speeds are not compared

	enough     = 0.0008 // desync that is left alone
	swingLeast = 0.002
	swingUs    = int64(3_000_000)
)

// windowsUs are the windows for speeds; the shortest that is sure enough is taken.
var windowsUs = []int64{400_000, 600_000, 800_000, 1_000_000}

const sureEnough = 0.0012

// Trim holds two driver sets at one surface speed by taking throttle off the faster
// one. What it takes off is kept as a share of the throttle, so that it holds when the
// throttle changes. It never adds, and it never turns a throttle's sign.
type Trim struct {
	cfg   TrimConfig
	on    bool
	share float64 // above 0 of B's throttle, below 0 of A's
	track [2]Track

	atUs     int64 // of the last step
	asked    [2]float64
	steadyUs int64 // since when the throttle has not changed
	heldUs   int64 // since when it has held still, 0 not

	seenUs    int64   // end of the last window gone by
	err       float64 // desync there
	persistUs int64   // since when err has had its sign
	gain      float64 // as learnt
	sxx, sxy  float64 // of answers: shares squared, shares x desync
	shares    []moment
	answers   []moment
	peak      float64 // of err since its sign last changed
	swungUs   int64   // when the last swing ended
}

// moment is a share at an instant, or a desync with the share that made it.
type moment struct {
	us         int64
	share, err float64
}

// Trimmed is what a step gives. Off is what is taken off each throttle, permille, 0
// or more, at most one of them above 0. Desync is (v_B - v_A)/mean with its standard
// uncertainty, NaN when it cannot be told. Why says what keeps the trim from working;
// Saturated, that it takes off all that it may and desync is left.
type Trimmed struct {
	Off             [2]float64
	Desync, UDesync float64
	SpeedMmS        [2]float64
	Why             string
	Saturated       bool
}

// NewTrim is a trim that is off.
func NewTrim(c TrimConfig) *Trim {
	set := func(f *float64, v float64) {
		if !(*f > 0) {
			*f = v
		}
	}
	set(&c.MostPermille, 200)
	set(&c.RatePermille, 250)
	set(&c.StaleS, 0.5)
	set(&c.BleedS, 2)
	c.MostPermille = math.Min(c.MostPermille, 1000)
	return &Trim{cfg: c, gain: firstGain}
}

// Switch turns it on or off. Off, it gives back what it took at its own rate, and so
// does not jerk.
func (t *Trim) Switch(on bool) { t.on = on }

// Idle reports whether it is off and has given everything back.
func (t *Trim) Idle() bool { return !t.on && t.share == 0 }

// Read takes a reading: where the surface of a side's wheels was, mm, at an instant.
func (t *Trim) Read(side int, atUs int64, mm float64) { t.track[side].Add(atUs, mm) }

// Step goes on to nowUs, on the same clock as the readings. a and b are the commanded
// throttles.
func (t *Trim) Step(nowUs int64, a, b float64) Trimmed {
	dt := math.Min(1, math.Max(0, float64(nowUs-t.atUs)/1e6))
	if t.atUs == 0 {
		dt = 0
	}
	t.atUs = nowUs
	if math.Abs(a-t.asked[A])+math.Abs(b-t.asked[B]) > 1 {
		t.steadyUs, t.asked = nowUs, [2]float64{a, b}
	}
	out := t.measure(nowUs, a, b)
	switch {
	case !t.on:
		t.heldUs = 0
		t.move(0, dt)
	case out.Why != "":
		t.wait(nowUs, dt)
	default:
		t.heldUs = 0
		t.act(out, dt)
		out.Saturated = math.Abs(t.share) >= t.most() && left(out)*t.share > 0
	}
	t.remember(nowUs)
	return t.give(out, a, b)
}

// give is the share as permille off each throttle.
func (t *Trim) give(out Trimmed, a, b float64) Trimmed {
	out.Off = [2]float64{}
	if t.share > 0 {
		out.Off[B] = t.share * math.Abs(b)
	} else {
		out.Off[A] = -t.share * math.Abs(a)
	}
	return out
}

// wait holds still for BleedS, and then gives back what was taken in as long again.
func (t *Trim) wait(nowUs int64, dt float64) {
	if t.heldUs == 0 {
		t.heldUs = nowUs
	}
	t.seenUs, t.sxx, t.sxy, t.answers = 0, 0, 0, t.answers[:0]
	if float64(nowUs-t.heldUs)/1e6 < t.cfg.BleedS {
		return
	}
	most := t.most() / t.cfg.BleedS * dt
	t.share -= math.Max(-most, math.Min(most, t.share))
}

func (t *Trim) most() float64 { return t.cfg.MostPermille / 1000 }

// move goes towards a share within rate and authority.
func (t *Trim) move(to, dt float64) {
	most := t.cfg.RatePermille / 1000 * dt
	to = math.Max(-t.most(), math.Min(t.most(), to))
	t.share += math.Max(-most, math.Min(most, to-t.share))
}

// measure compares the speeds over the newest window that both sets have readings of.
func (t *Trim) measure(nowUs int64, a, b float64) Trimmed {
	out := Trimmed{Desync: math.NaN(), UDesync: math.NaN(), SpeedMmS: [2]float64{math.NaN(), math.NaN()}}
	end := min(t.track[A].Last(), t.track[B].Last())
	way := math.Copysign(1, a)
	switch age := float64(nowUs-end) / 1e6; {
	case end == 0:
		out.Why = "no readings of both sets have come yet"
		return out
	case age > t.cfg.StaleS:
		out.Why = fmt.Sprintf("the last reading of both sets is %.1f s old", age)
		return out
	}
	ok := false
	for _, w := range windowsUs {
		va, okA := t.track[A].speed(end-w, end)
		vb, okB := t.track[B].speed(end-w, end)
		if !okA || !okB {
			break
		}
		mean := (va + vb) / 2
		ok, out.SpeedMmS, out.Desync = true, [2]float64{va, vb}, (vb-va)/mean
		out.UDesync = math.Abs(t.uncertain(end-w, end) / mean)
		if out.UDesync <= sureEnough {
			break
		}
	}
	switch {
	case !ok:
		out.Why = "too few readings of both sets have come yet"
	case a == 0 || b == 0:
		out.Why = "no throttle is given"
	case a*b < 0:
		out.Why = "the two throttles are of opposite signs"
	case math.Min(out.SpeedMmS[A]*way, out.SpeedMmS[B]*way) < leastMmS:
		out.Why = "the wheels turn too slowly, or not as driven"
	}
	return out
}

// uncertain is the standard uncertainty of the difference of the speeds over a window,
// mm/s: places are rounded to counts, so each is uncertain by a count over the square
// root of 12, and a slope of n of them over T by that times sqrt(12/n)/T.
func (t *Trim) uncertain(fromUs, toUs int64) float64 {
	sum := 0.0
	for i := range t.track {
		u := t.cfg.CountMm[i] / (float64(toUs-fromUs) / 1e6)
		sum += u * u / math.Max(2, float64(t.track[i].count(fromUs, toUs)))
	}
	return math.Sqrt(sum)
}

// act moves the share by a proportional and integral law in its incremental form: what
// rate and authority cut off is nowhere summed up, so nothing winds up.
func (t *Trim) act(m Trimmed, dt float64) {
	end := min(t.track[A].Last(), t.track[B].Last())
	sinceS := float64(end-t.steadyUs) / 1e6
	change := 0.0
	if t.seenUs != 0 && end != t.seenUs && sinceS > ownS {
		change = m.Desync - t.err
	}
	fresh := end != t.seenUs
	if fresh {
		t.learn(end, m)
		t.seenUs, t.err = end, m.Desync
	}
	if sinceS < spinS || left(m) == 0 {
		return
	}
	lateS := math.Max(0, float64(t.atUs-end)/1e6-freshS)
	want := (m.Desync*dt + leadS*change) / ((settleS + calmer*lateS) * t.gain)
	t.move(t.share+want, dt)
}

// left is the desync that is not left alone, 0 for none.
func left(m Trimmed) float64 {
	if math.Abs(m.Desync) < math.Max(enough, 1.5*m.UDesync) {
		return 0
	}
	return m.Desync
}

// learn goes by how desync answered to the shares of its window.
func (t *Trim) learn(end int64, m Trimmed) {
	if m.Desync*t.err <= 0 || math.Abs(m.Desync) < math.Max(2*enough, 3*m.UDesync) {
		t.persistUs = end
	}
	now := moment{end, t.meanShare(end-answerUs-windowsUs[0], end-answerUs), m.Desync}
	t.answers = append(t.answers, now)
	if len(t.answers) > 32 {
		t.answers = append(t.answers[:0], t.answers[16:]...)
	}
	if float64(end-t.steadyUs)/1e6 < quietS {
		t.sxx, t.sxy, t.peak = 0, 0, 0
		return
	}
	t.swing(end, m)
	for i := len(t.answers) - 1; i >= 0; i-- {
		if then := t.answers[i]; end-then.us >= lagUs {
			t.weigh(now.share-then.share, then.err-now.err, m.UDesync)
			break
		}
	}
	if float64(end-t.persistUs)/1e6 > tiredS {
		t.gain = math.Max(leastGain, t.gain*0.95)
	}
}

// swing calms the loop when desync has gone from one side to the other and back: by
// half for each swing that is more than noise and follows another closely.
func (t *Trim) swing(end int64, m Trimmed) {
	if m.Desync*t.peak < 0 {
		if math.Abs(t.peak) > math.Max(swingLeast, 2.5*m.UDesync) {
			if end-t.swungUs < swingUs {
				t.gain = math.Min(mostGain, t.gain*1.5)
			}
			t.swungUs = end
		}
		t.peak = m.Desync
	}
	if math.Abs(m.Desync) > math.Abs(t.peak) {
		t.peak = m.Desync
	}
}

// weigh puts one answer to the others: ds of share took de off the desync.
func (t *Trim) weigh(ds, de, u float64) {
	if math.Abs(ds) < 1e-4 || math.Abs(de) > mostGain*math.Abs(ds)+3*u {
		return // no throttle did that: a slip that ended, a curve
	}
	const forget = 0.85
	t.sxx, t.sxy = forget*t.sxx+ds*ds, forget*t.sxy+ds*de
	prior := 4 * (u*u + enough*enough) / (firstGain * firstGain)
	g := (t.sxy + prior*t.gain) / (t.sxx + prior)
	switch {
	case g > t.gain:
		t.gain = math.Min(mostGain, g)
	default:
		t.gain = math.Max(leastGain, t.gain+0.1*(g-t.gain))
	}
}

// remember keeps the shares of the last seconds.
func (t *Trim) remember(nowUs int64) {
	t.shares = append(t.shares, moment{us: nowUs, share: t.share})
	if len(t.shares) > 256 {
		t.shares = append(t.shares[:0], t.shares[128:]...)
	}
}

// meanShare is the mean share over a window.
func (t *Trim) meanShare(fromUs, toUs int64) float64 {
	sum, n := 0.0, 0
	for i := len(t.shares) - 1; i >= 0 && t.shares[i].us >= fromUs; i-- {
		if t.shares[i].us <= toUs {
			sum, n = sum+t.shares[i].share, n+1
		}
	}
	if n == 0 {
		return t.share
	}
	return sum / float64(n)
}
