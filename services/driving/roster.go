package driving

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/control"
	"rainhill/pkg/wire"
)

// roster is what driving needs to know of the stock.
type roster struct {
	motors map[string]driverSet // by motor; one that is only named has no set
	sets   map[[2]string]driverSet
	left   map[string]bool // motors that the journal has as driven, from a start before this; only of the first roster
}

// driverSet is a set and how its motor's counts are read; mmPerCount 0 is not known.
type driverSet struct {
	locomotive, id, motor string
	mmPerCount            float64
}

// fetchRoster asks the scorer for the stock.
func (s *service) fetchRoster(ctx context.Context) (roster, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	b, err := bus.Enquire(ctx, s.nc, bus.Question(s.site, "view"), nil)
	if err != nil {
		return roster{}, fmt.Errorf("asking for the view of site %s: %w", s.site, err)
	}
	var v wire.View
	if err := json.Unmarshal(b, &v); err != nil {
		return roster{}, fmt.Errorf("reading the view of site %s: %w", s.site, err)
	}
	if v.Type != "view" {
		return roster{}, errors.New("the scorer has no view yet")
	}
	return rosterOf(v), nil
}

// rosterOf reads a view. A motor that several sets name is that of a locomotive that
// is out, if one is.
func rosterOf(v wire.View) roster {
	r := roster{motors: map[string]driverSet{}, sets: map[[2]string]driverSet{}}
	out := map[string]bool{}
	for _, t := range v.Trials {
		if t.ToUs == 0 {
			out[t.Locomotive] = true
		}
	}
	for _, m := range v.NamedMotors {
		r.motors[m.ID] = driverSet{motor: m.ID}
	}
	for _, l := range v.Locomotives {
		for _, d := range l.DriverSets {
			set := driverSet{l.ID, d.ID, d.Motor, 0}
			if d.CountsPerRev > 0 && d.GearRatio > 0 {
				set.mmPerCount = math.Pi * d.WheelDiameterMm / d.GearRatio / d.CountsPerRev
			}
			r.sets[[2]string{l.ID, d.ID}] = set
			if old := r.motors[d.Motor]; d.Motor != "" && (old.locomotive == "" || out[l.ID] && !out[old.locomotive]) {
				r.motors[d.Motor] = set
			}
		}
	}
	return r
}

// firstRoster asks until the scorer answers, and the journal what was driven last. That
// motors are told to stop waits for the scorer alone.
func (s *service) firstRoster(ctx context.Context, known chan<- roster) {
	hand := func(r roster) {
		select {
		case known <- r:
		case <-ctx.Done():
		}
	}
	for told := false; ; {
		r, err := s.fetchRoster(ctx)
		if err == nil && !told {
			told = true
			hand(r)
		}
		if err == nil {
			r.left, err = s.leftDriven(ctx, r)
		}
		if err == nil {
			if len(r.left) > 0 {
				hand(r)
			}
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(250 * time.Millisecond):
		}
	}
}

// leftDriven is the motors whose last fact is a throttle that is not 0: the service was
// killed while it drove them.
func (s *service) leftDriven(ctx context.Context, r roster) (map[string]bool, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	js, err := jetstream.New(s.nc)
	if err != nil {
		return nil, err
	}
	st, err := js.Stream(ctx, bus.Stream(s.site))
	if err != nil {
		return nil, fmt.Errorf("opening the journal of site %s: %w", s.site, err)
	}
	left := map[string]bool{}
	for id := range r.motors {
		m, err := st.GetLastMsgForSubject(ctx, bus.Record(s.site, wire.KindDrive, id))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		var e wire.Event
		if err == nil {
			err = json.Unmarshal(m.Data, &e)
		}
		if err != nil {
			return nil, fmt.Errorf("reading what motor %s was given last: %w", id, err)
		}
		if e.DutyPermille != nil && *e.DutyPermille != 0 {
			left[id] = true
		}
	}
	return left, nil
}

// trim is one trim at work.
type trim struct {
	ask     wire.TrimAsk
	sets    [2]driverSet
	control *control.Trim
	last    control.Trimmed
}

// trim switches a trim on or off.
func (s *service) trim(a asked) error {
	ask := *a.Trim
	for _, t := range s.trims {
		if t.ask.Locomotive == ask.Locomotive && t.ask.A == ask.A && t.ask.B == ask.B {
			if ask.MostPermille == t.ask.MostPermille || !ask.On {
				t.ask.On, s.dirty = ask.On, true
				t.control.Switch(ask.On)
				return nil
			}
		}
	}
	if !ask.On {
		return nil // there is none
	}
	if a.rosterE != nil {
		return fmt.Errorf("the roster could not be read: %w", a.rosterE)
	}
	t := &trim{ask: ask, last: control.Trimmed{Desync: math.NaN(), UDesync: math.NaN(), Why: "no readings of both sets have come yet"}}
	for i, id := range []string{ask.A, ask.B} {
		set, ok := a.roster.sets[[2]string{ask.Locomotive, id}]
		if !ok {
			return fmt.Errorf("locomotive %q has no driver set %q", ask.Locomotive, id)
		}
		if m := s.motors[set.motor]; m == nil || !m.armed {
			return fmt.Errorf("motor %q of driver set %q is not armed", set.motor, id)
		}
		if set.mmPerCount <= 0 {
			return fmt.Errorf("driver set %q of %q states no wheel diameter, gear ratio or counts, so its surface speed cannot be told", id, ask.Locomotive)
		}
		t.sets[i] = set
	}
	if t.sets[control.A].motor == t.sets[control.B].motor {
		return fmt.Errorf("driver sets %q and %q name one motor", ask.A, ask.B)
	}
	for _, old := range s.trims {
		if old.has(t.sets[0].motor) || old.has(t.sets[1].motor) {
			return fmt.Errorf("%s and %s are being trimmed already, and share a motor with these: switch that off first", old.ask.A, old.ask.B)
		}
	}
	t.control = control.NewTrim(control.TrimConfig{MostPermille: float64(ask.MostPermille), CountMm: [2]float64{t.sets[0].mmPerCount, t.sets[1].mmPerCount}})
	t.control.Switch(true)
	s.trims, s.dirty = append(s.trims, t), true
	return nil
}

func (t *trim) has(motor string) bool { return t.sets[0].motor == motor || t.sets[1].motor == motor }

func (t *trim) read(motor string, atUs int64, mm float64) {
	for side, set := range t.sets {
		if set.motor == motor {
			t.control.Read(side, atUs, mm)
		}
	}
}

func (t *trim) step(nowUs int64, motors map[string]*motor) {
	a, b := motors[t.sets[control.A].motor], motors[t.sets[control.B].motor]
	t.last = t.control.Step(nowUs, a.ramped, b.ramped)
	a.off, b.off = t.last.Off[control.A], t.last.Off[control.B]
}

func (t *trim) state() wire.TrimState {
	known := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	why := t.last.Why
	if t.last.Saturated {
		why = "it takes off all that it may, and that is not enough"
	}
	return wire.TrimState{
		TrimAsk: t.ask, APermille: int64(math.Ceil(t.last.Off[control.A])), BPermille: int64(math.Ceil(t.last.Off[control.B])),
		Desync: known(t.last.Desync), UDesync: known(t.last.UDesync), Why: why, Saturated: t.last.Saturated,
	}
}
