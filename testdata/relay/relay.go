// Package relay answers "where is it, whether it runs or not?" for tests of something
// that goes away and comes back: an address that nobody else can take meanwhile. Only
// tests use it.
package relay

import (
	"fmt"
	"io"
	"net"
	"sync/atomic"
	"testing"
)

// Relay is a port of this machine that hands its callers on.
type Relay struct {
	Port int
	to   atomic.Int64
}

// New listens until the test ends. Callers are turned away until To is called.
func New(t *testing.T) *Relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	r := &Relay{Port: l.Addr().(*net.TCPAddr).Port}
	go func() {
		for {
			caller, err := l.Accept()
			if err != nil {
				return
			}
			go r.serve(caller)
		}
	}()
	return r
}

// To has callers from now on go to another port of this machine; 0 turns them away.
func (r *Relay) To(port int) { r.to.Store(int64(port)) }

func (r *Relay) serve(caller net.Conn) {
	defer caller.Close()
	called, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", r.to.Load()))
	if err != nil {
		return
	}
	defer called.Close()
	go func() {
		defer called.Close()
		_, _ = io.Copy(called, caller)
	}()
	_, _ = io.Copy(caller, called)
}
