package clock

import "math"

// What is believed of any clock before it is heard (common practice, no source).
const (
	priorSkew = 100e-6 // standard deviation of the skew of a cheap crystal
	us        = 1e6    // microseconds in a second
)

// wanders are the ways a skew may wander: standard deviation in a second, growing with
// the root of the time. A crystal at rest; one that is warming up; one in a
// draught. The belief in each is the second number (common practice, no source).
var wanders = [...][2]float64{{0.05e-6, 0.95}, {0.5e-6, 0.045}, {5e-6, 0.005}}

// scatters are the noise that an exchange of the least delay may still have, in parts
// of half the least delay, which it cannot pass.
var scatters = [...]float64{0.05, 0.15, 0.4, 1}

// excessShare is how much of a delay beyond the least is noise, as a standard
// deviation: all of it on one way shifts the offset by half.
const excessShare = 0.5

// point is an exchange as the fit sees it: agent time since the newest, offset
// beyond the newest one's, delay beyond the least; microseconds.
type point struct{ t, z, excess float64 }

// estimate is offset x, skew y and their covariance, in microseconds and parts
// of one, with the logarithm of how likely the exchanges so far were.
type estimate struct{ x, y, xx, xy, yy, log float64 }

// ahead carries an estimate on by dt microseconds, either way, for a skew that
// gains a variance of wander in a microsecond: its random walk adds
// wander |dt|^3/3 to the variance of the offset (integrated Wiener process).
func (e estimate) ahead(dt, wander float64) estimate {
	n := math.Abs(dt)
	e.x += e.y * dt
	e.xx += dt*(2*e.xy+dt*e.yy) + wander*n*n*n/3
	e.xy += dt*e.yy + wander*n*dt/2
	e.yy += wander * n
	return e
}

// take updates with an offset z of variance r (Kalman's step for one reading).
func (e estimate) take(z, r float64) estimate {
	v, s := z-e.x, e.xx+r
	e.log -= (v*v/s + math.Log(s)) / 2
	e.x += e.xx / s * v
	e.y += e.xy / s * v
	e.yy = max(e.yy*r+e.yy*e.xx-e.xy*e.xy, e.yy*r) / s // never below what rounding would make of it
	e.xx *= r / s
	e.xy *= r / s
	return e
}

// model is one belief about a clock and its way to the bus: the variance that the skew
// gains in a microsecond, the variance of an offset read with the least delay
// and what the excess of a delay adds, and the variance of the skew beforehand.
type model struct{ wander, least, share, prior float64 }

// track runs the points, oldest first, through a model: with no wander, no excess and
// a wide prior this is least squares. The estimate holds at the last point.
func (m model) track(pts []point) estimate {
	r := func(p point) float64 { return m.least + m.share*m.share*p.excess*p.excess }
	e := estimate{x: pts[0].z, xx: r(pts[0]), yy: m.prior}
	for i := 1; i < len(pts); i++ {
		e = e.ahead(pts[i].t-pts[i-1].t, m.wander).take(pts[i].z, r(pts[i]))
	}
	return e
}

// fit is the line through exchanges, oldest first, at least one. Which scatter and
// which wander are true nobody tells, so every pair is tracked and they are
// averaged by how likely each makes the exchanges, their disagreement counted as
// uncertainty (a Bayesian model average).
func fit(kept []Exchange) Line {
	var buf [most]point
	newest := kept[len(kept)-1]
	l := Line{RefUs: newest.agentUs(), BaseUs: newest.offset()}
	least, tick := leastDelay(kept), tick(kept)
	pts := buf[:0]
	for _, ex := range kept {
		pts = append(pts, point{float64(ex.agentUs() - l.RefUs), float64(ex.offset() - l.BaseUs), float64(ex.delay() - least)})
	}
	half := float64(least) / 2
	l.CommonUs2 = half*half/3 + tick*tick/12
	var all [len(scatters) * len(wanders)]weighed
	for i, s := range scatters {
		for k, w := range wanders {
			m := model{w[0] * w[0] / us, s*s*half*half + tick*tick/6 + 1.0/12, excessShare, priorSkew * priorSkew}
			all[i*len(wanders)+k] = weighed{m.track(pts), w[1], m.wander}
		}
	}
	average(all[:], &l)
	return l
}

// weighed is the estimate of one model with the belief in it beforehand.
type weighed struct {
	estimate
	weight, wander float64
}

// average fills in the mean and the covariance of a mixture.
func average(all []weighed, l *Line) {
	top := math.Inf(-1)
	for _, a := range all {
		top = max(top, a.log)
	}
	var sum float64
	for i := range all {
		all[i].weight *= math.Exp(all[i].log - top)
		sum += all[i].weight
	}
	for _, a := range all {
		w := a.weight / sum
		l.BeyondUs += w * a.x
		l.Skew += w * a.y
		l.Wander += w * a.wander
	}
	for _, a := range all {
		w, dx, dy := a.weight/sum, a.x-l.BeyondUs, a.y-l.Skew
		l.VarUs2 += w * (a.xx + dx*dx)
		l.CovUs += w * (a.xy + dx*dy)
		l.VarSkew += w * (a.yy + dy*dy)
	}
}

func leastDelay(kept []Exchange) int64 {
	least := int64(math.MaxInt64)
	for _, ex := range kept {
		least = min(least, ex.delay())
	}
	return least
}

// tick is the coarsest step of ten, from 1 us to 1 ms, on which all the agent's
// stamps lie: some clocks count milliseconds.
func tick(kept []Exchange) float64 {
	for t := int64(1000); t > 1; t /= 10 {
		on := true
		for _, ex := range kept {
			on = on && ex.T1Us%t == 0 && ex.T4Us%t == 0
		}
		if on {
			return float64(t)
		}
	}
	return 1
}
