package wire

// Prediction is what a configuration should do at one throttle, with 95 %
// prediction intervals, and over the whole range of throttles.
type Prediction struct {
	Circuit      string            `json:"circuit,omitempty"`
	Locomotive   string            `json:"locomotive"`
	Consist      string            `json:"consist,omitempty"`
	DutyPermille int64             `json:"duty_permille"`
	SupplyMv     float64           `json:"supply_mv"`
	SpeedMmS     Estimate          `json:"speed_mm_s"` // mean over the lap, steady running
	LapTimeS     Estimate          `json:"lap_time_s"`
	PullMn       Estimate          `json:"pull_mn"` // greatest drawbar pull, standing
	Limit        string            `json:"limit"`   // LimitAdhesion or LimitMotor, of that pull
	Sets         []PredictedSet    `json:"sets"`
	At           []PredictedAt     `json:"at"`
	Measured     []PredictedBeside `json:"measured,omitempty"`
	Assumed      []Assumption      `json:"assumed"` // what was not stated and had to be taken
	Doubts       []string          `json:"doubts"`
	// Variant is the configuration held against this one, if one was asked for, and
	// Difference what it changes.
	Variant    *Prediction          `json:"variant,omitempty"`
	Difference *PredictedDifference `json:"difference,omitempty"`
}

// PredictedDifference is a variant less what it is held against. What both have in
// common cancels: it may be known better than either.
type PredictedDifference struct {
	SpeedMmS Estimate       `json:"speed_mm_s"`
	LapTimeS Estimate       `json:"lap_time_s"`
	PullMn   Estimate       `json:"pull_mn"`
	At       []DifferenceAt `json:"at"`
}

// DifferenceAt is the difference of the speeds at one throttle.
type DifferenceAt struct {
	DutyPermille int64    `json:"duty_permille"`
	SpeedMmS     Estimate `json:"speed_mm_s"`
}

// What limits a pull.
const (
	LimitAdhesion = "adhesion"
	LimitMotor    = "motor"
)

// PredictedSet is one driver set at the predicted speed.
type PredictedSet struct {
	Set       string   `json:"set"`
	Motor     string   `json:"motor"`
	CurrentMa Estimate `json:"current_ma"`
	EffortMn  Estimate `json:"effort_mn"` // tractive effort
	Slip      Estimate `json:"slip"`
	Limit     string   `json:"limit"` // of its greatest pull
	StallMn   Estimate `json:"stall_mn"`
}

// PredictedAt is the prediction at one throttle. Where the train does not move,
// speed is 0 and lap time null. Desync is between the locomotive's first two sets
// as if each ran alone at that throttle, null with fewer than two.
type PredictedAt struct {
	DutyPermille int64    `json:"duty_permille"`
	SpeedMmS     *float64 `json:"speed_mm_s"`
	SpeedLoMmS   *float64 `json:"speed_lo_mm_s"`
	SpeedHiMmS   *float64 `json:"speed_hi_mm_s"`
	LapTimeS     *float64 `json:"lap_time_s"`
	PullMn       *float64 `json:"pull_mn"`
	Limit        string   `json:"limit"`
	Desync       *float64 `json:"desync"`
	DesyncLo     *float64 `json:"desync_lo"`
	DesyncHi     *float64 `json:"desync_hi"`
}

// PredictedBeside is a trial that was run, beside what is predicted for it.
type PredictedBeside struct {
	Trial        string   `json:"trial"`
	DutyPermille int64    `json:"duty_permille"`
	SpeedMmS     Estimate `json:"speed_mm_s"`
	Predicted    Estimate `json:"predicted_mm_s"`
}

// Assumption is a figure that nobody measured.
type Assumption struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Text  string  `json:"text"`
}

// PredictAsk is a question for a prediction: a locomotive and consist as they
// stand in the roster or, where given, as they would be.
type PredictAsk struct {
	Circuit      string       `json:"circuit,omitempty"` // "": the open session's
	Locomotive   Locomotive   `json:"locomotive"`
	Consist      *Consist     `json:"consist,omitempty"`
	Motors       []NamedMotor `json:"motors,omitempty"` // in place of those of the roster
	DutyPermille int64        `json:"duty_permille"`
	SupplyMv     float64      `json:"supply_mv"`
	SupplyOhm    float64      `json:"supply_ohm,omitempty"` // inner resistance, 0 not stated
	// Trial is one of the open session that tells of the running resistance: it is
	// taken from what the motors gave at the speed measured.
	Trial   string      `json:"trial,omitempty"`
	Variant *PredictAsk `json:"variant,omitempty"` // to be held against it
}

// CurveAsk is a question for a motor's curve, from the readings of trials of a session.
type CurveAsk struct {
	Motor   string   `json:"motor"`
	Session string   `json:"session,omitempty"` // "": the open or last one
	Trials  []string `json:"trials,omitempty"`  // none: every one in which the motor was read
}

// CurveOf is a motor's curve.
type CurveOf struct {
	Motor string     `json:"motor"`
	Curve MotorCurve `json:"curve"`
}

// PairingAsk is a question for a table of pairings: motors and gears put into the first
// driver set of a locomotive, drawing that set's share of the train.
type PairingAsk struct {
	Circuit    string       `json:"circuit,omitempty"`
	Locomotive Locomotive   `json:"locomotive"`
	Consist    *Consist     `json:"consist,omitempty"`
	Motors     []NamedMotor `json:"motors,omitempty"`  // in place of those of the roster
	Compare    []string     `json:"compare,omitempty"` // motors; none: every one that has a curve
	Gears      []float64    `json:"gears,omitempty"`   // none: the set's own
	SupplyMv   float64      `json:"supply_mv"`
	SupplyOhm  float64      `json:"supply_ohm,omitempty"`
}

// PairingTable is the answer: the pairs that run best together first.
type PairingTable struct {
	Circuit    string       `json:"circuit,omitempty"`
	Locomotive string       `json:"locomotive"`
	Consist    string       `json:"consist,omitempty"`
	SupplyMv   float64      `json:"supply_mv"`
	Pairings   []Pairing    `json:"pairings"`
	Assumed    []Assumption `json:"assumed"`
	Doubts     []string     `json:"doubts"`
}

// Pairing is how far two driver sets would run apart: every pair of motors and
// gears over the range of throttles, each running alone.
type Pairing struct {
	A        string      `json:"a"` // motor
	B        string      `json:"b"`
	GearA    float64     `json:"gear_a"`
	GearB    float64     `json:"gear_b"`
	At       []PairingAt `json:"at"`
	WorstAbs float64     `json:"worst_abs"` // the greatest absolute desync of At
}

// PairingAt is the desync of a pair at one throttle.
type PairingAt struct {
	DutyPermille int64    `json:"duty_permille"`
	Desync       Estimate `json:"desync"`
}

// WheelCheck is what a light, slow run says of a set's wheel diameter.
type WheelCheck struct {
	Set         string           `json:"set"`
	Motor       string           `json:"motor"`
	StatedMm    float64          `json:"stated_mm"`
	DiameterMm  Estimate         `json:"diameter_mm"`
	Calibration WheelCalibration `json:"calibration"`
	Doubts      []string         `json:"doubts"`
}
