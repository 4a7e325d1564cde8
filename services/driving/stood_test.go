package driving

import (
	"testing"
	"time"
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
