// Package stall answers "was it the machine?" for tests of a time that is promised.
// The promise stands; what is judged is a try in which the machine held nothing up.
// Only tests use it.
package stall

import (
	"errors"
	"fmt"
	"testing"
	"time"
)

// tolerable is how late a sleeper may wake on a machine that holds nothing up.
const tolerable = 50 * time.Millisecond

// Judge wants what try tries to go well: one miss is a failure, unless the machine was
// held up meanwhile; then it is tried again.
func Judge(t *testing.T, try func() error) {
	t.Helper()
	for range 10 {
		worst := watch()
		err := try()
		late := worst()
		switch {
		case err == nil:
			return
		case late < tolerable && !errors.Is(err, errBefore):
			t.Fatal(err)
		}
		t.Logf("%v, and a sleeper woke %s late: it is tried again", err, late)
	}
	t.Fatal("the machine is too busy to tell")
}

// Missed is Judge for a try that says what it missed, "" when nothing.
func Missed(t *testing.T, try func() (missed string)) {
	t.Helper()
	Judge(t, func() error {
		if missed := try(); missed != "" {
			return errors.New(missed)
		}
		return nil
	})
}

var errBefore = errors.New("it was so before")

// Within wants what try measures to take no longer than bound. Less than nothing says
// that it was so before the try had begun, which tells nothing.
func Within(t *testing.T, what string, bound time.Duration, try func() time.Duration) {
	t.Helper()
	Judge(t, func() error {
		took := try()
		t.Logf("%s: %d ms", what, took.Milliseconds())
		switch {
		case took < 0:
			return fmt.Errorf("%s: %w", what, errBefore)
		case took > bound:
			return fmt.Errorf("%s: it took %s, want %s at most", what, took, bound)
		}
		return nil
	})
}

// watch sleeps again and again until the function it gives is called, which tells by how
// much the latest waking was late.
func watch() func() time.Duration {
	over, most := make(chan struct{}), make(chan time.Duration)
	go func() {
		worst := time.Duration(0)
		for {
			select {
			case <-over:
				most <- worst
				return
			default:
			}
			const nap = 5 * time.Millisecond
			began := time.Now()
			time.Sleep(nap)
			worst = max(worst, time.Since(began)-nap)
		}
	}()
	return func() time.Duration {
		close(over)
		return <-most
	}
}
