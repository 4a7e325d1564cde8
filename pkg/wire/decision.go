package wire

import (
	"bytes"
	"encoding/json"
	"slices"
)

// What a decision may be about. Each carries the whole new value.
const (
	WhatCircuit    = "circuit"    // CircuitValue
	WhatLocomotive = "locomotive" // Locomotive
	WhatConsist    = "consist"    // Consist
	WhatSession    = "session"    // Session: opened, or closed when closed_us is set
	WhatTrial      = "trial"      // Trial: opened, corrected, or closed when to_us is set
	WhatLap        = "lap"        // LapValue: voided or restored, with the reason in why
	WhatNote       = "note"       // NoteValue
	WhatOrder      = "order"      // OrderValue: in what order trains without identity run
	WhatMotor      = "motor"      // NamedMotor
	WhatBattery    = "battery"    // Battery
	WhatMargin     = "margin"     // Margin: what difference matters on a circuit
	WhatMeet       = "meet"       // Meet: classes, rounds and what ranks
	WhatEntry      = "entry"      // Entry: who enters what, or withdraws
	WhatPlan       = "plan"       // Plan: the running order, as drawn or drawn again
	WhatScoring    = "scoring"    // Scoring: other rules for the session, adopted
	WhatSeal       = "seal"       // Seal: the results are signed
	WhatPull       = "pull"       // PullValue: one attempt of a pull test
	WhatUndo       = "undo"       // Undo: an earlier decision is taken back
)

// CircuitValue is a circuit with its gates, as one decision carries them.
type CircuitValue struct {
	Circuit Circuit `json:"circuit"`
	Gates   []Gate  `json:"gates"`
}

// LapValue voids a lap, or restores it.
type LapValue struct {
	Trial string `json:"trial"`
	Lap   int    `json:"lap"`
	Void  bool   `json:"void"`
}

// OrderValue says in what order the trains of some trials run round the
// circuit, as an official saw it: the first of them passed the timing gate
// first, the next followed it. It goes before start_mm.
type OrderValue struct {
	Trials []string `json:"trials"`
}

// Margin is the least difference of lap times that matters on a circuit: two that are
// closer than that are the same to those who run there. LapTimeS 0: none is stated.
type Margin struct {
	Circuit  string  `json:"circuit"`
	LapTimeS float64 `json:"lap_time_s"`
}

// Check reports the first thing wrong with m.
func (m Margin) Check() error {
	if err := needID("circuit", m.Circuit); err != nil {
		return err
	}
	if !within(3600, m.LapTimeS) {
		return malformed("lap_time_s = %g, want from 0 to 3600", m.LapTimeS)
	}
	return nil
}

// NoteValue is a remark in the book.
type NoteValue struct {
	Trial string `json:"trial,omitempty"`
	Text  string `json:"text"`
}

// Defines reports whether decisions of this kind hold beyond a session.
func Defines(what string) bool {
	switch what {
	case WhatCircuit, WhatLocomotive, WhatConsist, WhatMotor, WhatBattery, WhatMargin:
		return true
	}
	return false
}

func (e Event) checkDecision() error {
	if err := needID("id", e.ID); err != nil {
		return err
	}
	if e.By == "" || len(e.By) > 64 {
		return malformed("by is missing or longer than 64 bytes")
	}
	if e.Session != "" && !ValidID(e.Session) {
		return malformed("session %q is not an id", clip(e.Session))
	}
	if len(e.Why) > 1000 {
		return malformed("why is longer than 1000 bytes")
	}
	if err := needInstant(e.AtUs); err != nil {
		return err
	}
	_, err := e.DecisionValue()
	return err
}

// DecisionValue reads the value of a decision as the type its What names.
func (e Event) DecisionValue() (any, error) {
	switch e.What {
	case WhatCircuit:
		return value(e.Value, CircuitValue.Check)
	case WhatLocomotive:
		return value(e.Value, Locomotive.Check)
	case WhatConsist:
		return value(e.Value, Consist.Check)
	case WhatSession:
		return value(e.Value, Session.Check)
	case WhatTrial:
		v, err := value(e.Value, Trial.Check)
		if err == nil && v.Void && e.Why == "" {
			err = malformed("a trial is voided with a reason: why is missing")
		}
		return v, err
	case WhatLap:
		v, err := value(e.Value, LapValue.Check)
		if err == nil && v.Void && e.Why == "" {
			err = malformed("a lap is voided with a reason: why is missing")
		}
		return v, err
	case WhatNote:
		return value(e.Value, NoteValue.Check)
	case WhatOrder:
		return value(e.Value, OrderValue.Check)
	case WhatMotor:
		return value(e.Value, NamedMotor.Check)
	case WhatBattery:
		return value(e.Value, Battery.Check)
	case WhatMargin:
		return value(e.Value, Margin.Check)
	case WhatMeet:
		return value(e.Value, Meet.Check)
	case WhatEntry:
		return value(e.Value, Entry.Check)
	case WhatPlan:
		return value(e.Value, Plan.Check)
	case WhatScoring:
		return value(e.Value, Scoring.Check)
	case WhatSeal:
		return value(e.Value, Seal.Check)
	case WhatPull:
		v, err := value(e.Value, PullValue.Check)
		if err == nil && v.Void && e.Why == "" {
			err = malformed("an attempt is voided with a reason: why is missing")
		}
		return v, err
	case WhatUndo:
		return value(e.Value, Undo.Check)
	case "":
		return nil, malformed("what is missing")
	}
	return nil, malformed("what %q is not known", clip(e.What))
}

func value[T any](raw json.RawMessage, check func(T) error) (T, error) {
	var v T
	if len(raw) == 0 {
		return v, malformed("value is missing")
	}
	if err := json.NewDecoder(bytes.NewReader(raw)).Decode(&v); err != nil {
		return v, malformed("value: %s", JSONReason(err))
	}
	return v, check(v)
}

// Check validates an order: two or more trials, each once.
func (o OrderValue) Check() error {
	if len(o.Trials) < 2 || len(o.Trials) > 64 {
		return malformed("an order names 2 to 64 trials, not %d", len(o.Trials))
	}
	for i, id := range o.Trials {
		if err := needID("trial", id); err != nil {
			return err
		}
		if slices.Contains(o.Trials[:i], id) {
			return malformed("trial %q stands twice in the order", id)
		}
	}
	return nil
}

// Check validates a voided or restored lap.
func (v LapValue) Check() error {
	if v.Lap < 1 {
		return malformed("lap = %d, want 1 or more", v.Lap)
	}
	return needID("trial", v.Trial)
}

// Check validates a note.
func (n NoteValue) Check() error {
	if n.Text == "" || len(n.Text) > 4000 {
		return malformed("a note's text has 1 to 4000 bytes")
	}
	if n.Trial != "" {
		return needID("trial", n.Trial)
	}
	return nil
}
