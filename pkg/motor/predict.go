package motor

import (
	"errors"
	"fmt"
	"math"
)

// Motor is a motor of a configuration, with the covariance of its constants in the
// order of Constants.
type Motor struct {
	ID string
	Constants
	Covariance [3][3]float64
}

// Drive is a driver set: Gear in motor turns per wheel turn, the efficiency of its gears,
// the weight on its wheels in N, and Adhesion, the greatest tractive effort over that
// weight. Creep is that of pkg/dynamics: slip is Creep x atanh(effort over greatest
// effort); 0 leaves slip out while the tyres hold.
type Drive struct {
	Set                                          string
	Motor                                        Motor
	Gear                                         float64
	WheelM, Efficiency, WeightN, Adhesion, Creep Input
}

// Body is the locomotive or what it draws, and its resistance per mass: a + b v + c v2,
// and Arc more on arcs. Terms that were measured together have a Covariance, in that order:
// they are then drawn together, under the Key of A, and their own U do not count. What one
// is too high another is too low, so that the resistance is surer than its terms.
type Body struct {
	MassKg, A, B, C, Arc Input
	Covariance           *[4][4]float64
}

// Config is a train on a circuit, on one supply of VoltV without load behind
// InnerOhm. Scatter is the standard deviation of a single lap's speed, as a part.
type Config struct {
	Sets            []Drive
	Bodies          []Body
	LapM            Input
	Lap             Lap
	VoltV, InnerOhm Input
	Scatter         float64
	Trial           *Trial // when not nil, a is inferred from it
}

// Trial is a run that tells of the resistance: a train (without Trial of its own), the
// throttle, its mean speed over whole laps and, where meters told, the mean current of each
// set. What the effort was beyond b, c and arcs is a, of locomotive and cars alike.
// With currents the effort is K (I - I0) of each; without, it is that of the
// motors at that speed.
type Trial struct {
	Config  Config
	Duty    float64
	SpeedMS Input
	AmpsA   []Input
}

// Options say what is asked: Duty, the throttle of the figures, Duties those of the table;
// Draws and Seed of the Monte Carlo (JCGM 101 in spirit: distributions of the inputs go
// through the model, intervals are between quantiles; draws are stratified), Table how
// many of the draws the table gets (0: all).
type Options struct {
	Duty         float64
	Duties       []float64
	Draws, Table int
	Seed         uint64
}

// table is how many draws the table gets.
func (o Options) table() int {
	if o.Table > 0 {
		return min(o.Table, o.Draws)
	}
	return o.Draws
}

// Prediction is what a configuration should do, with 95 % prediction intervals.
type Prediction struct {
	SpeedMS, LapS, PullN Interval
	Adhesion             bool // limits the pull, more than the motors do
	Sets                 []SetPrediction
	At                   []AtDuty
}

// SetPrediction is one driver set at the predicted speed. Slip is NaN where creep is not
// known and the wheels do not spin.
type SetPrediction struct {
	AmpsA, ForceN, Slip, StallN Interval
	Adhesion                    bool
}

// AtDuty is the prediction at one throttle. Desync is of the first two sets, each
// drawing its even share alone; NaN with fewer.
type AtDuty struct {
	Duty        float64
	SpeedMS     Interval
	LapS, PullN float64
	Adhesion    bool
	Desync      Interval
}

// ErrInputs is a configuration that nothing can be said of.
var ErrInputs = errors.New("cannot be predicted")

func (c Config) check() error {
	var mass float64
	for _, b := range c.Bodies {
		mass += b.MassKg.Value
	}
	switch {
	case len(c.Sets) == 0 || len(c.Sets) > MaxSets:
		return fmt.Errorf("%w: %d driver sets, want 1 to %d", ErrInputs, len(c.Sets), MaxSets)
	case !(mass > 0):
		return fmt.Errorf("%w: the train has no mass", ErrInputs)
	case !(c.VoltV.Value > 0):
		return fmt.Errorf("%w: the supply has no voltage", ErrInputs)
	case !(c.LapM.Value > 0):
		return fmt.Errorf("%w: the lap has no length", ErrInputs)
	}
	for _, s := range c.Sets {
		if !(s.Gear > 0 && s.WheelM.Value > 0 && s.Efficiency.Value > 0 && s.Motor.ROhm > 0 && s.Motor.KVS > 0 && s.Motor.I0A >= 0 && s.WeightN.Value > 0 && s.Adhesion.Value > 0) {
			return fmt.Errorf("%w: driver set %s: gear, wheel, efficiency, weight, adhesion and the motor's constants have to be above 0", ErrInputs, s.Set)
		}
	}
	return nil
}

// point draws configuration k.
func (c Config) point(d *dice, k int) point {
	p := point{volt: d.draw(c.VoltV, k), inner: d.draw(c.InnerOhm, k), lapM: d.draw(c.LapM, k)}
	for _, s := range c.Sets {
		p.sets = append(p.sets, wheels{
			Constants: d.constants(s.Motor, k), turn: 2 * s.Gear / d.draw(s.WheelM, k), eff: max(d.draw(s.Efficiency, k), 0.02),
			grip: d.draw(s.WeightN, k) * d.draw(s.Adhesion, k), creep: d.draw(s.Creep, k),
		})
	}
	for _, b := range c.Bodies {
		m, r := d.draw(b.MassKg, k), d.resistance(b, k)
		p.massKg += m
		p.a, p.b, p.c, p.arc = p.a+m*r[0], p.b+m*r[1], p.c+m*r[2], p.arc+m*r[3]
	}
	if c.Trial != nil {
		p.a = p.massKg * c.Trial.dry(d, k)
	}
	return p
}

// dry is the a of resistance that the trial tells of, m/s2; not below a tenth of the
// whole, which b and c may have been taken too large for.
func (t *Trial) dry(d *dice, k int) float64 {
	p := t.Config.point(d, k)
	v := d.draw(t.SpeedMS, k)
	pull := 0.0
	for i, w := range p.sets {
		if t.AmpsA != nil {
			pull += w.effort(d.draw(t.AmpsA[i], k))
		}
	}
	if t.AmpsA == nil {
		pull = p.at(t.Duty, v).pull
	}
	a := (pull - (p.b*v + p.c*v*v + p.arc*t.Config.Lap.Mean)) / p.massKg
	return max(a, pull/p.massKg/10, 0)
}

// Told is the a that the trial tells of, with its uncertainty.
func (t *Trial) Told(o Options) Interval {
	d := newDice(o.Draws, o.Seed)
	all := make([]float64, o.Draws)
	for k := range all {
		all[k] = t.dry(d, k)
	}
	return quantiles(t.dry(d, -1), all)
}

// Predict says what a configuration should do.
func Predict(c Config, o Options) (Prediction, error) {
	s, err := draw(c, o)
	if err != nil {
		return Prediction{}, err
	}
	return s.sum(c, o), nil
}

// Difference is variant less base, what both have in common cancelling.
type Difference struct {
	SpeedMS, LapS, PullN Interval
	At                   []Interval // of the speeds, by Options.Duties
}

// Against predicts a base and a variant of it from the same draws.
func Against(base, variant Config, o Options) (b, v Prediction, diff Difference, err error) {
	sb, err := draw(base, o)
	if err != nil {
		return b, v, diff, err
	}
	sv, err := draw(variant, o)
	if err != nil {
		return b, v, diff, err
	}
	diff = Difference{SpeedMS: less(sv.speed, sb.speed), LapS: less(sv.lap, sb.lap), PullN: less(sv.pull, sb.pull)}
	for i := range o.Duties {
		diff.At = append(diff.At, less(sv.at[i].speed, sb.at[i].speed))
	}
	return sb.sum(base, o), sv.sum(variant, o), diff, nil
}

// series is a figure at the best inputs, and in every draw.
type series struct {
	best  float64
	draws []float64
}

func newSeries(n int) series { return series{math.NaN(), make([]float64, n)} }

func (s *series) put(k int, v float64) {
	if math.IsInf(v, 0) {
		v = math.NaN()
	}
	if k < 0 {
		s.best = v
		return
	}
	s.draws[k] = v
}

func (s series) interval() Interval { return quantiles(s.best, s.draws) }

func less(a, b series) Interval {
	out := newSeries(len(a.draws))
	out.best = a.best - b.best
	for k := range out.draws {
		out.draws[k] = a.draws[k] - b.draws[k]
	}
	return out.interval()
}

// sample is all that the draws came to.
type sample struct {
	speed, lap, pull series
	adhesion         bool
	sets             []setSample
	at               []atSample
	dice             *dice
}

type setSample struct {
	amps, force, slip, stall series
	adhesion                 bool
}

type atSample struct {
	speed, desync series
	lap, pull     float64
	adhesion      bool
}

func draw(c Config, o Options) (*sample, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if c.Trial != nil {
		if err := c.Trial.Config.check(); err != nil {
			return nil, fmt.Errorf("the trial that tells of the resistance: %w", err)
		}
	}
	n := o.Draws
	s := &sample{speed: newSeries(n), lap: newSeries(n), pull: newSeries(n), dice: newDice(n, o.Seed)}
	for range c.Sets {
		s.sets = append(s.sets, setSample{amps: newSeries(n), force: newSeries(n), slip: newSeries(n), stall: newSeries(n)})
	}
	for range o.Duties {
		s.at = append(s.at, atSample{speed: newSeries(o.table()), desync: newSeries(o.table())})
	}
	for k := -1; k < n; k++ {
		s.one(c, o, k)
	}
	return s, nil
}

// one works draw k out.
func (s *sample) one(c Config, o Options, k int) {
	p := c.point(s.dice, k)
	pace := p.round(o.Duty, c.Lap)
	v := 1 / pace
	s.speed.put(k, v)
	s.lap.put(k, p.lapM*pace)
	held, adhesion := p.standing(o.Duty)
	s.pull.put(k, held.pull)
	now := p.at(o.Duty, v)
	for i := range s.sets {
		x := &s.sets[i]
		x.amps.put(k, now.amps[i])
		x.force.put(k, now.force[i])
		x.stall.put(k, held.force[i])
		slip := math.NaN()
		if v > 0 && (c.Sets[i].Creep.Value > 0 || now.spins[i]) {
			slip = (now.surface[i] - v) / v
		}
		x.slip.put(k, slip)
		if k < 0 {
			x.adhesion = held.spins[i]
		}
	}
	if k < 0 {
		s.adhesion = adhesion
	}
	for j, duty := range o.Duties {
		if k < o.table() {
			s.at[j].one(p, c.Lap, duty, k)
		}
	}
}

func (a *atSample) one(p point, lap Lap, duty float64, k int) {
	pace := p.round(duty, lap)
	a.speed.put(k, 1/pace)
	a.desync.put(k, apart(p, lap, duty))
	if k < 0 {
		held, adhesion := p.standing(duty)
		a.lap, a.pull, a.adhesion = p.lapM*pace, held.pull, adhesion
	}
}

// apart is the desync of the first two sets, (b - a)/mean, each drawing its even share
// of the train alone; NaN where there is no second, or one of them stands.
func apart(p point, lap Lap, duty float64) float64 {
	if len(p.sets) < 2 {
		return math.NaN()
	}
	return desync(p.alone(0).balance(duty, lap.Mean), p.alone(1).balance(duty, lap.Mean))
}

// sum makes intervals of the draws; the scatter of single laps comes on top.
func (s *sample) sum(c Config, o Options) Prediction {
	speed, lap := s.speed.scattered(s.dice, c.Scatter, 1), s.lap.scattered(s.dice, c.Scatter, -1)
	p := Prediction{SpeedMS: speed.interval(), LapS: lap.interval(), PullN: s.pull.interval(), Adhesion: s.adhesion}
	for _, x := range s.sets {
		p.Sets = append(p.Sets, SetPrediction{x.amps.interval(), x.force.interval(), x.slip.interval(), x.stall.interval(), x.adhesion})
	}
	for j, duty := range o.Duties {
		x := s.at[j]
		p.At = append(p.At, AtDuty{duty, x.speed.scattered(s.dice, c.Scatter, 1).interval(), x.lap, x.pull, x.adhesion, x.desync.interval()})
	}
	return p
}

// scattered adds the scatter of single laps: of speeds with power 1, of times with -1.
func (s series) scattered(d *dice, part, power float64) series {
	if !(part > 0) {
		return s
	}
	out, z := newSeries(len(s.draws)), d.normals("lap to lap")
	out.best = s.best
	for k, v := range s.draws {
		out.draws[k] = v * math.Exp(power*part*z[k])
	}
	return out
}
