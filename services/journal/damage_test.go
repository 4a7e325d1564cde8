package journal

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/wire"
)

// sessionFile is the export of a small session: 12 facts and its header.
func sessionFile(t *testing.T) []byte {
	t.Helper()
	r := newRig(t)
	r.placeGate()
	s := wire.Session{ID: "s1", Name: "S", Circuit: "oval"}
	r.decide("open", 2, wire.WhatSession, s)
	for i := range 9 {
		r.tell(crossing("a1", "b", uint64(i+1)))
	}
	s.ClosedUs = time.Now().UnixMicro()
	r.decide("close", 3, wire.WhatSession, s)
	r.tell(motor("a1", 10)) // after the close: not of the session
	var b bytes.Buffer
	if err := Export(context.Background(), r.js, site, "", false, &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestExportedFileHolds(t *testing.T) {
	file := sessionFile(t)
	if n, err := VerifyFile(bytes.NewReader(file), nil); n != 12 || err != nil {
		t.Fatalf("%d records, %v; want 12", n, err)
	}
}

// Whatever byte of a record is changed, the file does not hold, and the place
// is told: the record itself, or, where only its own chain value was hit, it or the next.
func TestEveryEditedByteIsNoticed(t *testing.T) {
	file := sessionFile(t)
	at := bytes.IndexByte(file, '\n') + 1 // after the header
	line := 2
	for i := at; i < len(file); i++ {
		if file[i] == '\n' {
			line++
			continue
		}
		edited := bytes.Clone(file)
		edited[i] ^= 1
		n, err := VerifyFile(bytes.NewReader(edited), nil)
		if err == nil {
			t.Fatalf("byte %d changed from %q to %q is not noticed", i, file[i], edited[i])
		}
		if n != line-2 && n != line-1 {
			t.Fatalf("byte %d in line %d: the error stands after %d records: %v", i, line, n, err)
		}
	}
}

func TestRemovedOrMovedRecordIsNoticed(t *testing.T) {
	lines := bytes.SplitAfter(sessionFile(t), []byte("\n"))
	join := func(parts ...[][]byte) []byte {
		var all [][]byte
		for _, p := range parts {
			all = append(all, p...)
		}
		return bytes.Join(all, nil)
	}
	for _, c := range []struct {
		name string
		file []byte
		want string
	}{
		{"removed", join(lines[:5], lines[6:]), "record 5 is missing: 6 stands in its place"},
		{"moved", join(lines[:5], lines[6:7], lines[5:6], lines[7:]), "record 5 is missing"},
		{"twice", join(lines[:5], lines[4:]), "record 5 is missing: 4 stands in its place"},
		{"cut off in a record", bytes.TrimRight(join(lines[:8])[:len(join(lines[:8]))-20], "\n"), "record 7"},
		{"first gone", join(lines[:1], lines[2:]), "record 1 is missing"},
	} {
		_, err := VerifyFile(bytes.NewReader(c.file), nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// A byte changed in the stream's own file is noticed by verify, which ends and
// says where, and the records before it can still be read.
func TestDamagedStreamFileIsNoticed(t *testing.T) {
	for _, which := range []struct {
		name string
		n    uint64
	}{{"in the middle", 5}, {"first", 1}, {"last", 9}} {
		t.Run(which.name, func(t *testing.T) {
			r := newRig(t)
			for i := range 9 {
				r.tell(motor("agent-"+string(rune('0'+i+1)), 1))
			}
			r.stop()
			r.editBlock(t, "agent-"+string(rune('0'+which.n)))
			r.startBroker()
			ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
			defer cancel()
			n, _, err := VerifySite(ctx, r.nc, site, nil)
			if err == nil || ctx.Err() != nil {
				t.Fatalf("%d records, %v (%v)", n, err, ctx.Err())
			}
			t.Logf("%d records hold, then: %v", n, err)
			if n > int(which.n)-1 {
				t.Fatalf("%d records hold, record %d was damaged", n, which.n)
			}
		})
	}
}

// editBlock changes one byte of a record in the stream's block file.
func (r *rig) editBlock(t *testing.T, mark string) {
	t.Helper()
	hits := 0
	err := filepath.WalkDir(r.dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".blk" {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if i := bytes.Index(b, []byte(mark)); i >= 0 {
			hits++
			b[i+2] = 'X'
			return os.WriteFile(path, b, 0o600)
		}
		return nil
	})
	if err != nil || hits != 1 {
		t.Fatalf("%d block files hold %q, %v", hits, mark, err)
	}
}
