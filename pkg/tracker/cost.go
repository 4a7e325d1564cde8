package tracker

import "math"

var nan = math.NaN()

// Every choice costs -ln of its probability, or of its density per second. The
// shares below are guesses about trains and gates (common practice, no
// source); what gates and trains show of themselves goes before most of them.
const (
	usualMmS     = 300.0 // a train of unknown speed runs about so fast
	usualScatter = 1.0   // within this, as a logarithm
	firstScatter = 0.5   // of a speed seen once
	leastScatter = 0.025
	mostScatter  = 0.5

	evenShare    = 0.946 // of sectors in which a train keeps its speed
	handShare    = 0.044 // in which a hand is on the throttle
	handSD       = 0.45
	fastSD       = 0.28
	handScatter  = 0.12 // of a speed just set
	stopScale    = 1.5  // the rest: slower by a factor, exponential in its logarithm
	firstRate    = 0.1  // a train begins to run, per second
	turnCost     = 9.5  // it turns round
	againCost    = 4.0  // one that runs back turns forward again
	setCost      = 12.0
	freeCost     = 10.0 // that trains can overtake here at all
	orderCost    = 6.0  // what was told of the order was wrong
	headCost     = 5.0  // the front part of a passage was not seen
	unseenFront  = 0.01 // of passages in which more was seen
	headLeast    = 0.15 // s: less is not told apart from an uneven run
	lostStroke   = 1.6  // of the strokes that a train shows at a gate one is lost
	fewStrokes   = 5.0  // a train shows half its strokes or less
	straddleTags = 4.0  // and both tags are read
	straddleIn   = 7.0  // two trains over one another
)

// leg is -ln of the density, per second, that a leg takes t seconds where want
// seconds were expected; of one in which the train stood, when it did.
func leg(t, want, scatter float64, stood bool) float64 {
	r := math.Log(t / want)
	if stood {
		return -math.Log((1 - evenShare - handShare) * math.Exp(-r/stopScale) / stopScale / t)
	}
	return -math.Log((evenShare*normal(r, scatter) + handShare*hand(r)) / t)
}

// hand is the density of ln(time taken / time expected) with a hand on the
// throttle: trains slow down more readily than they gain speed.
func hand(r float64) float64 {
	if r < 0 {
		return normal(r, fastSD)
	}
	return normal(r, handSD)
}

// stoodFrom is how late a train is, as ln(time taken / time expected), from where on it may have
// stood rather than run slower.
const stoodFrom = 0.35

// late is the probability that a leg takes longer than t seconds.
func late(t, want, scatter float64) float64 {
	r := math.Log(t / want)
	p := evenShare*above(r/scatter) + handShare*above(r/handSD)
	if r > 0 {
		return p + (1-evenShare-handShare)*math.Exp(-r/stopScale)
	}
	return p + 1 - evenShare - handShare
}

// fresh is as leg for a train of unknown speed on a way of mm.
func fresh(t, mm float64) float64 {
	return -math.Log(normal(math.Log(mm/t/usualMmS), usualScatter) / t)
}

func normal(x, sd float64) float64 {
	z := x / sd
	return math.Exp(-z*z/2) / (sd * 2.5066282746310002)
}

// above is the probability that a standard normal exceeds z.
func above(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }

// Sight is what a gate has shown of itself.
type Sight struct {
	Passages float64          `json:"passages"`
	Missed   float64          `json:"missed"`
	Strokes  float64          `json:"strokes"`          // of a passage, on the mean
	Blocks   float64          `json:"blocks,omitempty"` // passages of which the length of a block is known
	Whole    float64          `json:"whole,omitempty"`  // of these, as long as the train
	Manner   [manners]float64 `json:"manner"`           // passages by what was told of them
	False    float64          `json:"false"`
	Tagged   float64          `json:"tagged"` // of passages of trains that have a tag
	Tags     float64          `json:"tags"`   // of these, with a tag read
	SinceUs  int64            `json:"since"`
	LastUs   int64            `json:"last,omitempty"`     // last stroke
	Short    float64          `json:"short,omitempty"`    // short times between strokes, how many of late,
	ShortLn  float64          `json:"short_ln,omitempty"` // and the sum of their logarithms, s
	Jitter   float64          `json:"jitter,omitempty"`   // us^2, mean square of what strokes differ from patterns by
	Jitters  int              `json:"jitters,omitempty"`
}

// missCost is that of a passage unseen.
func (g *Sight) missCost() float64 { return -math.Log((g.Missed + 0.4) / (g.Passages + g.Missed + 40)) }

// falseCost is that of a crossing of no train: their rate, beginning from one in
// ten minutes as if watched for one.
func (g *Sight) falseCost(atUs int64) float64 {
	watched := 60.0
	if g.SinceUs > 0 {
		watched += max(0, float64(atUs-g.SinceUs)/1e6)
	}
	return -math.Log((g.False + 0.1) / watched)
}

// shortS is a time between strokes that are mostly of one passage, s.
const shortS = 1.5

// struck takes the instant of a stroke in.
func (g *Sight) struck(us int64) {
	if s := float64(us-g.LastUs) / 1e6; g.LastUs != 0 && s < shortS && s > 0 {
		g.Short, g.ShortLn = 0.97*g.Short+1, 0.97*g.ShortLn+math.Log(s)
	}
	g.LastUs = us
}

// silence is the density, per second, of a silence of s seconds between two
// strokes of one passage: axles of a bogie follow soon, bogies later. It is
// lognormal about what this gate has shown (the spread is common practice, no source).
func (g *Sight) silence(s float64) float64 {
	s = max(s, 1e-3)
	if g.Short < 3 || g.Short < 0.5*g.Passages && g.Short < 10 {
		return normal(math.Log(s/0.3), 1.8) / s
	}
	return normal(math.Log(s)-g.ShortLn/g.Short, 1.3) / s
}

// wholeRate is how likely the gate is one that a train blocks as a whole.
func (g *Sight) wholeRate() float64 { return (g.Whole + 1) / (g.Blocks + 2) }

// readRate is how often a tag is read.
func (g *Sight) readRate() float64 { return (g.Tags + 0.5) / (g.Tagged + 1) }

const (
	wrongTag  = 0.02 // of tags read are another train's
	twoTags   = 1.5  // cost of two tags in one passage
	againTag  = 1.0  // of the same wrong tag once more
	noTagRead = 0.01 // a train said to have none shows one
)

// tagCost is what a tag, or none, says against a train.
func (l *Line) tagCost(slot int, tag string, g *Sight) float64 {
	own := l.Trains[slot].Tag
	switch {
	case tag == "" && own == "":
		return 0
	case tag == "":
		return -math.Log(1 - 0.97*g.readRate())
	case own == "" && l.stranger(tag):
		return 0.7 // a tag that nobody told of, on a train of which nobody told the tag
	case own == "":
		return -math.Log(noTagRead)
	case tag == own:
		return -math.Log((1 - wrongTag) * max(g.readRate(), 0.2))
	}
	return -math.Log(wrongTag * max(g.readRate(), 0.2) / 2)
}

// stranger reports whether a tag is no trial's.
func (l *Line) stranger(tag string) bool {
	for i := range l.Trains {
		if l.Trains[i].Tag == tag {
			return false
		}
	}
	return true
}
