package sim

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"rainhill/pkg/wire"
)

//go:embed scenarios/*.toml
var own embed.FS

// Scenario is everything about a simulated run but its seed. Every fault has a
// figure of its own, and is absent at 0.
type Scenario struct {
	Name    string  `toml:"-"`
	About   string  `toml:"-"`    // the first comment of its file
	Like    string  `toml:"like"` // one of the embedded scenarios: what is not said here is as there
	Minutes float64 `toml:"minutes"`
	Circuit Circuit `toml:"circuit"`
	Gates   []Gate  `toml:"gate"`
	Trains  []Train `toml:"train"`
	Faults  Faults  `toml:"faults"`
	Clocks  Clocks  `toml:"clocks"`
}

// Circuit is pieces end to end.
type Circuit struct {
	ID         string  `toml:"id"`
	Name       string  `toml:"name"`
	ScaleRatio float64 `toml:"scale_ratio"`
	Pieces     []Piece `toml:"pieces"`
}

// Piece is a straight or a curve, laid Times over (0 is once).
type Piece struct {
	StraightMm float64 `toml:"straight_mm"`
	RadiusMm   float64 `toml:"radius_mm"`
	AngleDeg   float64 `toml:"angle_deg"`
	Hand       string  `toml:"hand"`
	Times      int     `toml:"times"`
}

// What a gate sees of a train.
const (
	SeesFront = "front" // one pulse, as a magnet under the front gives
	SeesTrain = "train" // enter with the front, leave with the rear
	SeesAxles = "axles" // a pulse an axle
	SeesSpans = "spans" // enter and leave for every axle
	SeesPair  = "pair"  // two beams PairMm apart, each as "train"
)

// Gate is a gate and the agent at it, gate-ID when not named. UStated and
// JitterUs stand for those of Faults.
type Gate struct {
	ID         string   `toml:"id"`
	Agent      string   `toml:"agent"`
	PositionMm float64  `toml:"position_mm"`
	Timing     bool     `toml:"timing"`
	Sees       string   `toml:"sees"`
	PairMm     float64  `toml:"pair_mm"`
	UStated    *bool    `toml:"u_stated"`
	JitterUs   *float64 `toml:"jitter_us"`
}

// Train is a locomotive with its cars, how it is driven, and what befalls it.
// Throttle is [second, permille] and holds from each to the next; a new one is
// reached in RampS. LoadSD is how much the running resistance wanders, as a part
// of it, over some LoadS.
//
// It is there from FromS to ToS (0: to the end), and its seconds count from
// FromS. One locomotive can so have several trials, one after the other, with
// its battery and its counters going on; SameAs is the trial of an earlier train
// whose locomotive it is, and what is not said here is as there. With WheelsFree
// the locomotive is on stands: wheels turn, nothing moves, no gate is crossed.
type Train struct {
	Trial      string         `toml:"trial"`
	Tag        string         `toml:"tag"`
	Agent      string         `toml:"agent"`
	StartMm    float64        `toml:"start_mm"`
	HideStart  bool           `toml:"hide_start"` // setup.json does not say start_mm
	Throttle   [][2]float64   `toml:"throttle"`
	RampS      float64        `toml:"ramp_s"`
	LoadSD     float64        `toml:"load_sd"`
	LoadS      float64        `toml:"load_s"`
	WarmupLaps int            `toml:"warmup_laps"`
	Loco       Locomotive     `toml:"locomotive"`
	Consist    Consist        `toml:"consist"`
	Resistance Resistance     `toml:"resistance"`
	Battery    Battery        `toml:"battery"`
	Happens    []Happening    `toml:"happens"`
	Conditions map[string]any `toml:"conditions"`
	FromS      float64        `toml:"from_s"`
	ToS        float64        `toml:"to_s"`
	SameAs     string         `toml:"same_as"`
	WheelsFree bool           `toml:"wheels_free"`
	Factors    []float64      `toml:"throttle_factors"` // by set, in place of their own
	Telemetry
}

// Locomotive has its axles AxlesMm behind its foremost axle, which is its front:
// evenly, two to a set, when not said. OverhangMm is how far what SeesTrain and
// SeesPair see stands before that axle. GaugeMm and HeightMm of the centre of
// gravity, when both are given, let it tip over in a curve taken too fast.
type Locomotive struct {
	ID         string    `toml:"id"`
	Name       string    `toml:"name"`
	Owner      string    `toml:"owner"`
	MassG      float64   `toml:"mass_g"`
	LengthMm   float64   `toml:"length_mm"`
	AxlesMm    []float64 `toml:"axles_mm"`
	OverhangMm float64   `toml:"overhang_mm"`
	GaugeMm    float64   `toml:"gauge_mm"`
	HeightMm   float64   `toml:"height_mm"`
	Sets       []Set     `toml:"set"`
}

// Set is a driver set. What is left out is that of an invented gearmotor.
//
// Regulated has its board hold the speed that NominalMv would give the free motor
// at the throttle (see dynamics.Governor). The wheel is truly WheelErrorMm larger
// than stated, and by a draw of WheelErrorSDMm besides; WheelDiameterUMm is the
// uncertainty that setup.json states. With EfficiencySD or MuSD, setup.json states
// gear_efficiency or adhesion as said here, with that uncertainty, and what is true
// is drawn. The counter wraps at CounterBits (0: never) and with CounterResets
// begins from 0 whenever the agent restarts. The set has ThrottleFactor of the
// train's throttle.
type Set struct {
	ID              string  `toml:"id"`
	Motor           string  `toml:"motor"`
	WheelDiameterMm float64 `toml:"wheel_diameter_mm"`
	GearRatio       float64 `toml:"gear_ratio"`
	CountsPerRev    float64 `toml:"counts_per_motor_rev"`
	WeightG         float64 `toml:"weight_g"`
	Tyres           bool    `toml:"tyres"`
	ResistanceOhm   float64 `toml:"resistance_ohm"`
	KMnmA           float64 `toml:"k_mnm_a"` // mN m/A
	NoLoadMa        float64 `toml:"no_load_ma"`
	RotorGCm2       float64 `toml:"rotor_g_cm2"`
	Efficiency      float64 `toml:"efficiency"`
	MuMax           float64 `toml:"mu_max"`
	Creep           float64 `toml:"creep"`

	Regulated        bool    `toml:"regulated"`
	NominalMv        float64 `toml:"nominal_mv"`
	GovernorGain     float64 `toml:"governor_gain"`
	GovernorS        float64 `toml:"governor_s"`
	ReportsDuty      string  `toml:"reports_duty"`
	WheelErrorMm     float64 `toml:"wheel_error_mm"`
	WheelErrorSDMm   float64 `toml:"wheel_error_sd_mm"`
	WheelDiameterUMm float64 `toml:"wheel_diameter_u_mm"`
	EfficiencySD     float64 `toml:"efficiency_sd"`
	MuSD             float64 `toml:"mu_sd"`
	CounterBits      int     `toml:"counter_bits"`
	CounterResets    bool    `toml:"counter_resets"`
	ThrottleFactor   float64 `toml:"throttle_factor"`
}

// Consist is the cars.
type Consist struct {
	ID   string `toml:"id"`
	Name string `toml:"name"`
	Cars []Car  `toml:"car"`
}

// Car is one car, Times over (0 is once). Its axles stand in two pairs for four,
// else evenly.
type Car struct {
	Name     string  `toml:"name"`
	MassG    float64 `toml:"mass_g"`
	LengthMm float64 `toml:"length_mm"`
	Axles    int     `toml:"axles"`
	Bearings string  `toml:"bearings"`
	Times    int     `toml:"times"`
}

// Resistance is a train's: see dynamics.Train. With SD setup.json states these
// terms, with that part of each as its uncertainty, and what is true is drawn.
type Resistance struct {
	A     float64 `toml:"a_m_s2"`
	B     float64 `toml:"b_per_s"`
	C     float64 `toml:"c_per_m"`
	Curve float64 `toml:"curve_m2_s2"`
	SD    float64 `toml:"sd"`
}

// Battery is the train's; below SwapBelow of its charge it is changed for a full
// one (0: never).
type Battery struct {
	Curve         [][2]float64 `toml:"soc_volt"`
	ResistanceOhm float64      `toml:"resistance_ohm"`
	CapacityMah   float64      `toml:"capacity_mah"`
	SwapBelow     float64      `toml:"swap_below"`
}

// Happening is what befalls a train (kinds as in pkg/truth): at AtS, or up to
// WithinS later, drawn; then where AtMm is given, when the front next comes
// there. It stands ForS before it goes on or is set on the rails again (0:
// never), SetMm along the lap or where it left them. BackMm is how far a
// reversal runs back. With RepeatS the same happens again and again.
type Happening struct {
	Kind    string   `toml:"kind"`
	AtS     float64  `toml:"at_s"`
	WithinS float64  `toml:"within_s"`
	RepeatS float64  `toml:"repeat_s"`
	AtMm    *float64 `toml:"at_mm"`
	ForS    float64  `toml:"for_s"`
	BackMm  float64  `toml:"back_mm"`
	SetMm   *float64 `toml:"set_mm"`
}

// Faults are those of gates and of the way to the bus.
type Faults struct {
	JitterUs       float64 `toml:"jitter_us"` // SD of a gate's instant
	TickUs         float64 `toml:"tick_us"`   // resolution of a gate's instant
	UStated        bool    `toml:"u_stated"`  // whether crossings carry u_us
	Bounce         float64 `toml:"bounce"`    // probability an edge
	BounceEdges    int     `toml:"bounce_edges"`
	BounceUs       float64 `toml:"bounce_us"`
	Missed         float64 `toml:"missed"`           // probability that a gate does not see a passage at all
	MissedEdges    float64 `toml:"missed_edges"`     // probability an edge
	FalsePerMinute float64 `toml:"false_per_minute"` // a gate
	Copies         float64 `toml:"copies"`           // probability an event
	CopyUs         float64 `toml:"copy_us"`          // a copy comes up to so much later
	Disorder       float64 `toml:"disorder"`         // probability an event
	DisorderUs     float64 `toml:"disorder_us"`      // it comes up to so much later
	RestartsHour   float64 `toml:"restarts_per_hour"`
	RestartS       float64 `toml:"restart_s"` // silence while an agent restarts
	GapsHour       float64 `toml:"gaps_per_hour"`
	GapS           float64 `toml:"gap_s"` // an agent is cut off for up to so long
	UnreadTags     float64 `toml:"unread_tags"`
	WrongTags      float64 `toml:"wrong_tags"`
}

// Clocks are those of agents. Sizes are drawn between half of what is given and
// the whole, of either sign. SyncS 0: no clock exchange at all.
type Clocks struct {
	OffsetUs  float64  `toml:"offset_us"`
	DriftPpm  float64  `toml:"drift_ppm"`
	SyncS     float64  `toml:"sync_s"`
	DelayUs   float64  `toml:"delay_us"`       // least way to the bus or back
	QueueUs   float64  `toml:"delay_queue_us"` // mean of what comes on top, each way by itself
	Spikes    float64  `toml:"delay_spikes"`   // probability that a way is a long one
	SpikeUs   float64  `toml:"delay_spike_us"` // up to so much longer
	NeverSync []string `toml:"never_sync"`     // agents that make no clock exchange
}

// Names are those of the embedded scenarios.
func Names() []string {
	list, _ := fs.Glob(own, "scenarios/*.toml")
	for i, f := range list {
		list[i] = strings.TrimSuffix(strings.TrimPrefix(f, "scenarios/"), ".toml")
	}
	return list
}

// Load gives an embedded scenario.
func Load(name string) (Scenario, error) {
	text, err := Text(name)
	if err != nil {
		return Scenario{}, err
	}
	return Read(name, text)
}

// Text is an embedded scenario as it is written.
func Text(name string) ([]byte, error) {
	if !slices.Contains(Names(), name) {
		return nil, fmt.Errorf("no scenario %q; there are %s", name, strings.Join(Names(), ", "))
	}
	return own.ReadFile("scenarios/" + name + ".toml")
}

// Read makes a scenario of a TOML text. An error says where and what.
func Read(name string, text []byte) (Scenario, error) {
	var s Scenario
	var like struct {
		Like string `toml:"like"`
	}
	first, err := toml.Decode(string(text), &like)
	if err != nil {
		return s, fmt.Errorf("reading scenario %s: %w", name, where(err))
	}
	if like.Like != "" {
		if like.Like == name {
			return s, fmt.Errorf("reading scenario %s: it is like itself", name)
		}
		base, err := Load(like.Like)
		if err != nil {
			return s, fmt.Errorf("reading scenario %s: like: %w", name, err)
		}
		s = base
	}
	s.drop(first)
	meta, err := toml.Decode(string(text), &s)
	if err != nil {
		return s, fmt.Errorf("reading scenario %s: %w", name, where(err))
	}
	if left := undecoded(meta); left != "" {
		return s, fmt.Errorf("reading scenario %s: line %d: %s means nothing here", name, lineOf(text, left), left)
	}
	s.Name, s.About = name, firstComment(text)
	s.fill()
	if err := s.check(); err != nil {
		return s, fmt.Errorf("reading scenario %s: %w", name, err)
	}
	return s, nil
}

// drop forgets what a scenario like another says anew as a whole: lists are not
// mixed.
func (s *Scenario) drop(said toml.MetaData) {
	if said.IsDefined("circuit", "pieces") {
		s.Circuit.Pieces = nil
	}
	if said.IsDefined("gate") {
		s.Gates = nil
	}
	if said.IsDefined("train") {
		s.Trains = nil
	}
	if said.IsDefined("clocks", "never_sync") {
		s.Clocks.NeverSync = nil
	}
}

// undecoded is the first key that no field takes; a train's conditions are free.
func undecoded(meta toml.MetaData) string {
	for _, k := range meta.Undecoded() {
		return k.String()
	}
	return ""
}

func where(err error) error {
	var p toml.ParseError
	if errors.As(err, &p) {
		return fmt.Errorf("line %d: %s", p.Position.Line, p.Message)
	}
	return err
}

// lineOf is the first line that sets a key's last part.
func lineOf(text []byte, key string) int {
	last := key[strings.LastIndexByte(key, '.')+1:]
	for i, line := range strings.Split(string(text), "\n") {
		if f := strings.TrimSpace(line); strings.HasPrefix(f, last) || strings.Contains(f, "."+last) || strings.Contains(f, last+" =") || strings.HasPrefix(strings.Trim(f, "[]"), key) {
			return i + 1
		}
	}
	return 0
}

func firstComment(text []byte) string {
	line, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimSpace(strings.TrimPrefix(strings.TrimSpace(line), "#"))
}

// Setup is the definitions with all trials open from fromUs (0: not stated).
func (s Scenario) Setup(fromUs int64) wire.Setup {
	out := wire.Setup{Circuit: wire.Circuit{ID: s.Circuit.ID, Name: s.Circuit.Name, ScaleRatio: s.Circuit.ScaleRatio}}
	for _, p := range s.Circuit.Pieces {
		for range max(1, p.Times) {
			out.Circuit.Pieces = append(out.Circuit.Pieces, wire.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Hand: p.Hand})
		}
	}
	for _, g := range s.Gates {
		w := wire.Gate{ID: g.ID, PositionMm: g.PositionMm, Timing: g.Timing}
		if g.PairMm > 0 {
			w.PairMm = &g.PairMm
		}
		out.Gates = append(out.Gates, w)
	}
	for _, t := range s.Trains {
		l, c := t.locomotive(), wire.Consist{ID: t.Consist.ID, Name: t.Consist.Name}
		l.Resistance = s.stated(t.Resistance)
		if !slices.ContainsFunc(out.Locomotives, func(o wire.Locomotive) bool { return o.ID == l.ID }) {
			out.Locomotives = append(out.Locomotives, l)
		}
		for _, one := range t.cars() {
			c.Cars = append(c.Cars, wire.Car{Name: one.Name, MassG: one.MassG, LengthMm: one.LengthMm, Axles: one.Axles, Bearings: one.Bearings})
		}
		if len(c.Cars) > 0 {
			c.Resistance = s.stated(t.Resistance)
		}
		if !slices.ContainsFunc(out.Consists, func(o wire.Consist) bool { return o.ID == c.ID }) {
			out.Consists = append(out.Consists, c)
		}
		out.Trials = append(out.Trials, t.trial(fromUs))
	}
	return out
}

// trial is the train's trial in a run from fromUs (0: not stated).
func (t *Train) trial(fromUs int64) wire.Trial {
	w := wire.Trial{ID: t.Trial, Locomotive: t.Loco.ID, Consist: t.Consist.ID, FromUs: fromUs, WarmupLaps: t.WarmupLaps, Direction: "forward", Tag: t.Tag, Entrant: t.Loco.Owner, Conditions: t.Conditions}
	if start := t.StartMm; !t.HideStart {
		w.StartMm = &start
	}
	if fromUs > 0 {
		w.FromUs += int64(math.Round(t.FromS * 1e6))
		if t.ToS > 0 {
			w.ToUs = fromUs + int64(math.Round(t.ToS*1e6))
		}
	}
	if t.WheelsFree {
		w.Conditions = map[string]any{"wheels": "free"}
		maps.Copy(w.Conditions, t.Conditions)
	}
	return w
}

func (t *Train) locomotive() wire.Locomotive {
	l := wire.Locomotive{ID: t.Loco.ID, Name: t.Loco.Name, Owner: t.Loco.Owner, MassG: t.Loco.MassG, LengthMm: t.Loco.LengthMm}
	for _, d := range t.Loco.Sets {
		w := wire.DriverSet{ID: d.ID, Motor: d.Motor, WheelDiameterMm: d.WheelDiameterMm, WheelDiameterUMm: d.WheelDiameterUMm,
			GearRatio: d.GearRatio, CountsPerRev: d.CountsPerRev, WeightG: d.WeightG, Tyres: d.Tyres}
		if d.EfficiencySD > 0 {
			w.GearEfficiency, w.GearEfficiencyU = d.Efficiency, d.EfficiencySD
		}
		if d.MuSD > 0 {
			w.Adhesion, w.AdhesionU = d.MuMax, d.MuSD
		}
		l.DriverSets = append(l.DriverSets, w)
	}
	return l
}

// cars is the cars one by one.
func (t *Train) cars() []Car {
	var all []Car
	for _, c := range t.Consist.Cars {
		for range max(1, c.Times) {
			all = append(all, c)
		}
	}
	return all
}
