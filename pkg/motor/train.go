package motor

import "math"

// point is a configuration with every input at one value.
type point struct {
	sets         []wheels
	massKg       float64
	a, b, c, arc float64 // N, N s/m, N s2/m2, N on arcs
	volt, inner  float64 // of the supply without load, V, and its inner resistance, ohm
	lapM         float64
}

// wheels is a driver set: turn is motor rad/s per m/s of wheel surface, grip the most
// that its tyres hold, N; creep as in pkg/dynamics, 0 none.
type wheels struct {
	Constants
	turn, eff, grip, creep float64
}

// creepFloorMS keeps creep defined for a standing train, as in pkg/dynamics.
const creepFloorMS = 0.010

// moment is what goes on at one ground speed.
type moment struct {
	volt    float64 // of the supply under load
	pull    float64 // N, all sets
	amps    [MaxSets]float64
	force   [MaxSets]float64
	surface [MaxSets]float64 // m/s, of the wheels
	spins   [MaxSets]bool    // or is dragged sliding
}

// MaxSets is how many driver sets a locomotive may have.
const MaxSets = 16

// effort is the rim force of a set that draws amps: (K I - K I0) x turn x
// efficiency; a set that is dragged holds back over the efficiency.
func (w wheels) effort(amps float64) float64 {
	shaft := w.KVS * (amps - w.I0A)
	if shaft < 0 {
		return shaft * w.turn / w.eff
	}
	return shaft * w.turn * w.eff
}

// needs is the current at which the effort is force.
func (w wheels) needs(force float64) float64 {
	if force < 0 {
		return force*w.eff/(w.KVS*w.turn) + w.I0A
	}
	return force/(w.KVS*w.turn*w.eff) + w.I0A
}

// creeps is the surface speed at which a set's effort is what its tyres hold while they
// creep, grip x tanh(slip/creep), with mean voltage volt on its motor.
func (w wheels) creeps(volt, v float64) float64 {
	free := w.FreeRadS(volt) / w.turn
	return root(min(v, free), max(v, free), func(u float64) float64 {
		return w.effort((volt-w.KVS*w.turn*u)/w.ROhm) - w.grip*math.Tanh((u-v)/((v+creepFloorMS)*w.creep))
	})
}

// root is where over, which falls from lo to hi, is 0: by false position (the Illinois
// rule), and halving where that is slow; lo or hi where it is 0 nowhere between.
func root(lo, hi float64, over func(float64) float64) float64 {
	glo, ghi := over(lo), over(hi)
	switch {
	case !(glo > 0):
		return lo
	case !(ghi < 0):
		return hi
	}
	side := 0
	for i := range 100 {
		x := (lo*ghi - hi*glo) / (ghi - glo)
		if !(x > lo && x < hi) || i%4 == 3 {
			x = (lo + hi) / 2
		}
		g := over(x)
		switch {
		case math.Abs(g) < 1e-11 || hi-lo < 1e-11:
			return x
		case g > 0:
			if lo, glo = x, g; side == 1 {
				ghi /= 2
			}
			side = 1
		default:
			if hi, ghi = x, g; side == -1 {
				glo /= 2
			}
			side = -1
		}
	}
	return (lo + hi) / 2
}

// at is the train at ground speed v with a throttle: all sets are on one supply, whose
// voltage falls with what they draw. A set whose motor would pull, or hold back, more than
// its tyres hold slides, and draws what that force takes.
func (p point) at(duty, v float64) moment {
	var m moment
	for i := range p.sets {
		m.surface[i] = v
	}
	for range 2*len(p.sets) + 6 {
		p.electric(duty, &m)
		changed := 0.0
		for i, w := range p.sets {
			switch {
			case w.creep > 0:
				u := w.creeps(duty*m.volt, v)
				changed = max(changed, math.Abs(u-m.surface[i]))
				m.surface[i] = u
			case m.spins[i]:
				m.surface[i] = (duty*m.volt - w.ROhm*m.amps[i]) / (w.KVS * w.turn)
			case math.Abs(w.effort(m.amps[i])) > w.grip:
				m.spins[i], changed = true, 1
				m.force[i] = math.Copysign(w.grip, w.effort(m.amps[i]))
				m.amps[i] = w.needs(m.force[i])
			}
		}
		if changed < 1e-9 {
			break
		}
	}
	for i, w := range p.sets {
		if !m.spins[i] {
			m.force[i] = w.effort(m.amps[i])
			m.spins[i] = w.creep > 0 && math.Abs(m.force[i]) > 0.99*w.grip
		}
		m.pull += m.force[i]
	}
	return m
}

// electric solves the supply and the motors that grip together: U = E - Ri sum(d I),
// I = (d U - K w)/R; those that spin draw what they draw.
func (p point) electric(duty float64, m *moment) {
	up, down := p.volt, 1.0
	for i, w := range p.sets {
		if m.spins[i] {
			up -= p.inner * duty * m.amps[i]
			continue
		}
		up += p.inner * duty * w.KVS * w.turn * m.surface[i] / w.ROhm
		down += p.inner * duty * duty / w.ROhm
	}
	m.volt = up / down
	for i, w := range p.sets {
		if !m.spins[i] {
			m.amps[i] = (duty*m.volt - w.KVS*w.turn*m.surface[i]) / w.ROhm
		}
	}
}

// resistance is what holds the train back at speed v, N; arc is how much of its
// length lies on arcs.
func (p point) resistance(v, arc float64) float64 { return p.a + p.b*v + p.c*v*v + p.arc*arc }

// balance is the speed at which the effort meets the resistance, m/s; 0 when the train
// does not move.
func (p point) balance(duty, arc float64) float64 {
	most := 0.0
	for _, w := range p.sets {
		most = max(most, duty*p.volt/(w.KVS*w.turn))
	}
	return root(0, most, func(v float64) float64 { return p.at(duty, v).pull - p.resistance(v, arc) })
}

// round is the mean of 1/speed over the lap, s/m, at steady running: the speed on
// each part of the lap is the balance there. 1/speed is taken as a parabola in the
// part of the train that lies on arcs, so that it takes the mean and the mean square
// of that part alone. +Inf for a train that stands anywhere.
func (p point) round(duty float64, lap Lap) float64 {
	v := p.balance(duty, lap.Least)
	if lap.Most-lap.Least < 1e-9 || p.arc == 0 {
		return 1 / v
	}
	f0, f2 := lap.Least, lap.Most
	f1 := (f0 + f2) / 2
	t0, t1, t2 := 1/v, 1/p.balance(duty, f1), 1/p.balance(duty, f2)
	if math.IsInf(t2, 1) || math.IsInf(t1, 1) || math.IsInf(t0, 1) {
		return math.Inf(1)
	}
	half := (f2 - f0) / 2
	bend, slope := (t0-2*t1+t2)/(2*half*half), (t2-t0)/(2*half)
	d := lap.Mean - f1
	return t1 + slope*d + bend*(lap.Square-2*f1*lap.Mean+f1*f1)
}

// standing is a train that is held, its tractive effort in pull, and whether it is
// adhesion that limits the larger part of that: of each set the K U/R of its
// standing motor at the rims, or what its tyres hold, when it then spins.
func (p point) standing(duty float64) (m moment, adhesion bool) {
	held := p
	held.sets = make([]wheels, len(p.sets))
	for i, w := range p.sets {
		w.I0A, w.creep = 0, 0 // its own friction holds a standing motor either way: data sheets leave it out
		held.sets[i] = w
	}
	m = held.at(duty, 0)
	var slides float64
	for i, spins := range m.spins {
		if spins {
			slides += m.force[i]
		}
	}
	return m, slides > m.pull/2
}

// alone is a train that one set draws, with its even share of the load.
func (p point) alone(i int) point {
	n := float64(len(p.sets))
	p.sets = p.sets[i : i+1]
	p.massKg, p.a, p.b, p.c, p.arc = p.massKg/n, p.a/n, p.b/n, p.c/n, p.arc/n
	return p
}

// Lap is how a lap curves, for a train of some length: the least, greatest, mean and
// mean square part of the train that lies on arcs, over the lap.
type Lap struct{ Least, Most, Mean, Square float64 }

// Piece is a length of track, on an arc or not.
type Piece struct {
	LengthM float64
	Arc     bool
}

// LapOf sums a circuit up for a train of some length.
func LapOf(pieces []Piece, trainM float64) Lap {
	var whole, bent float64
	for _, p := range pieces {
		whole += p.LengthM
		if p.Arc {
			bent += p.LengthM
		}
	}
	if !(whole > 0) || bent == 0 {
		return Lap{}
	}
	upTo := func(x float64) float64 { // length of arcs from 0 to x, over laps
		laps := math.Floor(x / whole)
		sum, left := laps*bent, x-laps*whole
		for _, p := range pieces {
			if p.Arc {
				sum += min(left, p.LengthM)
			}
			if left -= p.LengthM; left <= 0 {
				break
			}
		}
		return sum
	}
	const n = 2000
	trainM = max(trainM, whole/n)
	l := Lap{Least: 1}
	for i := range n {
		x := whole * (float64(i) + 0.5) / n
		f := min(max((upTo(x)-upTo(x-trainM))/trainM, 0), 1)
		l.Least, l.Most = min(l.Least, f), max(l.Most, f)
		l.Mean, l.Square = l.Mean+f/n, l.Square+f*f/n
	}
	return l
}
