package driving

import (
	"context"
	"time"

	"github.com/nats-io/nats.go"
)

// RunPatient is Run for tests of other things than what ends authority by itself: on a
// slow machine that takes a minute. So it is with what boards do not say, unless they
// are what is tested.
func RunPatient(ctx context.Context, nc *nats.Conn, site string, boards bool) error {
	l := standard
	l.hold, l.unkept, l.stall = time.Minute, time.Minute, time.Minute
	if !boards {
		l.deaf, l.silent = time.Minute, time.Minute
	}
	return run(ctx, nc, site, l)
}
