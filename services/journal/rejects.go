package journal

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"rainhill/pkg/wire"
)

// rejectLog keeps what was refused: the newest in memory for the health page,
// and lines in a file that is turned over when it is full, so that a flood of
// nonsense cannot fill the disk.
type rejectLog struct {
	path  string
	f     *os.File
	size  int64
	ring  []wire.Reject
	total int
}

const (
	rejectFileBytes = 8 << 20
	rejectRing      = 200
)

func (l *rejectLog) open(path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("opening the reject log: %w", err)
	}
	l.path, l.f = path, f
	if st, err := f.Stat(); err == nil {
		l.size = st.Size()
	}
	return nil
}

func (l *rejectLog) add(r wire.Reject) {
	l.ring = append(l.ring, r)
	if len(l.ring) > rejectRing {
		l.ring = l.ring[1:]
	}
	l.total++
	b, err := json.Marshal(r)
	if err != nil || l.f == nil {
		return
	}
	if l.size > rejectFileBytes {
		l.turnOver()
	}
	n, _ := l.f.Write(append(b, '\n'))
	l.size += int64(n)
}

func (l *rejectLog) turnOver() {
	_ = l.f.Close()
	l.f = nil
	_ = os.Rename(l.path, l.path+".old")
	_ = l.open(l.path)
	l.size = 0
}

func (l *rejectLog) newest(n int) []wire.Reject {
	out := []wire.Reject{}
	for i := len(l.ring) - 1; i >= 0 && len(out) < n; i-- {
		out = append(out, l.ring[i])
	}
	return out
}

func (l *rejectLog) close() {
	if l.f != nil {
		_ = l.f.Close()
		l.f = nil
	}
}
