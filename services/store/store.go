// Package store answers "what did the scorer say?": laps, trials and results in
// one bbolt file a site, with the cursor and the reducer's snapshot in the same
// transaction. It is a pure projection of the journal: it can be deleted and
// made again. bbolt has one owner; nobody but the scorer opens it.
//
// Format 3, bucket by bucket (all values JSON unless said). A file of format 1 or 2 has
// all but its results made again from the journal.
//
//	meta     format, cursor and snapshot_seq (decimal), snapshot (trial.State without kept laps)
//	kept     <session>/<trial>/<lap, 6 digits> -> trial.LapRecord, as of the snapshot
//	laps     <session>/<trial>/<lap, 6 digits> -> wire.Lap
//	trials   <session>/<trial> -> wire.TrialResult without laps
//	results  <session> -> wire.Results, the very bytes that rainhill score prints
package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"go.etcd.io/bbolt"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// Format is the version of the file this code reads and writes.
const Format = 3

// ErrFormat says that a file is of a newer format, or not a store.
var ErrFormat = errors.New("store format")

var (
	meta    = []byte("meta")
	keptB   = []byte("kept")
	lapsB   = []byte("laps")
	trialsB = []byte("trials")
	results = []byte("results")
	buckets = [][]byte{meta, keptB, lapsB, trialsB, results}
)

// Store is an open file.
type Store struct{ db *bbolt.DB }

// Open opens the file at path, making it when new.
func Open(path string) (*Store, error) {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: 2 * time.Second})
	if err != nil {
		return nil, fmt.Errorf("opening the store %s: %w", path, err)
	}
	s := &Store{db}
	if err := db.Update(prepare); err != nil {
		return nil, errors.Join(fmt.Errorf("opening the store %s: %w", path, err), db.Close())
	}
	return s, nil
}

func prepare(tx *bbolt.Tx) error {
	for _, b := range buckets {
		if _, err := tx.CreateBucketIfNotExists(b); err != nil {
			return err
		}
	}
	m := tx.Bucket(meta)
	v := m.Get([]byte("format"))
	if v == nil {
		return m.Put([]byte("format"), []byte(strconv.Itoa(Format)))
	}
	if string(v) == "1" || string(v) == "2" {
		return empty(tx)
	}
	if string(v) != strconv.Itoa(Format) {
		return fmt.Errorf("%w: the file is of format %s, this program knows %d; rainhill rebuild makes it anew", ErrFormat, v, Format)
	}
	return nil
}

// empty lets go of all but results, which stay by the rules that made them: the
// scorer makes the rest again from the journal.
func empty(tx *bbolt.Tx) error {
	for _, b := range [][]byte{meta, keptB, lapsB, trialsB} {
		if err := tx.DeleteBucket(b); err != nil {
			return err
		}
		if _, err := tx.CreateBucket(b); err != nil {
			return err
		}
	}
	return tx.Bucket(meta).Put([]byte("format"), []byte(strconv.Itoa(Format)))
}

// Close closes the file.
func (s *Store) Close() error { return s.db.Close() }

// Trial is what is new of one trial: its summary, and its laps from number
// FromLap (counted from 1) on; laps beyond them are no more.
type Trial struct {
	Session string
	Result  wire.TrialResult
	FromLap int
}

// Session is the results of a session that closed, or was corrected after its
// close. When it only closed, results stored before by other rules stay as they
// are: new rules never change an old result by themselves.
type Session struct {
	ID        string
	Results   []byte
	Version   string // of the rules
	Corrected bool
}

// Gone is a trial whose opening was taken back.
type Gone struct{ Session, Trial string }

// Commit is one transaction: verdicts and the cursor, together or not at all.
type Commit struct {
	Cursor   uint64
	Trials   []Trial
	Gone     []Gone
	Sessions []Session
	Saved    trial.Saved // the snapshot; its State is nil when none is due
}

// Put writes a commit to disk.
func (s *Store) Put(c Commit) error {
	err := s.db.Update(func(tx *bbolt.Tx) error {
		for _, t := range c.Trials {
			if err := putTrial(tx, t); err != nil {
				return err
			}
		}
		for _, g := range c.Gone {
			if err := dropTrial(tx, g); err != nil {
				return err
			}
		}
		for _, x := range c.Sessions {
			if err := putSession(tx, x); err != nil {
				return err
			}
		}
		m := tx.Bucket(meta)
		if c.Saved.State != nil {
			if err := keep(tx, c.Saved); err != nil {
				return err
			}
			if err := m.Put([]byte("snapshot"), c.Saved.State); err != nil {
				return err
			}
			if err := m.Put([]byte("snapshot_seq"), strconv.AppendUint(nil, c.Cursor, 10)); err != nil {
				return err
			}
		}
		return m.Put([]byte("cursor"), strconv.AppendUint(nil, c.Cursor, 10))
	})
	if err != nil {
		return fmt.Errorf("writing verdicts up to fact %d: %w", c.Cursor, err)
	}
	return nil
}

func putSession(tx *bbolt.Tx, x Session) error {
	b := tx.Bucket(results)
	if old := b.Get([]byte(x.ID)); old != nil && !x.Corrected {
		var r struct {
			Rules wire.Rules `json:"rules"`
		}
		if err := json.Unmarshal(old, &r); err == nil && r.Rules.Version != x.Version {
			return nil
		}
	}
	return b.Put([]byte(x.ID), x.Results)
}

func dropTrial(tx *bbolt.Tx, g Gone) error {
	prefix := []byte(g.Session + "/" + g.Trial + "/")
	if err := dropLaps(tx.Bucket(lapsB), prefix, 0); err != nil {
		return err
	}
	return tx.Bucket(trialsB).Delete(prefix[:len(prefix)-1])
}

// keep puts laps that a snapshot is without beside it.
func keep(tx *bbolt.Tx, saved trial.Saved) error {
	b := tx.Bucket(keptB)
	if k, _ := b.Cursor().First(); k != nil && !bytes.HasPrefix(k, []byte(saved.Session+"/")) {
		if err := tx.DeleteBucket(keptB); err != nil {
			return err
		}
		var err error
		if b, err = tx.CreateBucket(keptB); err != nil {
			return err
		}
	}
	for _, t := range saved.Kept {
		prefix := []byte(saved.Session + "/" + t.Trial + "/")
		if err := dropLaps(b, prefix, t.From); err != nil {
			return err
		}
		for i, v := range t.Laps {
			if err := b.Put(lapKey(prefix, t.From+i), v); err != nil {
				return err
			}
		}
	}
	return nil
}

// dropLaps deletes a trial's laps from a number on.
func dropLaps(b *bbolt.Bucket, prefix []byte, from int) error {
	// Collect first: a cursor may skip keys when its bucket changes under it.
	var gone [][]byte
	c := b.Cursor()
	for k, _ := c.Seek(lapKey(prefix, from)); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		gone = append(gone, bytes.Clone(k))
	}
	for _, k := range gone {
		if err := b.Delete(k); err != nil {
			return err
		}
	}
	return nil
}

func putTrial(tx *bbolt.Tx, t Trial) error {
	prefix := []byte(t.Session + "/" + t.Result.Trial + "/")
	b := tx.Bucket(lapsB)
	if err := dropLaps(b, prefix, t.FromLap); err != nil {
		return err
	}
	for _, lap := range t.Result.Laps {
		v, err := json.Marshal(lap)
		if err != nil {
			return fmt.Errorf("lap %d of trial %s: %w", lap.Lap, t.Result.Trial, err)
		}
		if err := b.Put(lapKey(prefix, lap.Lap), v); err != nil {
			return err
		}
	}
	r := t.Result
	r.Laps = nil
	v, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("trial %s: %w", r.Trial, err)
	}
	return tx.Bucket(trialsB).Put(prefix[:len(prefix)-1], v)
}

func lapKey(prefix []byte, lap int) []byte {
	return fmt.Appendf(bytes.Clone(prefix), "%06d", lap)
}

// Kept reads the laps of a trial of the snapshot's session.
func (s *Store) Kept(session, trial string) (laps [][]byte, err error) {
	err = s.db.View(func(tx *bbolt.Tx) error {
		prefix := []byte(session + "/" + trial + "/")
		c := tx.Bucket(keptB).Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			laps = append(laps, bytes.Clone(v))
		}
		return nil
	})
	return laps, err
}

// Mark is where the scorer is: facts up to Cursor are in the store; Snapshot is
// the reducer's state after SnapshotSeq, nil when none was taken.
type Mark struct {
	Cursor, SnapshotSeq uint64
	Snapshot            []byte
}

// Mark reads where the scorer is.
func (s *Store) Mark() (Mark, error) {
	var m Mark
	err := s.db.View(func(tx *bbolt.Tx) error {
		b := tx.Bucket(meta)
		var err error
		if m.Cursor, err = number(b.Get([]byte("cursor"))); err != nil {
			return err
		}
		m.SnapshotSeq, err = number(b.Get([]byte("snapshot_seq")))
		m.Snapshot = bytes.Clone(b.Get([]byte("snapshot")))
		return err
	})
	return m, err
}

func number(b []byte) (uint64, error) {
	if b == nil {
		return 0, nil
	}
	return strconv.ParseUint(string(b), 10, 64)
}

// Laps reads a trial's laps in order.
func (s *Store) Laps(session, trial string) ([]wire.Lap, error) {
	var out []wire.Lap
	err := s.db.View(func(tx *bbolt.Tx) error {
		prefix := []byte(session + "/" + trial + "/")
		c := tx.Bucket(lapsB).Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			var lap wire.Lap
			if err := json.Unmarshal(v, &lap); err != nil {
				return fmt.Errorf("lap %s: %w", k, err)
			}
			out = append(out, lap)
		}
		return nil
	})
	return out, err
}

// Results reads the results of a closed session, nil when there are none.
func (s *Store) Results(session string) ([]byte, error) {
	var out []byte
	err := s.db.View(func(tx *bbolt.Tx) error {
		out = bytes.Clone(tx.Bucket(results).Get([]byte(session)))
		return nil
	})
	return out, err
}

// Dump writes every bucket, key and value in order: two stores that hold the
// same give the same bytes, whatever the layout of their files.
func (s *Store) Dump(w io.Writer) error {
	return s.db.View(func(tx *bbolt.Tx) error {
		for _, name := range buckets {
			err := tx.Bucket(name).ForEach(func(k, v []byte) error {
				_, err := fmt.Fprintf(w, "%s %q %q\n", name, k, v)
				return err
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
}
