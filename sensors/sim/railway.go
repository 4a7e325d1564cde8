package sim

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"rainhill/pkg/circuit"
	"rainhill/pkg/wire"
)

// jitterUs is the standard uncertainty that a gate reports, and has; a draw is
// never more than 8 ms out.
const jitterUs = 1000

// settleUs is how far the railway runs ahead of what it has told, so that
// jitter cannot put two events out of order.
const settleUs = 20_000

// every agent reports a clock exchange and its health this often.
const reportUs = 5_000_000

// Railway is the simulated railway at one moment. Its state does not grow with
// time. It is not for use by several goroutines at once.
type Railway struct {
	startUs, atUs int64
	steps         int64
	boot          string
	rng           *rand.Rand
	layout        circuit.Layout
	gates         []wire.Gate
	trains        []*train
	seqs          map[string]uint64
	waiting       []wire.Event // not told yet, in order of making
}

// New begins at startUs (microseconds since 1970, also the boot of its agents)
// with both trains standing. The same arguments give the same events.
func New(seed, startUs int64) *Railway {
	s := Setup()
	r := &Railway{
		startUs: startUs, atUs: startUs, boot: fmt.Sprintf("sim-%d-%d", startUs, seed),
		rng: rand.New(rand.NewPCG(uint64(seed), 0x7261696e68696c6c)), layout: layout(), gates: s.Gates, seqs: map[string]uint64{},
	}
	for _, p := range plans() {
		r.trains = append(r.trains, newTrain(p))
	}
	return r
}

// Setup is the definitions with the trials open from the start.
func (r *Railway) Setup() wire.Setup {
	s := Setup()
	for i := range s.Trials {
		s.Trials[i].FromUs = r.startUs
	}
	return s
}

// Truth is where a train really is: FrontMm from the start of the lap that it
// began in, not wrapped.
type Truth struct {
	Tag                         string
	AtUs                        int64
	FrontMm, LengthMm, SpeedMmS float64
}

// Truth is the state of each train at the instant the railway has come to.
func (r *Railway) Truth() []Truth {
	var all []Truth
	for _, t := range r.trains {
		all = append(all, Truth{t.tag, r.atUs, t.frontMm, t.lengthMm(), t.v})
	}
	return all
}

// Next runs on and gives the events with instants up to untilUs that were not
// given before, in order of time, agent, boot and seq set. How a span is cut into
// calls changes nothing.
func (r *Railway) Next(untilUs int64) []wire.Event {
	for r.atUs < untilUs+settleUs {
		r.step()
	}
	slices.SortStableFunc(r.waiting, func(a, b wire.Event) int { return cmp.Compare(a.AtUs, b.AtUs) })
	n := 0
	for n < len(r.waiting) && r.waiting[n].AtUs <= untilUs {
		n++
	}
	told := slices.Clone(r.waiting[:n])
	r.waiting = slices.Delete(r.waiting, 0, n)
	for i := range told {
		r.seqs[told[i].Agent]++
		seq := r.seqs[told[i].Agent]
		told[i].Boot, told[i].Seq = r.boot, &seq
	}
	return told
}

func (r *Railway) step() {
	runS := float64(r.atUs-r.startUs) / 1e6
	before := make([]float64, len(r.trains))
	for i, t := range r.trains {
		before[i] = t.frontMm
		gap, aheadV := r.ahead(i)
		t.drive(gap, r.layout.LengthMm)
		t.step(r.rng, r.layout, runS, gap, aheadV)
	}
	for i, t := range r.trains {
		r.cross(t, before[i])
	}
	r.atUs += stepUs
	r.steps++
	if r.steps%readSteps == 0 {
		r.read(runS)
	}
	if (r.atUs-r.startUs)%reportUs == 0 {
		r.report(runS)
	}
}

// ahead is the free track before train i's front, and the speed of the train there.
func (r *Railway) ahead(i int) (gapMm, v float64) {
	gapMm = math.Inf(1)
	for k, o := range r.trains {
		if k == i {
			continue
		}
		gap := circuit.Ahead(r.layout.LengthMm, r.trains[i].frontMm, o.frontMm) - o.lengthMm()
		if gap < gapMm {
			gapMm, v = gap, o.v
		}
	}
	return max(gapMm, 0), v
}

// cross reports the gates that the front entered and the rear left in this
// step; speed is even within a step, so the instant is exact before jitter.
func (r *Railway) cross(t *train, fromMm float64) {
	for _, g := range r.gates {
		for _, end := range []struct {
			edge string
			back float64
		}{{wire.EdgeEnter, 0}, {wire.EdgeLeave, t.lengthMm()}} {
			from, to := fromMm-end.back-g.PositionMm, t.frontMm-end.back-g.PositionMm
			laps := math.Floor(to / r.layout.LengthMm)
			if laps == math.Floor(from/r.layout.LengthMm) {
				continue
			}
			part := (laps*r.layout.LengthMm - from) / (to - from)
			r.crossing(t, g.ID, end.edge, float64(r.atUs)+part*stepUs)
		}
	}
}

func (r *Railway) crossing(t *train, gate, edge string, trueUs float64) {
	jitter := min(max(r.rng.NormFloat64()*jitterUs, -8*jitterUs), 8*jitterUs)
	u := float64(jitterUs)
	r.waiting = append(r.waiting, wire.Event{
		Kind: wire.KindCrossing, Agent: "sim-" + gate, AtUs: int64(math.Round(trueUs + jitter)),
		Gate: gate, Edge: edge, Tag: t.tag, UUs: &u,
	})
}

// read reads every driver set and sends off what is enough for a message.
func (r *Railway) read(runS float64) {
	for _, t := range r.trains {
		_, curve := r.layout.OnCurve(t.frontMm - t.locomotive.LengthMm/2)
		for i := range t.sets {
			s := &t.sets[i]
			t.read(r.rng, s, r.atUs, runS, curve)
			if len(s.readings) < readsInMsg {
				continue
			}
			r.waiting = append(r.waiting, wire.Event{
				Kind: wire.KindMotor, Agent: t.agent, AtUs: r.atUs, Motor: s.Motor, Samples: s.readings,
			})
			s.readings = nil
		}
	}
}

// report makes a clock exchange and a health report of every agent. All clocks
// are right; the way takes some hundred microseconds and is not even.
func (r *Railway) report(runS float64) {
	for _, g := range r.gates {
		r.reportOf(wire.Event{Agent: "sim-" + g.ID, Gates: []string{g.ID}})
	}
	for _, t := range r.trains {
		battery := int64(math.Round(t.batteryMv(runS)))
		e := wire.Event{Agent: t.agent, BatteryMv: &battery}
		for _, s := range t.sets {
			e.Motors = append(e.Motors, s.Motor)
		}
		r.reportOf(e)
	}
}

func (r *Railway) reportOf(health wire.Event) {
	t1 := r.atUs
	t2 := t1 + 200 + r.rng.Int64N(400)
	t3 := t2 + 40
	t4 := t3 + 200 + r.rng.Int64N(400)
	r.waiting = append(r.waiting, wire.Event{
		Kind: wire.KindSync, Agent: health.Agent, AtUs: t4, T1Us: &t1, T2Us: &t2, T3Us: &t3, T4Us: &t4,
	})
	health.Kind, health.AtUs, health.Version = wire.KindHealth, t4, "sim"
	health.Detail = json.RawMessage(`{"simulated":true}`)
	r.waiting = append(r.waiting, health)
}
