package sim

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"rainhill/pkg/wire"
)

// How an agent asks for the time: like the real one, quickly after it has begun.
// The bus takes some microseconds to answer.
const (
	firstSyncS, quickSyncS = 0.2, 2.0
	quickSyncs             = 10
	answerS                = 40e-6
	healthS                = 5.0
)

// agent is one agent: its clock, its boots and its way to the bus.
type agent struct {
	id     string
	rng    *rand.Rand
	r      *Railway
	health wire.Event // what every report of it says
	edges  []noted

	offsetUs, drift  float64
	boots, syncs     int
	seq              uint64
	syncDue, healDue float64 // s
	restartDue       float64
	gapDue           float64
	cutUntil         float64 // events wait until then
	downUntil        float64 // restarting
	leaving          []leaving
	lastArrival      float64
}

// leaving is an event before it has its number, and when it is sent off.
type leaving struct {
	atS float64
	e   wire.Event
}

// arriving is an event on its way to the bus.
type arriving struct {
	atS, madeS float64
	e          wire.Event
}

func newAgent(r *Railway, id string, rng *rand.Rand) *agent {
	a := &agent{id: id, rng: rng, r: r, cutUntil: math.Inf(-1)}
	c, f := &r.scenario.Clocks, &r.scenario.Faults
	a.drift = a.size(c.DriftPpm) / 1e6
	a.restartDue, a.gapDue = a.next(0, f.RestartsHour), a.next(0, f.GapsHour)
	a.begin(0)
	return a
}

// size draws a size between half of most and the whole, of either sign.
func (a *agent) size(most float64) float64 {
	v := most * (0.5 + 0.5*a.rng.Float64())
	if a.rng.IntN(2) == 0 {
		return -v
	}
	return v
}

// next is when something that comes so many times an hour comes next.
func (a *agent) next(atS, perHour float64) float64 {
	if !(perHour > 0) {
		return math.Inf(1)
	}
	return atS + a.rng.ExpFloat64()*3600/perHour
}

// begin is a boot: a new clock, and numbers from 1.
func (a *agent) begin(atS float64) {
	a.offsetUs = a.size(a.r.scenario.Clocks.OffsetUs)
	a.boots++
	a.seq, a.syncs = 0, 0
	a.syncDue, a.healDue = atS+firstSyncS, atS+healthS*a.rng.Float64()
	if c := &a.r.scenario.Clocks; !(c.SyncS > 0) || slices.Contains(c.NeverSync, a.id) {
		a.syncDue = math.Inf(1)
	}
}

// clockUs is what the agent's clock shows, in microseconds since the start.
func (a *agent) clockUs(atS float64) float64 { return atS*1e6*(1+a.drift) + a.offsetUs }

// stampUs is that as an instant on the wire.
func (a *agent) stampUs(atS float64) int64 {
	return a.r.startUs + int64(math.Round(a.clockUs(atS)))
}

// send hands an event over to be numbered and sent at a second.
func (a *agent) send(e wire.Event, atS float64) {
	e.Agent = a.id
	i, _ := slices.BinarySearchFunc(a.leaving, atS, func(l leaving, s float64) int {
		if l.atS <= s {
			return -1
		}
		return 1
	})
	a.leaving = slices.Insert(a.leaving, i, leaving{atS, e})
}

// run does what the agent does until untilS.
func (a *agent) run(untilS float64) {
	f := &a.r.scenario.Faults
	for a.syncDue < untilS {
		a.sync()
	}
	for ; a.healDue < untilS; a.healDue += healthS {
		e := a.health
		e.Kind, e.AtUs, e.Version, e.Detail = wire.KindHealth, a.stampUs(a.healDue), "sim", json.RawMessage(`{"simulated":true}`)
		a.send(e, a.healDue)
	}
	if a.gapDue < untilS {
		a.r.truth.Faults.Gaps++
		a.cutUntil = a.gapDue + f.GapS*(0.5+0.5*a.rng.Float64())
		a.gapDue = a.next(a.cutUntil, f.GapsHour)
	}
	a.leave(min(untilS, a.restartDue))
	if a.restartDue < untilS {
		a.restart()
	}
}

// restart is a time of silence and a new boot; what would have been told in it
// is lost.
func (a *agent) restart() {
	f := &a.r.scenario.Faults
	a.r.truth.Faults.Restarts++
	up := a.restartDue + f.RestartS*(0.5+a.rng.Float64())
	a.restartDue = a.next(up, f.RestartsHour)
	a.begin(up)
	a.silentUntil(up)
}

// silentUntil drops what is sent off before upS, now and later.
func (a *agent) silentUntil(upS float64) {
	a.downUntil = upS
	a.leaving = slices.DeleteFunc(a.leaving, func(l leaving) bool { return a.lost(l) })
}

func (a *agent) lost(l leaving) bool {
	if l.atS >= a.downUntil {
		return false
	}
	if l.e.Kind == wire.KindCrossing {
		a.r.truth.Faults.Silent++
	}
	return true
}

// leave numbers what is sent off before untilS and puts it on its way.
func (a *agent) leave(untilS float64) {
	f := &a.r.scenario.Faults
	n := 0
	for ; n < len(a.leaving) && a.leaving[n].atS < untilS; n++ {
		l := a.leaving[n]
		if a.lost(l) {
			continue
		}
		a.seq++
		seq := a.seq
		l.e.Boot, l.e.Seq = fmt.Sprintf("sim-%d-%d-%d", a.r.startUs, a.r.seed, a.boots), &seq
		if l.e.Kind == wire.KindCrossing {
			a.r.truth.Faults.Crossings++
		}
		at := a.arrival(l.atS)
		a.r.arrive(arriving{at, l.atS, l.e})
		if a.rng.Float64() < f.Copies {
			a.r.truth.Faults.Copies++
			a.r.arrive(arriving{at + a.rng.Float64()*f.CopyUs/1e6, math.Inf(1), l.e})
		}
	}
	a.leaving = slices.Delete(a.leaving, 0, n)
}

// arrival is when what is sent off at a second comes to the bus: in order, but
// for what Disorder holds up by itself.
func (a *agent) arrival(atS float64) float64 {
	f := &a.r.scenario.Faults
	at := max(atS, a.lastArrival, a.cutOff(atS)) + a.way()
	if f.Disorder > 0 && a.rng.Float64() < f.Disorder {
		return at + a.rng.Float64()*f.DisorderUs/1e6
	}
	a.lastArrival = at - a.r.scenario.Clocks.DelayUs/1e6
	return at
}

func (a *agent) cutOff(atS float64) float64 {
	if atS < a.cutUntil {
		return a.cutUntil
	}
	return atS
}

// way is how long a message takes to the bus or back, in seconds.
func (a *agent) way() float64 {
	c := &a.r.scenario.Clocks
	us := c.DelayUs + c.QueueUs*a.rng.ExpFloat64()
	if c.Spikes > 0 && a.rng.Float64() < c.Spikes {
		us += c.SpikeUs * a.rng.Float64()
	}
	return us / 1e6
}

// sync is a clock exchange. While the agent is cut off there is none.
func (a *agent) sync() {
	at := a.syncDue
	a.syncs++
	a.syncDue += quickSyncS
	if a.syncs > quickSyncs {
		a.syncDue = at + a.r.scenario.Clocks.SyncS
	}
	if at < a.cutUntil {
		return
	}
	there := at + a.way()
	back := there + answerS + a.way()
	bus := func(s float64) int64 { return a.r.startUs + int64(math.Round(s*1e6)) }
	t1, t2, t3, t4 := a.stampUs(at), bus(there), bus(there+answerS), a.stampUs(back)
	a.send(wire.Event{Kind: wire.KindSync, AtUs: t4, T1Us: &t1, T2Us: &t2, T3Us: &t3, T4Us: &t4}, back)
}

// byArrival orders what is on its way.
func byArrival(x, y arriving) int { return cmp.Compare(x.atS, y.atS) }
