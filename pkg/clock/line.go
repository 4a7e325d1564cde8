package clock

import "math"

// Fix is an agent's clock at one agent instant. OffsetUs is bus time minus agent
// time, UUs its standard uncertainty. Skew is the offset's change with agent time,
// -38e-6 for an agent clock 38 parts in a million fast, USkew its standard
// uncertainty. UCommonUs is the part of UUs that is the same at every instant of
// one epoch, and so is not in a difference of two of them.
type Fix struct {
	OffsetUs, UUs float64
	UCommonUs     float64
	Skew, USkew   float64
}

// Line is a fitted clock: at the agent instant RefUs the offset is BaseUs+BeyondUs
// and changes by Skew. It is kept as an integer and a small rest because
// microseconds since 1970 do not fit a float's precision. VarUs2, CovUs and
// VarSkew are the covariance of offset and skew at RefUs; Wander is what the
// skew's variance gains in a microsecond; CommonUs2 is the variance of what is
// common to all exchanges and no fit can see: asymmetry of the way and ticks.
type Line struct {
	RefUs     int64   `json:"ref_us"`
	BaseUs    int64   `json:"base_us"`
	BeyondUs  float64 `json:"beyond_us"`
	Skew      float64 `json:"skew"`
	VarUs2    float64 `json:"var_us2"`
	CovUs     float64 `json:"cov_us"`
	VarSkew   float64 `json:"var_skew"`
	Wander    float64 `json:"wander"`
	CommonUs2 float64 `json:"common_us2"`
}

// OffsetUs is the offset at an agent instant.
func (l Line) OffsetUs(rawUs int64) float64 {
	return float64(l.BaseUs) + l.beyond(l.since(rawUs))
}

// At is the clock at an agent instant. Away from RefUs the uncertainty grows with
// that of the skew, and with the cube of the time because the skew itself
// wanders.
func (l Line) At(rawUs int64) Fix {
	dt := l.since(rawUs)
	e := estimate{x: l.BeyondUs, y: l.Skew, xx: l.VarUs2, xy: l.CovUs, yy: l.VarSkew}.ahead(dt, l.Wander)
	return Fix{
		OffsetUs: float64(l.BaseUs) + e.x, UUs: math.Sqrt(max(e.xx, 0) + l.CommonUs2),
		UCommonUs: math.Sqrt(l.CommonUs2), Skew: l.Skew, USkew: math.Sqrt(e.yy),
	}
}

func (l Line) beyond(dt float64) float64 { return l.BeyondUs + l.Skew*dt }

// since is raw minus RefUs, with the difference taken in integers where one fits.
func (l Line) since(rawUs int64) float64 {
	if d := rawUs - l.RefUs; (d >= 0) == (rawUs >= l.RefUs) {
		return float64(d)
	}
	return float64(rawUs) - float64(l.RefUs)
}
