package journal

import (
	"cmp"
	"encoding/json"
	"maps"
	"math"
	"slices"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/clock"
	"rainhill/pkg/wire"
)

// agent is what the health page tells of one agent, with its clock as the
// exchanges of its present boot show it.
type agent struct {
	wire.AgentHealth
	filter clock.Filter
	recent []clock.Exchange // newest last
}

// maxPoints is how many exchanges are told.
const maxPoints = 60

// agent is the health line of an agent; the caller holds mu.
func (j *Journal) agent(id string) *agent {
	a := j.agents[id]
	if a == nil {
		a = &agent{AgentHealth: wire.AgentHealth{Agent: id, Clock: wire.ClockUnknown}}
		j.agents[id] = a
	}
	return a
}

// noteHealth keeps what an accepted event says of its agent.
func (j *Journal) noteHealth(e wire.Event, busUs int64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.health.Accepted++
	if e.Agent == "" {
		return
	}
	a := j.agent(e.Agent)
	b := j.seen.Boot(e.Agent, e.Boot)
	if a.Boot != e.Boot || a.Clock == wire.ClockUnknown {
		a.newClock(e.Boot)
	}
	a.LastUs, a.Events = busUs, a.Events+1
	a.StoredSeq, a.Missing = b.Stored(), uint64(len(b.Ahead))
	switch e.Kind {
	case wire.KindHealth:
		a.Version, a.BatteryMv, a.RssiDbm, a.Gates, a.Motors = e.Version, e.BatteryMv, e.RssiDbm, e.Gates, e.Motors
	case wire.KindSync:
		a.sync(clock.Exchange{T1Us: *e.T1Us, T2Us: *e.T2Us, T3Us: *e.T3Us, T4Us: *e.T4Us}, busUs)
	}
}

// newClock forgets the clock of the boot before: an agent that starts again may
// count from anywhere.
func (a *agent) newClock(boot string) {
	a.Boot, a.Clock, a.DelayUs, a.LastSyncUs = boot, wire.ClockByArrival, nil, 0
	a.filter, a.recent = clock.Filter{}, nil
}

func (a *agent) sync(ex clock.Exchange, busUs int64) {
	a.filter = a.filter.Add(ex)
	if a.filter.Len() > 0 {
		a.Clock = wire.ClockSynced
	}
	p := point(ex, false)
	a.DelayUs, a.LastSyncUs = &p.DelayUs, busUs
	a.recent = slices.Delete(append(a.recent, ex), 0, max(0, len(a.recent)+1-maxPoints))
}

func point(ex clock.Exchange, used bool) wire.ClockPoint {
	offset, delay := clock.Offset(ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us)
	return wire.ClockPoint{AtUs: ex.T2Us, OffsetUs: offset, DelayUs: delay, Used: used}
}

// told is the agent's health with its clock as it is at nowUs, bus time.
func (a *agent) told(nowUs int64) wire.AgentHealth {
	h := a.AgentHealth
	h.Epochs, h.ClockPoints = a.filter.Epoch, a.points()
	last, ok := a.filter.At(a.filter.Line.RefUs)
	if !ok {
		if u := float64(clock.ArrivalUUs); h.Clock == wire.ClockByArrival {
			h.UOffsetUs = &u
		}
		return h
	}
	fix, _ := a.filter.At(nowUs - int64(last.OffsetUs))
	offset, drift, uDrift := int64(math.Round(fix.OffsetUs)), -fix.Skew*1e6, fix.USkew*1e6
	h.OffsetUs, h.UOffsetUs, h.DriftPpm, h.UDriftPpm = &offset, &fix.UUs, &drift, &uDrift
	return h
}

// points are the exchanges that the line rests on, and as many of the newest others
// as are told besides.
func (a *agent) points() (told []wire.ClockPoint) {
	used := map[clock.Exchange]bool{}
	for _, ex := range a.filter.Kept {
		used[ex] = true
		told = append(told, point(ex, true))
	}
	for i := len(a.recent) - 1; i >= 0 && len(told) < maxPoints; i-- {
		if !used[a.recent[i]] {
			told = append(told, point(a.recent[i], false))
		}
	}
	slices.SortStableFunc(told, func(x, y wire.ClockPoint) int { return cmp.Compare(x.AtUs, y.AtUs) })
	return told
}

func (j *Journal) answerHealth(m *nats.Msg) {
	j.mu.Lock()
	h := j.health
	h.NowUs = j.cfg.Now()
	h.Agents = []wire.AgentHealth{}
	for _, id := range slices.Sorted(maps.Keys(j.agents)) {
		h.Agents = append(h.Agents, j.agents[id].told(h.NowUs))
	}
	h.Rejects = j.rejects.newest(50)
	j.mu.Unlock()
	if b, err := json.Marshal(h); err == nil && mayReply(m.Reply) {
		_ = m.Respond(b)
	}
}
