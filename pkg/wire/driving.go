package wire

import "encoding/json"

// Throttle is a command to one motor, on rh.<site>.throttle.<motor>: from the
// driving service to the agent that has the motor. It is said again ten times a
// second; an agent that has heard none for 500 ms stops the motor by itself, and
// drives it again only when it has heard a throttle of 0 since. One whose Boot is that
// of the last and whose Seq is not above the last of it is old and left.
type Throttle struct {
	Motor        string `json:"motor"`
	DutyPermille int64  `json:"duty_permille"` // -1000 to 1000; 0 lets the motor stop
	Boot         string `json:"boot"`          // of the driving service
	Seq          uint64 `json:"seq"`           // counts up within a boot
}

// What DrivingAsk may ask to be done.
const (
	DriveArm      = "arm"      // take authority over Motors
	DriveHold     = "hold"     // the holder is still there
	DriveThrottle = "throttle" // Duties within RampS
	DriveTrim     = "trim"     // hold sets A and B of a locomotive at one surface speed, or no longer
	DriveSweep    = "sweep"    // run a throttle sweep
	DriveRelease  = "release"  // stop, and give authority back
	DriveStop     = "stop"     // stop every motor and end all authority; anybody may
	DriveLook     = "look"     // nothing but the answer
)

// DrivingAsk is a request to the driving service. Hold is the token that arming
// gave; authority lapses, and the motors stop, HoldMs after the last request with
// it. TakeOver, knowingly, takes authority from another holder. Cautions is that
// the official confirmed the cautions shown.
type DrivingAsk struct {
	Do       string           `json:"do"`
	By       string           `json:"by,omitempty"` // filled in by the gateway from the sign-in
	Hold     string           `json:"hold,omitempty"`
	TakeOver bool             `json:"take_over,omitempty"`
	Cautions bool             `json:"cautions,omitempty"`
	Motors   []string         `json:"motors,omitempty"`
	Duties   map[string]int64 `json:"duties_permille,omitempty"`
	RampS    float64          `json:"ramp_s,omitempty"` // from 0 to full, 0: the default
	Trim     *TrimAsk         `json:"trim,omitempty"`
	Sweep    *SweepAsk        `json:"sweep,omitempty"`
	Why      string           `json:"why,omitempty"`
}

// TrimAsk holds the driver sets A and B of a locomotive at one surface speed.
// MostPermille is the most that trim may take off either throttle at full throttle, and
// in proportion below: of 500, half of it (0: the default, 200).
type TrimAsk struct {
	Locomotive   string `json:"locomotive"`
	A            string `json:"a"`
	B            string `json:"b"`
	On           bool   `json:"on"`
	MostPermille int64  `json:"most_permille,omitempty"`
}

// SweepAsk is a throttle sweep: Steps equal steps up from FromPermille to
// ToPermille and down again, each held HoldS. All Motors go together.
type SweepAsk struct {
	Motors       []string `json:"motors"`
	FromPermille int64    `json:"from_permille"`
	ToPermille   int64    `json:"to_permille"`
	Steps        int      `json:"steps"`
	HoldS        float64  `json:"hold_s"`
	RampS        float64  `json:"ramp_s,omitempty"`
}

// DrivingReply answers a DrivingAsk. Hold is only in the answer to arm.
type DrivingReply struct {
	OK      bool    `json:"ok"`
	Reason  string  `json:"reason,omitempty"`
	Held    string  `json:"held,omitempty"` // who holds authority, when that is why not
	Hold    string  `json:"hold,omitempty"`
	HoldMs  int64   `json:"hold_ms,omitempty"`
	Driving Driving `json:"driving"`
}

// Driving is what is driven now, and by whom. The page hears it on the socket of
// frames, with Type set: at every change, and 4 times a second while somebody drives.
// Revision counts what was said of it within a boot of the driving service, in answers
// too: what has a lower one than is known of the same boot is older.
type Driving struct {
	Type      string        `json:"type,omitempty"` // "driving" on the page's socket
	Boot      string        `json:"boot"`
	Revision  uint64        `json:"revision"`
	Holder    string        `json:"holder,omitempty"` // nobody drives when empty
	SinceUs   int64         `json:"since_us,omitempty"`
	Motors    []DrivenMotor `json:"motors"`
	Trims     []TrimState   `json:"trims,omitempty"`
	Sweep     *SweepState   `json:"sweep,omitempty"`
	StoppedUs int64         `json:"stopped_us,omitempty"` // the last stop of all motors
	StoppedBy string        `json:"stopped_by,omitempty"`
	Why       string        `json:"why,omitempty"`     // of the last stop
	Pressed   bool          `json:"pressed,omitempty"` // somebody asked for it: authority was neither given back nor lost
}

// DrivenMotor is a motor under authority: what was asked, and what is commanded
// after ramp and trim.
type DrivenMotor struct {
	Motor         string   `json:"motor"`
	Locomotive    string   `json:"locomotive,omitempty"`
	Set           string   `json:"set,omitempty"`
	AskedPermille int64    `json:"asked_permille"`
	DutyPermille  int64    `json:"duty_permille"`
	WheelSpeedMmS *float64 `json:"wheel_speed_mm_s"`
	HeardUs       int64    `json:"heard_us,omitempty"` // bus time of its last reading, 0 none
	Why           string   `json:"why,omitempty"`      // it was stopped by itself
}

// TrimState is one trim at work. Why says what keeps it from working, such as
// readings that are too old, or that it takes off all that it may (Saturated).
type TrimState struct {
	TrimAsk
	APermille int64    `json:"a_permille"` // taken off set A's throttle
	BPermille int64    `json:"b_permille"`
	Desync    *float64 `json:"desync"`
	UDesync   *float64 `json:"u_desync,omitempty"`
	Why       string   `json:"why,omitempty"`
	Saturated bool     `json:"saturated,omitempty"` // it takes off all that it may, and wants more
}

// SweepState is a sweep under way, or the last one when Over.
type SweepState struct {
	SweepAsk
	Step    int    `json:"step"` // from 1 to 2 x steps - 1
	AtUs    int64  `json:"at_us"`
	Over    bool   `json:"over,omitempty"`
	Ended   string `json:"ended,omitempty"` // why, when before its end
	TotalUs int64  `json:"total_us"`
}

// Check validates a throttle command.
func (t Throttle) Check() error {
	if err := needID("motor", t.Motor); err != nil {
		return err
	}
	if t.DutyPermille < -1000 || t.DutyPermille > 1000 {
		return malformed("duty_permille = %d, want -1000 to 1000", t.DutyPermille)
	}
	if t.Boot == "" || len(t.Boot) > 64 {
		return malformed("boot is missing or longer than 64 bytes")
	}
	return nil
}

// DecodeDrivingAsk reads and validates a request.
func DecodeDrivingAsk(b []byte) (DrivingAsk, error) {
	var a DrivingAsk
	if err := json.Unmarshal(b, &a); err != nil {
		return a, malformed("%s", JSONReason(err))
	}
	return a, a.Check()
}

// DecodeThrottle reads and validates a throttle command.
func DecodeThrottle(b []byte) (Throttle, error) {
	var t Throttle
	if err := json.Unmarshal(b, &t); err != nil {
		return t, malformed("%s", JSONReason(err))
	}
	return t, t.Check()
}

// Check validates a request as far as can be without knowing the roster.
func (a DrivingAsk) Check() error {
	for _, id := range a.Motors {
		if err := needID("motor", id); err != nil {
			return err
		}
	}
	for id, duty := range a.Duties {
		if err := needID("motor", id); err != nil {
			return err
		}
		if duty < -1000 || duty > 1000 {
			return malformed("duties_permille of %q = %d, want -1000 to 1000", id, duty)
		}
	}
	if !within(600, a.RampS) || len(a.Motors) > 64 || len(a.Duties) > 64 {
		return malformed("ramp_s is out of range (0 to 600), or there are over 64 motors")
	}
	if len(a.By) > 200 || len(a.Why) > 500 || len(a.Hold) > 64 {
		return malformed("by, why or hold is longer than 200, 500 or 64 bytes")
	}
	switch a.Do {
	case DriveArm:
		if len(a.Motors) == 0 {
			return malformed("arm names no motors")
		}
	case DriveThrottle:
		if len(a.Duties) == 0 {
			return malformed("throttle names no duties_permille")
		}
	case DriveTrim:
		if a.Trim == nil {
			return malformed("trim is missing")
		}
		return a.Trim.check()
	case DriveSweep:
		if a.Sweep == nil {
			return malformed("sweep is missing")
		}
		return a.Sweep.check()
	case DriveHold, DriveRelease, DriveStop, DriveLook:
	default:
		return malformed("do = %q, want arm, hold, throttle, trim, sweep, release, stop or look", clip(a.Do))
	}
	return nil
}

func (t TrimAsk) check() error {
	for _, f := range [][2]string{{"trim.locomotive", t.Locomotive}, {"trim.a", t.A}, {"trim.b", t.B}} {
		if err := needID(f[0], f[1]); err != nil {
			return err
		}
	}
	if t.A == t.B || t.MostPermille < 0 || t.MostPermille > 1000 {
		return malformed("trim: a and b are one set, or most_permille is not 0 to 1000")
	}
	return nil
}

func (s SweepAsk) check() error {
	if len(s.Motors) == 0 || len(s.Motors) > 16 {
		return malformed("sweep.motors wants 1 to 16")
	}
	for _, id := range s.Motors {
		if err := needID("sweep.motors", id); err != nil {
			return err
		}
	}
	if s.FromPermille < 0 || s.ToPermille > 1000 || s.ToPermille <= s.FromPermille {
		return malformed("sweep wants 0 <= from_permille < to_permille <= 1000")
	}
	if s.Steps < 2 || s.Steps > 50 || !within(60, s.HoldS, s.RampS) || s.HoldS < 0.5 {
		return malformed("sweep wants 2 to 50 steps, held 0.5 to 60 s each, and ramp_s from 0 to 60")
	}
	return nil
}
