// Package motor answers "which readings of a motor does this line of input
// hold, and which travel together?". It reads JSON objects, motor events of the
// contract or one flat sample, and plain numbers, and packs samples into
// messages. Wheel speed and slip are not in it; neither are files, wires and
// clocks.
//
// The grammar of a plain line; words are parted by spaces, tabs, commas or
// semicolons:
//
//	line    = [ motor ] counts [ duty [ current [ voltage ] ] ] [ "@" counter ]
//	motor   = id, [a-z0-9][a-z0-9-]{0,31}, not a number; if missing, the one of --motor
//	counts  = signed cumulative encoder counts
//	duty    = throttle in permille, -1000 to 1000
//	current = milliamperes
//	voltage = millivolts
//	counter = a microsecond counter of the board's own, that may wrap at 2^32
//
// A word of - stands for a number that is not known. Empty lines and lines
// beginning with # are passed over.
package motor

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
)

// Sensor reads lines of one motor, or of several on the same wire.
type Sensor struct {
	Motor string // of lines that name none
	// WaitUs is how long a sample may wait for others (0: 50 ms), Most how many
	// travel in one message (0: 50).
	WaitUs int64
	Most   int

	order    []string
	waiting  map[string]*batch
	counters map[string]*agent.Counter
}

// batch is what waits of one motor; sinceUs is when the first arrived.
type batch struct {
	samples []wire.Sample
	sinceUs int64
}

const (
	defaultWaitUs = 50_000
	defaultMost   = 50
	maxMotors     = 64
)

// reading is what one line holds.
type reading struct {
	Kind  string `json:"kind"`
	Motor string `json:"motor"`
	wire.Sample
	Samples   []wire.Sample `json:"samples"`
	CounterUs *uint64       `json:"counter_us"`
}

// Take implements agent.Sensor.
func (s *Sensor) Take(l agent.Line) ([]wire.Event, error) {
	text := strings.TrimSpace(l.Text)
	if text == "" || text[0] == '#' {
		return nil, nil
	}
	read := plain
	if text[0] == '{' {
		read = object
	}
	r, err := read(text)
	if err != nil {
		return nil, err
	}
	if r.Motor == "" {
		r.Motor = s.Motor
	}
	samples, err := s.stamp(r, l)
	if err != nil {
		return nil, err
	}
	if err := (wire.Event{Kind: wire.KindMotor, Motor: r.Motor, Samples: samples}).Check(); err != nil {
		return nil, err
	}
	if s.waiting[r.Motor] == nil && len(s.order) >= maxMotors {
		return nil, fmt.Errorf("%w: motor %q is one more than the %d that one agent takes", wire.ErrMalformed, r.Motor, maxMotors)
	}
	return s.add(r.Motor, samples, l.AtUs), nil
}

// object reads a JSON line: an event with samples, or one flat sample.
func object(text string) (reading, error) {
	var r reading
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		return r, fmt.Errorf("%w: %v", wire.ErrMalformed, err)
	}
	if r.Kind != "" && r.Kind != wire.KindMotor {
		return r, fmt.Errorf("%w: kind is %q, and a motor agent sends motor only", wire.ErrMalformed, r.Kind)
	}
	if len(r.Samples) == 0 {
		r.Samples = []wire.Sample{r.Sample}
	}
	return r, nil
}

// plain reads a line of numbers.
func plain(text string) (reading, error) {
	var r reading
	w := strings.FieldsFunc(text, func(c rune) bool { return strings.ContainsRune(" \t,;", c) })
	if n := len(w); n > 0 && strings.HasPrefix(w[n-1], "@") {
		c, err := strconv.ParseUint(w[n-1][1:], 10, 64)
		if err != nil {
			return r, fmt.Errorf("%w: %q is not @ and a microsecond counter", wire.ErrMalformed, w[n-1])
		}
		r.CounterUs, w = &c, w[:n-1]
	}
	if len(w) > 0 && w[0] != "-" && !isInt(w[0]) {
		r.Motor, w = w[0], w[1:]
	}
	if len(w) == 0 || len(w) > 4 {
		return r, fmt.Errorf("%w: want [motor] counts [duty [current_ma [voltage_mv]]] [@counter]", wire.ErrMalformed)
	}
	var smp wire.Sample
	for i, to := range []**int64{&smp.Counts, &smp.DutyPermille, &smp.CurrentMa, &smp.VoltageMv}[:len(w)] {
		if w[i] == "-" {
			continue
		}
		v, err := strconv.ParseInt(w[i], 10, 64)
		if err != nil {
			return r, fmt.Errorf("%w: %q is not an integer", wire.ErrMalformed, w[i])
		}
		*to = &v
	}
	r.Samples = []wire.Sample{smp}
	return r, nil
}

func isInt(s string) bool {
	_, err := strconv.ParseInt(s, 10, 64)
	return err == nil
}

// stamp gives the instant to a sample that came without. Of several samples
// each must have its own: when they were read cannot be guessed.
func (s *Sensor) stamp(r reading, l agent.Line) ([]wire.Sample, error) {
	if len(r.Samples) > 1 || r.Samples[0].AtUs != 0 {
		return r.Samples, nil
	}
	at := l.AtUs
	if r.CounterUs != nil {
		if s.counters == nil || len(s.counters) > maxMotors {
			s.counters = map[string]*agent.Counter{}
		}
		if s.counters[r.Motor] == nil {
			s.counters[r.Motor] = &agent.Counter{}
		}
		at = s.counters[r.Motor].Place(*r.CounterUs, l.AtUs)
	}
	r.Samples[0].AtUs = at
	return r.Samples, nil
}

// add puts samples to those that wait, and gives what is full.
func (s *Sensor) add(motor string, samples []wire.Sample, nowUs int64) []wire.Event {
	if s.waiting == nil {
		s.waiting = map[string]*batch{}
	}
	b := s.waiting[motor]
	if b == nil {
		b = &batch{}
		s.waiting[motor] = b
		s.order = append(s.order, motor)
	}
	if len(b.samples) == 0 {
		b.sinceUs = nowUs
	}
	b.samples = append(b.samples, samples...)
	if len(b.samples) < s.most() {
		return nil
	}
	return s.out(motor)
}

func (s *Sensor) most() int {
	if s.Most <= 0 {
		return defaultMost
	}
	return min(s.Most, wire.MaxSamples)
}

// out gives all that waits of one motor, in as many messages as it takes.
func (s *Sensor) out(motor string) []wire.Event {
	var events []wire.Event
	b := s.waiting[motor]
	for part := range slices.Chunk(b.samples, s.most()) {
		events = append(events, wire.Event{Kind: wire.KindMotor, Motor: motor, AtUs: part[len(part)-1].AtUs, Samples: part})
	}
	b.samples = nil
	return events
}

// Due implements agent.Sensor.
func (s *Sensor) Due(nowUs int64) []wire.Event {
	wait := s.WaitUs
	if wait <= 0 {
		wait = defaultWaitUs
	}
	var events []wire.Event
	for _, motor := range s.order {
		if b := s.waiting[motor]; len(b.samples) > 0 && nowUs-b.sinceUs >= wait {
			events = append(events, s.out(motor)...)
		}
	}
	return events
}

// Names implements agent.Sensor.
func (s *Sensor) Names() (gates, motors []string) {
	motors = append([]string(nil), s.order...)
	if s.Motor != "" && !slices.Contains(motors, s.Motor) {
		motors = append([]string{s.Motor}, motors...)
	}
	return nil, motors
}
