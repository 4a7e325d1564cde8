package agent

import (
	"bytes"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"rainhill/pkg/wire"
)

// frame makes a record's line.
func frame(b []byte) []byte {
	return fmt.Appendf(nil, "%08x %s\n", crc32.ChecksumIEEE(b), b)
}

// unframe takes the JSON out of a line, if it is whole.
func unframe(line string) (string, bool) {
	if len(line) < 9 || line[8] != ' ' {
		return "", false
	}
	sum, err := strconv.ParseUint(line[:8], 16, 32)
	body := line[9:]
	return body, err == nil && uint32(sum) == crc32.ChecksumIEEE([]byte(body))
}

// reader walks the segments; at is the place of the next line. It keeps the
// piece of file it read last.
type reader struct {
	at    place
	seg   uint64 // of buf
	from  int64  // offset of buf
	buf   []byte
	chunk int
}

// next reads one record behind those already read.
func (s *Spool) next() (*Record, bool) {
	for {
		seg := s.segmentFor(s.reader.at.seg)
		if seg == nil {
			return nil, false
		}
		if seg.num != s.reader.at.seg {
			s.reader.at = place{seg: seg.num}
		}
		at := s.reader.at
		line, ok := s.reader.line(s.path(seg.num), seg.size)
		if !ok {
			if s.writing(seg) {
				return nil, false
			}
			s.reader.at = place{seg: seg.num + 1}
			continue
		}
		body, good := unframe(line)
		if !good {
			continue // counted when the spool was opened
		}
		r := &Record{at: at}
		if json.Unmarshal([]byte(body), &r.Event) == nil && r.Event.Seq != nil {
			return r, true
		}
		seg.records--
		s.damaged++
	}
}

// segmentFor gives segment num, or the first behind it.
func (s *Spool) segmentFor(num uint64) *segment {
	for _, seg := range s.segments {
		if seg.num >= num {
			return seg
		}
	}
	return nil
}

// line gives the whole line at the reader's place in a file of size bytes, and
// moves on. A rest without a line feed is no line.
func (r *reader) line(path string, size int64) (string, bool) {
	for r.chunk = 64 << 10; ; r.chunk *= 2 {
		if r.seg == r.at.seg && r.at.off >= r.from && r.at.off < r.from+int64(len(r.buf)) {
			rest := r.buf[r.at.off-r.from:]
			if i := bytes.IndexByte(rest, '\n'); i >= 0 {
				r.at.off += int64(i) + 1
				return string(rest[:i]), true
			}
			if r.from+int64(len(r.buf)) >= size && r.from == r.at.off {
				return "", false
			}
		}
		if r.at.off >= size || !r.fill(path, size) {
			return "", false
		}
	}
}

// fill reads a piece of the file from the reader's place on.
func (r *reader) fill(path string, size int64) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	buf := make([]byte, min(int64(r.chunk), size-r.at.off))
	n, _ := f.ReadAt(buf, r.at.off)
	r.seg, r.from, r.buf = r.at.seg, r.at.off, buf[:n]
	return n > 0
}

// SetShift notes for good by how much the instants of a start are shifted.
func (s *Spool) SetShift(boot string, us int64) error {
	if us == 0 {
		return nil
	}
	s.shifts[boot] = us
	b, err := json.Marshal(s.shifts)
	if err != nil {
		return err
	}
	return s.replace("shifts.json", b)
}

// loadShifts reads the shifts; those of starts long delivered stay, a line each.
func (s *Spool) loadShifts() {
	if b, err := os.ReadFile(filepath.Join(s.dir, "shifts.json")); err == nil {
		_ = json.Unmarshal(b, &s.shifts) // unreadable: the events go as they are
	}
	if s.shifts == nil || len(s.shifts) > 1000 {
		s.shifts = map[string]int64{}
	}
}

// Outgoing is the record's event as it is sent, with its start's clock shift.
func (s *Spool) Outgoing(r *Record) wire.Event {
	if us := s.shifts[r.Event.Boot]; us != 0 {
		return shifted(r.Event, us)
	}
	return r.Event
}

const maxRefusedBytes = 4 << 20

// Refuse writes the record to the refused log, with the reason, and lets it go.
func (s *Spool) Refuse(r *Record, reason string) error {
	s.refused++
	s.refusedBy = reason
	s.Done(r)
	path := filepath.Join(s.dir, "refused.log")
	if st, err := os.Stat(path); err == nil && st.Size() > maxRefusedBytes {
		_ = os.Rename(path, path+".1")
	}
	b, err := json.Marshal(struct {
		AtUs   int64      `json:"at_us"`
		Reason string     `json:"reason"`
		Event  wire.Event `json:"event"`
	}{time.Now().UnixMicro(), reason, s.Outgoing(r)})
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("writing the refused log: %w", err)
	}
	if _, err := f.Write(append(b, '\n')); err != nil {
		_ = f.Close()
		return fmt.Errorf("writing the refused log: %w", err)
	}
	return f.Close()
}
