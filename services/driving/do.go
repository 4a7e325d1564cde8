package driving

import (
	"crypto/rand"
	"fmt"
	"math"
	"slices"
	"time"

	"rainhill/pkg/control"
	"rainhill/pkg/wire"
)

// do carries a request out and answers it.
func (s *service) do(a asked, now time.Time) wire.DrivingReply {
	r := wire.DrivingReply{}
	var err error
	switch a.Do {
	case wire.DriveLook:
	case wire.DriveStop:
		s.stopAll(a)
	case wire.DriveArm:
		r.Hold, r.Held, err = s.arm(a, now)
	default:
		if err = s.mine(a.Hold); err == nil {
			s.holder.heardAt = now
			err = s.drive(a, now)
		} else {
			r.Held = s.holder.by
		}
	}
	r.OK = err == nil
	if err != nil {
		r.Reason = err.Error()
	}
	if s.holder.token != "" {
		r.HoldMs = s.limits.hold.Milliseconds()
	}
	r.Driving = s.state()
	return r
}

// drive is what only the holder may.
func (s *service) drive(a asked, now time.Time) error {
	switch a.Do {
	case wire.DriveThrottle:
		return s.throttle(a, now)
	case wire.DriveTrim:
		return s.trim(a)
	case wire.DriveSweep:
		return s.sweepOff(a, now)
	case wire.DriveRelease:
		s.halt(s.holder.by, whyOr(a.Why, "released"))
	}
	return nil
}

// mine reports why a token does not hold authority.
func (s *service) mine(token string) error {
	switch {
	case token != "" && token == s.holder.token:
		return nil
	case s.lost[token] != "":
		return fmt.Errorf("you do not drive any more: %s", s.lost[token])
	case s.holder.token != "":
		return fmt.Errorf("%s drives", s.holder.by)
	}
	return fmt.Errorf("nobody drives: arm the motors first")
}

// arm gives authority over motors. Held is who has it, when that is why not.
func (s *service) arm(a asked, now time.Time) (token, held string, err error) {
	switch {
	case a.By == "":
		return "", "", fmt.Errorf("only an official may arm motors: sign in first")
	case !a.Cautions:
		return "", "", fmt.Errorf("the cautions have not been confirmed")
	case s.stopped.pressed && s.stopped.at.After(a.at):
		return "", "", fmt.Errorf("all motors were stopped while this was on its way (%s: %s)", s.stopped.by, s.stopped.why)
	case s.holder.token != "" && !a.TakeOver:
		return "", s.holder.by, fmt.Errorf("%s drives since %s; take over only when you know why", s.holder.by, time.UnixMicro(s.holder.sinceUs).Format("15:04:05"))
	case s.facts.waiting() > s.limits.unkept:
		return "", "", fmt.Errorf("the journal does not take facts, and nothing is driven without its record")
	case a.rosterE != nil:
		return "", "", fmt.Errorf("the roster could not be read: %w", a.rosterE)
	}
	for _, id := range a.Motors {
		if _, ok := a.roster.motors[id]; !ok {
			return "", "", fmt.Errorf("no locomotive of the roster has a motor %q, and no motor there has that name", id)
		}
	}
	if s.holder.token != "" {
		s.halt(a.By, a.By+" took over")
	}
	for _, id := range a.Motors {
		s.motor(id).arm(a.roster.motors[id])
	}
	s.holder = authority{token: rand.Text(), by: a.By, sinceUs: now.UnixMicro(), heardAt: now}
	s.sweep, s.tickAt, s.stepAt, s.dirty = nil, now, now, true
	return s.holder.token, "", nil
}

// stopAll ends all authority; anybody may ask for it.
func (s *service) stopAll(a asked) {
	by := a.By
	if by == "" {
		by = "somebody who is not signed in"
	}
	s.halt(by, whyOr(a.Why, "stop all"))
	s.stopped.pressed = true
}

func whyOr(why, otherwise string) string {
	if why == "" {
		return otherwise
	}
	return why
}

// halt stops every motor at once and ends authority.
func (s *service) halt(by, why string) {
	now := time.Now()
	if s.holder.token != "" {
		if len(s.lost) > 32 {
			clear(s.lost)
		}
		s.lost[s.holder.token] = why
	}
	for _, id := range s.order {
		m := s.motors[id]
		m.armed, m.asked, m.ramped = false, 0, 0
		s.command(m, 0, by, why, now)
		s.send(m, now)
		m.zerosUntil = now.Add(s.limits.zeros)
	}
	if s.sweep != nil && !s.sweep.Over {
		s.sweep.end(why)
	}
	s.trims, s.holder, s.dirty = nil, authority{}, true
	s.stopped = stop{at: now, by: by, why: why}
}

// throttle takes what each motor is to have. It ends a sweep.
func (s *service) throttle(a asked, now time.Time) error {
	for id := range a.Duties {
		if m := s.motors[id]; m == nil || !m.armed {
			return fmt.Errorf("motor %q is not armed", id)
		}
	}
	s.step(now) // what was asked before has the time until now, what is asked has none of it
	if s.sweep != nil && !s.sweep.Over {
		s.sweep.end("the throttle was taken by hand")
		for _, id := range s.sweep.Motors {
			s.motors[id].asked = s.motors[id].ramped
		}
	}
	for id, duty := range a.Duties {
		m := s.motors[id]
		m.asked, m.ramp, m.stopWhy = float64(duty), s.ramp(a.RampS), ""
		m.by, m.why = s.holder.by, whyOr(a.Why, "throttle")
	}
	s.dirty = true
	s.step(now)
	s.say(now, false)
	return nil
}

func (s *service) ramp(fullS float64) control.Ramp {
	if fullS <= 0 {
		fullS = s.limits.rampS
	}
	return control.Ramp{FullS: fullS}
}

// sweep is a throttle sweep under way, or the last one.
type sweep struct {
	wire.SweepState
	plan    control.Sweep
	startAt time.Time
}

func (w *sweep) end(why string) { w.Over, w.Ended = true, why }

// sweepOff begins a sweep, from a stand.
func (s *service) sweepOff(a asked, now time.Time) error {
	for _, id := range a.Sweep.Motors {
		m := s.motors[id]
		switch {
		case m == nil || !m.armed:
			return fmt.Errorf("motor %q is not armed", id)
		case m.asked != 0 || m.duty != 0:
			return fmt.Errorf("motor %q is driven: a sweep begins with the throttle closed", id)
		}
	}
	s.step(now)
	ask := *a.Sweep
	if ask.RampS <= 0 {
		ask.RampS = s.limits.rampS
	}
	plan := control.Sweep{From: float64(ask.FromPermille), To: float64(ask.ToPermille), Steps: ask.Steps, HoldS: ask.HoldS, RampS: ask.RampS}
	s.sweep = &sweep{SweepState: wire.SweepState{SweepAsk: ask, Step: 1, AtUs: now.UnixMicro(), TotalUs: int64(plan.TotalS() * 1e6)}, plan: plan, startAt: now}
	s.dirty = true
	return nil
}

// goOn sets what the sweep wants of its motors now.
func (s *service) goOn(now time.Time) {
	w := s.sweep
	if w == nil || w.Over {
		return
	}
	n, level, over := w.plan.At(now.Sub(w.startAt).Seconds())
	if n != w.Step {
		w.Step, w.AtUs, s.dirty = n, now.UnixMicro(), true
	}
	for _, id := range w.Motors {
		m := s.motors[id]
		m.asked, m.ramp, m.by, m.why = level, control.Ramp{FullS: w.RampS}, s.holder.by, fmt.Sprintf("sweep, step %d of %d", n, w.plan.Count())
		if over {
			m.why = "sweep, its end"
		}
	}
	if over {
		w.Over, s.dirty = true, true
	}
}

// step moves every throttle on to now by its ramp and trim.
func (s *service) step(now time.Time) {
	dtS := now.Sub(s.stepAt).Seconds()
	s.stepAt = now
	s.goOn(now)
	for _, m := range s.motors {
		if m.armed {
			m.ramped, m.off = m.ramp.Step(m.ramped, m.asked, dtS), 0
			s.obeyed(m, now)
		}
	}
	s.trims = slices.DeleteFunc(s.trims, func(t *trim) bool { return t.control.Idle() })
	for _, t := range s.trims {
		t.step(s.us(now), s.motors)
	}
	for _, id := range s.order {
		if m := s.motors[id]; m.armed {
			s.command(m, trimmed(m.ramped, m.off), m.by, m.why, now)
		}
	}
}

// trimmed is the throttle with what trim takes off, in whole permille and never above
// what was commanded.
func trimmed(ramped, off float64) int64 {
	return int64(math.Copysign(math.Floor(math.Max(0, math.Round(math.Abs(ramped)*100)/100-off)), ramped))
}

// leastDuty is a throttle that every board can make: one of 8 bits has steps of 4.
const leastDuty = 20

// obeyed closes the throttle of a motor whose board has reported none for a while: its
// agent has stopped it, and drives it again only from 0. So it is with a board that
// reported and has fallen silent: it is cut off, and stops by itself.
func (s *service) obeyed(m *motor, now time.Time) {
	driven := max(m.duty, -m.duty) >= leastDuty && m.reported != nil
	if driven && now.Sub(m.reportedAt) > s.limits.silent {
		m.close("its board is silent", fmt.Sprintf("nothing was heard of its board for %g s: it is cut off, and stops by itself. Open the throttle again when you know why", s.limits.silent.Seconds()))
		s.alone(m)
		return
	}
	if !driven || *m.reported != 0 {
		m.deafAt = time.Time{}
		return
	}
	if m.deafAt.IsZero() {
		m.deafAt = now
	}
	if now.Sub(m.deafAt) > s.limits.deaf && m.reportedAt.Sub(m.deafAt) > s.limits.deaf/2 {
		m.close("its board reports no throttle", "its board reported no throttle while one was commanded: its agent had stopped it. Open the throttle again when you know why")
		s.alone(m)
	}
}

// close closes the throttle at once; why is for the record, words for who drives.
func (m *motor) close(why, words string) {
	m.asked, m.ramped, m.deafAt, m.reported = 0, 0, time.Time{}, nil
	m.by, m.why, m.stopWhy = "the service", why, words
}

// alone closes the throttles that were to go with that of a motor that stands: of its
// locomotive, whose other motors would drag its locked wheels along, load and slip as
// if nothing had happened; and of its sweep, which is none any more.
func (s *service) alone(dead *motor) {
	swept := s.sweep != nil && !s.sweep.Over && slices.Contains(s.sweep.Motors, dead.id)
	for _, m := range s.motors {
		with := dead.set.locomotive != "" && m.set.locomotive == dead.set.locomotive || swept && slices.Contains(s.sweep.Motors, m.id)
		if m != dead && m.armed && with && (m.asked != 0 || m.duty != 0) {
			m.close("motor "+dead.id+" does not obey", "motor "+dead.id+" beside it did not obey, and a motor is not left to drag another along. Open the throttle again when you know why")
		}
	}
	if swept {
		s.sweep.end("motor " + dead.id + " did not obey")
	}
}
