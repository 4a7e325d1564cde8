package driving

import (
	"math"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/wire"
)

// A machine that slept has a steady clock that did not go on; a wall clock that is set
// a little, or back, is no sleep.
func TestStoodStill(t *testing.T) {
	for _, c := range []struct{ steady, wall, want time.Duration }{
		{50 * time.Millisecond, 50 * time.Millisecond, 50 * time.Millisecond},
		{50 * time.Millisecond, time.Hour, time.Hour},
		{50 * time.Millisecond, 900 * time.Millisecond, 50 * time.Millisecond},
		{50 * time.Millisecond, -time.Hour, 50 * time.Millisecond},
		{700 * time.Millisecond, -time.Hour, 700 * time.Millisecond},
	} {
		if got := stood(c.steady, c.wall.Microseconds()); got != c.want {
			t.Errorf("steady %s, wall %s: %s, want %s", c.steady, c.wall, got, c.want)
		}
	}
}

// A throttle and a sweep rise from when they are asked, however long the last step is
// gone; what was asked before them has the time until then.
func TestTimeBeforeTheAskingMovesNoThrottle(t *testing.T) {
	sweep := wire.SweepAsk{Motors: []string{"m1"}, FromPermille: 100, ToPermille: 300, Steps: 2, HoldS: 9, RampS: 2}
	for _, ask := range []wire.DrivingAsk{{Do: wire.DriveThrottle, Duties: map[string]int64{"m1": 1000}, RampS: 2}, {Do: wire.DriveSweep, Sweep: &sweep}} {
		s := &service{nc: &nats.Conn{}, limits: standard, start: time.Now(), facts: newFacts(nil, "line", "b"), lost: map[string]string{}, motors: map[string]*motor{}}
		after := func(ms int) time.Time { return s.start.Add(time.Duration(ms) * time.Millisecond) }
		do := func(ms int, a wire.DrivingAsk) string {
			r := s.do(asked{DrivingAsk: a, roster: roster{motors: map[string]driverSet{"m1": {}}}}, after(ms))
			if !r.OK {
				t.Fatal(r.Reason)
			}
			return r.Hold
		}
		ask.Hold = do(0, wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, Motors: []string{"m1"}})
		do(300, ask)
		s.step(after(350))
		if got := s.motors["m1"].ramped; math.Abs(got-25) > 1e-9 {
			t.Errorf("%s: 50 ms later it is at %g, want 25 permille", ask.Do, got)
		}
		do(450, wire.DrivingAsk{Do: wire.DriveThrottle, Hold: ask.Hold, Duties: map[string]int64{"m1": 0}, RampS: 2})
		s.step(after(470))
		if got := s.motors["m1"].ramped; math.Abs(got-65) > 1e-9 {
			t.Errorf("%s: back from 75 permille for 20 ms it is at %g, want 65", ask.Do, got)
		}
	}
}
