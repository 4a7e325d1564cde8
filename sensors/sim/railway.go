// Package sim answers "what would sensors say of these trains?": a simulated
// railway by the physics of pkg/dynamics, seen by imperfect gates and told by
// agents with imperfect clocks, over the same bus messages as hardware. What it
// is to be stands in a Scenario, with a figure for every fault. Railway is pure:
// the same scenario and seed give the same events, byte for byte, and it reads
// no clock; it knows what really happened, in the words of pkg/truth. Run plays
// one in real time.
package sim

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/truth"
	"rainhill/pkg/wire"
)

// The railway moves in steps of 20 ms.
const stepS = 0.02

// Railway is a simulated railway at one moment. Unless it keeps the truth its
// state does not grow with time. It is not for use by several goroutines at once.
type Railway struct {
	scenario Scenario
	seed     int64
	startUs  int64
	steps    int64
	keep     bool
	layout   circuit.Layout
	gates    []*gate
	trains   []*body
	agents   []*agent
	coming   []arriving // by arrival
	truth    truth.Run
	latest   float64 // instant of the latest crossing told, s
}

// New begins at startUs (microseconds since 1970) with all trains standing.
// Equal arguments give equal events.
func New(s Scenario, seed, startUs int64) *Railway {
	r := &Railway{scenario: s, seed: seed, startUs: startUs, latest: math.Inf(-1),
		truth: truth.Run{Scenario: s.Name, Seed: seed, FromUs: startUs, Incidents: []truth.Incident{}}}
	laid := pieces(s.Setup(0))
	r.layout = circuit.Lay(laid)
	track := dynamics.NewTrack(laid, 0)
	for _, g := range s.Gates {
		one := &gate{Gate: g, rng: r.chance("gate " + g.ID), jitter: s.Faults.JitterUs, agent: r.agent(g.Agent)}
		if g.JitterUs != nil {
			one.jitter = *g.JitterUs
		}
		one.falseS = one.rng.ExpFloat64() * 60 / max(s.Faults.FalsePerMinute, 1e-9)
		one.agent.health.Gates = append(one.agent.health.Gates, g.ID)
		r.gates = append(r.gates, one)
	}
	for _, t := range s.Trains {
		b := newBody(t, track, r.chance("train "+t.Trial), r.chance("locomotive "+t.Loco.ID))
		b.inside = make([]passage, len(r.gates))
		for _, g := range r.gates {
			b.marks = append(b.marks, g.marks(b))
		}
		r.trains = append(r.trains, b)
		for _, d := range t.Loco.Sets {
			a := r.agent(t.Agent)
			if !slices.Contains(a.health.Motors, d.Motor) {
				a.health.Motors = append(a.health.Motors, d.Motor)
			}
		}
	}
	return r
}

func pieces(s wire.Setup) []circuit.Piece {
	var all []circuit.Piece
	for _, p := range s.Circuit.Pieces {
		all = append(all, circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Left: p.Hand == "left"})
	}
	return all
}

// Keep has the railway keep what really happens, for Truth; its memory then
// grows with time. To be called before the first Next.
func (r *Railway) Keep() *Railway {
	r.keep = true
	return r
}

// chance is a stream of random numbers of its own for each thing, so that a
// fault more or less changes nothing else.
func (r *Railway) chance(name string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(name))
	return rand.New(rand.NewPCG(uint64(r.seed), h.Sum64()))
}

func (r *Railway) agent(id string) *agent {
	for _, a := range r.agents {
		if a.id == id {
			return a
		}
	}
	a := newAgent(r, id, r.chance("agent "+id))
	r.agents = append(r.agents, a)
	return a
}

// Setup is the definitions with the trials open from the start.
func (r *Railway) Setup() wire.Setup { return r.scenario.Setup(r.startUs) }

// us is a second of the run as an instant.
func (r *Railway) us(atS float64) int64 { return r.startUs + int64(math.Round(atS*1e6)) }

func (r *Railway) nowS() float64 { return float64(r.steps) * stepS }

// Next runs on and gives the events that arrive at the bus up to untilUs and were
// not given before, in order of arrival (bus_us). How a span is cut into calls
// changes nothing.
func (r *Railway) Next(untilUs int64) []wire.Event {
	untilS := float64(untilUs-r.startUs) / 1e6
	for r.nowS() <= untilS {
		r.step()
	}
	return r.told(untilUs)
}

// told is what has come to the bus up to an instant and was not given before.
func (r *Railway) told(untilUs int64) (told []wire.Event) {
	n := 0
	for ; n < len(r.coming) && r.us(r.coming[n].atS) <= untilUs; n++ {
		c := r.coming[n]
		c.e.BusUs = r.us(c.atS)
		r.noteLate(c)
		told = append(told, c.e)
	}
	r.coming = slices.Delete(r.coming, 0, n)
	return told
}

// noteLate counts crossings that come behind one of a later instant.
func (r *Railway) noteLate(c arriving) {
	if c.e.Kind != wire.KindCrossing || math.IsInf(c.madeS, 1) {
		return
	}
	if c.madeS < r.latest {
		r.truth.Faults.Late++
	}
	r.latest = max(r.latest, c.madeS)
}

func (r *Railway) arrive(c arriving) {
	i, _ := slices.BinarySearchFunc(r.coming, c, func(x, y arriving) int {
		if byArrival(x, y) <= 0 {
			return -1
		}
		return 1
	})
	r.coming = slices.Insert(r.coming, i, c)
}

func (r *Railway) step() {
	from, to := r.nowS(), float64(r.steps+1)*stepS
	r.steps++
	for i, b := range r.trains {
		r.move(i, b, from, to)
	}
	for _, g := range r.gates {
		r.clutter(g, to)
	}
	for _, a := range r.agents {
		r.tell(a)
		a.run(to)
	}
}

// move takes one train on by a step.
func (r *Railway) move(i int, b *body, from, to float64) {
	if !r.there(b, from) {
		return
	}
	if b.phase == lying || b.phase == off {
		b.spin(from, to-from)
		if r.steps%b.everySteps() == 0 {
			r.readMotors(b, to, dynamics.Input{})
		}
		r.advance(b, to)
		return
	}
	in := b.drive(from, to-from, r.ahead(i), r.behind(b))
	for i, obeys := range b.obeys {
		if obeys && from < r.agent(b.Agent).downUntil { // nobody is there who would drive it
			in.Duty[i] = 0
		}
	}
	fromM := b.st.FrontM
	for left := to - from; left > 1e-12; {
		var p dynamics.Span
		was := b.st
		b.st, p = b.sim.Step(b.st, in, left)
		r.see(b, p, was, to-left)
		left -= p.Seconds
	}
	if b.Battery.SwapBelow > 0 && b.st.SoC < b.Battery.SwapBelow {
		b.st.SoC = 1
	}
	r.advance(b, to)
	if b.phase == running {
		r.begin(b, to, fromM)
	}
	if r.steps%b.everySteps() == 0 {
		r.readMotors(b, to, in)
	}
}

// there is whether a train's window is open at a second. When it opens, the
// locomotive goes on from its earlier trial; when it closes, a hand takes it off.
func (r *Railway) there(b *body, atS float64) bool {
	const least = 1e-9
	if b.phase == waiting && atS > b.FromS-least {
		for _, o := range r.trains {
			if o.phase == gone && o.Loco.ID == b.Loco.ID {
				b.st.SoC, b.st.WheelM, b.zero, b.boots = o.st.SoC, o.st.WheelM, o.zero, o.boots
			}
		}
		b.phase = running
		r.appear(b, atS)
	}
	if b.phase != waiting && b.phase != gone && b.ToS > 0 && atS > b.ToS-least {
		b.stop()
		r.vanish(b, atS)
		b.phase = gone
	}
	return b.phase != waiting && b.phase != gone
}

func (r *Railway) readMotors(b *body, atS float64, in dynamics.Input) {
	a := r.agent(b.Agent)
	b.restarted(a, atS)
	b.read(a.stampUs(atS), in)
	for i, d := range b.Loco.Sets {
		n := len(b.samples[i])
		if n == 0 || n < b.Readings && !b.obeys[i] { // one that is commanded is told of at once
			continue
		}
		a.send(wire.Event{Kind: wire.KindMotor, AtUs: b.samples[i][n-1].AtUs, Motor: d.Motor, Samples: b.samples[i]}, atS+b.DelayUs/1e6)
		b.samples[i] = nil
	}
	mv := int64(math.Round(1000 * b.sim.Electric(b.st, in).BatteryV))
	a.health.BatteryMv = &mv
}

// ahead is the free track before train i's front in mm, and behind the free
// track behind its rear.
func (r *Railway) ahead(i int) float64 {
	gap := math.Inf(1)
	for k, o := range r.trains {
		if k != i && o.onTrack() {
			gap = min(gap, circuit.Ahead(r.layout.LengthMm, r.trains[i].frontMm(), o.frontMm())-o.lengthMm)
		}
	}
	return gap
}

func (r *Railway) behind(b *body) float64 {
	gap := math.Inf(1)
	for _, o := range r.trains {
		if o != b && o.onTrack() {
			gap = min(gap, circuit.Ahead(r.layout.LengthMm, o.frontMm(), b.frontMm())-b.lengthMm)
		}
	}
	return gap
}

// free reports whether a train can be set down where it shall be.
func (r *Railway) free(b *body) bool {
	const room = 200
	for _, o := range r.trains {
		if o == b || !o.onTrack() {
			continue
		}
		lap := r.layout.LengthMm
		if circuit.Ahead(lap, b.setFront, o.frontMm()) < o.lengthMm+room || circuit.Ahead(lap, o.frontMm(), b.setFront) < b.lengthMm+room {
			return false
		}
	}
	return true
}

// Truth is what really happened so far. Passages, laps and incidents are there
// when they are kept.
func (r *Railway) Truth() truth.Run {
	t := r.truth
	t.ToUs = r.us(r.nowS())
	for _, b := range r.trains {
		if b.phase == waiting {
			continue
		}
		c := b.counted
		c.DistanceMm = 1000*(b.st.FrontM-b.carriedM) - b.StartMm
		c.Sets = b.sets()
		if r.keep {
			b.sum(&c, r.layout.LengthMm/1000)
			c.Balance = b.balance(r.layout.LengthMm / 1000)
		}
		t.Trials = append(t.Trials, c)
		t.Energy = append(t.Energy, b.energy())
	}
	return t
}

// Place is where a train really is: FrontMm from the start of the lap it began
// in, not wrapped. OnTrack is false while it is off the rails.
type Place struct {
	Trial                       string
	AtUs                        int64
	FrontMm, LengthMm, SpeedMmS float64
	OnTrack                     bool
}

// Places is where every train is at the moment the railway has come to.
func (r *Railway) Places() []Place {
	var all []Place
	for _, b := range r.trains {
		all = append(all, Place{b.Trial, r.us(r.nowS()), b.frontMm(), b.lengthMm, 1000 * b.st.SpeedMS, b.onTrack()})
	}
	return all
}

// Simulate runs a scenario from its beginning to its end and tells each event in
// order of arrival, until tell returns an error, which it returns too. It gives the
// definitions with closed trials and what really happened.
func Simulate(s Scenario, seed, startUs int64, tell func(wire.Event) error) (wire.Setup, truth.Run, error) {
	r := New(s, seed, startUs).Keep()
	setup := r.Setup()
	endUs := startUs + int64(math.Round(s.Minutes*60e6))
	setup.Trials = slices.DeleteFunc(setup.Trials, func(t wire.Trial) bool { return t.FromUs >= endUs })
	for i := range setup.Trials {
		if t := &setup.Trials[i]; t.ToUs == 0 || t.ToUs > endUs {
			t.ToUs = endUs
		}
	}
	if err := setup.Check(); err != nil {
		return setup, truth.Run{}, fmt.Errorf("simulating %s: %w", s.Name, err)
	}
	const portionUs = 1_000_000
	for at := startUs; at < endUs; {
		at = min(at+portionUs, endUs)
		for _, e := range r.Next(at) {
			if err := tell(e); err != nil {
				return setup, truth.Run{}, err
			}
		}
	}
	t := r.Truth()
	t.ToUs = endUs
	return setup, t, nil
}
