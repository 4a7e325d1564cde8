package wire

import (
	"fmt"
	"math"
	"slices"
	"unicode/utf8"
)

// Piece is a straight (StraightMm) or a curve (RadiusMm, AngleDeg, Hand).
type Piece struct {
	StraightMm float64 `json:"straight_mm,omitempty"`
	RadiusMm   float64 `json:"radius_mm,omitempty"`
	AngleDeg   float64 `json:"angle_deg,omitempty"`
	Hand       string  `json:"hand,omitempty"`
}

// Circuit is a closed loop of track. LapLengthMm is a measured length that
// goes before the sum of the pieces; LapLengthUMm its standard uncertainty.
// ScaleRatio is the R of 1:R, 0 when not stated.
type Circuit struct {
	ID           string  `json:"id"`
	Name         string  `json:"name"`
	Pieces       []Piece `json:"pieces,omitempty"`
	LapLengthMm  float64 `json:"lap_length_mm,omitempty"`
	LapLengthUMm float64 `json:"lap_length_u_mm,omitempty"`
	ScaleRatio   float64 `json:"scale_ratio,omitempty"`
}

// Gate is a fixed point of the circuit, PositionMm along the lap.
type Gate struct {
	ID         string   `json:"id"`
	PositionMm float64  `json:"position_mm"`
	Timing     bool     `json:"timing,omitempty"`
	PairMm     *float64 `json:"pair_mm,omitempty"`
}

// DriverSet is a group of driven axles turned by one motor. GearRatio is motor
// turns per wheel turn. What is 0 is not stated.
type DriverSet struct {
	ID              string  `json:"id"`
	Motor           string  `json:"motor"`
	WheelDiameterMm float64 `json:"wheel_diameter_mm"`
	GearRatio       float64 `json:"gear_ratio"`
	CountsPerRev    float64 `json:"counts_per_motor_rev"`
	WeightG         float64 `json:"weight_g,omitempty"`
	Tyres           bool    `json:"tyres,omitempty"`
	// WheelDiameterUMm is the standard uncertainty of the diameter, by whatever
	// means it was had; Calibration tells of the run it was had from, if it was one.
	WheelDiameterUMm float64           `json:"wheel_diameter_u_mm,omitempty"`
	Calibration      *WheelCalibration `json:"calibration,omitempty"`
	// GearEfficiency is that of the gears, power at the wheel over power at the
	// motor, with its standard uncertainty.
	GearEfficiency  float64 `json:"gear_efficiency,omitempty"`
	GearEfficiencyU float64 `json:"gear_efficiency_u,omitempty"`
	// Adhesion is the greatest tractive effort over WeightG on these rails, with its
	// standard uncertainty.
	Adhesion  float64 `json:"adhesion,omitempty"`
	AdhesionU float64 `json:"adhesion_u,omitempty"`
}

// WheelCalibration is the light, slow run that a wheel's diameter was had from.
// The diameter goes with LapLengthMm: on the same circuit, at the same length, the
// length's own uncertainty does not come into slip again.
type WheelCalibration struct {
	Circuit     string   `json:"circuit"`
	LapLengthMm float64  `json:"lap_length_mm"`
	Session     string   `json:"session,omitempty"`
	Trials      []string `json:"trials,omitempty"`
	Laps        int      `json:"laps"`
	// UMm is the standard uncertainty of the diameter for a lap length without
	// error; OwnUMm is the part of it that the locomotive's other sets, calibrated
	// in the same run, do not share.
	UMm    float64 `json:"u_mm"`
	OwnUMm float64 `json:"own_u_mm"`
}

// Resistance is that of running, per mass: dv/dt = -(a + b v + c v2), and
// curve_m_s2 more on arcs, v in m/s. Source says how it was had.
type Resistance struct {
	AMS2     float64 `json:"a_m_s2"`
	BPerS    float64 `json:"b_per_s,omitempty"`
	CPerM    float64 `json:"c_per_m,omitempty"`
	CurveMS2 float64 `json:"curve_m_s2,omitempty"`
	// Standard uncertainties.
	AUMS2     float64 `json:"a_u_m_s2,omitempty"`
	BUPerS    float64 `json:"b_u_per_s,omitempty"`
	CUPerM    float64 `json:"c_u_per_m,omitempty"`
	CurveUMS2 float64 `json:"curve_u_m_s2,omitempty"`
	Source    string  `json:"source,omitempty"`
	// Covariance is of a, b, c and curve, in that order, where they were measured together:
	// the roots of its diagonal are the uncertainties above, or it does not count.
	Covariance [][]float64 `json:"covariance,omitempty"`
}

// Locomotive is an engine.
type Locomotive struct {
	ID         string      `json:"id"`
	Name       string      `json:"name"`
	Owner      string      `json:"owner,omitempty"`
	MassG      float64     `json:"mass_g,omitempty"`
	LengthMm   float64     `json:"length_mm,omitempty"`
	DriverSets []DriverSet `json:"driver_sets,omitempty"`
	VariantOf  string      `json:"variant_of,omitempty"` // the locomotive it was copied from
	Note       string      `json:"note,omitempty"`
	Resistance *Resistance `json:"resistance,omitempty"` // of its own running, motors apart
}

// NamedMotor is a motor that driver sets name: its id is also that of its readings.
type NamedMotor struct {
	ID        string      `json:"id"`
	Name      string      `json:"name"`
	NominalMv float64     `json:"nominal_mv,omitempty"`
	VariantOf string      `json:"variant_of,omitempty"` // the motor it was copied from
	Note      string      `json:"note,omitempty"`
	Curve     *MotorCurve `json:"curve,omitempty"` // as a sweep measured it
}

// MotorCurve is a brushed motor's: U = R I + k w and torque = k (I - I0), with k in
// volts per radian a second, which is newton metres per ampere. A curve that was
// typed in from a data sheet has no Steps. NoLoadMa is null where sweeps did not tell it.
type MotorCurve struct {
	ResistanceOhm Estimate `json:"resistance_ohm"`
	KVS           Estimate `json:"k_v_s"`
	NoLoadMa      Estimate `json:"no_load_ma"`
	// Covariance of resistance_ohm, k_v_s and no_load_ma, in that order; absent: they
	// are taken as independent.
	Covariance [][]float64 `json:"covariance,omitempty"`
	ResidualMv float64     `json:"residual_mv,omitempty"` // standard deviation of the voltages about the fit
	Steps      []CurveStep `json:"steps,omitempty"`
	Session    string      `json:"session,omitempty"`
	Trials     []string    `json:"trials,omitempty"`
	Source     string      `json:"source,omitempty"`
	Doubts     []string    `json:"doubts,omitempty"`
}

// CurveStep is one steady stretch of a sweep, means over it. VoltageMv is that of
// the winding, supply x duty. Left says why the fit left it out; nothing when it
// did not.
type CurveStep struct {
	Trial        string  `json:"trial,omitempty"`
	LoadG        float64 `json:"load_g"` // mass on the rails, 0 with the wheels free
	DutyPermille float64 `json:"duty_permille"`
	Rising       bool    `json:"rising,omitempty"` // the throttle had been lower before
	VoltageMv    float64 `json:"voltage_mv"`
	CurrentMa    float64 `json:"current_ma"`
	SpeedRadS    float64 `json:"speed_rad_s"` // of the motor
	USpeedRadS   float64 `json:"u_speed_rad_s,omitempty"`
	ResidualMv   float64 `json:"residual_mv"`
	Readings     int     `json:"readings"`
	Left         string  `json:"left,omitempty"`
}

// Battery is one that trials name, so that its fading can be told from a
// locomotive's.
type Battery struct {
	ID          string  `json:"id"`
	Name        string  `json:"name"`
	Chemistry   string  `json:"chemistry,omitempty"`
	Cells       int     `json:"cells,omitempty"`
	CapacityMah float64 `json:"capacity_mah,omitempty"`
	NominalMv   float64 `json:"nominal_mv,omitempty"`
	VariantOf   string  `json:"variant_of,omitempty"` // the battery it was copied from
	Note        string  `json:"note,omitempty"`
}

// Car is one vehicle of a consist.
type Car struct {
	Name     string  `json:"name,omitempty"`
	MassG    float64 `json:"mass_g,omitempty"`
	LengthMm float64 `json:"length_mm,omitempty"`
	Axles    int     `json:"axles,omitempty"`
	Bearings string  `json:"bearings,omitempty"`
}

// Consist is the train behind the locomotive.
type Consist struct {
	ID         string      `json:"id"`
	Name       string      `json:"name"`
	Cars       []Car       `json:"cars,omitempty"`
	VariantOf  string      `json:"variant_of,omitempty"` // the consist it was copied from
	Resistance *Resistance `json:"resistance,omitempty"`
}

// Trial is one timed outing of one locomotive under stated conditions. ToUs 0
// means that it is still open.
type Trial struct {
	ID         string         `json:"id"`
	Locomotive string         `json:"locomotive"`
	Consist    string         `json:"consist,omitempty"`
	FromUs     int64          `json:"from_us,omitempty"`
	ToUs       int64          `json:"to_us,omitempty"`
	WarmupLaps int            `json:"warmup_laps,omitempty"`
	Direction  string         `json:"direction,omitempty"`
	Tag        string         `json:"tag,omitempty"`
	Entrant    string         `json:"entrant,omitempty"`
	StartMm    *float64       `json:"start_mm,omitempty"`
	Conditions map[string]any `json:"conditions,omitempty"`
	Battery    string         `json:"battery,omitempty"`
	// EndsAfterLaps and EndsAfterS end the trial by themselves: after so many laps
	// beyond the warm-up, or so many seconds from its opening. 0: by hand.
	EndsAfterLaps int     `json:"ends_after_laps,omitempty"`
	EndsAfterS    float64 `json:"ends_after_s,omitempty"`
	// Outcome is how it ended, when not as planned; Void leaves all its laps out.
	Outcome string `json:"outcome,omitempty"`
	Void    bool   `json:"void,omitempty"`
	// Run and Entry are of the running order, when it was opened from it.
	Run   string `json:"run,omitempty"`
	Entry string `json:"entry,omitempty"`
}

// Outcomes of a trial that did not end as planned.
const (
	Abandoned = "abandoned"
	Stalled   = "stalled"
	Derailed  = "derailed"
)

// Session is everything between opening and closing the book at one place.
type Session struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Circuit  string `json:"circuit"`
	OpenedUs int64  `json:"opened_us,omitempty"`
	ClosedUs int64  `json:"closed_us,omitempty"`
}

// Setup is what a session knows; also what a setup.json file holds.
type Setup struct {
	Circuit     Circuit      `json:"circuit"`
	Gates       []Gate       `json:"gates"`
	Locomotives []Locomotive `json:"locomotives"`
	Consists    []Consist    `json:"consists,omitempty"`
	NamedMotors []NamedMotor `json:"named_motors,omitempty"`
	Batteries   []Battery    `json:"batteries,omitempty"`
	Trials      []Trial      `json:"trials"`
}

// within reports whether every x lies in 0..max.
func within(max float64, xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || x < 0 || x > max {
			return false
		}
	}
	return true
}

func checkName(field, name string) error {
	if len(name) > 200 || !utf8.ValidString(name) {
		return malformed("%s is longer than 200 bytes or not UTF-8", field)
	}
	return nil
}

// checkOrigin validates what every copied thing has: what it is a variant of,
// and a note.
func checkOrigin(what, id, variantOf, note string) error {
	if variantOf != "" && !ValidID(variantOf) || len(note) > 2000 {
		return malformed("%s %q: variant_of is not an id, or note is longer than 2000 bytes", what, id)
	}
	return nil
}

// Check validates a circuit with its gates.
func (c CircuitValue) Check() error {
	if err := c.Circuit.Check(); err != nil {
		return err
	}
	seen := map[string]bool{}
	for i, g := range c.Gates {
		if err := needID("gate id", g.ID); err != nil {
			return err
		}
		if seen[g.ID] {
			return malformed("gate %q stands twice", g.ID)
		}
		seen[g.ID] = true
		if !within(1e7, g.PositionMm) {
			return malformed("gates[%d].position_mm = %g, want 0 or more", i, g.PositionMm)
		}
		if g.PairMm != nil && (!within(1e4, *g.PairMm) || *g.PairMm == 0) {
			return malformed("gates[%d].pair_mm = %g, want more than 0", i, *g.PairMm)
		}
	}
	if len(c.Gates) > 256 {
		return malformed("%d gates, at most 256 are taken", len(c.Gates))
	}
	return nil
}

// Check validates a circuit: some pieces, or a measured length.
func (c Circuit) Check() error {
	if err := needID("circuit id", c.ID); err != nil {
		return err
	}
	if err := checkName("circuit name", c.Name); err != nil {
		return err
	}
	if len(c.Pieces) == 0 && c.LapLengthMm <= 0 {
		return malformed("circuit %q has neither pieces nor a measured lap_length_mm", c.ID)
	}
	if len(c.Pieces) > 2000 {
		return malformed("circuit %q has %d pieces, at most 2000 are taken", c.ID, len(c.Pieces))
	}
	if !within(1e7, c.LapLengthMm, c.LapLengthUMm) || !within(1000, c.ScaleRatio) {
		return malformed("circuit %q: lap_length_mm, lap_length_u_mm or scale_ratio is out of range", c.ID)
	}
	for i, p := range c.Pieces {
		straight := p.StraightMm > 0 && p.RadiusMm == 0 && p.AngleDeg == 0
		curve := p.StraightMm == 0 && p.RadiusMm > 0 && p.AngleDeg > 0 && p.AngleDeg <= 360 && (p.Hand == "left" || p.Hand == "right")
		if !straight && !curve || !within(1e6, p.StraightMm, p.RadiusMm) {
			return malformed("pieces[%d] is neither {straight_mm} nor {radius_mm, angle_deg, hand: left|right}", i)
		}
	}
	return nil
}

// Check validates a locomotive and its driver sets.
func (l Locomotive) Check() error {
	if err := needID("locomotive id", l.ID); err != nil {
		return err
	}
	if err := checkName("locomotive name", l.Name+l.Owner); err != nil {
		return err
	}
	if err := checkOrigin("locomotive", l.ID, l.VariantOf, l.Note); err != nil {
		return err
	}
	if !within(1e6, l.MassG, l.LengthMm) {
		return malformed("locomotive %q: mass_g or length_mm is out of range", l.ID)
	}
	if len(l.DriverSets) > 16 {
		return malformed("locomotive %q has %d driver sets, at most 16 are taken", l.ID, len(l.DriverSets))
	}
	for i, d := range l.DriverSets {
		if err := needID("driver set id", d.ID); err != nil {
			return err
		}
		if d.Motor != "" && !ValidID(d.Motor) {
			return malformed("driver_sets[%d].motor %q is not an id", i, clip(d.Motor))
		}
		if !within(1e6, d.WheelDiameterMm, d.GearRatio, d.CountsPerRev, d.WeightG) {
			return malformed("driver_sets[%d]: a number is out of range", i)
		}
		if !within(100, d.WheelDiameterUMm, d.Adhesion, d.AdhesionU) || !within(1, d.GearEfficiency, d.GearEfficiencyU) {
			return malformed("driver_sets[%d]: wheel_diameter_u_mm, adhesion (to 100) or gear_efficiency (to 1) is out of range", i)
		}
		if err := d.Calibration.check(); err != nil {
			return fmt.Errorf("driver_sets[%d].calibration: %w", i, err)
		}
	}
	return l.Resistance.check("locomotive", l.ID)
}

func (c *WheelCalibration) check() error {
	if c == nil {
		return nil
	}
	if err := needID("circuit", c.Circuit); err != nil {
		return err
	}
	if !within(1e7, c.LapLengthMm, float64(c.Laps)) || !within(100, c.UMm, c.OwnUMm) {
		return malformed("lap_length_mm, laps, u_mm or own_u_mm is out of range")
	}
	for _, id := range c.Trials {
		if err := needID("trial", id); err != nil {
			return err
		}
	}
	if c.Session != "" && !ValidID(c.Session) || len(c.Trials) > 100 {
		return malformed("session is not an id, or there are over 100 trials")
	}
	return nil
}

// check validates terms of resistance; none at all is well.
func (r *Resistance) check(what, id string) error {
	if r == nil {
		return nil
	}
	if !within(1000, r.AMS2, r.BPerS, r.CPerM, r.CurveMS2, r.AUMS2, r.BUPerS, r.CUPerM, r.CurveUMS2) {
		return malformed("%s %q: a term of its resistance is out of range, want 0 to 1000", what, id)
	}
	if n := len(r.Covariance); n != 0 && n != 4 || slices.ContainsFunc(r.Covariance, func(row []float64) bool { return len(row) != 4 || slices.ContainsFunc(row, math.IsNaN) }) {
		return malformed("%s %q: the covariance of its resistance wants 4 rows of 4", what, id)
	}
	return checkName("source of the resistance", r.Source)
}

func (c *MotorCurve) check(motor string) error {
	if c == nil {
		return nil
	}
	for _, f := range []struct {
		name string
		e    Estimate
		most float64
	}{{"resistance_ohm", c.ResistanceOhm, 1e6}, {"k_v_s", c.KVS, 1e3}, {"no_load_ma", c.NoLoadMa, 1e6}} {
		if f.e.Value == nil && f.name == "no_load_ma" {
			continue // one load does not tell it
		}
		if f.e.Value == nil || !within(f.most, *f.e.Value) || f.e.U != nil && !within(f.most, *f.e.U) {
			return malformed("motor %q: curve.%s wants a value from 0 to %g and, if stated, such a u", motor, f.name, f.most)
		}
	}
	if *c.ResistanceOhm.Value == 0 || *c.KVS.Value == 0 {
		return malformed("motor %q: curve.resistance_ohm and curve.k_v_s want more than 0", motor)
	}
	if n := len(c.Covariance); n != 0 && n != 3 || slices.ContainsFunc(c.Covariance, func(row []float64) bool { return len(row) != 3 }) {
		return malformed("motor %q: curve.covariance wants 3 rows of 3", motor)
	}
	if len(c.Steps) > 1000 || len(c.Trials) > 100 || len(c.Doubts) > 100 {
		return malformed("motor %q: curve has too many steps (1000), trials or doubts (100)", motor)
	}
	return checkName("source of the curve", c.Source)
}

// Check validates a motor.
func (m NamedMotor) Check() error {
	if err := needID("motor id", m.ID); err != nil {
		return err
	}
	if err := checkOrigin("motor", m.ID, m.VariantOf, m.Note); err != nil {
		return err
	}
	if !within(1e6, m.NominalMv) {
		return malformed("motor %q: nominal_mv is out of range", m.ID)
	}
	if err := m.Curve.check(m.ID); err != nil {
		return err
	}
	return checkName("motor name", m.Name)
}

// Check validates a battery.
func (b Battery) Check() error {
	if err := needID("battery id", b.ID); err != nil {
		return err
	}
	if err := checkOrigin("battery", b.ID, b.VariantOf, b.Note); err != nil {
		return err
	}
	if !within(1e7, b.CapacityMah, b.NominalMv, float64(b.Cells)) {
		return malformed("battery %q: a number is out of range", b.ID)
	}
	return checkName("battery name", b.Name+b.Chemistry)
}

// Check validates a consist.
func (c Consist) Check() error {
	if err := needID("consist id", c.ID); err != nil {
		return err
	}
	if err := checkOrigin("consist", c.ID, c.VariantOf, ""); err != nil {
		return err
	}
	if len(c.Cars) > 500 {
		return malformed("consist %q has %d cars, at most 500 are taken", c.ID, len(c.Cars))
	}
	for i, car := range c.Cars {
		if !within(1e6, car.MassG, car.LengthMm) || car.Axles < 0 || car.Axles > 64 {
			return malformed("cars[%d]: mass_g, length_mm or axles is out of range", i)
		}
		switch car.Bearings {
		case "", "plain", "needle", "ball":
		default:
			return malformed("cars[%d].bearings %q is not plain, needle or ball", i, clip(car.Bearings))
		}
		if err := checkName("car name", car.Name); err != nil {
			return err
		}
	}
	if err := c.Resistance.check("consist", c.ID); err != nil {
		return err
	}
	return checkName("consist name", c.Name)
}

// Check validates a session.
func (s Session) Check() error {
	if err := needID("session id", s.ID); err != nil {
		return err
	}
	if err := needID("session circuit", s.Circuit); err != nil {
		return err
	}
	if s.ClosedUs < 0 || s.OpenedUs < 0 || s.ClosedUs != 0 && s.ClosedUs < s.OpenedUs {
		return malformed("session %q closes before it opens", s.ID)
	}
	return checkName("session name", s.Name)
}

// Check validates a trial.
func (t Trial) Check() error {
	if err := needID("trial id", t.ID); err != nil {
		return err
	}
	if err := needID("trial locomotive", t.Locomotive); err != nil {
		return err
	}
	if t.Consist != "" && !ValidID(t.Consist) {
		return malformed("trial %q: consist %q is not an id", t.ID, clip(t.Consist))
	}
	if t.FromUs < 0 || t.ToUs < 0 || t.FromUs > maxInstantUs || t.ToUs > maxInstantUs || t.ToUs != 0 && t.ToUs < t.FromUs {
		return malformed("trial %q ends before it begins", t.ID)
	}
	if t.WarmupLaps < 0 || t.WarmupLaps > 10000 {
		return malformed("trial %q: warmup_laps = %d is out of range", t.ID, t.WarmupLaps)
	}
	switch t.Direction {
	case "", "forward", "reverse":
	default:
		return malformed("trial %q: direction %q is not forward or reverse", t.ID, clip(t.Direction))
	}
	if t.StartMm != nil && !within(1e7, *t.StartMm) {
		return malformed("trial %q: start_mm = %g, want 0 or more", t.ID, *t.StartMm)
	}
	switch t.Outcome {
	case "", Abandoned, Stalled, Derailed:
	default:
		return malformed("trial %q: outcome %q is not abandoned, stalled or derailed", t.ID, clip(t.Outcome))
	}
	if t.EndsAfterLaps < 0 || t.EndsAfterLaps > 100_000 || !within(1e6, t.EndsAfterS) {
		return malformed("trial %q: ends_after_laps or ends_after_s is out of range", t.ID)
	}
	for _, id := range []string{t.Battery, t.Run, t.Entry} {
		if id != "" && !ValidID(id) {
			return malformed("trial %q: battery, run or entry %q is not an id", t.ID, clip(id))
		}
	}
	if len(t.Tag) > 64 || len(t.Conditions) > 100 {
		return malformed("trial %q: tag or conditions is too long", t.ID)
	}
	return checkName("entrant", t.Entrant)
}

// Check validates a whole setup: each part, and that names refer to something.
func (s Setup) Check() error {
	if err := (CircuitValue{s.Circuit, s.Gates}).Check(); err != nil {
		return err
	}
	locos, consists, trials := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, l := range s.Locomotives {
		if err := l.Check(); err != nil {
			return err
		}
		locos[l.ID] = true
	}
	for _, c := range s.Consists {
		if err := c.Check(); err != nil {
			return err
		}
		consists[c.ID] = true
	}
	for _, m := range s.NamedMotors {
		if err := m.Check(); err != nil {
			return err
		}
	}
	for _, b := range s.Batteries {
		if err := b.Check(); err != nil {
			return err
		}
	}
	for _, t := range s.Trials {
		if err := t.Check(); err != nil {
			return err
		}
		switch {
		case trials[t.ID]:
			return malformed("trial %q stands twice", t.ID)
		case !locos[t.Locomotive]:
			return malformed("trial %q: no locomotive %q", t.ID, t.Locomotive)
		case t.Consist != "" && !consists[t.Consist]:
			return malformed("trial %q: no consist %q", t.ID, t.Consist)
		}
		trials[t.ID] = true
	}
	return nil
}
