package replay

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

const (
	framePause = 50 * time.Millisecond  // at most 20 frames a second
	heartbeat  = 250 * time.Millisecond // said at least so often, also when nothing moves
	noteEvery  = 100 * time.Millisecond // while reading
	// stepMost is how long the facts of one frame may take: where there are more than
	// that, the replay is slower than was asked, and says the instant it has reached.
	stepMost = 200 * time.Millisecond
	// lapsMost is how many laps of a trial one message holds.
	lapsMost = 1500
)

// show is one replay and its viewer.
type show struct {
	service  *service
	asked    wire.ReplayOpen
	controls chan wire.ReplayControl
	end      context.CancelFunc
	heard    atomic.Int64 // when its viewer last spoke, ns since the epoch
	read, of atomic.Int64 // facts while reading
	held     int64        // bytes, of the service's held

	*player
	fromUs int64     // while it plays: the instant shown at since
	since  time.Time // by the clock on the wall
}

func newShow(s *service, o wire.ReplayOpen) *show {
	w := &show{service: s, asked: o, controls: make(chan wire.ReplayControl, 64), player: newPlayer(s.site)}
	w.heard.Store(time.Now().UnixNano())
	return w
}

// run reads the session and shows it until ctx is done or nobody looks on.
func (w *show) run(ctx context.Context) {
	err := w.reading(ctx)
	if err == nil {
		err = w.play(ctx)
	}
	switch {
	case ctx.Err() != nil:
		err = errors.New("the replay was closed")
	case errors.Is(err, errDeserted):
		err = fmt.Errorf("%w for %s, so the replay was closed", err, w.service.limits.silence)
	}
	w.say(wire.ReplayNote{Type: "replay", Reason: err.Error()})
}

func (w *show) say(v any) {
	b, err := json.Marshal(v)
	if err == nil {
		err = w.service.nc.Publish(bus.Replay(w.site, w.asked.ID), b)
	}
	if err != nil {
		b, _ = json.Marshal(wire.ReplayNote{Type: "replay", Reason: fmt.Sprintf("a message of the replay could not be sent: %v", err)})
		_ = w.service.nc.Publish(bus.Replay(w.site, w.asked.ID), b)
	}
}

var errDeserted = errors.New("nobody looked on")

func (w *show) deserted() bool {
	return time.Since(time.Unix(0, w.heard.Load())) > w.service.limits.silence
}

// reading reads the session, and says how far it is meanwhile.
func (w *show) reading(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- w.readAll(ctx) }()
	tick := time.NewTicker(noteEvery)
	defer tick.Stop()
	for {
		select {
		case err := <-done:
			return err
		case <-tick.C:
			if w.deserted() {
				cancel()
				<-done
				return errDeserted
			}
			w.say(wire.ReplayNote{Type: "replay", Replay: &wire.ReplayState{
				Session: w.asked.Session, Trial: w.asked.Trial, Done: int(w.read.Load()), Facts: int(w.of.Load())}})
		}
	}
}

func (w *show) readAll(ctx context.Context) error {
	id, first, last, err := journal.Extent(ctx, w.service.js, w.site, w.asked.Session)
	if err != nil {
		return err
	}
	tip := last
	if tip == 0 {
		if tip, _, err = journal.Tip(ctx, w.service.js, w.site); err != nil {
			return err
		}
	}
	w.of.Store(int64(tip - first + 1))
	w.marks.apart = max(marksApart, 2*int(tip-first+1)/marksMost)
	r := reader{show: w, first: first, last: last}
	if _, err := journal.Session(ctx, w.service.js, w.site, id, r.take); err != nil {
		return err
	}
	if w.tape.facts() == 0 {
		return fmt.Errorf("session %q holds no facts", id)
	}
	w.told.Session = id
	if err := w.marks.end(w.facts, saved{w.state, w.newest()}); err != nil {
		return err
	}
	if !w.lay(w.asked.Trial) {
		return fmt.Errorf("session %q has no trial %q", id, w.asked.Trial)
	}
	if w.asked.AtUs == 0 {
		w.asked.AtUs = w.told.FromUs
	}
	return w.seekAt(ctx, w.asked.AtUs)
}

// reader puts a session on the time axis. What was before it lies where it begins,
// what was decided after its close where it ends: the days between are not played.
type reader struct {
	*show
	first, last uint64
	before      [][]byte
	closedUs    int64
}

func (r *reader) take(seq uint64, record []byte) error {
	if seq < r.first {
		r.before = append(r.before, append([]byte(nil), record...))
		return nil
	}
	e, ok := decode(record)
	atUs := e.BusUs
	switch {
	case seq == r.first:
		for _, b := range r.before {
			e, ok := decode(b)
			if err := r.put(b, e, ok, atUs); err != nil {
				return err
			}
		}
		r.before = nil
	case seq == r.last:
		r.closing = r.player.facts
	case r.last != 0 && seq > r.last:
		atUs = r.closedUs
	}
	r.closedUs = atUs
	return r.put(record, e, ok, atUs)
}

func decode(record []byte) (e wire.Event, ok bool) {
	ok = json.Unmarshal(record, &e) == nil
	return e, ok
}

func (r *reader) put(record []byte, e wire.Event, ok bool, atUs int64) error {
	if err := r.player.take(record, e, ok, atUs); err != nil {
		return err
	}
	n := r.read.Add(1)
	if n%blockFacts != 0 {
		return nil
	}
	now := int64(r.player.bytes())
	if all := r.service.held.Add(now - r.show.held); all > r.service.limits.bytes {
		r.show.held = now
		return fmt.Errorf("the session is too long to be replayed now: after %d facts the sessions held for replays would take more than %d MB", n, r.service.limits.bytes>>20)
	}
	r.show.held = now
	return nil
}

// play shows the session until ctx is done or nobody looks on.
func (w *show) play(ctx context.Context) error {
	v := w.view()
	v.Replay.Trials = w.trials
	w.goOn(w.asked.Rate)
	v.Replay.Rate = w.told.Rate
	w.say(v)
	tick := time.NewTicker(framePause)
	defer tick.Stop()
	said := time.Now()
	for !w.deserted() {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case c := <-w.controls:
			if err := w.obey(ctx, c); err != nil {
				return err
			}
			said = time.Now()
		case <-tick.C:
			if w.told.Rate == 0 && time.Since(said) < heartbeat {
				continue
			}
			if err := w.frameDue(); err != nil {
				return err
			}
			said = time.Now()
		}
	}
	return errDeserted
}

// goOn plays on from here at a rate, or stands still at 0.
func (w *show) goOn(rate float64) {
	w.told.Rate = rate
	if w.told.Ended {
		w.told.Rate = 0
	}
	w.fromUs, w.since = w.told.AtUs, time.Now()
}

func (w *show) frameDue() error {
	if w.told.Rate == 0 {
		w.say(w.frame(trial.Changes{}))
		return nil
	}
	due := w.fromUs + int64(math.Round(w.told.Rate*float64(time.Since(w.since).Microseconds())))
	c, err := w.advance(due, stepMost)
	if err != nil {
		return err
	}
	if w.told.AtUs < due {
		w.goOn(w.told.Rate) // it could not keep up, or has come to the end: no catching up
	}
	if c.Setup || c.Closed != "" {
		w.say(w.view())
		return nil
	}
	w.say(w.frame(c))
	return nil
}

// obey does what the viewer says. Of several seeks that wait only the last is done.
func (w *show) obey(ctx context.Context, c wire.ReplayControl) error {
	for c.Do == wire.ReplaySeek {
		select {
		case next := <-w.controls:
			if next.Do != wire.ReplaySeek && next.Do != wire.ReplayHere {
				if err := w.do(ctx, c); err != nil {
					return err
				}
			}
			if next.Do != wire.ReplayHere {
				c = next
			}
			continue
		default:
		}
		break
	}
	return w.do(ctx, c)
}

func (w *show) do(ctx context.Context, c wire.ReplayControl) (err error) {
	rate := w.told.Rate
	if c.N > 0 {
		w.told.Obeyed = c.N
	}
	switch c.Do {
	case wire.ReplayHere:
		return nil
	case wire.ReplayLaps:
		if r, ok := w.state.Result(c.Trial, 0); ok {
			from := max(0, r.LapCount-lapsMost)
			w.say(w.frame(trial.Changes{Trials: map[string]trial.Change{c.Trial: {FromLap: from, FromUs: math.MaxInt64}}}))
		}
		return nil
	case wire.ReplayPause:
		w.goOn(0)
		w.say(w.frame(trial.Changes{}))
		return nil
	case wire.ReplayPlay:
		if rate = c.Rate; !w.told.Ended {
			w.goOn(rate)
			w.say(w.frame(trial.Changes{}))
			return nil
		}
		err = w.seekAt(ctx, w.told.FromUs)
	case wire.ReplaySeek:
		err = w.seekAt(ctx, c.AtUs)
	case wire.ReplayStep:
		rate = 0
		err = w.stepBy(ctx, c.By)
	}
	if err != nil {
		return err
	}
	w.goOn(rate)
	w.say(w.view())
	return nil
}
