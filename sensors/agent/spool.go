package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"rainhill/pkg/wire"
)

// Spool keeps events on disk until they are delivered: in order, across
// starts, and bounded. One folder belongs to one running agent.
//
// Files: segments 00000001.seg and up, only ever appended to, one record a
// line: eight hexadecimal digits of CRC-32 (IEEE) of the JSON, a space, the
// JSON, a line feed. A line that was torn or damaged is passed over and
// counted. "cursor" says up to where all is delivered, "shifts.json" holds the
// clock shift of each start, "refused.log" the events that the journal or the
// bus refused, as JSON Lines.
//
// Durability: a record is written to the operating system before Append
// returns, so it survives a kill of the agent. It is synced to the disk within
// SyncWithin unless it was delivered before that; so a power cut of the agent's
// machine loses at most that much of what was not delivered, and an agent that
// is connected does not wear out its memory card. The cursor is not synced: at
// worst something is sent twice, and the journal drops duplicates.
//
// When the spool is full, the oldest segment goes, whole. A Spool is not safe
// for use by several goroutines.
type Spool struct {
	dir      string
	max      int64
	segMax   int64
	lock     *flock.Flock
	segments []*segment // oldest first; the last is written when out is open
	out      *os.File
	last     uint64    // highest segment number ever used
	unsynced time.Time // since when something waits for a sync; zero: nothing does

	window []*Record // read, not yet done, in order
	reader reader
	saved  place

	shifts    map[string]int64
	bytes     int64
	dropped   uint64
	damaged   uint64
	refused   uint64
	refusedBy string
}

// SyncWithin is how long an undelivered record may wait for its sync.
const SyncWithin = 200 * time.Millisecond

const (
	defaultSpoolBytes = 64 << 20
	minSpoolBytes     = 64 << 10
	windowSize        = 128
)

// place is a position in the spool: a segment's number and an offset in it.
type place struct {
	seg uint64
	off int64
}

// segment is one file; records counts those in it that are not done.
type segment struct {
	num     uint64
	size    int64
	records int
}

// Record is one kept event.
type Record struct {
	Event wire.Event

	at    place // of its line
	token uint64
	sent  time.Time // zero: not on its way
	done  bool
}

// OpenSpool opens the folder, making it if need be, and reads what earlier
// starts left. maxBytes of 0 is 64 MB; anything under 64 kB is 64 kB.
func OpenSpool(dir string, maxBytes int64) (*Spool, error) {
	if maxBytes == 0 {
		maxBytes = defaultSpoolBytes
	}
	maxBytes = max(maxBytes, minSpoolBytes)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("making the spool: %w", err)
	}
	s := &Spool{dir: dir, max: maxBytes, segMax: min(maxBytes/8, 1<<20), shifts: map[string]int64{}}
	s.lock = flock.New(filepath.Join(dir, "lock"))
	if ok, err := s.lock.TryLock(); err != nil {
		return nil, fmt.Errorf("locking the spool %s: %w", dir, err)
	} else if !ok {
		return nil, fmt.Errorf("the spool %s is in use by another running agent; give each agent its own --spool", dir)
	}
	if err := s.load(); err != nil {
		return nil, errors.Join(err, s.lock.Unlock())
	}
	return s, nil
}

func (s *Spool) load() error {
	s.loadShifts()
	from := s.loadCursor()
	names, err := filepath.Glob(filepath.Join(s.dir, "*.seg"))
	if err != nil {
		return err
	}
	slices.Sort(names)
	s.last, s.reader.at = from.seg, from
	for _, name := range names {
		var num uint64
		if _, err := fmt.Sscanf(filepath.Base(name), "%08d.seg", &num); err != nil {
			continue
		}
		s.last = max(s.last, num)
		seg := &segment{num: num}
		off := int64(0)
		if num == from.seg {
			off = from.off
		}
		if num >= from.seg {
			if err := s.count(seg, off); err != nil {
				return err
			}
		}
		if seg.records == 0 {
			if err := os.Remove(name); err != nil {
				return fmt.Errorf("clearing the spool: %w", err)
			}
			continue
		}
		s.segments = append(s.segments, seg)
		s.bytes += seg.size
	}
	if len(s.segments) > 0 && s.segments[0].num != from.seg {
		s.reader.at = place{seg: s.segments[0].num}
	}
	s.saved = s.reader.at
	return nil
}

// count finds the size of a segment and how many good records lie from off on.
func (s *Spool) count(seg *segment, off int64) error {
	b, err := os.ReadFile(s.path(seg.num))
	if err != nil {
		return fmt.Errorf("reading the spool: %w", err)
	}
	seg.size = int64(len(b))
	for off < seg.size {
		line, _, ok := strings.Cut(string(b[off:]), "\n")
		if _, good := unframe(line); good && ok {
			seg.records++
		} else {
			s.damaged++
		}
		off += int64(len(line)) + 1
	}
	return nil
}

func (s *Spool) path(num uint64) string { return filepath.Join(s.dir, fmt.Sprintf("%08d.seg", num)) }

// Pending is how many events are kept.
func (s *Spool) Pending() int {
	n := 0
	for _, seg := range s.segments {
		n += seg.records
	}
	return n
}

// Append writes an event behind all others.
func (s *Spool) Append(e wire.Event) error {
	b, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("writing the spool: %w", err)
	}
	line := frame(b)
	if err := s.room(int64(len(line))); err != nil {
		return err
	}
	if _, err := s.out.Write(line); err != nil {
		return fmt.Errorf("writing the spool: %w (is the disk full?)", err)
	}
	seg := s.segments[len(s.segments)-1]
	seg.size += int64(len(line))
	seg.records++
	s.bytes += int64(len(line))
	if s.unsynced.IsZero() {
		s.unsynced = time.Now()
	}
	return nil
}

// room opens a segment to write n bytes to, and drops the oldest when the
// bound would be passed.
func (s *Spool) room(n int64) error {
	if s.out != nil && s.segments[len(s.segments)-1].size+n > s.segMax {
		if err := s.closeOut(); err != nil {
			return err
		}
	}
	for s.bytes+n > s.max && len(s.segments) > 1 {
		s.dropOldest()
	}
	if s.out != nil {
		return nil
	}
	s.last++
	f, err := os.OpenFile(s.path(s.last), os.O_CREATE|os.O_EXCL|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("writing the spool: %w", err)
	}
	s.out = f
	s.segments = append(s.segments, &segment{num: s.last})
	syncDir(s.dir)
	return nil
}

func (s *Spool) closeOut() error {
	if s.out == nil {
		return nil
	}
	err := errors.Join(s.sync(), s.out.Close())
	s.out = nil
	if err != nil {
		return fmt.Errorf("closing the spool: %w", err)
	}
	return nil
}

// dropOldest gives up the oldest segment with all that is still in it.
func (s *Spool) dropOldest() {
	seg := s.segments[0]
	s.dropped += uint64(seg.records)
	s.window = slices.DeleteFunc(s.window, func(r *Record) bool { return r.at.seg == seg.num })
	s.remove(seg)
}

// remove takes the oldest segment away.
func (s *Spool) remove(seg *segment) {
	_ = os.Remove(s.path(seg.num)) // if it stays, the next start clears it
	s.bytes -= seg.size
	s.segments = s.segments[1:]
	if s.reader.at.seg <= seg.num {
		s.reader.at = place{seg: seg.num + 1}
	}
}

// Window gives the oldest records that are not done, at most windowSize.
func (s *Spool) Window() []*Record {
	for len(s.window) < windowSize {
		r, ok := s.next()
		if !ok {
			break
		}
		s.window = append(s.window, r)
	}
	return s.window
}

// Done lets a record go.
func (s *Spool) Done(r *Record) {
	if r.done {
		return
	}
	r.done = true
	for _, seg := range s.segments {
		if seg.num == r.at.seg {
			seg.records--
		}
	}
	s.window = slices.DeleteFunc(s.window, func(r *Record) bool { return r.done })
	for len(s.segments) > 0 && s.segments[0].records == 0 && !s.writing(s.segments[0]) {
		s.remove(s.segments[0])
	}
	if s.Pending() == 0 {
		s.unsynced = time.Time{} // what is delivered needs no sync here
	}
}

func (s *Spool) writing(seg *segment) bool {
	return s.out != nil && seg == s.segments[len(s.segments)-1]
}

// head is the place up to which everything is done.
func (s *Spool) head() place {
	if len(s.window) > 0 {
		return s.window[0].at
	}
	return s.reader.at
}

// KeptFrom is the lowest seq of boot that is kept, given the next seq to come.
func (s *Spool) KeptFrom(boot string, next uint64) uint64 {
	w := s.Window()
	for _, r := range w {
		if r.Event.Boot == boot && r.Event.Seq != nil {
			return *r.Event.Seq
		}
	}
	if s.Pending() > len(w) {
		return 1 // the window holds older starts only, so all of boot lies behind it
	}
	return next
}

// Maintain syncs what has waited long enough and notes the cursor. Call it
// several times a second.
func (s *Spool) Maintain(now time.Time) error {
	if !s.unsynced.IsZero() && now.Sub(s.unsynced) >= SyncWithin {
		if err := s.sync(); err != nil {
			return err
		}
	}
	if h := s.head(); h != s.saved {
		return s.saveCursor(h)
	}
	return nil
}

func (s *Spool) sync() error {
	if s.out == nil || s.unsynced.IsZero() {
		return nil
	}
	s.unsynced = time.Time{}
	if err := s.out.Sync(); err != nil {
		return fmt.Errorf("syncing the spool: %w", err)
	}
	return nil
}

// Close syncs what is undelivered and lets the folder go.
func (s *Spool) Close() error {
	return errors.Join(s.closeOut(), s.saveCursor(s.head()), s.lock.Unlock())
}

// syncDir makes a new file's name durable where the system can do that.
func syncDir(dir string) {
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync()
		_ = d.Close()
	}
}

func (s *Spool) saveCursor(h place) error {
	s.saved = h
	return s.replace("cursor", fmt.Appendf(nil, "%d %d\n", h.seg, h.off))
}

func (s *Spool) loadCursor() (h place) {
	b, err := os.ReadFile(filepath.Join(s.dir, "cursor"))
	if err != nil {
		return place{}
	}
	if _, err := fmt.Sscanf(string(b), "%d %d\n", &h.seg, &h.off); err != nil || h.off < 0 {
		return place{} // an unreadable cursor: send everything, duplicates are dropped
	}
	return h
}

func (s *Spool) replace(name string, b []byte) error {
	path := filepath.Join(s.dir, name)
	if err := os.WriteFile(path+".new", b, 0o600); err != nil {
		return fmt.Errorf("writing the spool: %w", err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		return fmt.Errorf("writing the spool: %w", err)
	}
	return nil
}
