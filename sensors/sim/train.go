package sim

import (
	"math"
	"math/rand/v2"

	"rainhill/pkg/circuit"
	"rainhill/pkg/wire"
)

// The railway moves in steps of 10 ms; motors are read every tenth step and
// five readings make a message.
const (
	stepUs     = 10_000
	stepS      = float64(stepUs) / 1e6
	readSteps  = 10
	readsInMsg = 5
	takeUpS    = 0.8  // how fast speed follows the throttle
	keepOffMm  = 900  // from here the train behind slows to the other's speed
	fadeS      = 3600 // the battery fades towards
	fadeTo     = 0.92 // this part of its speed, a lap losing a few milliseconds
	fullMv     = 8300
	pilotNotch = 0.02 // what the pilot's throttle adds or takes
	pilotFar   = 0.42 // of the lap: has fallen back, opens the throttle
	pilotNear  = 0.30 // of the lap: has come close, closes it
)

// train is one train under way. FrontMm counts on from the start of the lap it
// began in and is never wrapped.
type train struct {
	plan
	frontMm, v float64
	lap        int     // laps of frontMm, to draw anew at each
	luck       float64 // this lap's speed, as a factor
	notch      float64 // the pilot's throttle, as a factor
	sets       []set
}

// set is one driver set: how far its wheels' surface has turned.
type set struct {
	wire.DriverSet
	slip, surfaceMm float64
	readings        []wire.Sample
}

func newTrain(p plan) *train {
	t := &train{plan: p, frontMm: p.startMm, luck: 1, notch: 1}
	for i, d := range p.locomotive.DriverSets {
		t.sets = append(t.sets, set{DriverSet: d, slip: p.slips[i]})
	}
	return t
}

// step moves the train on by one step, given the gap before its front to the
// rear of the train ahead and that train's speed.
func (t *train) step(rng *rand.Rand, l circuit.Layout, runS, gapMm, aheadV float64) {
	if lap := int(t.frontMm / l.LengthMm); lap > t.lap {
		t.lap, t.luck = lap, 1+t.noise*rng.NormFloat64()
	}
	want := t.speedMmS * t.luck * t.notch * fade(runS)
	_, curve := l.OnCurve(t.frontMm - t.locomotive.LengthMm/2)
	if curve {
		want *= 1 - t.curveLoss
	}
	if gapMm < keepOffMm {
		want = min(want, aheadV*gapMm/keepOffMm)
	}
	t.v += (want - t.v) * stepS / takeUpS
	t.frontMm += t.v * stepS
	for i := range t.sets {
		s := &t.sets[i]
		slip := s.slip
		if curve {
			slip *= 1.3
		}
		s.surfaceMm += t.v * (1 + slip) * stepS
	}
}

// drive is the pilot's hand: it opens the throttle when the train has fallen
// back from the one ahead and closes it when it has come close, so that laps
// differ and nobody catches up.
func (t *train) drive(gapMm, lapMm float64) {
	switch {
	case !t.pilot:
	case gapMm > pilotFar*lapMm:
		t.notch = 1 + pilotNotch
	case gapMm < pilotNear*lapMm:
		t.notch = 1 - pilotNotch
	}
}

func fade(runS float64) float64 { return fadeTo + (1-fadeTo)*math.Exp(-runS/fadeS) }

// read takes a reading of a driver set at atUs.
func (t *train) read(rng *rand.Rand, s *set, atUs int64, runS float64, curve bool) {
	counts := int64(math.Floor(s.surfaceMm * countsPerMm(s.DriverSet)))
	current := 260 + 9*rng.NormFloat64() + 0.25*(t.speedMmS-t.v)
	if curve {
		current += 55
	}
	currentMa := int64(math.Round(current))
	voltage := int64(math.Round(t.batteryMv(runS) - 0.35*current + 4*rng.NormFloat64()))
	duty := int64(math.Round(float64(t.duty) * t.notch))
	s.readings = append(s.readings, wire.Sample{
		AtUs: atUs, Counts: &counts, CurrentMa: &currentMa, VoltageMv: &voltage, DutyPermille: &duty,
	})
}

func (t *train) batteryMv(runS float64) float64 { return fullMv * fade(runS) }
