package truth

import (
	"math"
	"slices"

	"rainhill/pkg/stats"
)

// Interval is an estimate with its 95 % interval; NaN where there is none.
type Interval struct{ Value, Lo, Hi float64 }

// ScoredSet is what was made of a driver set over a trial. Regulated is the
// verdict: regulated, unregulated, anything else is none. Droop is in mm/s per N.
type ScoredSet struct {
	Set         string
	Slip, Droop Interval
	Regulated   string
}

// ScoredDesync is what was made of a pair of sets over a trial, b less a.
type ScoredDesync struct {
	A, B   string
	Desync Interval
}

// ScoredMotor is what was made of a motor: its resistance, volts per rad/s and
// no-load current.
type ScoredMotor struct {
	Motor                        string
	ResistanceOhm, KVS, NoLoadMa Interval
}

// ScoredWheel is what a calibration run made of the wheels that a motor turns.
type ScoredWheel struct {
	Motor      string
	DiameterMm Interval
}

// ScoredSpeed is what was predicted of a trial: its mean speed over steady laps.
type ScoredSpeed struct {
	Trial    string
	SpeedMmS Interval
}

// Verdicts on a motor's regulation.
const (
	regulated   = "regulated"
	unregulated = "unregulated"
)

// Figures that are held against the truth, each in its own unit; those of motors
// and predictions as parts of the true value.
const (
	figSlip       = "slip"
	figDesync     = "desync"
	figDroop      = "droop"
	figResistance = "resistance"
	figK          = "k"
	figNoLoad     = "no_load"
	figWheel      = "wheel"
	figPredicted  = "predicted"
	figRegulated  = "regulated"
)

// SetLine is one figure with the truth beside it, or, for the regulated one, one
// verdict. Of is what it is of: a set, a pair or a motor.
type SetLine struct {
	What    string `json:"what"`
	Trial   string `json:"trial,omitempty"`
	Of      string `json:"of"`
	True    Number `json:"true"`
	Value   Number `json:"value"`
	Lo      Number `json:"lo"`
	Hi      Number `json:"hi"`
	Verdict string `json:"verdict,omitempty"` // right, wrong or unknown
}

// SetReport is how well driver sets were judged. The truth of slip and desync of a
// trial is that of the laps which were matched and counted, together; trials
// without any have none; of a prediction it is the mean speed of those laps, where
// the trial ran at one throttle. Errors of slip and desync are parts of one, of
// droop mm/s per N, of wheels mm, of motors and predictions parts of the true figure.
type SetReport struct {
	Slip          Spread   `json:"slip"`
	Desync        Spread   `json:"desync"`
	Droop         Spread   `json:"droop_mm_s_per_n"`
	ResistanceOhm Spread   `json:"resistance_ohm"`
	KVS           Spread   `json:"k_v_s"`
	NoLoadMa      Spread   `json:"no_load_ma"`
	WheelMm       Spread   `json:"wheel_mm"`
	Predicted     Spread   `json:"predicted_speed"`
	Regulated     Verdicts `json:"regulated"`
}

// Spread is how far N estimates are from the truth: on the mean with sign, the
// rest without. Untold are those that were not given a value, beside the N.
type Spread struct {
	N        int    `json:"n"`
	Untold   int    `json:"untold"`
	Bias     Number `json:"bias"`
	Median   Number `json:"median"`
	P95      Number `json:"p95"`
	Max      Number `json:"max"`
	Coverage Share  `json:"coverage"` // of the stated intervals
}

// Verdicts counts those on regulation, one a set and trial.
type Verdicts struct {
	Right   int `json:"right"`
	Wrong   int `json:"wrong"`
	Unknown int `json:"unknown"`
}

// setLines holds what was said of driver sets and motors against what they are.
func setLines(run Run, scored Scored, lines []Line) (out []SetLine) {
	for _, t := range run.Trials {
		i := slices.IndexFunc(scored.Trials, func(s ScoredTrial) bool { return s.Trial == t.Trial })
		if i < 0 {
			continue
		}
		laps := countedLaps(t.Trial, lines)
		out = append(out, trialSets(t, scored.Trials[i], laps)...)
		for _, x := range scored.Speeds {
			if x.Trial == t.Trial && t.Balance != nil && len(laps) > 0 {
				out = append(out, setLine(figPredicted, t.Trial, t.Train, meanSpeed(laps), x.SpeedMmS))
			}
		}
	}
	for _, m := range scored.Motors {
		if d, ok := motorOf(run, m.Motor); ok {
			out = append(out, setLine(figResistance, "", m.Motor, d.ResistanceOhm, m.ResistanceOhm),
				setLine(figK, "", m.Motor, d.KVS, m.KVS), setLine(figNoLoad, "", m.Motor, d.NoLoadMa, m.NoLoadMa))
		}
	}
	for _, w := range scored.Wheels {
		if d, ok := motorOf(run, w.Motor); ok {
			out = append(out, setLine(figWheel, "", w.Motor, d.WheelDiameterMm, w.DiameterMm))
		}
	}
	return out
}

// countedLaps is the true laps of a trial that were scored as such and counted.
func countedLaps(trial string, lines []Line) (laps []Lap) {
	for _, l := range lines {
		if l.Trial == trial && l.Verdict == Matched && l.Scored.Counts == CountsYes {
			laps = append(laps, *l.True)
		}
	}
	return laps
}

// meanSpeed is over laps of one length: all their length in all their time.
func meanSpeed(laps []Lap) float64 {
	var mm, s float64
	for _, l := range laps {
		mm, s = mm+l.SpeedMmS*l.LapTimeS, s+l.LapTimeS
	}
	return mm / s
}

func motorOf(run Run, motor string) (Set, bool) {
	for _, t := range run.Trials {
		for _, d := range t.Sets {
			if d.Motor == motor {
				return d, true
			}
		}
	}
	return Set{}, false
}

func trialSets(t Trial, s ScoredTrial, laps []Lap) (out []SetLine) {
	turned := map[string]float64{} // wheel distances over laps, in laps
	for _, l := range laps {
		for _, x := range l.Slip {
			turned[x.Set] += 1 + x.Slip
		}
	}
	for _, d := range t.Sets {
		i := slices.IndexFunc(s.Sets, func(x ScoredSet) bool { return x.Set == d.Set })
		if i < 0 {
			continue
		}
		x := s.Sets[i]
		if w := turned[d.Set]; w > 0 {
			out = append(out, setLine(figSlip, t.Trial, d.Set, w/float64(len(laps))-1, x.Slip))
		}
		out = append(out, setLine(figDroop, t.Trial, d.Set, d.DroopMmSPerN, x.Droop), verdict(t.Trial, d, x.Regulated))
	}
	for _, x := range s.Desync {
		if a, b := turned[x.A], turned[x.B]; a > 0 && b > 0 {
			out = append(out, setLine(figDesync, t.Trial, x.A+" "+x.B, 2*(b-a)/(a+b), x.Desync))
		}
	}
	return out
}

func setLine(what, trial, of string, truly float64, x Interval) SetLine {
	return SetLine{What: what, Trial: trial, Of: of, True: Number(truly), Value: Number(x.Value), Lo: Number(x.Lo), Hi: Number(x.Hi)}
}

func verdict(trial string, d Set, said string) SetLine {
	nan := Number(math.NaN())
	l := SetLine{What: figRegulated, Trial: trial, Of: d.Set, True: nan, Value: nan, Lo: nan, Hi: nan, Verdict: "unknown"}
	switch {
	case said != regulated && said != unregulated:
	case (said == regulated) == d.Regulated:
		l.Verdict = "right"
	default:
		l.Verdict = "wrong"
	}
	return l
}

func tallySets(lines []SetLine) (r SetReport) {
	for what, to := range map[string]*Spread{figSlip: &r.Slip, figDesync: &r.Desync, figDroop: &r.Droop, figResistance: &r.ResistanceOhm, figK: &r.KVS, figNoLoad: &r.NoLoadMa,
		figWheel: &r.WheelMm, figPredicted: &r.Predicted} {
		*to = spread(what, lines)
	}
	for _, l := range lines {
		r.Regulated.Right += one(l.Verdict == "right")
		r.Regulated.Wrong += one(l.Verdict == "wrong")
		r.Regulated.Unknown += one(l.Verdict == "unknown")
	}
	return r
}

func spread(what string, lines []SetLine) Spread {
	var off []float64
	var sum float64
	s, within := Spread{}, 0
	relative := what == figResistance || what == figK || what == figNoLoad || what == figPredicted
	for _, l := range lines {
		if l.What != what {
			continue
		}
		e := float64(l.Value - l.True)
		if math.IsNaN(e) {
			s.Untold++
			continue
		}
		if relative {
			e /= float64(l.True)
		}
		sum += e
		off = append(off, math.Abs(e))
		within += one(l.Lo <= l.True && l.True <= l.Hi)
	}
	slices.Sort(off)
	s.N = len(off)
	s.Bias = Number(sum / float64(s.N))
	s.Median, s.P95, s.Max = Number(stats.Quantile(off, 0.5)), Number(stats.Quantile(off, 0.95)), Number(stats.Quantile(off, 1))
	s.Coverage = share(within, s.N)
	return s
}
