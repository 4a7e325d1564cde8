package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync/atomic"
	"time"

	"rainhill/services/store"
)

const (
	quietFirst = 2 * time.Second        // what takes no longer says nothing
	everyLine  = 5 * time.Second        // between lines, where they stay
	everyTurn  = 250 * time.Millisecond // between turns of a line that is written over
)

// meter tells on standard error how far a long work is: one line that is written over
// on a terminal, a line now and then elsewhere. It says nothing of what is done
// within two seconds.
type meter struct {
	w        io.Writer
	terminal bool
	done, of atomic.Int64
	what     atomic.Value // of string: what is being done, and in what
	stop     chan struct{}
	stopped  chan struct{}
}

// step is one stage of a work: what is done, in what unit, and of how many; 0: nobody knows.
func (m *meter) step(what string, of int64) {
	m.what.Store(what)
	m.done.Store(0)
	m.of.Store(of)
}

func (m *meter) add(n int64) { m.done.Add(n) }

// begin starts telling; end ends it and clears what was written over.
func begin(std stdio, what string, of int64) *meter {
	m := &meter{w: std.err, stop: make(chan struct{}), stopped: make(chan struct{})}
	if f, ok := std.err.(*os.File); ok {
		info, err := f.Stat()
		m.terminal = err == nil && info.Mode()&os.ModeCharDevice != 0
	}
	m.step(what, of)
	go m.run(quietFirst, everyTurn, everyLine)
	return m
}

func (m *meter) run(quiet, turn, line time.Duration) {
	defer close(m.stopped)
	pause := line
	if m.terminal {
		pause = turn
	}
	told := false
	for wait := quiet; ; wait = pause {
		select {
		case <-time.After(wait):
			told = true
			m.tell()
		case <-m.stop:
			if told && m.terminal {
				fmt.Fprint(m.w, "\r\x1b[K")
			}
			return
		}
	}
}

func (m *meter) tell() {
	text, done, of := m.what.Load().(string), m.done.Load(), m.of.Load()
	if of > 0 {
		text = fmt.Sprintf("%s: %d of %d (%d %%)", text, min(done, of), of, 100*min(done, of)/of)
	} else {
		text = fmt.Sprintf("%s: %d", text, done)
	}
	if m.terminal {
		fmt.Fprint(m.w, "\r"+text+"\x1b[K")
		return
	}
	fmt.Fprintln(m.w, text)
}

func (m *meter) end() {
	close(m.stop)
	<-m.stopped
}

// metered counts the bytes read from a file. It ends with ctx.
type metered struct {
	io.ReadCloser
	ctx context.Context
	m   *meter
}

func (r metered) Read(b []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := r.ReadCloser.Read(b)
	r.m.add(int64(n))
	return n, err
}

// Seek goes to a place of the file; from its beginning the count begins anew.
func (r metered) Seek(offset int64, whence int) (int64, error) {
	s, ok := r.ReadCloser.(io.Seeker)
	if !ok {
		return 0, errors.New("this cannot be read twice")
	}
	at, err := s.Seek(offset, whence)
	r.m.done.Store(at)
	return at, err
}

// sizeOf is how many bytes a file has, 0 when nobody knows.
func sizeOf(r any) int64 {
	if f, ok := r.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
			return info.Size()
		}
	}
	return 0
}

// counted counts the facts that a store has been brought up to.
type counted struct {
	*store.Store
	m *meter
}

func (c counted) Put(x store.Commit) error {
	c.m.done.Store(int64(x.Cursor))
	return c.Store.Put(x)
}

// lines counts the lines that go to a file.
type lines struct {
	io.Writer
	m *meter
}

func (l lines) Write(b []byte) (int, error) {
	for _, c := range b {
		if c == '\n' {
			l.m.add(1)
		}
	}
	return l.Writer.Write(b)
}
