package main

import (
	"os"
	"syscall"
	"testing"
	"time"

	"rainhill/testdata/stall"
)

// The agent is asked to end, and hangs: in both cases the motor stops.
func TestMotorStopsWhenItsAgentEndsOrHangs(t *testing.T) {
	t.Parallel()
	s := newService(t)
	pw, d := s.admit("loco-1", nil, []string{"m1"}), s.desk()
	b, p := agentOf(t, s.address(), pw)
	var hung time.Time
	stall.Within(t, "from the hang to the motor's zero", atRest, func() time.Duration {
		p.signal(syscall.SIGCONT) // after the try before
		b.driven(d.set)
		hung = time.Now()
		p.signal(syscall.SIGSTOP)
		return b.reaches(0).Sub(hung)
	})
	time.Sleep(time.Until(hung.Add(atRest))) // until the agent's own time without a command is over, too
	p.signal(syscall.SIGCONT)
	time.Sleep(600 * time.Millisecond)
	if d, _ := b.has(); d != 0 {
		t.Errorf("it went on, and drives %d without anybody's having closed the throttle", d)
	}
	stall.Within(t, "from the interrupt to the motor's zero", atRest, func() time.Duration {
		if p.cmd.ProcessState != nil { // the try before has ended it
			b, p = agentOf(t, s.address(), pw)
		}
		b.driven(d.set)
		ended := time.Now()
		p.signal(os.Interrupt)
		took := b.reaches(0).Sub(ended)
		p.mustExit(exitOK)
		return took
	})
}
