package trial

import (
	"encoding/json"
	"math"

	"rainhill/pkg/wire"
)

const (
	viewLaps     = 200              // laps of a trial a view holds
	viewWindowUs = int64(15 * 60e6) // passages a view holds
)

// View is all a page needs to begin.
func (s *State) View() wire.View {
	v := wire.View{
		Type: "view", Site: s.Site, Rev: s.Seq, Rules: s.Rules, Sessions: s.Sessions, Doubts: s.Doubts,
		Trials: []wire.Trial{}, Results: []wire.TrialResult{}, Passages: []wire.PassageVerdict{}, Motors: []wire.MotorVerdict{},
		Circuits: []wire.CircuitView{}, Locomotives: []wire.Locomotive{}, Consists: []wire.Consist{},
		NamedMotors: []wire.NamedMotor{}, Batteries: []wire.Battery{}, Notes: []wire.NoteRecord{}, Pulls: []wire.PullRecord{}, Entries: []wire.Entry{},
	}
	for _, id := range sorted(s.Circuits) {
		v.Circuits = append(v.Circuits, Draw(s.Circuits[id]))
	}
	for _, id := range sorted(s.Locomotives) {
		v.Locomotives = append(v.Locomotives, s.Locomotives[id])
	}
	for _, id := range sorted(s.Consists) {
		v.Consists = append(v.Consists, s.Consists[id])
	}
	for _, id := range sorted(s.NamedMotors) {
		v.NamedMotors = append(v.NamedMotors, s.NamedMotors[id])
	}
	for _, id := range sorted(s.Batteries) {
		v.Batteries = append(v.Batteries, s.Batteries[id])
	}
	for _, id := range sorted(s.Margins) {
		v.Margins = append(v.Margins, s.Margins[id])
	}
	if s.Book == nil {
		return v
	}
	b := s.Book
	v.Meet, v.Plan, v.Scoring, v.Seal, v.MeetResults = b.Meet, b.Plan, b.Scoring, b.Seal, s.meetResults()
	v.Notes, v.Entries, v.Pulls = append(v.Notes, b.Notes...), append(v.Entries, b.Entries...), append(v.Pulls, b.Pulls...)
	session := s.Book.Session
	v.Session = &session
	v.Order = s.order()
	for _, t := range s.Book.Trials {
		if t.Gone {
			continue
		}
		v.Trials = append(v.Trials, t.Trial)
		v.Results = append(v.Results, s.trialResult(t, max(0, s.count(t)-viewLaps)))
		v.Passages = append(v.Passages, s.Passages(t.Trial.ID, s.NowUs-viewWindowUs)...)
	}
	return v
}

// Frame is what is new, for a page that holds the view before it.
func (s *State) Frame(c Changes) wire.Frame {
	s.slipNow(c.Motors)
	f := wire.Frame{Type: "frame", Rev: s.Seq, Setup: c.Setup || c.Closed != "", Motors: c.Motors}
	if len(c.Trials) > 0 && s.Book != nil {
		f.Order = s.order()
	}
	for _, id := range sorted(c.Trials) {
		change := c.Trials[id]
		r, ok := s.Result(id, change.FromLap)
		if !ok {
			continue
		}
		f.Results = append(f.Results, r)
		if change.FromUs != math.MaxInt64 {
			f.Passages = append(f.Passages, wire.PassagesOf{Trial: id, FromUs: max(change.FromUs, 0), Passages: s.Passages(id, change.FromUs)})
		}
	}
	return f
}

// Revive makes a state read from JSON usable.
func (s *State) Revive() {
	if s.NamedMotors == nil {
		s.NamedMotors = map[string]wire.NamedMotor{}
	}
	if s.Batteries == nil {
		s.Batteries = map[string]wire.Battery{}
	}
	if s.Margins == nil {
		s.Margins = map[string]wire.Margin{}
	}
	if s.Book != nil {
		s.lineOf()
	}
}

// FromSetup is the decisions that a setup stands for, as of an instant: its
// definitions, a session, and its trials.
func FromSetup(setup wire.Setup, session string, atUs int64) []wire.Event {
	var out []wire.Event
	add := func(what, id string, v any) {
		out = append(out, wire.Event{Kind: wire.KindDecision, ID: what + "-" + id, By: "setup", What: what, AtUs: atUs, Value: mustJSON(v)})
	}
	add(wire.WhatCircuit, setup.Circuit.ID, wire.CircuitValue{Circuit: setup.Circuit, Gates: setup.Gates})
	for _, l := range setup.Locomotives {
		add(wire.WhatLocomotive, l.ID, l)
	}
	for _, c := range setup.Consists {
		add(wire.WhatConsist, c.ID, c)
	}
	for _, m := range setup.NamedMotors {
		add(wire.WhatMotor, m.ID, m)
	}
	for _, b := range setup.Batteries {
		add(wire.WhatBattery, b.ID, b)
	}
	add(wire.WhatSession, session, wire.Session{ID: session, Name: setup.Circuit.Name, Circuit: setup.Circuit.ID, OpenedUs: atUs})
	for _, t := range setup.Trials {
		add(wire.WhatTrial, t.ID, t)
	}
	return out
}

// mustJSON encodes one of wire's own types, which cannot fail but for numbers
// that are not finite; such a value becomes null, and its check refuses it.
func mustJSON(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil {
		return json.RawMessage("null")
	}
	return b
}
