package driving

import (
	"encoding/json"
	"maps"
	"slices"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/control"
	"rainhill/pkg/wire"
)

// motor is one that has been armed, or that the roster names.
type motor struct {
	id    string
	set   driverSet
	armed bool

	asked, ramped, off float64 // permille: asked, after the ramp, taken off by trim
	ramp               control.Ramp
	by, why            string
	duty               int64 // commanded
	saidAt             time.Time
	zerosUntil         time.Time

	factAt   time.Time // of the last fact
	factDuty int64     // that it told
	factRamp float64   // the throttle before trim that it told

	wheel      control.Track
	place      placer
	heardUs    int64  // bus time
	reported   *int64 // throttle, by the board
	reportedAt time.Time
	deafAt     time.Time
	stopWhy    string
}

func (s *service) motor(id string) *motor {
	m := s.motors[id]
	if m == nil {
		m = &motor{id: id, ramp: control.Ramp{FullS: s.limits.rampS}}
		s.motors[id], s.order = m, append(s.order, id)
	}
	return m
}

func (m *motor) arm(set driverSet) {
	if set != m.set {
		m.wheel = control.Track{}
	}
	m.set, m.armed, m.asked, m.ramped, m.off, m.stopWhy, m.reported = set, true, 0, 0, 0, "", nil
}

// readingsGoodFor is how old a reading may be for a speed to be told.
const readingsGoodFor = int64(1_000_000)

func (m *motor) state(nowUs int64) wire.DrivenMotor {
	d := wire.DrivenMotor{
		Motor: m.id, Locomotive: m.set.locomotive, Set: m.set.id, AskedPermille: int64(m.asked), DutyPermille: m.duty, HeardUs: m.heardUs, Why: m.stopWhy,
	}
	if v, ok := m.wheel.Speed(nowUs, readingsGoodFor); ok {
		d.WheelSpeedMmS = &v
	}
	return d
}

// command gives a motor its throttle, at once, and puts a change into the journal. What
// trim alone changes is put there ten times a second at most.
func (s *service) command(m *motor, duty int64, by, why string, now time.Time) {
	if duty != m.duty {
		m.duty, s.dirty = duty, true
		s.send(m, now)
	}
	if m.duty == m.factDuty {
		return
	}
	if m.ramped == m.factRamp && duty != 0 {
		if now.Sub(m.factAt) < s.limits.trimFact {
			return
		}
		why = "trim"
	}
	m.factDuty, m.factRamp, m.factAt = m.duty, m.ramped, now
	s.facts.put(m.id, m.duty, by, why, now)
}

// send says a motor's command on the bus. One that cannot go now is not kept: a command
// of a while ago is worse than none.
func (s *service) send(m *motor, now time.Time) {
	m.saidAt = now
	s.seq++
	b, err := json.Marshal(wire.Throttle{Motor: m.id, DutyPermille: m.duty, Boot: s.boot, Seq: s.seq})
	if err == nil && s.nc.IsConnected() {
		_ = s.nc.Publish(bus.Throttle(s.site, m.id), b)
	}
}

// say repeats the commands that are due: of armed motors, and of those stopped lately.
func (s *service) say(now time.Time, all bool) {
	for _, id := range s.order {
		m := s.motors[id]
		if m.armed || now.Before(m.zerosUntil) {
			if all || now.Sub(m.saidAt) >= s.limits.say-s.limits.tick/2 {
				s.send(m, now)
			}
		}
	}
}

// quieten tells every motor of the roster to stop, at the service's start. What the
// journal has as driven still, since the service was killed over it, is driven no more.
func (s *service) quieten(r roster) {
	now := time.Now()
	for _, id := range slices.Sorted(maps.Keys(r.motors)) { // in an order, in which they are told
		if m := s.motor(id); !m.armed {
			m.zerosUntil = now.Add(s.limits.zeros)
			if r.left[id] {
				s.facts.put(id, 0, "the service", "the driving service began anew: commands had ceased", now)
			}
		}
	}
	s.say(now, false)
}

// reading is what one event told of a motor, and when it came.
type reading struct {
	event wire.Event
	at    time.Time
}

// hear takes a motor's event on the bus's goroutine. One that finds the loop busy is
// left: the next comes soon.
func (s *service) hear(m *nats.Msg) {
	r := reading{at: time.Now()}
	var err error
	if r.event, err = wire.Decode(m.Data); err != nil {
		return // the journal refuses it, and says so
	}
	// An agent may speak on the subjects of its own motors only: what it says there of
	// another's is refused here as the journal refuses it.
	if _, _, source, err := bus.Split(m.Subject); err != nil || source != r.event.Motor {
		return
	}
	select {
	case s.heard <- r:
	default:
	}
}

// read takes a motor's readings in.
func (s *service) read(r reading) {
	m := s.motors[r.event.Motor]
	if m == nil || !m.armed || len(r.event.Samples) == 0 {
		return
	}
	m.heardUs = r.at.UnixMicro()
	samples := r.event.Samples
	shift := m.place.shift(r.event.Agent+"/"+r.event.Boot, samples[len(samples)-1].AtUs, s.us(r.at))
	for _, x := range samples {
		if x.DutyPermille != nil {
			m.reported, m.reportedAt = x.DutyPermille, r.at
		}
		if x.Counts == nil || m.set.mmPerCount <= 0 {
			continue
		}
		at, mm := x.AtUs+shift, float64(*x.Counts)*m.set.mmPerCount
		m.wheel.Add(at, mm)
		for _, t := range s.trims {
			t.read(m.id, at, mm)
		}
	}
}

// placer puts instants of an agent's clock on the service's steady one. A message can
// come late and never early, so the smallest difference lately is the best; it may creep
// up by 200 parts in a million, so that a slow clock is followed.
type placer struct {
	of     string
	off    int64
	seenUs int64
}

func (p *placer) shift(of string, sentUs, arrivedUs int64) int64 {
	d := arrivedUs - sentUs
	if of == p.of {
		d = min(d, p.off+(arrivedUs-p.seenUs)/5000)
	}
	p.of, p.off, p.seenUs = of, d, arrivedUs
	return d
}
