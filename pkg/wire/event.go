// Package wire is the words: every message that crosses a process boundary,
// with its validation. It answers "is this a message of ours, and if not, why
// not?". It holds no sums, no subjects and no input or output, and imports
// nothing of ours. Units stand in the names; instants are integer microseconds
// since the Unix epoch.
package wire

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Limits on what the bus accepts. An event is small; a batch of samples is
// larger, but never a megabyte.
const (
	MaxEventBytes = 256 << 10
	MaxSamples    = 2000
	// MaxSkewUs is how far an agent's instant may lie from bus time.
	MaxSkewUs = int64(24 * 3600 * 1_000_000)
	// maxInstantUs is the year 2255, the last instant exact in an IEEE double.
	maxInstantUs = int64(1) << 53
)

// Kinds of event. Tick is written by the journal alone: time passing in
// silence is a fact too.
const (
	KindCrossing = "crossing"
	KindMotor    = "motor"
	KindLoad     = "load"
	KindSync     = "sync"
	KindHealth   = "health"
	KindDrive    = "drive"
	KindDecision = "decision"
	KindTick     = "tick"
)

// Edges of a crossing.
const (
	EdgeEnter = "enter"
	EdgeLeave = "leave"
	EdgePulse = "pulse"
)

// ErrMalformed marks every refusal for content.
var ErrMalformed = errors.New("malformed")

// Sample is one reading of a motor (Counts and what the driver board knows) or
// of a load cell (ForceMn). Counts are signed and cumulative.
type Sample struct {
	AtUs         int64  `json:"at_us"`
	Counts       *int64 `json:"counts,omitempty"`
	CurrentMa    *int64 `json:"current_ma,omitempty"`
	VoltageMv    *int64 `json:"voltage_mv,omitempty"`
	DutyPermille *int64 `json:"duty_permille,omitempty"`
	ForceMn      *int64 `json:"force_mn,omitempty"`
}

// Event is one message of any kind; the fields of other kinds stay empty.
// BusUs and JournalSeq are given by the journal, never taken from a client.
type Event struct {
	Kind  string  `json:"kind"`
	Agent string  `json:"agent,omitempty"`
	Boot  string  `json:"boot,omitempty"`
	Seq   *uint64 `json:"seq,omitempty"`
	AtUs  int64   `json:"at_us"`

	// crossing. Beam tells the beams of a two-beam gate apart: 1 stands at the
	// gate's position_mm, 2 its pair_mm further on.
	Gate    string   `json:"gate,omitempty"`
	Edge    string   `json:"edge,omitempty"`
	Tag     string   `json:"tag,omitempty"`
	UUs     *float64 `json:"u_us,omitempty"`
	ClearUs *int64   `json:"clear_us,omitempty"`
	Beam    *int64   `json:"beam,omitempty"`

	// motor, load, drive
	Motor        string   `json:"motor,omitempty"`
	Cell         string   `json:"cell,omitempty"`
	Samples      []Sample `json:"samples,omitempty"`
	DutyPermille *int64   `json:"duty_permille,omitempty"`

	// sync, named as in RFC 5905
	T1Us *int64 `json:"t1_us,omitempty"`
	T2Us *int64 `json:"t2_us,omitempty"`
	T3Us *int64 `json:"t3_us,omitempty"`
	T4Us *int64 `json:"t4_us,omitempty"`

	// health. KeptFromSeq is the lowest seq the agent still keeps: what lies
	// below and never arrived was given up, and will not come.
	Version     string          `json:"version,omitempty"`
	BatteryMv   *int64          `json:"battery_mv,omitempty"`
	RssiDbm     *int64          `json:"rssi_dbm,omitempty"`
	Gates       []string        `json:"gates,omitempty"`
	Motors      []string        `json:"motors,omitempty"`
	KeptFromSeq *uint64         `json:"kept_from_seq,omitempty"`
	Detail      json.RawMessage `json:"detail,omitempty"`

	// decision, drive. Session names the session that a decision is about when it
	// is not the open one. BaseSeq is the journal sequence that its author had seen:
	// what was decided on the same thing since then is a conflict.
	ID      string          `json:"id,omitempty"`
	By      string          `json:"by,omitempty"`
	Why     string          `json:"why,omitempty"`
	What    string          `json:"what,omitempty"`
	Value   json.RawMessage `json:"value,omitempty"`
	Session string          `json:"session,omitempty"`
	BaseSeq *uint64         `json:"base_seq,omitempty"`

	// journal
	BusUs      int64  `json:"bus_us,omitempty"`
	JournalSeq uint64 `json:"journal_seq,omitempty"`
}

// Reply answers a sender. OK means that the event is on disk; Seq is its place
// in the journal. Duplicate means it was there already.
type Reply struct {
	OK        bool   `json:"ok"`
	Seq       uint64 `json:"seq,omitempty"`
	Duplicate bool   `json:"duplicate,omitempty"`
	Reason    string `json:"reason,omitempty"`
	Conflict  bool   `json:"conflict,omitempty"` // somebody else decided on the same thing meanwhile
	ID        string `json:"id,omitempty"`       // of the decision
}

// Stored tells an agent the highest seq of its boot below which nothing is
// missing from the journal. What it keeps up to there it may let go.
type Stored struct {
	Boot string `json:"boot"`
	Seq  uint64 `json:"seq"`
}

// ClockAsk and ClockTold are one clock exchange: the agent notes t1 and asks,
// the bus notes t2 and t3 and tells, the agent notes t4 and publishes a sync.
type ClockAsk struct {
	T1Us int64 `json:"t1_us"`
}

// ClockTold is the bus's half of a clock exchange.
type ClockTold struct {
	T1Us int64 `json:"t1_us"`
	T2Us int64 `json:"t2_us"`
	T3Us int64 `json:"t3_us"`
}

// ValidID reports whether s is an id: [a-z0-9][a-z0-9-]{0,31}.
func ValidID(s string) bool {
	if len(s) == 0 || len(s) > 32 || s[0] == '-' {
		return false
	}
	for i := 0; i < len(s); i++ {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

func malformed(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrMalformed, fmt.Sprintf(format, a...))
}

// Decode reads one event and checks everything that can be checked without
// knowing the time or the setup. The error says which field and why.
func Decode(b []byte) (Event, error) {
	if len(b) > MaxEventBytes {
		return Event{}, malformed("event has %d bytes, at most %d are taken", len(b), MaxEventBytes)
	}
	e, err := Read[Event](b)
	if err != nil {
		return e, malformed("%s", JSONReason(err))
	}
	return e, e.Check()
}

// JSONReason says in words of the trade, not of the program, why JSON could not be read:
// the field's name as it is written, what stands there and what is wanted.
func JSONReason(err error) string {
	var typ *json.UnmarshalTypeError
	var syn *json.SyntaxError
	switch {
	case errors.As(err, &typ):
		if typ.Field == "" {
			return fmt.Sprintf("is a JSON %s, want an object", typ.Value)
		}
		return fmt.Sprintf("field %s is a JSON %s, want %s", typ.Field, typ.Value, wanted(typ.Type.String()))
	case errors.As(err, &syn):
		return fmt.Sprintf("not JSON at byte %d: %s", syn.Offset, syn.Error())
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "not JSON: it ends too early"
	case errors.Is(err, io.EOF):
		return "it is empty"
	}
	if field, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
		return "there is no field " + field
	}
	return "not JSON: " + err.Error()
}

func wanted(goType string) string {
	switch {
	case strings.Contains(goType, "int"):
		return "an integer"
	case strings.Contains(goType, "float"):
		return "a number"
	case strings.Contains(goType, "bool"):
		return "true or false"
	case strings.HasPrefix(goType, "[]"):
		return "a list"
	case strings.Contains(goType, "string"):
		return "a string"
	}
	return "an object"
}

// Source is the id of what the event speaks of: the last token of its subject.
func (e Event) Source() string {
	switch e.Kind {
	case KindCrossing:
		return e.Gate
	case KindMotor, KindDrive:
		return e.Motor
	case KindLoad:
		return e.Cell
	case KindDecision:
		return e.ID
	case KindTick:
		return "tick"
	}
	return e.Agent
}

// Check validates the fields of the event's own kind.
func (e Event) Check() error {
	if e.Agent != "" && !ValidID(e.Agent) {
		return malformed("agent %q is not an id ([a-z0-9][a-z0-9-]{0,31})", clip(e.Agent))
	}
	if len(e.Boot) > 64 {
		return malformed("boot has %d bytes, at most 64 are taken", len(e.Boot))
	}
	if e.AtUs < 0 || e.AtUs > maxInstantUs {
		return malformed("at_us = %d is not an instant", e.AtUs)
	}
	switch e.Kind {
	case KindCrossing:
		return e.checkCrossing()
	case KindMotor:
		return e.checkSamples("motor", e.Motor, func(s Sample) bool {
			return s.Counts != nil || s.DutyPermille != nil || s.CurrentMa != nil || s.VoltageMv != nil
		}, "counts")
	case KindLoad:
		return e.checkSamples("cell", e.Cell, func(s Sample) bool { return s.ForceMn != nil }, "force_mn")
	case KindSync:
		return e.checkSync()
	case KindHealth:
		return e.checkHealth()
	case KindDrive:
		if err := needID("motor", e.Motor); err != nil {
			return err
		}
		if e.DutyPermille == nil || *e.DutyPermille < -1000 || *e.DutyPermille > 1000 {
			return malformed("duty_permille is missing or outside -1000 to 1000")
		}
		return needInstant(e.AtUs)
	case KindDecision:
		return e.checkDecision()
	case KindTick:
		return needInstant(e.AtUs)
	case "":
		return malformed("kind is missing")
	}
	return malformed("kind %q is not known", clip(e.Kind))
}

func (e Event) checkCrossing() error {
	if err := needID("gate", e.Gate); err != nil {
		return err
	}
	switch e.Edge {
	case EdgeEnter, EdgeLeave, EdgePulse:
	case "":
		return malformed("edge is missing (enter, leave or pulse)")
	default:
		return malformed("edge %q is not enter, leave or pulse", clip(e.Edge))
	}
	if len(e.Tag) > 64 {
		return malformed("tag has %d bytes, at most 64 are taken", len(e.Tag))
	}
	if e.UUs != nil && (*e.UUs < 0 || *e.UUs > 1e9) {
		return malformed("u_us = %g is not a standard uncertainty", *e.UUs)
	}
	if e.ClearUs != nil && (*e.ClearUs < e.AtUs || *e.ClearUs > maxInstantUs) {
		return malformed("clear_us lies before at_us")
	}
	if e.Beam != nil && *e.Beam != 1 && *e.Beam != 2 {
		return malformed("beam = %d, want 1 or 2", *e.Beam)
	}
	return needInstant(e.AtUs)
}

func (e Event) checkSamples(field, id string, has func(Sample) bool, want string) error {
	if err := needID(field, id); err != nil {
		return err
	}
	if len(e.Samples) == 0 {
		return malformed("samples is missing or empty")
	}
	if len(e.Samples) > MaxSamples {
		return malformed("samples holds %d, at most %d are taken", len(e.Samples), MaxSamples)
	}
	for i, s := range e.Samples {
		if s.AtUs <= 0 || s.AtUs > maxInstantUs {
			return malformed("samples[%d].at_us = %d is not an instant", i, s.AtUs)
		}
		if !has(s) {
			return malformed("samples[%d] has no %s", i, want)
		}
	}
	return nil
}

func (e Event) checkSync() error {
	if err := needID("agent", e.Agent); err != nil {
		return err
	}
	for _, t := range []struct {
		name string
		v    *int64
	}{{"t1_us", e.T1Us}, {"t2_us", e.T2Us}, {"t3_us", e.T3Us}, {"t4_us", e.T4Us}} {
		if t.v == nil {
			return malformed("%s is missing", t.name)
		}
		if *t.v < 0 || *t.v > maxInstantUs {
			return malformed("%s = %d is not an instant", t.name, *t.v)
		}
	}
	if *e.T4Us < *e.T1Us || *e.T3Us < *e.T2Us {
		return malformed("the exchange runs backwards (want t1 <= t4 and t2 <= t3)")
	}
	return nil
}

func (e Event) checkHealth() error {
	if err := needID("agent", e.Agent); err != nil {
		return err
	}
	if len(e.Version) > 64 || len(e.Detail) > 4096 || len(e.Gates) > 256 || len(e.Motors) > 256 {
		return malformed("version, detail, gates or motors is longer than a health report may be")
	}
	for _, id := range append(append([]string(nil), e.Gates...), e.Motors...) {
		if !ValidID(id) {
			return malformed("gates or motors holds %q, which is not an id", clip(id))
		}
	}
	return nil
}

func needID(field, id string) error {
	if id == "" {
		return malformed("%s is missing", field)
	}
	if !ValidID(id) {
		return malformed("%s %q is not an id ([a-z0-9][a-z0-9-]{0,31})", field, clip(id))
	}
	return nil
}

func needInstant(us int64) error {
	if us == 0 {
		return malformed("at_us is missing")
	}
	return nil
}

func clip(s string) string {
	if len(s) > 40 {
		return strings.ToValidUTF8(s[:40], "") + "..."
	}
	return s
}

// CheckLive adds what holds on the bus but not in a recorded file: who sent
// it, its number, an instant within a day of bus time, and that the subject
// names the same source.
func (e Event) CheckLive(busUs int64, kind, source string) error {
	if e.Kind != kind {
		return malformed("kind is %q, but the subject says %q", clip(e.Kind), clip(kind))
	}
	if e.Source() != source {
		return malformed("speaks of %q, but the subject says %q", clip(e.Source()), clip(source))
	}
	if e.Kind == KindTick {
		return malformed("tick is written by the journal alone")
	}
	if err := needID("agent", e.Agent); err != nil {
		return err
	}
	if e.Boot == "" {
		return malformed("boot is missing")
	}
	if e.Seq == nil {
		return malformed("seq is missing")
	}
	instants := []int64{e.AtUs}
	if n := len(e.Samples); n > 0 {
		instants = []int64{e.Samples[0].AtUs, e.Samples[n-1].AtUs}
	}
	if e.Kind == KindSync || e.Kind == KindHealth {
		instants = nil // these may come from a clock that was never set
	}
	for _, at := range instants {
		if d := at - busUs; d > MaxSkewUs || d < -MaxSkewUs {
			return malformed("instant %d lies over a day from bus time %d; set the agent's clock (clock exchange)", at, busUs)
		}
	}
	return nil
}
