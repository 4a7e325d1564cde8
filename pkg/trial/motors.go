package trial

import (
	"math"

	"rainhill/pkg/circuit"
	"rainhill/pkg/laps"
	"rainhill/pkg/traction"
	"rainhill/pkg/wire"
)

// besideUs is how far apart the readings of two motors may lie whose speeds are
// compared.
const besideUs = int64(300_000)

// motor takes a message of readings, and tells the roll of each.
func (s *State) motor(e wire.Event, c *Changes) {
	if !s.open() {
		return
	}
	b := s.Book
	m := b.Motors[e.Motor]
	if m == nil {
		m = &traction.Track{}
		b.Motors[e.Motor] = m
	}
	loco, d := s.setOf(e.Motor)
	first, other := s.firstSet(loco, e.Motor)
	untilUs := m.LastUs()
	for _, x := range e.Samples {
		at := s.stamp(e, x.AtUs).AtUs
		v := wire.MotorVerdict{
			Motor: e.Motor, Locomotive: loco, Set: d.ID, AtUs: at,
			DutyPermille: x.DutyPermille, CurrentMa: x.CurrentMa, VoltageMv: x.VoltageMv,
		}
		if x.Counts != nil {
			m.Add(traction.Reading{AtUs: at, Counts: *x.Counts, DutyPermille: x.DutyPermille, CurrentMa: x.CurrentMa, VoltMv: x.VoltageMv})
			speedOf(&v, m, d)
		}
		if other != nil && v.WheelSpeedMmS != nil {
			s.beside(&v, d, first, other)
		}
		c.Motors = append(c.Motors, v)
	}
	s.late(e.Motor, m, untilUs, c)
	s.stands(e.Motor, m, c)
}

// speedOf tells the wheel speed at the last reading, forward as the train runs its
// way: a counter that falls meanwhile is turned round.
func speedOf(v *wire.MotorVerdict, m *traction.Track, d wire.DriverSet) {
	per := mmPerCountOf(d)
	l, ok := m.Now()
	if !ok || per == 0 {
		return
	}
	if m.Back {
		l.Rate = -l.Rate
	}
	v.WheelSpeedMmS, v.UWheelMmS = num(l.Rate*per), num(l.URate*per)
}

// beside tells the desync against the locomotive's first set at the same instant, unless
// nothing can be told of it yet.
func (s *State) beside(v *wire.MotorVerdict, d, first wire.DriverSet, other *traction.Track) {
	l, ok := other.AsOf(v.AtUs)
	if n := len(other.AtUs); !ok && n > 0 && max(v.AtUs-other.AtUs[n-1], other.AtUs[n-1]-v.AtUs) <= besideUs {
		l, ok = other.Now()
	}
	per := mmPerCountOf(first)
	if !ok || per == 0 {
		return
	}
	a, b := math.Abs(l.Rate*per), math.Abs(*v.WheelSpeedMmS)
	desync, u := traction.DesyncOf(a, l.URate*per, b, *v.UWheelMmS)
	if math.IsNaN(desync) || u > vagueDesync { // they stand, or begin to move
		return
	}
	v.Desync, v.UDesync = num(desync), num(math.Hypot(u, pairU(first, d)))
}

// vagueDesync is the standard uncertainty from which on a desync is none that anybody could
// go by (common practice, no source).
const vagueDesync = 0.05

// setOf finds which locomotive and driver set a motor turns.
func (s *State) setOf(motor string) (loco string, set wire.DriverSet) {
	for _, t := range s.Book.Trials {
		for _, d := range s.Book.Locomotives[t.Trial.Locomotive].DriverSets {
			if d.Motor == motor && t.Trial.ToUs == 0 {
				return t.Trial.Locomotive, d
			}
		}
	}
	for _, id := range sorted(s.Locomotives) {
		for _, d := range s.Locomotives[id].DriverSets {
			if d.Motor == motor {
				return id, d
			}
		}
	}
	return "", wire.DriverSet{}
}

// firstSet is the first driver set of a locomotive with what is known of its motor;
// nil when that is the motor asked for, or there is none.
func (s *State) firstSet(loco, motor string) (wire.DriverSet, *traction.Track) {
	l, ok := s.Book.Locomotives[loco]
	if !ok {
		l = s.Locomotives[loco]
	}
	for _, d := range l.DriverSets {
		if !measuring(d) {
			if d.Motor == motor {
				return d, nil
			}
			return d, s.Book.Motors[d.Motor]
		}
	}
	return wire.DriverSet{}, nil
}

// mmPerCountOf is the surface distance of one count, 0 unknown.
func mmPerCountOf(d wire.DriverSet) float64 {
	return traction.MmPerCount(d.WheelDiameterMm, d.GearRatio, d.CountsPerRev)
}

// slipNow adds to readings for the roll the slip of the last whole stretch between
// two passages that the trial has seen, final or not. A wheel that stands has none, nor
// has one whose train has come to no gate for long.
func (s *State) slipNow(list []wire.MotorVerdict) {
	if s.Book == nil || len(list) == 0 {
		return
	}
	known := map[string]lately{}
	for i := range list {
		v := &list[i]
		x, ok := known[v.Motor]
		if !ok {
			x = s.lastSlip(v.Locomotive, v.Motor)
			known[v.Motor] = x
		}
		if x.value != nil && turns(v) && v.AtUs <= x.untilUs {
			v.Slip, v.USlip = x.value, x.u
		}
	}
}

// turns is whether a wheel is seen to turn.
func turns(v *wire.MotorVerdict) bool {
	return v.WheelSpeedMmS != nil && v.UWheelMmS != nil && math.Abs(*v.WheelSpeedMmS) > math.Max(3*(*v.UWheelMmS), leastTurnMmS)
}

// leastTurnMmS is the speed below which a wheel is taken to stand.
const leastTurnMmS = 2.0

// lately is the slip of the last stretch, and until when it may be told as that of now.
type lately struct {
	value, u *float64
	untilUs  int64
}

// staleAfter is for how many times as long as a stretch took its slip is told.
const staleAfter = 3

func (s *State) lastSlip(loco, motor string) (x lately) {
	m := s.Book.Motors[motor]
	length := lapLength(s.Book.ruled().Circuit)
	for _, t := range s.Book.Trials {
		if t.Closed || t.Gone || t.Trial.ToUs != 0 || t.Trial.Locomotive != loco || m == nil {
			continue
		}
		for _, d := range s.Book.Locomotives[loco].DriverSets {
			if d.Motor != motor || mmPerCountOf(d) == 0 || measuring(d) {
				continue
			}
			points := t.Points[max(0, len(t.Points)-4):]
			points = append(points[:len(points):len(points)], s.tailOf(t).points...)
			for k := len(points) - 1; k > 0 && k >= len(points)-3; k-- {
				a, b := points[k-1], points[k]
				if a.Reverse || b.Reverse || a.Inferred || b.Inferred {
					continue
				}
				if turned, ok := m.Between(a.AtUs, b.AtUs); ok {
					x.value, x.u = s.slipBetween(a, b, turned, d, length, t.Trial.Direction == "reverse")
					x.untilUs = b.AtUs + staleAfter*(b.AtUs-a.AtUs)
					return x
				}
			}
		}
	}
	return x
}

func (s *State) slipBetween(a, b laps.Point, x traction.Stretch, d wire.DriverSet, lapMm float64, backwards bool) (value, u *float64) {
	from, to := a.PositionMm, b.PositionMm
	if backwards {
		from, to = to, from
	}
	mm := circuit.Ahead(lapMm, from, to)
	gates := math.Sqrt2 * traction.GateUMm
	if a.Gate == b.Gate {
		mm, gates = lapMm, 0
	}
	us, uUs := b.Since(a.Stamp)
	if !(mm > 0) || us <= 0 {
		return nil, nil
	}
	per := mmPerCountOf(d)
	slip, own := traction.SlipOf(math.Abs(x.Counts)*per, x.U*per, mm, float64(us)/1e6, uUs/1e6)
	common, _ := s.diameterU(d)
	return num(slip), num(math.Hypot(math.Hypot(own, gates/mm), common))
}

// num is x, or null when it is not a number.
func num(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
