package replay

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

const (
	// trialLeadUs and trialTailUs are how much a replay of one trial shows before
	// it and after it.
	trialLeadUs = int64(5_000_000)
	trialTailUs = int64(3_000_000)
)

// player holds a session and the state at one place of it. It reads no clock but
// to keep a step short.
type player struct {
	site   string
	tape   tape
	marks  marks
	state  *trial.State
	motors []wire.MotorVerdict
	facts  int // stepped so far
	told   wire.ReplayState
	trials []wire.ReplayTrial

	closing     int // the fact that closed it, beyond all while it is open
	first, last int // the crossings of the time range: from first to before last
	shown       int // told.Crossing is the one before this
}

// newPlayer holds no fact yet. What is read into it keeps every crossing, as the
// scorer does when it scores a session again that was corrected.
func newPlayer(site string) *player {
	p := &player{site: site, closing: math.MaxInt, state: trial.New(site)}
	p.state.KeepAll()
	return p
}

// take puts the next record at the end of the session and steps it.
func (p *player) take(record []byte, e wire.Event, ok bool, atUs int64) error {
	if err := p.tape.add(record, e, atUs); err != nil {
		return err
	}
	p.step(e, ok)
	if !p.marks.passed(e.Kind) {
		return nil
	}
	return p.marks.keep(p.facts, saved{p.state, p.newest()})
}

func (p *player) step(e wire.Event, ok bool) trial.Changes {
	p.facts++
	if !ok {
		return trial.Changes{}
	}
	c := p.state.Step(e)
	p.motors = append(p.motors, c.Motors...)
	if len(p.motors) > 2*motorsKept {
		p.motors = slices.Clone(p.newest())
	}
	return c
}

func (p *player) newest() []wire.MotorVerdict {
	return p.motors[max(0, len(p.motors)-motorsKept):]
}

// lay ends the reading: it notes what the session was in the end and lays out the
// time range, of the whole session or of one trial. No such trial is not ok.
func (p *player) lay(only string) (ok bool) {
	t := &p.told
	t.FromUs, t.ToUs = p.tape.atUs[0], p.tape.atUs[p.tape.facts()-1]
	t.Facts, t.Trial = p.tape.facts(), only
	ok = only == ""
	if p.state.Book != nil {
		t.Name, t.Running = p.state.Book.Session.Name, p.state.Book.Session.ClosedUs == 0
	}
	for _, r := range p.state.Results().Trials {
		about := p.about(r)
		p.trials = append(p.trials, about)
		if r.Trial == only {
			ok = true
			from, to := t.FromUs, t.ToUs
			t.FromUs = min(to, max(from, about.FromUs-trialLeadUs))
			if about.ToUs != 0 {
				t.ToUs = max(t.FromUs, min(to, about.ToUs+trialTailUs))
			}
		}
	}
	p.first = p.tape.crossingsBefore(p.tape.until(t.FromUs - 1))
	p.last = p.tape.crossingsBefore(p.tape.until(t.ToUs))
	t.Crossings = p.last - p.first
	return ok
}

func (p *player) about(r wire.TrialResult) wire.ReplayTrial {
	out := wire.ReplayTrial{Trial: r.Trial, LapsUs: []int64{}}
	i := slices.IndexFunc(p.state.Book.Trials, func(t *trial.Entry) bool { return t.Trial.ID == r.Trial })
	v := p.state.Book.Trials[i].Trial
	out.Locomotive, out.FromUs, out.ToUs = v.Locomotive, v.FromUs, v.ToUs
	out.Name = cmp.Or(p.state.Locomotives[v.Locomotive].Name, v.Locomotive)
	for _, l := range r.Laps {
		out.LapsUs = append(out.LapsUs, l.StartUs)
	}
	return out
}

// seek goes to the state after so many facts, from the nearest state kept before.
func (p *player) seek(ctx context.Context, facts int) error {
	from := p.marks.before(facts)
	if near := facts >= p.facts && p.state != nil && (from == nil || p.facts >= from.facts); !near {
		if err := p.begin(from); err != nil {
			return err
		}
	}
	for p.facts < facts {
		if p.facts%blockFacts == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		e, ok, err := p.tape.event(p.facts)
		if err != nil {
			return err
		}
		p.step(e, ok)
	}
	return nil
}

func (p *player) begin(from *mark) error {
	if from == nil {
		p.state, p.motors, p.facts = trial.New(p.site), nil, 0
		p.state.KeepAll()
		return nil
	}
	s, err := from.open()
	if err != nil {
		return err
	}
	p.state, p.motors, p.facts = s.State, s.Motors, from.facts
	return nil
}

// seekAt goes to an instant, the nearest of the time range.
func (p *player) seekAt(ctx context.Context, atUs int64) error {
	atUs = min(p.told.ToUs, max(p.told.FromUs, atUs))
	if err := p.seek(ctx, p.tape.until(atUs)); err != nil {
		return err
	}
	p.at(atUs)
	return nil
}

// stepBy goes by crossings on, or back: back is first to the newest crossing
// itself where its instant has passed. Before the first lies the beginning of the
// time range, behind the last its end.
func (p *player) stepBy(ctx context.Context, by int) error {
	n := p.tape.crossingsBefore(p.facts) // so many have been
	if by < 0 && n > p.first && p.told.AtUs > p.tape.atUs[p.tape.crossings[n-1]] {
		n++
	}
	to := n + by
	switch {
	case to <= p.first:
		return p.seekAt(ctx, p.told.FromUs)
	case to > p.last:
		return p.seekAt(ctx, p.told.ToUs)
	}
	i := p.tape.crossings[to-1]
	if err := p.seek(ctx, i+1); err != nil {
		return err
	}
	p.at(p.tape.atUs[i])
	return nil
}

// advance steps on to an instant, for so long at most: when time runs out before,
// the instant reached is that of the last fact. It says what is new.
func (p *player) advance(atUs int64, most time.Duration) (c trial.Changes, err error) {
	atUs = min(atUs, p.told.ToUs)
	begun := time.Now()
	for p.facts < p.tape.facts() && p.tape.atUs[p.facts] <= atUs {
		if p.facts%32 == 0 && time.Since(begun) > most {
			atUs = max(p.told.AtUs, p.tape.atUs[p.facts-1])
			break
		}
		if p.facts >= p.closing { // the end was kept: what a state on the way let go may count in it
			c.Setup = true
			if err := p.seek(context.Background(), p.tape.facts()); err != nil {
				return c, err
			}
			break
		}
		e, ok, err := p.tape.event(p.facts)
		if err != nil {
			return c, err
		}
		c.Merge(p.step(e, ok))
		if n := len(c.Motors); n > 2*motorsKept {
			c.Motors = slices.Clone(c.Motors[n-motorsKept:])
		}
	}
	p.at(atUs)
	return c, nil
}

// at notes the instant, and what can be said of it.
func (p *player) at(atUs int64) {
	t := &p.told
	t.AtUs, t.Done, t.Ended = atUs, p.facts, atUs >= t.ToUs && p.facts >= p.tape.until(t.ToUs)
	if t.Ended {
		t.Rate = 0
	}
	n := p.tape.crossingsBefore(p.facts)
	t.Index = min(max(0, n-p.first), t.Crossings)
	if t.Index == 0 {
		t.Crossing, p.shown = nil, 0
	}
	if t.Index == 0 || p.shown == n {
		return
	}
	t.Crossing, p.shown = nil, n
	if e, ok, err := p.tape.event(p.tape.crossings[n-1]); err == nil && ok {
		t.Crossing = &wire.ReplayCrossing{Gate: e.Gate, Edge: e.Edge, Agent: e.Agent, AtUs: e.AtUs, BusUs: e.BusUs, JournalSeq: e.JournalSeq}
	}
}

// view is all a page needs to begin at this place.
func (p *player) view() wire.View {
	v := p.state.View()
	v.NowUs = p.told.AtUs
	v.Motors = append(v.Motors, p.newest()...)
	told := p.told
	v.Replay = &told
	return v
}

// frame is what is new, for a page that holds the view before it.
func (p *player) frame(c trial.Changes) wire.Frame {
	f := p.state.Frame(c)
	f.NowUs = p.told.AtUs
	told := p.told
	f.Replay = &told
	return f
}

func (p *player) bytes() int { return p.tape.bytes() + p.marks.bytes() }
