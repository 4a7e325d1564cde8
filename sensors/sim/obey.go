package sim

import (
	"encoding/json"
	"math"
	"slices"
	"sync"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/dynamics"
	"rainhill/pkg/wire"
)

// deadmanUs is how long an agent runs a motor on one command.
const deadmanUs = 500_000

// Command is a motor's throttle as commanded, from an instant on until a later
// one of the same motor, and until UntilUs (0: no end), when the motor stops.
type Command struct {
	Motor           string
	DutyPermille    int64
	FromUs, UntilUs int64
}

// order is a command in seconds of the run.
type order struct{ duty, fromS, untilS float64 }

// Command gives a motor its throttle. From its first on the throttle programme of
// that motor is over. Commands of one motor come in order.
func (r *Railway) Command(c Command) {
	o := order{float64(c.DutyPermille) / 1000, float64(c.FromUs-r.startUs) / 1e6, math.Inf(1)}
	if c.UntilUs != 0 {
		o.untilS = float64(c.UntilUs-r.startUs) / 1e6
	}
	for _, b := range r.trains {
		for i, d := range b.Loco.Sets {
			if d.Motor == c.Motor {
				b.orders[i] = append(inForce(b.orders[i], r.nowS()), o)
			}
		}
	}
}

// motors is the motors of all trains, each once.
func (r *Railway) motors() (all []string) {
	for _, b := range r.trains {
		for _, d := range b.Loco.Sets {
			if !slices.Contains(all, d.Motor) {
				all = append(all, d.Motor)
			}
		}
	}
	return all
}

// inForce drops commands that a later one has put out of force.
func inForce(list []order, atS float64) []order {
	n := 0
	for n+1 < len(list) && list[n+1].fromS <= atS {
		n++
	}
	return slices.Delete(list, 0, n)
}

// commanded is what set i is commanded at a second; ok is false while it never was.
func (b *body) commanded(i int, atS float64) (duty float64, ok bool) {
	b.orders[i] = inForce(b.orders[i], atS)
	if len(b.orders[i]) == 0 || b.orders[i][0].fromS > atS {
		return 0, false
	}
	b.disturbed, b.obeys[i] = true, true
	if o := b.orders[i][0]; atS < o.untilS {
		return o.duty, true
	}
	return 0, true
}

// obey puts what is commanded in place of the throttle programme. The driver who
// keeps trains apart still does, either way; a train to which something happens
// has its throttle closed.
func (b *body) obey(duty *[dynamics.MaxSets]float64, atS, ahead, behind float64) {
	for i := range b.Loco.Sets {
		d, ok := b.commanded(i, atS)
		if !ok || b.phase == backing {
			continue
		}
		gap := ahead
		if d < 0 {
			gap = behind
		}
		if b.phase != running {
			d = 0
		}
		duty[i] = d * min(max((gap-closeMm)/(easeMm-closeMm), 0), 1)
	}
}

// keepBoots is of how many boots of driving services the last number is kept,
// mostWaiting how many commands wait for a railway that waits for the bus.
const (
	keepBoots   = 16
	mostWaiting = 10_000
)

// orders is what a run has heard of throttle commands and not yet given to the
// railway.
type orders struct {
	now  func() int64 // the run's instant, us
	came chan struct{}

	mu    sync.Mutex
	last  map[string][]bootSeq // by motor, the newest boot last
	list  []Command
	taken map[string]bool // motors that somebody has taken from their programme
	all   bool            // all of them, by a stop of all motors
}

type bootSeq struct {
	boot string
	seq  uint64
}

func newOrders(now func() int64) *orders {
	return &orders{now: now, came: make(chan struct{}, 1), last: map[string][]bootSeq{}, taken: map[string]bool{}}
}

// driven notes which motors somebody has in hand: those that were armed, and all once
// somebody has stopped all of them since sinceUs. The zeros with which a driving service
// begins are for motors that nobody drives, and a train that runs its programme is driven.
func (o *orders) driven(sinceUs int64, m *nats.Msg) {
	var d wire.Driving
	if json.Unmarshal(m.Data, &d) != nil {
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, x := range d.Motors {
		o.taken[x.Motor] = true
	}
	o.all = o.all || d.Pressed && d.StoppedUs > sinceUs
}

// hear takes a command for a motor unless it is malformed, another's, or old, or a 0 for
// one that runs its programme and that nobody has taken from it.
func (o *orders) hear(motor string, life int64, m *nats.Msg) {
	t, err := wire.DecodeThrottle(m.Data)
	if err != nil || t.Motor != motor {
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.fresh(t) || t.DutyPermille == 0 && !o.all && !o.taken[motor] {
		return
	}
	o.taken[motor] = true
	at := o.now()
	if len(o.list) >= mostWaiting {
		o.list = slices.Delete(o.list, 0, mostWaiting/2)
	}
	o.list = append(o.list, Command{t.Motor, t.DutyPermille, at, at + life})
	select {
	case o.came <- struct{}{}:
	default:
	}
}

// fresh is whether a command is not an old one, and notes it.
func (o *orders) fresh(t wire.Throttle) bool {
	list := o.last[t.Motor]
	i := slices.IndexFunc(list, func(b bootSeq) bool { return b.boot == t.Boot })
	if i >= 0 {
		if t.Seq <= list[i].seq {
			return false
		}
		list[i].seq = t.Seq
		return true
	}
	list = append(list, bootSeq{t.Boot, t.Seq})
	o.last[t.Motor] = list[max(0, len(list)-keepBoots):]
	return true
}

func (o *orders) take() []Command {
	o.mu.Lock()
	defer o.mu.Unlock()
	list := o.list
	o.list = nil
	return list
}
