// Package gate answers "which crossing does this line of input report?". It
// reads JSON objects, whole or partial crossings of the contract, and plain
// contact changes. Whether a crossing is bounce, a wheel or a train, and whose,
// is not in it; neither are files, wires and clocks.
//
// The grammar of a plain line; words are parted by spaces, tabs, commas or
// semicolons, and upper case is as good as lower:
//
//	line    = [ gate ] change [ counter ]
//	change  = "1" | "closed" | "enter"    something entered the gate
//	        | "0" | "open"   | "leave"    it left
//	        | "pulse"                     it went by
//	gate    = id, [a-z0-9][a-z0-9-]{0,31}; if missing, the one of --gate
//	counter = a microsecond counter of the sensor's own, 0 to 2^64-1, that may
//	          wrap at 2^32
//
// A counter is better than the arrival of the line: it does not see the delays
// of cable and computer. Empty lines and lines beginning with # are passed over.
package gate

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
)

// Formats of input.
const (
	Auto    = "auto" // a line that begins with { is JSON, any other a contact
	JSON    = "json"
	Contact = "contact"
)

// Sensor reads lines of one gate, or of several on the same wire.
type Sensor struct {
	Gate   string   // of lines that name none
	Format string   // "" is Auto
	UUs    *float64 // standard uncertainty to state instead of the source's

	seen     []string
	counters map[string]*agent.Counter
}

// maxGates is how many gates one wire is remembered for.
const maxGates = 64

// Take implements agent.Sensor.
func (s *Sensor) Take(l agent.Line) ([]wire.Event, error) {
	text := strings.TrimSpace(l.Text)
	if text == "" || text[0] == '#' {
		return nil, nil
	}
	read := s.contact
	if s.Format == JSON || s.Format != Contact && text[0] == '{' {
		read = s.object
	}
	e, count, err := read(text)
	if err != nil {
		return nil, err
	}
	s.fill(&e, count, l)
	if err := e.Check(); err != nil {
		return nil, err
	}
	s.note(e.Gate)
	return []wire.Event{e}, nil
}

// object reads a JSON line. Besides the contract's fields it may hold
// counter_us, as in a plain line.
func (s *Sensor) object(text string) (wire.Event, *uint64, error) {
	var e wire.Event
	var own struct {
		CounterUs *uint64 `json:"counter_us"`
	}
	if err := json.Unmarshal([]byte(text), &e); err != nil {
		return e, nil, fmt.Errorf("%w: %v", wire.ErrMalformed, err)
	}
	if err := json.Unmarshal([]byte(text), &own); err != nil {
		return e, nil, fmt.Errorf("%w: %v", wire.ErrMalformed, err)
	}
	if e.Kind != "" && e.Kind != wire.KindCrossing {
		return e, nil, fmt.Errorf("%w: kind is %q, and a gate agent sends crossings only", wire.ErrMalformed, e.Kind)
	}
	return e, own.CounterUs, nil
}

var edges = map[string]string{
	"1": wire.EdgeEnter, "closed": wire.EdgeEnter, "enter": wire.EdgeEnter,
	"0": wire.EdgeLeave, "open": wire.EdgeLeave, "leave": wire.EdgeLeave,
	"pulse": wire.EdgePulse,
}

// contact reads a plain line.
func (s *Sensor) contact(text string) (e wire.Event, count *uint64, err error) {
	w := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(" \t,;", r) })
	if len(w) > 0 && (edges[w[0]] == "" || len(w) == 3) {
		e.Gate, w = w[0], w[1:]
	}
	if len(w) == 0 || len(w) > 2 || edges[w[0]] == "" {
		return e, nil, fmt.Errorf("%w: want [gate] 1|closed|enter|0|open|leave|pulse [counter]", wire.ErrMalformed)
	}
	e.Edge = edges[w[0]]
	if len(w) == 2 {
		n, err := strconv.ParseUint(w[1], 10, 64)
		if err != nil {
			return e, nil, fmt.Errorf("%w: %q is not a microsecond counter", wire.ErrMalformed, w[1])
		}
		count = &n
	}
	return e, count, nil
}

// fill gives what the line left out. An instant that came with the line stays
// as it is, and so does its uncertainty.
func (s *Sensor) fill(e *wire.Event, count *uint64, l agent.Line) {
	e.Kind = wire.KindCrossing
	if e.Gate == "" {
		e.Gate = s.Gate
	}
	e.BusUs, e.JournalSeq = 0, 0
	if e.AtUs == 0 {
		e.AtUs = l.AtUs
		if count != nil {
			e.AtUs = s.counter(e.Gate).Place(*count, l.AtUs)
		}
		if e.UUs == nil {
			u := l.UUs
			e.UUs = &u
		}
	}
	if s.UUs != nil {
		u := *s.UUs
		e.UUs = &u
	}
}

// counter is the gate's own; gates on one wire may be different boards.
func (s *Sensor) counter(gate string) *agent.Counter {
	if s.counters == nil || len(s.counters) > maxGates {
		s.counters = map[string]*agent.Counter{}
	}
	if s.counters[gate] == nil {
		s.counters[gate] = &agent.Counter{}
	}
	return s.counters[gate]
}

func (s *Sensor) note(gate string) {
	for _, g := range s.seen {
		if g == gate {
			return
		}
	}
	if len(s.seen) < maxGates && gate != s.Gate {
		s.seen = append(s.seen, gate)
	}
}

// Due implements agent.Sensor: a crossing never waits.
func (s *Sensor) Due(int64) []wire.Event { return nil }

// Names implements agent.Sensor.
func (s *Sensor) Names() (gates, motors []string) {
	if s.Gate != "" {
		gates = []string{s.Gate}
	}
	return append(gates, s.seen...), nil
}
