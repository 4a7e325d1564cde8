package traction

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"sort"

	"rainhill/pkg/stats"
)

// Places of a Row.
const (
	All      = "all"
	Straight = "straight"
	Curve    = "curve"
)

// Row is slip or desync under one set of circumstances. Duty is in permille, NaN
// where no throttle was told. N counts the stretches behind it.
type Row struct {
	SpeedMmS float64
	Place    string
	Duty     float64
	N        int
	Value    Estimate
}

const (
	// GateUMm is the standard uncertainty of a gate's position, which no setup
	// states: read off a tape (common practice, no source).
	GateUMm = 1.0
	// leastContrast is how much (standard deviation) the share of curve must differ
	// between stretches for straight and curve to be told apart.
	leastContrast = 0.15
	dutyRoom      = 30.0 // permille: throttles so near belong to one class
	speedRatio    = 1.25 // of the fastest to the slowest lap of a class
	mostClasses   = 8
)

// By is a table of stretches by throttle, by speed, and by place: for each class of
// throttles and of lap speeds the mean by length, and where the circuit has curves
// the values that a line through the stretches' shares of curve has at 0 and at 1.
// common is as in Mean; gateUMm that of the gates, 0 where it does not come in.
// blurred tells that straights and curves could not be told apart for want of
// contrast.
func By(parts []Part, common, gateUMm float64, curved bool) (rows []Row, blurred bool) {
	parts = slices.DeleteFunc(slices.Clone(parts), func(p Part) bool { return math.IsNaN(p.Value) || math.IsNaN(p.U) })
	for _, class := range classes(parts) {
		x := fit(class, gateUMm, false)
		rows = append(rows, row(class, All, x.estimate(0, common)))
		if !curved {
			continue
		}
		for i, place := range []string{Straight, Curve} {
			e := None()
			if contrast(class) >= leastContrast {
				e = fit(class, gateUMm, true).estimate(i, common)
			} else {
				blurred = true
			}
			rows = append(rows, row(class, place, e))
		}
	}
	return rows, blurred
}

// row is a class at a place; its speed is the mean there.
func row(class []Part, place string, e Estimate) Row {
	r := Row{Place: place, N: len(class), Value: e}
	var mm, s, duty float64
	for _, p := range class {
		w := 1.0
		switch place {
		case Straight:
			w = 1 - p.Share
		case Curve:
			w = p.Share
		}
		mm, s, duty = mm+w*p.LengthMm, s+w*p.Seconds, duty+p.Duty
	}
	r.SpeedMmS, r.Duty = mm/s, duty/float64(len(class))
	if !(s > 0) {
		r.SpeedMmS = 0
	}
	return r
}

// classes are stretches of one throttle and about one lap speed, at most a few: the
// largest where there were more.
func classes(parts []Part) (all [][]Part) {
	speed := lapSpeeds(parts)
	for _, alike := range split(parts, func(p Part) float64 { return p.Duty }, func(from, to float64) bool { return to > from+dutyRoom }) {
		all = append(all, split(alike, func(p Part) float64 { return speed[p.Lap] }, func(from, to float64) bool { return to > from*speedRatio })...)
	}
	if len(all) > mostClasses {
		kept := slices.Clone(all)
		sort.SliceStable(kept, func(i, j int) bool { return len(kept[i]) > len(kept[j]) })
		least := len(kept[mostClasses-1])
		all = slices.DeleteFunc(all, func(c []Part) bool { return len(c) < least })
		all = all[:min(len(all), mostClasses)]
	}
	return all
}

// split cuts parts, by rising value, where one is too far from the first of its
// class. What has no value stands apart, last.
func split(parts []Part, of func(Part) float64, far func(from, to float64) bool) (all [][]Part) {
	type place struct {
		key     float64
		lap, at int
	}
	order := make([]place, len(parts)) // places are sorted, and not the parts, which are large
	for i, p := range parts {
		order[i] = place{of(p), p.Lap, i}
		if math.IsNaN(order[i].key) {
			order[i].key = math.MaxFloat64
		}
	}
	slices.SortFunc(order, func(a, b place) int { return cmp.Or(cmp.Compare(a.key, b.key), a.at-b.at) })
	from := 0
	cut := func(to int) {
		class := order[from:to]
		// In order of laps again, as they followed one another; within a lap by value.
		slices.SortStableFunc(class, func(a, b place) int { return a.lap - b.lap })
		out := make([]Part, len(class))
		for i, x := range class {
			out[i] = parts[x.at]
		}
		all, from = append(all, out), to
	}
	first := 0.0
	for i, x := range order {
		if i == from {
			first = x.key
		}
		if far(first, x.key) {
			cut(i)
			first = x.key
		}
	}
	if len(order) > 0 {
		cut(len(order))
	}
	return all
}

func lapSpeeds(parts []Part) map[int]float64 {
	mm, s := map[int]float64{}, map[int]float64{}
	for _, p := range parts {
		mm[p.Lap] += p.LengthMm
		s[p.Lap] += p.Seconds
	}
	for lap := range mm {
		mm[lap] /= s[lap]
	}
	return mm
}

// contrast is the standard deviation of the share of curve, weighted by length.
func contrast(parts []Part) float64 {
	var w, mean, square float64
	for _, p := range parts {
		w, mean, square = w+p.LengthMm, mean+p.LengthMm*p.Share, square+p.LengthMm*p.Share*p.Share
	}
	mean /= w
	return math.Sqrt(max(0, square/w-mean*mean))
}

// fitted is a least-squares fit, weighted by length, of the mean, or of the values
// on straights and on curves; what the k-th parameter takes from each stretch is in
// take[k].
type fitted struct {
	parts   []Part
	value   []float64
	take    [][]float64
	rest    []float64
	gateUMm float64
}

func fit(parts []Part, gateUMm float64, places bool) fitted {
	f := fitted{parts: parts, gateUMm: gateUMm}
	design := func(p Part) (float64, float64) { return 1, 0 }
	if places {
		design = func(p Part) (float64, float64) { return 1 - p.Share, p.Share }
	}
	var aa, ab, bb float64
	for _, p := range parts {
		a, b := design(p)
		aa, ab, bb = aa+p.LengthMm*a*a, ab+p.LengthMm*a*b, bb+p.LengthMm*b*b
	}
	if !places {
		bb = 1
	}
	det := aa*bb - ab*ab
	f.value, f.take = []float64{0, 0}, [][]float64{make([]float64, len(parts)), make([]float64, len(parts))}
	for i, p := range parts {
		a, b := design(p)
		f.take[0][i], f.take[1][i] = p.LengthMm*(bb*a-ab*b)/det, p.LengthMm*(aa*b-ab*a)/det
		f.value[0] += f.take[0][i] * p.Value
		f.value[1] += f.take[1][i] * p.Value
	}
	for _, p := range parts {
		a, b := design(p)
		f.rest = append(f.rest, p.Value-a*f.value[0]-b*f.value[1])
	}
	if !places {
		f.take = f.take[:1]
	}
	return f
}

// estimate is parameter k: its scatter is that from lap to lap, what the line leaves
// open from stretch to stretch of the circuit, and the gates' places, which cancel
// where neighbouring stretches count alike.
func (f fitted) estimate(k int, common float64) Estimate {
	stated, inf := 0.0, math.Inf(1)
	byLap, laps := map[int]float64{}, []int{}
	byPlace, byGate := map[[2]int]float64{}, map[int]float64{}
	for i, p := range f.parts {
		h := f.take[k][i]
		if _, ok := byLap[p.Lap]; !ok {
			laps = append(laps, p.Lap)
		}
		byLap[p.Lap] += h * f.rest[i]
		byPlace[[2]int{p.From, p.To}] += h * f.rest[i]
		byGate[p.To] += h / p.LengthMm * f.gateUMm
		byGate[p.From] -= h / p.LengthMm * f.gateUMm
		stated += h * h * p.U * p.U
	}
	var each []float64
	for _, lap := range laps {
		each = append(each, f.value[k]+float64(len(laps))*byLap[lap])
	}
	u, df := []float64{common}, []float64{inf}
	if _, scatter, n := stats.MeanU(each); len(laps) > 1 {
		u, df = append(u, max(scatter, math.Sqrt(stated/float64(len(f.parts))))), append(df, n)
	} else {
		u, df = append(u, math.Sqrt(stated)), append(df, inf)
	}
	gates := 0.0
	for _, g := range sortedKeysOf(byGate) {
		gates += byGate[g] * byGate[g]
	}
	u, df = append(u, math.Sqrt(gates)), append(df, inf)
	if n := float64(len(byPlace)); len(f.take) > 1 && n > 2 {
		places := 0.0
		for _, p := range sortedPairs(byPlace) {
			places += byPlace[p] * byPlace[p]
		}
		u, df = append(u, math.Sqrt(places*n/(n-2))), append(df, n-2)
	}
	return interval(f.value[k], u, df)
}

// Maps have no order, and sums of floats must.
func sortedKeysOf[V any](m map[int]V) []int { return slices.Sorted(maps.Keys(m)) }

func sortedPairs[V any](m map[[2]int]V) [][2]int {
	return slices.SortedFunc(maps.Keys(m), func(a, b [2]int) int { return slices.Compare(a[:], b[:]) })
}
