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
	if math.IsNaN(mmS) && f.MmS > 0 {
		mmS = f.MmS
	} else if !math.IsNaN(mmS) {
		f.MmS = mmS
	}
	gate := l.ways[0].index[p.strokes[0].Gate]
	g := &t.Gates[gate].Sight
	out := Passage{
		Slot: slot, W: p.Move.W, Dir: p.Move.Dir, Strokes: len(p.strokes), Missed: p.Move.Missed, Turned: p.Move.Kind == turn,
		Set: p.Move.Kind == set, First: p.Move.Kind == first, Late: p.Move.Late, WantUs: p.Move.WantUs,
	}
	if p.prev != nil && f.MmS > 0 && out.Set {
		// It cannot have run here: what is told is when it should have come to the next gate.
		out.WantUs = math.Abs(l.DistanceMm(slot, p.prev.W, p.prev.W+p.prev.Dir)) / f.MmS * 1e6
	} else if p.prev != nil && f.MmS > 0 {
		// What it is late by is against its speed of late, not one leg's.
		out.WantUs = math.Max(out.WantUs, math.Abs(l.DistanceMm(slot, p.prev.W, p.Move.W))/f.MmS*1e6)
	}
	for _, s := range p.strokes {
		out.EndUs = max(out.EndUs, s.AtUs, s.EndUs)
		if out.Tag == "" {
			out.Tag = s.Tag
		}
	}
	t.rivals(l, slot, p, next, &f)
	manner := g.manner(p.manner())
	g.Manner[p.manner()]++
	whole := t.front(l, p, next, g, &f, f.shape(gate, manner), mmS, &out)
	out.Trap = trap(l, p)
	if b := p.blockUs(); b > 0 && mmS > 0 {
		g.Blocks++
		if mm, _ := l.length(slot, t.Forms[slot]); b/1e6*mmS > 0.4*mm {
			g.Whole++
		}
	}
	g.Strokes += (float64(len(p.strokes)) - g.Strokes) / math.Min(math.Max(g.Passages, 1), 12)
	if p.prev != nil {
		out.Bridge = bridge(l, slot, &f, p)
		if out.Missed == 0 && p.Move.Kind == arrive && p.Move.Dir > 0 && p.prev.Dir > 0 && !out.Doubtful && !p.prev.Doubtful && p.Move.Late < 0.7 && p.Move.RestUs == 0 {
			us, _ := out.Front.Since(p.prev.Front)
			f = f.sector(p.prev.W, l.Gates(), us, l.DistanceMm(slot, p.prev.W, out.W))
		}
	}
	if whole && p.Move.Dir > 0 && !math.IsNaN(around(p, next)) {
		f = f.learn(p, gate, l.Gates(), manner, mmS)
		t.jitter(g, &f, gate, manner, p)
	} else {
		f.Passages++
	}
	return out, f
}

// rivals notes what other strokes of the gate, taken for nothing or for more of the
// train, may as well have been the front's, where its own strokes do not tell.
// Each is as likely as it is near to where the passages before and after place
// the front.
func (t *Tracker) rivals(l *Line, slot int, p, next *pass, f *Form) {
	gate := l.ways[0].index[p.strokes[0].Gate]
	g := &t.Gates[gate].Sight
	manner := g.manner(p.manner())
	shape := f.shape(gate, manner)
	if shape.Pattern.Known() {
		return
	}
	front := p.strokes[0].AtUs
	var at []rival
	prior := 1.0
	for i, s := range slices.Concat(p.strokes[1:], t.Loose) {
		d := float64(s.AtUs - front)
		if s.Gate != p.strokes[0].Gate || math.Abs(d) > elseUs || s.Beam == 2 {
			continue
		}
		if shape.Blocks >= 3 && s.EndUs != 0 && s.EndUs-s.AtUs < (p.strokes[0].EndUs-p.strokes[0].AtUs)/3 {
			continue // too short for the train
		}
		if i < len(p.strokes)-1 && (manner == pulses || manner == blocks) {
			// The train shows many strokes: all those before its front were false.
			prior *= min(1, d/1e6*math.Exp(-g.falseCost(s.AtUs))/float64(i+1))
		} else {
			prior = 1
		}
		at = append(at, rival{s.AtUs, prior})
	}
	if len(at) == 0 {
		return
	}
	if want, sd, ok := p.between(l, slot, next, f); ok {
		mine := normal(float64(front)-want, sd)
		var others, sum float64
		if late := float64(front) - want; late > 0 && (manner == pulses || manner == blocks) {
			others = unseenFront * normal(0, sd) // its front came when it was due, and was not seen
			sum = others * late * late
		}
		for _, r := range at {
			w := r.prior * normal(float64(r.us)-want, sd)
			others += w
			sum += w * float64(r.us-front) * float64(r.us-front)
		}
		if share := others / (mine + others + 1e-300); share > 0.02 {
			p.Split = math.Max(p.Split, math.Sqrt(sum/(mine+others+1e-300)))
		}
	}
}

// rival is a stroke that may have been the front's, and how likely before its
// instant is weighed, against the first of the passage.
type rival struct {
	us    int64
	prior float64
}

// between is where in time the passages before and after place a front, and how
// well, in microseconds.
func (p *pass) between(l *Line, slot int, next *pass, f *Form) (want, sd float64, ok bool) {
	if p.prev == nil || next == nil || p.Move.Kind != arrive || next.Move.Kind != arrive || p.Move.Stood || next.Move.Stood {
		return 0, 0, false
	}
	for _, s := range bridge(l, slot, f, &pass{Move: Move{Kind: arrive, W: next.Move.W, Dir: p.Move.Dir, Missed: 1}, prev: p.prev}) {
		if s.W == p.Move.W {
			span := float64(next.strokes[0].AtUs - p.prev.Front.AtUs)
			return float64(p.prev.Front.AtUs) + s.F*span, math.Max(s.U*span, 5000), true
		}
	}
	return 0, 0, false
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
func (t *Tracker) front(l *Line, p, next *pass, g *Sight, f *Form, shape *Shape, mmS float64, out *Passage) (whole bool) {
	jitter := p.uncertainty(0, g)
	index := p.fronts()
	us := make([]float64, len(index))
	for i, k := range index {
		us[i] = float64(p.strokes[k].AtUs - p.strokes[0].AtUs)
	}
	var found passage.Front
	switch {
	case p.rested:
		// It stood, or the first stroke was no train's: then the rest is a whole one. A
		// train that came, went back and came again was there with the first.
		if found = shape.Pattern.Find(us, shape.SpanMm/mmS*1e6, jitter); found.Index != 1 || len(us)-found.Index > len(shape.Pattern.Share)+1 || len(us)-found.Index < len(shape.Pattern.Share)-1 || len(us) <= len(shape.Pattern.Share) {
			found = passage.Front{Sure: true}
		}
	case p.Move.Dir < 0:
		found = passage.Front{Sure: true} // its rear came first
	case p.longest(index) > 0:
		k := p.longest(index)
		found = passage.Front{Index: k, Us: us[k], Sure: true}
	case shape.Blocks >= 3 && mmS > 0:
		found = p.byBlock(index, shape.BlockMm/mmS*1e6)
	default:
		found = shape.Pattern.Find(us, shape.SpanMm/mmS*1e6, jitter)
	}
	if p.growing && !found.Whole && p.Move.Dir > 0 {
		found = passage.Front{Sure: true} // the rest of it is to come, not what came before
	}
	k := index[max(found.Index, 0)]
	out.Front = p.strokes[k].Stamp
	out.Front.UUs = p.uncertainty(k, g)
	if found.Fitted {
		out.Front = p.at(found.Us, found.UUs)
		out.Doubtful = !found.Own
	}
	if found.Index < 0 {
		out.Front = p.at(found.Us, found.UUs) // by all strokes: the first one's own scatter is in it
		out.Doubtful = found.UUs > 2000
	}
	if shape.Pattern.Known() && !found.Sure && !found.Whole && !p.rested {
		p.partly(us, shape.SpanMm/mmS*1e6, out)
		// The front came before what was seen of the train.
		if want, sd, ok := p.between(l, p.Move.Slot, next, f); ok && want < float64(p.strokes[0].AtUs)+3*sd {
			out.Front = p.strokes[0].Moved(want-float64(p.strokes[0].AtUs), math.Hypot(jitter, sd)).Foreign()
		}
	}
	if s := &p.strokes[k]; s.Beam == 2 && found.Index >= 0 {
		p.behind(l, s, mmS, out)
	}
	if p.Split > agreeUs {
		out.Front.UUs = math.Hypot(out.Front.UUs, p.Split)
		out.Doubtful = true
	}
	return found.Whole && (p.Split == 0 || !shape.Pattern.Known())
}

// partly is the front of a passage of which too little was seen to tell where in
// the train it lies, as when an agent began while the train went by: what lacks may
// all have been before it, or all behind.
func (p *pass) partly(us []float64, expectUs float64, out *Passage) {
	lacks := expectUs - us[len(us)-1]
	if !(lacks > 0) {
		lacks = 0
	}
	out.Front = p.strokes[0].Moved(-lacks/2, math.Hypot(out.Front.UUs, lacks/math.Sqrt(12)))
	out.Doubtful = true
}

// pairScatter is how well the speed between gates is that between the two beams
// of one (common practice, no source).
const pairScatter = 0.05

// at is an instant us after the first stroke, by the clock of the stroke whose own
// is best known: an agent that has just begun may not have exchanged the time yet
// at its first.
func (p *pass) at(us, u float64) passage.Stamp {
	best := 0
	for i, s := range p.strokes {
		if s.UClockUs < p.strokes[best].UClockUs {
			best = i
		}
	}
	return p.strokes[best].Moved(us-float64(p.strokes[best].AtUs-p.strokes[0].AtUs), u)
}

// behind is the front's instant at the first beam of a pair where only the second
// saw it: as much earlier as the train takes from one to the other.
func (p *pass) behind(l *Line, s *passage.Stroke, mmS float64, out *Passage) {
	g := l.Place(p.Move.Slot, p.Move.W)
	way := float64(p.Move.Dir)
	if l.Trains[p.Move.Slot].Reverse {
		way = -way
	}
	us, scatter := g.PairMm/mmS*1e6, pairScatter
	if math.IsNaN(us) || math.IsInf(us, 0) {
		us, scatter = g.PairMm/usualMmS*1e6, usualScatter
	}
	out.Front = s.Moved(-way*us, math.Hypot(s.UUs, scatter*us))
	out.Doubtful = true
}

// uncertainty of a stroke's instant: what the gate states, else its tick, or the
// jitter that its strokes have shown where that is clearly more. (Trains change
// their speed over the gate, which looks like a little jitter.)
func (p *pass) uncertainty(k int, g *Sight) float64 {
	s := &p.strokes[k]
	if shown := math.Sqrt(g.Jitter); !s.Told && g.Jitters >= 20 && shown > 1.4*s.UUs {
		return shown
	}
	return s.UUs
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

// longest is the stroke, other than the first, that alone blocked the beam for
// long: what came before it was no train. It is 0 when there is none.
func (p *pass) longest(index []int) int {
	best := 0
	for i, k := range index {
		s := &p.strokes[k]
		if s.EndUs == 0 {
			return 0
		}
		if b := &p.strokes[index[best]]; s.EndUs-s.AtUs > b.EndUs-b.AtUs {
			best = i
		}
	}
	for i, k := range index {
		s, b := &p.strokes[k], &p.strokes[index[best]]
		if i != best && 6*(s.EndUs-s.AtUs) > b.EndUs-b.AtUs {
			return 0
		}
	}
	return best
}

// jitter learns the scatter of a gate's instants from a passage.
func (t *Tracker) jitter(g *Sight, f *Form, gate, manner int, p *pass) {
	r, n := f.shape(gate, manner).Pattern.Residual(p.instants())
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

// stoodShare is what part of the time a train stood that came so late, as ln(time
// taken / time expected).
func stoodShare(late float64) float64 {
	if late < stoodFrom {
		return 0
	}
	return 1 - math.Exp(-late)
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
		// One that stood on the way did so before that gate or after it.
		stood := stoodShare(p.Move.Late) * math.Sqrt(s*(1-s))
		out = append(out, Share{W: a + dir*(i+1), F: s, U: math.Hypot(s*(1-s)*math.Sqrt(rel), stood)})
	}
	return out
}
