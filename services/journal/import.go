package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// ErrNotEmpty marks an import into a site that has a journal.
var ErrNotEmpty = errors.New("has a journal already; choose another name with --site")

// Remove takes a site's journal away with all that belongs to it: what an import
// made that is not to be.
func Remove(ctx context.Context, nc *nats.Conn, cfg Config) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	j := Journal{cfg: cfg}
	if err = js.DeleteStream(ctx, bus.Stream(cfg.Site)); errors.Is(err, jetstream.ErrStreamNotFound) {
		err = nil
	}
	for _, path := range []string{j.checkpointPath(), j.rejectsPath()} {
		if e := os.Remove(path); !errors.Is(e, os.ErrNotExist) {
			err = errors.Join(err, e)
		}
	}
	return err
}

// Import writes a session file as the beginning of a site's own journal, which
// must be empty: facts of another place never mix with those of this one. Each
// keeps its arrival time, on which results depend, and gets "origin", where it
// stood. bad hears of each line that is not a fact; it does not stop the rest.
// Nothing is written when the file's own chain is broken, and nothing is left when
// ctx is done or writing fails before all is in; a recording made
// elsewhere, without any chain, is taken as it is.
func Import(ctx context.Context, nc *nats.Conn, cfg Config, file io.ReadSeeker, bad func(line int, err error)) (facts int, err error) {
	if err := holds(file); err != nil {
		return 0, err
	}
	cfg.Tick = -1
	j, err := Open(ctx, nc, cfg)
	if err != nil {
		return 0, err
	}
	if j.last != 0 {
		j.rejects.close()
		return 0, fmt.Errorf("site %s %w", cfg.Site, ErrNotEmpty)
	}
	facts, err = j.take(ctx, file, bad)
	j.rejects.close()
	if err != nil {
		return 0, errors.Join(err, Remove(context.WithoutCancel(ctx), nc, cfg))
	}
	return facts, nil
}

// take writes the facts of a file.
func (j *Journal) take(ctx context.Context, file io.Reader, bad func(line int, err error)) (facts int, err error) {
	var batch []fact
	flush := func() error {
		n, err := j.append(batch)
		if err == nil && n < len(batch) {
			err = errUnwritten
		}
		facts += n
		batch = nil
		return err
	}
	from := j.cfg.Site
	err = EachLine(file, func(n int, line []byte) error {
		var h Header
		if json.Unmarshal(line, &h) == nil && h.Kind == KindFile {
			from = h.Site
			return nil
		}
		f, err := imported(line, from)
		if err != nil {
			bad(n, err)
			return nil
		}
		if batch = append(batch, f); len(batch) >= maxBatch {
			return flush()
		}
		return ctx.Err()
	})
	if err != nil {
		return facts, err
	}
	return facts, errors.Join(flush(), j.save())
}

// holds checks a file's chain and goes back to its beginning. A recording made
// elsewhere has no chain at all, and then there is nothing to check.
func holds(file io.ReadSeeker) error {
	chained := false
	err := EachLine(file, func(_ int, line []byte) error {
		var h Header
		_, _, noChain := split(line)
		chained = chained || noChain == nil || json.Unmarshal(line, &h) == nil && h.Kind == KindFile
		return nil
	})
	if err != nil {
		return err
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil || !chained {
		return err
	}
	if _, err := VerifyFile(file, nil); err != nil {
		return fmt.Errorf("the file is not what was recorded: %w", err)
	}
	_, err = file.Seek(0, io.SeekStart)
	return err
}

func imported(line []byte, from string) (fact, error) {
	e, err := wire.Decode(line)
	if err != nil {
		return fact{}, err
	}
	m := map[string]json.RawMessage{}
	if err := json.Unmarshal(line, &m); err != nil {
		return fact{}, err
	}
	if _, chain, err := split(line); err == nil {
		origin, err := json.Marshal(fmt.Sprintf("%s/%d/%s", from, e.JournalSeq, chain))
		if err != nil {
			return fact{}, err
		}
		m["origin"] = origin
	}
	raw, err := json.Marshal(m)
	return fact{event: e, raw: raw, busUs: e.BusUs}, err
}

// VerifySite walks a site's journal from its beginning and reports the first
// bad place. each, unless nil, is handed every record that holds; its error ends the walk.
func VerifySite(ctx context.Context, nc *nats.Conn, site string, each func(record []byte) error) (records int, chain string, err error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, "", err
	}
	var c Chain
	err = Read(ctx, js, site, 1, 0, func(seq uint64, record []byte) error {
		if want := uint64(c.N) + 1; seq != want {
			return fmt.Errorf("record %d is missing: the stream goes on at %d", want, seq)
		}
		if err := c.Add(record); err != nil || each == nil {
			return err
		}
		return each(record)
	})
	return c.N, c.Value(), err
}

// Sites lists the sites that have a journal here.
func Sites(ctx context.Context, nc *nats.Conn) ([]string, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, err
	}
	var out []string
	names := js.StreamNames(ctx)
	for name := range names.Name() {
		if site, ok := strings.CutPrefix(name, bus.Stream("")); ok {
			out = append(out, site)
		}
	}
	return out, names.Err()
}
