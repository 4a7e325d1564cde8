// Package truth answers "what really happened on a simulated railway, and how
// well was it scored?": the words of truth.json, which the simulator writes beside
// its events, and the comparison of a scoring with them. It holds no simulation, no
// scoring and reads no files; what real sensors saw is not in it.
package truth

import (
	"encoding/json"
	"fmt"
)

// Kinds of incident.
const (
	Stall      = "stall"      // stood for a while, then went on
	Reversal   = "reversal"   // ran back some way, then forward again
	Derailment = "derailment" // left the rails, perhaps set on again
	LiftOff    = "lift-off"   // taken off, perhaps set down again
)

// Run is one simulated run. Instants are microseconds of true time, which is
// also the bus host's clock; those that are float64 have fractions.
type Run struct {
	Scenario  string     `json:"scenario"`
	Seed      int64      `json:"seed"`
	FromUs    int64      `json:"from_us"`
	ToUs      int64      `json:"to_us"`
	Trials    []Trial    `json:"trials"`
	Incidents []Incident `json:"incidents"`
	Faults    Faults     `json:"faults"`
	Energy    []Energy   `json:"energy"`
}

// Trial is what one train truly did. Train is the locomotive's id, DistanceMm
// how far its front ran forward less back, being carried not counted.
type Trial struct {
	Trial      string    `json:"trial"`
	Train      string    `json:"train"`
	Passages   []Passage `json:"passages"`
	Laps       []Lap     `json:"laps"`
	DistanceMm float64   `json:"distance_mm"`
	Sets       []Set     `json:"sets,omitempty"`

	// Over all laps without incident together, warm-up and all.
	SpeedMmS float64      `json:"speed_mm_s,omitempty"`
	Slip     []SetSlip    `json:"slip,omitempty"`
	Desync   []PairDesync `json:"desync,omitempty"`

	Balance *Balance `json:"balance,omitempty"`
}

// Set is what a driver set truly is. KVS is volts per rad/s of the motor,
// DroopMmSPerN how much its surface speed falls per tractive effort at one voltage:
// R/K2 (r/gear)2/efficiency, 0 when a board holds the speed. Adhesion is 0 on
// stands.
type Set struct {
	Set             string  `json:"set"`
	Motor           string  `json:"motor"`
	Regulated       bool    `json:"regulated"`
	ResistanceOhm   float64 `json:"resistance_ohm"`
	KVS             float64 `json:"k_v_s"`
	NoLoadMa        float64 `json:"no_load_ma"`
	WheelDiameterMm float64 `json:"wheel_diameter_mm"`
	Efficiency      float64 `json:"gear_efficiency"`
	Adhesion        float64 `json:"adhesion"`
	DroopMmSPerN    float64 `json:"droop_mm_s_per_n"`
}

// Balance is the steady speed of a train that had one throttle and nothing in its
// way, at the mean voltage of its supply and the mean curvature of the lap.
type Balance struct {
	DutyPermille float64 `json:"duty_permille"`
	SupplyMv     float64 `json:"supply_mv"`
	SpeedMmS     float64 `json:"speed_mm_s"`
}

// Passage is the front of a train at a gate; Reverse when it ran backwards. WheelMm
// is how far each set's surface had turned by then, so that two passages give the
// true slip between them.
type Passage struct {
	Gate    string    `json:"gate"`
	AtUs    float64   `json:"at_us"`
	Reverse bool      `json:"reverse"`
	WheelMm []float64 `json:"wheel_mm,omitempty"`
}

// Lap is from one forward passage of the timing gate to the next by the same
// train, counted from 1. Incident: it stood or ran back within it. A lap in
// which the train was taken off the rails is none, and nor is coming back to the
// timing gate over which it has run backwards. Slip of every set, against the
// ground, and Desync of every pair are ratios of the distances over the lap.
type Lap struct {
	Lap      int     `json:"lap"`
	StartUs  float64 `json:"start_us"`
	LapTimeS float64 `json:"lap_time_s"`
	Incident bool    `json:"incident"`

	SpeedMmS float64      `json:"speed_mm_s,omitempty"`
	Slip     []SetSlip    `json:"slip,omitempty"`
	Desync   []PairDesync `json:"desync,omitempty"`
}

// SetSlip is (distance of the wheel's surface - distance of the train)/distance
// of the train.
type SetSlip struct {
	Set  string  `json:"set"`
	Slip float64 `json:"slip"`
}

// PairDesync is b's distance less a's over the mean of both.
type PairDesync struct {
	A     string  `json:"a"`
	B     string  `json:"b"`
	Value float64 `json:"desync"`
}

// Incident begins at AtUs with the front PositionMm along the lap. UntilUs is
// when the train went on, 0 if it never did.
type Incident struct {
	Trial      string  `json:"trial"`
	Kind       string  `json:"kind"`
	AtUs       int64   `json:"at_us"`
	UntilUs    int64   `json:"until_us"`
	PositionMm float64 `json:"position_mm"`
}

// Faults counts what went wrong between the trains and the file.
type Faults struct {
	Passages       int `json:"passages"`        // of a train at a gate, rolling either way
	Crossings      int `json:"crossings"`       // written, copies not counted
	Missed         int `json:"missed"`          // passages that a gate did not see at all
	MissedEdges    int `json:"missed_edges"`    // single edges lost
	Bounces        int `json:"bounces"`         // edges added by bounce
	FalseCrossings int `json:"false_crossings"` // pulses without a train
	Copies         int `json:"copies"`          // events written once more
	Late           int `json:"late"`            // crossings written behind one of a later instant
	Restarts       int `json:"restarts"`        // of agents
	Silent         int `json:"silent"`          // crossings lost while an agent restarted
	Gaps           int `json:"gaps"`            // times that an agent was cut off
	UnreadTags     int `json:"unread_tags"`     // passages
	WrongTags      int `json:"wrong_tags"`      // passages
}

// Energy is where one train's energy went, in joules: Battery is what the cells
// gave (open-circuit voltage x current), the rest adds up to it.
type Energy struct {
	Trial      string  `json:"trial"`
	Battery    float64 `json:"battery_j"`
	Heat       float64 `json:"heat_j"`       // in the windings and the battery
	Motor      float64 `json:"motor_j"`      // friction and iron of the motors (no-load current)
	Gear       float64 `json:"gear_j"`       // gears
	Slip       float64 `json:"slip_j"`       // between tyres and rails
	Resistance float64 `json:"resistance_j"` // running and curve resistance
	Brake      float64 `json:"brake_j"`      // a hand or a buffer that stopped it
	Kinetic    float64 `json:"kinetic_j"`    // in the moving train and turning motors at the end
}

// Decode reads a truth.json.
func Decode(b []byte) (Run, error) {
	var r Run
	if err := json.Unmarshal(b, &r); err != nil {
		return r, fmt.Errorf("reading the truth of a run: %w", err)
	}
	if r.ToUs < r.FromUs {
		return r, fmt.Errorf("reading the truth of a run: it ends at %d, before it begins at %d", r.ToUs, r.FromUs)
	}
	for _, t := range r.Trials {
		if t.Trial == "" {
			return r, fmt.Errorf("reading the truth of a run: a trial has no id")
		}
	}
	return r, nil
}
