package wire

import "fmt"

// How fast a replay may go, times the speed of the session.
const (
	MinReplayRate = 0.25
	MaxReplayRate = 100.0
)

// What a viewer may tell a replay.
const (
	ReplayPlay  = "play"  // at Rate; from the beginning when it has ended
	ReplayPause = "pause" // stand still
	ReplaySeek  = "seek"  // to AtUs
	ReplayStep  = "step"  // By crossings on, or back when below 0, and stand still
	ReplayLaps  = "laps"  // send all laps of Trial: a view holds the newest only
	ReplayHere  = "here"  // somebody still looks on
	ReplayClose = "close"
)

// ReplayOpen asks for a replay of a session, "" the last one, or of one trial of it.
// ID is of the asker's choice and new: what the replay shows comes on its subject.
// AtUs and Rate say where it begins and whether it plays; both may be 0.
type ReplayOpen struct {
	ID      string  `json:"id"`
	Session string  `json:"session"`
	Trial   string  `json:"trial,omitempty"`
	AtUs    int64   `json:"at_us,omitempty"`
	Rate    float64 `json:"rate,omitempty"`
}

// Check reports the first thing wrong with o.
func (o ReplayOpen) Check() error {
	switch {
	case !ValidID(o.ID):
		return fmt.Errorf("%w: replay id %q", ErrMalformed, o.ID)
	case o.Session != "" && !ValidID(o.Session):
		return fmt.Errorf("%w: session %q", ErrMalformed, o.Session)
	case o.Trial != "" && !ValidID(o.Trial):
		return fmt.Errorf("%w: trial %q", ErrMalformed, o.Trial)
	case o.Rate != 0 && !replayRate(o.Rate):
		return badRate(o.Rate)
	}
	return nil
}

// ReplayControl is what a viewer tells a replay: Do, and what it needs. N counts up
// and comes back when it is done, so that what a broken line swallowed is told again.
type ReplayControl struct {
	Do    string  `json:"do"`
	Rate  float64 `json:"rate,omitempty"`
	AtUs  int64   `json:"at_us,omitempty"`
	By    int     `json:"by,omitempty"`
	Trial string  `json:"trial,omitempty"`
	N     int64   `json:"n,omitempty"`
}

// Check reports the first thing wrong with c.
func (c ReplayControl) Check() error {
	switch c.Do {
	case ReplayPlay:
		if !replayRate(c.Rate) {
			return badRate(c.Rate)
		}
	case ReplayStep:
		if c.By == 0 {
			return fmt.Errorf("%w: a step by 0 crossings", ErrMalformed)
		}
	case ReplaySeek:
		if c.AtUs <= 0 {
			return fmt.Errorf("%w: a seek to at_us = %d", ErrMalformed, c.AtUs)
		}
	case ReplayLaps:
		if !ValidID(c.Trial) {
			return fmt.Errorf("%w: laps of trial %q", ErrMalformed, c.Trial)
		}
	case ReplayPause, ReplayHere, ReplayClose:
	default:
		return fmt.Errorf("%w: a replay cannot %q", ErrMalformed, c.Do)
	}
	return nil
}

func replayRate(x float64) bool { return x >= MinReplayRate && x <= MaxReplayRate } // false for NaN too

func badRate(x float64) error {
	return fmt.Errorf("%w: rate = %g, want %g to %g", ErrMalformed, x, MinReplayRate, MaxReplayRate)
}

// ReplayCrossing is a crossing as its gate reported it: AtUs by the gate's clock,
// BusUs when the journal took it.
type ReplayCrossing struct {
	Gate       string `json:"gate"`
	Edge       string `json:"edge"`
	Agent      string `json:"agent,omitempty"`
	AtUs       int64  `json:"at_us"`
	BusUs      int64  `json:"bus_us"`
	JournalSeq uint64 `json:"journal_seq"`
}

// ReplayTrial is a trial of the session as it was in the end, to be jumped to.
// LapsUs is when each lap that counted or not began, lap 1 first. ToUs 0: it was open.
type ReplayTrial struct {
	Trial      string  `json:"trial"`
	Locomotive string  `json:"locomotive"`
	Name       string  `json:"name"`
	FromUs     int64   `json:"from_us"`
	ToUs       int64   `json:"to_us"`
	LapsUs     []int64 `json:"laps_us"`
}

// ReplayNote is what a replay says while there is nothing to show: how far it has
// read, or the reason for which it ended or never began.
type ReplayNote struct {
	Type   string       `json:"type"` // "replay"
	Replay *ReplayState `json:"replay,omitempty"`
	Reason string       `json:"reason,omitempty"`
}
