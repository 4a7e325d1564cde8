package pull

import (
	"fmt"
	"math"
)

// Limit is what attempts at loads say. Fit is the penalised logistic share of successes over
// load, FitOK whether there is one that falls. Load50 and Load95 are the loads that move
// in half and in 95 of 100 attempts; where they cannot be had they are NaN and Doubts say why.
type Limit struct {
	Tallies        []Tally
	Steps          []float64 // share at each tally, taken only to fall
	Bracket        Bracket
	Fit            Fit
	FitOK          bool
	Load50, Load95 Interval
	belief         belief
	Doubts         []string
}

var none = Interval{math.NaN(), math.NaN(), math.NaN()}

// Judge works a limit out. Attempts without a load above 0 do not enter: they say
// nothing of a limit.
func Judge(as []Attempt) Limit {
	of := loaded(as)
	l := Limit{Tallies: Count(of), Bracket: Between(of), Load50: none, Load95: none}
	l.Steps = Steps(l.Tallies)
	if dropped := len(as) - len(of); dropped > 0 {
		l.doubt("%s without a load left out", Counted(dropped, "attempt"))
	}
	if !l.bounded() {
		return l
	}
	if len(l.Tallies) == 1 {
		l.doubt("one load alone was tried, with successes and failures: half of attempts move about that much, and how sharply it fails cannot be told")
		return l
	}
	f, err := Firth(l.Tallies)
	if err != nil {
		l.doubt("%v", err)
		return l
	}
	l.Fit, l.FitOK = f, f.B < 0
	if !l.FitOK {
		l.doubt("greater loads moved at least as often as smaller ones: no limit can be told from these attempts")
		return l
	}
	l.belief = told(of)
	l.Load50, l.Load95 = l.at(0), l.at(sureLogit)
	l.weigh(of)
	return l
}

// loaded are the attempts with a load.
func loaded(as []Attempt) (out []Attempt) {
	for _, a := range as {
		if a.LoadG > 0 {
			out = append(out, a)
		}
	}
	return out
}

func (l *Limit) doubt(format string, a ...any) {
	l.Doubts = append(l.Doubts, fmt.Sprintf(format, a...))
}

// bounded reports whether attempts succeeded and failed; else the limit lies beyond them.
func (l *Limit) bounded() bool {
	if len(l.Tallies) == 0 {
		l.doubt("no attempt was made")
		return false
	}
	up, down := ends(l.Tallies)
	switch {
	case math.IsInf(down, 1):
		l.doubt("everything moved, up to %s g: the limit lies above, try more", Written(up, 0))
	case up == 0:
		l.doubt("nothing moved, from %s g on: the limit lies below, try less", Written(down, 0))
	default:
		return true
	}
	return false
}

// at is the load at a logit: by the fit, with the interval of what is believed. Where
// attempts are few the fit's slope can lie out of that, and the nearer end is taken.
func (l *Limit) at(logit float64) Interval {
	x := l.belief.interval(logit)
	x.Value = min(max(l.Fit.At(logit), x.Lo), x.Hi)
	return x
}

// Share is the share of attempts that succeed at a load.
func (l Limit) Share(loadG float64) Interval {
	x := l.belief.shares(loadG)
	p, _ := Logit(l.Fit.A + l.Fit.B*loadG)
	x.Value = min(max(p, x.Lo), x.Hi)
	return x
}

// weigh says what there is to doubt of a limit that was worked out.
func (l *Limit) weigh(as []Attempt) {
	if n := len(as); n < 8 {
		l.doubt("only %s: the interval leans on what is thought of how sharply locomotives fail", Counted(n, "attempt"))
	}
	if !Overlaps(l.Tallies) {
		l.doubt("no load failed below one that moved: how sharply it fails is hardly known, and what moves in 95 of 100 less than what moves in half")
	}
	l.either(as)
}

// either says what the limit would be, were struggles successes, or failures.
func (l *Limit) either(as []Attempt) {
	struggles := 0
	for _, a := range as {
		if a.Outcome == Struggled {
			struggles++
		}
	}
	if struggles == 0 {
		return
	}
	l.doubt("%d of %d attempts struggled, each of which counts as half a success; were they successes, what moves in half would be %s, were they failures %s", struggles, len(as), half(taken(as, Moved)), half(taken(as, Stalled)))
}

func half(as []Attempt) string {
	f, err := Firth(Count(as))
	if err != nil || f.B >= 0 || f.At(0) <= 0 {
		return "unknown"
	}
	return Written(f.At(0), 3) + " g"
}
