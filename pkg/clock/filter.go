package clock

import (
	"cmp"
	"math"
	"slices"
)

const (
	windowUs = 600_000_000 // exchanges older than this are let go
	most     = 40          // exchanges kept
)

// Filter keeps the telling exchanges of one boot of one agent and the line fitted
// to them. It is a value: Add returns a new one and leaves the old as it was. The
// zero Filter holds none.
type Filter struct {
	Kept    []Exchange `json:"kept,omitempty"`    // by agent time, oldest first
	Suspect *Exchange  `json:"suspect,omitempty"` // contradicts the line a little; the next one decides
	Epoch   int        `json:"epoch,omitempty"`   // times the clock was found set; offsets of two epochs are of two clocks
	FromUs  int64      `json:"from_us,omitempty"` // T2 of the first exchange of this epoch
	Line    Line       `json:"line"`
}

// Len is how many exchanges are kept.
func (f Filter) Len() int { return len(f.Kept) }

// At is the clock at an agent instant; ok is false when nothing is kept.
func (f Filter) At(rawUs int64) (fix Fix, ok bool) {
	if len(f.Kept) == 0 {
		return Fix{}, false
	}
	return f.Line.At(rawUs), true
}

// Add takes one more exchange in. One that cannot have happened is left out. One that
// contradicts the line by more than its own delay can explain shows that the clock
// was set: at once when by much, together with the next when by little.
func (f Filter) Add(ex Exchange) Filter {
	switch {
	case !ex.possible():
		return f
	case len(f.Kept) == 0:
		return f.anew(f.Epoch, ex)
	case ex.T2Us < f.FromUs:
		return f // of the clock before
	}
	beyond := f.contradiction(ex)
	late := ex.T2Us < f.Kept[len(f.Kept)-1].T2Us
	switch {
	case beyond > 0 && late:
		return f
	case beyond > surelySet:
		return f.anew(f.Epoch+1, ex)
	case f.Suspect != nil && beyond > 0 && agree(*f.Suspect, ex):
		return f.anew(f.Epoch+1, *f.Suspect).Add(ex)
	case beyond > 0:
		f.Suspect = &ex
		return f
	case f.Suspect != nil && !agree(*f.Suspect, ex):
		f.Suspect = nil
	}
	return f.insert(ex)
}

// surelySet is the contradiction in microseconds from which on one exchange is enough.
const surelySet = 5000

// sure is how many standard uncertainties of the line explain a difference without a
// step: at the prior skew this lets a clock be 600 parts in a million off.
const sure = 6

// contradiction is by how many microseconds an exchange lies beyond what half its
// delay and the line's uncertainty can explain; not above 0 when they can.
func (f Filter) contradiction(ex Exchange) float64 {
	// The time passed is the bus's: the agent's clock is what is in question.
	at := f.Line.RefUs + (ex.T2Us - f.Kept[len(f.Kept)-1].T2Us)
	off := float64(ex.offset()-f.Line.BaseUs) - f.Line.beyond(f.Line.since(at))
	return math.Abs(off) - float64(ex.delay())/2 - sure*f.Line.At(at).UUs
}

// agree tells whether two exchanges can be of one clock.
func agree(a, b Exchange) bool {
	apart := math.Abs(float64(a.offset() - b.offset()))
	between := math.Abs(float64(b.T2Us - a.T2Us))
	return apart <= float64(a.delay()+b.delay())/2+sure*priorSkew*between+sure
}

func (f Filter) anew(epoch int, ex Exchange) Filter {
	kept := []Exchange{ex}
	return Filter{Kept: kept, Epoch: epoch, FromUs: ex.T2Us, Line: fit(kept)}
}

// insert puts an exchange in its place, lets go what is too old, and of the two that
// lie closest the one with the longer delay when there are too many.
func (f Filter) insert(ex Exchange) Filter {
	i, _ := slices.BinarySearchFunc(f.Kept, ex.agentUs(), func(k Exchange, t int64) int { return cmp.Compare(k.agentUs(), t) })
	kept := make([]Exchange, 0, most+1)
	kept = append(append(append(kept, f.Kept[:i]...), ex), f.Kept[i:]...)
	newest := kept[len(kept)-1].T2Us
	kept = slices.DeleteFunc(kept, func(k Exchange) bool { return newest-k.T2Us > windowUs })
	if len(kept) > most {
		kept = thin(kept)
	}
	f.Kept, f.Line = kept, fit(kept)
	return f
}

func thin(kept []Exchange) []Exchange {
	at, least := 1, int64(math.MaxInt64)
	for i := 1; i < len(kept); i++ {
		if gap := kept[i].agentUs() - kept[i-1].agentUs(); gap < least {
			at, least = i, gap
		}
	}
	if kept[at-1].delay() >= kept[at].delay() {
		at--
	}
	return slices.Delete(kept, at, at+1)
}

// Since is the filter without the exchanges whose T2 lies before an instant of
// bus time.
func (f Filter) Since(t2Us int64) Filter {
	kept := slices.DeleteFunc(slices.Clone(f.Kept), func(k Exchange) bool { return k.T2Us < t2Us })
	switch len(kept) {
	case len(f.Kept):
		return f
	case 0:
		return Filter{Epoch: f.Epoch}
	}
	f.Kept, f.Line = kept, fit(kept)
	return f
}
