package host

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/gofrs/flock"
)

// ErrHeld says that another process has the data folder. Holder tells which.
var ErrHeld = errors.New("the data folder is in use")

// Holder is who has a data folder, as written beside its lock.
type Holder struct {
	PID     int       `json:"pid"`
	Host    string    `json:"host"`
	Program string    `json:"program"`
	Since   time.Time `json:"since"`
	URL     string    `json:"url,omitempty"`
}

type lock struct {
	f    *flock.Flock
	path string
	who  Holder
}

// hold takes a data folder, or says who has it. The lock is the system's: it
// falls when the process ends, however it ends.
func hold(data string) (*lock, error) {
	if err := os.MkdirAll(data, 0o700); err != nil {
		return nil, fmt.Errorf("making the data folder: %w", err)
	}
	l := &lock{f: flock.New(filepath.Join(data, "lock")), path: filepath.Join(data, "holder.json")}
	ok, err := l.f.TryLock()
	if err != nil {
		return nil, fmt.Errorf("locking the data folder %s: %w", data, err)
	}
	if !ok {
		return nil, fmt.Errorf("%w: %s is held by %s", ErrHeld, data, HolderOf(data))
	}
	host, _ := os.Hostname()
	l.who = Holder{PID: os.Getpid(), Host: host, Program: filepath.Base(os.Args[0]), Since: time.Now()}
	return l, l.tell("")
}

// tell writes down who holds the folder and where the page is.
func (l *lock) tell(url string) error {
	l.who.URL = url
	b, err := json.Marshal(l.who)
	if err != nil {
		return err
	}
	if err := os.WriteFile(l.path, b, 0o600); err != nil {
		return fmt.Errorf("writing who holds the data folder: %w", err)
	}
	return nil
}

func (l *lock) release() {
	_ = os.Remove(l.path)
	_ = l.f.Unlock()
}

// HolderOf reads who holds a data folder.
func HolderOf(data string) Holder {
	var h Holder
	b, err := os.ReadFile(filepath.Join(data, "holder.json"))
	if err == nil {
		_ = json.Unmarshal(b, &h)
	}
	return h
}

// String is a holder as a sentence says it.
func (h Holder) String() string {
	if h.PID == 0 {
		return "another process that did not say who it is"
	}
	s := fmt.Sprintf("%s, process %d on %s, since %s", h.Program, h.PID, h.Host, h.Since.Format("2006-01-02 15:04:05"))
	if h.URL != "" {
		s += ", page at " + h.URL
	}
	return s
}
