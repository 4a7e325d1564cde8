package coasting

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// OfTrials is the outings of the book's trials that coasted, void ones left; of all of
// them, or of those named. What a hand pushed again within a trial is an outing of its
// own.
func OfTrials(s *trial.State, only []string) (out []Outing) {
	if s.Book == nil {
		return nil
	}
	for _, t := range s.Book.Trials {
		if t.Gone || !t.Trial.Coasting() || len(only) > 0 && !slices.Contains(only, t.Trial.ID) {
			continue
		}
		if t.Trial.Void {
			out = append(out, Outing{Run: t.Trial.ID, Consist: t.Trial.Consist, Left: "void"})
			continue
		}
		out = append(out, OfPassages(t.Trial, s.Passages(t.Trial.ID, math.MinInt64), lapMm(s.Book.Circuit.Circuit))...)
	}
	return out
}

// OfPassages is the outings of one trial. Inferred passages are nothing that was read.
func OfPassages(t wire.Trial, passages []wire.PassageVerdict, lapMm float64) (out []Outing) {
	seen := slices.DeleteFunc(slices.Clone(passages), func(p wire.PassageVerdict) bool { return p.Source != wire.Measured })
	slices.SortStableFunc(seen, func(a, b wire.PassageVerdict) int { return int(a.AtUs - b.AtUs) })
	for _, part := range pushes(seen, lapMm) {
		o := Outing{Run: t.ID, Consist: t.Consist}
		if len(out) > 0 {
			o.Run = fmt.Sprintf("%s/%d", t.ID, len(out)+1)
		}
		for _, p := range part {
			o.Readings = append(o.Readings, Reading{PositionMm: p.PositionMm, AtS: float64(p.AtUs-seen[0].AtUs) / 1e6, US: p.UUs / 1e6})
		}
		out = append(out, o)
	}
	if len(out) == 0 {
		out = []Outing{{Run: t.ID, Consist: t.Consist}}
	}
	return out
}

// faster is by how much a train has to gain speed from one stretch to the next for a
// hand to have pushed it: instants are not so uncertain.
const faster = 1.15

// pushes cuts passages where the train turned round, or went faster than before: nothing
// that coasts does. Where it went faster still after that, the hand was at work between
// these two; else it may have been before or behind the first, which is then of neither
// part.
func pushes(p []wire.PassageVerdict, lapMm float64) (parts [][]wire.PassageVerdict) {
	speed := func(i int) float64 {
		way := p[i+1].PositionMm - p[i].PositionMm
		if p[i].Reverse {
			way = -way
		}
		if way <= 0 {
			way += lapMm
		}
		return way / float64(p[i+1].AtUs-p[i].AtUs)
	}
	from := 0
	for i := 1; i+1 < len(p); i++ {
		switch {
		case p[i].Reverse != p[from].Reverse:
			parts, from = append(parts, p[from:i]), i
		case i > from && speed(i) > faster*speed(i-1):
			if i+2 < len(p) && speed(i+1) > speed(i) {
				parts = append(parts, p[from:i+1])
			} else {
				parts = append(parts, p[from:i])
			}
			from = i + 1
		}
	}
	if from < len(p) {
		parts = append(parts, p[from:])
	}
	return parts
}

// lapMm is how long a circuit's lap is.
func lapMm(c wire.Circuit) float64 {
	t, _ := Stock{Circuit: c}.track(0)
	return 1000 * t.LapM
}
