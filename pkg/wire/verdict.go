package wire

// Sources of a lap, and why a lap may be left out of the statistics.
const (
	Measured = "measured"
	Inferred = "inferred"

	CountsYes      = "yes"
	CountsWarmup   = "warmup"
	CountsVoid     = "void"
	CountsIncident = "incident"
	CountsAfter    = "after_end" // beyond the laps the trial was to have
)

// Estimate is a number with its 95 % interval; U is a standard uncertainty
// where one is meant. A number that cannot be had is null.
type Estimate struct {
	Value *float64 `json:"value"`
	Lo    *float64 `json:"lo"`
	Hi    *float64 `json:"hi"`
	U     *float64 `json:"u,omitempty"`
}

// Sector is the part of a lap between neighbouring gates.
type Sector struct {
	From     string  `json:"from"`
	To       string  `json:"to"`
	TimeS    float64 `json:"time_s"`
	SpeedMmS float64 `json:"speed_mm_s"`
	US       float64 `json:"u_s"`
	// USpeedMmS is from the time alone: the gates' places are common to all laps.
	USpeedMmS float64 `json:"u_speed_mm_s"`
	FromMm    float64 `json:"from_mm"`
	LengthMm  float64 `json:"length_mm"`
	Source    string  `json:"source"`
}

// Lap is from one passage of the timing gate to the next by the same train.
// Final is false while a later arrival within the disorder window could still
// change it. EvennessCV is the scatter of sector speeds against the trial's
// own profile, WheelCV the ripple of wheel speed; null when they cannot be had.
type Lap struct {
	Lap        int      `json:"lap"`
	StartUs    int64    `json:"start_us"`
	LapTimeS   float64  `json:"lap_time_s"`
	US         float64  `json:"u_s"`
	SpeedMmS   float64  `json:"speed_mm_s"`
	USpeedMmS  float64  `json:"u_speed_mm_s"`
	ScaleKmH   *float64 `json:"scale_km_h,omitempty"`
	Source     string   `json:"source"`
	Counts     string   `json:"counts"`
	Final      bool     `json:"final"`
	Sectors    []Sector `json:"sectors"`
	EvennessCV *float64 `json:"evenness_cv"`
	WheelCV    *float64 `json:"wheel_cv"`
	Why        string   `json:"why,omitempty"`
}

// Consistency sums up the laps that count. Trend is seconds a lap.
type Consistency struct {
	N          int      `json:"n"`
	MeanS      *float64 `json:"mean_s"`
	MeanUS     *float64 `json:"mean_u_s"`
	MeanLoS    *float64 `json:"mean_lo_s"` // 95 % interval of the mean
	MeanHiS    *float64 `json:"mean_hi_s"`
	SDS        *float64 `json:"sd_s"`
	CV         *float64 `json:"cv"`
	MedianS    *float64 `json:"median_s"`
	MADS       *float64 `json:"mad_s"`
	RangeS     *float64 `json:"range_s"`
	BestS      *float64 `json:"best_s"`
	BestLap    int      `json:"best_lap,omitempty"`
	Lag1       *float64 `json:"lag1"`
	NEffective *float64 `json:"n_effective"`
	Trend      Estimate `json:"trend_s_per_lap"`
}

// SetResult is what one driver set did over the trial. Slip is null where no
// ground speed or no wheel is known; SlipTold is false while its interval holds 0,
// so that it is not distinguishable from none.
type SetResult struct {
	Set           string    `json:"set"`
	Motor         string    `json:"motor"`
	WheelSpeedMmS Estimate  `json:"wheel_speed_mm_s"`
	Slip          Estimate  `json:"slip"`
	SlipTold      bool      `json:"slip_told"`
	UDiameterMm   float64   `json:"u_diameter_mm,omitempty"` // as reckoned with, stated or not
	By            []SlipBy  `json:"by"`
	Regulated     Regulated `json:"regulated"`
}

// Places of SlipBy.
const (
	PlaceAll      = "all"
	PlaceStraight = "straight"
	PlaceCurve    = "curve"
)

// SlipBy is slip under one set of circumstances: within a class of ground speeds
// (SpeedMmS is their mean), at one throttle (null unknown), behind one load, on
// straights or on curves. N counts the stretches between gates behind it.
type SlipBy struct {
	SpeedMmS     float64  `json:"speed_mm_s"`
	Place        string   `json:"place"`
	LoadG        float64  `json:"load_g"`
	DutyPermille *float64 `json:"duty_permille"`
	N            int      `json:"n"`
	Slip         Estimate `json:"slip"`
	SlipTold     bool     `json:"slip_told"`
}

// Verdicts of Regulated.
const (
	IsRegulated      = "regulated"
	IsUnregulated    = "unregulated"
	RegulatedUnknown = "unknown"
)

// Regulated is the verdict on whether a motor holds its speed by itself, with
// what speaks for it. Droop is the loss of speed per force at the wheel rim, and
// per current.
type Regulated struct {
	Verdict  string   `json:"verdict"`
	Droop    Estimate `json:"droop_mm_s_per_n"`
	DroopA   Estimate `json:"droop_mm_s_per_a"`
	Evidence []string `json:"evidence,omitempty"`
}

// Desync is the difference of two driver sets' surface speeds over their mean, b
// less a. Told is false while its interval holds 0.
type Desync struct {
	A     string     `json:"a"`
	B     string     `json:"b"`
	Value *float64   `json:"value"`
	Lo    *float64   `json:"lo"`
	Hi    *float64   `json:"hi"`
	U     *float64   `json:"u,omitempty"`
	Told  bool       `json:"told"`
	By    []DesyncBy `json:"by,omitempty"`
}

// DesyncBy is desync under one set of circumstances, as in SlipBy.
type DesyncBy struct {
	SpeedMmS     float64  `json:"speed_mm_s"`
	Place        string   `json:"place"`
	LoadG        float64  `json:"load_g"`
	DutyPermille *float64 `json:"duty_permille"`
	N            int      `json:"n"`
	Desync       Estimate `json:"desync"`
}

// Kinds of incident. Gates alone cannot always tell them apart: the text says
// what speaks for the kind.
const (
	Stall      = "stall"      // it stood, and went on where it had stood
	Reversal   = "reversal"   // it ran back
	Derailment = "derailment" // it left the rails and was set on again, or not
	LiftOff    = "lift-off"   // it was taken off the circuit
)

// Incident is something that happened to a train on the circuit, between AtUs
// and UntilUs (0: not over). PositionMm is where along the lap, known to
// PositionUMm (standard uncertainty); null when nothing tells. FromGate and
// ToGate are the gates it lies between.
type Incident struct {
	Kind        string   `json:"kind"`
	AtUs        int64    `json:"at_us"`
	UntilUs     int64    `json:"until_us,omitempty"`
	PositionMm  *float64 `json:"position_mm"`
	PositionUMm *float64 `json:"position_u_mm,omitempty"`
	FromGate    string   `json:"from_gate,omitempty"`
	ToGate      string   `json:"to_gate,omitempty"`
	Text        string   `json:"text,omitempty"`
}

// States of Order.
const (
	OrderClear        = "clear"        // told by tags, by where trains stood, or by an official
	OrderAsked        = "asked"        // nothing tells which train is which
	OrderContradicted = "contradicted" // the evidence speaks against what was told
)

// Order is how sure it is which train is which while several run at once. Trials
// are in the order in which they pass the timing gate, as scored now; Offer is
// the order that the evidence speaks for, empty when there is none better.
type Order struct {
	State  string   `json:"state"`
	Trials []string `json:"trials"`
	Offer  []string `json:"offer,omitempty"`
	Text   string   `json:"text"`
}

// Dropped counts what was not used, and why.
type Dropped struct {
	Duplicates     int `json:"duplicates"`
	FalseCrossings int `json:"false_crossings"`
	Late           int `json:"late"`
}

// TrialResult is everything scored about one trial.
type TrialResult struct {
	Trial       string      `json:"trial"`
	Train       string      `json:"train"`
	Consist     string      `json:"consist,omitempty"`
	State       string      `json:"state"` // open, settling, closed
	Passages    int         `json:"passages"`
	Laps        []Lap       `json:"laps"`
	LapCount    int         `json:"lap_count"`
	SpeedMmS    Estimate    `json:"speed_mm_s"`
	ScaleKmH    *float64    `json:"scale_km_h,omitempty"`
	Consistency Consistency `json:"consistency"`
	Sets        []SetResult `json:"sets"`
	Desync      []Desync    `json:"desync"`
	Regulated   Regulated   `json:"regulated"`
	Incidents   []Incident  `json:"incidents"`
	Dropped     Dropped     `json:"dropped"`
	Doubts      []string    `json:"doubts"`
	About       *Trial      `json:"about,omitempty"` // the trial as decided
	Why         string      `json:"why,omitempty"`   // it is void, or its outcome
}

// Rules are the numbers the scoring went by; a result carries them.
type Rules struct {
	Version       string  `json:"version"`
	DisorderUs    int64   `json:"disorder_window_us"`
	BounceGapUs   int64   `json:"bounce_gap_us"`
	MaxSpeedMmS   float64 `json:"max_speed_mm_s"`
	SnapshotEvery uint64  `json:"snapshot_every"`
	LagGates      int     `json:"lag_gates"` // a passage is final when the train has passed so many gates more
}

// Results is the answer of rainhill score and of the results page.
type Results struct {
	Rules      Rules         `json:"rules"`
	Site       string        `json:"site,omitempty"`
	Session    *Session      `json:"session,omitempty"`
	LapLength  Estimate      `json:"lap_length_mm"`
	Trials     []TrialResult `json:"trials"`
	Unassigned int           `json:"unassigned_passages"`
	Order      *Order        `json:"order,omitempty"` // absent unless several trains run at once
	Doubts     []string      `json:"doubts"`

	// What the figures were reckoned with, as the session knew it.
	Circuit     *CircuitValue `json:"circuit,omitempty"`
	Locomotives []Locomotive  `json:"locomotives,omitempty"`
	Consists    []Consist     `json:"consists,omitempty"`
	Scoring     *Scoring      `json:"scoring,omitempty"`
	Notes       []NoteRecord  `json:"notes,omitempty"`
	Pulls       []PullRecord  `json:"pulls,omitempty"`
	Meet        *MeetResults  `json:"meet,omitempty"`
	Seal        *SealRecord   `json:"seal,omitempty"`
}

// PassageVerdict is one whole train going past one gate.
type PassageVerdict struct {
	Trial      string  `json:"trial"`
	Gate       string  `json:"gate"`
	AtUs       int64   `json:"at_us"`
	UUs        float64 `json:"u_us"`
	PositionMm float64 `json:"position_mm"`
	Lap        int     `json:"lap"` // completed laps at this passage
	Source     string  `json:"source"`
	Final      bool    `json:"final"`
	Reverse    bool    `json:"reverse,omitempty"` // it ran against its direction
	// TrapMmS is the speed between the beams of a two-beam gate, negative when it is
	// against the train's way.
	TrapMmS  *float64 `json:"trap_mm_s,omitempty"`
	UTrapMmS *float64 `json:"u_trap_mm_s,omitempty"`
}

// MotorVerdict is one reading of a driver set for the roll: the wheel's
// surface speed (null when it cannot be had yet) and what the board reported.
type MotorVerdict struct {
	Motor         string   `json:"motor"`
	Locomotive    string   `json:"locomotive,omitempty"`
	Set           string   `json:"set,omitempty"`
	AtUs          int64    `json:"at_us"`
	WheelSpeedMmS *float64 `json:"wheel_speed_mm_s"`
	UWheelMmS     *float64 `json:"u_wheel_speed_mm_s,omitempty"` // standard uncertainty, that of the diameter left out
	// Slip is that of the last stretch between two passages; Desync that against the
	// locomotive's first driver set, now. Each with its standard uncertainty.
	Slip         *float64 `json:"slip,omitempty"`
	USlip        *float64 `json:"u_slip,omitempty"`
	Desync       *float64 `json:"desync,omitempty"`
	UDesync      *float64 `json:"u_desync,omitempty"`
	DutyPermille *int64   `json:"duty_permille,omitempty"`
	CurrentMa    *int64   `json:"current_ma,omitempty"`
	VoltageMv    *int64   `json:"voltage_mv,omitempty"`
}

// CircuitView is a circuit as the page draws it.
type CircuitView struct {
	Circuit    Circuit     `json:"circuit"`
	Gates      []Gate      `json:"gates"`
	LengthMm   float64     `json:"length_mm"`   // what lap speeds are reckoned with
	PiecesMm   float64     `json:"pieces_mm"`   // sum of the pieces, 0 without any
	GapMm      float64     `json:"gap_mm"`      // closure error
	HeadingDeg float64     `json:"heading_deg"` // closure error of the heading
	Plan       []PlanPoint `json:"plan"`        // centre line, 20 mm apart on curves, wider where a lap is over 80 m; empty without pieces
	// How to close it, in words and piece by piece; nothing when the gap is at
	// most 1 mm and the heading at most 0.1 degrees out.
	Hint    string        `json:"hint,omitempty"`
	Changes []PieceChange `json:"changes,omitempty"`
}

// PieceChange is one thing to do to a circuit's pieces as they stand: change or
// remove piece At, counted from 0, or add Piece before it (at the end when At is
// the number of pieces). All changes of a list are counted in the old pieces.
type PieceChange struct {
	Do    string `json:"do"` // change, add, remove
	At    int    `json:"at"`
	Piece Piece  `json:"piece"`
}

// PlanPoint is a point of the centre line: how far along, and where.
type PlanPoint struct {
	SMm float64 `json:"s"`
	XMm float64 `json:"x"`
	YMm float64 `json:"y"`
}

// View is all a page needs to begin; frames carry it on from Rev.
type View struct {
	Type        string           `json:"type"` // "view"
	Site        string           `json:"site"`
	Build       string           `json:"build"`
	Rev         uint64           `json:"rev"` // journal sequence it is true at
	NowUs       int64            `json:"now_us"`
	Rules       Rules            `json:"rules"`
	Session     *Session         `json:"session"`
	Sessions    []Session        `json:"sessions"`
	Circuits    []CircuitView    `json:"circuits"`
	Locomotives []Locomotive     `json:"locomotives"`
	Consists    []Consist        `json:"consists"`
	Trials      []Trial          `json:"trials"` // of the session, in order of opening
	Results     []TrialResult    `json:"results"`
	Passages    []PassageVerdict `json:"passages"`
	Motors      []MotorVerdict   `json:"motors"`
	Order       *Order           `json:"order,omitempty"`
	Doubts      []string         `json:"doubts"`
	NamedMotors []NamedMotor     `json:"named_motors"`
	Batteries   []Battery        `json:"batteries"`
	Margins     []Margin         `json:"margins,omitempty"`
	Notes       []NoteRecord     `json:"notes"`
	Pulls       []PullRecord     `json:"pulls"`
	Meet        *Meet            `json:"meet"`
	Entries     []Entry          `json:"entries"`
	Plan        *Plan            `json:"plan"`
	Scoring     *Scoring         `json:"scoring"`
	Seal        *SealRecord      `json:"seal"`
	MeetResults *MeetResults     `json:"meet_results"`
	// Replay is set when this is a session run again, not the line as it is.
	Replay *ReplayState `json:"replay,omitempty"`
}

// ReplayState says what is being replayed and how it stands. Instants are those at
// which the journal took the facts. Rate 0: it stands still. A fact counts as done
// when the view holds it; while the session is being read, Facts is how many
// there will be at most. Index is how many of the Crossings between FromUs and
// ToUs have been, Crossing the newest of them. Trials come with the first view.
// Obeyed is the number of the last control that was done.
type ReplayState struct {
	Session   string          `json:"session"`
	Name      string          `json:"name,omitempty"`
	Trial     string          `json:"trial,omitempty"`
	Running   bool            `json:"running,omitempty"` // the session is not closed: as far as it had come
	FromUs    int64           `json:"from_us"`
	ToUs      int64           `json:"to_us"`
	AtUs      int64           `json:"at_us"`
	Rate      float64         `json:"rate"`
	Ended     bool            `json:"ended,omitempty"`
	Done      int             `json:"done"`
	Facts     int             `json:"facts"`
	Index     int             `json:"index"`
	Crossings int             `json:"crossings"`
	Crossing  *ReplayCrossing `json:"crossing,omitempty"`
	Trials    []ReplayTrial   `json:"trials,omitempty"`
	Obeyed    int64           `json:"obeyed,omitempty"`
}

// Frame is what is new since the last. Setup is set when definitions, trials
// or the session changed: the page then asks for a new View. Results hold each
// changed trial with its changed laps only. Passages replace those of the same
// trial at or after ReplaceFromUs.
type Frame struct {
	Type     string         `json:"type"` // "frame"
	Rev      uint64         `json:"rev"`
	NowUs    int64          `json:"now_us"`
	Setup    bool           `json:"setup,omitempty"`
	Results  []TrialResult  `json:"results,omitempty"`
	Passages []PassagesOf   `json:"passages,omitempty"`
	Motors   []MotorVerdict `json:"motors,omitempty"`
	Order    *Order         `json:"order,omitempty"` // absent: as before
	Replay   *ReplayState   `json:"replay,omitempty"`
}

// PassagesOf carries a trial's newest passages; those the page holds at or
// after FromUs are replaced.
type PassagesOf struct {
	Trial    string           `json:"trial"`
	FromUs   int64            `json:"from_us"`
	Passages []PassageVerdict `json:"passages"`
}
