// Package passage answers "when did the front of a train pass, given what a
// gate reported while it went by?". A gate bounces, sees every axle, loses one
// and invents another; the pattern of a train's axles, learnt from its own
// passages, tells which report was the front's. Which train it was is not in it.
package passage

import (
	"math"
	"slices"
)

// recent is how many of a train's last passages its pattern is made of.
const recent = 9

// mostBefore is how many strokes before the front may be no train's.
const mostBefore = 3

// Pattern is how the strokes of a train's passages lie within a passage, as
// shares of the time from the first stroke to the last. The zero Pattern knows
// nothing.
type Pattern struct {
	Seen  [][]float64 `json:"seen,omitempty"`  // of the last passages, oldest first
	Share []float64   `json:"share,omitempty"` // what most of them have in common
}

// Known reports whether strokes can be told by the pattern.
func (p Pattern) Known() bool { return len(p.Share) > 1 }

// Learn is p with one more passage: instants of its strokes in microseconds
// from the first.
func (p Pattern) Learn(us []float64) Pattern {
	p.Seen = append(slices.Clone(p.Seen[max(0, len(p.Seen)+1-recent):]), shares(us))
	p.Share = common(p.Seen)
	return p
}

func shares(us []float64) []float64 {
	out := make([]float64, len(us))
	for i, t := range us {
		if span := us[len(us)-1]; span > 0 {
			out[i] = t / span
		}
	}
	return out
}

// common is the median, stroke by stroke, of those passages that have the most
// usual number of strokes; nil when fewer than three agree.
func common(seen [][]float64) []float64 {
	count, best := map[int]int{}, 0
	for _, s := range seen {
		count[len(s)]++
		if c := count[len(s)]; c > count[best] || c == count[best] && len(s) > best {
			best = len(s)
		}
	}
	if count[best] < 3 {
		return nil
	}
	out, column := make([]float64, best), make([]float64, 0, recent)
	for i := range out {
		column = column[:0]
		for _, s := range seen {
			if len(s) == best {
				column = append(column, s[i])
			}
		}
		slices.Sort(column)
		out[i] = (column[(len(column)-1)/2] + column[len(column)/2]) / 2
	}
	return out
}

// Residual is the mean square difference of strokes from the pattern, freed of
// what fitting them and the pattern's own scatter add to it: of the inner ones
// from even running, or where they are enough, of neighbours after a smooth fit.
func (p Pattern) Residual(us []float64) (ms float64, n int) {
	if !p.Known() || len(us) != len(p.Share) || len(us) < 3 {
		return 0, 0
	}
	if len(us) >= leastFit {
		return p.smooth(us)
	}
	span, sum, weight := us[len(us)-1], 0.0, 0.0
	for i := 1; i < len(us)-1; i++ {
		s := p.Share[i]
		r := us[i] - s*span
		if math.Abs(r) > 0.02*span {
			return 0, 0
		}
		sum += r * r
		weight += (1 + (1-s)*(1-s) + s*s) * (1 + 1.57/float64(len(p.Seen)))
	}
	return sum / weight, len(us) - 2
}

// smooth is Residual of a passage of many strokes.
func (p Pattern) smooth(us []float64) (ms float64, n int) {
	_, _, rest, _ := polynomial(p.all(us), make([]bool, len(us)), len(us))
	for _, r := range rest {
		if !(math.Abs(r) < 0.02*us[len(us)-1]) {
			return 0, 0
		}
	}
	_, white := scatter(rest, make([]bool, len(us)))
	return white / (1 + 1.57/float64(len(p.Seen))), len(us) - 3
}

// all is the strokes of a whole passage with their shares.
func (p Pattern) all(us []float64) []pair {
	of := make([]pair, len(us))
	for i, t := range us {
		of[i] = pair{p.Share[i], t}
	}
	return of
}

// Front is where the front is among the strokes of a passage.
type Front struct {
	Index int     // the front's own stroke; -1 when it was lost
	Us    float64 // instant from the first stroke
	UUs   float64 // standard uncertainty beyond the stroke's own; 0 when the front was seen
	// Fitted means that Us is by all strokes and UUs all of its uncertainty; Own,
	// that the front's own stroke agrees.
	Fitted, Own bool
	// Sure means that the strokes agree with the pattern, or that there is
	// nothing to choose between.
	Sure bool
	// Whole means that every stroke was seen and nothing else.
	Whole bool
}

// Find tells the front of a passage from the instants of its strokes, in
// microseconds from the first, and the time that the whole passage is expected
// to take from first to last stroke, NaN when nobody knows.
func (p Pattern) Find(us []float64, expectUs, jitterUs float64) Front {
	switch {
	case !p.Known() || math.IsNaN(expectUs) || expectUs <= 0:
		return Front{Sure: len(us) == 1, Whole: !p.Known()}
	case p.whole(us, expectUs, jitterUs):
		return Front{Sure: true, Whole: true}.fitted(p.all(us), jitterUs)
	case p.uneven(us, jitterUs):
		return Front{Sure: true}
	}
	return p.search(us, expectUs, jitterUs)
}

// uneven reports whether the strokes are as many as they should be and each
// silence roughly what it should be: the train changed its speed over the gate.
func (p Pattern) uneven(us []float64, jitterUs float64) bool {
	if len(us) != len(p.Share) {
		return false
	}
	span := us[len(us)-1]
	for i := 1; i < len(us); i++ {
		is, was := us[i]-us[i-1], (p.Share[i]-p.Share[i-1])*span
		if math.Abs(is-was) > 0.5*math.Max(was, is)+4*jitterUs {
			return false
		}
	}
	return true
}

func (p Pattern) whole(us []float64, expectUs, jitterUs float64) bool {
	span := us[len(us)-1]
	if len(us) != len(p.Share) || math.Abs(math.Log(span/expectUs)) > 0.4 {
		return false
	}
	tol := 0.015*span + 4*jitterUs
	for i, t := range us {
		if math.Abs(t-p.Share[i]*span) > tol {
			return false
		}
	}
	return true
}

// fit is one way to lay the pattern over the strokes: front at t0, the whole in
// span.
type fit struct {
	t0, span float64
	hits     int
	amiss    int     // strokes lost and strokes too many; a lost end counts once
	off      float64 // mean square of what is left
	first    int     // stroke that is the front's, -1 for none
	uT0      float64
}

// search lays the pattern over the strokes in every way that joins one stroke to
// one of the pattern's, at some speeds about the expected one, and takes the one
// that most strokes agree with.
func (p Pattern) search(us []float64, expectUs, jitterUs float64) Front {
	best := fit{first: -1, off: math.Inf(1), amiss: math.MaxInt}
	apart := max(len(us)-len(p.Share), len(p.Share)-len(us)) + mostBefore
	for _, scale := range []float64{1, 0.96, 1.04, 0.92, 1.08, 0.87, 1.14, 0.8, 1.22} {
		span := scale * expectUs
		tol := 0.012*span + 4*jitterUs
		for k, t := range us {
			for i, s := range p.Share {
				if max(i-k, k-i) > apart {
					continue // so many more were lost, or are not the train's
				}
				f := fit{t0: t - s*span, span: span}
				p.match(us, &f, tol)
				if f.hits < 2 || f.amiss-2 > best.amiss {
					continue
				}
				p.refine(us, &f, tol, jitterUs)
				if f.amiss < best.amiss || f.amiss == best.amiss && f.off < best.off {
					best = f
				}
			}
		}
	}
	if best.hits < 2 || 10*best.hits < 6*len(p.Share) {
		return Front{}
	}
	if best.first > mostBefore || best.first != 0 && 10*best.hits < 8*len(p.Share) {
		return Front{} // too little to pass the first stroke over
	}
	if best.first >= 0 {
		return Front{Index: best.first, Us: us[best.first], Sure: true}.fitted(p.pairs(us, best, max(6*jitterUs, 0.004*best.span)), jitterUs)
	}
	return Front{Index: -1, Us: best.t0, UUs: best.uT0, Sure: true}
}

// match counts the strokes within tol of the pattern as f lays it.
func (p Pattern) match(us []float64, f *fit, tol float64) {
	f.hits, f.off, f.first = 0, 0, -1
	k, end := 0, 0
	for i, s := range p.Share {
		want := f.t0 + s*f.span
		for k < len(us) && us[k] < want-tol {
			k++
		}
		if k == len(us) || us[k] > want+tol {
			continue
		}
		for k+1 < len(us) && math.Abs(us[k+1]-want) < math.Abs(us[k]-want) {
			k++
		}
		f.hits++
		end = i + 1
		f.off += (us[k] - want) * (us[k] - want)
		if i == 0 {
			f.first = k
		}
		k++
	}
	f.off /= float64(max(f.hits, 1))
	f.amiss = len(us) + end - 2*f.hits
	if end < len(p.Share) {
		f.amiss++
	}
}

// pairs is the strokes within tol of the pattern as f lays it, the front's own
// first.
func (p Pattern) pairs(us []float64, f fit, tol float64) []pair {
	var of []pair
	k := f.first
	for i, s := range p.Share {
		want := f.t0 + s*f.span
		for k < len(us) && us[k] < want-tol && i > 0 {
			k++
		}
		if k == len(us) || i > 0 && us[k] > want+tol {
			continue
		}
		for i > 0 && k+1 < len(us) && math.Abs(us[k+1]-want) < math.Abs(us[k]-want) {
			k++
		}
		of = append(of, pair{s, us[k]})
		k++
	}
	return of
}

// refine fits front and span to the strokes matched, by least squares.
func (p Pattern) refine(us []float64, f *fit, tol, jitterUs float64) {
	var n, ss, st, sss, sst float64
	k := 0
	for _, s := range p.Share {
		want := f.t0 + s*f.span
		for k < len(us) && us[k] < want-tol {
			k++
		}
		if k == len(us) || us[k] > want+tol {
			continue
		}
		for k+1 < len(us) && math.Abs(us[k+1]-want) < math.Abs(us[k]-want) {
			k++
		}
		n, ss, st, sss, sst = n+1, ss+s, st+us[k], sss+s*s, sst+s*us[k]
		k++
	}
	det := n*sss - ss*ss
	if n < 2 || det < 1e-9 {
		return
	}
	span := (n*sst - ss*st) / det
	if math.Abs(math.Log(span/f.span)) > 0.1 || span <= 0 {
		return
	}
	f.t0, f.span = (st-span*ss)/n, span
	p.match(us, f, max(4*jitterUs, 0.004*span))
	sd := max(jitterUs, math.Sqrt(f.off))
	// The pattern itself is the median of a few passages, as uncertain as a stroke over their root.
	f.uT0 = sd * math.Sqrt(sss/det+1.57/float64(max(len(p.Seen), 1)))
}
