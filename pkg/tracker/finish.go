package tracker

import (
	"math"
	"slices"

	"rainhill/pkg/passage"
)

// agreeUs is within how much another way to see a passage leaves its instant
// what it is.
const agreeUs = 2000

// finish is what a passage was, now that the next is known (nil: none comes),
// and what the train's form is after it.
func (t *Tracker) finish(l *Line, slot int, p, next *pass) (Passage, Form) {
	var f Form
	if known := t.Forms[slot]; known != nil {
		f = *known
	}
	mmS := around(p, next)
	g := &t.Gates[l.ways[0].index[p.strokes[0].Gate]].Sight
	out := Passage{
		Slot: slot, W: p.Move.W, Dir: p.Move.Dir, Strokes: len(p.strokes), Missed: p.Move.Missed, Turned: p.Move.Kind == turn,
		Set: p.Move.Kind == set, First: p.Move.Kind == first, Late: p.Move.Late, WantUs: p.Move.WantUs,
	}
	for _, s := range p.strokes {
		out.EndUs = max(out.EndUs, s.AtUs, s.EndUs)
		if out.Tag == "" {
			out.Tag = s.Tag
		}
	}
	whole := t.front(l, p, g, &f, mmS, &out)
	out.Trap = trap(l, p)
	if p.prev != nil {
		out.Bridge = bridge(l, slot, &f, p)
		if out.Missed == 0 && p.Move.Kind == arrive && p.Move.Dir > 0 && p.prev.Dir > 0 && !out.Doubtful && !p.prev.Doubtful && p.Move.Late < 0.7 && p.Move.RestUs == 0 {
			us, _ := out.Front.Since(p.prev.Front)
			f = f.sector(p.prev.W, l.Gates(), us, l.DistanceMm(slot, p.prev.W, out.W))
		}
	}
	if whole && p.Move.Dir > 0 && !math.IsNaN(mmS) {
		f = f.learn(p, mmS)
		t.jitter(g, &f, p)
	} else {
		f.Passages++
	}
	return out, f
}

// around is the speed at a passage: between those towards it and away from it.
func around(p, next *pass) float64 {
	before, after := p.MmS, math.NaN()
	if before == 0 {
		before = math.NaN()
	}
	if next != nil {
		after = next.MmS
	}
	switch {
	case math.IsNaN(before):
		return after
	case math.IsNaN(after):
		return before
	}
	return (before + after) / 2
}

// front tells the instant of the front, and whether the strokes were a whole
// passage and nothing else.
func (t *Tracker) front(l *Line, p *pass, g *Sight, f *Form, mmS float64, out *Passage) (whole bool) {
	jitter := p.strokes[0].UUs
	if !p.strokes[0].Told && g.Jitters >= 20 {
		jitter = math.Max(jitter, math.Sqrt(g.Jitter))
	}
	index := p.fronts()
	us := make([]float64, len(index))
	for i, k := range index {
		us[i] = float64(p.strokes[k].AtUs - p.strokes[0].AtUs)
	}
	var found passage.Front
	switch {
	case p.rested:
		found = passage.Front{Sure: true}
	case p.Move.Dir < 0:
		found = passage.Front{Sure: true} // its rear came first
	case f.Blocks >= 3 && mmS > 0:
		found = p.byBlock(index, f.BlockMm/mmS*1e6)
	default:
		found = f.Pattern.Find(us, f.SpanMm/mmS*1e6, jitter)
	}
	k := index[max(found.Index, 0)]
	out.Front = p.strokes[k].Stamp
	out.Front.UUs = p.uncertainty(k, g)
	if found.Index < 0 {
		out.Front = p.strokes[0].Moved(found.Us, math.Hypot(jitter, found.UUs))
		out.Doubtful = found.UUs > 2000
	}
	if p.Split > agreeUs {
		out.Front.UUs = math.Hypot(out.Front.UUs, p.Split)
		out.Doubtful = true
	}
	return found.Whole && p.Split == 0
}

// uncertainty of a stroke's instant: what the gate states, else its tick, or the
// jitter that its strokes have shown.
func (p *pass) uncertainty(k int, g *Sight) float64 {
	s := &p.strokes[k]
	if s.Told || g.Jitters < 20 {
		return s.UUs
	}
	return math.Max(s.UUs, math.Sqrt(g.Jitter))
}

// fronts are the strokes that may be the front's: those of the first beam of a
// pair where it saw anything.
func (p *pass) fronts() []int {
	var one, all []int
	for i, s := range p.strokes {
		all = append(all, i)
		if s.Beam != 2 {
			one = append(one, i)
		}
	}
	if len(one) > 0 {
		return one
	}
	return all
}

// byBlock takes the stroke that blocked the beam for as long as the train does.
func (p *pass) byBlock(index []int, expectUs float64) passage.Front {
	for i, k := range index {
		s := &p.strokes[k]
		if s.EndUs == 0 {
			continue
		}
		if d := float64(s.EndUs-s.AtUs) / expectUs; d > 0.6 && d < 1.8 {
			return passage.Front{Index: i, Us: float64(s.AtUs - p.strokes[0].AtUs), Sure: true, Whole: len(index) == 1}
		}
	}
	return passage.Front{Sure: len(index) == 1, Whole: len(index) == 1}
}

// jitter learns the scatter of a gate's instants from a passage.
func (t *Tracker) jitter(g *Sight, f *Form, p *pass) {
	r, n := f.Pattern.Residual(p.instants())
	if n == 0 {
		return
	}
	g.Jitters += n
	w := float64(min(g.Jitters, 2000))
	g.Jitter += float64(n) / w * (r - g.Jitter)
}

// trap is the speed between the two beams of a pair.
func trap(l *Line, p *pass) *Trap {
	i := slices.IndexFunc(p.strokes, func(s passage.Stroke) bool { return s.Beam == 1 })
	k := slices.IndexFunc(p.strokes, func(s passage.Stroke) bool { return s.Beam == 2 })
	g := l.Place(p.Move.Slot, p.Move.W)
	if i < 0 || k < 0 || g.PairMm <= 0 {
		return nil
	}
	us, u := p.strokes[k].Since(p.strokes[i].Stamp)
	if us == 0 {
		return nil
	}
	v := g.PairMm / float64(us) * 1e6
	if l.Trains[p.Move.Slot].Reverse {
		v = -v
	}
	return &Trap{MmS: v, U: math.Abs(v * u / float64(us))}
}

// bridge is where in time the missed gates before a passage lie: as the train's
// own laps have it.
func bridge(l *Line, slot int, f *Form, p *pass) []Share {
	a, b, dir := p.prev.W, p.Move.W, p.Move.Dir
	if p.Move.Missed == 0 || dir != p.prev.Dir || p.Move.Kind != arrive {
		return nil
	}
	type part struct{ t, v float64 }
	var parts []part
	var total float64
	for w := a; w != b; w += dir {
		k := min(w, w+dir)
		mm := l.DistanceMm(slot, k, k+1) * f.pace(k)
		parts, total = append(parts, part{mm, mm * mm * f.variance(k)}), total+mm
	}
	var out []Share
	var gone, goneV float64
	var restV float64
	for _, x := range parts {
		restV += x.v
	}
	for i, x := range parts[:len(parts)-1] {
		gone, goneV, restV = gone+x.t, goneV+x.v, restV-x.v
		s := gone / total
		// f = T1/(T1+T2): the relative variances of T1 and T2 add, times f(1-f) (GUM 5.1.2).
		rel := goneV/(gone*gone) + restV/((total-gone)*(total-gone))
		out = append(out, Share{W: a + dir*(i+1), F: s, U: s * (1 - s) * math.Sqrt(rel)})
	}
	return out
}
