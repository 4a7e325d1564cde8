package main

import (
	"os"
	"syscall"
	"testing"
	"time"
)

// The agent is asked to end, and hangs: in both cases the motor stops.
func TestMotorStopsWhenItsAgentEndsOrHangs(t *testing.T) {
	t.Parallel()
	s := newService(t)
	b, p := agentOf(t, s.address(), s.admit("loco-1", nil, []string{"m1"}))
	set := s.driven(400)
	b.reaches(400)
	hung := time.Now()
	p.signal(syscall.SIGSTOP)
	b.stops("agent stopped in its tracks", hung)
	p.signal(syscall.SIGCONT)
	time.Sleep(600 * time.Millisecond)
	if d, _ := b.has(); d != 0 {
		t.Errorf("it went on, and drives %d without anybody's having closed the throttle", d)
	}
	set(0)
	time.Sleep(500 * time.Millisecond)
	set(400)
	b.reaches(400)
	ended := time.Now()
	p.signal(os.Interrupt)
	b.stops("agent interrupted", ended)
	p.mustExit(exitOK)
}
